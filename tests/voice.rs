//! Answers by singing: from recordings of a synthetic singer, and live by way of a real sound server.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod rig;

use std::time::{Duration, Instant};

use rig::Rig;
use rig::grand::RATE;
use rig::singer::{Manner, SLIDE_S, USUAL, silence, sung, sung_as, write};
use rig::sound_server::{Player, SoundServer, Witness, alone};
use serde_json::Value;
use stavelark::signal::listen::{Holding, Listener, Options, PitchTrack};
use stavelark::theory::{MidiNote, Pitch};

/// What the singer does at a prompt: semitones off the asked note, and cents off that.
type Deed = (i16, f64);

/// A sitting sung into a recording: each prompt is looked up by a run of what was sung so far, the same seed giving the
/// same prompts. Gives the last run's events.
fn sing(settings: &[&[&str]], stage: &str, deeds: &[Deed]) -> Vec<Value> {
    let usual: Vec<(Deed, Manner)> = deeds.iter().map(|deed| (*deed, USUAL)).collect();
    sing_as(settings, stage, &usual, 0.7).0
}

/// The same, each note in its manner and `seconds` long; and what was said at the end.
fn sing_as(
    settings: &[&[&str]],
    stage: &str,
    deeds: &[(Deed, Manner)],
    seconds: f64,
) -> (Vec<Value>, String) {
    let mut take = silence(0.6);
    let mut began_ms = Vec::new();
    for turn in 0..=deeds.len() {
        let rig = Rig::new();
        rig.ok(&["course", "use", "one-clef"]);
        for setting in settings {
            rig.ok(&[&["settings"], *setting].concat());
        }
        write(&rig.file("take.wav"), &take);
        let events = rig.file("events.jsonl");
        let file = rig.file("take.wav");
        let args = [
            "practice",
            "--answer-by",
            "voice",
            "--stage",
            stage,
            "--seed",
            "3",
            "--prompts",
            "9",
            "--input",
        ];
        let run = rig.run(
            &[
                &args[..],
                &[file.to_str().unwrap(), "--events", events.to_str().unwrap()],
            ]
            .concat(),
        );
        // The recording ends before the sitting does.
        assert_eq!(
            run.status.code(),
            Some(1),
            "{}",
            String::from_utf8_lossy(&run.stderr)
        );
        let events = rig.events("events.jsonl");
        let answers: Vec<&Value> = events.iter().filter(|e| e["event"] == "answer").collect();
        assert_eq!(
            answers.len(),
            turn,
            "each sung note is one answer: {events:#?}"
        );
        for (answer, began) in answers.iter().zip(&began_ms) {
            // Within 350 ms after the tone steadies, in the recording's own time.
            let after = answer["at_ms"].as_f64().unwrap() - began;
            assert!(
                after <= SLIDE_S * 1000.0 + 350.0,
                "{after} ms after its beginning: {answer}"
            );
        }
        let Some(((off, cents), manner)) = deeds.get(turn) else {
            return (events, String::from_utf8(run.stdout).unwrap());
        };
        let asked =
            events.iter().rfind(|e| e["event"] == "prompt").unwrap()["item"]["pitch"].clone();
        let key = asked.as_str().unwrap().parse::<Pitch>().unwrap().midi();
        began_ms.push(take.len() as f64 * 1000.0 / f64::from(RATE));
        take.extend(sung_as(*manner, MidiNote(key.0 + off), *cents, seconds));
        take.extend(silence(0.5));
    }
    unreachable!("the last turn gives the events")
}

/// From the moment a note has reached its pitch until it is told, ms, by the time of the stream; `None` if it is not told as
/// itself or not alone.
fn told_after_ms(manner: Manner, key: MidiNote, cents: f64) -> Option<f64> {
    let lead = 0.6;
    let mut take = silence(lead);
    take.extend(sung_as(manner, key, cents, manner.slide_s + 0.9));
    take.extend(silence(0.5));
    let options = Options {
        piano: false,
        learns: false,
        ..Options::default()
    };
    let mut listener = Listener::new(RATE, options).unwrap();
    // As a microphone gives it.
    let notes: Vec<_> = take
        .chunks(1024)
        .flat_map(|block| listener.push(block))
        .collect();
    match notes[..] {
        [note] if note.key == key => Some((note.decided_s - lead - manner.slide_s) * 1000.0),
        _ => None,
    }
}

#[test]
fn a_sung_note_is_told_within_350_ms_after_it_steadies() {
    let manners = [
        USUAL,
        Manner {
            slide_s: 0.2,
            ..USUAL
        },
        Manner {
            vibrato: (40.0, 6.0),
            ..USUAL
        },
        Manner {
            vibrato: (0.0, 5.5),
            ..USUAL
        },
    ];
    for manner in manners {
        let mut told = Vec::new();
        let mut not_told = Vec::new();
        // From A2 to A5: a bass's middle to a soprano's top.
        for key in (45..=81).map(MidiNote) {
            match told_after_ms(manner, key, f64::from(key.0 % 5) * 5.0 - 10.0) {
                Some(ms) => told.push(ms),
                None => not_told.push(key.0),
            }
        }
        told.sort_by(f64::total_cmp);
        let figures = format!(
            "simulated singer, {manner:?}: {} of {} told, median {:.0} ms, longest {:.0} ms; not told {not_told:?}",
            told.len(),
            told.len() + not_told.len(),
            told[told.len() / 2],
            told[told.len() - 1]
        );
        println!("{figures}");
        assert!(
            not_told.is_empty() && told[told.len() - 1] <= 350.0,
            "{figures}"
        );
    }
}

fn outcomes(events: &[Value]) -> Vec<String> {
    let answers = events.iter().filter(|e| e["event"] == "answer");
    answers
        .map(|a| a["outcome"].as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn a_sung_note_is_judged_by_its_steady_part_and_forgiven_its_octave() {
    let _alone = alone();
    // Right, a tone too high, the right note an octave lower, right and a little sharp.
    let deeds = [(0, 0.0), (2, 0.0), (-12, 0.0), (0, 25.0)];
    let events = sing(&[], "do-to-so", &deeds);
    assert_eq!(outcomes(&events), ["right", "wrong", "right", "right"]);
}

#[test]
fn how_steadily_a_note_is_held_is_told_coarsely() {
    let _alone = alone();
    let drifting = |drift| Manner { drift, ..USUAL };
    let wavering = Manner {
        waver: (30.0, 2.0),
        ..USUAL
    };
    let deeds = [
        ((0, 0.0), USUAL),
        ((0, 0.0), drifting(-50.0)),
        ((0, 0.0), drifting(50.0)),
        ((0, 0.0), wavering),
    ];
    let (events, said) = sing_as(&[], "do-to-so", &deeds, 2.0);
    let held: Vec<&Value> = events.iter().filter(|e| e["event"] == "held").collect();
    let numbers: Vec<u64> = held.iter().map(|h| h["number"].as_u64().unwrap()).collect();
    assert_eq!(numbers, [1, 2, 3, 4], "{events:#?}");
    let figure = |n: usize, name: &str| held[n][name].as_f64().unwrap();
    // From when it is told, some 0.2 s, to 0.1 s before its end: 1.6 to 2 seconds of 50 cents each.
    assert!(
        figure(0, "drift_cents").abs() <= 5.0 && figure(0, "waver_cents") <= 5.0,
        "{held:?}"
    );
    assert!(
        (-100.0..=-80.0).contains(&figure(1, "drift_cents")),
        "{held:?}"
    );
    assert!(
        (80.0..=100.0).contains(&figure(2, "drift_cents")),
        "{held:?}"
    );
    assert!(
        (13.0..=22.0).contains(&figure(3, "waver_cents")),
        "{held:?}"
    );
    for how in [
        "held steadily",
        "sank a little",
        "rose a little",
        "wavered a little",
    ] {
        assert!(said.contains(&format!(", {how}\n")), "{said}");
    }
    let all = "Of 4 notes held: 1 steady, 1 sank a little, 1 rose a little, 1 wavered a little.";
    assert!(said.contains(all), "{said}");
}

#[test]
fn drift_and_wavering_of_a_simulated_singer_are_measured_within_a_few_cents() {
    let (mut drifts, mut wavers) = (Vec::new(), Vec::new());
    for key in [48, 55, 60, 64, 69, 76] {
        for (drift, vibrato) in [(0.0, 20.0), (0.0, 40.0), (-40.0, 20.0), (30.0, 0.0)] {
            let manner = Manner {
                drift,
                vibrato: (vibrato, 5.7),
                ..USUAL
            };
            let mut take = silence(0.5);
            take.extend(sung_as(manner, MidiNote(key), 0.0, 2.5));
            take.extend(silence(0.5));
            let options = Options {
                piano: false,
                ..Options::default()
            };
            let mut track = PitchTrack::new(RATE, options).unwrap();
            let mut holding = Holding::default();
            let mut held = None;
            for block in take.chunks(1024) {
                let frames = track.push(block);
                if !track.take_notes().is_empty() {
                    holding.begin();
                }
                for frame in frames {
                    held = held.or(holding.step(frame.voice));
                }
            }
            let held = held.unwrap_or_else(|| panic!("{key} {manner:?} is not held"));
            assert!((1.6..2.5).contains(&held.seconds), "{held:?}");
            drifts.push((held.drift.0 - drift * held.seconds).abs());
            wavers.push(held.waver.0);
        }
    }
    let worst = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
    let figures = format!(
        "simulated singer, {} notes: drift off by {:.1} cents at most, wavering where there is none {:.1} at most",
        drifts.len(),
        worst(&drifts),
        worst(&wavers)
    );
    println!("{figures}");
    assert!(worst(&drifts) <= 6.0 && worst(&wavers) <= 6.0, "{figures}");
}

#[test]
fn where_the_octave_counts_it_is_not_forgiven() {
    let _alone = alone();
    let events = sing(
        &[&["sung-octave", "counts"]],
        "do-to-so",
        &[(-12, 0.0), (0, 0.0)],
    );
    assert_eq!(outcomes(&events), ["wrong", "right"]);
}

#[test]
fn what_is_heard_is_sung_back_in_the_octave_of_the_voice() {
    let _alone = alone();
    let events = sing(
        &[&["voice", "bass"]],
        "do-to-so-heard",
        &[(-11, 0.0), (-12, 0.0)],
    );
    assert_eq!(outcomes(&events), ["wrong", "right"]);
}

#[test]
fn a_range_is_found_from_gentle_singing_and_kept() {
    let _alone = alone();
    let rig = Rig::new();
    let mut take = silence(0.5);
    // From B3 down to G3 and up to E4, each held for a moment: an alto at ease.
    for key in [59, 57, 55, 59, 60, 62, 64, 65, 67, 69] {
        take.extend(sung(MidiNote(key), 5.0, 0.8));
        take.extend(silence(0.3));
    }
    write(&rig.file("sung.wav"), &take);
    let file = rig.file("sung.wav");
    let found: Value =
        serde_json::from_str(&rig.ok(&["voice", "--input", file.to_str().unwrap(), "--json"]))
            .unwrap();
    // G3 is 55, A4 is 69; a semitone at each end is spared, and one either way is the ear's.
    let (low, high) = (
        found["low_midi"].as_i64().unwrap(),
        found["high_midi"].as_i64().unwrap(),
    );
    assert!(
        (55..=57).contains(&low) && (67..=69).contains(&high),
        "{found}"
    );
    assert_eq!(found["nearest_kind"], "alto");
    let kept = || rig.ok(&["settings", "voice"]);
    assert!(
        kept().contains(found["range"].as_str().unwrap()),
        "{}",
        kept()
    );

    // Too little to tell changes nothing.
    write(&rig.file("short.wav"), &sung(MidiNote(60), 0.0, 1.0));
    let file = rig.file("short.wav");
    let run = rig.run(&["voice", "--input", file.to_str().unwrap()]);
    assert_eq!(run.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&run.stderr).contains("Nothing was"));
    assert!(
        kept().contains(found["range"].as_str().unwrap()),
        "{}",
        kept()
    );
    let bad = rig.run(&["settings", "voice", "C4-D4"]);
    assert!(
        String::from_utf8_lossy(&bad.stderr).contains("C4-A4"),
        "{bad:?}"
    );
}

#[test]
fn a_live_sitting_is_begun_and_answered_by_singing() {
    let _alone = alone();
    let server = SoundServer::start();
    let rig = Rig::new();
    rig.ok(&["course", "use", "one-clef"]);
    let events = rig.file("events.jsonl");
    let args = [
        "practice",
        "--answer-by",
        "voice",
        "--stage",
        "do-to-so",
        "--prompts",
        "2",
        "--seed",
        "3",
        "--events",
    ];
    let args = [&args[..], &[events.to_str().unwrap()]].concat();
    let mut screen = server.screen(&rig, &args, (80, 24));
    let witness = Witness::listen(&server);
    let player = Player::sit_down(&server, Duration::from_millis(120));
    let count = |event: &str| {
        rig.events("events.jsonl")
            .iter()
            .filter(|e| e["event"] == event)
            .count()
    };
    screen.wait_for("Sing any note to begin");
    // Sung until it is heard: the microphone may still be opening.
    let began = Instant::now();
    let mut since = Instant::now();
    while count("prompt") == 0 {
        assert!(
            began.elapsed() < Duration::from_secs(120),
            "{}",
            screen.text()
        );
        since = player.strike(sung(MidiNote(60), 0.0, 1.0));
        let sent = Instant::now();
        while count("prompt") == 0 && sent.elapsed() < Duration::from_secs(4) {
            std::thread::sleep(Duration::from_millis(10));
        }
    }
    for (number, deeds) in [(1, vec![2, 0]), (2, vec![0])] {
        // The starting chord sounds in the room; it is not judged, and what is sung comes after it.
        let chord = since + Duration::from_millis(1_200);
        witness.wait_for_quiet(chord, Duration::from_millis(400));
        for off in deeds {
            let before = count("answer");
            let prompt = rig
                .events("events.jsonl")
                .iter()
                .rfind(|e| e["event"] == "prompt")
                .unwrap()
                .clone();
            assert_eq!(prompt["number"], number);
            let asked: Pitch = prompt["item"]["pitch"].as_str().unwrap().parse().unwrap();
            let began = Instant::now();
            while count("answer") == before {
                assert!(
                    began.elapsed() < Duration::from_secs(120),
                    "{}",
                    screen.text()
                );
                since = player.strike(sung(MidiNote(asked.midi().0 + off), 0.0, 1.0));
                let sent = Instant::now();
                while count("answer") == before && sent.elapsed() < Duration::from_secs(3) {
                    std::thread::sleep(Duration::from_millis(10));
                }
            }
            let events = rig.events("events.jsonl");
            let answer = events
                .iter()
                .filter(|e| e["event"] == "answer")
                .nth(before)
                .unwrap();
            assert_eq!(
                answer["outcome"],
                if off == 0 { "right" } else { "wrong" },
                "{answer}"
            );
            if off != 0 {
                screen.wait_for("That was");
                // The voice is let die away before the next note.
                witness.wait_for_quiet(since, Duration::from_millis(300));
            }
        }
    }
    screen.wait_for("Done for this sitting");
    // Two prompts by voice = 2, shown = 0.
    assert_eq!(rig.sql("select distinct way || prompt from answers"), "20");
    screen.send("\x1b");
    assert_eq!(screen.end(), 0);
}
