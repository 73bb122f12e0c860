//! A sitting at the piano by way of the sound server: begun, played, and followed by its events.

use std::time::{Duration, Instant};

use serde_json::Value;
use stavelark::theory::{MidiNote, Pitch};

use super::grand::RATE;
use super::sound_server::SoundServer;
use super::{Rig, Screen, sample};

/// What the server keeps in store for the player: enough for a machine busy with other tests.
pub const STORE: Duration = Duration::from_millis(300);

/// A player's breath: what sounded before is damped, and the ear has settled on a stream.
pub fn pause() {
    std::thread::sleep(Duration::from_millis(500));
}

/// A sitting at the piano in the room of `server`.
pub fn sit(rig: &Rig, server: &SoundServer, args: &[&str]) -> Screen {
    rig.ok(&["course", "use", &sample("recorded.toml")]);
    let events = rig.file("events.jsonl");
    let mut all = vec![
        "practice",
        "--answer-by",
        "piano",
        "--seed",
        "3",
        "--events",
    ];
    all.push(events.to_str().unwrap());
    all.extend(args);
    server.screen(rig, &all, (80, 24))
}

/// Plays until something comes of it: on a busy machine a stroke may be lost with the sound.
pub fn until_heard(mut play: impl FnMut(), what: &str, mut heard: impl FnMut() -> bool) {
    for _ in 0..8 {
        pause();
        play();
        let began = Instant::now();
        while began.elapsed() < Duration::from_secs(4) {
            if heard() {
                return;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    panic!("no {what} is heard");
}

/// Waits until the events are as wished, `seconds` at most; gives them.
pub fn await_events(
    rig: &Rig,
    seconds: u64,
    reached: impl Fn(&[Value]) -> bool,
) -> Option<Vec<Value>> {
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(seconds) {
        let events = rig.events("events.jsonl");
        if reached(&events) {
            return Some(events);
        }
        std::thread::sleep(Duration::from_millis(3));
    }
    None
}

/// The same, where it must come.
pub fn wait_for(
    rig: &Rig,
    screen: &Screen,
    what: &str,
    reached: impl Fn(&[Value]) -> bool,
) -> Vec<Value> {
    await_events(rig, 60, reached)
        .unwrap_or_else(|| panic!("no {what}; the screen shows:\n{}", screen.text()))
}

/// How many events there were of that kind.
pub fn count(events: &[Value], event: &str) -> usize {
    events.iter().filter(|e| e["event"] == event).count()
}

/// The answers among the events.
pub fn answers(events: &[Value]) -> Vec<&Value> {
    events.iter().filter(|e| e["event"] == "answer").collect()
}

/// The key of the last prompt.
pub fn asked(events: &[Value]) -> MidiNote {
    let prompt = events.iter().rfind(|e| e["event"] == "prompt").unwrap();
    prompt["item"]["pitch"]
        .as_str()
        .unwrap()
        .parse::<Pitch>()
        .unwrap()
        .midi()
}

/// The key so many semitones higher.
pub fn up(key: MidiNote, semitones: i16) -> MidiNote {
    MidiNote(key.0 + semitones)
}

/// `sound` let go after `seconds`.
pub fn short(mut sound: Vec<f32>, seconds: f64) -> Vec<f32> {
    let held = (seconds * f64::from(RATE)) as usize;
    for (i, sample) in sound.iter_mut().skip(held).enumerate() {
        *sample *= (-(i as f32) / 1_500.0).exp();
    }
    sound.truncate(held + RATE as usize / 2);
    sound
}

/// The key of a written name.
pub fn key_of(name: &Value) -> MidiNote {
    name.as_str().unwrap().parse::<Pitch>().unwrap().midi()
}
