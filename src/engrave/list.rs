//! The display list: what is drawn and where, in staff spaces; sizes are known without drawing.
//! x grows to the right from the opening bar line; y is half the note's number of staff steps above C0,
//! so that middle C is at 14 on every staff and a keyboard can stand level with the staves.

use super::metrics::{Glyph, Metrics};

/// A place, in staff spaces.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct Point {
    pub x: f64,
    pub y: f64,
}

impl Point {
    /// The point moved to the right.
    pub(super) fn right_by(self, x: f64) -> Point {
        Point {
            x: self.x + x,
            ..self
        }
    }

    /// The point at `t` (0..=1) of the way to `other`.
    pub fn toward(self, other: Point, t: f64) -> Point {
        Point {
            x: self.x + (other.x - self.x) * t,
            y: self.y + (other.y - self.y) * t,
        }
    }
}

/// A box, in staff spaces.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)]
pub struct Rect {
    pub left: f64,
    pub bottom: f64,
    pub right: f64,
    pub top: f64,
}

impl Rect {
    /// Its width.
    pub fn width(self) -> f64 {
        self.right - self.left
    }

    /// Its height.
    pub fn height(self) -> f64 {
        self.top - self.bottom
    }

    /// The box moved so that its origin lies at `at`.
    pub fn at(self, at: Point) -> Rect {
        Rect {
            left: self.left + at.x,
            bottom: self.bottom + at.y,
            right: self.right + at.x,
            top: self.top + at.y,
        }
    }

    /// Whether the two share more than an edge.
    pub fn overlaps(self, other: Rect) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.bottom < other.top
            && other.bottom < self.top
    }
}

/// What a mark means; a theme gives it its colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Ink {
    /// Nothing is painted: the terminal's own ground.
    #[default]
    Clear,
    /// Staff lines, bar line, ledger lines.
    Staff,
    /// Clefs, signatures and heads.
    Note,
    /// What was asked.
    Asked,
    /// What was given instead.
    Given,
    /// Read rightly.
    Right,
    /// A pitch that sounds now.
    Sounding,
    /// To be read later; words of lesser weight.
    Dim,
    /// Words in the text's own colour.
    Text,
    /// A white key.
    WhiteKey(KeyInk),
    /// A black key.
    BlackKey(KeyInk),
    /// Edges of white keys.
    KeyEdge,
    /// Names on white keys.
    KeyName,
    /// A sign on a marked key.
    KeySign,
}

/// How a key is marked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum KeyInk {
    /// Not at all.
    #[default]
    Plain,
    /// The key asked for.
    Asked,
    /// The key given instead.
    Given,
    /// A key rightly given.
    Right,
}

/// What part of the notation a mark is; painters snap and thin each in its own way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Part {
    StaffLine,
    LedgerLine,
    BarLine,
    Brace,
    Clef,
    KeySignature,
    Accidental,
    Head,
    Sounding,
    Stem,
    Flag,
}

/// The shape of a mark.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A straight line, level or upright.
    Line {
        /// One end.
        from: Point,
        /// The other, to the right of or above `from`.
        to: Point,
        /// Its weight.
        thickness: f64,
    },
    /// A glyph of the music font.
    Glyph {
        /// Which.
        glyph: Glyph,
        /// Where its origin lies.
        at: Point,
    },
    /// A glyph stretched to fill a box (braces).
    Stretched {
        /// Which.
        glyph: Glyph,
        /// The box it fills.
        to: Rect,
    },
}

/// One thing drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its part in the notation.
    pub part: Part,
    /// Its meaning.
    pub ink: Ink,
    /// Its shape and place.
    pub shape: Shape,
}

impl Mark {
    /// The box that holds its ink.
    pub fn bounds(&self, metrics: &Metrics) -> Rect {
        match self.shape {
            Shape::Line {
                from,
                to,
                thickness,
            } => {
                let half = thickness / 2.0;
                let (dx, dy) = if from.y == to.y {
                    (0.0, half)
                } else {
                    (half, 0.0)
                };
                Rect {
                    left: from.x - dx,
                    bottom: from.y - dy,
                    right: to.x + dx,
                    top: to.y + dy,
                }
            }
            Shape::Glyph { glyph, at } => metrics.bounds(glyph).at(at),
            Shape::Stretched { to, .. } => to,
        }
    }
}

/// Everything drawn, in drawing order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DisplayList {
    /// The marks.
    pub marks: Vec<Mark>,
}
