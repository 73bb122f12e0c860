//! PDF: pages with both fonts embedded, tagged with what each thing says. In: a [`Document`]. Out: bytes.
//! Source: ISO 32000-1 (tagged PDF), ISO 14289-1 (PDF/UA-1), against which the writing library checks itself.

use std::num::NonZeroU16;

use krilla::color::{luma, rgb};
use krilla::configure::{Accessibility, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::error::KrillaError;
use krilla::geom::{Path, PathBuilder, Point, Rect, Transform};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule, Stroke as Pen, StrokeDash};
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, ContentTag, Identifier, SpanTag, TableHeaderScope, Tag, TagGroup,
    TagTree,
};
use krilla::text::{Font, GlyphId, KrillaGlyph, TextDirection};
use krilla::{Document as Pdf, SerializeSettings};

use crate::engrave::font::{MUSIC_FONT, Segment, music_font};
use crate::engrave::list::{Mark, Shape};
use crate::engrave::metrics::Glyph;
use crate::engrave::page::{Colour, Document, Music, Stroke, TEXT_FONT, Thing, Words};

/// Points of a millimetre. Source: ISO 32000-1, 8.3.2.3: a unit of user space is 1/72 inch.
const POINTS: f64 = 72.0 / 25.4;

/// A document that cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    /// A page without width or height.
    #[error("a page of {width} by {height} millimetres cannot be printed; choose a paper")]
    Paper {
        /// Its width.
        width: f64,
        /// Its height.
        height: f64,
    },
    /// The library refuses what was drawn.
    #[error("the PDF could not be made ({0}); write SVG instead")]
    Refused(String),
}

impl From<KrillaError> for PdfError {
    fn from(error: KrillaError) -> PdfError {
        PdfError::Refused(format!("{error:?}"))
    }
}

struct Fonts {
    text: Typeface,
    music: Typeface,
}

/// A font, and where it has which sign.
struct Typeface {
    font: Font,
    face: ttf_parser::Face<'static>,
}

impl Typeface {
    fn new(bytes: &'static [u8]) -> Result<Typeface, PdfError> {
        let refused = || PdfError::Refused("a font".to_owned());
        Ok(Typeface {
            font: Font::new(bytes.into(), 0).ok_or_else(refused)?,
            face: ttf_parser::Face::parse(bytes, 0).map_err(|_| refused())?,
        })
    }

    /// Writes from `start` on. Whatever has a sign of its own for each letter is set by widths alone, as it was measured
    /// ([`crate::engrave::page::text_width`]); what may join or sit on its neighbours is shaped, which takes ten times as long.
    fn draw(&self, start: Point, size: f32, text: &str, surface: &mut Surface<'_>) {
        let (font, em) = (self.font.clone(), f32::from(self.face.units_per_em()));
        let signs: Option<Vec<KrillaGlyph>> = text
            .char_indices()
            .map(|(place, letter)| {
                let sign = Some(letter).filter(|letter| stands_alone(*letter));
                let id = self.face.glyph_index(sign?)?;
                let advance = f32::from(self.face.glyph_hor_advance(id)?) / em;
                let range = place..place + letter.len_utf8();
                let id = GlyphId::new(u32::from(id.0));
                Some(KrillaGlyph::new(id, advance, 0.0, 0.0, 0.0, range, None))
            })
            .collect();
        match signs {
            Some(signs) => surface.draw_glyphs(start, &signs, font, text, size, false),
            None => surface.draw_text(start, font, size, text, false, TextDirection::LeftToRight),
        }
    }
}

/// Letters, figures and signs that neither join nor sit on others: Latin without combining marks, punctuation to mathematical and
/// other symbols, and the music font's own (private use). Source: the blocks of Unicode.
fn stands_alone(letter: char) -> bool {
    matches!(letter, '\u{20}'..='\u{24f}' | '\u{2010}'..='\u{2027}' | '\u{2030}'..='\u{205e}' | '\u{2190}'..='\u{27bf}' | '\u{e000}'..='\u{f8ff}')
}

fn pt(millimetres: f64) -> f32 {
    (millimetres * POINTS) as f32
}

fn at(x: f64, y: f64) -> Point {
    Point::from_xy(pt(x), pt(y))
}

fn shade(black: f64) -> Fill {
    let part = ((1.0 - black.clamp(0.0, 1.0)) * 255.0).round() as u8;
    Fill {
        paint: luma::Color::new(part).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::default(),
    }
}

/// Writes `document` as PDF. Errors: [`PdfError`].
pub fn document(document: &Document) -> Result<Vec<u8>, PdfError> {
    let fonts = Fonts {
        text: Typeface::new(TEXT_FONT)?,
        music: Typeface::new(MUSIC_FONT)?,
    };
    let configuration = ConfigurationBuilder::new()
        .with_accessibility_validator(Accessibility::UA1)
        .finish()
        .map_err(|error| PdfError::Refused(format!("{error:?}")))?;
    let mut pdf = Pdf::new_with(SerializeSettings {
        configuration,
        ..SerializeSettings::default()
    });
    let mut tags = TagTree::new();
    for sheet in &document.pages {
        let settings =
            PageSettings::from_wh(pt(sheet.width), pt(sheet.height)).ok_or(PdfError::Paper {
                width: sheet.width,
                height: sheet.height,
            })?;
        let mut page = pdf.start_page_with(settings);
        let mut surface = page.surface();
        for thing in &sheet.things {
            if let Some(group) = draw(thing, &fonts, &mut surface) {
                tags.push(group);
            }
        }
        surface.finish();
        page.finish();
    }
    pdf.set_tag_tree(tags.with_lang(Some(document.language.clone())));
    pdf.set_outline(outline_of(document));
    pdf.set_metadata(
        Metadata::new()
            .title(document.title.clone())
            .language(document.language.clone())
            .creator("Stavelark".to_owned()),
    );
    Ok(pdf.finish()?)
}

fn draw(thing: &Thing, fonts: &Fonts, surface: &mut Surface<'_>) -> Option<TagGroup> {
    match thing {
        Thing::Heading(level, words) => {
            let level = NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN);
            let id = write(words, fonts, surface);
            Some(group(
                TagGroup::new(Tag::Hn(level, Some(words.text.clone()))),
                id,
            ))
        }
        Thing::Words(words) => {
            let id = write(words, fonts, surface);
            Some(group(TagGroup::new(Tag::P), id))
        }
        Thing::Music(music) if music.says.is_empty() => {
            let tag = ContentTag::Artifact(Artifact::with_kind(ArtifactType::Layout));
            surface.start_tagged(tag);
            staff(music, fonts, surface);
            surface.end_tagged();
            None
        }
        Thing::Music(music) => {
            let tag = ContentTag::Span(SpanTag::empty().with_actual_text(Some(&music.says)));
            let id = surface.start_tagged(tag);
            staff(music, fonts, surface);
            surface.end_tagged();
            Some(group(
                TagGroup::new(Tag::Figure(Some(music.says.clone()))),
                id,
            ))
        }
        Thing::Drawing { strokes, says } => {
            let tag = match says {
                Some(_) => ContentTag::Other,
                None => ContentTag::Artifact(Artifact::with_kind(ArtifactType::Layout)),
            };
            let id = surface.start_tagged(tag);
            for stroke in strokes {
                one_stroke(stroke, surface);
            }
            surface.end_tagged();
            let says = says.clone()?;
            Some(group(TagGroup::new(Tag::Figure(Some(says))), id))
        }
        Thing::Table { head, rows } => Some(table(head, rows, fonts, surface)),
    }
}

/// A table as PDF/UA-1 wants it: header cells say whether they head a column or a row.
fn table(
    head: &[Words],
    rows: &[Vec<Words>],
    fonts: &Fonts,
    surface: &mut Surface<'_>,
) -> TagGroup {
    let mut all = TagGroup::new(Tag::Table);
    let mut row = TagGroup::new(Tag::TR);
    for words in head {
        let id = write(words, fonts, surface);
        row.push(group(TagGroup::new(Tag::TH(TableHeaderScope::Column)), id));
    }
    all.push(row);
    for cells in rows {
        let mut row = TagGroup::new(Tag::TR);
        for (column, words) in cells.iter().enumerate() {
            let id = write(words, fonts, surface);
            row.push(if column == 0 {
                group(TagGroup::new(Tag::TH(TableHeaderScope::Row)), id)
            } else {
                group(TagGroup::new(Tag::TD), id)
            });
        }
        all.push(row);
    }
    all
}

fn group(mut group: TagGroup, id: Identifier) -> TagGroup {
    group.push(id);
    group
}

fn write(words: &Words, fonts: &Fonts, surface: &mut Surface<'_>) -> Identifier {
    let id = surface.start_tagged(ContentTag::Other);
    surface.set_stroke(None);
    surface.set_fill(Some(shade(1.0)));
    let start = at(words.left(), words.y);
    fonts.text.draw(start, pt(words.size), &words.text, surface);
    surface.end_tagged();
    id
}

fn staff(music: &Music, fonts: &Fonts, surface: &mut Surface<'_>) {
    surface.set_stroke(None);
    surface.set_fill(Some(shade(1.0)));
    let place = |x: f64, y: f64| (music.x + x * music.space, music.zero - y * music.space);
    for (Mark { shape, .. }, colour) in music.marks() {
        if let Some(Colour(r, g, b)) = colour {
            surface.set_fill(Some(Fill {
                paint: rgb::Color::new(r, g, b).into(),
                ..shade(1.0)
            }));
        }
        match *shape {
            Shape::Line {
                from,
                to,
                thickness,
            } => {
                let half = thickness / 2.0;
                let (left, right, top, bottom) = if from.y == to.y {
                    (from.x, to.x, from.y + half, from.y - half)
                } else {
                    (from.x - half, from.x + half, to.y, from.y)
                };
                let (x0, y0) = place(left, top);
                let (x1, y1) = place(right, bottom);
                fill_box((x0, y0), (x1 - x0, y1 - y0), surface);
            }
            Shape::Glyph { glyph, at: origin } => {
                let (x, y) = place(origin.x, origin.y);
                let mut text = [0; 4];
                let sign = glyph.code_point().encode_utf8(&mut text);
                // 1 em is four staff spaces.
                let em = pt(4.0 * music.space);
                fonts.music.draw(at(x, y), em, sign, surface);
            }
            Shape::Stretched { glyph, to } => {
                let bounds = music_font().metrics.bounds(glyph);
                let (sx, sy) = (to.width() / bounds.width(), to.height() / bounds.height());
                let (x, y) = place(to.left - bounds.left * sx, to.bottom - bounds.bottom * sy);
                let unit = music.space * POINTS;
                let transform = Transform::from_row(
                    (sx * unit) as f32,
                    0.0,
                    0.0,
                    (-sy * unit) as f32,
                    pt(x),
                    pt(y),
                );
                surface.push_transform(&transform);
                if let Some(path) = outline(glyph) {
                    surface.draw_path(&path);
                }
                surface.pop();
            }
        }
        if colour.is_some() {
            surface.set_fill(Some(shade(1.0)));
        }
    }
}

/// Where each heading of a page is found.
fn outline_of(document: &Document) -> Outline {
    let mut outline = Outline::new();
    for (number, page) in document.pages.iter().enumerate() {
        for thing in &page.things {
            if let Thing::Heading(_, words) = thing {
                let place = XyzDestination::new(number, at(words.x, words.y - words.size));
                outline.push_child(OutlineNode::new(words.text.clone(), place));
            }
        }
        if !page.things.iter().any(|t| matches!(t, Thing::Heading(..))) {
            let place = XyzDestination::new(number, at(0.0, 0.0));
            let text = format!("{}, page {}", document.title, number + 1);
            outline.push_child(OutlineNode::new(text, place));
        }
    }
    outline
}

/// A glyph's outline, in staff spaces.
fn outline(glyph: Glyph) -> Option<Path> {
    let mut path = PathBuilder::new();
    for segment in &music_font().outline(glyph).segments {
        match *segment {
            Segment::Move(p) => path.move_to(p.x as f32, p.y as f32),
            Segment::Line(p) => path.line_to(p.x as f32, p.y as f32),
            Segment::Quad(a, p) => path.quad_to(a.x as f32, a.y as f32, p.x as f32, p.y as f32),
            Segment::Cubic(a, b, p) => path.cubic_to(
                a.x as f32, a.y as f32, b.x as f32, b.y as f32, p.x as f32, p.y as f32,
            ),
            Segment::Close => path.close(),
        }
    }
    path.finish()
}

fn fill_box(corner: (f64, f64), size: (f64, f64), surface: &mut Surface<'_>) {
    let mut path = PathBuilder::new();
    let rect = Rect::from_xywh(pt(corner.0), pt(corner.1), pt(size.0), pt(size.1));
    if let Some(rect) = rect {
        path.push_rect(rect);
    }
    if let Some(path) = path.finish() {
        surface.draw_path(&path);
    }
}

fn pen(weight: f64, dashed: bool) -> Option<Pen> {
    (weight > 0.0).then(|| Pen {
        paint: luma::Color::new(0).into(),
        width: pt(weight),
        dash: dashed.then(|| StrokeDash {
            array: vec![pt(1.0), pt(1.0)],
            offset: 0.0,
        }),
        ..Pen::default()
    })
}

fn one_stroke(stroke: &Stroke, surface: &mut Surface<'_>) {
    match *stroke {
        Stroke::Line {
            from,
            to,
            weight,
            dashed,
        } => {
            surface.set_fill(None);
            surface.set_stroke(pen(weight, dashed));
            let mut path = PathBuilder::new();
            path.move_to(pt(from.0), pt(from.1));
            path.line_to(pt(to.0), pt(to.1));
            if let Some(path) = path.finish() {
                surface.draw_path(&path);
            }
        }
        Stroke::Box {
            corner,
            size,
            fill,
            edge,
        } => {
            surface.set_fill(Some(shade(fill)));
            surface.set_stroke(pen(edge, false));
            fill_box(corner, size, surface);
        }
        Stroke::Oval {
            middle,
            radii,
            fill,
            edge,
        } => {
            surface.set_fill(Some(shade(fill)));
            surface.set_stroke(pen(edge, false));
            if let Some(path) = oval(middle, radii) {
                surface.draw_path(&path);
            }
        }
    }
}

/// An ellipse in four curves, off a true one by less than 0.03 % of its radius.
fn oval((x, y): (f64, f64), (rx, ry): (f64, f64)) -> Option<Path> {
    const HANDLE: f64 = 0.552_285;
    let mut path = PathBuilder::new();
    let p = |dx: f64, dy: f64| (pt(x + dx * rx), pt(y + dy * ry));
    let begin = p(1.0, 0.0);
    path.move_to(begin.0, begin.1);
    for [a, b, to] in [
        [(1.0, HANDLE), (HANDLE, 1.0), (0.0, 1.0)],
        [(-HANDLE, 1.0), (-1.0, HANDLE), (-1.0, 0.0)],
        [(-1.0, -HANDLE), (-HANDLE, -1.0), (0.0, -1.0)],
        [(HANDLE, -1.0), (1.0, -HANDLE), (1.0, 0.0)],
    ] {
        let [a, b, to] = [a, b, to].map(|(dx, dy)| p(dx, dy));
        path.cubic_to(a.0, a.1, b.0, b.1, to.0, to.1);
    }
    path.close();
    path.finish()
}
