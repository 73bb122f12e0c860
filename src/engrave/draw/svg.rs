//! SVG: pages one below the other, music as outlines. In: a [`Document`]. Out: text.
//! Source: SVG 1.1 (second edition), WAI-ARIA graphics roles for what a picture says.

use std::collections::BTreeSet;
use std::fmt::Write;

use crate::engrave::font::{Outline, Segment, music_font};
use crate::engrave::list::{Mark, Shape};
use crate::engrave::metrics::Glyph;
use crate::engrave::page::{Anchor, Document, Music, Page, Stroke, Thing, Words};

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

fn grey(fill: f64) -> String {
    let part = ((1.0 - fill.clamp(0.0, 1.0)) * 255.0).round() as u8;
    format!("#{part:02x}{part:02x}{part:02x}")
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
    let used: BTreeSet<Glyph> = document
        .pages
        .iter()
        .flat_map(|page| &page.things)
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
    for glyph in used {
        let outline = path(music_font().outline(glyph));
        line(
            &mut out,
            format_args!("<path id=\"{}\" d=\"{outline}\"/>", glyph.smufl_name()),
        );
    }
    out.push_str("</defs>\n");
    let mut top = 0.0;
    for page in &document.pages {
        one_page(&mut out, page, top);
        top += page.height + BETWEEN;
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
        match thing {
            Thing::Heading(_, words) => text(out, words, " font-weight=\"bold\""),
            Thing::Words(words) => text(out, words, ""),
            Thing::Music(music) => staff(out, music),
            Thing::Drawing { strokes, says } => drawing(out, strokes, says.as_deref()),
        }
    }
    out.push_str("</g>\n");
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

fn staff(out: &mut String, music: &Music) {
    line(
        out,
        format_args!(
            "<g role=\"img\" aria-label=\"{}\" transform=\"translate({} {}) scale({})\">",
            escaped(&music.says),
            number(music.x),
            number(music.zero),
            number(music.space)
        ),
    );
    for mark in &music.list.marks {
        one_mark(out, mark);
    }
    out.push_str("</g>\n");
}

fn one_mark(out: &mut String, mark: &Mark) {
    match mark.shape {
        Shape::Line {
            from,
            to,
            thickness,
        } => {
            let bounds = if from.y == to.y {
                (from.x, -from.y - thickness / 2.0, to.x - from.x, thickness)
            } else {
                (from.x - thickness / 2.0, -to.y, thickness, to.y - from.y)
            };
            let (x, y) = (number(bounds.0), number(bounds.1));
            let (w, h) = (number(bounds.2), number(bounds.3));
            line(
                out,
                format_args!("<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\"/>"),
            );
        }
        Shape::Glyph { glyph, at } => line(
            out,
            format_args!(
                "<use href=\"#{}\" x=\"{}\" y=\"{}\"/>",
                glyph.smufl_name(),
                number(at.x),
                number(-at.y)
            ),
        ),
        Shape::Stretched { glyph, to } => {
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
    }
}

fn drawing(out: &mut String, strokes: &[Stroke], says: Option<&str>) {
    match says {
        Some(says) => line(
            out,
            format_args!("<g role=\"img\" aria-label=\"{}\">", escaped(says)),
        ),
        None => out.push_str("<g aria-hidden=\"true\">\n"),
    }
    for stroke in strokes {
        one_stroke(out, stroke);
    }
    out.push_str("</g>\n");
}

fn one_stroke(out: &mut String, stroke: &Stroke) {
    let edged = |edge: f64| match edge {
        0.0 => String::new(),
        edge => format!(" stroke=\"#000\" stroke-width=\"{}\"", number(edge)),
    };
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
            line(
                out,
                format_args!(
                    "<path d=\"M{} {}L{} {}\" fill=\"none\"{}{dashes}/>",
                    number(from.0),
                    number(from.1),
                    number(to.0),
                    number(to.1),
                    edged(weight)
                ),
            );
        }
        Stroke::Box {
            corner,
            size,
            fill,
            edge,
        } => line(
            out,
            format_args!(
                "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{}\"{}/>",
                number(corner.0),
                number(corner.1),
                number(size.0),
                number(size.1),
                grey(fill),
                edged(edge)
            ),
        ),
        Stroke::Oval {
            middle,
            radii,
            fill,
            edge,
        } => line(
            out,
            format_args!(
                "<ellipse cx=\"{}\" cy=\"{}\" rx=\"{}\" ry=\"{}\" fill=\"{}\"{}/>",
                number(middle.0),
                number(middle.1),
                number(radii.0),
                number(radii.1),
                grey(fill),
                edged(edge)
            ),
        ),
    }
}
