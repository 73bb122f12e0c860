//! The keyboard that stands upright beside the staff, each white key level with its line or space.
//! In: heights and marks. Out: which key is where; `draw/keys.rs` draws it.
//! At one row a step a black key is half a row: C♯ and F♯ the upper half of the C and F row, D♯ and A♯ the lower
//! half of the E and B row, G♯ a quarter each side of G and A; so a cell is split once, D, G and A keep their tails,
//! and the groups of two and three read at once.

use super::grid::{CellStyle, Heights};
use super::list::KeyInk;
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

impl KeyboardMarks {
    pub(super) fn ink(&self, key: MidiNote) -> KeyInk {
        match self.marks.iter().find(|m| m.key == key).map(|m| m.role) {
            Some(Role::Asked | Role::Now) => KeyInk::Asked,
            Some(Role::Given) => KeyInk::Given,
            Some(Role::Right) => KeyInk::Right,
            _ => KeyInk::Plain,
        }
    }
}

/// Columns of a label with its sign.
pub(super) const LABEL: u16 = 13;

/// A keyboard's place in a grid, whose rows it fills from the top.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Keyboard {
    pub(super) left: u16,
    /// Columns where black keys lie.
    pub(super) back: u16,
    /// Columns of white fronts.
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

/// The white key level with `height` (staff steps above C0).
pub(super) fn white_key(height: i32) -> MidiNote {
    Pitch::from_diatonic(height).midi()
}

/// The black key next above the white key at `height`, and the heights it takes.
pub(super) fn black_key(height: i32) -> Option<(MidiNote, f64, f64)> {
    let (from, to) = match Letter::from_index(height) {
        Letter::C | Letter::F => (0.0, 0.5),
        Letter::D | Letter::A => (0.5, 1.0),
        Letter::G => (0.25, 0.75),
        Letter::E | Letter::B => return None,
    };
    let key = MidiNote(white_key(height).0 + 1);
    let height = f64::from(height);
    key.on_piano().then_some((key, height + from, height + to))
}

impl Keyboard {
    /// Columns of back and front at so many dots a staff space: a piano's proportions.
    pub(super) fn widths(dots_per_space: f64, style: CellStyle) -> (u16, u16) {
        if style == CellStyle::Ascii {
            return (8, 6);
        }
        // A white key is 12.8 columns long where it is a row wide; 62 % of it lies beside black keys.
        // Beyond two rows a key it grows no wider: the staff needs the columns.
        let all = (12.8 * dots_per_space.min(16.0) / 8.0).round();
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
        let back = column < self.left + self.back;
        let black = self.black_of_row(row).filter(|_| back);
        let white = self.white_of_row(row).map(white_key);
        black.or(white).filter(|key| key.on_piano())
    }

    /// Heights of a row's bottom and top.
    pub(super) fn span(&self, row: u16) -> (f64, f64) {
        let top = f64::from(row) * 4.0;
        (self.heights.height(top + 4.0), self.heights.height(top))
    }

    /// The white key most of a row belongs to; `None` when two share it evenly.
    pub(super) fn white_of_row(&self, row: u16) -> Option<i32> {
        let (low, high) = self.span(row);
        let middle = (low + high) / 2.0;
        let nearest = middle.round();
        ((middle - nearest).abs() < 0.49).then_some(nearest as i32)
    }

    /// The black key that shows in a row.
    fn black_of_row(&self, row: u16) -> Option<MidiNote> {
        if self.style == CellStyle::Ascii {
            return black_key(self.white_of_row(row)?).map(|(key, ..)| key);
        }
        let (low, high) = self.span(row);
        (low.floor() as i32 - 1..=high.ceil() as i32)
            .filter_map(black_key)
            .find(|&(_, from, to)| from < high - 1e-9 && to > low + 1e-9)
            .map(|(key, ..)| key)
    }

    /// The row a key's sign and label stand in; may lie outside the grid.
    pub(super) fn sign_row(&self, key: MidiNote) -> i32 {
        if !key.is_black() {
            return self
                .heights
                .row(f64::from(key.spelled_with_sharps().diatonic()));
        }
        let below = key.spelled_with_sharps().diatonic();
        // ASCII draws a black key in the row of the white key below it.
        let level = match black_key(below) {
            Some((_, from, to)) if self.style != CellStyle::Ascii => (from + to) / 2.0,
            _ => f64::from(below),
        };
        self.heights.row(level)
    }
}

#[cfg(test)]
mod tests {
    use super::super::grid::{Scale, Spare};
    use super::*;

    fn keyboard(scale: Scale, style: CellStyle) -> Keyboard {
        let rows = 200;
        let (back, front) = Keyboard::widths(scale.dots(), style);
        Keyboard {
            left: 10,
            back,
            front,
            rows,
            heights: Heights::fit(scale, 30, 5.0, 53.0, rows, Spare::Both).unwrap(),
            style,
        }
    }

    #[test]
    fn every_key_of_the_piano_can_be_reached_and_none_beyond() {
        for style in [CellStyle::Braille, CellStyle::Quadrants, CellStyle::Ascii] {
            for scale in [Scale::EIGHT, Scale::TWELVE, Scale::SIXTEEN] {
                let keyboard = keyboard(scale, style);
                let mut found: Vec<i16> = (0..keyboard.rows)
                    .flat_map(|row| [(10, row), (10 + keyboard.width() - 1, row)])
                    .filter_map(|(column, row)| keyboard.key_at(column, row))
                    .map(|key| key.0)
                    .collect();
                found.sort_unstable();
                found.dedup();
                // A piano has 88 keys, A0 to C8 (MIDI 21 to 108); the back of D's row is D itself.
                assert_eq!(
                    found,
                    (21..=108).collect::<Vec<i16>>(),
                    "{scale:?} {style:?}"
                );
                assert_eq!(keyboard.key_at(9, 100), None);
                assert_eq!(keyboard.key_at(10 + keyboard.width(), 100), None);
            }
        }
    }

    #[test]
    fn a_key_is_hit_where_its_sign_stands() {
        for scale in [Scale::EIGHT, Scale::TWELVE, Scale::SIXTEEN] {
            let keyboard = keyboard(scale, CellStyle::Braille);
            for key in (21..=108).map(MidiNote) {
                let row = keyboard.sign_row(key) as u16;
                let column = if key.is_black() {
                    10
                } else {
                    10 + keyboard.back
                };
                assert_eq!(keyboard.key_at(column, row), Some(key), "{scale:?}");
            }
        }
    }

    #[test]
    fn keys_narrower_than_a_row_are_not_hit() {
        let keyboard = keyboard(Scale::SIX, CellStyle::Braille);
        assert_eq!(keyboard.key_at(10, 100), None);
    }
}
