//! Every screen in every size, drawn in process and compared with what was looked at before: one file a screen.

use jiff::{Span, Timestamp};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

use super::*;
use crate::shell::home::Home;
use crate::shell::paths::Paths;
use crate::shell::progress::Progress;
use crate::shell::sound::Sound;
use crate::shell::store::NewSitting;
use crate::shell::wish::Wish;
use crate::shell::words::Wording;
use crate::study::{Answer, AnswerWay, Item, Outcome, PromptKind, Reply};
use crate::theory::{NoteNames, Pitch};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

const SIZES: [(u16, u16); 6] = [(200, 60), (120, 40), (80, 24), (40, 12), (20, 5), (0, 0)];
const WORDING: Wording = Wording {
    names: NoteNames::English,
    ascii: false,
};

/// A learner whose record is in a folder of the test's.
struct Place {
    home: Home,
    _folder: tempfile::TempDir,
}

impl Host for Place {
    fn who(&mut self) -> Result<Option<(Vec<String>, usize)>, DeskError> {
        Ok(None)
    }
    fn here(&mut self, _: &str) -> Result<(), DeskError> {
        Ok(())
    }
    fn today(&mut self) -> Result<Today, DeskError> {
        Ok(self.home.today()?)
    }
    fn sitting(&mut self) -> Result<Desk, DeskError> {
        let mut wish = Wish::by(self.home.settings());
        wish.seed = Some(7);
        Ok(self.home.sitting(&wish, WORDING, None, Sound::silent())?)
    }
    fn hands(&mut self, _: &mut Desk, _: Tell) -> Option<Hands> {
        None
    }
    fn progress(&mut self) -> Result<ProgressPage, DeskError> {
        Ok(ProgressPage::new(Progress::of(&mut self.home)?, WORDING))
    }
    fn placement(&mut self) -> Result<Quiz, DeskError> {
        Ok(Quiz::placement(self.home.course().clone(), 700, 7, WORDING))
    }
    fn measure(&mut self, _: Tell) -> Result<Quiz, DeskError> {
        let names = ["F", "A", "C"].map(|name| name.parse().unwrap());
        Ok(Quiz::reaction(names.to_vec(), 7, WORDING))
    }
    fn keep(&mut self, finding: &Finding) -> Result<(), DeskError> {
        Ok(self.home.keep(finding)?)
    }
    fn manner(&self) -> Manner {
        Manner {
            keyboard_stays: false,
            mouse_gives_key: false,
        }
    }
    fn settings(&self) -> Vec<Shown> {
        self.home.settings().shown()
    }
    fn set(&mut self, name: &str, value: &str) -> Result<(), DeskError> {
        Ok(self.home.set(name, value)?)
    }
    fn ascii(&self) -> bool {
        false
    }
    fn look(&self) -> Look {
        Look::default()
    }
}

impl Place {
    /// Wren's, after `days` days of practice that end yesterday.
    fn after(days: i64) -> Place {
        let folder = tempfile::tempdir().unwrap();
        let mut home = Home::open_at(Paths::in_folder(folder.path()), None).unwrap();
        let (store, learner) = home.parts();
        let learner = store.rename_learner(&learner.name.clone(), "Wren").unwrap();
        let mut home = Home::open_at(Paths::in_folder(folder.path()), Some("Wren")).unwrap();
        home.set("names", "english").unwrap();
        let today = home.today().unwrap();
        let items = today.course.stages[0].items();
        let (store, _) = home.parts();
        for back in (1..=days).rev() {
            let day = today.day.checked_sub(Span::new().days(back)).unwrap();
            let at = jiff::tz::Offset::UTC
                .to_timestamp(day.at(16, 0, 0, 0))
                .unwrap();
            let sitting = store
                .begin_sitting(
                    learner.id,
                    &NewSitting {
                        stage: today.course.stages[0].id.clone(),
                        day,
                        started: at,
                        offset: jiff::tz::Offset::UTC,
                        seed: 1,
                    },
                )
                .unwrap();
            for (n, item) in items.iter().enumerate() {
                let answer = answer(*item, n as i64, (days - back, days), at);
                store.save_answer(sitting, &answer).unwrap();
            }
        }
        Place {
            home,
            _folder: folder,
        }
    }
}

/// Faster from day to day, more slowly the higher the item stands in the list; every seventh is taken for its neighbour.
fn answer(item: Item, n: i64, (day, days): (i64, i64), at: Timestamp) -> Answer {
    let wrong = (n + day) % 7 == 3 && day + 2 < days;
    Answer {
        at,
        stage: "treble".into(),
        item,
        prompt: PromptKind::Eye,
        way: AnswerWay::Letters,
        given: Some(Reply::Note(if wrong {
            Pitch::from_diatonic(item.pitch.diatonic() + 1)
        } else {
            item.pitch
        })),
        outcome: if wrong {
            Outcome::Wrong
        } else {
            Outcome::Right
        },
        response_ms: Some((900 + 150 * n + 1800 / (day + 1)) as u32),
        attempt: 1,
        active_ms: 4000,
    }
}

/// What came of some keys, in every size.
fn shown(days: i64, keys: &[KeyCode]) -> String {
    let mut all = String::new();
    for (columns, rows) in SIZES {
        let mut place = Place::after(days);
        let (arrive, _arrivals) = channel();
        let mut page = home_page(&mut place).unwrap();
        let (mut helping, mut easel) = (None, Easel::new(Look::default()));
        let mut terminal = Terminal::new(TestBackend::new(columns, rows)).unwrap();
        for key in keys.iter().map(Some).chain([None]) {
            terminal
                .draw(|frame| paint(frame, &page, helping, false, &mut easel))
                .unwrap();
            if let Page::Practice(state) = &mut page
                && !state.desk.sitting().paused()
            {
                state.desk.drawn().unwrap();
            }
            if let Page::Quiz(quiz) = &mut page {
                quiz.drawn();
            }
            let Some(key) = key else { break };
            let input = Input::Key(KeyEvent::new(*key, KeyModifiers::NONE));
            let size = terminal.size().unwrap();
            page = step(
                &mut place,
                page,
                &mut helping,
                &input,
                (size, &easel),
                &arrive,
            )
            .unwrap()
            .unwrap();
        }
        all += &text(&terminal);
    }
    all
}

/// What stands there, below its size.
fn text(terminal: &Terminal<TestBackend>) -> String {
    let buffer = terminal.backend().buffer();
    let (columns, rows) = (buffer.area.width, buffer.area.height);
    let mut text = format!("{columns} x {rows}\n");
    for row in buffer.content.chunks(usize::from(columns.max(1))) {
        let row: String = row.iter().map(ratatui::buffer::Cell::symbol).collect();
        text += undated(&row).trim_end();
        text.push('\n');
    }
    text
}

/// Without the day of the test, and without the time that runs.
fn undated(line: &str) -> String {
    let signs: Vec<char> = line.chars().collect();
    let fits = |at: usize, form: &str| {
        let form: Vec<char> = form.chars().collect();
        signs.len() >= at + form.len()
            && form
                .iter()
                .zip(&signs[at..])
                .all(|(form, sign)| match form {
                    '0' => sign.is_ascii_digit(),
                    other => sign == other,
                })
    };
    let (mut out, mut at) = (String::new(), 0);
    while at < signs.len() {
        let form = ["0000-00-00", "0:00"]
            .into_iter()
            .find(|form| fits(at, form));
        match form {
            Some(form) => {
                out.push_str(form);
                at += form.len();
            }
            None => {
                out.push(signs[at]);
                at += 1;
            }
        }
    }
    out
}

fn golden(name: &str, days: i64, keys: &[KeyCode]) {
    let text = shown(days, keys);
    insta::with_settings!({
        snapshot_path => "../../../tests/snapshots",
        prepend_module_to_snapshot => false,
        omit_expression => true,
    }, {
        insta::assert_snapshot!(format!("whole-{name}"), text);
    });
}

const ENTER: KeyCode = KeyCode::Enter;
const TAB: KeyCode = KeyCode::Tab;
const ESC: KeyCode = KeyCode::Esc;
const fn key(sign: char) -> KeyCode {
    KeyCode::Char(sign)
}

#[test]
fn home_settings_and_help() {
    golden("home", 0, &[]);
    golden("home-later", 9, &[]);
    golden("settings", 0, &[key('s'), KeyCode::Down]);
    golden("help", 0, &[key('?')]);
    golden(
        "help-further-on",
        0,
        &[key('?'), KeyCode::Down, KeyCode::Down],
    );
}

#[test]
fn practice_from_the_prompt_to_the_summary() {
    golden("prompt", 0, &[ENTER]);
    golden("keyboard", 0, &[ENTER, TAB]);
    golden("accidental", 0, &[ENTER, key('#')]);
    golden("rest", 0, &[ENTER, ESC]);
    golden("summary", 0, &[ENTER, ESC, ESC]);
}

#[test]
fn a_miss_shows_both_notes() {
    let asked = |place: &mut Place| {
        let mut desk = place.sitting().unwrap();
        desk.begin().unwrap();
        desk.view().item.unwrap().pitch.letter
    };
    let letter = asked(&mut Place::after(0)).as_char().to_ascii_lowercase();
    let wrong = if letter == 'e' { 'f' } else { 'e' };
    golden("miss", 0, &[ENTER, key(wrong)]);
    // The keyboard that the miss has brought goes away by its key, and stays by the next stroke of it.
    golden("miss-keyboard-away", 0, &[ENTER, key(wrong), TAB]);
    let back = shown(0, &[ENTER, key(wrong), TAB, TAB]);
    assert_eq!(back, shown(0, &[ENTER, key(wrong)]));
}

#[test]
fn progress_on_the_staff_in_a_list_and_over_the_weeks() {
    golden("progress-nothing", 0, &[key('p')]);
    golden("progress-staff", 9, &[key('p'), KeyCode::Down]);
    golden("progress-list", 9, &[key('p'), TAB]);
    golden("progress-weeks", 9, &[key('p'), TAB, TAB]);
    golden("progress-why", 9, &[key('p'), key('w')]);
}

#[test]
fn trials_outside_the_record() {
    golden("placement", 0, &[key('r')]);
    golden("placement-note", 0, &[key('r'), ENTER]);
    golden("reaction", 0, &[key('m'), ENTER]);
}

#[test]
fn who_is_here() {
    let mut all = String::new();
    let names: Vec<String> = ["Wren", "Osric"].map(str::to_owned).to_vec();
    for (columns, rows) in SIZES {
        let mut terminal = Terminal::new(TestBackend::new(columns, rows)).unwrap();
        let page = Page::Who {
            names: names.clone(),
            at: 1,
        };
        let mut easel = Easel::new(Look::default());
        terminal
            .draw(|frame| paint(frame, &page, None, false, &mut easel))
            .unwrap();
        all += &text(&terminal);
    }
    insta::with_settings!({
        snapshot_path => "../../../tests/snapshots",
        prepend_module_to_snapshot => false,
        omit_expression => true,
    }, {
        insta::assert_snapshot!("whole-who", all);
    });
}
