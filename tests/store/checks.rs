//! Tuning checks in the record, and a record of the form before they had remarks.

use stavelark::shell::paths::Paths;
use stavelark::shell::store::{Store, TuningCheck};
use stavelark::signal::tuning::{Instrument, Kept, Remark, Struck, Unison};
use stavelark::theory::{Cents, Hz, MidiNote, Reference};

use super::{Offset, at, sqlite3};

fn struck(key: i16, unison: Option<Unison>, remarks: &[Remark]) -> Struck {
    let kept = Kept {
        key: MidiNote(key),
        first: Hz(440.0 * (f64::from(key - 69) / 12.0).exp2()),
        first_se: Cents(0.25),
        inharmonicity: 5e-4,
        inharmonicity_se: 1e-5,
        unison,
    };
    let mut struck = kept.struck(Reference::default());
    struck.remarks = remarks.to_vec();
    struck
}

fn check() -> TuningCheck {
    let apart = Unison {
        spread: Cents(2.5),
        spread_se: Cents(0.125),
        beats: 0.5,
    };
    let disagree = Remark::Unison(Cents(2.5));
    let mut instrument = Instrument::new(Reference::default());
    instrument.add(struck(60, None, &[]));
    instrument.add(struck(61, Some(apart), &[disagree]));
    // All there are, in the order in which they are made.
    let soft = [Remark::Soft, Remark::Brief, Remark::FewPartials, disagree];
    let rest = [Remark::FalseBeat, Remark::Clipped, Remark::OverAnother];
    let all = [&soft[..], &rest].concat();
    instrument.add(struck(62, Some(apart), &all));
    for (key, remark) in (63..).zip(all.into_iter().filter(|remark| *remark != disagree)) {
        instrument.add(struck(key, None, &[remark]));
    }
    instrument.mute = vec![MidiNote(21), MidiNote(108)];
    TuningCheck {
        at: at(7),
        offset: Offset::UTC,
        humidity: Some(45.0),
        instrument,
    }
}

#[test]
fn a_check_comes_back_with_its_remarks_and_the_keys_that_hardly_sound() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    let mut store = Store::open(&paths).unwrap();
    let number = store.keep_check(&check(), None).unwrap();
    assert_eq!(store.checks(2).unwrap(), [check()]);
    let rows =
        "SELECT group_concat(remarks, ' ') FROM (SELECT remarks FROM check_keys ORDER BY key)";
    assert_eq!(sqlite3(store.file(), rows), "0 0 63 1 2 4 8 16 32");
    let mute = "SELECT group_concat(key, ' ') FROM (SELECT key FROM check_mute ORDER BY key)";
    assert_eq!(sqlite3(store.file(), mute), "21 108");
    // Kept again in its own place, and forgotten: nothing of it is left.
    store.keep_check(&check(), Some(number)).unwrap();
    assert_eq!(store.checks(2).unwrap(), [check()]);
    assert!(store.forget_check().unwrap());
    for table in ["checks", "check_keys", "check_mute"] {
        let left = sqlite3(store.file(), &format!("SELECT count(*) FROM {table}"));
        assert_eq!(left, "0", "{table}");
    }
}

#[test]
fn a_record_of_the_form_before_remarks_is_carried_over() {
    let folder = tempfile::tempdir().unwrap();
    let paths = Paths::in_folder(folder.path());
    for form in 1..=4 {
        let read = format!(
            ".read '{}/src/shell/store/migrations/{form}.sql'",
            env!("CARGO_MANIFEST_DIR")
        );
        sqlite3(&paths.database(), &read);
    }
    sqlite3(
        &paths.database(),
        "INSERT INTO checks (id, at, \"offset\", reference, humidity) VALUES (3, 1772438407000, 0, 440, 45);
         INSERT INTO check_keys VALUES (3, 60, 261.5, 0.25, 5e-4, 1e-5, NULL, NULL, NULL);
         INSERT INTO check_keys VALUES (3, 61, 277.5, 0.25, 5e-4, 1e-5, 2.5, 0.125, 0.5);
         -- \"StvL\"
         PRAGMA application_id = 1400141388;
         PRAGMA user_version = 4;",
    );
    let mut store = Store::open(&paths).unwrap();
    assert_eq!(sqlite3(store.file(), "PRAGMA user_version"), "5");
    let backups = Store::backups(&paths);
    assert_eq!(backups.len(), 1);
    assert_eq!(sqlite3(&backups[0], "PRAGMA user_version"), "4");
    let kept = store.checks(2).unwrap();
    assert_eq!(
        (kept.len(), kept[0].at, kept[0].humidity),
        (1, at(7), Some(45.0))
    );
    let keys: Vec<(i16, f64, &[Remark])> = kept[0]
        .instrument
        .keys
        .values()
        .map(|struck| (struck.key.0, struck.reading.first.0, &struck.remarks[..]))
        .collect();
    let disagree = Remark::Unison(Cents(2.5));
    assert_eq!(keys, [(60, 261.5, &[][..]), (61, 277.5, &[disagree][..])]);
    assert_eq!(kept[0].instrument.mute, []);
    // A check that is kept now has all.
    store.keep_check(&check(), None).unwrap();
    assert_eq!(store.checks(1).unwrap(), [check()]);
}
