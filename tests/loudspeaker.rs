//! The loudspeaker on a real sound server: what `play` sends is what comes out, and a lost server is said.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod measure;
mod rig;

use std::io::Read;
use std::process::Stdio;
use std::time::{Duration, Instant};

use rig::Rig;
use rig::sound_server::SoundServer;

#[test]
fn what_is_played_comes_out_of_the_sound_server_at_its_pitch_and_whole() {
    let server = SoundServer::start();
    let rig = Rig::new();
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
    let samples: Vec<f32> = listening
        .join()
        .unwrap()
        .chunks_exact(4)
        .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]))
        .collect();
    let onset = samples.iter().position(|x| x.abs() > 1e-4).unwrap();
    let end = samples.iter().rposition(|x| x.abs() > 1e-4).unwrap();
    let length = (end - onset) as f64 / 48_000.0;
    // Two seconds held and at most 80 ms of release.
    assert!((1.95..2.15).contains(&length), "{length} s");
    let found = measure::peak_near(&samples[onset + 4_800..onset + 76_800], 440.0, 3.0);
    assert!((found - 440.0).abs() < 0.02, "{found} Hz");
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
