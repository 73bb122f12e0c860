//! Every screen in a pseudo-terminal of every size: goldens of what it shows, and pictures where `STAVELARK_GALLERY`
//! says. The clock begins at one moment for all, and prompts come from one seed.
#![allow(clippy::unwrap_used, clippy::panic)]

mod picture;
mod rig;

use std::time::{Duration, Instant};

use picture::{Colours, DARK, LIGHT, Look, Painter, folder};
use rig::{PATIENCE, Rig, Screen, dated};

const SIZES: [(u16, u16); 5] = [(200, 60), (120, 40), (80, 24), (40, 12), (20, 5)];

/// What the screen shows once it has stood still for a moment.
fn still(screen: &Screen) -> String {
    let began = Instant::now();
    let mut last = (screen.text(), Instant::now());
    loop {
        std::thread::sleep(Duration::from_millis(50));
        let text = screen.text();
        // The time practised runs on.
        if timeless(&text) != timeless(&last.0) || text.trim().is_empty() {
            last = (text, Instant::now());
        } else if last.1.elapsed() > Duration::from_millis(400) {
            return timeless(&text);
        }
        assert!(began.elapsed() < PATIENCE, "never still:\n{}", last.0);
    }
}

/// The text with every time, such as `0:07`, left out, for it runs on; and without blanks at the ends of lines, which are
/// there or not by what stood there before.
fn timeless(text: &str) -> String {
    let letters: Vec<char> = text.chars().collect();
    let mut out = String::new();
    let mut at = 0;
    while at < letters.len() {
        match letters[at..] {
            [a, ':', b, c, ..] if [a, b, c].iter().all(char::is_ascii_digit) => {
                out.push_str("m:ss");
                at += 4;
            }
            [letter, ..] => {
                out.push(letter);
                at += 1;
            }
            [] => break,
        }
    }
    out.lines()
        .map(|line| format!("{}\n", line.trim_end()))
        .collect()
}

fn looks(screen: &Screen) -> (Vec<Look>, usize) {
    screen.with(|screen| {
        let (rows, columns) = screen.size();
        let (rows, columns) = (rows.get(), columns.get());
        let colour = |colour: vt100::Color| match colour {
            vt100::Color::Rgb(r, g, b) => Some([r, g, b]),
            _ => None,
        };
        let cells = (0..rows).flat_map(|row| (0..columns).map(move |column| (row, column)));
        let looks = cells
            .map(|(row, column)| {
                let cell = screen.cell(row, column).unwrap();
                Look {
                    front: colour(cell.fgcolor()),
                    back: colour(cell.bgcolor()),
                    dim: cell.dim(),
                    bold: cell.bold(),
                    reversed: cell.inverse(),
                    ..Look::plain(cell.contents().chars().next().unwrap_or(' '))
                }
            })
            .collect();
        (looks, usize::from(columns))
    })
}

struct Gallery {
    painter: Painter,
    /// What was shown last: a key has been taken when something else is.
    last: String,
}

impl Gallery {
    /// Waits until something else is shown than before, and stands still.
    fn await_change(&mut self, screen: &Screen) {
        screen.wait_until("another screen", |screen| {
            timeless(&screen.text()) != self.last
        });
        self.last = still(screen);
    }

    /// Compares with the golden, and paints.
    fn show(&mut self, screen: &Screen, name: &str, colours: Colours) {
        self.await_change(screen);
        insta::assert_snapshot!(name, self.last.clone());
        let (cells, width) = looks(screen);
        let png = self.painter.png(&cells, width, colours);
        if let Some(folder) = folder() {
            std::fs::write(folder.join(format!("screen-{name}.png")), png).unwrap();
        }
    }
}

fn start(rig: &Rig, args: &[&str], size: (u16, u16), ground: &str) -> Screen {
    // Only the date is another: waits must end when they should.
    let environment = [("COLORFGBG", ground), ("FAKETIME_DONT_FAKE_MONOTONIC", "1")];
    Screen::start(rig, &dated("2026-03-02 10:00:00"), args, size, &environment)
}

#[test]
fn screens_in_a_terminal_of_every_size() {
    let mut gallery = Gallery {
        painter: Painter::new(),
        last: String::new(),
    };
    for size in SIZES {
        let rig = Rig::new();
        rig.ok(&["settings", "names", "english"]);
        // That there is no sound device is said some time after the first frame.
        rig.ok(&["settings", "sound", "off"]);
        let named = |what: &str| format!("{what}-{}x{}", size.0, size.1);
        let mut screen = start(&rig, &[], size, "15;0");
        gallery.show(&screen, &named("home"), DARK);
        screen.send("?");
        gallery.show(&screen, &named("keys"), DARK);
        screen.send("\x1b");
        gallery.await_change(&screen);
        screen.send("s");
        gallery.show(&screen, &named("settings"), DARK);
        drop(screen);
        gallery.last.clear();
        let events = rig.file("events");
        let args = [
            "practice",
            "--seed",
            "7",
            "--events",
            events.to_str().unwrap(),
        ];
        let light = size == (120, 40);
        let (ground, colours) = if light {
            ("0;15", LIGHT)
        } else {
            ("15;0", DARK)
        };
        let mut screen = start(&rig, &args, size, ground);
        gallery.show(&screen, &named("practice"), colours);
        let asked = rig.events("events")[0]["item"]["pitch"]
            .as_str()
            .unwrap()
            .to_owned();
        let wrong = if asked.starts_with('E') { "f" } else { "e" };
        screen.send(wrong);
        gallery.show(&screen, &named("miss"), colours);
        screen.send("\x1b");
        gallery.show(&screen, &named("rest"), colours);
        screen.send("\x1b");
        gallery.show(&screen, &named("summary"), colours);
        screen.send("\x1b");
        assert_eq!(screen.end(), 0);
        gallery.last.clear();
    }
}

#[test]
fn a_screen_of_no_size_ends_well() {
    let rig = Rig::new();
    let mut screen = start(&rig, &["practice", "--seed", "7"], (0, 0), "15;0");
    screen.wait_until("the full screen", Screen::full_screen);
    for key in ["e", "?", "\x1b", "\t", "\x1b", "\x1b", "\x1b"] {
        std::thread::sleep(Duration::from_millis(150));
        screen.send(key);
    }
    assert_eq!(screen.end(), 0);
}

#[test]
fn a_storm_of_sizes_leaves_nothing_over() {
    let rig = Rig::new();
    let args = ["practice", "--seed", "7"];
    let screen = start(&rig, &args, (80, 24), "15;0");
    let before = still(&screen);
    assert!(before.contains("Treble staff"));
    for at in 0..200_u16 {
        screen.tell_size(at * 37 % 190, at * 23 % 57);
        std::thread::sleep(Duration::from_millis(5));
    }
    screen.tell_size(80, 24);
    assert_eq!(before, still(&screen));
}
