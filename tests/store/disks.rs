//! Disks that are full or may not be written, and several programs at once.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use stavelark::shell::paths::Paths;
use stavelark::shell::store::{AnswerFilter, Store, StoreError};
use stavelark::study::Outcome;

use super::{answer, at, filled, sitting};

/// A small disk in memory; unmounted when dropped.
struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    fn mount(options: &str) -> SmallDisk {
        let folder = tempfile::tempdir().unwrap();
        let status = Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(folder.path())
            .status()
            .unwrap();
        assert!(status.success(), "mounting a small disk needs root");
        SmallDisk(folder)
    }

    fn remount(&self, options: &str) {
        let status = Command::new("mount")
            .args(["-o", &format!("remount,{options}")])
            .arg(self.0.path())
            .status()
            .unwrap();
        assert!(status.success());
    }

    fn paths(&self) -> Paths {
        Paths::in_folder(&self.0.path().join("data"))
    }

    /// Writes zeros until nothing more goes.
    fn fill(&self) -> PathBuf {
        let ballast = self.0.path().join("ballast");
        let mut file = fs::File::create(&ballast).unwrap();
        while std::io::Write::write_all(&mut file, &[0; 512]).is_ok() {}
        ballast
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.0.path()).status();
    }
}

#[test]
fn a_full_disk_is_named_and_what_was_saved_stays() {
    let disk = SmallDisk::mount("size=2m");
    let (mut store, learner) = filled(&disk.paths());
    let sitting = sitting(&mut store, learner);
    let ballast = disk.fill();
    let mut saved = 3;
    let error = loop {
        let answer = answer(10, "C4@treble", Outcome::Right);
        match store.save_answer(sitting, &answer) {
            Ok(_) => saved += 1,
            Err(error) => break error,
        }
        assert!(saved < 100_000);
    };
    assert!(matches!(error, StoreError::Full { .. }), "{error:?}");
    assert!(error.to_string().contains("free some space"));
    let kept = |store: &Store| {
        store
            .answers(learner, AnswerFilter::default())
            .unwrap()
            .len()
    };
    assert_eq!(kept(&store), saved);
    let backup = store.backup(&disk.paths().data.join("copy.sqlite3"));
    assert!(matches!(backup, Err(StoreError::Full { .. })), "{backup:?}");

    fs::remove_file(ballast).unwrap();
    store
        .save_answer(sitting, &answer(11, "C4@treble", Outcome::Right))
        .unwrap();
    drop(store);
    let store = Store::open(&disk.paths()).unwrap();
    store.check().unwrap();
    assert_eq!(kept(&store), saved + 1);
}

#[test]
fn a_store_on_a_disk_without_any_room_says_so_when_it_is_opened() {
    let disk = SmallDisk::mount("size=256k");
    let ballast = disk.fill();
    let error = Store::open(&disk.paths()).unwrap_err();
    assert!(matches!(error, StoreError::Full { .. }), "{error:?}");
    fs::remove_file(ballast).unwrap();
    let (store, _) = filled(&disk.paths());
    drop(store);
    disk.fill();
    match Store::open(&disk.paths()) {
        Ok(_) | Err(StoreError::Full { .. }) => {}
        Err(other) => panic!("{other:?}"),
    }
}

#[test]
fn a_read_only_disk_is_named_with_the_way_out() {
    let disk = SmallDisk::mount("size=2m");
    let (mut store, learner) = filled(&disk.paths());
    let sitting = sitting(&mut store, learner);
    drop(store);
    disk.remount("ro");
    let error = Store::open(&disk.paths()).unwrap_err();
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error:?}");
    assert!(error.to_string().contains("STAVELARK_HOME"));
    let fresh = Paths::in_folder(&disk.0.path().join("other"));
    let error = Store::open(&fresh).unwrap_err();
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error:?}");
    disk.remount("rw");
    let mut store = Store::open(&disk.paths()).unwrap();
    store
        .save_answer(sitting, &answer(9, "C4@treble", Outcome::Right))
        .unwrap();
}

#[test]
fn a_file_where_the_folder_should_be_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("home");
    fs::write(&path, "").unwrap();
    let error = Store::open(&Paths::in_folder(&path)).unwrap_err();
    assert!(matches!(error, StoreError::Folder { .. }), "{error:?}");
    assert!(error.to_string().contains("STAVELARK_HOME"));
}

#[test]
fn two_programs_write_at_once_and_lose_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let (store, learner) = filled(&paths);
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                let mut store = Store::open(&paths).unwrap();
                let sitting = sitting(&mut store, learner);
                for second in 0..200 {
                    let answer = answer(second, "C4@treble", Outcome::Right);
                    store.save_answer(sitting, &answer).unwrap();
                }
            });
        }
    });
    assert_eq!(
        store
            .answers(learner, AnswerFilter::default())
            .unwrap()
            .len(),
        803
    );
}

#[test]
fn programs_that_make_the_store_at_once_make_one() {
    for _ in 0..10 {
        let folder = tempfile::tempdir().unwrap();
        let paths = Paths::in_folder(&folder.path().join("new"));
        std::thread::scope(|scope| {
            for number in 0..4 {
                let paths = &paths;
                scope.spawn(move || {
                    let mut store = Store::open(paths).unwrap();
                    store.add_learner(&format!("Wren {number}"), at(0)).unwrap();
                });
            }
        });
        assert_eq!(Store::open(&paths).unwrap().learners().unwrap().len(), 4);
    }
}
