//! Somebody who reads aloud is told hardly any note: speech of espeak-ng, a speech synthesiser from outside the project.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod rig;

use std::process::Command;

use rig::{Rig, need, recording};
use stavelark::signal::listen::{Listener, Options, Surety};

/// Voices of espeak-ng and words a minute.
const VOICES: [(&str, &str); 4] = [
    ("en-gb", "150"),
    ("en-us+m3", "155"),
    ("en-us+f3", "165"),
    ("en-gb+f2", "160"),
];
/// So much of the text each reads.
const WORDS: usize = 330;

/// The README's sentences.
fn text() -> String {
    let readme = include_str!("../README.md");
    let prose = readme
        .split("\n\n")
        .filter(|paragraph| paragraph.starts_with(char::is_alphabetic));
    let words = prose.flat_map(str::split_whitespace).take(WORDS);
    words.collect::<Vec<_>>().join(" ")
}

#[test]
fn a_voice_that_reads_aloud_is_told_one_note_a_minute_at_most() {
    let rig = Rig::new();
    let text = text();
    let (mut notes, mut seconds) = (0, 0.0);
    for (voice, pace) in VOICES {
        let file = rig.file("speech.wav");
        let status = Command::new(need("espeak-ng", "espeak-ng"))
            .args(["-v", voice, "-s", pace, "-w", file.to_str().unwrap(), &text])
            .status()
            .unwrap();
        assert!(status.success());
        let (sound, rate) = recording(&file);
        let most = sound.iter().fold(1e-4_f32, |most, x| most.max(x.abs()));
        let sound: Vec<f32> = sound.iter().map(|x| 0.2 / most * x).collect();
        let mut listener = Listener::new(rate, Options::default()).unwrap();
        let told = sound
            .chunks(1024)
            .flat_map(|block| listener.push(block))
            .filter(|note| note.surety == Surety::Sure)
            .count();
        let minutes = sound.len() as f64 / f64::from(rate) / 60.0;
        println!("{voice}: {told} in {minutes:.1} minutes");
        notes += told;
        seconds += 60.0 * minutes;
    }
    // Each voice reads two minutes and more.
    assert!(seconds > 480.0, "{seconds}");
    assert!(
        f64::from(u32::try_from(notes).unwrap()) <= seconds / 60.0,
        "{notes} in {seconds:.0} s"
    );
}
