//! Sittings of the ear in a pseudo-terminal: every kind once right and once wrong, by keys alone.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::time::{Duration, Instant};

use rig::sound_server::SoundServer;
use rig::{PATIENCE, PROGRAM, Rig, Screen};
use serde_json::Value;
use stavelark::theory::Pitch;

/// A course with a stage of each kind of the ear, of our own.
const COURSE: &str = include_str!("rig/ears.toml");

/// A sitting of two prompts at one stage.
struct Sitting {
    rig: Rig,
    screen: Screen,
    /// What is only heard is asked where it can be heard.
    _server: SoundServer,
}

impl Sitting {
    fn begin(stage: &str, names: &str, prompts: &str) -> Sitting {
        let rig = Rig::new();
        std::fs::write(rig.file("ears.toml"), COURSE).unwrap();
        rig.ok(&["course", "use", rig.file("ears.toml").to_str().unwrap()]);
        rig.ok(&["settings", "names", names]);
        let events = rig.file("events.jsonl");
        let args = [
            "practice",
            "--stage",
            stage,
            "--prompts",
            prompts,
            "--seed",
            "5",
        ];
        let events = ["--events", events.to_str().unwrap()];
        let server = SoundServer::start();
        let screen = server.screen(&rig, &[args.as_slice(), &events].concat(), (80, 24));
        Sitting {
            rig,
            screen,
            _server: server,
        }
    }

    fn events(&self, event: &str) -> Vec<Value> {
        let all = self.rig.events("events.jsonl");
        all.into_iter().filter(|e| e["event"] == event).collect()
    }

    /// Waits until there are `count` events of that name; gives the last of them.
    fn wait(&self, event: &str, count: usize) -> Value {
        let began = Instant::now();
        loop {
            let found = self.events(event);
            if found.len() >= count {
                return found[count - 1].clone();
            }
            assert!(
                began.elapsed() < Duration::from_secs(60),
                "no {event} {count}; the screen shows:\n{}",
                self.screen.text()
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// What prompt `number` asks.
    fn prompt(&self, number: usize) -> Value {
        self.wait("prompt", number)["item"].clone()
    }

    /// Types `keys` until answer `count` is there: a prompt may still be on its way to the screen. Its outcome.
    fn answer(&mut self, keys: &str, count: usize) -> String {
        let began = Instant::now();
        while self.events("answer").len() < count {
            assert!(
                began.elapsed() < Duration::from_secs(60),
                "'{keys}' answers nothing; the screen shows:\n{}",
                self.screen.text()
            );
            self.screen.send(keys);
            let sent = Instant::now();
            while self.events("answer").len() < count && sent.elapsed() < Duration::from_secs(2) {
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        self.wait("answer", count)["outcome"]
            .as_str()
            .unwrap()
            .to_owned()
    }

    /// Ends it; the answers as they stand in the record: item, given, outcome, attempt.
    fn end(mut self, prompts: usize) -> Vec<String> {
        self.screen.wait_for("Done for this sitting");
        assert_eq!(self.events("end")[0]["answered"], prompts);
        self.screen.send("\x1b");
        assert_eq!(self.screen.end(), 0);
        let rows = self.rig.sql("select item || ' ' || given || ' ' || outcome || ' ' || prompt || ' ' || way from answers");
        rows.lines().map(ToOwned::to_owned).collect()
    }
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

/// Prompts of a choice: a wrong one, then the right ones. `keys` lists each task with the key that chooses it.
fn choose(stage: &str, keys: &[(&str, &str)], says: &str) {
    let mut sitting = Sitting::begin(stage, "english", "2");
    let key_of = |task: &str, right: bool| {
        let found = keys.iter().find(|(word, _)| (*word == task) == right);
        found.unwrap_or_else(|| panic!("{task} of {keys:?}")).1
    };
    sitting.screen.wait_for(says);
    let asked = text(&sitting.prompt(1)["task"]);
    assert_eq!(sitting.answer(key_of(&asked, false), 1), "wrong");
    sitting.screen.wait_for("That was");
    assert_eq!(sitting.answer(key_of(&asked, true), 2), "right");
    let asked = text(&sitting.prompt(2)["task"]);
    assert_eq!(sitting.answer(key_of(&asked, true), 3), "right");
    let rows = sitting.end(2);
    assert_eq!(rows.len(), 3);
    // Right = 0, by ear = 1, by letters = 0; what was given is the task that was asked.
    assert!(
        rows[2].ends_with(&format!("!{asked} {asked} 0 1 0")),
        "{rows:?}"
    );
    assert!(rows[0].ends_with(" 1 1 0"), "{rows:?}");
}

#[test]
fn intervals_are_named_by_ear() {
    let keys = [
        ("interval-m3-up", "1"),
        ("interval-M3-up", "2"),
        ("interval-P5-up", "3"),
    ];
    choose("intervals", &keys, "1  minor third up");
}

#[test]
fn every_answer_stays_in_sight_beside_a_long_correction() {
    let rig = Rig::new();
    rig.ok(&["course", "use", "both-ways"]);
    rig.ok(&["settings", "names", "english"]);
    let server = SoundServer::start();
    for (size, stage, question, answers) in [
        (
            (40, 12),
            "intervals-near",
            "Which interval is heard?",
            &[
                "1 minor second up",
                "4 major second down",
                "8 major third down",
            ][..],
        ),
        (
            (60, 20),
            "intervals-near",
            "Which interval is heard?",
            &["1  minor second up", "8  major third down"],
        ),
        (
            (40, 12),
            "degrees",
            "Which degree of the scale follows the cadence? Degree 1 is",
            &["1  degree 1", "6  degree 6", "7  degree 7"],
        ),
    ] {
        let args = ["practice", "--stage", stage, "--seed", "3"];
        let mut screen = server.screen(&rig, &args, size);
        let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        screen.wait_until("the whole question", |screen| {
            words(&screen.text()).contains(question)
        });
        // By this seed the second answer is wrong. A prompt may still be on its way to the screen.
        let corrected = |screen: &Screen| {
            let text = words(&screen.text());
            let said = text.split("That was").nth(1).unwrap_or_default();
            let right = said.split_once("Now ").map_or("", |(_, right)| right);
            right.contains('.')
        };
        let began = Instant::now();
        while !corrected(&screen) {
            assert!(began.elapsed() < PATIENCE, "{}", screen.text());
            screen.send("2");
            let sent = Instant::now();
            while !corrected(&screen) && sent.elapsed() < Duration::from_secs(2) {
                std::thread::sleep(Duration::from_millis(20));
            }
        }
        let text = screen.text();
        for answer in answers {
            assert!(text.contains(answer), "{answer}:\n{text}");
        }
        assert!(words(&text).contains(question), "{text}");
        screen.send("\x03");
        assert_eq!(screen.end(), 0);
    }
}

#[test]
fn chords_are_named_by_their_quality() {
    let keys = [
        ("chord-major-together", "1"),
        ("chord-minor-together", "2"),
        ("chord-dominant7-together", "3"),
    ];
    choose("chords", &keys, "3  dominant seventh");
}

#[test]
fn degrees_are_named_after_a_cadence() {
    choose(
        "degrees",
        &[("degree-1", "1"), ("degree-3", "3"), ("degree-5", "5")],
        "Degree 1 is G",
    );
}

#[test]
fn beats_are_counted() {
    choose(
        "beats",
        &[("beats-10", "1"), ("beats-20", "2"), ("beats-40", "3")],
        "2  2 beats a second",
    );
}

#[test]
fn two_notes_are_judged_and_the_distance_follows_the_answers() {
    let mut sitting = Sitting::begin("in-tune", "english", "3");
    sitting.screen.wait_for("lower or higher");
    let mut distances = Vec::new();
    for (number, right) in [(1, true), (2, false), (3, true)] {
        let task = text(&sitting.prompt(number)["task"]);
        let tenths: i32 = task.strip_prefix("tune").unwrap().parse().unwrap();
        let key = if (tenths > 0) == right { "2" } else { "1" };
        let outcome = sitting.answer(key, number);
        assert_eq!(outcome, if right { "right" } else { "wrong" });
        distances.push(tenths.abs());
        if !right {
            // Of two answers the other one is right: the next pair comes at once.
            sitting.screen.wait_for("cents");
        }
    }
    assert!(
        distances[1] < distances[0] && distances[2] > distances[1],
        "{distances:?}"
    );
    assert_eq!(sitting.end(3).len(), 3);
}

#[test]
fn a_heard_note_is_found_by_its_name_and_on_the_staff() {
    let mut sitting = Sitting::begin("find", "english", "2");
    sitting
        .screen
        .wait_for("C is heard first. Which note follows?");
    let asked: Pitch = text(&sitting.prompt(1)["pitch"]).parse().unwrap();
    let name = |pitch: Pitch| pitch.letter.as_char().to_ascii_lowercase().to_string();
    let other = Pitch::from_diatonic(asked.diatonic() + 1);
    assert_eq!(sitting.answer(&name(other), 1), "wrong");
    sitting.screen.wait_for("a step higher");
    assert_eq!(sitting.answer(&name(asked), 2), "right");
    // The second one by the arrows, from the C that is heard first; up and down again where it is that C.
    let asked: Pitch = text(&sitting.prompt(2)["pitch"]).parse().unwrap();
    // The nearest C sounds first: G4 is nearer to C5 than to C4.
    let reference = if asked.midi().0 >= 67 { 35 } else { 28 };
    sitting.screen.wait_until("the second prompt", |screen| {
        !screen.text().contains("Now ")
    });
    let arrows = match asked.diatonic() - reference {
        0 => "\x1b[A\x1b[B".to_owned(),
        up @ 1.. => "\x1b[A".repeat(up as usize),
        down => "\x1b[B".repeat(down.unsigned_abs() as usize),
    };
    sitting.screen.send(&arrows);
    assert_eq!(sitting.answer("\r", 3), "right");
    let rows = sitting.end(2);
    assert!(
        rows[2].starts_with(&format!("{asked}@treble {asked} 0 1")),
        "{rows:?}"
    );
}

#[test]
fn a_melody_is_written_note_by_note() {
    let mut sitting = Sitting::begin("melodies", "german", "2");
    sitting.screen.wait_for("Note 1");
    let name = |pitch: Pitch| match pitch.letter.as_char() {
        'B' => "h".to_owned(),
        letter => letter.to_ascii_lowercase().to_string(),
    };
    let first: Pitch = text(&sitting.prompt(1)["pitch"]).parse().unwrap();
    let other = Pitch::from_diatonic(first.diatonic() + 2);
    assert_eq!(sitting.answer(&name(other), 1), "wrong");
    assert_eq!(sitting.answer(&name(first), 2), "right");
    let item = sitting.prompt(2);
    assert_eq!(item["place"], 2);
    let second: Pitch = text(&item["pitch"]).parse().unwrap();
    assert_eq!(sitting.answer(&name(second), 3), "right");
    assert_eq!(sitting.end(2).len(), 3);
}

#[test]
fn a_note_is_reached_from_another_in_solfege() {
    let mut sitting = Sitting::begin("reach", "fixed-solfege", "2");
    sitting.screen.wait_for("is heard. Which note lies a");
    let keys = |pitch: Pitch| {
        let sign = match pitch.alteration.semitones() {
            1 => "#",
            -1 => "-",
            _ => "",
        };
        let letter = ["d", "r", "m", "f", "s", "l", "t"][pitch.letter.index() as usize];
        format!("{sign}{letter}")
    };
    let item = sitting.prompt(1);
    let (root, answer) = (text(&item["pitch"]), text(&item["answer"]));
    assert_eq!(sitting.answer(&keys(root.parse().unwrap()), 1), "wrong");
    assert_eq!(sitting.answer(&keys(answer.parse().unwrap()), 2), "right");
    let answer = text(&sitting.prompt(2)["answer"]);
    assert_eq!(sitting.answer(&keys(answer.parse().unwrap()), 3), "right");
    assert_eq!(sitting.end(2).len(), 3);
}

#[test]
fn movable_do_names_the_degrees_of_its_key() {
    let mut sitting = Sitting::begin("degrees", "movable-solfege", "2");
    sitting.screen.wait_for("1  do   3  mi   5  so");
    for number in 1..=2 {
        // The key is G: do is G, mi is B, so is D.
        let asked = text(&sitting.prompt(number)["task"]);
        let syllable = match asked.as_str() {
            "degree-1" => "d",
            "degree-3" => "m",
            _ => "s",
        };
        assert_eq!(sitting.answer(syllable, number), "right");
    }
    assert_eq!(sitting.end(2).len(), 2);
}

#[test]
fn an_ear_sitting_in_words_says_what_may_be_chosen() {
    let rig = Rig::new();
    std::fs::write(rig.file("ears.toml"), COURSE).unwrap();
    rig.ok(&["course", "use", rig.file("ears.toml").to_str().unwrap()]);
    let args = [
        "practice",
        "--plain",
        "--stage",
        "intervals",
        "--prompts",
        "1",
        "--seed",
        "5",
    ];
    // One of the three is right, whichever it is; what stands for none is told so.
    let server = SoundServer::start();
    let run = rig.fed_in(
        &server.environment(),
        &args,
        "seventh\n1\nmajor third up\nP5\n1\n",
    );
    let told = String::from_utf8(run.stdout).unwrap();
    assert!(run.status.success(), "{told}");
    assert!(
        told.contains(
            "1. Which interval is heard? 1 minor third up, 2 major third up, 3 perfect fifth up"
        ),
        "{told}"
    );
    assert!(told.contains("'seventh' is none of the answers"), "{told}");
    assert!(
        told.contains("is right") && told.contains("Done for this sitting."),
        "{told}"
    );
    // A note that is only heard is not told by its place.
    let args = [
        "practice",
        "--plain",
        "--stage",
        "find",
        "--prompts",
        "1",
        "--seed",
        "5",
    ];
    let run = rig.fed_in(&server.environment(), &args, "C\nD\nE\nF\nG\n");
    let told = String::from_utf8(run.stdout).unwrap();
    assert!(
        told.contains("C is heard first. Which note follows?") && !told.contains("staff:"),
        "{told}"
    );
    assert!(run.status.success() && told.contains("is right"), "{told}");
    // Progress puts eye and ear side by side.
    let progress = rig.ok(&["progress"]);
    assert!(progress.contains("By eye and by ear"), "{progress}");
    assert!(
        progress.contains("third up") || progress.contains("fifth up"),
        "{progress}"
    );
    let json: Value = serde_json::from_str(&rig.ok(&["progress", "--json"])).unwrap();
    assert_eq!(
        json["hearing"]["notes"].as_array().unwrap().len(),
        1,
        "{json}"
    );
}

/// A learner on the course of all kinds of the ear.
fn on_the_ear_course() -> Rig {
    let rig = Rig::new();
    std::fs::write(rig.file("ears.toml"), COURSE).unwrap();
    rig.ok(&["course", "use", rig.file("ears.toml").to_str().unwrap()]);
    rig.ok(&["settings", "names", "english"]);
    rig
}

fn answers(rig: &Rig) -> String {
    rig.sql("select count(*) from answers").trim().to_owned()
}

/// What is asked by ear in words, with its stage.
const IN_WORDS: [&str; 6] = ["practice", "--plain", "--stage", "find", "--seed", "5"];

#[test]
fn what_cannot_be_heard_is_not_judged_in_words() {
    let rig = on_the_ear_course();
    let choice = ["practice", "--plain", "--stage", "intervals", "--seed", "5"];
    let without = |args: &[&str], input: &str, remedy: &str| {
        let run = rig.fed(args, input);
        let told = String::from_utf8(run.stdout).unwrap();
        assert!(told.contains("This is only heard, and"), "{told}");
        assert!(
            told.contains(remedy) && told.contains("stop ends the sitting"),
            "{told}"
        );
        for words in [
            "goes on in silence",
            "Which note",
            "Which interval",
            "is right",
            "start low",
        ] {
            assert!(!told.contains(words), "{words}: {told}");
        }
        assert_eq!(answers(&rig), "0");
    };
    // No output is there; an empty line looks for one again.
    without(&IN_WORDS, "C\n\nD\nstop\n", "no sound output is there");
    without(&choice, "1\n2\nstop\n", "an empty line looks again");
    rig.ok(&["settings", "sound", "off"]);
    without(&IN_WORDS, "C\nD\nstop\n", "stavelark settings sound on");
    without(&choice, "1\n2\n", "sound is off");
}

#[test]
fn what_cannot_be_heard_is_not_judged_on_the_screen() {
    let rig = on_the_ear_course();
    let args = ["practice", "--stage", "find", "--seed", "5"];
    for (setting, says) in [("on", "no sound output is there"), ("off", "sound is off")] {
        rig.ok(&["settings", "sound", setting]);
        let mut screen = Screen::start(&rig, &[PROGRAM], &args, (80, 24), &[]);
        screen.wait_for(says);
        assert!(!screen.text().contains("start low"), "{}", screen.text());
        screen.send("cde\r");
        screen.wait_for(says);
        screen.send("\x1b");
        screen.wait_for("Enter");
        screen.wait_until("the summary", |screen| !screen.text().contains(says));
        screen.send("\x1b");
        assert_eq!(screen.end(), 0);
        assert_eq!(answers(&rig), "0");
    }
}

#[test]
fn a_sitting_by_ear_comes_back_with_its_sound() {
    let rig = on_the_ear_course();
    let mut server = SoundServer::start();
    let args = ["practice", "--stage", "find", "--seed", "5"];
    let mut screen = server.screen(&rig, &args, (80, 24));
    screen.wait_for("Which note follows?");
    server.take_away();
    screen.wait_for("no sound output is there");
    screen.send("c");
    server.bring_back();
    let began = Instant::now();
    while !screen.text().contains("Which note follows?") {
        assert!(began.elapsed() < PATIENCE, "{}", screen.text());
        screen.send("\r");
        std::thread::sleep(Duration::from_millis(200));
    }
    assert_eq!(answers(&rig), "0");
    screen.send("\x1b");
    screen.wait_for("Esc ends the sitting");
    screen.send("\x1b");
    screen.wait_until("the summary", |screen| !screen.text().contains("A rest."));
    screen.send("\x1b");
    assert_eq!(screen.end(), 0);
}

#[test]
fn the_microphone_is_opened_only_when_it_is_asked_for() {
    let rig = Rig::new();
    let server = SoundServer::start();
    let mut screen = server.screen(&rig, &["--ascii"], (80, 24));
    screen.wait_for("Enter");
    assert_eq!(server.listeners(), 0);
    screen.send("\r");
    screen.wait_for("Which note is this?");
    assert_eq!(server.listeners(), 0);
    // A verdict, with its sound.
    let before = screen.text();
    screen.send("c");
    screen.wait_until("a verdict", |screen| screen.text() != before);
    assert_eq!(server.listeners(), 0);
    screen.send("\x03");
    assert_eq!(screen.end(), 0);
    let mut screen = server.screen(&rig, &["practice", "--answer-by", "piano"], (80, 24));
    screen.wait_until("the microphone", |_| server.listeners() == 1);
    screen.send("\x03");
    assert_eq!(screen.end(), 0);
}
