//! Cells: a display list as characters, each cell a few dots or a piece of a line.
//! In: a layout and the [`View`] it is seen through. Out: cells of a [`CellGrid`].
//! Where staff lines fall on the middle of rows they are box lines, left out in every cell that holds a glyph's dot:
//! the eye joins them, and dots of a line in a glyph's cell would take its colour and make round heads square.

use std::collections::BTreeMap;
use std::rc::Rc;

use super::raster::Spans;
use crate::engrave::font::{Outline, music_font};
use crate::engrave::grid::{CellGrid, CellStyle, View};
use crate::engrave::layout::Layout;
use crate::engrave::list::{Ink, Mark, Part, Point, Shape};
use crate::engrave::metrics::Glyph;

/// Least coverage that sets a dot; thin strokes want less. Chosen by eye at 8 dots a space.
fn threshold(part: Part) -> f32 {
    match part {
        Part::Accidental | Part::KeySignature => 0.38,
        Part::Clef | Part::Brace => 0.44,
        _ => 0.5,
    }
}

/// Dots of a cell, across and down.
fn dots_of(style: CellStyle) -> (usize, usize) {
    match style {
        CellStyle::Braille => (2, 4),
        CellStyle::Quadrants => (2, 2),
        CellStyle::HalfBlocks | CellStyle::Ascii => (1, 2),
    }
}

/// The character whose dots are `bits` (bit x + y · dots across).
fn symbol(style: CellStyle, bits: u8) -> char {
    match style {
        CellStyle::Braille => {
            // Unicode numbers the dots 1–3 down the left, 4–6 down the right, then 7 and 8 below.
            const ORDER: [u32; 8] = [0, 3, 1, 4, 2, 5, 6, 7];
            let dots: u32 = (0..8)
                .filter(|i| bits & (1 << i) != 0)
                .map(|i| 1 << ORDER[i as usize])
                .sum();
            char::from_u32(0x2800 + dots).unwrap_or(' ')
        }
        CellStyle::Quadrants => [
            ' ', '▘', '▝', '▀', '▖', '▌', '▞', '▛', '▗', '▚', '▐', '▜', '▄', '▙', '▟', '█',
        ][usize::from(bits & 15)],
        CellStyle::HalfBlocks | CellStyle::Ascii => [' ', '▀', '▄', '█'][usize::from(bits & 3)],
    }
}

/// Dots a head is high where lines are dots: symmetric about its middle, and clear of the lines beside it.
fn head_dots(space: f64, middle: f64) -> f64 {
    let on_a_dot = (middle - middle.floor() - 0.5).abs() < 0.25;
    let even = space as i32 % 2 == 0;
    match (on_a_dot, even) {
        (true, false) => space,
        _ => space - 1.0,
    }
}

/// The dots that show an outline best, from the dot its origin is snapped to; `origin` is what the origin lies below
/// that dot's edge. Of eight phases across (and quarter dots up and down, for accidentals) the truest to its area.
fn stamp(outline: &Outline, part: Part, scale: (f64, f64), origin: f64) -> Rc<[(i32, i32)]> {
    let nudges: &[f64] = match part {
        Part::Accidental | Part::KeySignature => &[0.0, -0.25, 0.25],
        _ => &[0.0],
    };
    let threshold = threshold(part);
    let best = nudges
        .iter()
        .map(|nudge| Spans::of(outline, scale, origin + nudge))
        .flat_map(|spans| (-4..4).map(move |phase| spans.cover(f64::from(phase) / 8.0)))
        .map(|coverage| (coverage.loss(threshold), coverage))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    best.map_or_else(
        || [].into(),
        |(_, coverage)| {
            coverage
                .iter()
                .filter(|(.., covered)| *covered >= threshold)
                .map(|(x, y, _)| (x, y))
                .collect()
        },
    )
}

/// Glyph and part, and the bits of its scale and of its origin's fraction of a dot.
type StampKey = (Glyph, Part, [u64; 3]);

struct Plane<'a> {
    view: &'a View,
    style: CellStyle,
    across: usize,
    down: usize,
    width: usize,
    height: usize,
    /// Dots of glyphs, cell by cell, and their ink.
    bits: Vec<u8>,
    inks: Vec<Ink>,
    /// Dots of lines that do not fall on the middle of rows.
    lines: Vec<u8>,
    stamps: BTreeMap<StampKey, Rc<[(i32, i32)]>>,
}

impl Plane<'_> {
    /// The cell and the bit of a dot, if it lies in the picture.
    fn dot(&self, x: i32, y: i32) -> Option<(usize, u8)> {
        let (x, y) = (usize::try_from(x).ok()?, usize::try_from(y).ok()?);
        let (column, row) = (x / self.across, y / self.down);
        let inside = column < self.view.end.min(self.width) && row < self.height;
        let bit = 1 << (x % self.across + y % self.down * self.across);
        inside.then_some((row * self.width + column, bit))
    }

    fn set(&mut self, x: i32, y: i32, ink: Ink) {
        if let Some((cell, bit)) = self.dot(x, y) {
            self.bits[cell] |= bit;
            self.inks[cell] = ink;
        }
    }

    /// Dots a staff space, across and down.
    fn scale(&self) -> (f64, f64) {
        let dots = self.view.heights.dots_per_space();
        (
            dots * self.across as f64 / 2.0,
            dots * self.down as f64 / 4.0,
        )
    }

    /// Where a place falls: across in dots from the grid's left edge, down from its top.
    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let bar = (self.view.bar as f64 + 0.5) * self.across as f64;
        (
            bar + x * self.scale().0,
            self.view.heights.dot(2.0 * y) * self.down as f64 / 4.0,
        )
    }

    fn glyph(&mut self, mark: &Mark, glyph: Glyph, x: f64, y: f64, stretch: (f64, f64)) {
        let outline = music_font().outline(glyph);
        let (mut sx, mut sy) = self.scale();
        sx *= stretch.0;
        sy *= stretch.1;
        let (left, top) = self.at(x, y);
        if mark.part == Part::Head && !self.view.heights.lines_on_rows() {
            sy = head_dots(sy, top);
        }
        // A clef's feet are thin: with the origin on a dot they do not fall between two.
        let up = if mark.part == Part::Clef && self.down == 4 && self.view.heights.lines_on_rows() {
            0.5
        } else {
            0.0
        };
        // Snapped to whole dots across; alike shapes a whole number of dots apart are sampled once.
        let (column, row) = (left.round(), (top - up).floor());
        let fraction = ((top - up - row) * 1e6).round() / 1e6;
        let key = (glyph, mark.part, [sx, sy, fraction].map(f64::to_bits));
        let stamp = self
            .stamps
            .entry(key)
            .or_insert_with(|| stamp(outline, mark.part, (sx, sy), fraction))
            .clone();
        for &(x, y) in stamp.iter() {
            self.set(x + column as i32, y + row as i32, mark.ink);
        }
    }

    /// A plain diagonal cross: at a few dots a space the font's ✗ head is a blot.
    fn cross(&mut self, x: f64, y: f64, ink: Ink) {
        let (left, middle) = self.at(x, y);
        let size = head_dots(self.scale().1, middle) as i32;
        let (left, top) = (
            left.round() as i32,
            (middle - f64::from(size) / 2.0).round() as i32,
        );
        for i in 0..size {
            self.set(left + i, top + i, ink);
            self.set(left + i, top + size - 1 - i, ink);
        }
    }

    fn dotted_line(&mut self, mark: &Mark, from: Point, to: Point) {
        let (x0, y0) = self.at(from.x, from.y);
        let (x1, y1) = self.at(to.x, to.y);
        for x in x0.floor() as i32..=x1.floor() as i32 {
            for y in y1.floor() as i32..=y0.floor() as i32 {
                match (mark.ink, self.dot(x, y)) {
                    (Ink::Staff, Some((cell, bit))) => self.lines[cell] |= bit,
                    _ => self.set(x, y, mark.ink),
                }
            }
        }
    }
}

/// Paints `layout` into `grid`.
pub(in crate::engrave) fn paint(
    layout: &Layout,
    view: &View,
    style: CellStyle,
    grid: &mut CellGrid,
) {
    let (across, down) = dots_of(style);
    let (width, height) = (usize::from(grid.width), usize::from(grid.height));
    let mut plane = Plane {
        view,
        style,
        across,
        down,
        width,
        height,
        bits: vec![0; width * height],
        inks: vec![Ink::Clear; width * height],
        lines: vec![0; width * height],
        stamps: BTreeMap::new(),
    };
    let boxed = view.heights.lines_on_rows();
    for mark in &layout.list.marks {
        match mark.shape {
            Shape::Glyph {
                glyph: Glyph::HeadX,
                at,
            } if !boxed => plane.cross(at.x, at.y, mark.ink),
            Shape::Glyph { glyph, at } => plane.glyph(mark, glyph, at.x, at.y, (1.0, 1.0)),
            Shape::Stretched { glyph, to } => {
                let bounds = music_font().metrics.bounds(glyph);
                let stretch = (to.width() / bounds.width(), to.height() / bounds.height());
                let x = to.left - bounds.left * stretch.0;
                let y = to.bottom - bounds.bottom * stretch.1;
                plane.glyph(mark, glyph, x, y, stretch);
            }
            Shape::Line { from, to, .. } => match mark.part {
                Part::StaffLine | Part::LedgerLine | Part::BarLine if boxed => {
                    box_line(mark, from, to, view, grid);
                }
                _ => plane.dotted_line(mark, from, to),
            },
        }
    }
    for cell in 0..width * height {
        if plane.bits[cell] == 0 && plane.lines[cell] != 0 {
            grid.cells[cell].symbol = symbol(plane.style, plane.lines[cell]);
            grid.cells[cell].ink = Ink::Staff;
        }
        if plane.bits[cell] != 0 {
            grid.cells[cell].symbol = symbol(plane.style, plane.bits[cell]);
            grid.cells[cell].ink = plane.inks[cell];
        }
    }
}

/// A staff, ledger or bar line as box-drawing characters.
fn box_line(mark: &Mark, from: Point, to: Point, view: &View, grid: &mut CellGrid) {
    let row = |y: f64| view.heights.dot(2.0 * y) / 4.0;
    let column = |x: f64| view.column(x);
    if mark.part == Part::BarLine {
        let x = column(from.x).floor() as i32;
        let (top, bottom) = (row(to.y).floor() as i32, row(from.y).floor() as i32);
        // Staff lines run on to the right of the opening bar, and to both sides of the others.
        let [head, foot, cross] = if from.x == 0.0 {
            ['┌', '└', '├']
        } else {
            ['┬', '┴', '┼']
        };
        for y in top..=bottom {
            let symbol = match (y == top, y == bottom) {
                (true, _) => head,
                (_, true) => foot,
                _ if grid.symbol(x, y) == Some('─') => cross,
                _ => '│',
            };
            grid.put(x, y, symbol, Ink::Staff);
        }
        return;
    }
    let y = row(from.y).floor() as i32;
    let end = if mark.part == Part::LedgerLine {
        column(to.x).ceil() as i32
    } else {
        column(to.x).round() as i32
    };
    for x in column(from.x).floor() as i32..end.min(view.end as i32) {
        grid.put(x, y, '─', Ink::Staff);
    }
}
