//! What painters fill: cells without colours, and how heights fall on rows.

use super::keyboard::Keyboard;
use super::list::Ink;
use crate::theory::MidiNote;

/// A size in cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[allow(missing_docs)]
pub struct Size {
    pub columns: u16,
    pub rows: u16,
}

/// What a cell's picture is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum CellStyle {
    /// Eight Braille dots a cell: the default. Magnified, solid quadrants from three rows a staff space on.
    #[default]
    Braille,
    /// Eight solid pieces a cell, two across: only few fonts have them, and a terminal cannot be asked.
    Octants,
    /// Six solid pieces a cell, two across: only few fonts have them.
    Sextants,
    /// Four quadrants a cell, for fonts without Braille.
    Quadrants,
    /// Two halves a cell, shaded.
    HalfBlocks,
    /// Plain letters and signs, of the same meaning.
    Ascii,
}

/// A share that covers all.
pub const WHOLE: u8 = u8::MAX;

/// One cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cell {
    /// Always one column wide.
    pub symbol: char,
    /// What the symbol is painted with.
    pub ink: Ink,
    /// What lies behind it; [`Ink::Clear`] is the terminal's own ground.
    pub ground: Ink,
    /// How much of the ink covers the terminal's own ground: less than [`WHOLE`] only where halves are shaded.
    pub ink_share: u8,
    /// The same for what lies behind.
    pub ground_share: u8,
}

impl Cell {
    const EMPTY: Cell = Cell::new(' ', Ink::Clear, Ink::Clear);

    /// A symbol painted with `ink` on `ground`, both whole.
    pub const fn new(symbol: char, ink: Ink, ground: Ink) -> Cell {
        Cell {
            symbol,
            ink,
            ground,
            ink_share: WHOLE,
            ground_share: WHOLE,
        }
    }
}

/// A picture in cells, row by row.
#[derive(Debug, Clone, PartialEq)]
pub struct CellGrid {
    /// Columns.
    pub width: u16,
    /// Rows.
    pub height: u16,
    /// `width` cells a row, from the top.
    pub cells: Vec<Cell>,
    pub(super) keyboard: Option<Keyboard>,
}

impl CellGrid {
    pub(super) fn new(size: Size) -> CellGrid {
        CellGrid {
            width: size.columns,
            height: size.rows,
            cells: vec![Cell::EMPTY; usize::from(size.columns) * usize::from(size.rows)],
            keyboard: None,
        }
    }

    fn index(&self, column: i32, row: i32) -> Option<usize> {
        let inside = (0..i32::from(self.width)).contains(&column)
            && (0..i32::from(self.height)).contains(&row);
        inside.then(|| row as usize * usize::from(self.width) + column as usize)
    }

    /// The cell at `column` and `row`, from the top left.
    pub fn cell(&self, column: u16, row: u16) -> Option<&Cell> {
        self.cells
            .get(self.index(i32::from(column), i32::from(row))?)
    }

    pub(super) fn symbol(&self, column: i32, row: i32) -> Option<char> {
        Some(self.cells[self.index(column, row)?].symbol)
    }

    pub(super) fn put(&mut self, column: i32, row: i32, symbol: char, ink: Ink) {
        if let Some(i) = self.index(column, row) {
            self.cells[i].symbol = symbol;
            self.cells[i].ink = ink;
        }
    }

    pub(super) fn fill(&mut self, column: i32, row: i32, cell: Cell) {
        if let Some(i) = self.index(column, row) {
            self.cells[i] = cell;
        }
    }

    /// Writes `text` from `column` on, as far as the grid reaches.
    pub(super) fn write(&mut self, column: i32, row: i32, text: &str, ink: Ink) {
        for (column, symbol) in (column..).zip(text.chars()) {
            self.put(column, row, symbol, ink);
        }
    }

    /// Whether nothing stands in these columns of `row`.
    pub(super) fn is_free(&self, columns: std::ops::Range<i32>, row: i32) -> bool {
        columns
            .into_iter()
            .all(|column| self.symbol(column, row) == Some(' '))
    }

    /// The key drawn at `column` and `row`, where one row is one key; `None` off the keyboard, on an edge between
    /// two keys, and where keys are narrower than a row.
    pub fn key_at(&self, column: u16, row: u16) -> Option<MidiNote> {
        self.keyboard.as_ref()?.key_at(column, row)
    }

    /// The symbols alone, a line a row, without blanks at the ends.
    pub fn to_text(&self) -> String {
        let mut text = String::new();
        for row in self.cells.chunks(usize::from(self.width).max(1)) {
            let line: String = row.iter().map(|cell| cell.symbol).collect();
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text
    }
}

/// Dots a staff space, four a row; at eight a step is a row.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub(super) struct Scale(f64);

impl Scale {
    pub(super) const FIVE: Scale = Scale(5.0);
    pub(super) const SIX: Scale = Scale(6.0);
    /// Only in pixels: staff lines of dots want whole steps.
    pub(super) const SEVEN: Scale = Scale(7.0);
    pub(super) const EIGHT: Scale = Scale(8.0);
    pub(super) const TWELVE: Scale = Scale(12.0);
    pub(super) const SIXTEEN: Scale = Scale(16.0);
    pub(super) const TWENTY: Scale = Scale(20.0);
    pub(super) const TWENTY_FOUR: Scale = Scale(24.0);
    pub(super) const THIRTY_TWO: Scale = Scale(32.0);
    pub(super) const FORTY: Scale = Scale(40.0);

    pub(super) fn dots(self) -> f64 {
        self.0
    }

    /// Staff lines fall on the middle of rows.
    pub(super) fn lines_on_rows(self) -> bool {
        self.0 >= 8.0 && self.0 % 4.0 == 0.0
    }
}

/// How heights fall on rows. Heights are staff steps above C0; a row has four dots, counted from the top.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Heights {
    scale: Scale,
    /// Height of a staff line, and the dots from the top to it.
    line: f64,
    line_dot: f64,
}

/// Ink that may be lost at the top or bottom: less than half a dot sets none.
const TOLERANCE: f64 = 0.45;

/// Where the rows to spare go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Spare {
    Both,
    Above,
    Below,
}

impl Heights {
    /// Heights from `low` to `high` in `rows` rows, with a staff line at height `line`; `None` if they do not fit.
    pub(super) fn fit(
        scale: Scale,
        line: i32,
        low: f64,
        high: f64,
        rows: u16,
        spare: Spare,
    ) -> Option<Heights> {
        let per_step = scale.dots() / 2.0;
        // Box lines lie between the second and third dot of a row; dotted ones on a dot.
        let (first, every) = if scale.lines_on_rows() {
            (2.0, 4.0)
        } else {
            (0.5, 1.0)
        };
        let above = (high - f64::from(line)) * per_step - TOLERANCE;
        let below = (f64::from(line) - low) * per_step - TOLERANCE;
        let least = ((above - first) / every).ceil();
        let most = ((4.0 * f64::from(rows) - below - first) / every).floor();
        if least > most {
            return None;
        }
        let chosen = match spare {
            Spare::Both => ((least + most) / 2.0).floor(),
            Spare::Above => most,
            Spare::Below => least,
        };
        Some(Heights {
            scale,
            line: f64::from(line),
            line_dot: first + every * chosen,
        })
    }

    pub(super) fn dots_per_space(&self) -> f64 {
        self.scale.dots()
    }

    pub(super) fn lines_on_rows(&self) -> bool {
        self.scale.lines_on_rows()
    }

    /// Dots from the top to `height`.
    pub(super) fn dot(&self, height: f64) -> f64 {
        self.line_dot + (self.line - height) * self.scale.dots() / 2.0
    }

    /// The height `dot` dots below the top.
    pub(super) fn height(&self, dot: f64) -> f64 {
        self.line - (dot - self.line_dot) * 2.0 / self.scale.dots()
    }

    /// The row that holds `height`.
    pub(super) fn row(&self, height: f64) -> i32 {
        (self.dot(height) / 4.0).floor() as i32
    }
}

/// Where a layout is seen.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct View {
    pub(super) heights: Heights,
    /// The grid column of the opening bar line.
    pub(super) bar: usize,
    /// The first grid column right of the staff.
    pub(super) end: usize,
}

impl View {
    /// The grid column, with its fraction, of a place `x` staff spaces right of the bar line.
    pub(super) fn column(&self, x: f64) -> f64 {
        self.bar as f64 + 0.5 + x * self.heights.dots_per_space() / 2.0
    }
}
