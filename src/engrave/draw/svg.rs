//! SVG: pages one below the other, or a figure within a web page; music as outlines. In: a [`Document`], or things.
//! Out: text.
//! Source: SVG 1.1 (second edition), WAI-ARIA graphics roles for what a picture says.

use std::collections::BTreeSet;
use std::fmt::Write;

use crate::engrave::font::{Outline, Segment, music_font};
use crate::engrave::list::{Mark, Point, Rect, Shape};
use crate::engrave::metrics::Glyph;
use crate::engrave::page::{Anchor, Colour, Document, Music, Page, Stroke, Thing, Words};

/// Clear space between pages.
const BETWEEN: f64 = 10.0;

/// Letters for a viewer without the sheets' own font.
const FAMILIES: &str = "Andika, 'Trebuchet MS', Verdana, sans-serif";

/// A number as short as a hundredth of a millimetre allows.
fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    match text {
        "-0" => "0".to_owned(),
        text => text.to_owned(),
    }
}

fn escaped(text: &str) -> String {
    text.chars().fold(String::new(), |mut out, letter| {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            letter => out.push(letter),
        }
        out
    })
}

/// What is drawn upon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ground {
    /// White paper; every part says what it is.
    Paper,
    /// A web page, light or dark: everything is in the colour of its words, and the figure as a whole says what it is.
    Web,
}

impl Ground {
    /// A share of black, or of the words' colour, as a fill.
    fn fill(self, share: f64) -> String {
        let share = share.clamp(0.0, 1.0);
        match self {
            Ground::Paper => {
                let part = ((1.0 - share) * 255.0).round() as u8;
                format!(" fill=\"#{part:02x}{part:02x}{part:02x}\"")
            }
            Ground::Web if share == 0.0 => " fill=\"none\"".to_owned(),
            Ground::Web if share == 1.0 => String::new(),
            Ground::Web => format!(" fill-opacity=\"{}\"", number(share)),
        }
    }

    fn edge(self, weight: f64) -> String {
        let colour = match self {
            _ if weight == 0.0 => return String::new(),
            Ground::Paper => "#000",
            Ground::Web => "currentColor",
        };
        format!(" stroke=\"{colour}\" stroke-width=\"{}\"", number(weight))
    }
}

/// An outline in staff spaces, y downward.
fn path(outline: &Outline) -> String {
    let mut out = String::new();
    let point = |p: &crate::engrave::list::Point| format!("{} {}", number(p.x), number(-p.y));
    for segment in &outline.segments {
        let written = match segment {
            Segment::Move(to) => format!("M{}", point(to)),
            Segment::Line(to) => format!("L{}", point(to)),
            Segment::Quad(by, to) => format!("Q{} {}", point(by), point(to)),
            Segment::Cubic(a, b, to) => format!("C{} {} {}", point(a), point(b), point(to)),
            Segment::Close => "Z".to_owned(),
        };
        out.push_str(&written);
    }
    out
}

/// Writes `document` as SVG.
pub fn document(document: &Document) -> String {
    let width = document.pages.iter().map(|p| p.width).fold(1.0, f64::max);
    let height: f64 = document
        .pages
        .iter()
        .map(|p| p.height + BETWEEN)
        .sum::<f64>()
        - BETWEEN;
    let (w, h) = (number(width), number(height.max(1.0)));
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\" \
         lang=\"{}\" font-family=\"{FAMILIES}\">\n<title>{}</title>\n<defs>\n",
        escaped(&document.language),
        escaped(&document.title)
    );
    out.push_str(&outlines(
        document.pages.iter().flat_map(|page| &page.things),
    ));
    out.push_str("</defs>\n");
    let mut top = 0.0;
    for page in &document.pages {
        one_page(&mut out, page, top);
        top += page.height + BETWEEN;
    }
    out.push_str("</svg>\n");
    out
}

/// The outline of every glyph that `things` use, each under its name.
fn outlines<'a>(things: impl Iterator<Item = &'a Thing>) -> String {
    let used: BTreeSet<Glyph> = things
        .filter_map(|thing| match thing {
            Thing::Music(music) => Some(&music.list.marks),
            _ => None,
        })
        .flatten()
        .filter_map(|mark| match mark.shape {
            Shape::Glyph { glyph, .. } | Shape::Stretched { glyph, .. } => Some(glyph),
            Shape::Line { .. } => None,
        })
        .collect();
    let mut out = String::new();
    for glyph in used {
        let outline = path(music_font().outline(glyph));
        line(
            &mut out,
            format_args!("<path id=\"{}\" d=\"{outline}\"/>", glyph.smufl_name()),
        );
    }
    out
}

/// The glyphs of all figures of a web page, to stand once before the first of them.
pub fn glyphs<'a>(things: impl Iterator<Item = &'a Thing>) -> String {
    format!(
        "<svg width=\"0\" height=\"0\" aria-hidden=\"true\"><defs>\n{}</defs></svg>\n",
        outlines(things)
    )
}

/// A figure of a web page that has [`glyphs`], in millimetres; `says` is for whoever cannot see it. The page's style fills
/// it with the colour of its words.
pub fn figure(things: &[Thing], size: (f64, f64), says: &str) -> String {
    let mut out = format!(
        "<svg role=\"img\" aria-label=\"{}\" viewBox=\"0 0 {} {}\">\n",
        escaped(says),
        number(size.0),
        number(size.1)
    );
    for thing in things {
        one_thing(&mut out, thing, Ground::Web);
    }
    out.push_str("</svg>\n");
    out
}

/// Writing to a string does not fail.
fn line(out: &mut String, text: std::fmt::Arguments<'_>) {
    let _written = writeln!(out, "{text}");
}

fn one_page(out: &mut String, page: &Page, top: f64) {
    let (w, h) = (number(page.width), number(page.height));
    line(
        out,
        format_args!("<g transform=\"translate(0 {})\">", number(top)),
    );
    line(
        out,
        format_args!("<rect width=\"{w}\" height=\"{h}\" fill=\"#fff\"/>"),
    );
    for thing in &page.things {
        one_thing(out, thing, Ground::Paper);
    }
    out.push_str("</g>\n");
}

fn one_thing(out: &mut String, thing: &Thing, ground: Ground) {
    match thing {
        Thing::Heading(_, words) => text(out, words, " font-weight=\"bold\""),
        Thing::Words(words) => text(out, words, ""),
        Thing::Music(music) => staff(out, music, ground),
        Thing::Drawing { strokes, says } => drawing(out, strokes, says.as_deref(), ground),
        Thing::Table { head, rows } => {
            for words in head {
                text(out, words, " font-weight=\"bold\"");
            }
            for words in rows.iter().flatten() {
                text(out, words, "");
            }
        }
    }
}

fn text(out: &mut String, words: &Words, more: &str) {
    let anchor = match words.anchor {
        Anchor::Start => "",
        Anchor::Middle => " text-anchor=\"middle\"",
        Anchor::End => " text-anchor=\"end\"",
    };
    let (x, y) = (number(words.x), number(words.y));
    let (size, text) = (number(words.size), escaped(&words.text));
    line(
        out,
        format_args!("<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\"{anchor}{more}>{text}</text>"),
    );
}

fn staff(out: &mut String, music: &Music, ground: Ground) {
    let says = match ground {
        Ground::Paper => format!(" role=\"img\" aria-label=\"{}\"", escaped(&music.says)),
        Ground::Web => String::new(),
    };
    line(
        out,
        format_args!(
            "<g{says} transform=\"translate({} {}) scale({})\">",
            number(music.x),
            number(music.zero),
            number(music.space)
        ),
    );
    marks(out, music.marks());
    out.push_str("</g>\n");
}

/// Straight shapes of one style that follow one another: written as one path, which takes half the room.
#[derive(Default)]
struct Run {
    /// The path's attributes beside its shape.
    style: String,
    shape: String,
}

impl Run {
    /// Adds a shape; one of another style ends the path before it.
    fn add(&mut self, out: &mut String, style: String, shape: std::fmt::Arguments<'_>) {
        if style != self.style {
            self.end(out);
            self.style = style;
        }
        let _written = self.shape.write_fmt(shape);
    }

    /// Writes what has come together.
    fn end(&mut self, out: &mut String) {
        if !self.shape.is_empty() {
            line(
                out,
                format_args!("<path d=\"{}\"{}/>", self.shape, self.style),
            );
            self.shape.clear();
        }
    }

    fn rectangle(&mut self, out: &mut String, style: String, corner: (f64, f64), size: (f64, f64)) {
        let (x, y) = (number(corner.0), number(corner.1));
        let (w, h, back) = (number(size.0), number(size.1), number(-size.0));
        self.add(out, style, format_args!("M{x} {y}h{w}v{h}h{back}z"));
    }
}

fn marks<'a>(out: &mut String, marks: impl Iterator<Item = (&'a Mark, Option<Colour>)>) {
    let mut run = Run::default();
    for (mark, colour) in marks {
        match mark.shape {
            Shape::Line {
                from,
                to,
                thickness,
            } => {
                let (corner, size) = if from.y == to.y {
                    let corner = (from.x, -from.y - thickness / 2.0);
                    (corner, (to.x - from.x, thickness))
                } else {
                    let corner = (from.x - thickness / 2.0, -to.y);
                    (corner, (thickness, to.y - from.y))
                };
                run.rectangle(out, String::new(), corner, size);
            }
            Shape::Glyph { glyph, at } => {
                run.end(out);
                sign(out, glyph, at, colour);
            }
            Shape::Stretched { glyph, to } => {
                run.end(out);
                stretched(out, glyph, to);
            }
        }
    }
    run.end(out);
}

fn sign(out: &mut String, glyph: Glyph, at: Point, colour: Option<Colour>) {
    let fill = colour.map_or_else(String::new, |Colour(r, g, b)| {
        format!(" fill=\"#{r:02x}{g:02x}{b:02x}\"")
    });
    line(
        out,
        format_args!(
            "<use href=\"#{}\" x=\"{}\" y=\"{}\"{fill}/>",
            glyph.smufl_name(),
            number(at.x),
            number(-at.y)
        ),
    );
}

fn stretched(out: &mut String, glyph: Glyph, to: Rect) {
    let bounds = music_font().metrics.bounds(glyph);
    let (sx, sy) = (to.width() / bounds.width(), to.height() / bounds.height());
    let (x, y) = (to.left - bounds.left * sx, -to.bottom + bounds.bottom * sy);
    line(
        out,
        format_args!(
            "<use href=\"#{}\" transform=\"translate({} {}) scale({} {})\"/>",
            glyph.smufl_name(),
            number(x),
            number(y),
            number(sx),
            number(sy)
        ),
    );
}

fn drawing(out: &mut String, strokes: &[Stroke], says: Option<&str>, ground: Ground) {
    match says.filter(|_| ground == Ground::Paper) {
        Some(says) => line(
            out,
            format_args!("<g role=\"img\" aria-label=\"{}\">", escaped(says)),
        ),
        None if ground == Ground::Web => out.push_str("<g>\n"),
        None => out.push_str("<g aria-hidden=\"true\">\n"),
    }
    let mut run = Run::default();
    for stroke in strokes {
        one_stroke(out, &mut run, stroke, ground);
    }
    run.end(out);
    out.push_str("</g>\n");
}

fn one_stroke(out: &mut String, run: &mut Run, stroke: &Stroke, ground: Ground) {
    match *stroke {
        Stroke::Line {
            from,
            to,
            weight,
            dashed,
        } => {
            let dashes = if dashed {
                " stroke-dasharray=\"1 1\""
            } else {
                ""
            };
            let style = format!(" fill=\"none\"{}{dashes}", ground.edge(weight));
            let (x, y) = (number(from.0), number(from.1));
            let (to_x, to_y) = (number(to.0), number(to.1));
            run.add(out, style, format_args!("M{x} {y}L{to_x} {to_y}"));
        }
        Stroke::Box {
            corner,
            size,
            fill,
            edge,
        } => {
            let style = format!("{}{}", ground.fill(fill), ground.edge(edge));
            run.rectangle(out, style, corner, size);
        }
        Stroke::Oval {
            middle,
            radii,
            fill,
            edge,
        } => {
            run.end(out);
            line(
                out,
                format_args!(
                    "<ellipse cx=\"{}\" cy=\"{}\" rx=\"{}\" ry=\"{}\"{}{}/>",
                    number(middle.0),
                    number(middle.1),
                    number(radii.0),
                    number(radii.1),
                    ground.fill(fill),
                    ground.edge(edge)
                ),
            );
        }
    }
}
