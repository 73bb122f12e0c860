//! The full-screen program in real pseudo-terminals: sizes, colours, characters, and the terminal as it was afterwards.
#![allow(clippy::unwrap_used, clippy::panic)]

mod rig;

use std::process::Command;
use std::time::Duration;

use rig::{PROGRAM, Rig, Screen};

fn opened(rig: &Rig, size: (u16, u16), environment: &[(&str, &str)]) -> Screen {
    Screen::start(rig, &[PROGRAM], &[], size, environment)
}

/// Everything as it was: main screen, no mouse reports, the cursor shown.
fn restored(screen: &Screen) {
    assert!(!screen.full_screen());
    assert_eq!(screen.held(), (false, false));
}

#[test]
fn a_program_that_is_told_to_end_gives_the_terminal_back() {
    for signal in ["TERM", "HUP", "QUIT"] {
        let rig = Rig::new();
        let mut screen = Screen::open(&rig, &["practice", "--seed", "7"]);
        screen.wait_until("the full screen", Screen::full_screen);
        let process = screen.process().to_string();
        let sent = Command::new("kill").args(["-s", signal, &process]).status();
        assert!(sent.unwrap().success());
        assert_ne!(screen.end(), 0, "{signal}");
        screen.wait_until("the terminal as it was", |screen| !screen.full_screen());
        restored(&screen);
    }
}

#[test]
fn the_terminal_is_as_it_was_however_the_program_ends() {
    for leave in ["\x1b", "\x03", "\x11"] {
        let rig = Rig::new();
        let mut screen = opened(&rig, (80, 24), &[]);
        screen.wait_for("Enter begin");
        assert!(screen.full_screen() && screen.held() == (true, true));
        screen.send(leave);
        assert_eq!(screen.end(), 0);
        restored(&screen);
    }
    // In the midst of a prompt, too.
    let rig = Rig::new();
    let mut screen = Screen::open(&rig, &["practice"]);
    screen.wait_for("Esc rest");
    screen.send("\x03");
    assert_eq!(screen.end(), 0);
    restored(&screen);
}

#[test]
fn an_error_in_the_midst_restores_the_terminal_before_it_is_told() {
    let rig = Rig::new();
    let mut screen = Screen::open(&rig, &["practice"]);
    screen.wait_for("Esc rest");
    // The record is taken away by another program.
    rig.sql("DROP TABLE answers");
    screen.send("c");
    assert_eq!(screen.end(), 2);
    restored(&screen);
    assert!(screen.text().contains("stavelark:"), "{}", screen.text());
}

#[test]
fn what_commands_say_is_broken_between_words() {
    let rig = Rig::new();
    for args in [
        &["learner", "use", "Osric"][..],
        &["settings"],
        &["--plain"],
    ] {
        let mut screen = Screen::start(&rig, &[PROGRAM], args, (40, 200), &[]);
        screen.send("leave\n");
        screen.end();
        let text = screen.text();
        let piped = rig.fed(args, "leave\n");
        let piped = [piped.stdout, piped.stderr].concat();
        let piped = String::from_utf8(piped).unwrap();
        let words: Vec<&str> = piped.split_whitespace().collect();
        assert!(words.len() > 10);
        // What was typed stands on the screen as well.
        let shown: Vec<&str> = text.split_whitespace().filter(|w| *w != "leave").collect();
        let words: Vec<&str> = words.into_iter().filter(|w| *w != "leave").collect();
        assert_eq!(shown, words, "{text}");
    }
}

#[test]
fn what_does_not_fit_is_asked_in_words_with_the_size_it_needs() {
    let rig = Rig::new();
    let mut screen = Screen::start(&rig, &[PROGRAM], &["practice"], (20, 5), &[]);
    screen.wait_until("the item in words", |screen| {
        screen.text().contains("treble staff")
    });
    screen.resize(80, 24);
    screen.wait_for("Esc rest");
    screen.wait_until("the clef", |screen| {
        screen.text().contains('⡇') || screen.text().contains('⣿')
    });
    screen.send("\x03");
    assert_eq!(screen.end(), 0);
}

#[test]
fn two_hundred_changes_of_size_leave_nothing_behind() {
    let rig = Rig::new();
    let mut screen = Screen::open(&rig, &["practice"]);
    screen.wait_for("Esc rest");
    for step in 0..200_u16 {
        screen.resize(1 + (step * 37) % 200, 1 + (step * 23) % 60);
        if step % 10 == 0 {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    screen.resize(80, 24);
    screen.wait_for("Esc rest");
    // The same screen as one that never changed its size: nothing is left over.
    let rows: Vec<String> = screen.text().lines().map(str::to_owned).collect();
    assert!(rows.len() <= 24);
    assert_eq!(
        rows.iter().filter(|row| row.contains("Esc rest")).count(),
        1
    );
    assert_eq!(
        rows.iter().filter(|row| row.contains("day 1 of")).count(),
        1
    );
    screen.send("\x03");
    assert_eq!(screen.end(), 0);
    restored(&screen);
}

#[test]
fn a_terminal_without_colour_gets_none_and_one_without_utf_8_gets_ascii() {
    let without = |environment: &[(&str, &str)]| {
        let rig = Rig::new();
        let mut screen = Screen::start(
            &rig,
            &[PROGRAM],
            &["practice", "--seed", "3"],
            (80, 24),
            environment,
        );
        screen.wait_for("Esc rest");
        // A miss is drawn in colour where there is colour. A course begins with middle C.
        for key in ["d", "d"] {
            screen.send(key);
            screen.wait_until("a verdict", |screen| {
                screen.text().contains("is right") || screen.text().contains("That was")
            });
            if screen.text().contains("That was") {
                break;
            }
        }
        screen.wait_for("That was");
        let seen = (screen.colours(), screen.text());
        screen.send("\x03");
        assert_eq!(screen.end(), 0);
        seen
    };
    let (colours, text) = without(&[]);
    assert!(colours > 0);
    assert!(!text.is_ascii());
    let (colours, text) = without(&[("NO_COLOR", "1")]);
    assert_eq!(colours, 0);
    assert!(text.contains('✗'), "the sign tells it: {text}");
    let (_, text) = without(&[("LANG", "C")]);
    assert!(text.is_ascii(), "{text}");
    assert!(text.contains("x That was"), "{text}");
}

#[test]
fn a_dumb_terminal_is_told_of_the_text_mode() {
    let rig = Rig::new();
    let mut screen = opened(&rig, (80, 24), &[("TERM", "dumb")]);
    assert_eq!(screen.end(), 0);
    assert!(screen.text().contains("stavelark --plain"));
    let mut screen = Screen::start(
        &rig,
        &[PROGRAM],
        &["practice"],
        (80, 24),
        &[("TERM", "dumb")],
    );
    assert_eq!(screen.end(), 2);
}

#[test]
fn a_terminal_that_is_closed_ends_the_program_and_loses_no_answer() {
    let rig = Rig::new();
    let mut screen = Screen::open(&rig, &["practice"]);
    screen.wait_for("Esc rest");
    screen.send("c");
    screen.wait_until("a verdict", |screen| {
        screen.text().contains("is right") || screen.text().contains("That was")
    });
    screen.close();
    screen.end();
    assert_eq!(rig.sql("SELECT count(*) FROM answers"), "1");
}

#[test]
fn with_several_learners_it_asks_who_is_here() {
    let rig = Rig::new();
    for name in ["Wren", "Osric"] {
        rig.ok(&["learner", "add", name]);
    }
    let mut screen = opened(&rig, (80, 24), &[]);
    screen.wait_for("Who is here?");
    let text = screen.text();
    let chosen = text.lines().find(|line| line.contains('>')).unwrap();
    let other = if chosen.contains("Wren") {
        "Osric"
    } else {
        "Wren"
    };
    screen.send(
        if text.find("Wren") < text.find("Osric") && other == "Osric"
            || text.find("Osric") < text.find("Wren") && other == "Wren"
        {
            "\x1b[B"
        } else {
            "\x1b[A"
        },
    );
    screen.send("\r");
    screen.wait_for(&format!("{other}, today:"));
    screen.send("\x1b");
    assert_eq!(screen.end(), 0);
    assert!(rig.ok(&["learner", "list"]).contains(&format!("> {other}")));
}

/// A press of the left button at a column and row from 0.
fn click(screen: &mut Screen, column: usize, row: usize) {
    screen.send(&format!("\x1b[<0;{};{}M", column + 1, row + 1));
}

/// Where `text` stands on the screen.
fn place(screen: &Screen, text: &str) -> (usize, usize) {
    let shown = screen.text();
    let (row, line) = shown
        .lines()
        .enumerate()
        .find(|(_, line)| line.contains(text))
        .unwrap();
    (line[..line.find(text).unwrap()].chars().count(), row)
}

#[test]
fn everything_at_home_is_reached_by_keys_and_by_the_mouse() {
    let rig = Rig::new();
    let mut screen = opened(&rig, (80, 24), &[]);
    screen.wait_for("Enter begin");
    // By keys: another value of the fifth setting.
    screen.send("s");
    screen.wait_for("day-begins");
    screen.send("\x1b[B\x1b[B\x1b[B\x1b[B\x1b[C");
    screen.wait_for("< off >");
    // By the mouse: the same one back, then home, keys, back, begin.
    let (column, row) = place(&screen, "< off >");
    click(&mut screen, column, row);
    screen.wait_for("< on >");
    for (foot, next) in [
        ("Esc home", "Four weeks"),
        ("? keys", "take a misheard"),
        ("Esc back", "Four weeks"),
        ("Enter begin", "Esc rest"),
        ("Esc rest", "A rest"),
    ] {
        let (column, row) = place(&screen, foot);
        assert_eq!(row, 23);
        click(&mut screen, column + 1, row);
        screen.wait_for(next);
    }
    screen.send("\x03");
    assert_eq!(screen.end(), 0);
    // Every change above was one frame, and none is left half drawn.
    let (whole, half) = screen.frames();
    assert!(whole >= 8 && !half, "{whole} frames");
    assert!(rig.ok(&["settings", "timed"]).starts_with("timed = on"));
}

#[test]
fn a_click_on_the_drawn_keyboard_answers_by_name_or_by_key_as_set() {
    let rig = Rig::new();
    rig.ok(&["settings", "keyboard", "always"]);
    for (setting, said) in [("name", "is right"), ("key", "octave")] {
        rig.ok(&["settings", "mouse", setting]);
        let file = rig.file(&format!("{setting}.jsonl"));
        let args = [
            "practice",
            "--seed",
            "5",
            "--events",
            file.to_str().unwrap(),
        ];
        let mut screen = Screen::start(&rig, &[PROGRAM], &args, (100, 40), &[("LANG", "C")]);
        screen.wait_for("Esc rest");
        // A prompt is answered a tenth of a second after it at the earliest.
        std::thread::sleep(Duration::from_millis(300));
        let asked = rig.events(&format!("{setting}.jsonl"))[0]["item"]["pitch"]
            .as_str()
            .unwrap()
            .to_owned();
        let (letter, octave) = asked.split_at(asked.len() - 1);
        let octave: u8 = octave.parse().unwrap();
        // The C an octave above or below is labelled; the key asked for lies as far from it as from its own C.
        let labelled = if octave >= 5 { 4 } else { 5 };
        let (column, row) = place(&screen, &format!("C{labelled}"));
        let steps = "CDEFGAB".find(letter).unwrap();
        // A white key every row of the staff's own grid: two C's tell how many rows a step takes.
        let rows =
            row_of(&screen, labelled - 1).unwrap_or_else(|| row_of(&screen, labelled + 1).unwrap());
        let per_step = rows.abs_diff(row) as f64 / 7.0;
        let target = row as f64 - steps as f64 * per_step;
        click(&mut screen, column, target.round() as usize);
        screen.wait_until("a verdict", |screen| screen.text().contains(said));
        screen.send("\x03");
        assert_eq!(screen.end(), 0);
    }
}

fn row_of(screen: &Screen, octave: u8) -> Option<usize> {
    let text = screen.text();
    text.lines()
        .position(|line| line.contains(&format!("C{octave}")))
}
