//! The store against the outside: the `sqlite3` client, full and read-only disks, damaged files, two programs at once.

#![allow(clippy::unwrap_used, clippy::panic)]

mod checks;
mod damage;
mod disks;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use jiff::Timestamp;
use jiff::civil::{Date, date};
use jiff::tz::Offset;
use stavelark::shell::paths::Paths;
use stavelark::shell::store::{
    AnswerFilter, CourseChoice, LearnerId, NewSitting, SittingId, Store, StoreError,
};
use stavelark::study::{Answer, AnswerWay, Mark, MarkVerdict, Outcome, PromptKind, practised_days};

const DAY: Date = date(2026, 3, 2);

fn at(seconds: i64) -> Timestamp {
    Timestamp::from_second(1_772_438_400 + seconds).unwrap()
}

fn answer(seconds: i64, item: &str, outcome: Outcome) -> Answer {
    Answer {
        at: at(seconds),
        stage: "treble".into(),
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
    let learner = store.add_learner("Wren", at(0)).unwrap().id;
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
    let withdrawn = store.withdrawn_answers(learner).unwrap();
    assert_eq!(withdrawn.len(), 1);
    let practised = store.practised(learner, "treble", DAY).unwrap();
    // What was taken out took its time, and is no answer.
    assert_eq!((practised.active_ms, practised.answers), (12_000, 3));
    let dated = store.dated_answers(learner, AnswerFilter::default());
    assert_eq!(
        practised_days(&dated.unwrap(), &withdrawn),
        [(DAY, practised)]
    );
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

#[test]
fn learners_are_told_apart_by_name_and_the_nearest_is_offered() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, wren) = filled(&Paths::in_folder(folder.path()));
    assert_eq!(store.current_learner().unwrap().unwrap().id, wren);
    let osric = store.add_learner("  Ösric  ", at(1)).unwrap();
    assert_eq!(osric.name, "Ösric");
    assert_eq!(store.current_learner().unwrap().unwrap().id, wren);
    assert_eq!(store.use_learner("Ösric").unwrap(), osric);
    assert_eq!(store.current_learner().unwrap(), Some(osric.clone()));

    let taken = store.add_learner("WREN", at(1)).unwrap_err();
    assert!(matches!(taken, StoreError::LearnerExists { .. }));
    for name in ["", "  ", "a\nb", "\u{1b}[2J", &"x".repeat(61)] {
        assert!(matches!(
            store.add_learner(name, at(1)),
            Err(StoreError::BadName { .. })
        ));
    }
    let unknown = store.learner("Wrenn").unwrap_err().to_string();
    assert!(unknown.contains("did you mean 'Wren'?"), "{unknown}");
    let unknown = store.learner("Clementine").unwrap_err().to_string();
    assert!(unknown.contains("stavelark learner list"), "{unknown}");

    assert!(matches!(
        store.rename_learner("Ösric", "wren"),
        Err(StoreError::LearnerExists { .. })
    ));
    assert_eq!(
        store.rename_learner("Ösric", "ösric").unwrap().name,
        "ösric"
    );
    assert_eq!(store.rename_learner("ösric", "Osric").unwrap().id, osric.id);
}

#[test]
fn a_removed_learner_is_gone_from_the_file_and_kept_in_a_backup() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (mut store, _) = filled(&paths);
    store.add_learner("Osric", at(1)).unwrap();
    let backup = store.remove_learner("Wren").unwrap();
    assert_eq!(sqlite3(&backup, "SELECT count(*) FROM answers"), "3");
    for table in ["answers", "sittings", "marks", "courses", "settings"] {
        let left = sqlite3(store.file(), &format!("SELECT count(*) FROM {table}"));
        assert_eq!(left, "0", "{table}");
    }
    // The next learner there is takes the place.
    assert_eq!(store.current_learner().unwrap().unwrap().name, "Osric");
    let bytes = fs::read(store.file()).unwrap();
    assert!(!bytes.windows(9).any(|w| w == b"F#5@trebl"));
    assert_eq!(Store::purge_backups(&paths).unwrap(), 1);
    assert_eq!(Store::backups(&paths), Vec::<PathBuf>::new());
}

#[test]
fn a_record_goes_out_and_comes_back_whole() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (mut store, wren) = filled(&paths);
    let mut misheard = answer(4, "G4@treble", Outcome::NotSure);
    misheard.given = None;
    misheard.response_ms = None;
    let sitting = sitting(&mut store, wren);
    let id = store.save_answer(sitting, &misheard).unwrap();
    store.withdraw_answer(id).unwrap();
    // Asked, answered and judged in every way there is.
    for prompt in PromptKind::ALL {
        for way in AnswerWay::ALL {
            for outcome in Outcome::ALL {
                let mut answer = answer(5, "G4@treble", *outcome);
                (answer.prompt, answer.way) = (*prompt, *way);
                store.save_answer(sitting, &answer).unwrap();
            }
        }
    }
    store.end_sitting(sitting, at(60)).unwrap();
    let last = store.answers(wren, AnswerFilter::default()).unwrap().len();
    assert_eq!(last, 3 + 27);
    store.set_setting(wren, "names", Some("german")).unwrap();
    store
        .keep_mark(wren, |_| {
            MarkVerdict::Earned(Mark {
                day: DAY,
                stage: "treble".to_owned(),
                at: at(50),
                offset: Offset::constant(2),
            })
        })
        .unwrap();
    let learner = store.learner("Wren").unwrap();
    let out = store.export(&learner, at(99)).unwrap();
    assert_eq!(out["form"], "stavelark-record");
    assert_eq!(out["sittings"][1]["answers"][0]["withdrawn"], true);
    assert_eq!(out["sittings"][0]["answers"][2]["item"], "Bb2@bass@-2");
    assert_eq!(out["sittings"][0]["seed"], u64::MAX);

    let file = Path::new("wren.json");
    let again = store.import(file, out.clone(), None).unwrap_err();
    assert!(matches!(again, StoreError::LearnerExists { .. }));
    let other = tempfile::tempdir().unwrap();
    let mut other = Store::open(&Paths::in_folder(other.path())).unwrap();
    let learner = other.import(file, out.clone(), None).unwrap();
    assert_eq!(other.export(&learner, at(99)).unwrap(), out);
    assert_eq!(
        other
            .answers(learner.id, AnswerFilter::default())
            .unwrap()
            .len(),
        last
    );
    assert_eq!(other.marks(learner.id).unwrap(), store.marks(wren).unwrap());
    assert_eq!(
        store.import(file, out, Some("Wren 2")).unwrap().name,
        "Wren 2"
    );
}

#[test]
fn a_bad_record_is_refused_whole() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _) = filled(&Paths::in_folder(folder.path()));
    let wren = store.learner("Wren").unwrap();
    let good = store.export(&wren, at(99)).unwrap();
    type Damage = fn(&mut serde_json::Value);
    let damages: [(&str, Damage); 6] = [
        ("no record", |v| v["form"] = "else".into()),
        ("version", |v| v["version"] = 2.into()),
        ("no item", |v| {
            v["sittings"][0]["answers"][1]["item"] = "H4@treble".into()
        }),
        ("not all known", |v| {
            v["sittings"][0]["answers"][1]["outcome"] = "maybe".into()
        }),
        ("missing field", |v| {
            v["sittings"][0].as_object_mut().unwrap().remove("day");
        }),
        ("invalid", |v| v["marks"] = "none".into()),
    ];
    for (says, damage) in damages {
        let mut bad = good.clone();
        damage(&mut bad);
        let error = store
            .import(Path::new("x.json"), bad, Some("Osric"))
            .unwrap_err();
        assert!(error.to_string().contains(says), "{says}: {error}");
    }
    let nothing = store.import(Path::new("x.json"), serde_json::json!([1]), None);
    assert!(nothing.is_err());
    assert_eq!(store.learners().unwrap().len(), 1);
}

#[test]
fn rows_of_a_newer_program_are_left_out_and_its_form_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (store, learner) = filled(&paths);
    sqlite3(store.file(), "UPDATE answers SET way = 77 WHERE id = 1");
    sqlite3(
        store.file(),
        "UPDATE answers SET item = 'C4+E4@treble' WHERE id = 2",
    );
    assert_eq!(
        store
            .answers(learner, AnswerFilter::default())
            .unwrap()
            .len(),
        1
    );
    drop(store);
    sqlite3(&paths.database(), "PRAGMA user_version = 99");
    let error = Store::open(&paths).unwrap_err();
    assert!(matches!(error, StoreError::Newer { found: 99, .. }));
    assert!(error.to_string().contains("update Stavelark"));
}

#[test]
fn a_database_of_another_program_is_not_touched() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    sqlite3(
        &paths.database(),
        "CREATE TABLE theirs (x); INSERT INTO theirs VALUES (1)",
    );
    assert!(matches!(
        Store::open(&paths),
        Err(StoreError::Damaged { .. })
    ));
    assert_eq!(sqlite3(&paths.database(), "SELECT x FROM theirs"), "1");
    let restored = Store::restore(&paths, Some(&paths.database())).unwrap_err();
    assert!(matches!(restored, StoreError::BadFile { .. }));
}

#[test]
fn programs_begun_at_once_on_a_new_record_share_its_first_learner() {
    const AT_ONCE: usize = 4;
    for _ in 0..10 {
        let folder = tempfile::tempdir().unwrap();
        let paths = Paths::in_folder(folder.path());
        let together = std::sync::Barrier::new(AT_ONCE);
        let found: Vec<LearnerId> = std::thread::scope(|scope| {
            let begin = || {
                together.wait();
                let mut store = Store::open(&paths).unwrap();
                store.current_or_first("Wren", at(0)).unwrap().id
            };
            let all: Vec<_> = (0..AT_ONCE).map(|_| scope.spawn(begin)).collect();
            all.into_iter().map(|one| one.join().unwrap()).collect()
        });
        assert!(found.iter().all(|id| *id == found[0]), "{found:?}");
        assert_eq!(Store::open(&paths).unwrap().learners().unwrap().len(), 1);
    }
}

#[test]
fn who_is_in_use_stays_so_where_a_first_learner_is_wanted() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(&Paths::in_folder(folder.path())).unwrap();
    store.add_learner("Wren", at(0)).unwrap();
    let osric = store.add_learner("Osric", at(1)).unwrap();
    store.use_learner("Osric").unwrap();
    assert_eq!(store.current_or_first("Wren", at(2)).unwrap(), osric);
    let nobody = tempfile::tempdir().unwrap();
    let mut store = Store::open(&Paths::in_folder(nobody.path())).unwrap();
    assert!(matches!(
        store.current_or_first("  ", at(0)),
        Err(StoreError::BadName { .. })
    ));
}
