//! Pixels: the display list as an anti-aliased picture of a few colours, each ink in eight shares over the ground.
//! In: a layout and its view, a cell's size in pixels. Out: [`Pixels`]; colours are given by whoever shows them.
//! Lines are snapped to whole pixels, so that they are sharp and alike; glyphs are covered exactly along sample lines.

use super::raster::Spans;
use crate::engrave::font::{Outline, music_font};
use crate::engrave::grid::View;
use crate::engrave::layout::Layout;
use crate::engrave::list::{Ink, KeyInk, Mark, Part, Point, Shape};

/// Shares of an ink over the ground.
pub const SHARES: u8 = 8;

/// Inks that are drawn with soft edges, in the order of their places in a picture's palette.
const SOFT: [Ink; 8] = [
    Ink::Note,
    Ink::Staff,
    Ink::Asked,
    Ink::Given,
    Ink::Right,
    Ink::Sounding,
    Ink::Dim,
    Ink::Text,
];

/// Inks that only fill rectangles or lie on them.
const HARD: [Ink; 11] = [
    Ink::WhiteKey(KeyInk::Plain),
    Ink::WhiteKey(KeyInk::Asked),
    Ink::WhiteKey(KeyInk::Given),
    Ink::WhiteKey(KeyInk::Right),
    Ink::BlackKey(KeyInk::Plain),
    Ink::BlackKey(KeyInk::Asked),
    Ink::BlackKey(KeyInk::Given),
    Ink::BlackKey(KeyInk::Right),
    Ink::KeyEdge,
    Ink::KeySign,
    Ink::KeyName,
];

/// A picture in pixels, row by row from the top; each is a place in the palette of [`Pixels::inks`].
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Pixels {
    /// Across.
    pub width: usize,
    /// Down.
    pub height: usize,
    /// `width` places a row; 0 is the ground.
    pub places: Vec<u8>,
}

impl Pixels {
    /// What each place is painted with: an ink and its share of [`SHARES`].
    pub fn inks() -> impl Iterator<Item = (Ink, u8)> {
        let soft = SOFT
            .into_iter()
            .flat_map(|ink| (1..=SHARES).map(move |share| (ink, share)));
        let hard = HARD.into_iter().map(|ink| (ink, SHARES));
        std::iter::once((Ink::Clear, SHARES))
            .chain(soft)
            .chain(hard)
    }

    pub(in crate::engrave) fn new(width: usize, height: usize) -> Pixels {
        Pixels {
            width,
            height,
            places: vec![0; width * height],
        }
    }

    fn place(ink: Ink, share: u8) -> u8 {
        let of = |inks: &[Ink]| inks.iter().position(|i| *i == ink).map(|i| i as u8);
        match (of(&SOFT), of(&HARD)) {
            (Some(at), _) => at * SHARES + share,
            (None, Some(at)) => 1 + SOFT.len() as u8 * SHARES + at,
            (None, None) => 0,
        }
    }

    /// Fills a rectangle of whole pixels, as far as it lies in the picture.
    pub(in crate::engrave) fn fill(
        &mut self,
        x: std::ops::Range<i32>,
        y: std::ops::Range<i32>,
        ink: Ink,
    ) {
        let place = Pixels::place(ink, SHARES);
        let columns = clipped(x, self.width);
        for row in clipped(y, self.height) {
            self.places[row * self.width..][columns.clone()].fill(place);
        }
    }

    /// Covers a pixel; what is covered more already stays.
    fn cover(&mut self, x: i32, y: i32, base: u8, covered: f32) {
        let share = (covered * f32::from(SHARES) + 0.5) as u8;
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else {
            return;
        };
        if share == 0 || x >= self.width || y >= self.height {
            return;
        }
        let share = share.min(SHARES);
        let old = &mut self.places[y * self.width + x];
        let soft = SOFT.len() as u8 * SHARES;
        let before = match *old {
            0 => 0,
            old if old <= soft => (old - 1) % SHARES + 1,
            _ => SHARES,
        };
        if share >= before || share > SHARES / 2 {
            *old = base + share;
        }
    }

    pub(in crate::engrave) fn outline(
        &mut self,
        outline: &Outline,
        scale: (f64, f64),
        origin: (f64, f64),
        ink: Ink,
    ) {
        let row = origin.1.floor();
        let spans = Spans::of(outline, scale, origin.1 - row);
        let base = Pixels::place(ink, 1) - 1;
        for (x, y, covered) in spans.cover(origin.0).iter() {
            self.cover(x, y + row as i32, base, covered);
        }
    }
}

impl Pixels {
    /// An outline with hard edges, `size` pixels a unit, about `origin`.
    pub(in crate::engrave) fn solid(
        &mut self,
        outline: &Outline,
        size: f64,
        origin: (f64, f64),
        ink: Ink,
    ) {
        let spans = Spans::of(outline, (size, size), origin.1 - origin.1.floor());
        let row = origin.1.floor() as i32;
        for (x, y, covered) in spans.cover(origin.0).iter() {
            if covered >= 0.5 {
                self.fill(x..x + 1, y + row..y + row + 1, ink);
            }
        }
    }
}

fn clipped(range: std::ops::Range<i32>, most: usize) -> std::ops::Range<usize> {
    let clip = |at: i32| usize::try_from(at).unwrap_or(0).min(most);
    clip(range.start)..clip(range.end).max(clip(range.start))
}

/// Where a view's places fall in pixels: cells `cell` wide and high, the picture beginning at column `left`.
#[derive(Debug, Clone, Copy)]
pub(in crate::engrave) struct Sheet<'a> {
    pub(in crate::engrave) view: &'a View,
    pub(in crate::engrave) cell: (f64, f64),
    pub(in crate::engrave) left: f64,
}

impl Sheet<'_> {
    /// Pixels a staff space: one size for both directions, so that glyphs keep their shape.
    pub(in crate::engrave) fn space(&self) -> f64 {
        self.view.heights.dots_per_space() / 4.0 * self.cell.1
    }

    /// Pixels across per staff space of the layout, whose width is told in columns.
    fn across(&self) -> f64 {
        self.view.heights.dots_per_space() / 2.0 * self.cell.0
    }

    pub(in crate::engrave) fn x(&self, x: f64) -> f64 {
        (self.view.bar as f64 + 0.5 - self.left) * self.cell.0 + x * self.across()
    }

    /// Pixels from the top to a height in staff steps above C0.
    pub(in crate::engrave) fn y_of(&self, height: f64) -> f64 {
        self.view.heights.dot(height) / 4.0 * self.cell.1
    }

    fn y(&self, y: f64) -> f64 {
        self.y_of(2.0 * y)
    }

    /// Whole pixels of a line's weight; at least `least`.
    fn weight(&self, thickness: f64, least: f64) -> f64 {
        (thickness * self.space()).floor().max(least)
    }
}

/// Paints the staff: everything but the keyboard.
pub(in crate::engrave) fn staff(
    layout: &Layout,
    sheet: &Sheet<'_>,
    least_line: f64,
    into: &mut Pixels,
) {
    let end = ((sheet.view.end as f64 - sheet.left) * sheet.cell.0).round();
    // Staff lines first: heads and ledger lines lie over them.
    let (lines, others): (Vec<&Mark>, Vec<&Mark>) = layout
        .list
        .marks
        .iter()
        .partition(|mark| mark.part == Part::StaffLine);
    for mark in lines.into_iter().chain(others) {
        match mark.shape {
            Shape::Line {
                from,
                to,
                thickness,
            } => line(mark, (from, to), thickness, sheet, (least_line, end), into),
            Shape::Glyph { glyph, at } => {
                let space = sheet.space();
                let origin = (sheet.x(at.x), sheet.y(at.y));
                into.outline(
                    music_font().outline(glyph),
                    (space, space),
                    origin,
                    mark.ink,
                );
            }
            Shape::Stretched { glyph, to } => {
                let bounds = music_font().metrics.bounds(glyph);
                let (left, right) = (sheet.x(to.left), sheet.x(to.right));
                let (top, bottom) = (sheet.y(to.top), sheet.y(to.bottom));
                let scale = (
                    (right - left) / bounds.width(),
                    (bottom - top) / bounds.height(),
                );
                let origin = (
                    left - bounds.left * scale.0,
                    bottom + bounds.bottom * scale.1,
                );
                into.outline(music_font().outline(glyph), scale, origin, mark.ink);
            }
        }
    }
}

fn line(
    mark: &Mark,
    (from, to): (Point, Point),
    thickness: f64,
    sheet: &Sheet<'_>,
    (least, end): (f64, f64),
    into: &mut Pixels,
) {
    let weight = sheet.weight(thickness, least);
    let first = |middle: f64| (middle - weight / 2.0).round() as i32;
    if from.y == to.y {
        let top = first(sheet.y(from.y));
        let (left, right) = (sheet.x(from.x).round(), sheet.x(to.x).round().min(end));
        into.fill(
            left as i32..right as i32,
            top..top + weight as i32,
            mark.ink,
        );
        return;
    }
    let left = first(sheet.x(from.x));
    // A bar line ends with the staff lines it joins.
    let half = if mark.part == Part::BarLine {
        weight / 2.0
    } else {
        0.0
    };
    let top = (sheet.y(to.y) - half).round() as i32;
    let bottom = (sheet.y(from.y) + half).round() as i32;
    into.fill(left..left + weight as i32, top..bottom, mark.ink);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_ink_and_share_has_a_place_of_its_own() {
        let inks: Vec<(Ink, u8)> = Pixels::inks().collect();
        assert!(inks.len() <= 256);
        for (place, (ink, share)) in inks.iter().enumerate().skip(1) {
            assert_eq!(usize::from(Pixels::place(*ink, *share)), place, "{ink:?}");
        }
    }

    #[test]
    fn what_lies_outside_is_left_out() {
        let mut pixels = Pixels::new(4, 3);
        pixels.fill(-5..2, -1..2, Ink::Note);
        pixels.fill(3..90, 2..90, Ink::Staff);
        pixels.fill(7..9, 7..9, Ink::Note);
        let note = Pixels::place(Ink::Note, SHARES);
        let staff = Pixels::place(Ink::Staff, SHARES);
        let expected = [note, note, 0, 0, note, note, 0, 0, 0, 0, 0, staff];
        assert_eq!(pixels.places, expected);
    }
}
