//! Sittings of the ear in a room with sound: every kind once right and once wrong. What a note answers is played on a recorded
//! grand and sung by a synthetic singer, by way of the virtual microphone; what a choice answers is chosen by keys while it
//! sounds in that room.
#![allow(clippy::unwrap_used, clippy::panic)]

mod measure;
mod rig;

use std::time::{Duration, Instant};

use rig::at_piano::short;
use rig::grand::Grand;
use rig::singer::sung;
use rig::sound_server::{Player, Recorder, SoundServer, Witness, alone};
use rig::{PATIENCE, Rig, Screen};
use serde_json::Value;
use stavelark::theory::{MidiNote, Pitch};

/// A course with a stage of each kind of the ear, of our own.
const COURSE: &str = include_str!("rig/ears.toml");

/// What the server keeps in store for the player: enough for a machine busy with other tests.
const STORE: Duration = Duration::from_millis(300);
/// Nothing sounds any more, neither the program nor the player.
const QUIET: Duration = Duration::from_millis(400);
/// A note that was not answered for so long was lost on the way, or came while the program sounded: once more.
const LOST: Duration = Duration::from_secs(4);
/// Semitones from a right note to a wrong one: more than a piano can be out of tune.
const OFF: i16 = 3;

/// Who answers.
enum Musician {
    Pianist(Grand),
    /// Holds each note for so many seconds.
    Singer(f64),
}

impl Musician {
    fn answer_by(&self) -> &'static str {
        match self {
            Musician::Pianist(_) => "piano",
            Musician::Singer(_) => "voice",
        }
    }

    /// The number this way of answering has in the record.
    fn code(&self) -> &'static str {
        match self {
            Musician::Pianist(_) => "1",
            Musician::Singer(_) => "2",
        }
    }

    fn sound(&self, key: MidiNote) -> Vec<f32> {
        match self {
            Musician::Pianist(grand) => short(grand.strike(key), 0.6),
            Musician::Singer(seconds) => sung(key, 0.0, *seconds),
        }
    }

    /// Whether `key` answers what is asked: of a voice the octave is forgiven.
    fn answers(&self, key: MidiNote, asked: MidiNote) -> bool {
        match self {
            Musician::Pianist(_) => key == asked,
            Musician::Singer(_) => key.pitch_class() == asked.pitch_class(),
        }
    }
}

/// A room, and who is in it.
struct Room {
    server: SoundServer,
    witness: Witness,
    player: Player,
    musician: Musician,
}

impl Room {
    fn with(musician: Musician) -> Room {
        let server = SoundServer::start();
        Room {
            witness: Witness::listen(&server),
            player: Player::sit_down(&server, STORE),
            server,
            musician,
        }
    }

    /// Waits until nothing has sounded for a moment; a room that does not become quiet is sounded into all the same.
    fn wait_for_quiet(&self) {
        let began = Instant::now();
        let loud = || !self.witness.is_quiet(QUIET);
        while began.elapsed() < QUIET || loud() && began.elapsed() < Duration::from_secs(20) {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

/// A sitting in a room.
struct Sitting<'a> {
    room: &'a Room,
    rig: Rig,
    screen: Screen,
    /// What was played or sung in it.
    sounded: Vec<MidiNote>,
}

impl<'a> Sitting<'a> {
    /// Opens a sitting at `stage`; `options` are added.
    fn open(room: &'a Room, stage: &str, options: &[&str]) -> Sitting<'a> {
        let rig = Rig::new();
        std::fs::write(rig.file("ears.toml"), COURSE).unwrap();
        rig.ok(&["course", "use", rig.file("ears.toml").to_str().unwrap()]);
        let events = rig.file("events.jsonl");
        let args = [
            &["practice", "--stage", stage, "--seed", "5", "--answer-by"][..],
            &[room.musician.answer_by()],
            &["--events", events.to_str().unwrap()],
            options,
        ]
        .concat();
        let screen = room.server.screen(&rig, &args, (80, 24));
        Sitting {
            room,
            rig,
            screen,
            sounded: Vec::new(),
        }
    }

    /// Opens a sitting that notes answer, and sounds one to begin it.
    fn begin(room: &'a Room, stage: &str, options: &[&str]) -> Sitting<'a> {
        // What still rings of the sitting before would begin this one.
        room.wait_for_quiet();
        let mut sitting = Sitting::open(room, stage, options);
        sitting.screen.wait_for("any note to begin");
        let began = Instant::now();
        while sitting.all("prompt").is_empty() {
            assert!(began.elapsed() < PATIENCE, "{}", sitting.told());
            sitting.sound(MidiNote(60), |sitting| !sitting.all("prompt").is_empty());
        }
        assert!(
            sitting.all("answer").is_empty(),
            "the first note begins and is no answer"
        );
        sitting
    }

    /// Sounds `key` once when the room is quiet, and waits for what comes of it.
    fn sound(&mut self, key: MidiNote, reached: impl Fn(&Sitting) -> bool) {
        self.room.wait_for_quiet();
        self.sounded.push(key);
        self.room.player.strike(self.room.musician.sound(key));
        let sounded = Instant::now();
        while sounded.elapsed() < LOST && !reached(self) {
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    fn told(&self) -> String {
        let events = self.rig.events("events.jsonl");
        let screen = self.screen.text();
        format!(
            "sounded {:?}; {events:#?}; the screen shows:\n{screen}",
            self.sounded
        )
    }

    fn all(&self, event: &str) -> Vec<Value> {
        let all = self.rig.events("events.jsonl");
        all.into_iter().filter(|e| e["event"] == event).collect()
    }

    /// What prompt `number` asks.
    fn prompt(&self, number: usize) -> Value {
        let began = Instant::now();
        loop {
            if let Some(prompt) = self.all("prompt").get(number - 1) {
                return prompt["item"].clone();
            }
            assert!(
                began.elapsed() < PATIENCE,
                "no prompt {number}; {}",
                self.told()
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Sounds the note that answers prompt `number`, or one `off` from it, until it is judged. Whatever is judged on the
    /// way must be what was sounded, and be judged as what it is.
    fn give(&mut self, number: usize, off: i16) {
        let asked = target(&self.prompt(number));
        let key = MidiNote(asked.0 + off);
        let wanted = if off == 0 { "right" } else { "wrong" };
        let began = Instant::now();
        let mut looked_at = self.all("answer").len();
        loop {
            assert!(
                began.elapsed() < PATIENCE,
                "no {wanted} at {number}; {}",
                self.told()
            );
            self.sound(key, |sitting| sitting.all("answer").len() > looked_at);
            let answers = self.all("answer");
            let mut done = false;
            for answer in &answers[looked_at..] {
                // A machine that lost sound may be unsure of it.
                let Some(given) = answer["given"].as_str() else {
                    assert_eq!(answer["outcome"], "not_sure");
                    continue;
                };
                assert_eq!(answer["number"], number, "{}", self.told());
                let given: MidiNote = given.parse::<Pitch>().unwrap().midi();
                assert!(
                    self.sounded.contains(&given),
                    "{given:?} was not sounded; {}",
                    self.told()
                );
                let right = self.room.musician.answers(given, asked);
                assert_eq!(answer["outcome"], if right { "right" } else { "wrong" });
                done |= answer["outcome"] == wanted;
            }
            looked_at = answers.len();
            if done {
                return;
            }
        }
    }

    /// Presses `key` until there is one more answer; its outcome. A rest that came meanwhile is ended by a note.
    fn press(&mut self, key: &str) -> String {
        let before = self.all("answer").len();
        let began = Instant::now();
        loop {
            self.screen.send(key);
            let sent = Instant::now();
            while sent.elapsed() < Duration::from_secs(2) {
                if let Some(answer) = self.all("answer").get(before) {
                    return answer["outcome"].as_str().unwrap().to_owned();
                }
                std::thread::sleep(Duration::from_millis(5));
            }
            assert!(
                began.elapsed() < PATIENCE,
                "'{key}' answers nothing; {}",
                self.told()
            );
            if self.screen.text().contains("A rest.") {
                self.sound(MidiNote(60), |sitting| {
                    !sitting.screen.text().contains("A rest.")
                });
            }
        }
    }

    /// Ends it. The record must hold every judged answer as the events told it, by `ways`; its rows as
    /// `prompt way outcome item given`.
    fn end(mut self, ways: &[&str]) -> Vec<String> {
        self.screen.wait_for("Done for this sitting");
        let rows = self.rig.sql(
            "select prompt || ' ' || way || ' ' || outcome || ' ' || item || ' ' || coalesce(given, '-') from answers order by id",
        );
        let rows: Vec<String> = rows.lines().map(ToOwned::to_owned).collect();
        let outcomes: Vec<String> = self
            .all("answer")
            .iter()
            .map(|answer| match answer["outcome"].as_str().unwrap() {
                "right" => "0".to_owned(),
                "wrong" => "1".to_owned(),
                _ => "2".to_owned(),
            })
            .collect();
        let field = |row: &String, n: usize| row.split(' ').nth(n).unwrap().to_owned();
        let kept: Vec<String> = rows.iter().map(|row| field(row, 2)).collect();
        assert_eq!(kept, outcomes, "{rows:?}");
        for outcome in ["0", "1"] {
            for way in ways {
                let found = |row: &&String| field(row, 2) == outcome && field(row, 1) == *way;
                assert!(
                    rows.iter().any(|row| found(&row)),
                    "outcome {outcome} by way {way} of {rows:?}"
                );
            }
        }
        self.screen.send("\x1b");
        assert_eq!(self.screen.end(), 0);
        rows
    }
}

/// The note that answers what is asked.
fn target(item: &Value) -> MidiNote {
    let answer = item["answer"].as_str().or(item["pitch"].as_str());
    answer.unwrap().parse::<Pitch>().unwrap().midi()
}

/// Every kind that a note answers: wrong first, then right.
fn notes_answer(musician: Musician) {
    let _alone = alone();
    let room = Room::with(musician);
    let way = room.musician.code();
    // Shown, to be given; heard, to be given back; found after the tonic; reached from another.
    for (stage, options, prompt) in [
        ("notes", ["--prompt", "eye"], "0"),
        ("notes", ["--prompt", "ear"], "1"),
        ("find", ["--prompt", "ear"], "1"),
        ("reach", ["--prompt", "ear"], "1"),
    ] {
        let mut sitting =
            Sitting::begin(&room, stage, &[&options[..], &["--prompts", "1"]].concat());
        sitting.give(1, OFF);
        sitting.screen.wait_for("That was");
        sitting.give(1, 0);
        let rows = sitting.end(&[way]);
        assert!(
            rows.iter()
                .all(|row| row.starts_with(&format!("{prompt} {way} "))),
            "{rows:?}"
        );
    }
    // Note by note: groups at sight, melodies by ear.
    for (stage, options) in [
        ("groups", ["--prompt", "eye"]),
        ("melodies", ["--prompt", "ear"]),
    ] {
        let mut sitting =
            Sitting::begin(&room, stage, &[&options[..], &["--prompts", "2"]].concat());
        sitting.give(1, OFF);
        sitting.give(1, 0);
        assert_eq!(sitting.prompt(2)["place"], 2);
        sitting.give(2, 0);
        sitting.end(&[way]);
    }
    // A degree is answered by its note, and by its number all the same.
    for stage in ["degrees", "minor-degrees"] {
        let mut sitting = Sitting::begin(&room, stage, &["--prompts", "2"]);
        sitting.give(1, OFF);
        sitting.give(1, 0);
        let task = sitting.prompt(2)["task"].as_str().unwrap().to_owned();
        let degree = task.split('-').nth(1).unwrap().to_owned();
        let other = if degree == "1" { "3" } else { "1" };
        assert_eq!(sitting.press(other), "wrong");
        assert_eq!(sitting.press(&degree), "right");
        sitting.end(&[way, "0"]);
    }
}

#[test]
fn every_kind_that_a_note_answers_is_played_right_and_wrong() {
    notes_answer(Musician::Pianist(Grand::load()));
}

#[test]
fn every_kind_that_a_note_answers_is_sung_right_and_wrong() {
    notes_answer(Musician::Singer(1.0));
}

#[test]
fn a_sung_note_is_followed_to_its_end_before_the_next_chord_sounds() {
    let _alone = alone();
    let room = Room::with(Musician::Singer(2.0));
    let mut sitting = Sitting::begin(&room, "notes", &["--prompt", "eye", "--prompts", "5"]);
    for number in 1..=5 {
        sitting.give(number, 0);
    }
    // Each is told after some 0.3 s and held for 1.7 more; a machine that loses sound may cut some short, and the last one ends
    // with the sitting. A chord that came at once would end them all.
    let held = sitting.all("held");
    assert!(!held.is_empty() && held.len() < 5, "{}", sitting.told());
    let steady = |h: &Value| {
        h["drift_cents"].as_i64().unwrap().abs() <= 10 && h["waver_cents"].as_i64().unwrap() <= 10
    };
    assert!(held.iter().any(steady), "{held:?}");
    sitting.screen.wait_for("Done for this sitting");
    sitting.screen.send("\x1b");
    assert_eq!(sitting.screen.end(), 0);
}

/// What is chosen while it sounds: its stage, and which key stands for which task.
const CHOICES: [(&str, &[(&str, &str)]); 3] = [
    (
        "intervals",
        &[
            ("interval-m3-up", "1"),
            ("interval-M3-up", "2"),
            ("interval-P5-up", "3"),
        ],
    ),
    (
        "chords",
        &[
            ("chord-major-together", "1"),
            ("chord-minor-together", "2"),
            ("chord-dominant7-together", "3"),
        ],
    ),
    (
        "beats",
        &[("beats-10", "1"), ("beats-20", "2"), ("beats-40", "3")],
    ),
];

#[test]
fn every_kind_that_a_choice_answers_sounds_in_the_room_and_is_chosen_right_and_wrong() {
    let _alone = alone();
    let room = Room::with(Musician::Singer(1.0));
    for (stage, keys) in CHOICES {
        let began = Instant::now();
        let mut sitting = Sitting::open(&room, stage, &["--prompts", "1"]);
        let asked = sitting.prompt(1)["task"].as_str().unwrap().to_owned();
        room.witness.wait_for_quiet(began, Duration::ZERO);
        let key = |right: bool| {
            keys.iter()
                .find(|(task, _)| (*task == asked) == right)
                .unwrap()
                .1
        };
        assert_eq!(sitting.press(key(false)), "wrong");
        sitting.screen.wait_for("That was");
        assert_eq!(sitting.press(key(true)), "right");
        // By ear, by letters; what was given at last is the task that was asked.
        let rows = sitting.end(&["0"]);
        assert!(rows[1].ends_with(&format!("!{asked} {asked}")), "{rows:?}");
    }
}

/// Cents from the first to the second of the two tones heard last, near `key`; `None` while two whole ones were not heard.
fn apart(recorder: &Recorder, key: MidiNote) -> Option<f64> {
    let sounds = recorder.sounds();
    // Seven tenths of a second each; one that lost a piece is no measure.
    let whole =
        |sound: &Vec<f32>| (0.65..0.9).contains(&(sound.len() as f64 / f64::from(Recorder::RATE)));
    let pair = sounds.get(sounds.len().checked_sub(2)?..)?;
    let near = measure::key(key.0).0;
    let steady = |sound: &Vec<f32>| measure::peak_near(&sound[2_400..28_000], near, 0.04 * near);
    pair.iter()
        .all(whole)
        .then(|| 1200.0 * (steady(&pair[1]) / steady(&pair[0])).log2())
}

#[test]
fn two_notes_are_compared_by_what_is_heard_in_the_room() {
    let _alone = alone();
    let room = Room::with(Musician::Singer(1.0));
    let recorder = Recorder::listen(&room.server);
    let mut sitting = Sitting::open(&room, "in-tune", &["--prompts", "4"]);
    // The answer is what the microphone's ear makes of it, or its opposite. After a wrong one the next pair comes at once.
    for (number, right) in [(1, true), (2, false), (3, true), (4, false)] {
        let item = sitting.prompt(number);
        let key = item["pitch"]
            .as_str()
            .unwrap()
            .parse::<Pitch>()
            .unwrap()
            .midi();
        let began = Instant::now();
        let mut sounded = Instant::now();
        let task = item["task"].as_str().unwrap();
        let tenths: f64 = task.strip_prefix("tune").unwrap().parse().unwrap();
        let mut off = None;
        let heard = loop {
            match apart(&recorder, key) {
                Some(heard) if (heard - tenths / 10.0).abs() < 0.5 => break heard,
                // A machine that lost sound within a tone measures another one: it is sounded again.
                Some(heard) => {
                    off = Some(heard);
                    sounded = began;
                }
                None => {}
            }
            assert!(
                began.elapsed() < PATIENCE,
                "no pair {task}, but {off:?}; {}",
                sitting.told()
            );
            if sounded.elapsed() > LOST {
                recorder.clear();
                sitting.screen.send(" ");
                sounded = Instant::now();
            }
            std::thread::sleep(Duration::from_millis(50));
        };
        recorder.clear();
        let outcome = sitting.press(if (heard > 0.0) == right { "2" } else { "1" });
        assert_eq!(outcome, if right { "right" } else { "wrong" });
    }
    sitting.end(&["0"]);
}
