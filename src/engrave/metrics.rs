//! What the music font's metadata says: glyph boxes, anchors and engraving defaults, in staff spaces.
//! In: the SMuFL metadata file. Out: [`Metrics`]. Source: SMuFL, "Metadata for SMuFL fonts"; y grows upward.

use std::collections::{BTreeMap, HashMap};

use serde::Deserialize;

use super::list::{Point, Rect};

macro_rules! glyphs {
    ($($variant:ident = $code:literal, $name:literal;)*) => {
        /// The glyphs we draw, by their SMuFL names.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[allow(missing_docs)]
        pub enum Glyph { $($variant,)* }

        impl Glyph {
            /// All of them.
            pub const ALL: &[Glyph] = &[$(Glyph::$variant,)*];

            /// The SMuFL code point.
            pub fn code_point(self) -> char {
                match self { $(Glyph::$variant => $code,)* }
            }

            /// The SMuFL glyph name.
            pub fn smufl_name(self) -> &'static str {
                match self { $(Glyph::$variant => $name,)* }
            }
        }
    };
}

// Source of names and code points: SMuFL glyphnames.
glyphs! {
    Brace = '\u{E000}', "brace";
    GClef = '\u{E050}', "gClef";
    GClef8Below = '\u{E052}', "gClef8vb";
    CClef = '\u{E05C}', "cClef";
    FClef = '\u{E062}', "fClef";
    HeadWhole = '\u{E0A2}', "noteheadWhole";
    HeadHalf = '\u{E0A3}', "noteheadHalf";
    HeadBlack = '\u{E0A4}', "noteheadBlack";
    Diamond = '\u{E0DB}', "noteheadDiamondBlack";
    HeadX = '\u{E0A9}', "noteheadXBlack";
    Flag8Up = '\u{E240}', "flag8thUp";
    Flag8Down = '\u{E241}', "flag8thDown";
    Flag16Up = '\u{E242}', "flag16thUp";
    Flag16Down = '\u{E243}', "flag16thDown";
    Flat = '\u{E260}', "accidentalFlat";
    Natural = '\u{E261}', "accidentalNatural";
    Sharp = '\u{E262}', "accidentalSharp";
    DoubleSharp = '\u{E263}', "accidentalDoubleSharp";
    DoubleFlat = '\u{E264}', "accidentalDoubleFlat";
}

/// Line weights and lengths the font was made for, in staff spaces.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(rename_all = "camelCase")]
#[allow(missing_docs)]
pub struct EngravingDefaults {
    pub staff_line_thickness: f64,
    pub stem_thickness: f64,
    pub beam_thickness: f64,
    pub beam_spacing: f64,
    #[serde(rename = "legerLineThickness")]
    pub ledger_line_thickness: f64,
    /// How far a ledger line reaches beyond the head, each side.
    #[serde(rename = "legerLineExtension")]
    pub ledger_line_extension: f64,
    pub thin_barline_thickness: f64,
    pub thick_barline_thickness: f64,
    pub barline_separation: f64,
}

/// One glyph's measures, in staff spaces from its origin.
#[derive(Debug, Clone, PartialEq)]
pub struct GlyphMetrics {
    /// The smallest box that holds its ink.
    pub bounds: Rect,
    /// Named points, such as `stemUpSE`.
    pub anchors: BTreeMap<String, Point>,
}

/// The font's measures.
#[derive(Debug, Clone, PartialEq)]
pub struct Metrics {
    /// The font's name and version, as in its metadata.
    pub font: String,
    /// Line weights.
    pub defaults: EngravingDefaults,
    glyphs: BTreeMap<Glyph, GlyphMetrics>,
}

/// Metadata that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum MetricsError {
    /// Not the JSON that SMuFL describes.
    #[error("the music font's metadata cannot be read; put back the file that came with the font")]
    Unreadable(#[from] serde_json::Error),
    /// No box for a glyph we draw.
    #[error(
        "the music font's metadata has no box for {glyph}; use the file that came with the font"
    )]
    MissingBox {
        /// Its SMuFL name.
        glyph: &'static str,
    },
}

#[derive(Deserialize)]
struct RawBox {
    #[serde(rename = "bBoxNE")]
    north_east: [f64; 2],
    #[serde(rename = "bBoxSW")]
    south_west: [f64; 2],
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct RawMetadata<'a> {
    font_name: &'a str,
    font_version: f64,
    engraving_defaults: EngravingDefaults,
    #[serde(rename = "glyphBBoxes", borrow)]
    boxes: HashMap<&'a str, RawBox>,
    #[serde(borrow)]
    glyphs_with_anchors: HashMap<&'a str, HashMap<&'a str, [f64; 2]>>,
}

impl Metrics {
    /// Reads SMuFL metadata. Errors: [`MetricsError`].
    pub fn from_json(json: &[u8]) -> Result<Metrics, MetricsError> {
        let raw: RawMetadata<'_> = serde_json::from_slice(json)?;
        let mut glyphs = BTreeMap::new();
        for &glyph in Glyph::ALL {
            let name = glyph.smufl_name();
            let raw_box = raw
                .boxes
                .get(name)
                .ok_or(MetricsError::MissingBox { glyph: name })?;
            let anchors = raw.glyphs_with_anchors.get(name).into_iter().flatten();
            let metrics = GlyphMetrics {
                bounds: Rect {
                    left: raw_box.south_west[0],
                    bottom: raw_box.south_west[1],
                    right: raw_box.north_east[0],
                    top: raw_box.north_east[1],
                },
                anchors: anchors
                    .map(|(&anchor, &[x, y])| (anchor.to_owned(), Point { x, y }))
                    .collect(),
            };
            glyphs.insert(glyph, metrics);
        }
        Ok(Metrics {
            font: format!("{} {}", raw.font_name, raw.font_version),
            defaults: raw.engraving_defaults,
            glyphs,
        })
    }

    /// Box and anchors of `glyph`.
    pub fn glyph(&self, glyph: Glyph) -> &GlyphMetrics {
        self.glyphs
            .get(&glyph)
            .expect("from_json fills in every glyph")
    }

    /// The ink's box, from the glyph's origin.
    pub fn bounds(&self, glyph: Glyph) -> Rect {
        self.glyph(glyph).bounds
    }

    /// The ink's width.
    pub fn width(&self, glyph: Glyph) -> f64 {
        self.bounds(glyph).width()
    }
}
