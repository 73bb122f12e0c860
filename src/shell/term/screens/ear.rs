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
    let indented = |indent: u16| Rect {
        x: area.x + indent.min(area.width),
        width: area.width.saturating_sub(2 * indent),
        ..area
    };
    if one_a_row(state, area) {
        let top = first_row(area, choices.len());
        let each = choices
            .iter()
            .map(|choice| format!("{}  {}", choice.key, choice.name));
        let lines: Vec<Line> = each.map(|text| Line::styled(text, strong())).collect();
        let rows = Rect {
            y: top,
            height: lines.len() as u16,
            ..indented(INDENT)
        };
        block(frame, rows, lines);
    } else {
        let (indent, rows) = side_by_side(state, area.width);
        let lines = rows.into_iter().map(|text| Line::styled(text, strong()));
        block(frame, indented(indent), lines.collect());
    }
}

/// Columns left and right of the answers; where they stand close, and rows from which on they do, if that takes fewer.
const INDENT: u16 = 2;
const CLOSE: u16 = 1;
const MANY_ROWS: usize = 5;

/// The answers to choose from in as few rows as a screen of `width` columns takes, and the columns left of them; none is
/// broken.
pub(super) fn side_by_side(state: &Practice, width: u16) -> (u16, Vec<String>) {
    let answers: Vec<(char, String)> = state
        .desk
        .choices()
        .into_iter()
        .map(|choice| (choice.key, choice.name))
        .collect();
    in_rows(&answers, width)
}

fn in_rows(answers: &[(char, String)], width: u16) -> (u16, Vec<String>) {
    let spaced = |indent: u16, behind_key: &str, between: &str| {
        let width = usize::from(width.saturating_sub(2 * indent));
        let mut rows: Vec<String> = Vec::new();
        for (key, name) in answers {
            let text = format!("{key}{behind_key}{name}");
            match rows.last_mut() {
                Some(last)
                    if [last.as_str(), between, &text]
                        .iter()
                        .map(|part| part.chars().count())
                        .sum::<usize>()
                        <= width =>
                {
                    last.push_str(between);
                    last.push_str(&text);
                }
                _ => rows.push(text),
            }
        }
        (indent, rows)
    };
    let wide = spaced(INDENT, "  ", "   ");
    if wide.1.len() < MANY_ROWS {
        return wide;
    }
    let close = spaced(CLOSE, " ", "  ");
    if close.1.len() < wide.1.len() {
        close
    } else {
        wide
    }
}

/// Whether each answer has a row of its own in `area`.
fn one_a_row(state: &Practice, area: Rect) -> bool {
    let count = state.desk.choices().len();
    count > 0 && usize::from(area.height) >= count
}

/// The row of the first of `count` answers in `area`.
fn first_row(area: Rect, count: usize) -> u16 {
    area.y + (area.height - count as u16) / 2
}

/// The answer that stands on `row` of `area`, where each has a row of its own.
pub(super) fn choice_at(state: &Practice, area: Rect, row: u16) -> Option<Task> {
    let choices = state.desk.choices();
    if !state.choosing() || !one_a_row(state, area) {
        return None;
    }
    let at = row.checked_sub(first_row(area, choices.len()))?;
    choices.get(usize::from(at)).map(|choice| choice.task)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_answers_stand_close_where_that_saves_rows() {
        let answers = |names: &[&str]| -> Vec<(char, String)> {
            ('1'..)
                .zip(names.iter().map(|name| (*name).to_owned()))
                .collect()
        };
        let seconds = [
            "minor second up",
            "minor second down",
            "major second up",
            "major second down",
            "minor third up",
            "minor third down",
            "major third up",
            "major third down",
        ];
        let (indent, rows) = in_rows(&answers(&seconds), 40);
        assert_eq!((indent, rows.len()), (CLOSE, 4));
        assert_eq!(rows[0], "1 minor second up  2 minor second down");
        // With room, and where few rows do, they stand apart; none is lost or broken in any width.
        assert_eq!(in_rows(&answers(&seconds), 80).0, INDENT);
        for width in 0..100 {
            let (_, rows) = in_rows(&answers(&seconds), width);
            let all = rows.join(" ");
            assert!(seconds.iter().all(|name| all.contains(name)), "{width}");
        }
    }
}
