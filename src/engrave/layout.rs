//! Layout as ordered passes: staff lines, bar line and brace, clefs, signature; then every event becomes a block, the
//! blocks are spaced, and placed. In: a [`Phrase`] and the [`Frame`] it is set in. Out: a [`DisplayList`] in staff
//! spaces and where each note came to stand. Weights and boxes are the font's; horizontal gaps are ours.

use super::block::{self, Block};
use super::font::music_font;
use super::list::{DisplayList, Ink, Mark, Part, Point, Rect, Shape};
use super::metrics::Glyph;
use super::music::{NoteMark, Role, StageRange, Staves, clef_glyph, clef_step};
use super::phrase::{Event, Phrase};
use crate::theory::{Clef, KeySignature, StaffStep};

/// From the opening bar line to the clef.
const CLEF_GAP: f64 = 0.4;
/// From the bar line to where the signature or the first column begins: the widest clef with its gaps.
const HEADER: f64 = 3.9;
/// Clear space behind a signature.
const SIGNATURE_GAP: f64 = 0.5;
/// Least clear space between two columns.
const COLUMN_GAP: f64 = 0.3;
/// Clear space between the last column and the end of the staff.
const END_GAP: f64 = 0.35;
/// Width of a brace with its gap.
pub(super) const BRACE: f64 = 1.0;
const BRACE_GAP: f64 = 0.2;
/// Widest way from a column's left edge to its head, where there is room.
const WIDEST_LEAD: f64 = 2.2;
/// Staff spaces a staff takes where there is room: one note asked for and one given stand well apart.
const EASY_WIDTH: f64 = 12.75;

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
    /// Heads between these heights are drawn.
    pub(super) visible: (f64, f64),
}

/// Where a note came to stand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Placed {
    pub(super) note: NoteMark,
    /// Its event.
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
    fn mark(&mut self, part: Part, ink: Ink, shape: Shape) {
        self.list.marks.push(Mark { part, ink, shape });
    }

    fn add(&mut self, block: Block) {
        self.list.marks.extend(block.marks);
        self.notes.extend(block.notes);
    }
}

/// y of `step` on the staff of `clef`.
pub(super) fn height(clef: Clef, step: StaffStep) -> f64 {
    f64::from(clef.bottom_line().diatonic() + step.0) / 2.0
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

/// Width of a signature with the gap behind it.
fn signature_width(key: KeySignature) -> f64 {
    if key == KeySignature::NONE {
        return 0.0;
    }
    block::signature(KeySignature::NONE, key, &[Clef::Treble])
        .sides()
        .1
        + SIGNATURE_GAP
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

/// The width a stage takes where there is room.
pub(super) fn easy_width(range: &StageRange) -> f64 {
    (EASY_WIDTH + signature_width(range.signature())).max(usual_width(range))
}

/// The least width that holds `phrase`.
pub(super) fn least_width(phrase: &Phrase) -> f64 {
    let all = (f64::MIN, f64::MAX);
    let columns: f64 = blocks(phrase, &phrase.staves.clefs(), all)
        .iter()
        .map(|block| block.sides())
        .map(|(left, right)| left + right + COLUMN_GAP)
        .sum();
    HEADER + signature_width(phrase.key) + columns + END_GAP
}

/// Sets `phrase` in `frame`.
pub(super) fn lay_out(phrase: &Phrase, frame: &Frame) -> Layout {
    let mut layout = Layout::default();
    staff_lines(&mut layout, frame);
    bar_and_brace(&mut layout, phrase.staves, frame);
    let whole: Vec<Clef> = frame
        .staves
        .iter()
        .filter(|(_, presence)| *presence == Presence::Whole)
        .map(|(clef, _)| *clef)
        .collect();
    clefs(&mut layout, &whole);
    layout.add(block::signature(KeySignature::NONE, phrase.key, &whole).moved(HEADER));
    let blocks = blocks(phrase, &whole, frame.visible);
    let places = space(phrase, &blocks, frame);
    for (column, (mut block, x)) in blocks.into_iter().zip(places).enumerate() {
        for placed in &mut block.notes {
            placed.column = column;
        }
        layout.add(block.moved(x));
    }
    layout
}

/// The display list of `phrase` on whole staves `width` staff spaces long, or as long as it needs.
pub fn display_list(phrase: &Phrase, width: f64) -> DisplayList {
    let clefs = phrase.staves.clefs();
    let frame = Frame {
        width: width.max(least_width(phrase)),
        staves: clefs.into_iter().map(|c| (c, Presence::Whole)).collect(),
        columns: 1,
        visible: (f64::MIN, f64::MAX),
    };
    lay_out(phrase, &frame).list
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
            let shape = Shape::Line {
                from: Point { x: 0.0, y },
                to: Point { x: length, y },
                thickness,
            };
            layout.mark(Part::StaffLine, Ink::Staff, shape);
        }
    }
}

fn bar_and_brace(layout: &mut Layout, staves: Staves, frame: &Frame) {
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
    let shape = Shape::Line {
        from: Point { x: 0.0, y: bottom },
        to: Point { x: 0.0, y: top },
        thickness: music_font().metrics.defaults.thin_barline_thickness,
    };
    layout.mark(Part::BarLine, Ink::Staff, shape);
    if staves == Staves::Grand && ends.len() > 2 {
        let to = Rect {
            left: -BRACE,
            bottom,
            right: -BRACE_GAP,
            top,
        };
        let glyph = Glyph::Brace;
        layout.mark(Part::Brace, Ink::Note, Shape::Stretched { glyph, to });
    }
}

fn clefs(layout: &mut Layout, clefs: &[Clef]) {
    for &clef in clefs {
        let at = Point {
            x: CLEF_GAP,
            y: height(clef, clef_step(clef)),
        };
        let glyph = clef_glyph(clef);
        layout.mark(Part::Clef, Ink::Note, Shape::Glyph { glyph, at });
    }
}

/// Every event as a block of its own.
fn blocks(phrase: &Phrase, clefs: &[Clef], visible: (f64, f64)) -> Vec<Block> {
    let mut key = phrase.key;
    phrase
        .events
        .iter()
        .zip(phrase.accidentals())
        .map(|(event, signs)| match event {
            Event::Notes { notes, value } => {
                let written: Vec<_> = notes.iter().copied().zip(signs).collect();
                block::notes(&written, *value, visible)
            }
            Event::Key(new) => block::signature(std::mem::replace(&mut key, *new), *new, clefs),
            Event::Bar => block::bar(phrase.staves, clefs),
            Event::Sounding(sounding) => block::point(sounding, visible),
        })
        .collect()
}

/// x of each block: an even grid, pushed apart where blocks need more, first from the left, then back from the end.
fn space(phrase: &Phrase, blocks: &[Block], frame: &Frame) -> Vec<f64> {
    let head = music_font().metrics.width(Glyph::HeadBlack);
    let begin = HEADER + signature_width(phrase.key);
    let end = frame.width - END_GAP;
    let slots = frame.columns.max(blocks.len()).max(1) as f64;
    let slot = (end - begin) / slots;
    let lead = (slot - head - COLUMN_GAP).clamp(0.0, WIDEST_LEAD);
    let sides: Vec<(f64, f64)> = blocks.iter().map(Block::sides).collect();
    let mut places = Vec::with_capacity(blocks.len());
    let mut edge = begin;
    for (column, (left, right)) in sides.iter().enumerate() {
        let place = (begin + column as f64 * slot + lead).max(edge + left);
        edge = place + right + COLUMN_GAP;
        places.push(place);
    }
    let mut edge = end;
    for (place, (left, right)) in places.iter_mut().zip(&sides).rev() {
        *place = place.min(edge - right);
        edge = *place - left - COLUMN_GAP;
    }
    places
}
