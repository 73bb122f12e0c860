//! The store against the outside: the `sqlite3` client, full and read-only disks, damaged files, two programs at once.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::path::Path;
use std::process::Command;

use jiff::Timestamp;
use jiff::civil::{Date, date};
use jiff::tz::Offset;
use stavelark::shell::paths::Paths;
use stavelark::shell::store::{
    AnswerFilter, CourseChoice, LearnerId, NewSitting, SittingId, Store, StoreError,
};
use stavelark::study::{Answer, AnswerWay, Outcome, PromptKind};

const DAY: Date = date(2026, 3, 2);

fn at(seconds: i64) -> Timestamp {
    Timestamp::from_second(1_772_438_400 + seconds).unwrap()
}

fn answer(seconds: i64, item: &str, outcome: Outcome) -> Answer {
    Answer {
        at: at(seconds),
        stage: "treble".to_owned(),
        item: item.parse().unwrap(),
        prompt: PromptKind::Eye,
        way: AnswerWay::Letters,
        given: Some("F5".parse().unwrap()),
        outcome,
        response_ms: Some(1234),
        attempt: 1,
        active_ms: 3000,
    }
}

fn sitting(store: &mut Store, learner: LearnerId) -> SittingId {
    let sitting = NewSitting {
        stage: "treble".to_owned(),
        day: DAY,
        started: at(0),
        offset: Offset::UTC,
        seed: u64::MAX,
    };
    store.begin_sitting(learner, &sitting).unwrap()
}

/// A store with one learner and three answers.
fn filled(paths: &Paths) -> (Store, LearnerId) {
    let mut store = Store::open(paths).unwrap();
    let learner = store.add_learner("Ada", at(0)).unwrap().id;
    let sitting = sitting(&mut store, learner);
    for (seconds, item) in [(1, "C4@treble"), (2, "F#5@treble"), (3, "Bb2@bass@-2")] {
        let answer = answer(seconds, item, Outcome::Right);
        store.save_answer(sitting, &answer).unwrap();
    }
    (store, learner)
}

/// What the `sqlite3` client says to `sql`.
fn sqlite3(file: &Path, sql: &str) -> String {
    let output = Command::new("sqlite3")
        .arg(file)
        .arg(sql)
        .output()
        .unwrap_or_else(|error| {
            panic!("the sqlite3 client is needed (apt-get install sqlite3): {error}")
        });
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

#[test]
fn what_was_saved_reads_back_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (mut store, learner) = filled(&paths);
    let misheard = {
        let sitting = sitting(&mut store, learner);
        let answer = answer(9, "C4@treble", Outcome::Wrong);
        store.save_answer(sitting, &answer).unwrap()
    };
    store.withdraw_answer(misheard).unwrap();
    drop(store);
    let store = Store::open(&paths).unwrap();
    let answers = store.answers(learner, AnswerFilter::default()).unwrap();
    assert_eq!(answers[1], answer(2, "F#5@treble", Outcome::Right));
    assert_eq!(answers.len(), 3);
    assert_eq!(store.withdrawn_answers(learner).unwrap(), 1);
    let practised = store.practised(learner, "treble", DAY).unwrap();
    assert_eq!((practised.active_ms, practised.answers), (12_000, 4));
}

#[test]
fn the_sqlite3_client_reads_the_file_while_it_is_open() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (store, _) = filled(&paths);
    let file = store.file();
    assert_eq!(sqlite3(file, "PRAGMA integrity_check"), "ok");
    assert_eq!(sqlite3(file, "PRAGMA journal_mode"), "wal");
    assert_eq!(
        sqlite3(
            file,
            "SELECT item, given, response_ms FROM answers ORDER BY id LIMIT 1"
        ),
        "C4@treble|F5|1234"
    );
}

#[test]
fn a_file_that_is_no_database_is_named_with_the_way_back() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    std::fs::write(paths.database(), "practice makes perfect ".repeat(200)).unwrap();
    let error = Store::open(&paths).unwrap_err();
    assert!(matches!(error, StoreError::Damaged { .. }));
    assert!(error.to_string().contains("stavelark data restore"));
}

#[test]
fn a_course_keeps_its_text_and_settings_their_values() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, learner) = filled(&Paths::in_folder(folder.path()));
    let course = CourseChoice {
        id: "mine".to_owned(),
        origin: "mine.toml".to_owned(),
        text: Some("schema = 1".to_owned()),
        chosen: at(5),
    };
    store.choose_course(learner, &course).unwrap();
    assert_eq!(store.course(learner).unwrap(), Some(course));
    store.set_setting(learner, "names", Some("german")).unwrap();
    assert_eq!(
        store.setting(learner, "names").unwrap().as_deref(),
        Some("german")
    );
    store.set_setting(learner, "names", None).unwrap();
    assert_eq!(store.settings(learner).unwrap(), []);
}
