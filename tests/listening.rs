//! The listener against recordings of a real grand piano whose keys are known (see samples/grand/README.md).
#![allow(clippy::unwrap_used, clippy::panic)]

use std::path::Path;

use stavelark::shell::wav;
use stavelark::signal::listen::{Listener, NoteEvent, Options, Surety};

/// Name of each recording and the MIDI number of its key: every third key from A0 (21) to A7 (105).
fn recordings() -> Vec<(String, i16)> {
    let names = ["C", "Ds", "Fs", "A"];
    (21..=105)
        .step_by(3)
        .map(|midi| {
            let octave = midi / 12 - 1;
            (format!("{}{octave}", names[(midi % 12) as usize / 3]), midi)
        })
        .collect()
}

fn recording(name: &str) -> (u32, Vec<f32>) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("samples/grand/{name}.wav"));
    let sound = wav::read(&path).unwrap();
    (sound.rate, sound.mono)
}

fn heard(rate: u32, sound: &[f32]) -> Vec<NoteEvent> {
    let mut listener = Listener::new(rate, Options::default()).unwrap();
    let mut events = listener.push(sound);
    events.extend(listener.finish());
    events
}

/// At least `least` of the 29 recordings must after `change` give exactly one note, their own key.
fn keys_are_named(what: &str, least: usize, change: impl Fn(Vec<f32>, u32) -> Vec<f32>) {
    let mut wrong = Vec::new();
    for (name, midi) in recordings() {
        let (rate, sound) = recording(&name);
        let events = heard(rate, &change(sound, rate));
        let right = matches!(&events[..], [e] if e.key.0 == midi && e.surety == Surety::Sure);
        if !right {
            let got: Vec<_> = events
                .iter()
                .map(|e| (e.key.0, e.onset_s, e.confidence, e.surety))
                .collect();
            wrong.push(format!("{name} ({midi}): {got:?}"));
        }
    }
    assert!(29 - wrong.len() >= least, "{what}:\n{}", wrong.join("\n"));
}

/// The sound as a piano `cents` sharper would give it: played back faster, on straight lines between samples.
fn sharper(sound: &[f32], cents: f64) -> Vec<f32> {
    let speed = (cents / 1200.0).exp2();
    let count = ((sound.len() - 2) as f64 / speed) as usize;
    (0..count)
        .map(|i| {
            let at = i as f64 * speed;
            let low = at as usize;
            let share = (at - low as f64) as f32;
            sound[low] + (sound[low + 1] - sound[low]) * share
        })
        .collect()
}

#[test]
fn there_are_29_recordings_of_known_keys() {
    let all = recordings();
    assert_eq!(all.len(), 29);
    assert_eq!(all[0], ("A0".to_owned(), 21));
    assert_eq!(all[13], ("C4".to_owned(), 60));
    assert_eq!(all[28], ("A7".to_owned(), 105));
}

#[test]
fn every_recorded_key_is_named_with_its_octave() {
    keys_are_named("as recorded", 29, |sound, _| sound);
}

#[test]
fn a_key_played_20_db_softer_is_named() {
    keys_are_named("20 dB softer", 29, |sound, _| {
        sound.iter().map(|s| s * 0.1).collect()
    });
}

#[test]
fn a_key_after_a_second_of_silence_is_named() {
    keys_are_named("after silence", 29, |sound, rate| {
        let mut out = vec![0.0; rate as usize];
        out.extend(sound);
        out
    });
}

#[test]
fn a_key_30_cents_sharp_or_flat_is_named() {
    for cents in [-30.0, 30.0] {
        keys_are_named(&format!("{cents} cents"), 28, |sound, _| {
            sharper(&sound, cents)
        });
    }
}
