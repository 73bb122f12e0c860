//! Printed pages: words, music and drawings placed on paper, in reading order.
//! In: whatever a report wants printed. Out: [`Document`]s, which the SVG and PDF painters turn into bytes.
//! Lengths are millimetres from the top left corner; a page is black on white, and greys are shares of black.

use std::sync::LazyLock;

use super::list::{DisplayList, Mark, Part};

/// A whole document.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// Its title, for whoever cannot see the page.
    pub title: String,
    /// Its language, such as `en`.
    pub language: String,
    /// Its pages.
    pub pages: Vec<Page>,
}

/// One page.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// Width of the paper.
    pub width: f64,
    /// Height of the paper.
    pub height: f64,
    /// In reading order.
    pub things: Vec<Thing>,
}

/// One thing on a page.
#[derive(Debug, Clone, PartialEq)]
pub enum Thing {
    /// A heading; level 1 is the page's.
    Heading(u16, Words),
    /// Words.
    Words(Words),
    /// Music.
    Music(Music),
    /// A drawing; without words for it, it is decoration.
    Drawing {
        /// What it is made of.
        strokes: Vec<Stroke>,
        /// What it says to whoever cannot see it.
        says: Option<String>,
    },
    /// A table, cell by cell; its words are placed like all others.
    Table {
        /// What stands above each column.
        head: Vec<Words>,
        /// Row by row; the first cell names its row.
        rows: Vec<Vec<Words>>,
    },
}

/// A colour of a mark; everything else is black.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Colour(pub u8, pub u8, pub u8);

/// Words on one line.
#[derive(Debug, Clone, PartialEq)]
pub struct Words {
    /// Where they stand.
    pub x: f64,
    /// The baseline.
    pub y: f64,
    /// Height of the letters' em.
    pub size: f64,
    /// Which part of them stands at `x`.
    pub anchor: Anchor,
    /// What they are.
    pub text: String,
}

/// Which part of a line of words stands at its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[allow(missing_docs)]
pub enum Anchor {
    #[default]
    Start,
    Middle,
    End,
}

/// A display list on paper.
#[derive(Debug, Clone, PartialEq)]
pub struct Music {
    /// The marks.
    pub list: DisplayList,
    /// Where x = 0 of the list stands.
    pub x: f64,
    /// Where y = 0 of the list stands; it grows downward from there with falling pitch.
    pub zero: f64,
    /// A staff space.
    pub space: f64,
    /// What it says to whoever cannot see it; nothing if it is decoration.
    pub says: String,
    /// Colours of the heads, in the list's order; those that are not named are black.
    pub heads: Vec<Option<Colour>>,
}

impl Music {
    /// The marks, each with the colour of a head that has one.
    pub(super) fn marks(&self) -> impl Iterator<Item = (&Mark, Option<Colour>)> {
        let mut heads = self.heads.iter().copied();
        self.list.marks.iter().map(move |mark| {
            let colour = (mark.part == Part::Head).then(|| heads.next().flatten());
            (mark, colour.flatten())
        })
    }
}

/// A piece of a drawing.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub enum Stroke {
    /// A straight line.
    Line {
        from: (f64, f64),
        to: (f64, f64),
        weight: f64,
        /// In dashes.
        dashed: bool,
    },
    /// A box, filled with a share of black (0 is white), with an edge of some weight (0 is none).
    Box {
        corner: (f64, f64),
        size: (f64, f64),
        fill: f64,
        edge: f64,
    },
    /// An ellipse about its middle, filled and edged alike.
    Oval {
        middle: (f64, f64),
        radii: (f64, f64),
        fill: f64,
        edge: f64,
    },
}

impl Thing {
    /// The same `scale` times as large, with what was at the corner now at `corner`.
    #[must_use]
    pub fn placed(self, scale: f64, corner: (f64, f64)) -> Thing {
        let at = |x: f64, y: f64| (corner.0 + scale * x, corner.1 + scale * y);
        let words = |words: Words| {
            let (x, y) = at(words.x, words.y);
            let size = words.size * scale;
            Words {
                x,
                y,
                size,
                ..words
            }
        };
        match self {
            Thing::Heading(level, heading) => Thing::Heading(level, words(heading)),
            Thing::Words(text) => Thing::Words(words(text)),
            Thing::Music(music) => {
                let (x, zero) = at(music.x, music.zero);
                let space = music.space * scale;
                Thing::Music(Music {
                    x,
                    zero,
                    space,
                    ..music
                })
            }
            Thing::Drawing { strokes, says } => Thing::Drawing {
                strokes: strokes
                    .into_iter()
                    .map(|stroke| stroke.placed(scale, corner))
                    .collect(),
                says,
            },
            Thing::Table { head, rows } => Thing::Table {
                head: head.into_iter().map(words).collect(),
                rows: rows
                    .into_iter()
                    .map(|row| row.into_iter().map(words).collect())
                    .collect(),
            },
        }
    }
}

impl Stroke {
    fn placed(self, scale: f64, corner: (f64, f64)) -> Stroke {
        let at = |(x, y): (f64, f64)| (corner.0 + scale * x, corner.1 + scale * y);
        let by = |(x, y): (f64, f64)| (scale * x, scale * y);
        match self {
            Stroke::Line {
                from,
                to,
                weight,
                dashed,
            } => Stroke::Line {
                from: at(from),
                to: at(to),
                weight: weight * scale,
                dashed,
            },
            Stroke::Box {
                corner,
                size,
                fill,
                edge,
            } => Stroke::Box {
                corner: at(corner),
                size: by(size),
                fill,
                edge: edge * scale,
            },
            Stroke::Oval {
                middle,
                radii,
                fill,
                edge,
            } => Stroke::Oval {
                middle: at(middle),
                radii: by(radii),
                fill,
                edge: edge * scale,
            },
        }
    }
}

/// The text font of pages: Andika, in `font/`.
pub(super) const TEXT_FONT: &[u8] = include_bytes!("font/andika.ttf");

/// Width of `text` where an em is `size`.
pub fn text_width(text: &str, size: f64) -> f64 {
    static FACE: LazyLock<Option<ttf_parser::Face<'static>>> =
        LazyLock::new(|| ttf_parser::Face::parse(TEXT_FONT, 0).ok());
    let face = FACE
        .as_ref()
        .expect("the font built into the program is whole");
    let advance = |letter: char| {
        let glyph = face.glyph_index(letter).unwrap_or_default();
        f64::from(face.glyph_hor_advance(glyph).unwrap_or_default())
    };
    text.chars().map(advance).sum::<f64>() / f64::from(face.units_per_em()) * size
}

impl Words {
    /// Words that begin at a place.
    pub fn new(x: f64, y: f64, size: f64, text: impl Into<String>) -> Words {
        Words {
            x,
            y,
            size,
            anchor: Anchor::Start,
            text: text.into(),
        }
    }

    /// The same about their middle.
    pub fn centred(self) -> Words {
        Words {
            anchor: Anchor::Middle,
            ..self
        }
    }

    /// The same ending at their place.
    pub fn ending(self) -> Words {
        Words {
            anchor: Anchor::End,
            ..self
        }
    }

    /// Where they begin.
    pub fn left(&self) -> f64 {
        let width = text_width(&self.text, self.size);
        match self.anchor {
            Anchor::Start => self.x,
            Anchor::Middle => self.x - width / 2.0,
            Anchor::End => self.x - width,
        }
    }
}

/// `text` in lines no wider than `width`, broken at spaces.
pub fn broken(text: &str, size: f64, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if text_width(&format!("{line} {word}"), size) <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_broken_at_spaces_and_lose_nothing() {
        let text = "Every line and every space of the treble staff, one after the other";
        let lines = broken(text, 4.0, 40.0);
        assert!(lines.len() > 2);
        assert!(lines.iter().all(|line| text_width(line, 4.0) <= 40.0));
        assert_eq!(lines.join(" "), text);
    }

    #[test]
    fn words_end_and_centre_where_they_are_told() {
        let words = Words::new(50.0, 10.0, 5.0, "Lines and spaces");
        let width = text_width(&words.text, 5.0);
        assert_eq!(words.left(), 50.0);
        assert!((words.clone().centred().left() - (50.0 - width / 2.0)).abs() < 1e-9);
        assert!((words.ending().left() - (50.0 - width)).abs() < 1e-9);
    }
}
