//! Damage is found, and backups bring everything back.

use std::fs;
use std::os::unix::fs::FileExt;
use std::path::Path;

use stavelark::shell::paths::Paths;
use stavelark::shell::store::{AnswerFilter, Store, StoreError};
use stavelark::study::Outcome;

use super::{answer, filled, sitting, sqlite3};

/// A store whose file is damaged by `harm`, after a backup of it was made.
fn damaged(harm: impl Fn(&fs::File, u64)) -> (tempfile::TempDir, Paths) {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (mut store, learner) = filled(&paths);
    let sitting = sitting(&mut store, learner);
    for second in 10..500 {
        let answer = answer(second, "C4@treble", Outcome::Right);
        store.save_answer(sitting, &answer).unwrap();
    }
    store.backup_daily().unwrap();
    drop(store);
    let file = fs::OpenOptions::new()
        .write(true)
        .open(paths.database())
        .unwrap();
    harm(&file, file.metadata().unwrap().len());
    (folder, paths)
}

#[test]
fn a_damaged_store_is_found_and_the_last_backup_brings_everything_back() {
    type Harm = fn(&fs::File, u64);
    let harms: [Harm; 3] = [
        // The first page, the pages in the middle, the second half.
        |file, _| file.write_all_at(&[0x5A; 100], 0).unwrap(),
        |file, length| {
            file.write_all_at(&vec![0x5A; length as usize / 2], length / 4)
                .unwrap()
        },
        |file, length| file.set_len(length / 2).unwrap(),
    ];
    for harm in harms {
        let (_folder, paths) = damaged(harm);
        let error = Store::open(&paths).unwrap_err();
        assert!(matches!(error, StoreError::Damaged { .. }), "{error:?}");
        let shown = error.to_string();
        assert!(shown.contains("stavelark data restore") && shown.contains("stavelark.sqlite3"));

        let (_, kept) = Store::restore(&paths, None).unwrap();
        assert!(kept.unwrap().exists());
        let store = Store::open(&paths).unwrap();
        store.check().unwrap();
        let learner = store.learner("Wren").unwrap().id;
        assert_eq!(
            store
                .answers(learner, AnswerFilter::default())
                .unwrap()
                .len(),
            493
        );
    }
}

#[test]
fn a_large_damaged_store_is_found_by_the_check_and_never_panics() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (store, learner) = filled(&paths);
    sqlite3(
        store.file(),
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 40000)
         INSERT INTO answers (learner, sitting, day, stage, at, item, prompt, way, outcome, attempt, active_ms)
         SELECT 1, 1, '2026-03-02', 'treble', i, 'C4@treble', 0, 0, 0, 1, 3000 FROM n",
    );
    drop(store);
    let file = fs::OpenOptions::new()
        .write(true)
        .open(paths.database())
        .unwrap();
    let length = file.metadata().unwrap().len();
    assert!(length > 2 * 1024 * 1024, "{length}");
    file.write_all_at(&vec![0x5A; 400_000], length / 2).unwrap();
    let store = Store::open(&paths).unwrap();
    assert!(matches!(store.check(), Err(StoreError::Damaged { .. })));
    assert!(matches!(
        store.backup_daily(),
        Err(StoreError::Damaged { .. })
    ));
    let read = store.answers(learner, AnswerFilter::default());
    assert!(
        matches!(read, Err(StoreError::Damaged { .. })),
        "{:?}",
        read.map(|r| r.len())
    );
}

#[test]
fn a_backup_is_one_file_that_stands_for_the_store() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (mut store, learner) = filled(&paths);
    let copy = folder.path().join("copy.sqlite3");
    store.backup(&copy).unwrap();
    assert!(matches!(
        store.backup(&copy),
        Err(StoreError::Exists { .. })
    ));
    assert_eq!(sqlite3(&copy, "PRAGMA journal_mode"), "delete");
    let sitting = sitting(&mut store, learner);
    store
        .save_answer(sitting, &answer(9, "C4@treble", Outcome::Right))
        .unwrap();

    // Another program goes on while the store goes back.
    let (used, kept) = Store::restore(&paths, Some(&copy)).unwrap();
    assert_eq!(used, copy);
    assert_eq!(
        store
            .answers(learner, AnswerFilter::default())
            .unwrap()
            .len(),
        3
    );
    assert_eq!(sqlite3(&kept.unwrap(), "SELECT count(*) FROM answers"), "4");

    let missing = Store::restore(&paths, Some(Path::new("/nowhere/x"))).unwrap_err();
    assert!(missing.to_string().contains("no such file"));
    let empty = tempfile::tempdir().unwrap();
    let none = Store::restore(&Paths::in_folder(empty.path()), None).unwrap_err();
    assert!(matches!(none, StoreError::NoBackup { .. }));
}

#[test]
fn daily_backups_are_made_once_a_day_and_only_the_last_seven_stay() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (store, _) = filled(&paths);
    fs::create_dir(paths.backups()).unwrap();
    for day in 1..=9 {
        let name = format!("2020010{day}T120000.000Z-daily.sqlite3");
        fs::write(paths.backups().join(name), "old").unwrap();
    }
    let keep = paths
        .backups()
        .join("20190101T120000.000Z-before-form-2.sqlite3");
    fs::write(&keep, "kept").unwrap();
    store.backup_daily().unwrap();
    store.backup_daily().unwrap();
    let left = Store::backups(&paths);
    assert_eq!(left.len(), 8);
    assert!(keep.exists());
    assert!(
        !left
            .iter()
            .any(|path| path.to_string_lossy().contains("20200103"))
    );
    assert!(
        left.iter()
            .any(|path| path.to_string_lossy().contains("20200104"))
    );
    // The only whole one is found among them.
    assert_eq!(Store::restore(&paths, None).unwrap().0, left[0]);
}
