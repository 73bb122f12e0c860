//! The upright keyboard in pixels, with the signs of marked keys and the leaders that join notes to keys.
//! In: the keyboard's place and marks. Out: pixels of a [`Pixels`].

use super::pixels::{Pixels, Sheet};
use crate::engrave::font::Outline;
use crate::engrave::keyboard::{Keyboard, KeyboardMarks, white_key};
use crate::engrave::list::{Ink, Point};
use crate::engrave::music::Role;
use crate::engrave::screen::Leader;
use crate::theory::{Letter, MidiNote};

/// Width of a black key in widths of a white one: about 13.7 mm to 23.5 mm.
const BLACK: f64 = 0.58;

/// How far a black key's middle lies from the edge between its white keys, in their widths: the outer ones of two and
/// of three lean outward, as on a piano.
fn lean(below: Letter) -> f64 {
    match below {
        Letter::C => -0.1,
        Letter::D => 0.1,
        Letter::F => -0.14,
        Letter::A => 0.14,
        _ => 0.0,
    }
}

/// The white key at `height` and the black one above it, if there is one.
fn black_above(height: i32) -> Option<MidiNote> {
    let letter = Letter::from_index(height);
    let key = MidiNote(white_key(height).0 + 1);
    (!matches!(letter, Letter::E | Letter::B) && key.on_piano()).then_some(key)
}

pub(in crate::engrave) fn paint(
    keyboard: &Keyboard,
    marks: &KeyboardMarks,
    sheet: &Sheet<'_>,
    into: &mut Pixels,
) {
    let x = |column: u16| ((f64::from(column) - sheet.left) * sheet.cell.0).round() as i32;
    let (left, middle) = (x(keyboard.left), x(keyboard.left + keyboard.back));
    let right = x(keyboard.left + keyboard.width());
    let y = |height: f64| sheet.y_of(height).round() as i32;
    let weight = (sheet.space() / 24.0).round().max(1.0) as i32;
    let rows = f64::from(keyboard.rows) * 4.0;
    let low = keyboard.heights.height(rows).floor() as i32 - 1;
    let high = keyboard.heights.height(0.0).ceil() as i32 + 1;
    let whites: Vec<i32> = (low..=high)
        .filter(|height| white_key(*height).on_piano())
        .collect();
    for &height in &whites {
        let (top, bottom) = (y(f64::from(height) + 0.5), y(f64::from(height) - 0.5));
        let ink = Ink::WhiteKey(marks.ink(white_key(height)));
        into.fill(left..right, top..bottom, ink);
        into.fill(left..right, bottom - weight..bottom, Ink::KeyEdge);
    }
    into.fill(right..right + weight, 0..into.height as i32, Ink::Clear);
    for &height in &whites {
        let Some(key) = black_above(height) else {
            continue;
        };
        let middle_height = f64::from(height) + 0.5 + lean(Letter::from_index(height));
        let (top, bottom) = (
            y(middle_height + BLACK / 2.0),
            y(middle_height - BLACK / 2.0),
        );
        into.fill(left..middle, top..bottom, Ink::BlackKey(marks.ink(key)));
    }
    // Where the keyboard begins, against a ground as light or as dark as its keys.
    for (column, width) in [(left, weight), (right - weight, weight)] {
        let (top, bottom) = match (whites.last(), whites.first()) {
            (Some(high), Some(low)) => (y(f64::from(*high) + 0.5), y(f64::from(*low) - 0.5)),
            _ => continue,
        };
        into.fill(column..column + width, top..bottom, Ink::KeyEdge);
    }
    for mark in &marks.marks {
        sign(keyboard, mark.key, mark.role, sheet, into);
    }
}

/// The sign of a marked key, in the middle of its back or of its front.
fn sign(keyboard: &Keyboard, key: MidiNote, role: Role, sheet: &Sheet<'_>, into: &mut Pixels) {
    let below = key.spelled_with_sharps().diatonic();
    let (column, height, size) = if key.is_black() {
        let height = f64::from(below) + 0.5 + lean(Letter::from_index(below));
        (f64::from(keyboard.back) / 2.0, height, 0.42)
    } else {
        let front = f64::from(keyboard.front) * 0.35;
        (f64::from(keyboard.back) + front, f64::from(below), 0.6)
    };
    // Half a staff space is a key's width.
    let size = size * sheet.space() / 2.0;
    let x = (f64::from(keyboard.left) - sheet.left + column) * sheet.cell.0;
    let y = sheet.y_of(height);
    let stroke = 0.16;
    let slanted = |(x0, y0): (f64, f64), (x1, y1): (f64, f64)| {
        vec![
            (x0 - stroke, y0),
            (x0 + stroke, y0),
            (x1 + stroke, y1),
            (x1 - stroke, y1),
        ]
    };
    let shapes: Vec<Vec<(f64, f64)>> = match role {
        Role::Given => vec![
            slanted((-0.5, -0.5), (0.5, 0.5)),
            slanted((-0.5, 0.5), (0.5, -0.5)),
        ],
        Role::Right => vec![
            slanted((-0.1, -0.5), (-0.5, 0.0)),
            slanted((-0.1, -0.5), (0.5, 0.5)),
        ],
        Role::Asked | Role::Now => vec![vec![(-0.4, -0.5), (0.5, 0.0), (-0.4, 0.5)]],
        Role::Plain | Role::Later => return,
    };
    let outline = Outline {
        segments: Vec::new(),
        polygons: shapes
            .into_iter()
            .map(|shape| shape.into_iter().map(|(x, y)| Point { x, y }).collect())
            .collect(),
    };
    into.solid(&outline, size, (x, y), Ink::KeySign);
}

/// From a marked note along its line or space to the keyboard, then up or down to its key.
pub(in crate::engrave) fn leaders(
    leaders: &[Leader],
    keyboard: &Keyboard,
    sheet: &Sheet<'_>,
    into: &mut Pixels,
) {
    let weight = (sheet.space() / 14.0).round().max(1.0) as i32;
    let end = ((f64::from(keyboard.left) - sheet.left) * sheet.cell.0).round() as i32;
    for leader in leaders {
        let from = sheet.x(leader.from).round() as i32;
        let y = |height: f64| sheet.y_of(height).round() as i32 - weight / 2;
        let below = leader.key.spelled_with_sharps().diatonic();
        let to = if leader.key.is_black() {
            y(f64::from(below) + 0.5 + lean(Letter::from_index(below)))
        } else {
            y(f64::from(below))
        };
        let at = y(leader.height);
        let turn = end - (sheet.cell.0 / 2.0).round() as i32;
        // Dots: a whole line would be taken for a staff line.
        let mut x = from;
        while x < turn {
            into.fill(x..(x + 2 * weight).min(turn), at..at + weight, leader.ink);
            x += 4 * weight;
        }
        into.fill(
            turn..turn + weight,
            at.min(to)..at.max(to) + weight,
            leader.ink,
        );
        into.fill(turn..end, to..to + weight, leader.ink);
    }
}
