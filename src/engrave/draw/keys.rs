//! The upright keyboard as cells. In: its place and marks. Out: cells of a [`CellGrid`].
//! From one row a step on blacks are drawn in eighths of a row, one split a cell; below, keys are narrower than a row
//! and blacks are two Braille dots about an edge, with one white dot between neighbours.

use crate::engrave::grid::{Cell, CellGrid, CellStyle};
use crate::engrave::keyboard::{
    KeyMark, Keyboard, KeyboardMarks, LABEL, black_key, sign, white_key,
};
use crate::engrave::layout::ink;
use crate::engrave::list::{Ink, KeyInk};
use crate::theory::{Letter, Pitch};

/// Fills the lower `eighths` of a cell.
fn lower(eighths: i32) -> char {
    [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'][eighths.clamp(0, 8) as usize]
}

/// Draws the keyboard with its marks; labels begin at column `labels`.
pub(in crate::engrave) fn paint(
    keyboard: &Keyboard,
    marks: &KeyboardMarks,
    labels: Option<u16>,
    grid: &mut CellGrid,
) {
    for row in 0..keyboard.rows {
        // Rows beyond the piano's ends stay empty.
        let (low, high) = keyboard.span(row);
        let middle = ((low + high) / 2.0).round() as i32;
        if !white_key(middle).on_piano() {
            continue;
        }
        match (keyboard.style, keyboard.heights.lines_on_rows()) {
            (CellStyle::Ascii, _) => ascii_row(keyboard, row, middle, grid),
            (_, true) => block_row(keyboard, row, marks, grid),
            (_, false) => dotted_row(keyboard, row, marks, grid),
        }
        if keyboard.style != CellStyle::Ascii {
            let right = i32::from(keyboard.left + keyboard.width());
            grid.put(right, i32::from(row), '▏', Ink::KeyEdge);
            name(keyboard, marks, row, grid);
        }
    }
    signs(keyboard, marks, grid);
    if let Some(column) = labels {
        write_labels(keyboard, marks, i32::from(column), grid);
    }
}

fn fill(keyboard: &Keyboard, row: u16, back: Cell, front: Cell, grid: &mut CellGrid) {
    for column in 0..keyboard.width() {
        let cell = if column < keyboard.back { back } else { front };
        grid.fill(i32::from(keyboard.left + column), i32::from(row), cell);
    }
}

fn block_row(keyboard: &Keyboard, row: u16, marks: &KeyboardMarks, grid: &mut CellGrid) {
    let (low, high) = keyboard.span(row);
    let eighths = |height: f64| ((height - low) / (high - low) * 8.0).round() as i32;
    // The edge between two white keys in or at the foot of this row, and the keys below and above it.
    let edge = (low - 0.5 - 1e-9).ceil();
    let (under, over) = (edge as i32, edge as i32 + 1);
    let edge = eighths(edge + 0.5);
    let paint = |height: i32| Ink::WhiteKey(marks.ink(white_key(height)));
    let (under_ink, over_ink) = (paint(under), paint(over));
    // The key most of the row belongs to gives the row its ground.
    let ground = if edge > 4 { under_ink } else { over_ink };
    let black = (under - 1..=over)
        .filter_map(black_key)
        .map(|(key, from, to)| {
            // The white keys that show below it and above it.
            let beside = [(from - 1e-6).round() as i32, (to + 1e-6).round() as i32];
            (key, eighths(from).max(0), eighths(to).min(8), beside)
        })
        .find(|(_, from, to, _)| to > from);
    let split = Cell::new(lower(edge), under_ink, over_ink);
    let back = match black {
        None => split,
        Some((key, from, to, [below, above])) => {
            let ink = Ink::BlackKey(marks.ink(key));
            let size = to - from;
            // One split a cell: a key that ends within the row is moved to the nearer edge.
            if 8 - to < from {
                Cell::new(lower(8 - size), paint(below), ink)
            } else {
                Cell::new(lower(size), ink, paint(above))
            }
        }
    };
    let front = if under_ink != over_ink && edge > 0 && edge < 8 {
        split
    } else {
        let symbol = match edge {
            // Beside half-row blacks a line in mid-cell would be thinner than one at its foot: dots are alike anywhere.
            _ if keyboard.style == CellStyle::Braille && high - low < 0.9 => edge_dots(edge),
            8.. => ' ',
            6..8 => '▔',
            3..6 => '─',
            _ => '▁',
        };
        Cell::new(symbol, Ink::KeyEdge, ground)
    };
    fill(keyboard, row, back, front, grid);
}

/// The row of dots that ends nearest to an edge `eighths` of a cell above its foot.
fn edge_dots(eighths: i32) -> char {
    match (eighths + 1) / 2 {
        ..=0 => '⣀',
        1 => '⠤',
        2 => '⠒',
        3 => '⠉',
        _ => ' ',
    }
}

/// `C4` at the front of every C; not where the mark of another key stands in its row, which would seem to be C's.
pub(in crate::engrave) fn name(
    keyboard: &Keyboard,
    marks: &KeyboardMarks,
    row: u16,
    grid: &mut CellGrid,
) {
    let another = |height: i32| {
        marks.marks.iter().any(|mark| {
            mark.key != white_key(height) && keyboard.sign_row(mark.key) == i32::from(row)
        })
    };
    let named = (0..9)
        .map(|octave| 7 * octave)
        .filter(|height| !another(*height));
    for height in named.filter(|h| keyboard.heights.row(f64::from(*h)) == i32::from(row)) {
        let name = Pitch::from_diatonic(height).to_string();
        let column = i32::from(keyboard.left + keyboard.width()) - name.len() as i32;
        grid.write(column, i32::from(row), &name, Ink::KeyName);
    }
}

fn dotted_row(keyboard: &Keyboard, row: u16, marks: &KeyboardMarks, grid: &mut CellGrid) {
    // Braille dots of a cell's four levels, both columns.
    const LEVELS: [u32; 4] = [0b0000_1001, 0b0001_0010, 0b0010_0100, 0b1100_0000];
    let (low, high) = keyboard.span(row);
    let whites = low.floor() as i32 - 1..=high.ceil() as i32 + 1;
    let marked = whites
        .clone()
        .filter(|&white| keyboard.heights.row(f64::from(white)) == i32::from(row))
        .map(|white| marks.ink(white_key(white)))
        .find(|ink| *ink != KeyInk::Plain);
    let ground = Ink::WhiteKey(marked.unwrap_or(KeyInk::Plain));
    let (mut back, mut front) = (0, 0);
    let mut black_ink = KeyInk::Plain;
    for white in whites {
        // The boundary of dots nearest to the edge above this white key.
        let edge = keyboard.heights.dot(f64::from(white) + 0.5).round() as i32;
        for (dot, level) in (i32::from(row) * 4..).zip(LEVELS) {
            if dot == edge - 1 {
                front |= level;
            }
            if let Some((key, ..)) = black_key(white)
                && (edge - 1..=edge).contains(&dot)
            {
                back |= level;
                if black_ink == KeyInk::Plain {
                    black_ink = marks.ink(key);
                }
            }
        }
    }
    let braille = |bits: u32| match bits {
        0 => ' ',
        bits => char::from_u32(0x2800 + bits).unwrap_or(' '),
    };
    let cell = |bits, ink| Cell::new(braille(bits), ink, ground);
    let back = cell(back, Ink::BlackKey(black_ink));
    fill(keyboard, row, back, cell(front, Ink::KeyEdge), grid);
}

/// A black key in the row of the white key below it: groups of two and three at a glance.
fn ascii_row(keyboard: &Keyboard, row: u16, white: i32, grid: &mut CellGrid) {
    let back = ["      ", "######"][usize::from(black_key(white).is_some())];
    let front = if Letter::from_index(white) == Letter::C {
        format!("{:_>5}", Pitch::from_diatonic(white).to_string())
    } else {
        "_____".to_owned()
    };
    let text = format!("|{back}|{front}|");
    let left = i32::from(keyboard.left);
    grid.write(left, i32::from(row), &text, Ink::KeyEdge);
}

/// The sign of each marked key, on it: a black key's in the back, a white key's in the front.
fn signs(keyboard: &Keyboard, marks: &KeyboardMarks, grid: &mut CellGrid) {
    let mut taken = Vec::new();
    for mark in &marks.marks {
        let row = keyboard.sign_row(mark.key);
        let black = mark.key.is_black();
        let ascii = keyboard.style == CellStyle::Ascii;
        let mut column = i32::from(keyboard.left)
            + match black {
                true => i32::from(keyboard.back / 2),
                false => i32::from(keyboard.back) + 1,
            };
        // Two keys may share a row where keys are narrower than one.
        while taken.contains(&(column, row)) {
            column -= 2;
        }
        taken.push((column, row));
        let symbol = sign(mark.role, keyboard.style);
        if ascii {
            let doubled: String = std::iter::repeat_n(symbol, 1 + usize::from(black)).collect();
            let column = column - i32::from(black);
            grid.write(column, row, &doubled, ink(mark.role));
            continue;
        }
        let key_ink = marks.ink(mark.key);
        let ground = if black {
            Ink::BlackKey(key_ink)
        } else {
            Ink::WhiteKey(key_ink)
        };
        grid.fill(column, row, Cell::new(symbol, Ink::KeySign, ground));
    }
}

/// What was marked, in words, level with the keys.
pub(in crate::engrave) fn write_labels(
    keyboard: &Keyboard,
    marks: &KeyboardMarks,
    left: i32,
    grid: &mut CellGrid,
) {
    let last = i32::from(keyboard.rows) - 1;
    let ascii = usize::from(keyboard.style == CellStyle::Ascii);
    let mut taken: Vec<(i32, &KeyMark)> = Vec::new();
    for mark in marks.marks.iter().filter(|m| !m.label.is_empty()) {
        let wanted = keyboard.sign_row(mark.key);
        let arrow = match (wanted < 0, wanted > last) {
            (true, _) => ["↑", "^"][ascii],
            (_, true) => ["↓", "v"][ascii],
            _ => "",
        };
        let wanted = wanted.clamp(0, last);
        // Two labels for one row: the second goes one row away, to the side its key lies on.
        let higher = taken.iter().any(|(_, other)| mark.key > other.key);
        let side = if higher { -1 } else { 1 };
        let row = [0, side, -side, 2 * side, -2 * side]
            .into_iter()
            .map(|off| wanted + off)
            .find(|row| (0..=last).contains(row) && taken.iter().all(|(t, _)| t != row));
        let Some(row) = row else { continue };
        taken.push((row, mark));
        let ink = ink(mark.role);
        grid.put(left, row, sign(mark.role, keyboard.style), ink);
        let mut words: String = mark.label.chars().take(usize::from(LABEL) - 2).collect();
        if !arrow.is_empty() {
            words = words.chars().take(usize::from(LABEL) - 4).collect();
            grid.write(left + 3 + words.chars().count() as i32, row, arrow, ink);
        }
        grid.write(left + 2, row, &words, Ink::Text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engrave::grid::{Heights, Scale, Size, Spare};
    use crate::engrave::keyboard::KeyMark;
    use crate::engrave::music::Role;
    use crate::theory::MidiNote;

    #[test]
    fn a_landmarks_name_never_stands_beside_another_keys_mark() {
        for (scale, shared) in [
            (Scale::FIVE, true),
            (Scale::SIX, true),
            (Scale::EIGHT, false),
        ] {
            let (back, front) = Keyboard::widths(scale.dots(), CellStyle::Braille);
            let keyboard = Keyboard {
                left: 1,
                back,
                front,
                rows: 200,
                heights: Heights::fit(scale, 30, 5.0, 53.0, 200, Spare::Both).unwrap(),
                style: CellStyle::Braille,
            };
            let mut left_out = 0;
            for key in (21..=108).map(MidiNote) {
                let mark = KeyMark {
                    key,
                    role: Role::Asked,
                    label: String::new(),
                };
                let marks = KeyboardMarks { marks: vec![mark] };
                let mut grid = CellGrid::new(Size {
                    columns: 40,
                    rows: 200,
                });
                paint(&keyboard, &marks, None, &mut grid);
                let row = keyboard.sign_row(key);
                let text: String = (0..40).filter_map(|at| grid.symbol(at, row)).collect();
                assert!(text.contains('▸'), "{scale:?} {key:?}: {text}");
                let named = text.contains(|sign: char| sign.is_ascii_alphanumeric());
                let is_c = key.pitch_class() == 0;
                assert!(is_c || !named, "{scale:?} {key:?}: {text}");
                let level = |height: i32| keyboard.heights.row(f64::from(height)) == row;
                left_out += usize::from(!is_c && (0..9).any(|octave| level(7 * octave)));
            }
            // Where keys are narrower than a row, some share one with a C.
            assert!(!shared || left_out > 0, "{scale:?}");
        }
    }
}
