//! The music font: outlines in staff spaces beside its metrics.
//! In: the OpenType file and metadata in `font/`. Out: [`MusicFont`].
//! Source: SMuFL, "Metrics and glyph registration for scoring": 1 em is four staff spaces.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use super::list::Point;
use super::metrics::{Glyph, Metrics, MetricsError};

/// A piece of an outline; points in staff spaces from the glyph's origin, y upward.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub enum Segment {
    Move(Point),
    Line(Point),
    Quad(Point, Point),
    Cubic(Point, Point, Point),
    Close,
}

/// A glyph's contours, as they were drawn and as polygons.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Outline {
    /// The contours as drawn.
    pub segments: Vec<Segment>,
    /// The contours in straight pieces, closed.
    pub polygons: Vec<Vec<Point>>,
}

/// Straight pieces for a curve: at 16 dots a space the largest clef strays less than 0.02 dot from its curves.
const PIECES: u32 = 12;

/// The font's outlines and measures.
#[derive(Debug, Clone, PartialEq)]
pub struct MusicFont {
    /// Boxes, anchors and line weights.
    pub metrics: Metrics,
    outlines: BTreeMap<Glyph, Outline>,
}

/// A font that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FontError {
    /// Its metadata.
    #[error(transparent)]
    Metrics(#[from] MetricsError),
    /// Not an OpenType font.
    #[error("the music font cannot be read; put back the file that came with the program")]
    Unreadable(#[from] ttf_parser::FaceParsingError),
    /// No outline for a glyph we draw.
    #[error("the music font has no glyph {glyph}; use a complete SMuFL font")]
    MissingGlyph {
        /// Its SMuFL name.
        glyph: &'static str,
    },
}

impl MusicFont {
    /// Reads a SMuFL font and its metadata. Errors: [`FontError`].
    pub fn from_bytes(otf: &[u8], metadata: &[u8]) -> Result<MusicFont, FontError> {
        let face = ttf_parser::Face::parse(otf, 0)?;
        let metrics = Metrics::from_json(metadata)?;
        let spaces_per_unit = 4.0 / f64::from(face.units_per_em());
        let mut outlines = BTreeMap::new();
        for &glyph in Glyph::ALL {
            let missing = FontError::MissingGlyph {
                glyph: glyph.smufl_name(),
            };
            let mut pen = Pen {
                scale: spaces_per_unit,
                outline: Outline::default(),
                at: Point { x: 0.0, y: 0.0 },
            };
            let drawn = face
                .glyph_index(glyph.code_point())
                .and_then(|id| face.outline_glyph(id, &mut pen));
            if drawn.is_none() {
                return Err(missing);
            }
            outlines.insert(glyph, pen.outline);
        }
        Ok(MusicFont { metrics, outlines })
    }

    /// The outline of `glyph`.
    pub fn outline(&self, glyph: Glyph) -> &Outline {
        self.outlines
            .get(&glyph)
            .expect("from_bytes fills in every glyph")
    }
}

/// The music font's file, as it is embedded in what is printed.
pub(super) const MUSIC_FONT: &[u8] = include_bytes!("font/bravura.otf");

/// The font that comes with the program, read at first use.
pub fn music_font() -> &'static MusicFont {
    static FONT: LazyLock<MusicFont> = LazyLock::new(|| {
        MusicFont::from_bytes(MUSIC_FONT, include_bytes!("font/metadata.json"))
            .expect("the font built into the program is whole")
    });
    &FONT
}

struct Pen {
    scale: f64,
    outline: Outline,
    at: Point,
}

impl Pen {
    fn point(&self, x: f32, y: f32) -> Point {
        Point {
            x: f64::from(x) * self.scale,
            y: f64::from(y) * self.scale,
        }
    }

    fn go(&mut self, to: Point) {
        if let Some(polygon) = self.outline.polygons.last_mut() {
            polygon.push(to);
        }
        self.at = to;
    }
}

impl ttf_parser::OutlineBuilder for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        let to = self.point(x, y);
        self.outline.segments.push(Segment::Move(to));
        self.outline.polygons.push(Vec::new());
        self.go(to);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let to = self.point(x, y);
        self.outline.segments.push(Segment::Line(to));
        self.go(to);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let (from, control, to) = (self.at, self.point(x1, y1), self.point(x, y));
        self.outline.segments.push(Segment::Quad(control, to));
        for piece in 1..=PIECES {
            let t = f64::from(piece) / f64::from(PIECES);
            self.go(from.toward(control, t).toward(control.toward(to, t), t));
        }
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let (from, to) = (self.at, self.point(x, y));
        let (first, second) = (self.point(x1, y1), self.point(x2, y2));
        self.outline
            .segments
            .push(Segment::Cubic(first, second, to));
        for piece in 1..=PIECES {
            let t = f64::from(piece) / f64::from(PIECES);
            let middle = first.toward(second, t);
            let near = from.toward(first, t).toward(middle, t);
            let far = middle.toward(second.toward(to, t), t);
            self.go(near.toward(far, t));
        }
    }

    fn close(&mut self) {
        self.outline.segments.push(Segment::Close);
    }
}
