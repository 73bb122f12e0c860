//! Practice: the staff, one line above, one line of feedback, one line of keys.

use ratatui::Frame;
use ratatui::layout::{Rect, Size};
use ratatui::text::Line;
use ratatui::widgets::{Clear, Paragraph};

use super::{block, dim, ear, most_said, row, saying, strong, wrapped};
use crate::drill::{Event, Feedback, Given, Miss, Rest, Typed};
use crate::engrave::{
    self, Column, KeyMark, KeyboardMarks, Music, NoteMark, Phrase, Role, StageRange, Staves,
    TooSmall,
};
use crate::shell::desk::{Desk, DeskError};
use crate::shell::ear::Hands;
use crate::shell::term::keys::Action;
use crate::shell::term::pixels::{Easel, Request};
use crate::shell::term::run::Practice;
use crate::shell::words::{Wording, place_in_words, screens as words};
use crate::study::{Block, Item, Stage};
use crate::theory::{Alteration, Clef, KeySignature, MidiNote, Pitch};

/// After this long hands and eyes want a rest; common practice among teachers, and no more than a reminder.
const REST_AFTER_MS: u64 = 20 * 60_000;

/// Rows that are not the picture's: heading, feedback, keys.
const OTHER_ROWS: u16 = 3;

/// What is asked is only heard, so that the question has to be written.
fn asked_by_ear(state: &Practice) -> bool {
    let task = state
        .desk
        .view()
        .item
        .is_some_and(|item| item.task.is_some());
    task || state.desk.only_heard()
}

/// Draws the sitting.
pub fn draw(frame: &mut Frame, state: &Practice, easel: &mut Easel) {
    let area = frame.area();
    let view = state.desk.view();
    row(frame, 0, &state.desk.heading(), dim());
    if state.desk.now_ms() >= REST_AFTER_MS {
        let caution = words::TIME_FOR_A_REST;
        let width = caution.chars().count() as u16 + 2;
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
        let words = match (state.desk.unheard(), hands) {
            (Some(unheard), _) => unheard.to_owned(),
            (None, Some(hands)) => hands.rest_in_words(rest),
            (None, None) => words::rest(rest, listening).to_owned(),
        };
        let width = area.width.saturating_sub(2);
        // What is longer than two rows begins higher.
        let rows = wrapped(&words, usize::from(width.max(1))).len() as u16;
        let top = middle.saturating_sub(rows.saturating_sub(2)).max(1);
        let inside = Rect {
            x: 1,
            y: top,
            width,
            height: rows.max(2),
        };
        block(frame, inside, vec![Line::styled(words, strong())]);
        if !listening {
            let below = top + rows.max(2);
            row(frame, below, says.unwrap_or_default(), dim());
        }
        return;
    }
    if let Some(item) = view.item {
        let miss = miss(view.feedback.as_ref(), item);
        let wording = state.desk.wording();
        let Places {
            question,
            picture,
            list,
        } = places_of(state, area);
        for (y, line) in (1..).zip(&question) {
            row(frame, y, line, strong());
        }
        if item.target().is_some() {
            let heard = state.on_staff() || item.task.is_some();
            let mut request = if heard {
                ear::request(state, item, miss)
            } else {
                request(
                    state.desk.stage(),
                    (item, &view.group),
                    miss,
                    state.keyboard_shown(),
                    wording,
                )
            };
            let sounding = hands
                .and_then(Hands::pitch)
                .map(|hz| ear::sounding(hz, item));
            request
                .phrase
                .events
                .extend(sounding.map(engrave::Event::Sounding));
            if let Err(small) = easel.draw(frame, picture, request) {
                let unsaid = state.desk.question().filter(|_| question.is_empty());
                too_small(frame, (small, picture), unsaid);
            }
        }
        ear::choices(frame, state, list);
    }
    let feedback = match (state.typing.accidental(), &view.feedback) {
        (Alteration::Natural, _) if says.is_some() => says.unwrap_or_default().to_owned(),
        (Alteration::Natural, _) if view.notice.is_some() => {
            view.notice.clone().unwrap_or_default()
        }
        (Alteration::Natural, Some(feedback)) => state.desk.wording().feedback(feedback),
        (Alteration::Natural, None) if asked_by_ear(state) => words::EAR_START.to_owned(),
        (Alteration::Natural, None) => {
            let way = state.desk.sitting().way();
            let question = words::which_note(way, state.desk.sound_is_on());
            state.silent.map_or(question, str::to_owned)
        }
        (waiting, _) => words::of_which_letter(waiting).to_owned(),
    };
    let of_group = match view.item.and_then(|item| item.in_group) {
        Some(within) => words::note_of_group(within.place, view.group.len()),
        None => String::new(),
    };
    let feedback = format!("{of_group}{feedback}");
    saying(frame, &feedback);
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
        Line::styled(words::rest(Rest::Places, true), dim()),
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
        Action::Enter if paused => state.desk.go_on()?,
        Action::Pause if paused => state.desk.on(Event::Stop)?,
        _ if paused => {}
        Action::Pause => {
            state.typing.clear();
            state.desk.on(Event::Pause { at_ms })?;
        }
        Action::Name(typed) => name(state, typed)?,
        Action::Up if state.on_staff() => ear::step(state, 1),
        Action::Down if state.on_staff() => ear::step(state, -1),
        Action::Enter if state.on_staff() => ear::give(state)?,
        Action::Up => name(state, Typed::Sharp)?,
        Action::Down => name(state, Typed::Flat)?,
        Action::Choose(key) => {
            let choices = state.desk.choices();
            if let Some(choice) = choices.iter().find(|choice| choice.key == key) {
                state.desk.chosen(choice.task)?;
            }
        }
        Action::HearAgain => state.desk.sound_again(),
        Action::Keyboard => state.turn_keyboard(),
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
    let key = state
        .desk
        .view()
        .item
        .map_or(KeySignature::NONE, |item| item.key);
    match state.typing.key(typed, key) {
        Some(name) => state.desk.named(name),
        None => Ok(()),
    }
}

/// A click on the drawn keyboard gives the name of that key.
pub fn click(
    state: &mut Practice,
    easel: &Easel,
    (column, row): (u16, u16),
    size: Size,
) -> Result<(), DeskError> {
    let Places { list, .. } = places_of(state, Rect::new(0, 0, size.width, size.height));
    if let Some(task) = ear::choice_at(state, list, row) {
        return state.desk.chosen(task);
    }
    let Some(item) = state
        .desk
        .view()
        .item
        .filter(|item| item.target().is_some())
    else {
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
    let asked = item.target().unwrap_or(item.pitch);
    if key.pitch_class() == asked.midi().pitch_class() {
        return asked.spelling();
    }
    Given::Key(key).pitch(item).spelling()
}

/// Where things stand above the feedback.
struct Places {
    /// What is asked, where it has to be written: in lines, from the second row on.
    question: Vec<String>,
    /// The picture.
    picture: Rect,
    /// The answers to choose from: all of the room where no note answers.
    list: Rect,
}

/// Where things stand on a screen of the size of `window`.
fn places_of(state: &Practice, window: Rect) -> Places {
    let area = picture_area(window);
    let rows = ear::side_by_side(state, area.width).1.len() as u16;
    let mut question = Vec::new();
    if asked_by_ear(state) {
        let text = state.desk.question().unwrap_or_default();
        question = wrapped(&text, usize::from(area.width.saturating_sub(2).max(1)));
        // Without the answers it is no use.
        let most = area.height.saturating_sub(rows).max(1).min(area.height);
        question.truncate(usize::from(most));
    }
    let asked = question.len() as u16;
    let area = Rect {
        y: area.y + asked,
        height: area.height - asked,
        ..area
    };
    // What is said beside a list goes below it, however long it is, and does not move it.
    let above = area.height.saturating_sub(most_said(window.height) - 1);
    let bottom = if rows == 0 {
        area.height
    } else {
        above.max(rows).min(area.height)
    };
    let below = if state.choosing() {
        bottom
    } else {
        rows.min(bottom)
    };
    let picture = Rect {
        height: bottom - below,
        ..area
    };
    let list = Rect {
        y: area.y + picture.height,
        height: below,
        ..area
    };
    Places {
        question,
        picture,
        list,
    }
}

/// The miss that is still to be mended, if the feedback tells of one at this item.
pub(in crate::shell::term) fn miss(feedback: Option<&Feedback>, item: Item) -> Option<Miss> {
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
pub(super) fn staves(stage: &Stage, item: Item) -> Staves {
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
                    mark(item.pitch, Role::Asked, words::ASKED),
                    mark(miss.drawn, Role::Given, words::GIVEN),
                ]
            })
            .unwrap_or_default(),
    };
    Request {
        phrase: Phrase::from(&music),
        range,
        keyboard: keyboard.then_some(marks),
    }
}

/// The block an item is drilled with; one that is carried along goes with the notes of its staff.
pub(super) fn block_of(stage: &Stage, item: Item) -> Option<&Block> {
    let blocks = || stage.blocks.iter();
    let own = blocks().find(|block| block.items.contains(&item.bare()));
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

/// Says what window it takes: as much larger than this one as the picture is than the place it has; above it what is
/// asked, where that is still `unsaid`.
fn too_small(frame: &mut Frame, (small, place): (TooSmall, Rect), unsaid: Option<String>) {
    let window = frame.area();
    let needs = words::needs_window(
        small.needed.columns + window.width.saturating_sub(place.width),
        small.needed.rows + window.height.saturating_sub(place.height),
    );
    let inside = Rect {
        x: place.x + place.width.min(1),
        width: place.width.saturating_sub(2),
        ..place
    };
    frame.render_widget(Clear, inside);
    let width = usize::from(inside.width.max(1));
    let unsaid = unsaid.map(|text| wrapped(&text, width)).unwrap_or_default();
    let mut needs = wrapped(&needs, width);
    // A part of it tells nothing.
    if unsaid.len() + needs.len() > usize::from(inside.height) {
        needs.clear();
    }
    let unsaid = unsaid.into_iter().map(|line| Line::styled(line, strong()));
    let needs = needs.into_iter().map(|line| Line::styled(line, dim()));
    block(frame, inside, unsaid.chain(needs).collect());
}
