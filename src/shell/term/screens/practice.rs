//! Practice: the staff, one line above, one line of feedback, one line of keys.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::Paragraph;

use super::{block, dim, row, strong};
use crate::drill::{Event, Feedback, Given, Miss, Rest, Typed};
use crate::engrave::{
    Column, KeyMark, KeyboardMarks, Music, NoteMark, Phrase, Role, StageRange, Staves, TooSmall,
};
use crate::shell::desk::{Desk, DeskError};
use crate::shell::ear::{Hands, rest_in_words};
use crate::shell::term::keys::Action;
use crate::shell::term::pixels::{Easel, Request};
use crate::shell::term::run::Practice;
use crate::shell::words::{Wording, place_in_words};
use crate::study::{Block, Item, Stage};
use crate::theory::{Alteration, Clef, MidiNote, Pitch};

/// After this long hands and eyes want a rest; common practice among teachers, and no more than a reminder.
const REST_AFTER_MS: u64 = 20 * 60_000;

/// Rows that are not the picture's: heading, feedback, keys.
const OTHER_ROWS: u16 = 3;

/// Draws the sitting.
pub fn draw(frame: &mut Frame, state: &Practice, easel: &mut Easel) {
    let area = frame.area();
    let view = state.desk.view();
    row(frame, 0, &state.desk.heading(), dim());
    if state.desk.now_ms() >= REST_AFTER_MS {
        let caution = "Twenty minutes: time for a rest. ";
        let width = caution.len() as u16;
        if area.width > width {
            let right = Rect {
                x: area.width - width,
                y: 0,
                width,
                height: 1,
            };
            frame.render_widget(Paragraph::new(caution).style(strong()), right);
        }
    }
    let hands = state.hands.as_ref();
    let says = hands.and_then(|hands| hands.says(&state.desk));
    if let Some(rest) = state.desk.sitting().rest() {
        let listening = hands.is_some_and(Hands::listening);
        let middle = area.height / 2;
        if let Some(place) = state.desk.place_asked() {
            places(frame, &state.desk, place);
            return;
        }
        row(frame, middle, rest_in_words(rest, listening), strong());
        if !listening {
            row(frame, middle + 2, says.unwrap_or_default(), dim());
        }
        return;
    }
    if let Some(item) = view.item {
        let miss = miss(view.feedback.as_ref(), item);
        let wording = state.desk.wording();
        let request = request(
            state.desk.stage(),
            (item, &view.group),
            miss,
            state.keyboard,
            wording,
        );
        if let Err(small) = easel.draw(frame, picture_area(area), request) {
            too_small(frame, small, &wording.item(item));
        }
    }
    let feedback = match (state.typing.accidental(), &view.feedback) {
        (Alteration::Natural, _) if says.is_some() => says.unwrap_or_default().to_owned(),
        (Alteration::Natural, _) if view.notice.is_some() => {
            view.notice.clone().unwrap_or_default()
        }
        (Alteration::Natural, Some(feedback)) => state.desk.wording().feedback(feedback),
        (Alteration::Natural, None) => state.silent.unwrap_or("Which note is this?").to_owned(),
        (waiting, _) => format!(
            "{} of which letter?",
            match waiting {
                Alteration::Sharp => "The sharp",
                Alteration::DoubleSharp => "The double sharp",
                Alteration::Flat => "The flat",
                _ => "The double flat",
            }
        ),
    };
    let of_group = match view.item.and_then(|item| item.in_group) {
        Some(within) => format!("Note {} of {}.  ", within.place, view.group.len()),
        None => String::new(),
    };
    let feedback = format!("{of_group}{feedback}");
    row(frame, area.height.saturating_sub(2), &feedback, strong());
}

/// Asks for a key by its place.
fn places(frame: &mut Frame, desk: &Desk, place: usize) {
    let [why, which] = place_in_words(place);
    let notice = desk.view().notice.clone().unwrap_or_default();
    let lines = vec![
        Line::styled(why, dim()),
        Line::default(),
        Line::styled(which, strong()),
        Line::default(),
        Line::styled(notice, strong()),
        Line::styled(rest_in_words(Rest::Places, true), dim()),
    ];
    let area = picture_area(frame.area());
    let above = area.height.saturating_sub(lines.len() as u16) / 2;
    let inside = Rect {
        x: area.x + area.width.min(1),
        width: area.width.saturating_sub(2),
        y: area.y + above,
        height: area.height - above,
    };
    block(frame, inside, lines);
}

/// Does what a key asks for.
pub fn act(state: &mut Practice, action: Action) -> Result<(), DeskError> {
    let at_ms = state.desk.now_ms();
    let paused = state.desk.sitting().paused();
    match action {
        Action::Enter if paused => state.desk.on(Event::Resume { at_ms })?,
        Action::Pause if paused => state.desk.on(Event::Stop)?,
        _ if paused => {}
        Action::Pause => {
            state.typing.clear();
            state.desk.on(Event::Pause { at_ms })?;
        }
        Action::Name(typed) => name(state, typed)?,
        Action::Up => name(state, Typed::Sharp)?,
        Action::Down => name(state, Typed::Flat)?,
        Action::HearAgain => state.desk.sound_again(),
        Action::Keyboard => state.keyboard = !state.keyboard,
        Action::TakeBack => state.desk.on(Event::TakeBack)?,
        Action::Enter
        | Action::Help
        | Action::Quit
        | Action::Settings
        | Action::Progress
        | Action::Why
        | Action::Placement
        | Action::Measure
        | Action::Before
        | Action::After => {}
    }
    Ok(())
}

fn name(state: &mut Practice, typed: Typed) -> Result<(), DeskError> {
    match state.typing.key(typed) {
        Some(name) => state.desk.named(name),
        None => Ok(()),
    }
}

/// A click on the drawn keyboard gives the name of that key.
pub fn click(state: &mut Practice, easel: &Easel, column: u16, row: u16) -> Result<(), DeskError> {
    let Some(item) = state.desk.view().item else {
        return Ok(());
    };
    match easel.key_at(column, row) {
        Some(key) if state.mouse_gives_key => {
            state.typing.clear();
            state.desk.pressed(key)
        }
        Some(key) => {
            let name = spelled(key, item);
            state.typing.clear();
            state.desk.named(name)
        }
        None => Ok(()),
    }
}

/// A key's name as the item's reader would spell it.
fn spelled(key: MidiNote, item: Item) -> crate::theory::Spelling {
    if key.pitch_class() == item.pitch.midi().pitch_class() {
        return item.pitch.spelling();
    }
    Given::Key(key).pitch(item).spelling()
}

/// The miss that is still to be mended, if the feedback tells of one at this item.
fn miss(feedback: Option<&Feedback>, item: Item) -> Option<Miss> {
    match feedback {
        Some(Feedback::Wrong(miss)) if miss.item == item => Some(*miss),
        _ => None,
    }
}

/// Between the heading and the feedback.
pub(super) fn picture_area(area: Rect) -> Rect {
    Rect {
        y: area.y + area.height.min(1),
        height: area.height.saturating_sub(OTHER_ROWS),
        ..area
    }
}

/// The staves of a stage: both joined when it has treble and bass together.
fn staves(stage: &Stage, item: Item) -> Staves {
    let block = block_of(stage, item);
    let clefs = |clef: Clef| block.is_some_and(|block| block.items.iter().any(|i| i.clef == clef));
    if clefs(Clef::Treble) && clefs(Clef::Bass) {
        Staves::Grand
    } else {
        Staves::One(item.clef)
    }
}

pub(super) fn request(
    stage: &Stage,
    (item, group): (Item, &[Item]),
    miss: Option<Miss>,
    keyboard: bool,
    wording: Wording,
) -> Request {
    let staves = staves(stage, item);
    let block = block_of(stage, item);
    let range = StageRange::of(
        staves,
        block
            .into_iter()
            .flat_map(|block| &block.items)
            .chain([&item])
            .map(|i| (i.pitch, i.clef, i.key)),
    );
    let asked = NoteMark {
        pitch: item.pitch,
        clef: item.clef,
        role: if miss.is_some() || group.len() > 1 {
            Role::Asked
        } else {
            Role::Plain
        },
    };
    let mut columns: Vec<Column> = group
        .iter()
        .map(|note| Column {
            notes: vec![NoteMark {
                pitch: note.pitch,
                clef: note.clef,
                role: Role::Plain,
            }],
        })
        .collect();
    // The note that is asked stands in its place of the group, what was given beside it.
    let at = match item.in_group {
        Some(within) => usize::from(within.place) - 1,
        None => 0,
    };
    let asked = Column { notes: vec![asked] };
    match columns.get_mut(at) {
        Some(column) => *column = asked,
        None => columns = vec![asked],
    }
    if let Some(miss) = miss {
        let given = Column {
            notes: vec![NoteMark {
                pitch: miss.drawn,
                clef: item.clef,
                role: Role::Given,
            }],
        };
        columns.insert((at + 1).min(columns.len()), given);
    }
    let music = Music {
        staves,
        key: item.key,
        columns,
    };
    let mark = |pitch: Pitch, role, word: &str| KeyMark {
        key: pitch.midi(),
        role,
        label: format!("{} {word}", wording.pitch(pitch, item.key)),
    };
    let marks = KeyboardMarks {
        marks: miss
            .map(|miss| {
                vec![
                    mark(item.pitch, Role::Asked, "asked"),
                    mark(miss.drawn, Role::Given, "given"),
                ]
            })
            .unwrap_or_default(),
    };
    Request {
        phrase: Phrase::from(&music),
        range,
        keyboard: (keyboard || miss.is_some()).then_some(marks),
    }
}

/// The block an item is drilled with; one that is carried along goes with the notes of its staff.
fn block_of(stage: &Stage, item: Item) -> Option<&Block> {
    let blocks = || stage.blocks.iter();
    let own = blocks().find(|block| block.items.contains(&item.alone()));
    own.or_else(|| blocks().find(|block| block.items.iter().any(|i| i.clef == item.clef)))
}

/// An item on its staff, and beside it what was given for it.
pub(super) fn pair(item: Item, given: Option<Pitch>) -> Request {
    let staves = Staves::One(item.clef);
    let column = |pitch, role| Column {
        notes: vec![NoteMark {
            pitch,
            clef: item.clef,
            role,
        }],
    };
    let role = if given.is_some() {
        Role::Asked
    } else {
        Role::Plain
    };
    let mut columns = vec![column(item.pitch, role)];
    columns.extend(given.map(|pitch| column(pitch, Role::Given)));
    let shown = [Some(item.pitch), given].into_iter().flatten();
    let music = Music {
        staves,
        key: item.key,
        columns,
    };
    Request {
        phrase: Phrase::from(&music),
        range: StageRange::of(staves, shown.map(|pitch| (pitch, item.clef, item.key))),
        keyboard: None,
    }
}

fn too_small(frame: &mut Frame, small: TooSmall, words: &str) {
    let area = picture_area(frame.area());
    let needs = format!(
        "To draw this the window needs {} columns and {} rows.",
        small.needed.columns,
        small.needed.rows + OTHER_ROWS
    );
    let inside = Rect {
        x: area.x + area.width.min(1),
        width: area.width.saturating_sub(2),
        ..area
    };
    let lines = vec![Line::styled(words, strong()), Line::styled(needs, dim())];
    block(frame, inside, lines);
}
