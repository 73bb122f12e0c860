//! Layout as ordered passes: staves, clefs, signature, columns, accidentals, heads, ledger lines.
//! In: [`Music`] and the [`Frame`] it is set in. Out: a [`DisplayList`] in staff spaces and where each note came to stand.
//! Weights and boxes are the font's; horizontal gaps are ours and named below.

use super::font::music_font;
use super::list::{DisplayList, Ink, Mark, Part, Point, Rect, Shape};
use super::metrics::Glyph;
use super::music::{
    Music, NoteMark, Role, StageRange, Staves, accidental_glyph, accidental_room, clef_glyph,
    clef_step,
};
use crate::theory::{Clef, KeySignature, StaffStep, ledger_lines};

/// From the opening bar line to the clef.
const CLEF_GAP: f64 = 0.4;
/// From the bar line to where the signature or the first column begins: the widest clef with its gaps.
const HEADER: f64 = 3.9;
/// Advance of a sharp and of a flat in a signature.
const SHARP_ADVANCE: f64 = 1.0;
const FLAT_ADVANCE: f64 = 0.95;
/// Clear space behind a signature.
const SIGNATURE_GAP: f64 = 0.5;
/// Least clear space between a head and what stands right of it.
const COLUMN_GAP: f64 = 0.3;
/// Clear space between the last head and the end of the staff.
const END_GAP: f64 = 0.35;
/// Width of a brace; it stands left of the bar line by the same gap as the clef's.
pub(super) const BRACE: f64 = 1.0;
/// Widest way from a column's left edge to its head, where there is room.
const WIDEST_LEAD: f64 = 2.2;

/// How much of a staff is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Presence {
    /// All of it.
    Whole,
    /// Only its lines, this long, from the bar line: the other staff, partly out of the picture.
    Stub(f64),
    /// Nothing: a note's ledger lines take its place.
    Absent,
}

/// What a system is set in.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Frame {
    /// From the bar line to the end of the staff lines.
    pub(super) width: f64,
    /// The staves from the top, and how much of each is drawn.
    pub(super) staves: Vec<(Clef, Presence)>,
    /// Columns that must have room, whether or not they are there.
    pub(super) columns: usize,
}

/// Where a note came to stand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Placed {
    pub(super) note: NoteMark,
    /// Its column.
    pub(super) column: usize,
    /// The head's box.
    pub(super) head: Rect,
}

/// Marks, and where the notes stand.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Layout {
    pub(super) list: DisplayList,
    pub(super) notes: Vec<Placed>,
}

impl Layout {
    fn glyph(&mut self, part: Part, ink: Ink, glyph: Glyph, at: Point) {
        self.list.marks.push(Mark {
            part,
            ink,
            shape: Shape::Glyph { glyph, at },
        });
    }

    fn line(&mut self, part: Part, ink: Ink, from: Point, to: Point, thickness: f64) {
        self.list.marks.push(Mark {
            part,
            ink,
            shape: Shape::Line {
                from,
                to,
                thickness,
            },
        });
    }
}

/// y of `step` on the staff of `clef`.
pub(super) fn height(clef: Clef, step: StaffStep) -> f64 {
    f64::from(clef.bottom_line().diatonic() + step.0) / 2.0
}

/// Width of a signature with the gap behind it.
fn signature_width(key: KeySignature) -> f64 {
    let signs = f64::from(key.fifths().unsigned_abs());
    match key.fifths() {
        0 => 0.0,
        1.. => signs * SHARP_ADVANCE + SIGNATURE_GAP,
        _ => signs * FLAT_ADVANCE + SIGNATURE_GAP,
    }
}

fn head_glyph(role: Role) -> Glyph {
    match role {
        Role::Given => Glyph::HeadX,
        _ => Glyph::HeadBlack,
    }
}

/// The ink of a note's marks.
pub(super) fn ink(role: Role) -> Ink {
    match role {
        Role::Plain | Role::Now => Ink::Note,
        Role::Asked => Ink::Asked,
        Role::Given => Ink::Given,
        Role::Right => Ink::Right,
        Role::Later => Ink::Dim,
    }
}

/// The width, bar line to end, that holds music of `range` with accidentals on half its columns.
pub(super) fn usual_width(range: &StageRange) -> f64 {
    let head = music_font().metrics.width(Glyph::HeadBlack);
    let columns = range.columns() as f64;
    HEADER
        + signature_width(range.signature())
        + columns * (head + COLUMN_GAP)
        + (columns / 2.0).ceil() * range.accidental_room()
        + END_GAP
}

/// The least width that holds `music`.
pub(super) fn least_width(music: &Music) -> f64 {
    let columns: f64 = (0..music.columns.len())
        .map(|column| sides(music, column))
        .map(|(left, right)| left + right + COLUMN_GAP)
        .sum();
    HEADER + signature_width(music.key) + columns + END_GAP
}

/// Sets `music` in `frame`.
pub(super) fn lay_out(music: &Music, frame: &Frame) -> Layout {
    let mut layout = Layout::default();
    staff_lines(&mut layout, frame);
    bar_and_brace(&mut layout, music, frame);
    clefs(&mut layout, frame);
    signatures(&mut layout, music.key, frame);
    let places = columns(music, frame);
    place_notes(&mut layout, music, &places);
    ledgers(&mut layout);
    accidentals(&mut layout, music);
    heads(&mut layout);
    layout
}

fn staff_lines(layout: &mut Layout, frame: &Frame) {
    let thickness = music_font().metrics.defaults.staff_line_thickness;
    for &(clef, presence) in &frame.staves {
        let length = match presence {
            Presence::Whole => frame.width,
            Presence::Stub(length) => length,
            Presence::Absent => continue,
        };
        for line in 0..5 {
            let y = height(clef, StaffStep(2 * line));
            layout.line(
                Part::StaffLine,
                Ink::Staff,
                Point { x: 0.0, y },
                Point { x: length, y },
                thickness,
            );
        }
    }
}

fn bar_and_brace(layout: &mut Layout, music: &Music, frame: &Frame) {
    let drawn = frame
        .staves
        .iter()
        .filter(|(_, presence)| *presence != Presence::Absent);
    let ends: Vec<f64> = drawn
        .flat_map(|&(clef, _)| [height(clef, StaffStep(0)), height(clef, StaffStep(8))])
        .collect();
    let (Some(bottom), Some(top)) = (
        ends.iter().copied().reduce(f64::min),
        ends.iter().copied().reduce(f64::max),
    ) else {
        return;
    };
    layout.line(
        Part::BarLine,
        Ink::Staff,
        Point { x: 0.0, y: bottom },
        Point { x: 0.0, y: top },
        music_font().metrics.defaults.thin_barline_thickness,
    );
    if music.staves == Staves::Grand && ends.len() > 2 {
        layout.list.marks.push(Mark {
            part: Part::Brace,
            ink: Ink::Note,
            shape: Shape::Stretched {
                glyph: Glyph::Brace,
                to: Rect {
                    left: -BRACE,
                    bottom,
                    right: -0.15,
                    top,
                },
            },
        });
    }
}

fn clefs(layout: &mut Layout, frame: &Frame) {
    for &(clef, presence) in &frame.staves {
        if presence == Presence::Whole {
            let at = Point {
                x: CLEF_GAP,
                y: height(clef, clef_step(clef)),
            };
            layout.glyph(Part::Clef, Ink::Note, clef_glyph(clef), at);
        }
    }
}

fn signatures(layout: &mut Layout, key: KeySignature, frame: &Frame) {
    let (glyph, advance) = if key.fifths() > 0 {
        (Glyph::Sharp, SHARP_ADVANCE)
    } else {
        (Glyph::Flat, FLAT_ADVANCE)
    };
    for &(clef, presence) in &frame.staves {
        if presence != Presence::Whole {
            continue;
        }
        for (place, step) in key.steps(clef).into_iter().enumerate() {
            let at = Point {
                x: HEADER + place as f64 * advance,
                y: height(clef, step),
            };
            layout.glyph(Part::KeySignature, Ink::Note, glyph, at);
        }
    }
}

/// Room a column takes left and right of its heads' common left edge.
fn sides(music: &Music, column: usize) -> (f64, f64) {
    let metrics = &music_font().metrics;
    let head = metrics.width(Glyph::HeadBlack);
    let ledger = metrics.defaults.ledger_line_extension;
    let notes = &music.columns[column].notes;
    let main = notes.iter().filter(|n| !beside(notes, n));
    let left = main.map(|n| needs(music, n)).fold(0.0, f64::max);
    let out = notes
        .iter()
        .any(|n| ledger_lines(StaffStep::of(n.pitch, n.clef)) > 0);
    let right = notes
        .iter()
        .filter(|n| beside(notes, n))
        .map(|n| COLUMN_GAP + needs(music, n) + head)
        .fold(head, |sum, room| sum + room);
    (
        left.max(if out { ledger } else { 0.0 }),
        right + if out { ledger } else { 0.0 },
    )
}

/// Room for the note's accidental, if it needs one.
fn needs(music: &Music, note: &NoteMark) -> f64 {
    if music.key.needs_accidental(note.pitch.spelling()) {
        accidental_room(note.pitch, note.clef)
    } else {
        0.0
    }
}

/// A given note that shares its column stands beside the others.
fn beside(notes: &[NoteMark], note: &NoteMark) -> bool {
    note.role == Role::Given && notes.iter().any(|n| n.role != Role::Given)
}

/// x of each column's heads: an even grid, pushed apart where accidentals need it.
fn columns(music: &Music, frame: &Frame) -> Vec<f64> {
    let head = music_font().metrics.width(Glyph::HeadBlack);
    let begin = HEADER + signature_width(music.key);
    let end = frame.width - END_GAP;
    let slots = frame.columns.max(music.columns.len()).max(1) as f64;
    let slot = (end - begin) / slots;
    let lead = (slot - head - COLUMN_GAP).clamp(0.0, WIDEST_LEAD);
    let rooms: Vec<(f64, f64)> = (0..music.columns.len())
        .map(|column| sides(music, column))
        .collect();
    let mut places: Vec<f64> = (0..music.columns.len())
        .map(|column| begin + column as f64 * slot + lead)
        .collect();
    let mut edge = begin;
    for (place, (left, right)) in places.iter_mut().zip(&rooms) {
        *place = place.max(edge + left);
        edge = *place + right + COLUMN_GAP;
    }
    let mut edge = end;
    for (place, (left, right)) in places.iter_mut().zip(&rooms).rev() {
        *place = place.min(edge - right);
        edge = *place - left - COLUMN_GAP;
    }
    places
}

/// Where each head stands; nothing is drawn yet.
fn place_notes(layout: &mut Layout, music: &Music, heads: &[f64]) {
    let metrics = &music_font().metrics;
    let width = metrics.width(Glyph::HeadBlack);
    for (column, (&x, content)) in heads.iter().zip(&music.columns).enumerate() {
        let mut right = x + width + COLUMN_GAP;
        for note in &content.notes {
            let mut x = x;
            if beside(&content.notes, note) {
                x = right + needs(music, note);
                right = x + width + COLUMN_GAP;
            }
            let y = height(note.clef, StaffStep::of(note.pitch, note.clef));
            layout.notes.push(Placed {
                note: *note,
                column,
                head: metrics.bounds(head_glyph(note.role)).at(Point { x, y }),
            });
        }
    }
}

/// Ledger lines, under the heads that stand on them.
fn ledgers(layout: &mut Layout) {
    let defaults = &music_font().metrics.defaults;
    let reach = defaults.ledger_line_extension;
    for placed in layout.notes.clone() {
        let clef = placed.note.clef;
        let step = StaffStep::of(placed.note.pitch, clef);
        for line in 1..=ledger_lines(step) as i32 {
            let line = if step.0 < 0 { -2 * line } else { 8 + 2 * line };
            let y = height(clef, StaffStep(line));
            let from = Point {
                x: placed.head.left - reach,
                y,
            };
            let to = Point {
                x: placed.head.right + reach,
                y,
            };
            let ink = ink(placed.note.role);
            let thickness = defaults.ledger_line_thickness;
            layout.line(Part::LedgerLine, ink, from, to, thickness);
        }
    }
}

fn accidentals(layout: &mut Layout, music: &Music) {
    for placed in layout.notes.clone() {
        let note = placed.note;
        if music.key.needs_accidental(note.pitch.spelling()) {
            let at = Point {
                x: placed.head.left - accidental_room(note.pitch, note.clef),
                y: height(note.clef, StaffStep::of(note.pitch, note.clef)),
            };
            let glyph = accidental_glyph(note.pitch.alteration);
            layout.glyph(Part::Accidental, ink(note.role), glyph, at);
        }
    }
}

fn heads(layout: &mut Layout) {
    for placed in layout.notes.clone() {
        let at = Point {
            x: placed.head.left,
            y: height(
                placed.note.clef,
                StaffStep::of(placed.note.pitch, placed.note.clef),
            ),
        };
        let glyph = head_glyph(placed.note.role);
        layout.glyph(Part::Head, ink(placed.note.role), glyph, at);
    }
}
