//! The keyboard that stands upright beside the staff, each white key level with its line or space.
//! In: heights and marks. Out: cells, and which key a cell is.
//! At one row a step a black key is half a row: C♯ and F♯ the upper half of the C and F row, D♯ and A♯ the lower
//! half of the E and B row, G♯ a quarter each side of G and A; so a cell is split once, D, G and A keep their tails,
//! and the groups of two and three read at once.

use super::grid::{Cell, CellGrid, CellStyle, Heights};
use super::list::{Ink, KeyInk};
use super::music::Role;
use crate::theory::{Letter, MidiNote, Pitch};

/// What is marked on the keyboard.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct KeyboardMarks {
    /// In order of weight: of two marks for one key the first is drawn.
    pub marks: Vec<KeyMark>,
}

/// A marked key.
#[derive(Debug, Clone, PartialEq)]
pub struct KeyMark {
    /// The key.
    pub key: MidiNote,
    /// Asked, given, or right.
    pub role: Role,
    /// Words to stand beside the key behind its sign, such as `F♯4 asked`; at most 11 columns are shown.
    pub label: String,
}

/// Columns of a label with its sign.
pub(super) const LABEL: u16 = 13;

/// A keyboard's place in a grid.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Keyboard {
    pub(super) left: u16,
    /// Columns where black keys lie, and columns of white fronts.
    pub(super) back: u16,
    pub(super) front: u16,
    pub(super) rows: u16,
    pub(super) heights: Heights,
    pub(super) style: CellStyle,
}

/// The sign of a role.
pub(super) fn sign(role: Role, style: CellStyle) -> char {
    let ascii = style == CellStyle::Ascii;
    match role {
        Role::Given => ['✗', 'x'][usize::from(ascii)],
        Role::Right => ['✓', '+'][usize::from(ascii)],
        Role::Now => ['▾', 'v'][usize::from(ascii)],
        Role::Asked => ['▸', '>'][usize::from(ascii)],
        Role::Plain | Role::Later => ' ',
    }
}

/// The key of the white row at `height` (steps above C0).
fn white_key(height: i32) -> MidiNote {
    Pitch::from_diatonic(height).midi()
}

/// The black key next above the white key at `height`, and the heights it takes.
fn black_key(height: i32) -> Option<(MidiNote, f64, f64)> {
    let (from, to) = match Letter::from_index(height) {
        Letter::C | Letter::F => (0.0, 0.5),
        Letter::D | Letter::A => (0.5, 1.0),
        Letter::G => (0.25, 0.75),
        Letter::E | Letter::B => return None,
    };
    let key = MidiNote(white_key(height).0 + 1);
    Some((key, f64::from(height) + from, f64::from(height) + to))
}

/// The height a key is level with: a white key's own, a black key's middle as drawn.
fn level(key: MidiNote) -> f64 {
    if key.is_black() {
        let below = MidiNote(key.0 - 1).spelled_with_sharps().diatonic();
        black_key(below).map_or(f64::from(below), |(_, from, to)| (from + to) / 2.0)
    } else {
        f64::from(key.spelled_with_sharps().diatonic())
    }
}

impl Keyboard {
    /// Columns of back and front at these heights: a piano's proportions.
    pub(super) fn widths(heights_dots: f64, style: CellStyle) -> (u16, u16) {
        if style == CellStyle::Ascii {
            return (8, 6);
        }
        // A white key is 12.8 columns long where it is a row wide; 62 % of it lies beside black keys.
        let rows_a_step = heights_dots / 8.0;
        let all = (12.8 * rows_a_step).round();
        let back = (all * 0.62).round();
        (back as u16, (all - back) as u16)
    }

    pub(super) fn width(&self) -> u16 {
        self.back + self.front
    }

    /// Which key a cell is.
    pub(super) fn key_at(&self, column: u16, row: u16) -> Option<MidiNote> {
        let inside = (self.left..self.left + self.width()).contains(&column) && row < self.rows;
        if !inside || !self.heights.lines_on_rows() {
            return None;
        }
        let key = self.key_of_row(row, column < self.left + self.back)?;
        key.on_piano().then_some(key)
    }

    fn key_of_row(&self, row: u16, back: bool) -> Option<MidiNote> {
        let white = self.white_of_row(row);
        if self.style == CellStyle::Ascii {
            let black = black_key(white?).map(|(key, ..)| key);
            return if back {
                black.or(Some(white_key(white?)))
            } else {
                white.map(white_key)
            };
        }
        let (low, high) = self.span(row);
        let shown = (low.floor() as i32 - 1..=high.ceil() as i32)
            .filter_map(black_key)
            .find(|&(_, from, to)| from < high - 1e-9 && to > low + 1e-9);
        match shown {
            Some((key, ..)) if back => Some(key),
            _ => white.map(white_key),
        }
    }

    /// Heights of a row's bottom and top.
    fn span(&self, row: u16) -> (f64, f64) {
        let top = f64::from(row) * 4.0;
        (self.heights.height(top + 4.0), self.heights.height(top))
    }

    /// The white key most of a row belongs to; `None` when two share it evenly.
    fn white_of_row(&self, row: u16) -> Option<i32> {
        let (low, high) = self.span(row);
        let middle = (low + high) / 2.0;
        let nearest = middle.round();
        ((middle - nearest).abs() < 0.49).then_some(nearest as i32)
    }

    fn key_ink(marks: &KeyboardMarks, key: MidiNote) -> KeyInk {
        let role = marks.marks.iter().find(|m| m.key == key).map(|m| m.role);
        match role {
            Some(Role::Asked | Role::Now) => KeyInk::Asked,
            Some(Role::Given) => KeyInk::Given,
            Some(Role::Right) => KeyInk::Right,
            _ => KeyInk::Plain,
        }
    }

    /// Draws the keyboard with its marks; labels begin at column `labels`.
    pub(super) fn paint(&self, marks: &KeyboardMarks, labels: Option<u16>, grid: &mut CellGrid) {
        for row in 0..self.rows {
            match (self.style, self.heights.lines_on_rows()) {
                (CellStyle::Ascii, _) => self.ascii_row(row, grid),
                (_, true) => self.block_row(row, marks, grid),
                (_, false) => self.dotted_row(row, marks, grid),
            }
        }
        if self.style != CellStyle::Ascii {
            for row in 0..self.rows {
                let right = i32::from(self.left + self.width());
                grid.put(right, i32::from(row), '▏', Ink::KeyEdge);
            }
        }
        self.signs(marks, grid);
        if let Some(labels) = labels {
            self.labels(marks, labels, grid);
        }
    }

    fn block_row(&self, row: u16, marks: &KeyboardMarks, grid: &mut CellGrid) {
        let (low, high) = self.span(row);
        // On an even edge the lower key's row.
        let white = (((low + high) / 2.0) - 1e-6).round() as i32;
        let ground = Ink::WhiteKey(Keyboard::key_ink(marks, white_key(white)));
        let eighths = |height: f64| ((height - low) / (high - low) * 8.0).round() as i32;
        let black = (white - 2..=white + 1)
            .filter_map(black_key)
            .map(|(key, from, to)| (key, eighths(from).max(0), eighths(to).min(8)))
            .find(|(_, from, to)| to > from);
        let lower = |eighth: i32| [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'][eighth as usize];
        let cell = match black {
            None => Cell {
                symbol: ' ',
                ink: Ink::KeyEdge,
                ground,
            },
            Some((key, from, to)) => {
                let ink = Ink::BlackKey(Keyboard::key_ink(marks, key));
                // One split a cell: a key within the row is moved to the nearer edge.
                let size = to - from;
                if to == 8 || (from > 0 && 8 - to < from) {
                    Cell {
                        symbol: lower(8 - size),
                        ink: ground,
                        ground: ink,
                    }
                } else {
                    Cell {
                        symbol: lower(size),
                        ink,
                        ground,
                    }
                }
            }
        };
        let left = i32::from(self.left);
        for column in 0..i32::from(self.back) {
            grid.fill(left + column, i32::from(row), cell);
        }
        // The edge between two white keys, as near as one symbol gets.
        let edge = ((low - 0.5).ceil() + 0.5 - low) / (high - low);
        let symbol = match edge {
            e if e > 0.999 => ' ',
            e if e < 0.375 => '▁',
            e if e > 0.625 => '▔',
            _ => '─',
        };
        for column in i32::from(self.back)..i32::from(self.width()) {
            let cell = Cell {
                symbol,
                ink: Ink::KeyEdge,
                ground,
            };
            grid.fill(left + column, i32::from(row), cell);
        }
        self.name(row, ground, grid);
    }

    /// `C4` at the front of every C.
    fn name(&self, row: u16, ground: Ink, grid: &mut CellGrid) {
        for height in (0..9).map(|octave| 7 * octave) {
            if self.heights.row(f64::from(height)) == i32::from(row) {
                let name = Pitch::from_diatonic(height).to_string();
                let column = i32::from(self.left + self.width()) - name.len() as i32;
                for (column, symbol) in (column..).zip(name.chars()) {
                    let cell = Cell {
                        symbol,
                        ink: Ink::KeyEdge,
                        ground,
                    };
                    grid.fill(column, i32::from(row), cell);
                }
            }
        }
    }

    /// Less than a row a step: black Braille on white, a black key the two dots about its edge.
    fn dotted_row(&self, row: u16, marks: &KeyboardMarks, grid: &mut CellGrid) {
        let (low, high) = self.span(row);
        let middle = ((low + high) / 2.0).round() as i32;
        let marked = (low.floor() as i32..=high.ceil() as i32)
            .filter(|&white| self.heights.row(f64::from(white)) == i32::from(row))
            .map(|white| Keyboard::key_ink(marks, white_key(white)))
            .find(|ink| *ink != KeyInk::Plain);
        let ground = Ink::WhiteKey(marked.unwrap_or(KeyInk::Plain));
        let (mut back, mut front) = (0_u32, 0_u32);
        let mut black = KeyInk::Plain;
        const LEVELS: [u32; 4] = [0b0000_1001, 0b0001_0010, 0b0010_0100, 0b1100_0000];
        for white in middle - 3..=middle + 3 {
            // The dot boundary nearest to the edge above this white key.
            let edge = self.heights.dot(f64::from(white) + 0.5).round() as i32;
            for (dot, level) in LEVELS.iter().enumerate() {
                let dot = i32::from(row) * 4 + dot as i32;
                if dot == edge - 1 {
                    front |= level;
                }
                if let Some((key, ..)) = black_key(white)
                    && (dot == edge - 1 || dot == edge)
                {
                    back |= level;
                    if black == KeyInk::Plain {
                        black = Keyboard::key_ink(marks, key);
                    }
                }
            }
        }
        let braille = |bits: u32| match bits {
            0 => ' ',
            bits => char::from_u32(0x2800 + bits).unwrap_or(' '),
        };
        for column in 0..self.width() {
            let (symbol, ink) = if column < self.back {
                (braille(back), Ink::BlackKey(black))
            } else {
                (braille(front), Ink::KeyEdge)
            };
            let column = i32::from(self.left + column);
            grid.fill(
                column,
                i32::from(row),
                Cell {
                    symbol,
                    ink,
                    ground,
                },
            );
        }
        self.name(row, ground, grid);
    }

    /// A black key in the row of the white key below it: groups of two and three at a glance.
    fn ascii_row(&self, row: u16, grid: &mut CellGrid) {
        let white = self.white_of_row(row).unwrap_or(0);
        let back = if black_key(white).is_some() {
            "######"
        } else {
            "      "
        };
        let front = if Letter::from_index(white) == Letter::C {
            format!("{:_>5}", Pitch::from_diatonic(white).to_string())
        } else {
            "_____".to_owned()
        };
        let text = format!("|{back}|{front}|");
        grid.write(i32::from(self.left), i32::from(row), &text, Ink::KeyEdge);
    }

    fn signs(&self, marks: &KeyboardMarks, grid: &mut CellGrid) {
        for mark in marks.marks.iter().rev() {
            let row = self.sign_row(mark.key);
            if !(0..i32::from(self.rows)).contains(&row) {
                continue;
            }
            let black = mark.key.is_black();
            let column = i32::from(self.left)
                + if black {
                    i32::from(self.back) / 2
                } else {
                    i32::from(self.back) + 1
                };
            let symbol = sign(mark.role, self.style);
            let ink = Keyboard::key_ink(marks, mark.key);
            if self.style == CellStyle::Ascii {
                let text: String = std::iter::repeat_n(symbol, 1 + usize::from(black)).collect();
                let column = column - i32::from(black);
                grid.write(column, row, &text, super::layout::ink(mark.role));
            } else {
                let ground = if black {
                    Ink::BlackKey(ink)
                } else {
                    Ink::WhiteKey(ink)
                };
                grid.fill(
                    column,
                    row,
                    Cell {
                        symbol,
                        ink: Ink::KeySign,
                        ground,
                    },
                );
            }
        }
    }

    /// The row a key's sign and label stand in.
    pub(super) fn sign_row(&self, key: MidiNote) -> i32 {
        let level = level(key);
        // ASCII draws a black key in the row of the white key below it.
        if self.style == CellStyle::Ascii && key.is_black() {
            let below = MidiNote(key.0 - 1).spelled_with_sharps().diatonic();
            return self.heights.row(f64::from(below));
        }
        self.heights.row(level)
    }

    fn labels(&self, marks: &KeyboardMarks, left: u16, grid: &mut CellGrid) {
        let mut taken: Vec<i32> = Vec::new();
        let last = i32::from(self.rows) - 1;
        for mark in marks.marks.iter().filter(|m| !m.label.is_empty()) {
            let wanted = self.sign_row(mark.key);
            let arrow = match wanted {
                row if row < 0 => ["↑", "^"],
                row if row > last => ["↓", "v"],
                _ => ["", ""],
            }[usize::from(self.style == CellStyle::Ascii)];
            let wanted = wanted.clamp(0, last);
            // Two labels for one row: the second goes one row away, to the side its key lies.
            let below = marks
                .marks
                .first()
                .is_some_and(|first| mark.key < first.key);
            let around = if below {
                [0, 1, -1, 2, -2]
            } else {
                [0, -1, 1, -2, 2]
            };
            let row = around
                .into_iter()
                .map(|off| wanted + off)
                .find(|row| (0..=last).contains(row) && !taken.contains(row));
            let Some(row) = row else { continue };
            taken.push(row);
            let ink = super::layout::ink(mark.role);
            let sign = sign(mark.role, self.style);
            grid.put(i32::from(left), row, sign, ink);
            let shown: String = mark.label.chars().take(usize::from(LABEL) - 2).collect();
            let end = shown.chars().count() as i32;
            grid.write(i32::from(left) + 2, row, &shown, Ink::Text);
            grid.write(i32::from(left) + 3 + end, row, arrow, ink);
        }
    }
}
