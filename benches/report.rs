//! What sheets and reports take: time and size of every sheet, and the whole command that writes a report of 100,000
//! answers, from its start to its end.
//!
//! `cargo bench --bench report`
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use stavelark::engrave::{Document, pdf_document, svg_document};
use stavelark::report::sheet::{Paper, StageDays, Style, cards, days, names, rows};
use stavelark::study::Course;
use stavelark::theory::NoteNames;

const PROGRAM: &str = env!("CARGO_BIN_EXE_stavelark");
const TIMES: usize = 20;
const ANSWERS: u32 = 100_000;

fn told(what: &str, mut times: Vec<Duration>, bytes: usize) {
    times.sort();
    let ms = |time: &Duration| time.as_secs_f64() * 1e3;
    println!(
        "{what}: median {:.1} ms, longest {:.1} ms ({} times), {:.0} KB",
        ms(&times[times.len() / 2]),
        ms(&times[times.len() - 1]),
        times.len(),
        bytes as f64 / 1000.0
    );
}

fn timed(what: &str, make: impl Fn() -> Vec<u8>) {
    let mut bytes = 0;
    let times = (0..TIMES)
        .map(|_| {
            let began = Instant::now();
            bytes = make().len();
            began.elapsed()
        })
        .collect();
    told(what, times, bytes);
}

fn main() {
    let course = Course::built_in("groundwork").unwrap();
    for (paper, large) in [(Paper::A4, false), (Paper::Letter, true)] {
        let style = Style {
            paper,
            large,
            names: NoteNames::English,
        };
        let strip: Vec<StageDays> = course
            .stages
            .iter()
            .map(|stage| StageDays {
                stage: stage.clone(),
                kept: 1,
            })
            .collect();
        let all = course.stage("all").unwrap();
        let treble = &course.stages[0];
        let chance = || ChaCha8Rng::seed_from_u64(1);
        let sheets: [(&str, &dyn Fn() -> Document); 5] = [
            ("names", &|| {
                names(style, "Wren", &[], Some(&course.phrases))
            }),
            ("days", &|| days(style, &course.name, &strip, "Wren")),
            ("cards of a stage of 12", &|| {
                cards(style, treble, &mut chance())
            }),
            ("cards of a stage of 112", &|| {
                cards(style, all, &mut chance())
            }),
            ("rows", &|| rows(style, all, "Wren", &mut chance())),
        ];
        let size = if large { "large, " } else { "" };
        for (name, sheet) in sheets {
            timed(&format!("{name}, {size}PDF"), || {
                pdf_document(&sheet()).unwrap()
            });
            timed(&format!("{name}, {size}SVG"), || {
                svg_document(&sheet()).into_bytes()
            });
        }
    }
    report();
}

fn report() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path().join("home");
    let run = |args: &[&str]| {
        let status = Command::new(PROGRAM)
            .args(args)
            .env("STAVELARK_HOME", &home)
            .env("LANG", "C.UTF-8")
            .status()
            .unwrap();
        assert!(status.success(), "{args:?}");
    };
    run(&["learner", "add", "Wren"]);
    fill(&home.join("stavelark.sqlite3"));
    let file = folder.path().join("wren.out");
    let name = file.to_str().unwrap();
    for form in ["--html", "--pdf"] {
        let mut bytes = 0;
        let times = (0..TIMES)
            .map(|_| {
                let began = Instant::now();
                run(&["progress", form, name, "--force"]);
                bytes = std::fs::metadata(&file).unwrap().len() as usize;
                began.elapsed()
            })
            .collect();
        told(
            &format!("progress {form} of {ANSWERS} answers"),
            times,
            bytes,
        );
    }
}

/// Answers of a hundred to a day to all notes of a course, by a rule.
fn fill(store: &Path) {
    let course = Course::built_in("groundwork").unwrap();
    let items = course.stage("all").unwrap().items();
    let connection = rusqlite::Connection::open(store).unwrap();
    connection.execute_batch("BEGIN").unwrap();
    let mut answer = connection
        .prepare(
            "INSERT INTO answers (learner, sitting, day, stage, at, item, prompt, way, given, outcome, response_ms, attempt, active_ms)
             SELECT learner, id, day, stage, started + ?2 * 3000, ?3, 0, 0, ?4, ?5, ?6, 1, 2000 FROM sittings WHERE id = ?1",
        )
        .unwrap();
    let first = jiff::civil::Date::constant(2023, 1, 1);
    for n in 0..ANSWERS {
        if n % 100 == 0 {
            let day = first.saturating_add(jiff::Span::new().days(i64::from(n / 100)));
            connection
                .execute(
                    "INSERT INTO sittings (id, learner, stage, day, started, \"offset\", seed)
                     SELECT ?1, id, 'all', ?2, 0, 0, 1 FROM learners",
                    (n / 100 + 1, day.to_string()),
                )
                .unwrap();
        }
        let item = items[(n.wrapping_mul(2_654_435_761) >> 7) as usize % items.len()];
        let wrong = n % 11 == 0;
        let given = if wrong {
            "C4".to_owned()
        } else {
            item.pitch.to_string()
        };
        let ms = 700 + n.wrapping_mul(40_503) % 1500;
        answer
            .execute((
                n / 100 + 1,
                n % 100,
                item.to_string(),
                given,
                i32::from(wrong),
                ms,
            ))
            .unwrap();
    }
    drop(answer);
    connection.execute_batch("COMMIT").unwrap();
}
