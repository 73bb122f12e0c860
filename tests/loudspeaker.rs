//! The loudspeaker on a real sound server: what `play` sends is what comes out, and a lost server is said.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod measure;
mod rig;

use std::io::{BufRead, BufReader, Read};
use std::process::Stdio;
use std::time::{Duration, Instant};

use rig::Rig;
use rig::sound_server::SoundServer;
use stavelark::theory::{Hz, MidiNote, Reference, Temperament};

#[test]
fn what_is_played_comes_out_of_the_sound_server_at_its_pitch_and_whole() {
    let server = SoundServer::start();
    let rig = Rig::new();
    // A machine that is busy with other tests breaks sound off now and then: it is played again.
    for round in 1.. {
        let samples = two_seconds_of_a4(&server, &rig);
        let onset = samples.iter().position(|x| x.abs() > 1e-4).unwrap();
        let end = samples.iter().rposition(|x| x.abs() > 1e-4).unwrap();
        let length = (end - onset) as f64 / 48_000.0;
        let sound = &samples[onset..end];
        // A whole millisecond of silence within a tone.
        let broken = sound.chunks(48).any(|ms| ms.iter().all(|x| *x == 0.0));
        println!("round {round}: {length} s, broken off: {broken}");
        if broken && round < 5 {
            continue;
        }
        // Two seconds held and at most 80 ms of release.
        assert!((1.95..2.15).contains(&length), "{length} s");
        let found = measure::peak_near(&samples[onset + 4_800..onset + 76_800], 440.0, 3.0);
        assert!((found - 440.0).abs() < 0.02, "{found} Hz");
        return;
    }
}

/// What comes out of the server, at 48,000 samples a second, while `play` sounds a pure A4 for two seconds.
fn two_seconds_of_a4(server: &SoundServer, rig: &Rig) -> Vec<f32> {
    let mut ear = std::process::Command::new(rig::need("parec", "pulseaudio-utils"))
        .args([
            "--raw",
            "--format=float32le",
            "--channels=1",
            "--rate=48000",
        ])
        .args(["--latency-msec=20", "--device=room.monitor"])
        .envs(server.environment())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut heard = ear.stdout.take().unwrap();
    let listening = std::thread::spawn(move || {
        let mut bytes = Vec::new();
        heard.read_to_end(&mut bytes).unwrap();
        bytes
    });
    let played = rig
        .command(&["play", "A4", "--tone", "pure", "--for", "2", "--timing"])
        .envs(server.environment())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&played.stderr).into_owned();
    assert!(played.status.success(), "{said}");
    assert!(said.contains("Start low"), "{said}");
    println!("{said}");
    std::thread::sleep(Duration::from_millis(500));
    ear.kill().unwrap();
    ear.wait().unwrap();
    let bytes = listening.join().unwrap();
    let (samples, _) = bytes.as_chunks::<4>();
    samples.iter().map(|b| f32::from_le_bytes(*b)).collect()
}

#[test]
fn a_server_that_goes_away_ends_play_and_says_what_to_do() {
    let mut server = SoundServer::start();
    let rig = Rig::new();
    let mut play = rig
        .command(&["play", "A4", "--tone", "pure", "--for", "60"])
        .envs(server.environment())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!(play.try_wait().unwrap(), None);
    server.take_away();
    let began = Instant::now();
    while play.try_wait().unwrap().is_none() {
        assert!(began.elapsed() < Duration::from_secs(15));
        std::thread::sleep(Duration::from_millis(20));
    }
    let done = play.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&done.stderr);
    assert_eq!(done.status.code(), Some(2), "{said}");
    assert!(said.contains("stopped"), "{said}");
}

/// What `hear --microphone` writes, line by line, while it runs.
struct Hearing {
    child: std::process::Child,
    lines: std::sync::mpsc::Receiver<serde_json::Value>,
}

impl Hearing {
    /// Starts it and waits until it listens.
    fn start(rig: &Rig, server: &SoundServer, more: &[&str]) -> Hearing {
        let mut child = rig
            .command(&["hear", "--microphone", "--json"])
            .args(more)
            .envs(server.environment())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let output = BufReader::new(child.stdout.take().unwrap());
        let (to, lines) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            for line in output.lines().map_while(Result::ok) {
                if to.send(serde_json::from_str(&line).unwrap()).is_err() {
                    return;
                }
            }
        });
        let mut said = String::new();
        let mut errors = BufReader::new(child.stderr.take().unwrap());
        while !said.contains("Listening by") {
            assert!(errors.read_line(&mut said).unwrap() > 0, "{said}");
        }
        // It goes on writing there.
        std::thread::spawn(move || std::io::copy(&mut errors, &mut std::io::sink()));
        Hearing { child, lines }
    }

    /// Everything written so far.
    fn so_far(&self) -> Vec<serde_json::Value> {
        self.lines.try_iter().collect()
    }
}

impl Drop for Hearing {
    fn drop(&mut self) {
        let _gone = self.child.kill();
        let _gone = self.child.wait();
    }
}

/// Plays `keys` into a server of their own and hears them there: notes by their names, and their pitch while they last.
fn played_and_heard(mut keys: Vec<MidiNote>) {
    let server = SoundServer::start();
    let rig = Rig::new();
    // The record of a learner is made once, not by both at a time.
    rig.ok(&["learner", "list"]);
    let (notes, pitch) = (
        Hearing::start(&rig, &server, &[]),
        Hearing::start(&rig, &server, &["--frames"]),
    );
    let mut worst = 0.0_f64;
    // A machine that is busy with other tests loses sound now and then: what was not heard is played again.
    for round in 1.. {
        let names = keys.iter().map(|key| key.spelled_with_sharps().to_string());
        let played = rig
            .command(&["play", "--for", "0.4"])
            .args(names)
            .envs(server.environment())
            .output()
            .unwrap();
        assert!(played.status.success());
        std::thread::sleep(Duration::from_millis(700));
        let heard: Vec<MidiNote> = notes
            .so_far()
            .iter()
            .map(|row| MidiNote(row["midi"].as_i64().unwrap() as i16))
            .collect();
        let frames: Vec<f64> = pitch
            .so_far()
            .iter()
            .filter_map(|row| row["frequency_hz"].as_f64())
            .collect();
        // Whatever is heard was played, in that order.
        let mut rest = keys.iter();
        assert!(
            heard.iter().all(|key| rest.any(|played| played == key)),
            "round {round}: played {keys:?}, heard {heard:?}"
        );
        keys.retain(|key| {
            let asked = Temperament::equal().frequency(*key, Reference::default());
            let off: Vec<f64> = frames
                .iter()
                .map(|hz| Hz(*hz).cents_above(asked).0)
                .filter(|cents| cents.abs() < 50.0)
                .collect();
            // C2 to C7; the last ones are measured on a quarter of a second.
            let cents = off.last().copied().filter(|_| (36..=96).contains(&key.0));
            let exact = cents.is_none_or(|cents| cents.abs() < 1.0);
            let measured = cents.is_some() || !(36..=96).contains(&key.0);
            let done = heard.contains(key) && exact && measured;
            if done {
                worst = worst.max(cents.unwrap_or(0.0).abs());
            }
            !done
        });
        println!("round {round}: left {keys:?}, worst {worst:.2} cents");
        if keys.is_empty() {
            return;
        }
        assert!(round < 8, "not heard within a cent: {keys:?}");
    }
}

#[test]
fn all_88_keys_that_are_played_are_heard_by_name_and_from_c2_to_c7_within_a_cent() {
    // Far apart one after the other, as no hand plays, so that none rings beside its neighbour.
    let keys: Vec<MidiNote> = (0..88).map(|i| MidiNote(21 + i * 37 % 88)).collect();
    std::thread::scope(|scope| {
        for half in keys.chunks(44) {
            scope.spawn(|| played_and_heard(half.to_vec()));
        }
    });
}
