//! Cells: a display list as characters, each cell a few dots or a piece of a line.
//! In: a layout and the [`View`] it is seen through. Out: cells of a [`CellGrid`].
//! Where staff lines fall on the middle of rows they are box lines, left out in every cell that holds a glyph's dot:
//! the eye joins them, and dots of a line in a glyph's cell would take its colour and make round heads square.

use std::collections::BTreeMap;
use std::rc::Rc;

use super::raster::Spans;
use super::symbols::{dots_of, symbol};
use crate::engrave::font::{Outline, music_font};
use crate::engrave::grid::{Cell, CellGrid, CellStyle, View, WHOLE};
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

/// Dots a head is high where lines are dots: symmetric about its middle, and clear of the lines beside it.
fn head_dots(space: f64, middle: f64) -> f64 {
    let on_a_dot = (middle - middle.floor() - 0.5).abs() < 0.25;
    let even = space as i32 % 2 == 0;
    match (on_a_dot, even) {
        (true, false) => space,
        _ => space - 1.0,
    }
}

/// How much of a dot is painted, from its coverage.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Tone {
    /// All of it where coverage reaches the part's threshold, else nothing.
    Solid,
    /// As much as is covered.
    Shaded,
}

/// Coverage below this is left out where dots are shaded: it would only dirty the ground.
const FAINTEST: f32 = 0.12;

/// Column, row and share of a dot.
type Stamp = Rc<[(i32, i32, u8)]>;

/// The dots that show an outline best, from the dot its origin is snapped to; `origin` is what the origin lies below
/// that dot's edge. Of eight phases across (and quarter dots up and down, for accidentals) the truest to its area.
fn stamp(outline: &Outline, part: Part, scale: (f64, f64), origin: f64, tone: Tone) -> Stamp {
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
    let share = |covered: f32| match tone {
        Tone::Solid => u8::from(covered >= threshold) * WHOLE,
        Tone::Shaded if covered < FAINTEST => 0,
        Tone::Shaded => (covered.min(1.0) * f32::from(WHOLE)) as u8,
    };
    best.map_or_else(
        || [].into(),
        |(_, coverage)| {
            coverage
                .iter()
                .map(|(x, y, covered)| (x, y, share(covered)))
                .filter(|(.., share)| *share > 0)
                .collect()
        },
    )
}

/// Glyph and part, and the bits of its scale and of its origin's fraction of a dot.
type StampKey = (Glyph, Part, [u64; 3]);

/// Nothing, or an ink and how much of it.
type Dot = Option<(Ink, u8)>;

struct Plane<'a> {
    view: &'a View,
    style: CellStyle,
    across: usize,
    down: usize,
    /// Dots across the grid and down.
    width: usize,
    height: usize,
    /// Dots of glyphs, stems and flags, row by row.
    dots: Vec<Dot>,
    /// Dots of lines that do not fall on the middle of rows.
    lines: Vec<bool>,
    stamps: BTreeMap<StampKey, Stamp>,
}

impl Plane<'_> {
    /// The index of a dot, if it lies in the picture.
    fn index(&self, x: i32, y: i32) -> Option<usize> {
        let (x, y) = (usize::try_from(x).ok()?, usize::try_from(y).ok()?);
        let inside = x < self.width.min(self.view.end * self.across) && y < self.height;
        inside.then_some(y * self.width + x)
    }

    fn set(&mut self, x: i32, y: i32, ink: Ink, share: u8) {
        if let Some(at) = self.index(x, y) {
            let before = self.dots[at].map_or(0, |(_, share)| share);
            if share >= before {
                self.dots[at] = Some((ink, share));
            }
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
        let tone = match self.style {
            CellStyle::HalfBlocks => Tone::Shaded,
            _ => Tone::Solid,
        };
        let key = (glyph, mark.part, [sx, sy, fraction].map(f64::to_bits));
        let stamp = self
            .stamps
            .entry(key)
            .or_insert_with(|| stamp(outline, mark.part, (sx, sy), fraction, tone))
            .clone();
        for &(x, y, share) in stamp.iter() {
            self.set(x + column as i32, y + row as i32, mark.ink, share);
        }
    }

    /// A plain diagonal cross: at a few dots a space the font's ✗ head is a blot.
    fn cross(&mut self, x: f64, y: f64, ink: Ink) {
        if self.view.heights.lines_on_rows() {
            return self.wide_cross(x, y, ink);
        }
        let (left, middle) = self.at(x, y);
        let size = head_dots(self.scale().1, middle) as i32;
        let (left, top) = (
            left.round() as i32,
            (middle - f64::from(size) / 2.0).round() as i32,
        );
        for i in 0..size {
            self.set(left + i, top + i, ink, WHOLE);
            self.set(left + i, top + size - 1 - i, ink, WHOLE);
        }
    }

    /// A cross where dots are taller than wide: a head's width and a space's height, strokes of one weight.
    fn wide_cross(&mut self, x: f64, y: f64, ink: Ink) {
        let (left, middle) = self.at(x, y);
        let (sx, sy) = self.scale();
        let width = (music_font().metrics.width(Glyph::HeadX) * sx).round() as i32;
        let height = sy.round() as i32;
        let stroke = (width / 8).max(1);
        let (left, top) = (
            left.round() as i32,
            (middle - f64::from(height) / 2.0).round() as i32,
        );
        for row in 0..height {
            // All that a stroke crosses on its way through the row, so that its steps join.
            let across = |row: i32| row * (width - stroke) / height;
            for dot in across(row)..across(row + 1) + stroke {
                self.set(left + dot, top + row, ink, WHOLE);
                self.set(left + width - 1 - dot, top + row, ink, WHOLE);
            }
        }
    }

    fn dotted_line(&mut self, mark: &Mark, from: Point, to: Point) {
        let (x0, y0) = self.at(from.x, from.y);
        let (x1, y1) = self.at(to.x, to.y);
        for x in x0.floor() as i32..=x1.floor() as i32 {
            for y in y1.floor() as i32..=y0.floor() as i32 {
                match (mark.ink, self.index(x, y)) {
                    (Ink::Staff, Some(at)) => self.lines[at] = true,
                    _ => self.set(x, y, mark.ink, WHOLE),
                }
            }
        }
    }

    /// The dots of the cell at `column` and `row`, with their bits.
    fn cell_dots(&self, column: usize, row: usize) -> impl Iterator<Item = (u8, usize)> + use<> {
        let (across, down, width) = (self.across, self.down, self.width);
        (0..across * down).map(move |bit| {
            let (x, y) = (column * across + bit % across, row * down + bit / across);
            (1 << bit, y * width + x)
        })
    }

    /// What stands in a cell, if a dot of it is set.
    fn cell(&self, column: usize, row: usize) -> Option<Cell> {
        let mut bits = 0;
        let mut ink = None;
        for (bit, at) in self.cell_dots(column, row) {
            if let Some((dot, _)) = self.dots[at] {
                bits |= bit;
                ink = Some(dot);
            }
        }
        if let Some(ink) = ink {
            if self.style == CellStyle::HalfBlocks {
                return Some(self.shaded(column, row));
            }
            return Some(Cell::new(symbol(self.style, bits), ink, Ink::Clear));
        }
        let lines: u8 = self
            .cell_dots(column, row)
            .filter(|(_, at)| self.lines[*at])
            .map(|(bit, _)| bit)
            .sum();
        (lines != 0).then(|| Cell::new(symbol(self.style, lines), Ink::Staff, Ink::Clear))
    }

    /// An upper and a lower half, each with its share.
    fn shaded(&self, column: usize, row: usize) -> Cell {
        let at = 2 * row * self.width + column;
        let half = |at: usize| self.dots[at].unwrap_or((Ink::Clear, WHOLE));
        let ((upper, upper_share), (lower, lower_share)) = (half(at), half(at + self.width));
        // A half without ink is the terminal's own ground, left untouched where one colour can stay behind.
        if lower == Ink::Clear {
            return Cell {
                ink_share: upper_share,
                ..Cell::new('▀', upper, Ink::Clear)
            };
        }
        Cell {
            symbol: '▄',
            ink: lower,
            ink_share: lower_share,
            ground: upper,
            ground_share: upper_share,
        }
    }
}

/// Paints `layout` into `grid`, lines on rows heavy or light.
pub(in crate::engrave) fn paint(
    layout: &Layout,
    view: &View,
    style: CellStyle,
    heavy: bool,
    grid: &mut CellGrid,
) {
    let (across, down) = dots_of(style);
    let (columns, rows) = (usize::from(grid.width), usize::from(grid.height));
    let (width, height) = (columns * across, rows * down);
    let mut plane = Plane {
        view,
        style,
        across,
        down,
        width,
        height,
        dots: vec![None; width * height],
        lines: vec![false; width * height],
        stamps: BTreeMap::new(),
    };
    let boxed = view.heights.lines_on_rows();
    for mark in &layout.list.marks {
        match mark.shape {
            Shape::Glyph {
                glyph: Glyph::HeadX,
                at,
            } if !boxed || down < 4 => plane.cross(at.x, at.y, mark.ink),
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
                    box_line(mark, (from, to), view, heavy, grid);
                }
                _ => plane.dotted_line(mark, from, to),
            },
        }
    }
    for row in 0..rows {
        for column in 0..columns.min(view.end) {
            if let Some(cell) = plane.cell(column, row) {
                grid.cells[row * columns + column] = cell;
            }
        }
    }
}

/// A staff, ledger or bar line as box-drawing characters.
fn box_line(
    mark: &Mark,
    (from, to): (Point, Point),
    view: &View,
    heavy: bool,
    grid: &mut CellGrid,
) {
    let [level, upright] = [['─', '│'], ['━', '┃']][usize::from(heavy)];
    let row = |y: f64| view.heights.dot(2.0 * y) / 4.0;
    let column = |x: f64| view.column(x);
    if mark.part == Part::BarLine {
        let x = column(from.x).floor() as i32;
        let (top, bottom) = (row(to.y).floor() as i32, row(from.y).floor() as i32);
        // Staff lines run on to the right of the opening bar, and to both sides of the others.
        let [head, foot, cross] = match (from.x == 0.0, heavy) {
            (true, false) => ['┌', '└', '├'],
            (false, false) => ['┬', '┴', '┼'],
            (true, true) => ['┏', '┗', '┣'],
            (false, true) => ['┳', '┻', '╋'],
        };
        for y in top..=bottom {
            let symbol = match (y == top, y == bottom) {
                (true, _) => head,
                (_, true) => foot,
                _ if grid.symbol(x, y) == Some(level) => cross,
                _ => upright,
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
        grid.put(x, y, level, Ink::Staff);
    }
}
