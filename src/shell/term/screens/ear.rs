//! What is only heard, on the practice screen: a staff to choose notes on, answers to choose from.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::practice::{block_of, staves};
use super::{block, strong};
use crate::drill::Miss;
use crate::engrave::{
    Column, KeyMark, KeyboardMarks, Music, NoteMark, Phrase, Role, Sounding, StageRange,
};
use crate::shell::desk::DeskError;
use crate::shell::term::pixels::Request;
use crate::shell::term::run::Practice;
use crate::shell::words::screens as words;
use crate::study::{Item, StageKind, Task};
use crate::theory::{
    Alteration, Hz, MidiNote, Mode, Pitch, Reference, StaffStep, Temperament, home,
};

/// Steps beyond the staff and its stage's notes that the arrows reach.
const BEYOND: i32 = 2;

/// The staff of a heard note: what is given to begin with, what was found so far, the note being chosen, and a miss.
pub(super) fn request(state: &Practice, item: Item, miss: Option<Miss>) -> Request {
    let stage = state.desk.stage();
    let wording = state.desk.wording();
    let staves = staves(stage, item);
    let mark = |pitch: Pitch, role| NoteMark {
        pitch,
        clef: item.clef,
        role,
    };
    let mut columns: Vec<Column> = shown(state, item)
        .into_iter()
        .map(|pitch| Column {
            notes: vec![mark(pitch, Role::Plain)],
        })
        .collect();
    let mut last = Vec::new();
    if let Some(miss) = miss {
        last.push(mark(miss.asked(), Role::Asked));
        last.push(mark(miss.drawn, Role::Given));
    } else if let Some(pitch) = state.placed() {
        last.push(mark(pitch, Role::Plain));
    }
    for note in last {
        columns.push(Column { notes: vec![note] });
    }
    let notes = block_of(stage, item)
        .into_iter()
        .flat_map(|block| &block.items);
    let placed = columns.iter().flat_map(|column| &column.notes);
    let range = StageRange::of(
        staves,
        notes
            .map(|note| (note.pitch, note.clef, note.key))
            .chain(placed.map(|note| (note.pitch, note.clef, item.key))),
    );
    let key_mark = |pitch: Pitch, role, word: &str| KeyMark {
        key: pitch.midi(),
        role,
        label: format!("{} {word}", wording.pitch(pitch, item.key)),
    };
    let marks = miss.map_or_else(Vec::new, |miss| {
        vec![
            key_mark(miss.asked(), Role::Asked, words::ASKED),
            key_mark(miss.drawn, Role::Given, words::GIVEN),
        ]
    });
    let music = Music {
        staves,
        key: item.key,
        columns,
    };
    Request {
        phrase: Phrase::from(&music),
        range,
        keyboard: state.keyboard_shown().then_some(KeyboardMarks { marks }),
    }
}

/// A sung pitch as a point on the staff of `item`, in the octave nearest to its note; in steps of five cents, so that the
/// picture stands still with the voice.
pub(super) fn sounding(hz: Hz, item: Item) -> Sounding {
    let (key, cents) = Temperament::equal().nearest(hz, Reference::default());
    let near = item.target().unwrap_or(item.pitch).midi();
    let octaves = (near.0 - key.0 + 6).div_euclid(12);
    Sounding {
        pitch: MidiNote(key.0 + 12 * octaves).spelled_with_sharps(),
        clef: item.clef,
        cents: (cents.0 / 5.0).round() * 5.0,
    }
}

/// What stands on the staff before the answer: the reference, or the notes of the melody that were found already.
fn shown(state: &Practice, item: Item) -> Vec<Pitch> {
    let view = state.desk.view();
    match (item.task, item.in_group) {
        (Some(Task::Reach(..)), _) => vec![item.pitch],
        (Some(_), _) => Vec::new(),
        (None, Some(within)) => {
            let found = usize::from(within.place) - 1;
            view.group
                .iter()
                .take(found)
                .map(|note| note.pitch)
                .collect()
        }
        (None, None) if state.desk.sitting().kind() == StageKind::Find => {
            vec![reference(item)]
        }
        (None, None) => Vec::new(),
    }
}

/// The tonic in the octave in which it is sounded: the nearest to the note.
fn reference(item: Item) -> Pitch {
    let tonic = home(item.key, Mode::Major);
    let octaves = (item.pitch.midi().0 - tonic.midi().0 + 6).div_euclid(12);
    Pitch {
        octave: tonic.octave + octaves as i8,
        ..tonic
    }
}

/// Moves the note that is being chosen, from the last note that stands there.
pub(super) fn step(state: &mut Practice, by: i32) {
    let Some(item) = state.desk.view().item else {
        return;
    };
    let from = state.placed().or(shown(state, item).last().copied());
    let middle = StaffStep(4).pitch(item.clef);
    let to = from.unwrap_or(middle).diatonic() + by;
    // The staff's own steps, and those of the stage's notes.
    let notes = block_of(state.desk.stage(), item)
        .into_iter()
        .flat_map(|block| &block.items);
    let bottom = item.clef.bottom_line().diatonic();
    let (low, high) = notes
        .map(|note| note.pitch.diatonic())
        .fold((bottom, bottom + 8), |(low, high), step| {
            (low.min(step), high.max(step))
        });
    let to = to.clamp(low - BEYOND, high + BEYOND);
    let pitch = item.key.apply(Pitch::from_diatonic(to));
    state.cursor = Some((state.desk.view().number, pitch));
}

/// Gives the note that was chosen, with the accidental that was typed.
pub(super) fn give(state: &mut Practice) -> Result<(), DeskError> {
    let Some(pitch) = state.placed() else {
        return Ok(());
    };
    let typed = state.typing.accidental();
    state.typing.clear();
    state.cursor = None;
    state.desk.placed(match typed {
        Alteration::Natural => pitch,
        altered => pitch.with(altered),
    })
}

/// Writes the answers to choose from: a row each where there is room, else side by side.
pub(super) fn choices(frame: &mut Frame, state: &Practice, area: Rect) {
    let choices = state.desk.choices();
    if choices.is_empty() || area.height == 0 {
        return;
    }
    let inside = Rect {
        x: area.x + 2.min(area.width),
        width: area.width.saturating_sub(4),
        ..area
    };
    if area.height > choices.len() as u16 {
        let top = first_row(area, choices.len());
        let each = choices
            .iter()
            .map(|choice| format!("{}  {}", choice.key, choice.name));
        let lines: Vec<Line> = each.map(|text| Line::styled(text, strong())).collect();
        let rows = Rect {
            y: top,
            height: lines.len() as u16,
            ..inside
        };
        block(frame, rows, lines);
    } else {
        let rows = side_by_side(state, area.width);
        let lines = rows.into_iter().map(|text| Line::styled(text, strong()));
        block(frame, inside, lines.collect());
    }
}

/// The answers to choose from in as few rows as a screen of `width` columns takes; none is broken.
pub(super) fn side_by_side(state: &Practice, width: u16) -> Vec<String> {
    let width = usize::from(width.saturating_sub(4));
    let mut rows: Vec<String> = Vec::new();
    for choice in state.desk.choices() {
        let text = format!("{}  {}", choice.key, choice.name);
        match rows.last_mut() {
            Some(last) if last.chars().count() + 3 + text.chars().count() <= width => {
                last.push_str("   ");
                last.push_str(&text);
            }
            _ => rows.push(text),
        }
    }
    rows
}

/// The row of the first of `count` answers in `area`.
fn first_row(area: Rect, count: usize) -> u16 {
    area.y + (area.height - count as u16) / 2
}

/// The answer that stands on `row` of `area`, where each has a row of its own.
pub(super) fn choice_at(state: &Practice, area: Rect, row: u16) -> Option<Task> {
    let choices = state.desk.choices();
    let inside = state.choosing() && area.height > choices.len() as u16;
    let at = row.checked_sub(first_row(area, choices.len()))?;
    choices
        .get(usize::from(at))
        .filter(|_| inside)
        .map(|choice| choice.task)
}
