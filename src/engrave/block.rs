//! One event of the music as marks about x = 0, the left edge of its main heads: heads, accidentals, ledger lines,
//! stems and flags. In: notes that sound together. Out: a [`Block`], whose width is known before it is placed.
//! Rules are common practice: of a second the lower head stands left; stems point to the middle line and reach it
//! from beyond one ledger line; accidentals are stacked from the outermost inward, as near to the heads as they can.

use std::cmp::Ordering;

use super::font::music_font;
use super::layout::{Placed, height, ink};
use super::list::{Ink, Mark, Part, Point, Rect, Shape};
use super::metrics::Glyph;
use super::music::{ACCIDENTAL_GAP, NoteMark, Role, Staves, accidental_glyph};
use super::phrase::{NoteValue, Sounding};
use crate::theory::{Clef, KeySignature, StaffStep, ledger_lines};

/// Clear space between two accidentals of a chord, and between a note and one given beside it (ours).
const STACK_GAP: f64 = 0.12;
const BESIDE_GAP: f64 = 0.3;
/// Advance of a sharp, a natural and a flat in a signature (ours).
const SHARP_ADVANCE: f64 = 1.0;
const NATURAL_ADVANCE: f64 = 0.75;
const FLAT_ADVANCE: f64 = 0.95;
/// Normal length of a stem. Source: SMuFL, stem registration.
const STEM: f64 = 3.5;

/// Marks about x = 0; y as on the staff.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Block {
    pub(super) marks: Vec<Mark>,
    pub(super) notes: Vec<Placed>,
}

impl Block {
    fn glyph(&mut self, part: Part, ink: Ink, glyph: Glyph, x: f64, y: f64) {
        let at = Point { x, y };
        self.marks.push(Mark {
            part,
            ink,
            shape: Shape::Glyph { glyph, at },
        });
    }

    fn line(&mut self, part: Part, ink: Ink, from: (f64, f64), to: (f64, f64), thickness: f64) {
        let [from, to] = [from, to].map(|(x, y)| Point { x, y });
        self.marks.push(Mark {
            part,
            ink,
            shape: Shape::Line {
                from,
                to,
                thickness,
            },
        });
    }

    /// Room left and right of x = 0.
    pub(super) fn sides(&self) -> (f64, f64) {
        let metrics = &music_font().metrics;
        let heads = self.notes.iter().map(|placed| placed.head);
        self.marks
            .iter()
            .map(|mark| mark.bounds(metrics))
            .chain(heads)
            .fold((0.0, 0.0), |(left, right), bounds| {
                (f64::max(left, -bounds.left), f64::max(right, bounds.right))
            })
    }

    /// The block moved by `x`.
    pub(super) fn moved(mut self, x: f64) -> Block {
        for mark in &mut self.marks {
            mark.shape = match mark.shape.clone() {
                Shape::Line {
                    from,
                    to,
                    thickness,
                } => Shape::Line {
                    from: from.right_by(x),
                    to: to.right_by(x),
                    thickness,
                },
                Shape::Glyph { glyph, at } => Shape::Glyph {
                    glyph,
                    at: at.right_by(x),
                },
                Shape::Stretched { glyph, to } => Shape::Stretched {
                    glyph,
                    to: to.at(Point { x, y: 0.0 }),
                },
            };
        }
        for placed in &mut self.notes {
            placed.head = placed.head.at(Point { x, y: 0.0 });
        }
        self
    }

    /// Whether heads or signs of the two share room.
    fn collides(&self, other: &Block) -> bool {
        let boxes = |block: &Block| -> Vec<Rect> {
            let signs = block.marks.iter().map(|m| m.bounds(&music_font().metrics));
            let heads = block.notes.iter().map(|placed| placed.head);
            signs.chain(heads).collect()
        };
        let others = boxes(other);
        boxes(self)
            .iter()
            .any(|a| others.iter().any(|b| a.overlaps(*b)))
    }

    fn add(&mut self, other: Block) {
        self.marks.extend(other.marks);
        self.notes.extend(other.notes);
    }
}

/// A note of a chord and whether its accidental is written.
type Written = (NoteMark, bool);

/// Notes that stand above each other; heights outside `visible` (y from, to) are placed but not drawn.
pub(super) fn notes(notes: &[Written], value: Option<NoteValue>, visible: (f64, f64)) -> Block {
    let mut block = Block::default();
    let main: Vec<Written> = notes
        .iter()
        .filter(|(note, _)| note.role != Role::Given)
        .copied()
        .collect();
    let given: Vec<Written> = notes
        .iter()
        .filter(|(note, _)| note.role == Role::Given)
        .copied()
        .collect();
    for clef in Clef::ALL {
        let mut chord: Vec<Written> = main
            .iter()
            .filter(|(n, _)| n.clef == clef)
            .copied()
            .collect();
        chord.sort_by_key(|(note, _)| (note.pitch.diatonic(), note.pitch.midi()));
        if chord.is_empty() {
            continue;
        }
        let chord = self::chord(&chord, value, visible);
        // Notes of two staves that would run into each other stand side by side.
        let right = if block.collides(&chord) {
            block.sides().1 + BESIDE_GAP + chord.sides().0
        } else {
            0.0
        };
        block.add(chord.moved(right));
    }
    for note in given {
        let beside = chord(&[note], None, visible);
        let right = if block.notes.is_empty() {
            0.0
        } else {
            block.sides().1 + BESIDE_GAP + beside.sides().0
        };
        block.add(beside.moved(right));
    }
    block
}

/// A point off its note's place in proportion to the cents, with that place's ledger lines.
pub(super) fn point(sounding: &Sounding, visible: (f64, f64)) -> Block {
    let metrics = &music_font().metrics;
    let mut block = Block::default();
    let y = sounding.height() / 2.0;
    if !(visible.0..=visible.1).contains(&y) {
        return block;
    }
    let width = metrics.width(Glyph::Diamond);
    let reach = metrics.defaults.ledger_line_extension;
    let step = StaffStep::of(sounding.pitch, sounding.clef);
    for line in 1..=ledger_lines(step) as i32 {
        let line = if step.0 < 0 { -2 * line } else { 8 + 2 * line };
        let y = height(sounding.clef, StaffStep(line));
        let (from, to) = ((-reach, y), (width + reach, y));
        let thickness = metrics.defaults.ledger_line_thickness;
        block.line(Part::LedgerLine, Ink::Sounding, from, to, thickness);
    }
    block.glyph(Part::Sounding, Ink::Sounding, Glyph::Diamond, 0.0, y);
    block
}

fn head_glyph(role: Role, value: Option<NoteValue>) -> Glyph {
    match (role, value) {
        (Role::Given, _) => Glyph::HeadX,
        (_, Some(NoteValue::Whole)) => Glyph::HeadWhole,
        (_, Some(NoteValue::Half)) => Glyph::HeadHalf,
        _ => Glyph::HeadBlack,
    }
}

fn y_of(note: &NoteMark) -> f64 {
    height(note.clef, StaffStep::of(note.pitch, note.clef))
}

/// The notes of one staff, from the lowest.
fn chord(notes: &[Written], value: Option<NoteValue>, visible: (f64, f64)) -> Block {
    let metrics = &music_font().metrics;
    let steps: Vec<i32> = notes
        .iter()
        .map(|(note, _)| StaffStep::of(note.pitch, note.clef).0)
        .collect();
    let stemmed = value.filter(|value| *value != NoteValue::Whole);
    let up = stem_up(&steps);
    let xs = head_places(&steps, value, stemmed.is_none() || up);
    let mut block = Block::default();
    for ((note, _), &x) in notes.iter().zip(&xs) {
        let glyph = head_glyph(note.role, value);
        let at = Point { x, y: y_of(note) };
        block.notes.push(Placed {
            note: *note,
            column: 0,
            head: metrics.bounds(glyph).at(at),
        });
    }
    let drawn = |placed: &Placed| {
        let y = y_of(&placed.note);
        (visible.0..=visible.1).contains(&y)
    };
    let shown: Vec<bool> = block.notes.iter().map(drawn).collect();
    ledgers(&mut block, &shown);
    accidentals(&mut block, notes, &shown);
    for (i, (note, _)) in notes.iter().enumerate() {
        if shown[i] {
            let glyph = head_glyph(note.role, value);
            block.glyph(Part::Head, ink(note.role), glyph, xs[i], y_of(note));
        }
    }
    if let Some(value) = stemmed
        && shown.contains(&true)
    {
        stem(&mut block, &steps, value, up);
    }
    block
}

/// The note farthest from the middle line decides; of two as far, the side on which most notes lie; on the middle line,
/// and in doubt, the stem points down. Source: common practice.
fn stem_up(steps: &[i32]) -> bool {
    let (low, high) = (steps[0], steps[steps.len() - 1]);
    let below = steps.iter().filter(|step| **step < 4).count();
    let above = steps.iter().filter(|step| **step > 4).count();
    match (4 - low).cmp(&(high - 4)) {
        Ordering::Greater => true,
        Ordering::Less => false,
        Ordering::Equal => below > above,
    }
}

/// The step at which the stem of a single note at `step` ends.
pub(super) fn stem_reach(step: StaffStep) -> f64 {
    let from = f64::from(step.0);
    if stem_up(&[step.0]) {
        (from + 2.0 * STEM).max(4.0)
    } else {
        (from - 2.0 * STEM).min(4.0)
    }
}

/// x of each head: of two on neighbouring places one stands on the other side of the stem.
fn head_places(steps: &[i32], value: Option<NoteValue>, up: bool) -> Vec<f64> {
    let metrics = &music_font().metrics;
    let width = metrics.width(head_glyph(Role::Plain, value)) - metrics.defaults.stem_thickness;
    let side = if up { width } else { -width };
    let mut order: Vec<usize> = (0..steps.len()).collect();
    if !up {
        order.reverse();
    }
    let mut places: Vec<Option<i32>> = vec![None; steps.len()];
    for this in order {
        let taken = |place: i32| {
            (0..steps.len())
                .any(|i| places[i] == Some(place) && (steps[i] - steps[this]).abs() <= 1)
        };
        places[this] = (0..).find(|&place| !taken(place));
    }
    places
        .into_iter()
        .map(|place| f64::from(place.unwrap_or(0)) * side)
        .collect()
}

fn ledgers(block: &mut Block, shown: &[bool]) {
    let defaults = &music_font().metrics.defaults;
    let reach = defaults.ledger_line_extension;
    let mut drawn: Vec<(i32, Rect, Ink, Clef)> = Vec::new();
    for (placed, _) in block.notes.iter().zip(shown).filter(|(_, shown)| **shown) {
        let clef = placed.note.clef;
        let step = StaffStep::of(placed.note.pitch, clef);
        for line in 1..=ledger_lines(step) as i32 {
            let line = if step.0 < 0 { -2 * line } else { 8 + 2 * line };
            match drawn.iter_mut().find(|(have, ..)| *have == line) {
                // One line for the heads on both sides of a stem.
                Some((_, head, ..)) => {
                    head.left = head.left.min(placed.head.left);
                    head.right = head.right.max(placed.head.right);
                }
                None => drawn.push((line, placed.head, ink(placed.note.role), clef)),
            }
        }
    }
    for (line, head, ink, clef) in drawn {
        let y = height(clef, StaffStep(line));
        let (from, to) = ((head.left - reach, y), (head.right + reach, y));
        let thickness = defaults.ledger_line_thickness;
        block.line(Part::LedgerLine, ink, from, to, thickness);
    }
}

/// Accidentals from the outermost notes inward, each as far right as heads, ledger lines and other accidentals allow.
fn accidentals(block: &mut Block, notes: &[Written], shown: &[bool]) {
    let metrics = &music_font().metrics;
    let signed: Vec<usize> = (0..notes.len())
        .filter(|&i| notes[i].1 && shown[i])
        .collect();
    let mut order = Vec::new();
    let (mut low, mut high) = (0, signed.len());
    while low < high {
        high -= 1;
        order.push(signed[high]);
        if low < high {
            order.push(signed[low]);
            low += 1;
        }
    }
    let obstacles: Vec<Rect> = block
        .marks
        .iter()
        .map(|mark| mark.bounds(metrics))
        .chain(block.notes.iter().map(|placed| placed.head))
        .collect();
    let mut stacked: Vec<Rect> = Vec::new();
    for i in order {
        let note = &notes[i].0;
        let glyph = accidental_glyph(note.pitch.alteration);
        let y = y_of(note);
        let bounds = metrics.bounds(glyph);
        let mut x = block.notes[i].head.left - ACCIDENTAL_GAP - bounds.right;
        loop {
            let here = bounds.at(Point { x, y });
            let wide = |gap: f64| Rect {
                right: here.right + gap,
                left: here.left - gap,
                ..here
            };
            let hit = obstacles
                .iter()
                .find(|o| wide(ACCIDENTAL_GAP - 1e-9).overlaps(**o))
                .map(|o| o.left - ACCIDENTAL_GAP)
                .or_else(|| {
                    let mut others = stacked.iter();
                    others
                        .find(|o| wide(STACK_GAP - 1e-9).overlaps(**o))
                        .map(|o| o.left - STACK_GAP)
                });
            match hit {
                Some(edge) => x = edge - bounds.right,
                None => {
                    stacked.push(here);
                    break;
                }
            }
        }
        block.glyph(Part::Accidental, ink(note.role), glyph, x, y);
    }
}

fn stem(block: &mut Block, steps: &[i32], value: NoteValue, up: bool) {
    let metrics = &music_font().metrics;
    let thickness = metrics.defaults.stem_thickness;
    let head = metrics.glyph(head_glyph(Role::Plain, Some(value)));
    let (name, near, far) = if up {
        ("stemUpSE", 0, steps.len() - 1)
    } else {
        ("stemDownNW", steps.len() - 1, 0)
    };
    let Some(anchor) = head.anchors.get(name) else {
        return;
    };
    let [near, far] = [near, far].map(|i| block.notes[i].note);
    let middle = height(near.clef, StaffStep(4));
    let begin = y_of(&near) + anchor.y;
    let (x, flag, end) = if up {
        let reach = (y_of(&far) + STEM).max(middle);
        (anchor.x - thickness / 2.0, 1.0, reach)
    } else {
        let reach = (y_of(&far) - STEM).min(middle);
        (anchor.x + thickness / 2.0, -1.0, reach)
    };
    let ink = ink(near.role);
    let glyph = match (value, flag > 0.0) {
        (NoteValue::Eighth, true) => Some((Glyph::Flag8Up, "stemUpNW")),
        (NoteValue::Eighth, false) => Some((Glyph::Flag8Down, "stemDownSW")),
        (NoteValue::Sixteenth, true) => Some((Glyph::Flag16Up, "stemUpNW")),
        (NoteValue::Sixteenth, false) => Some((Glyph::Flag16Down, "stemDownSW")),
        _ => None,
    };
    let mut tip = end;
    if let Some((glyph, anchor)) = glyph {
        // The anchor says how much longer the stem must be to meet its flag.
        let meets = metrics.glyph(glyph).anchors.get(anchor);
        tip += meets.map_or(0.0, |point| point.y);
        block.glyph(Part::Flag, ink, glyph, x - thickness / 2.0, end);
    }
    let (bottom, top) = if up { (begin, tip) } else { (tip, begin) };
    block.line(Part::Stem, ink, (x, bottom), (x, top), thickness);
}

/// The signs of `new` on the staves of `clefs`, after naturals for what `old` had and `new` has not.
pub(super) fn signature(old: KeySignature, new: KeySignature, clefs: &[Clef]) -> Block {
    let mut block = Block::default();
    let (glyph, advance) = if new.fifths() > 0 {
        (Glyph::Sharp, SHARP_ADVANCE)
    } else {
        (Glyph::Flat, FLAT_ADVANCE)
    };
    for &clef in clefs {
        let mut x = 0.0;
        for (letter, step) in old.letters().into_iter().zip(old.steps(clef)) {
            if new.alteration(letter) != old.alteration(letter) {
                let y = height(clef, step);
                block.glyph(Part::KeySignature, Ink::Note, Glyph::Natural, x, y);
                x += NATURAL_ADVANCE;
            }
        }
        if x > 0.0 {
            x += NATURAL_ADVANCE / 3.0;
        }
        for step in new.steps(clef) {
            let y = height(clef, step);
            block.glyph(Part::KeySignature, Ink::Note, glyph, x, y);
            x += advance;
        }
    }
    block
}

/// A bar line through the staves.
pub(super) fn bar(staves: Staves, clefs: &[Clef]) -> Block {
    let mut block = Block::default();
    let thickness = music_font().metrics.defaults.thin_barline_thickness;
    let ends: Vec<(f64, f64)> = clefs
        .iter()
        .map(|&clef| (height(clef, StaffStep(0)), height(clef, StaffStep(8))))
        .collect();
    let joined = match (staves, ends.as_slice()) {
        (Staves::Grand, [upper, lower]) => vec![(lower.0, upper.1)],
        (_, ends) => ends.to_vec(),
    };
    for (bottom, top) in joined {
        let (from, to) = ((0.0, bottom), (0.0, top));
        block.line(Part::BarLine, Ink::Staff, from, to, thickness);
    }
    block
}
