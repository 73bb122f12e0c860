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

/// How often it is measured at most.
const TRIALS: usize = 4;
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

/// Has each shown name answered by `answer`, after it was sounded where it `is_sung` back; whether there were enough to tell
/// the floor from.
fn answer_all(
    screen: &mut Screen,
    is_sung: bool,
    witness: &Witness,
    answer: impl Fn(MidiNote),
) -> bool {
    let begun = Instant::now();
    // Any note begins; what is lost is struck again.
    let mut awaited = None;
    loop {
        let text = screen.text();
        if text.contains("Your plain reaction is") {
            return true;
        } else if text.contains("Too few answers") {
            return false;
        }
        assert!(begun.elapsed() < 2 * rig::PATIENCE, "{text}");
        let name = shown(screen);
        if name.is_none() && awaited.is_some() {
            std::thread::sleep(Duration::from_millis(5));
            continue;
        }
        let seen = Instant::now();
        if let Some(key) = name {
            awaited = name;
            // No letter stands in: what it takes says nothing of a piano or a voice.
            screen.send(&key.spelled_with_sharps().to_string().to_lowercase()[..1]);
            // The name is sounded first.
            let quiet = || witness.is_quiet(Duration::from_millis(150));
            while is_sung && (seen.elapsed() < Duration::from_millis(900) || !quiet()) {
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        answer(name.unwrap_or(MidiNote(60)));
        // The next name, or the end; the same name does not come twice running.
        let struck = Instant::now();
        while shown(screen) == name && struck.elapsed() < Duration::from_secs(3) {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
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
    // On a busy machine so much of the sound may be lost that too few names are answered: measured again, as anybody would.
    let measured = (0..TRIALS).any(|_| {
        screen.wait_for("I read already");
        screen.send("m");
        screen.wait_for("The microphone hears");
        let measured = answer_all(&mut screen, way == "voice", &witness, |key| {
            std::thread::sleep(after);
            player.strike(sound(key));
        });
        screen.send("\r");
        measured
    });
    assert!(measured, "{}", screen.text());
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
    // Nobody is quicker than the player was; what the server keeps in store, and what a busy machine adds, is part of it.
    assert!((300..3_000).contains(&ms), "{ms}");
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
