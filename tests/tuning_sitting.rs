//! The guided tuning check: a whole one in a pseudo-terminal, the recorded grand as the piano and a private sound server's
//! monitor as the microphone; and in words where nothing can be heard.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::time::{Duration, Instant};

use rig::grand::{Grand, RATE};
use rig::sound_server::{Player, SoundServer};
use rig::{Rig, Screen, sample};
use serde_json::Value;
use stavelark::theory::{MidiNote, Pitch};

/// What the server keeps in store for the player: enough for a machine busy with other tests.
const STORE: Duration = Duration::from_millis(200);

/// What is waited for at most: a busy machine takes long to read a key.
const PATIENCE: Duration = Duration::from_secs(60);

fn wait_until(screen: &Screen, what: &str, reached: impl Fn(&str) -> bool) {
    let began = Instant::now();
    while !reached(&screen.text()) {
        assert!(
            began.elapsed() < PATIENCE,
            "waited in vain for {what}; the screen shows:\n{}",
            screen.text()
        );
        std::thread::sleep(Duration::from_millis(10));
    }
}

fn key(name: &str) -> MidiNote {
    name.parse::<Pitch>().unwrap().midi()
}

/// The sound with its highest sample at `peak`.
fn with_peak(mut sound: Vec<f32>, peak: f32) -> Vec<f32> {
    let highest = sound.iter().fold(0.0_f32, |most, x| most.max(x.abs()));
    for sample in &mut sound {
        *sample *= peak / highest;
    }
    sound
}

/// Damps what sounds, waits four tenths of a second, and strikes: all in the sound's own time, however busy the machine is.
fn strike(player: &Player, sound: Vec<f32>) {
    let mut late = vec![0.0; RATE as usize * 4 / 10];
    late.extend(sound);
    player.strike(late);
}

/// Whether the screen shows `text` within a player's patience.
fn comes(screen: &Screen, text: &str) -> bool {
    let began = Instant::now();
    while began.elapsed() < PATIENCE / 4 {
        if screen.text().contains(text) {
            return true;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    false
}

/// Strikes until it is kept, as a player does who is still asked: on a machine so busy that sound is lost, more than once.
fn play(screen: &Screen, player: &Player, sound: &[f32], kept: &str) {
    for _ in 0..6 {
        strike(player, sound.to_vec());
        if comes(screen, kept) {
            return;
        }
    }
    panic!("never kept ({kept}); the screen shows:\n{}", screen.text());
}

#[test]
fn a_whole_check_by_the_microphone_with_a_wrong_key_a_soft_note_and_a_lost_device() {
    let mut server = SoundServer::start();
    let grand = Grand::load();
    let rig = Rig::new();
    let args = ["tuning", "--quick", "--humidity", "45"];
    let mut screen = server.screen(&rig, &args, (90, 50));
    let mut player = Player::sit_down(&server, STORE);
    wait_until(&screen, "the microphone", |s| s.contains("Listening by:"));
    wait_until(&screen, "the first key", |s| s.contains("Play A4"));
    assert!(screen.text().contains("qualified technician"));
    // The room is heard first.
    std::thread::sleep(Duration::from_millis(600));

    let a4 = grand.strike(key("A4"));
    strike(&player, a4.clone());
    // While it sounds: its point with the cents beside it, and its partials.
    wait_until(&screen, "the live view", |s| {
        s.contains("A4  ") && s.contains(" cents") && s.contains("  0 dB") && s.contains("█")
    });
    if !comes(&screen, "A4: ") {
        play(&screen, &player, &a4, "A4: ");
    }
    wait_until(&screen, "the next key", |s| s.contains("1 of 15"));

    let wrong = "That sounds like C5; D♯5 is asked.";
    play(&screen, &player, &grand.strike(key("C5")), wrong);
    // −53 dB under full scale, mean over its loudest moment.
    let soft = with_peak(grand.strike(key("D#5")), 0.004);
    play(&screen, &player, &soft, "Too soft");
    play(&screen, &player, &grand.strike(key("D#5")), "D♯5: ");
    wait_until(&screen, "the next key", |s| s.contains("2 of 15"));

    // The device goes in the middle, and comes back; what was kept is kept.
    server.take_away();
    wait_until(&screen, "the loss told", |s| !s.contains("Listening by:"));
    drop(player);
    server.bring_back();
    player = Player::sit_down(&server, STORE);
    wait_until(&screen, "the microphone again", |s| {
        s.contains("Listening by:")
    });
    wait_until(&screen, "what was kept", |s| s.contains("2 of 15"));
    std::thread::sleep(Duration::from_millis(600));

    for (kept, name) in (3..).zip(["A5", "D#6", "A6"]) {
        let counted = format!("{kept} of 15");
        play(&screen, &player, &grand.strike(key(name)), &counted);
    }
    // Two are left out.
    for next in ["Play A7", "Play D♯4"] {
        screen.send("\x1b[C");
        wait_until(&screen, next, |s| s.contains(next));
    }
    for (kept, name) in (6..).zip(["D#4", "A3", "D#3"]) {
        let counted = format!("{kept} of 15");
        play(&screen, &player, &grand.strike(key(name)), &counted);
    }
    // Whatever ends the sitting, this much is in the record.
    assert_eq!(rig.sql("select count(*) from check_keys"), "8");
    screen.send("\r");
    wait_until(&screen, "the report", |s| {
        s.contains("Provisional: 8 of 88")
            && s.contains("qualified")
            && s.contains("The check is kept")
    });
    screen.end();

    // It is in the record, and is what a recording of the very same key is read at.
    assert_eq!(rig.sql("select count(*) from check_keys"), "8");
    assert_eq!(rig.sql("select humidity from checks"), "45.0");
    let kept = rig.run(&["tuning", "--last", "--json"]);
    let file = sample("grand/A4.wav");
    let read = rig.run(&["tuning", "--json", "--do-not-keep", "--input", &file]);
    let cents = |output: &[u8]| {
        let all: Value = serde_json::from_slice(output).unwrap();
        let keys = all["keys"].as_array().unwrap();
        let a4 = keys.iter().find(|key| key["midi"] == 69).unwrap();
        a4["cents"].as_f64().unwrap()
    };
    let (by_ear, by_file) = (cents(&kept.stdout), cents(&read.stdout));
    assert!((by_ear - by_file).abs() < 0.5, "{by_ear} and {by_file}");
    assert_eq!(rig.sql("select count(*) from checks"), "1");
}

#[test]
fn in_words_a_check_says_what_is_in_the_way_and_ends_when_told() {
    let rig = Rig::new();
    let output = rig.fed(&["tuning", "--plain"], "next\nany\nstop\n");
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("Play A4 and hold it"), "{said}");
    assert!(
        said.contains("qualified technician") && said.contains("Too few keys"),
        "{said}"
    );
    assert_eq!(output.status.code(), Some(1));
    let output = rig.run(&["tuning", "--plain"]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("no microphone can be opened"), "{said}");
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(errors.contains("not kept"), "{errors}");
    // On no terminal nothing is drawn.
    assert_eq!(rig.run(&["tuning"]).status.code(), Some(2));
}
