//! A scripted learner of five days in a real terminal, and records that an older version left.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::collections::{HashMap, HashSet};
use std::time::{Duration, Instant};

use rig::{PATIENCE, Rig, Screen, dated};
use serde_json::Value;

/// Five times as fast as the clock: quick enough to wait for, slow enough that a loaded machine still answers in time.
fn at(when: &str) -> Vec<String> {
    dated(&format!("{when} x5"))
}

const COURSE: &str = r#"
schema = 1
id = "week"
[[stage]]
id = "treble"
name = "Treble"
days = 5
minutes = 1
answers = 40
fluent-ms = 3000
[[stage.notes]]
clef = "treble"
from = "C4"
to = "C6"
alterations = ["natural", "sharp", "flat"]
"#;

/// A day's sitting; the item `miss` is missed the first time it comes. Gives the items in their order.
fn practise(rig: &Rig, day: u32, miss: &str) -> Vec<String> {
    let program = at(&format!("2026-03-{:02} 16:00:00", day + 1));
    let name = format!("day{day}.jsonl");
    let path = rig.file(&name);
    let args = [
        "practice",
        "--prompts",
        "30",
        "--seed",
        "3",
        "--events",
        path.to_str().unwrap(),
    ];
    let mut screen = Screen::start(rig, &program, &args, (80, 24), &[]);
    let began = Instant::now();
    let (mut answered, mut missed) = (0, false);
    let prompts = loop {
        assert!(began.elapsed() < 5 * PATIENCE, "{}", screen.text());
        let lines = rig.events(&name);
        let prompts: Vec<String> = lines
            .iter()
            .filter(|line| line["event"] == "prompt")
            .map(|line| line["item"]["pitch"].as_str().unwrap().to_owned())
            .collect();
        if lines.iter().any(|line| line["event"] == "end") {
            break prompts;
        }
        if prompts.len() > answered {
            let name = prompts[answered].trim_end_matches(|c: char| c.is_ascii_digit());
            let sign = match &name[1..] {
                "#" => "#",
                "b" => "-",
                _ => "",
            };
            let letter = name[..1].to_lowercase();
            // The prompt is on the screen when its clock runs.
            std::thread::sleep(Duration::from_millis(60));
            if prompts[answered] == miss && !missed {
                missed = true;
                let other = if letter == "c" { "d" } else { "c" };
                screen.send(other);
                screen.wait_for("That was");
            }
            screen.send(&format!("{sign}{letter}"));
            answered += 1;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    screen.wait_for("of practice");
    screen.send("\x1b");
    assert_eq!(screen.end(), 0);
    prompts
}

fn progress(rig: &Rig, day: u32, args: &[&str]) -> String {
    let program = at(&format!("2026-03-{:02} 18:00:00", day + 1));
    let mut all = vec!["progress"];
    all.extend(args);
    let output = rig.wrapped(&program, &all).output().unwrap();
    assert!(output.status.success());
    String::from_utf8(output.stdout).unwrap()
}

fn settled(rig: &Rig, day: u32) -> HashSet<String> {
    let json: Value = serde_json::from_str(&progress(rig, day, &["--json"])).unwrap();
    let items = json["items"].as_array().unwrap();
    let settled = items.iter().filter(|item| item["settled"] == true);
    settled
        .map(|item| item["item"].as_str().unwrap().replace("@treble", ""))
        .collect()
}

#[test]
fn five_days_open_items_bring_back_misses_and_return_to_what_is_settled() {
    let rig = Rig::new();
    let course = rig.file("week.toml");
    std::fs::write(&course, COURSE).unwrap();
    rig.ok(&["course", "use", course.to_str().unwrap()]);
    let mut met: HashSet<String> = HashSet::new();
    let mut met_by_day = Vec::new();
    let mut days = Vec::new();
    let mut returns = 0;
    let mut settled_by: HashMap<String, u32> = HashMap::new();
    for day in 1..=5 {
        let prompts = practise(&rig, day, "G4");
        let first = prompts.iter().position(|pitch| pitch == "G4");
        if let Some(first) = first.filter(|first| first + 6 < prompts.len()) {
            let back = prompts[first + 1..].iter().position(|pitch| pitch == "G4");
            returns += 1;
            assert!(
                back.is_some_and(|others| (2..=5).contains(&others)),
                "day {day}: {back:?} others in {prompts:?}"
            );
        }
        met.extend(prompts.iter().cloned());
        met_by_day.push(met.len());
        for pitch in settled(&rig, day) {
            settled_by.entry(pitch).or_insert(day);
        }
        days.push(prompts);
    }
    assert!(
        met_by_day[0] < met_by_day[4],
        "new items open: {met_by_day:?}"
    );
    assert!(returns > 0, "the miss came too late on every day");
    let early: Vec<&String> = settled_by
        .iter()
        .filter(|(_, day)| **day <= 3)
        .map(|(pitch, _)| pitch)
        .collect();
    assert!(!early.is_empty(), "{settled_by:?}");
    assert!(
        early
            .iter()
            .any(|pitch| days[3].contains(pitch) || days[4].contains(pitch)),
        "a settled item returns"
    );
    let why = progress(&rig, 5, &["--why", "G4"]);
    assert!(why.contains("right at the first try"), "{why}");
    assert!(why.contains("It came up last on 2026-03-0"), "{why}");
    assert!(
        why.contains("Missing to settled") || why.contains("Settled"),
        "{why}"
    );
    let text = progress(&rig, 5, &[]);
    assert!(text.contains("Day by day"), "{text}");
    assert!(text.contains("2026-03-06"), "{text}");
}

#[test]
fn a_record_of_the_first_form_opens_and_its_progress_is_shown() {
    let rig = Rig::new();
    // Made by the program, then taken back to the first form by the sqlite3 client.
    rig.ok(&["learner", "add", "Wren"]);
    rig.sql(
        "DROP INDEX answers_in_order; DROP INDEX answers_withdrawn; DROP TABLE check_mute; DROP TABLE check_keys; DROP TABLE checks; PRAGMA user_version = 1;
         INSERT INTO sittings (learner, stage, day, started, \"offset\", seed) SELECT id, 'treble', '2026-03-02', 0, 0, 1 FROM learners;
         INSERT INTO answers (learner, sitting, day, stage, at, item, prompt, way, given, outcome, response_ms, attempt, active_ms)
           SELECT learner, id, '2026-03-02', 'treble', 1000, 'G4@treble', 0, 0, 'G4', 0, 900, 1, 1000 FROM sittings;
         INSERT INTO answers (learner, sitting, day, stage, at, item, prompt, way, given, outcome, response_ms, attempt, active_ms)
           SELECT learner, id, '2026-03-02', 'treble', 2000, 'no item', 0, 0, 'G4', 0, 900, 1, 1000 FROM sittings;",
    );
    let json: Value = serde_json::from_str(&rig.ok(&["progress", "--json"])).unwrap();
    assert_eq!(json["items"].as_array().unwrap().len(), 1, "{json}");
    assert_eq!(json["items"][0]["item"], "G4@treble");
    assert_eq!(rig.sql("PRAGMA user_version"), "5");
}
