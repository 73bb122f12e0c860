//! The plain reaction at a piano and by a voice: half a minute in a pseudo-terminal, answered by way of the virtual microphone.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::time::{Duration, Instant};

use rig::at_piano::short;
use rig::grand::Grand;
use rig::singer::sung;
use rig::sound_server::{Player, SoundServer, Witness, alone};
use rig::{Rig, Screen};
use stavelark::theory::{MidiNote, Pitch};

/// What the server keeps in store for the player.
const STORE: Duration = Duration::from_millis(200);

/// The name that stands alone on a row of the screen.
fn shown(screen: &Screen) -> Option<MidiNote> {
    let text = screen.text();
    let mut names = text
        .lines()
        .filter_map(|row| format!("{}4", row.trim()).parse::<Pitch>().ok());
    names.next().map(Pitch::midi)
}

/// Measures with what `way` says; each shown name is answered `after` it stands there by `sound` of its key. Gives the
/// floor that is kept: milliseconds and the number of names.
fn measure(way: &str, after: Duration, sound: impl Fn(MidiNote) -> Vec<f32>) -> (u32, u32) {
    let server = SoundServer::start();
    let rig = Rig::new();
    rig.ok(&["settings", "names", "english"]);
    rig.ok(&["settings", "answer-by", way]);
    let mut screen = server.screen(&rig, &[], (80, 24));
    let witness = Witness::listen(&server);
    let player = Player::sit_down(&server, STORE);
    screen.wait_for("I read already");
    screen.send("m");
    screen.wait_for("The microphone hears");
    // Any note begins; on a busy machine it may be lost.
    let began = Instant::now();
    while shown(&screen).is_none() {
        assert!(began.elapsed() < rig::PATIENCE, "{}", screen.text());
        player.strike(sound(MidiNote(60)));
        let struck = Instant::now();
        while shown(&screen).is_none() && struck.elapsed() < Duration::from_secs(3) {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    let done = |screen: &Screen| screen.text().contains("Your plain reaction is");
    let begun = Instant::now();
    while !done(&screen) {
        assert!(begun.elapsed() < 2 * rig::PATIENCE, "{}", screen.text());
        let Some(key) = shown(&screen) else {
            std::thread::sleep(Duration::from_millis(5));
            continue;
        };
        let seen = Instant::now();
        // No letter stands in: what it takes says nothing of a piano or a voice.
        screen.send(&key.spelled_with_sharps().to_string().to_lowercase()[..1]);
        if way == "voice" {
            // The name is sounded first.
            let quiet = || witness.is_quiet(Duration::from_millis(150));
            while seen.elapsed() < Duration::from_millis(900) || !quiet() {
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        std::thread::sleep(after);
        player.strike(sound(key));
        // The next name, or the end; the same name does not come twice running.
        let struck = Instant::now();
        while shown(&screen) == Some(key) && struck.elapsed() < Duration::from_secs(3) {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    screen.send("\r");
    screen.wait_for("I read already");
    screen.send("\x1b");
    assert_eq!(screen.end(), 0);
    let kept = rig.sql(&format!(
        "select value from settings where key = 'floor-{way}'"
    ));
    let (ms, names) = kept
        .split_once(" ms of ")
        .unwrap_or_else(|| panic!("{kept}"));
    (ms.parse().unwrap(), names.parse().unwrap())
}

#[test]
fn at_a_piano_the_keys_of_shown_names_are_timed() {
    let _alone = alone();
    let grand = Grand::load();
    let after = Duration::from_millis(300);
    // Let go as a damper does: a cut would be a knock.
    let (ms, names) = measure("piano", after, |key| short(grand.strike(key), 0.3));
    assert_eq!(names, 7);
    // Nobody is quicker than the player was, and what the server keeps in store is part of it.
    assert!((300..1_200).contains(&ms), "{ms}");
}

#[test]
fn a_voice_sings_back_what_is_named_and_sounded() {
    let _alone = alone();
    let after = Duration::from_millis(200);
    let (ms, names) = measure("voice", after, |key| sung(key, 0.0, 0.7));
    assert_eq!(names, 7);
    // With the time the name takes to sound it would be more than 1,200 ms.
    assert!((150..1_200).contains(&ms), "{ms}");
}
