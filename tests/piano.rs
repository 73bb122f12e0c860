//! A sitting answered by a recorded piano: every verdict as it should be.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::path::Path;

use rig::grand::{Grand, RATE};
use rig::{Rig, sample};
use stavelark::theory::{MidiNote, Pitch};

/// What the player does at one prompt.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Deed {
    /// The right key.
    Right,
    /// The white or black key above, then the right one.
    Neighbour,
    /// The right name an octave up, then the right key.
    OctaveUp,
    /// Nothing for six seconds, then the right key.
    Wait,
    /// A key struck so soon after the last that the prompt was not there yet, then the right one.
    TooSoon,
}

/// Twenty prompts.
const DEEDS: [Deed; 20] = {
    use Deed::{Neighbour, OctaveUp, Right, TooSoon, Wait};
    [
        Right, Right, Neighbour, Right, OctaveUp, Right, Wait, Right, TooSoon, Right, Neighbour,
        OctaveUp, Right, Right, TooSoon, Right, Wait, Neighbour, OctaveUp, Right,
    ]
};

/// A recording being made.
#[derive(Default)]
struct Tape {
    sound: Vec<f32>,
    /// Where the last key was struck, in samples.
    last: usize,
}

impl Tape {
    /// Strikes `key` `after_s` after the last; the key before is let go then.
    fn strike(&mut self, sound: &[f32], after_s: f64, damp: bool) {
        let start = self.last + (after_s * f64::from(RATE)) as usize;
        if damp {
            // A damper takes a few hundredths of a second.
            for (i, sample) in self.sound.iter_mut().skip(start).enumerate() {
                *sample *= (-(i as f32) / 1_500.0).exp();
            }
        }
        self.sound
            .resize(self.sound.len().max(start + sound.len()), 0.0);
        for (target, sample) in self.sound[start..].iter_mut().zip(sound) {
            *target += 0.5 * sample;
        }
        self.last = start;
    }

    fn write(&self, path: &Path) {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: RATE,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(path, spec).unwrap();
        for sample in &self.sound {
            writer
                .write_sample((sample.clamp(-1.0, 1.0) * 32_767.0) as i16)
                .unwrap();
        }
        writer.finalize().unwrap();
    }
}

/// Runs the sitting on what is recorded so far and gives its events.
fn sit(tape: &Tape) -> (Vec<serde_json::Value>, Option<i32>) {
    let sat = sit_for(&Rig::new(), tape, 20);
    (sat.events, sat.code)
}

struct Sat {
    events: Vec<serde_json::Value>,
    code: Option<i32>,
    said: String,
}

fn sit_for(rig: &Rig, tape: &Tape, prompts: u32) -> Sat {
    rig.ok(&["course", "use", &sample("recorded.toml")]);
    tape.write(&rig.file("take.wav"));
    let (take, events) = (rig.file("take.wav"), rig.file("events.jsonl"));
    let output = rig.run(&[
        "practice",
        "--answer-by",
        "piano",
        "--seed",
        "3",
        "--prompts",
        &prompts.to_string(),
        "--input",
        take.to_str().unwrap(),
        "--events",
        events.to_str().unwrap(),
    ]);
    Sat {
        events: rig.events("events.jsonl"),
        code: output.status.code(),
        said: String::from_utf8(output.stdout).unwrap(),
    }
}

#[test]
fn twenty_prompts_answered_on_a_recorded_grand_are_judged_as_they_were_played() {
    let piano = Grand::load();
    let mut tape = Tape::default();
    // Half a second of a quiet room before the first key.
    tape.sound.resize(RATE as usize / 2, 0.0);
    let mut expected: Vec<(u64, &str)> = Vec::new();
    for (index, deed) in DEEDS.iter().enumerate() {
        let number = index as u64 + 1;
        let (events, _) = sit(&tape);
        let prompt = events
            .iter()
            .find(|e| e["event"] == "prompt" && e["number"] == number)
            .unwrap_or_else(|| panic!("prompt {number} does not come: {events:#?}"));
        let asked: Pitch = prompt["item"]["pitch"].as_str().unwrap().parse().unwrap();
        let key = asked.midi();
        let up = |semitones| piano.strike(MidiNote(key.0 + semitones));
        match deed {
            Deed::Right => {}
            Deed::Neighbour => {
                tape.strike(&up(1), 1.1, true);
                expected.push((number, "wrong"));
            }
            Deed::OctaveUp => {
                tape.strike(&up(12), 1.1, true);
                expected.push((number, "wrong"));
            }
            Deed::Wait => tape.last += 6 * RATE as usize,
            Deed::TooSoon => tape.strike(&up(5), 0.05, false),
        }
        tape.strike(&up(0), 1.1, true);
        expected.push((number, "right"));
    }
    let (events, code) = sit(&tape);
    let given: Vec<(u64, &str)> = events
        .iter()
        .filter(|e| e["event"] == "answer")
        .map(|e| {
            (
                e["number"].as_u64().unwrap(),
                e["outcome"].as_str().unwrap(),
            )
        })
        .collect();
    assert_eq!(given, expected, "{events:#?}");
    assert_eq!(code, Some(0));
    assert_eq!(events.last().unwrap()["reason"], "done");
    // The waited prompt's response time holds the wait; an octave is named as such.
    let waited = events
        .iter()
        .find(|e| e["event"] == "answer" && e["number"] == 7)
        .unwrap();
    assert!(waited["response_ms"].as_u64().unwrap() > 6_000);
}

#[test]
fn a_silent_recording_ends_the_sitting_and_says_so() {
    let mut tape = Tape::default();
    tape.sound.resize(RATE as usize * 2, 0.0);
    let (events, code) = sit(&tape);
    assert_eq!(code, Some(1));
    assert_eq!(events.len(), 2, "{events:?}");
    assert_eq!(events[1]["reason"], "stopped");
}

/// Plays to the prompts of a sitting on a piano that lies `cents` off: the keys that are asked, at prompt 3 a neighbour
/// first; and C4, C3, C5 where three keys are asked for. Gives the sitting at its end.
fn on_a_piano_far_off(piano: &Grand, rig: &Rig, cents: f64) -> Sat {
    let mut tape = Tape::default();
    tape.sound.resize(RATE as usize / 2, 0.0);
    let mut strayed = false;
    for _ in 0..30 {
        let sat = sit_for(&Rig::new(), &tape, 6);
        let prompt = sat.events.iter().rfind(|e| e["event"] == "prompt").unwrap();
        if sat.events.last().unwrap()["reason"] == "done" {
            return sit_for(rig, &tape, 6);
        }
        let asked: Pitch = prompt["item"]["pitch"].as_str().unwrap().parse().unwrap();
        // The prompt is put again when the three keys are known.
        let last_place = ["1 of 3", "2 of 3", "3 of 3"]
            .into_iter()
            .zip([60, 48, 72])
            .rfind(|(place, _)| sat.said.contains(place))
            .filter(|_| !sat.said.contains("heard so from now on"));
        let key = match last_place {
            Some((_, key)) => MidiNote(key),
            None if prompt["number"] == 3 && !strayed => {
                strayed = true;
                MidiNote(asked.midi().0 + 1)
            }
            None => asked.midi(),
        };
        tape.strike(&piano.strike_off(key, cents), 1.1, true);
    }
    panic!("the sitting does not end: {}", sit_for(rig, &tape, 6).said);
}

#[test]
fn a_piano_far_off_is_asked_for_three_keys_and_then_judged_as_it_is() {
    let piano = Grand::load();
    for cents in [-90.0, 110.0, -150.0] {
        let rig = Rig::new();
        let Sat { events, said, .. } = on_a_piano_far_off(&piano, &rig, cents);
        let of = |event: &str| -> Vec<&serde_json::Value> {
            events.iter().filter(|e| e["event"] == event).collect()
        };
        // What was misheard before is taken out of the record; after it every verdict is as it was played.
        let back: Vec<u64> = of("taken_back")
            .iter()
            .map(|e| e["answer"].as_u64().unwrap())
            .collect();
        let kept: Vec<&str> = (0..)
            .zip(of("answer"))
            .filter(|(sequence, _)| !back.contains(sequence))
            .map(|(_, e)| e["outcome"].as_str().unwrap())
            .collect();
        // Half-way between two keys nothing is sure before, and so nothing is misheard.
        let unsure = kept.iter().take_while(|word| **word == "not_sure").count();
        let right = [
            "right", "right", "wrong", "right", "right", "right", "right",
        ];
        assert_eq!(kept[unsure..], right, "{cents}: {said}");
        assert_eq!(back.len() + unsure, 2, "{cents}: {said}");
        let side = if cents < 0.0 { "low" } else { "high" };
        assert!(said.contains(&format!("cents {side}")), "{said}");
        assert_eq!(said.contains("misheard"), !back.is_empty(), "{said}");
        // A recording may be of any piano: nothing is kept of it.
        assert!(!rig.home().join("piano.toml").exists());
    }
}

/// Answers the prompts of a sitting with the keys that are asked, each so many cents off; gives the outcomes.
fn outcomes_off(piano: &Grand, cents: &[f64]) -> Vec<String> {
    let mut tape = Tape::default();
    tape.sound.resize(RATE as usize / 2, 0.0);
    let outcomes = |tape: &Tape| {
        let events = sit(tape).0;
        let prompt = events.iter().rfind(|e| e["event"] == "prompt").unwrap();
        let asked: Pitch = prompt["item"]["pitch"].as_str().unwrap().parse().unwrap();
        let answers = events.iter().filter(|e| e["event"] == "answer");
        let words = answers.map(|e| e["outcome"].as_str().unwrap().to_owned());
        (asked.midi(), words.collect::<Vec<_>>())
    };
    for off in cents {
        let (asked, _) = outcomes(&tape);
        tape.strike(&piano.strike_off(asked, *off), 1.1, true);
    }
    outcomes(&tape).1
}

#[test]
fn right_answers_teach_how_the_piano_is_tuned() {
    let piano = Grand::load();
    // Two thirds of a semitone low is the key below, on a piano of which nothing is known.
    assert_eq!(outcomes_off(&piano, &[-66.0]), ["wrong"]);
    // Once it is known to lie low, it is the key.
    let taught = outcomes_off(&piano, &[[-36.0; 9].as_slice(), &[-66.0]].concat());
    assert_eq!(taught, ["right"; 10]);
}
