//! What is made of a tuning check: kept, compared by season, judged, and used by practice and by the strings tone.

#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;
mod strings;

use std::path::Path;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use stavelark::shell::paths::Paths;
use stavelark::shell::store::{Store, TuningCheck};
use stavelark::signal::tuning::{Instrument, Kept, Named, find_strikes, read_key};
use stavelark::theory::{Cents, Hz, MidiNote, Reference};
use strings::{
    RATE, Wire, at_speed, cents, equal, folder_of_keys, recorded, sound, usual_b, write,
};

#[test]
fn a_check_is_kept_compared_by_season_and_sounded_like() {
    let rig = rig::Rig::new();
    let mut random = ChaCha8Rng::seed_from_u64(21);
    let folder = rig.file("keys");
    let name = folder.to_str().unwrap().to_owned();
    let check = |day: &str, more: &[&str]| {
        let mut command = rig.wrapped(&rig::dated(day), &["tuning", "--input", &name]);
        let output = command.args(more).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    let none = rig.run(&["tuning", "--last"]);
    assert_eq!(none.status.code(), Some(2));
    folder_of_keys(&folder, -20.0, 1.3, RATE, &mut random);
    check("2026-03-10 12:00:00", &["--humidity", "38"]);
    folder_of_keys(&folder, -13.0, 1.3, RATE, &mut random);
    let autumn = check("2026-09-12 12:00:00", &["--humidity", "61", "--compare"]);
    assert!(
        autumn.contains("Since the check of 2026-03-10: the whole moved by +7.0 cents"),
        "{autumn}"
    );
    assert!(
        autumn.contains("38 % and is at 61 %: more humid") && autumn.contains("another season")
    );
    let year = check("2027-03-20 12:00:00", &["--compare", "--do-not-keep"]);
    assert!(
        year.contains("2026-03-10") && year.contains("same season"),
        "{year}"
    );
    assert_eq!(rig.sql("select count(*) from checks"), "2");

    // What is kept is read back, and the strings tone sounds like it: C♯5 lies 13 cents low, and is 1.3 times as stiff.
    let last = rig.run(&["tuning", "--last", "--json", "--compare"]);
    let read: serde_json::Value = serde_json::from_slice(&last.stdout).unwrap();
    assert_eq!(read["keys"].as_array().unwrap().len(), 16);
    assert_eq!(read["summary"]["comparisons"].as_array().unwrap().len(), 1);
    let wav = rig.file("like.wav");
    let wav = wav.to_str().unwrap();
    rig.ok(&["play", "C#5", "--own-piano", "--for", "2", "--wav", wav]);
    let (samples, _) = rig::recording(Path::new(wav));
    let strike = find_strikes(&samples, RATE).into_iter().next().unwrap();
    let near = Named::usual(MidiNote(73), Hz(equal(73.0)));
    let reading = read_key(&samples[strike.samples], RATE, near).unwrap();
    let kept = read["keys"].as_array().unwrap();
    let kept = kept.iter().find(|key| key["midi"] == 73).unwrap();
    let off = cents(reading.first.0, kept["frequency_hz"].as_f64().unwrap());
    assert!(off.abs() < 0.1, "{off}");
    // The record's stiffness is smoothed over its neighbours.
    let stiff = reading.inharmonicity / usual_b(73.0);
    assert!((1.2..1.4).contains(&stiff), "{stiff}");

    rig.ok(&["tuning", "--forget"]);
    rig.ok(&["tuning", "--forget"]);
    let none = rig.run(&["play", "A4", "--own-piano", "--wav", wav, "--force"]);
    assert!(
        String::from_utf8(none.stderr)
            .unwrap()
            .contains("stavelark tuning")
    );
}

#[test]
fn a_kept_check_tells_its_remarks_and_mute_keys_as_a_fresh_one_does() {
    let rig = rig::Rig::new();
    let mut random = ChaCha8Rng::seed_from_u64(24);
    let folder = rig.file("keys");
    folder_of_keys(&folder, 0.0, 1.0, RATE, &mut random);
    // One key is let go soon; one has two strings two cents apart and is struck very softly.
    let wire =
        |midi: i16, random: &mut ChaCha8Rng| Wire::new(midi, 0.0, usual_b(f64::from(midi)), random);
    let short = wire(60, &mut random);
    let (samples, _) = sound(&[short], 0.4, RATE, 50.0, &mut random);
    write(&folder.join("short.wav"), RATE, &samples);
    let one = wire(72, &mut random);
    let other = one.beside(2.0, &mut random);
    let (mut samples, _) = sound(&[one, other], 2.0, RATE, 60.0, &mut random);
    samples.iter_mut().for_each(|sample| *sample *= 0.005);
    write(&folder.join("soft.wav"), RATE, &samples);
    let said = |args: &[&str]| -> serde_json::Value {
        let read: serde_json::Value = serde_json::from_slice(&rig.run(args).stdout).unwrap();
        let keys = read["keys"].as_array().unwrap();
        keys.iter()
            .map(|key| (key["midi"].to_string(), key["remarks"].clone()))
            .collect::<serde_json::Map<_, _>>()
            .into()
    };
    let fresh = said(&["tuning", "--json", "--input", folder.to_str().unwrap()]);
    assert_eq!(fresh["60"].as_array().unwrap().len(), 1, "{fresh}");
    assert!(fresh["60"][0].as_str().unwrap().contains("too shortly"));
    let soft = fresh["72"].as_array().unwrap();
    assert!(soft[0].as_str().unwrap().contains("it is soft"), "{fresh}");
    assert!(soft[1].as_str().unwrap().contains("cents apart"), "{fresh}");
    assert_eq!(said(&["tuning", "--last", "--json"]), fresh);
    // In a sitting a key may hardly sound, which no recording shows.
    rig.sql("insert into check_mute select id, 30 from checks");
    let page = rig.file("page.html");
    let last = rig.run(&["tuning", "--last", "--html", page.to_str().unwrap()]);
    let said = String::from_utf8(last.stdout).unwrap();
    assert!(said.contains("Hardly sounding: F#1"), "{said}");
    let page = std::fs::read_to_string(page).unwrap();
    assert!(
        page.contains("too shortly")
            && page.contains("it is soft")
            && page.contains("Hardly sounding: F#1")
    );
}

#[test]
fn a_recording_named_with_a_wrong_rate_is_suspected() {
    // 1200 · log2(44.1 / 48) = −146.7 cents.
    let rig = rig::Rig::new();
    let mut random = ChaCha8Rng::seed_from_u64(22);
    let folder = rig.file("keys");
    let name = folder.to_str().unwrap().to_owned();
    folder_of_keys(&folder, 2.0, 1.0, 44_100, &mut random);
    let output = rig.run(&["tuning", "--input", &name]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("48 kHz named as 44.1"), "{said}");
    // A piano that is as flat as another may be is not.
    folder_of_keys(&folder, -35.0, 1.0, RATE, &mut random);
    let output = rig.run(&["tuning", "--input", &name]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(
        said.contains("cents from the reference") && !said.contains("named as 44.1"),
        "{said}"
    );
}

#[test]
fn the_outermost_keys_more_than_half_a_semitone_off_are_still_they() {
    let rig = rig::Rig::new();
    let mut random = ChaCha8Rng::seed_from_u64(23);
    let folder = rig.file("keys");
    std::fs::create_dir_all(&folder).unwrap();
    for (midi, off) in [(21, -57.0), (108, 56.0)] {
        let wire = Wire::new(midi, off, usual_b(f64::from(midi)), &mut random);
        let (samples, _) = sound(&[wire], 1.0, RATE, 50.0, &mut random);
        write(&folder.join(format!("{midi}.wav")), RATE, &samples);
    }
    let output = rig.run(&["tuning", "--json", "--input", folder.to_str().unwrap()]);
    let read: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let keys = read["keys"].as_array().unwrap();
    // In the order of the files' names.
    for (key, (midi, off)) in keys.iter().zip([(108, 56.0), (21, -57.0)]) {
        assert_eq!(key["midi"], midi);
        assert!((key["cents"].as_f64().unwrap() - off).abs() < 0.1, "{key}");
    }
    assert_eq!(
        (keys.len(), read["verdict"].as_str()),
        (2, Some("too_little"))
    );
}

#[test]
fn practice_hears_a_piano_more_than_a_semitone_flat_by_its_record() {
    let shown = |rig: &rig::Rig, take: &Path| {
        rig.ok(&["course", "use", &rig::sample("recorded.toml")]);
        let events = rig.file("events.jsonl");
        rig.run(&[
            "practice",
            "--answer-by",
            "piano",
            "--seed",
            "5",
            "--prompts",
            "1",
            "--force",
            "--input",
            take.to_str().unwrap(),
            "--events",
            events.to_str().unwrap(),
        ]);
        rig.events("events.jsonl")
    };
    let (with, without) = (rig::Rig::new(), rig::Rig::new());
    let silence = without.file("silence.wav");
    write(&silence, 44_100, &vec![0.0; 44_100]);
    let events = shown(&without, &silence);
    let asked = events[0]["item"]["pitch"].as_str().unwrap().to_owned();
    let key = asked.parse::<stavelark::theory::Pitch>().unwrap().midi();

    // A record of a piano 120 cents flat, and the asked key's recording as it would sound there.
    let mut instrument = Instrument::new(Reference::default());
    let place = |key: i16| Hz(equal(f64::from(key))).raised(Cents(-120.0));
    for midi in (24..=105).step_by(9) {
        let kept = Kept {
            key: MidiNote(midi),
            first: place(midi),
            first_se: Cents(0.1),
            inharmonicity: usual_b(f64::from(midi)),
            inharmonicity_se: 1e-6,
            unison: None,
        };
        instrument.add(kept.struck(Reference::default()));
    }
    let check = TuningCheck {
        at: jiff::Timestamp::UNIX_EPOCH,
        offset: jiff::tz::Offset::UTC,
        humidity: None,
        instrument,
    };
    let paths = Paths::in_folder(&with.home());
    Store::open(&paths)
        .unwrap()
        .keep_check(&check, None)
        .unwrap();
    let (recorded, _) = recorded(&asked.replace('#', "s"));
    let mut take = vec![0.0; 44_100];
    take.extend(at_speed(&recorded, -120.0));
    let file = with.file("flat.wav");
    write(&file, 44_100, &take);
    let outcome = |rig: &rig::Rig| {
        let events = shown(rig, &file);
        let answer = events.iter().find(|event| event["event"] == "answer");
        answer.map(|answer| answer["outcome"].as_str().unwrap().to_owned())
    };
    assert_eq!(outcome(&with).as_deref(), Some("right"), "{key:?}");
    assert_ne!(outcome(&without).as_deref(), Some("right"), "{key:?}");
}

#[test]
fn a_flat_even_piano_gets_its_reference_and_later_checks_are_compared() {
    let mut random = ChaCha8Rng::seed_from_u64(12);
    let rig = rig::Rig::new();
    let folder = rig.file("keys");
    // Hardly stiff: the curve it asks for is flat.
    let stiffness = 0.001;
    folder_of_keys(&folder, -20.0, stiffness, RATE, &mut random);
    let folder_name = folder.to_str().unwrap().to_owned();
    let before = rig
        .command(&["tuning", "--quick", "--json", "--input", &folder_name])
        .output()
        .unwrap();
    let read: serde_json::Value = serde_json::from_slice(&before.stdout).unwrap();
    // 440 · 2^(−20/1200) = 434.95 Hz.
    assert_eq!(read["verdict"], "set_reference", "{read:#}");
    assert!((read["set_reference_hz"].as_f64().unwrap() - 434.95).abs() < 0.15);
    assert_eq!(read["summary"]["provisional"], true);
    let kept = rig.file("before.json");
    std::fs::write(&kept, &before.stdout).unwrap();
    folder_of_keys(&folder, -26.0, stiffness, RATE, &mut random);
    let later = rig.ok(&[
        "tuning",
        "--input",
        &folder_name,
        "--compare",
        kept.to_str().unwrap(),
    ]);
    assert!(later.contains("moved by -6.0 cents"), "{later}");
    assert!(
        later.contains("Provisional") && later.contains("qualified technician"),
        "{later}"
    );
    let rows = rig.ok(&["tuning", "--csv", "--input", &folder_name]);
    assert!(
        rows.starts_with("midi,name,frequency_hz") && rows.lines().count() == 17,
        "{rows}"
    );
}
