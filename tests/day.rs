//! Whole days of practice in a real terminal, with the clock moved from outside.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::time::Duration;

use rig::{PATIENCE, Rig, Screen, dated, sample};

/// A start twenty times as fast as the clock.
fn at(when: &str) -> Vec<String> {
    dated(&format!("{when} x20"))
}

/// Answers every prompt rightly until the summary; gives the number of prompts.
fn practise(rig: &Rig, screen: &mut Screen, events: &str) -> usize {
    let mut answered = 0;
    screen.wait_until("the end of the sitting", |screen| {
        let _ = screen;
        !rig.events(events).is_empty()
    });
    let began = std::time::Instant::now();
    loop {
        assert!(began.elapsed() < 5 * PATIENCE, "{}", screen.text());
        let lines = rig.events(events);
        if lines.iter().any(|line| line["event"] == "end") {
            return answered;
        }
        let prompts: Vec<_> = lines
            .iter()
            .filter(|line| line["event"] == "prompt")
            .collect();
        if prompts.len() > answered {
            let pitch = prompts[answered]["item"]["pitch"]
                .as_str()
                .unwrap()
                .to_owned();
            // A fifth of a second, four seconds by the program's clock.
            std::thread::sleep(Duration::from_millis(200));
            let name = pitch.trim_end_matches(|c: char| c.is_ascii_digit());
            let (letter, sign) = name.split_at(1);
            let sign = match sign {
                "#" => "#",
                "b" => "-",
                _ => "",
            };
            screen.send(&format!("{sign}{}", letter.to_lowercase()));
            answered += 1;
        } else {
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

fn sitting(rig: &Rig, when: &str, events: &str) -> (usize, String) {
    let program = at(when);
    let path = rig.file(events);
    let args = ["practice", "--events", path.to_str().unwrap()];
    let mut screen = Screen::start(rig, &program, &args, (80, 24), &[]);
    let answered = practise(rig, &mut screen, events);
    screen.wait_for("of practice");
    let text = screen.text();
    screen.send("\x1b");
    assert_eq!(screen.end(), 0);
    (answered, text)
}

#[test]
fn a_day_earns_one_mark_a_second_sitting_none_and_the_next_day_the_second() {
    let rig = Rig::new();
    rig.ok(&["course", "use", &sample("evening.toml")]);
    let (answered, text) = sitting(&rig, "2026-03-02 16:00:00", "first.jsonl");
    assert!(
        answered >= 10,
        "a mark takes ten answers, {answered} were given"
    );
    assert!(text.contains("Today counts: day 1 of 2"), "{text}");
    assert_eq!(rig.sql("SELECT group_concat(day) FROM marks"), "2026-03-02");
    let (_, text) = sitting(&rig, "2026-03-02 18:00:00", "second.jsonl");
    assert!(text.contains("one day counts once"), "{text}");
    assert_eq!(rig.sql("SELECT count(*) FROM marks"), "1");
    let (_, text) = sitting(&rig, "2026-03-03 16:00:00", "third.jsonl");
    assert!(text.contains("all 2 days of"), "{text}");
    assert_eq!(
        rig.sql("SELECT group_concat(day) FROM marks"),
        "2026-03-02,2026-03-03"
    );
    // The stage is done: the next one's turn comes by itself.
    assert!(
        rig.ok(&["progress"])
            .contains("> Sharps and flats on both staves: 0 of 2 days")
    );
}

#[test]
fn a_crash_keeps_the_days_time_and_the_sitting_goes_on_where_it_was() {
    let rig = Rig::new();
    rig.ok(&["course", "use", &sample("evening.toml")]);
    let program = at("2026-03-02 16:00:00");
    let path = rig.file("crash.jsonl");
    let args = ["practice", "--events", path.to_str().unwrap()];
    let mut screen = Screen::start(&rig, &program, &args, (80, 24), &[]);
    let mut answered = 0;
    while answered < 5 {
        let prompts = rig.events("crash.jsonl");
        let prompts: Vec<_> = prompts
            .iter()
            .filter(|line| line["event"] == "prompt")
            .collect();
        if prompts.len() > answered {
            let pitch = prompts[answered]["item"]["pitch"].as_str().unwrap();
            std::thread::sleep(Duration::from_millis(150));
            screen.send(&pitch[..1].to_lowercase());
            answered += 1;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    screen.wait_until("five answers in the record", |_| {
        rig.sql("SELECT count(*) FROM answers") == "5"
    });
    screen.kill();
    let before: u64 = rig
        .sql("SELECT sum(active_ms) FROM answers")
        .parse()
        .unwrap();
    assert!(before > 5_000);
    let (more, text) = sitting(&rig, "2026-03-02 16:10:00", "after.jsonl");
    assert!(text.contains("Today counts: day 1 of 2"), "{text}");
    assert!(more >= 5, "five answers were lacking, {more} were asked");
    let all: u64 = rig
        .sql("SELECT sum(active_ms) FROM answers")
        .parse()
        .unwrap();
    assert!(
        all < before + 75_000,
        "the first sitting's time counts: {before} of {all}"
    );
}
