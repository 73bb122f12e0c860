//! A learner made up for these tests: Wren, three weeks on one stage. The answers are simulated by a rule, not measured.

use jiff::{Timestamp, ToSpan};

use super::*;
use crate::engrave::{Part, Shape, pdf_document};
use crate::report::sheet::{Paper, Style};
use crate::study::{
    LearnerModel, Outcome, PromptKind, Yardstick, beside, confusions, figures, forecast, gains,
    tries_by_ear,
};
use crate::theory::StaffStep;

const FIRST: Date = Date::constant(2026, 3, 2);

struct Learner {
    course: Course,
    answers: Vec<(Date, Answer)>,
    practised: Vec<(Date, Practised)>,
    marked: Vec<Date>,
    marks: Vec<u32>,
    figures: Vec<ItemFigures>,
    gains: Vec<Gain>,
    confusions: Vec<Confusion>,
    forecast: Option<Forecast>,
    heard: Vec<(Date, bool)>,
    beside: BTreeMap<Item, Beside>,
}

/// Every day each note of the stage twice; times fall from day to day, high notes stay slow; every seventh is missed.
fn learner(days: i64, timed: bool) -> Learner {
    learner_at(0, days, timed)
}

fn learner_at(stage: usize, days: i64, timed: bool) -> Learner {
    let course = Course::built_in("groundwork").unwrap();
    let items = course.stages[stage].items();
    let mut answers = Vec::new();
    let mut practised = Vec::new();
    let mut count = 0_u32;
    for n in 0..days {
        let day = FIRST.saturating_add(n.days());
        for round in 0..2 {
            for (place, item) in (0_u32..).zip(&items) {
                count += 1;
                let wrong = count.is_multiple_of(7);
                let ms = 500 + 220 * place + 2500 / (n as u32 + 1) - 100 * round;
                answers.push((day, answer(*item, wrong, timed.then_some(ms))));
            }
        }
        practised.push((
            day,
            Practised {
                active_ms: 190_000,
                answers: 2 * items.len() as u32,
            },
        ));
    }
    let mut yardstick = Yardstick::new(600);
    yardstick.timed = timed;
    let today = FIRST.saturating_add(days.days());
    let model = LearnerModel::rebuild(yardstick, answers.iter().map(|(d, a)| (*d, a)), today);
    Learner {
        figures: figures(&answers, &model),
        gains: gains(&answers),
        confusions: confusions(&answers),
        forecast: forecast(&model, &items, &answers),
        marked: practised.iter().map(|(day, _)| *day).collect(),
        marks: course.stages.iter().map(|_| 0).collect(),
        heard: tries_by_ear(&answers),
        beside: beside(&answers),
        course,
        answers,
        practised,
    }
}

fn answer(item: Item, wrong: bool, ms: Option<u32>) -> Answer {
    Answer {
        at: Timestamp::UNIX_EPOCH,
        stage: "treble".into(),
        item,
        prompt: PromptKind::Eye,
        way: AnswerWay::Letters,
        given: Some(if wrong {
            crate::study::Reply::Note(crate::theory::Pitch::from_diatonic(
                item.pitch.diatonic() + 1,
            ))
        } else {
            crate::study::Reply::Note(item.pitch)
        }),
        outcome: if wrong {
            Outcome::Wrong
        } else {
            Outcome::Right
        },
        response_ms: ms,
        attempt: 1,
        active_ms: 2000,
    }
}

impl Learner {
    fn facts(&self) -> Facts<'_> {
        Facts {
            whose: "Wren <3 & \"Co\"",
            day: FIRST.saturating_add((self.practised.len() as i64 - 1).days()),
            course: &self.course,
            stage: Some(0),
            marks: &self.marks,
            marked: &self.marked,
            practised: &self.practised,
            way: AnswerWay::Letters,
            answers: &self.answers,
            figures: &self.figures,
            gains: &self.gains,
            confusions: &self.confusions,
            forecast: self.forecast,
            floor: (600, false),
            taken_back: 2,
            heard: false,
            by_ear: ByEar {
                tries: &self.heard,
                notes: &self.beside,
                tasks: &[],
                threshold: None,
            },
            names: NoteNames::English,
        }
    }
}

#[test]
fn heads_of_the_strips_stand_where_the_clefs_say_and_once_for_each_note() {
    // Steps follow from the clef definitions of MusicXML 4.0.
    let learner = learner(4, true);
    let facts = learner.facts();
    let strips = staff::strips(&facts);
    let mut steps = Vec::new();
    for strip in &strips {
        for thing in &strip.things {
            let Thing::Music(music) = thing else { continue };
            assert_eq!(
                music.heads.len(),
                music
                    .list
                    .marks
                    .iter()
                    .filter(|m| m.part == Part::Head)
                    .count()
            );
            let bottom = f64::from(crate::theory::Clef::Treble.bottom_line().diatonic()) / 2.0;
            steps.extend(music.list.marks.iter().filter_map(|mark| match mark.shape {
                Shape::Glyph { at, .. } if mark.part == Part::Head => {
                    Some(((at.y - bottom) * 2.0).round() as i32)
                }
                _ => None,
            }));
        }
    }
    let mut expected: Vec<i32> = learner.course.stages[0]
        .items()
        .iter()
        .map(|item| StaffStep::of(item.pitch, item.clef).0)
        .collect();
    expected.sort_unstable();
    assert_eq!(steps, expected);
}

#[test]
fn names_under_the_notes_never_run_into_each_other() {
    let learner = learner_at(3, 4, true);
    for names in NoteNames::ALL {
        let mut facts = learner.facts();
        facts.names = names;
        for strip in staff::strips(&facts) {
            let mut rows: std::collections::BTreeMap<i64, Vec<(f64, f64)>> = Default::default();
            for words in strip.things.iter().flat_map(words_of) {
                let width = crate::engrave::text_width(&words.text, words.size);
                let row = rows.entry((words.y * 1000.0) as i64).or_default();
                row.push((words.left(), words.left() + width));
            }
            assert_eq!(rows.len(), 2);
            for row in rows.values() {
                assert!(
                    row.windows(2).all(|two| two[0].1 < two[1].0),
                    "{names:?} {row:?}"
                );
                assert!(
                    row.iter()
                        .all(|(left, right)| *left > 0.0 && *right < strip.size.0)
                );
            }
        }
    }
}

#[test]
fn strips_are_said_by_the_names_that_stand_under_them() {
    // Common practice: German H is B, B is B flat. White keys stand in the first stage, black ones in the fourth.
    for (stage, notes) in [(0, ["H 4 ", "C 5 "]), (3, ["B 4 ", "Fis 4 "])] {
        let learner = learner_at(stage, 4, true);
        let mut facts = learner.facts();
        facts.names = NoteNames::German;
        let page = html(&facts);
        let said: String = staff::strips(&facts)
            .iter()
            .map(|strip| strip.says.clone())
            .collect();
        for words in notes {
            assert!(
                said.contains(words) && page.contains(words),
                "{words}: {said}"
            );
        }
        assert!(!said.contains("sharp") && !said.contains("flat"), "{said}");
    }
}

#[test]
fn pace_is_by_the_learners_own_measure_and_every_colour_has_its_dots() {
    let learner = learner(10, true);
    let paces: Vec<_> = learner.figures.iter().filter_map(staff::Pace::of).collect();
    assert_eq!(paces.len(), learner.figures.len());
    for pace in staff::Pace::ALL {
        assert!(paces.contains(&pace), "{pace:?}");
    }
    // Slowest first: no slower pace comes after a quicker one.
    let rank = |pace: &staff::Pace| staff::Pace::ALL.iter().position(|p| p == pace);
    assert!(paces.windows(2).all(|two| rank(&two[0]) >= rank(&two[1])));
}

#[test]
fn every_part_of_a_report_is_there_and_names_are_escaped() {
    let learner = learner(10, true);
    let page = html(&learner.facts());
    for id in ["next", "staff", "days", "changes", "course", "notes", "how"] {
        assert!(page.contains(&format!("<h2 id=\"{id}\">")), "{id}");
        assert!(page.contains(&format!("href=\"#{id}\"")), "{id}");
    }
    assert!(page.contains("Wren &lt;3 &amp; &quot;Co&quot;") && !page.contains("<3"));
    for word in [
        "Most improved",
        "Taken for another",
        "Middle half",
        "2 verdicts",
    ] {
        assert!(page.contains(word), "{word}");
    }
    // Nothing is asked of anybody outside.
    for word in ["http:", "https:", "src=", "@import", "url("] {
        assert!(!page.contains(word), "{word}");
    }
}

#[test]
fn without_answers_or_times_a_report_still_says_what_to_do() {
    let none = learner(0, true);
    let mut facts = none.facts();
    facts.day = FIRST;
    let page = html(&facts);
    assert!(page.contains("Nothing is answered yet.") && page.contains("Next is a day of"));
    assert!(
        week(&facts)
            .join("\n")
            .contains("No practice in these seven days.")
    );
    pdf_document(&paper(&facts, Style::default())).unwrap();
    let untimed = learner(3, false);
    let page = html(&untimed.facts());
    assert!(page.contains("of 6 right") && !page.contains("Median at first"));
    assert!(page.contains("how many of its first tries") && !page.contains("round mark"));
    pdf_document(&paper(&untimed.facts(), Style::default())).unwrap();
}

#[test]
fn paper_holds_what_the_page_holds_and_all_of_it_lies_on_its_pages() {
    let learner = learner(60, true);
    let facts = learner.facts();
    for sheet in [Paper::A4, Paper::Letter] {
        for large in [false, true] {
            let style = Style {
                paper: sheet,
                large,
                names: facts.names,
            };
            let document = paper(&facts, style);
            let mut text = String::new();
            for page in &document.pages {
                for words in page.things.iter().flat_map(words_of) {
                    let width = crate::engrave::text_width(&words.text, words.size);
                    let (left, right) = (words.left(), words.left() + width);
                    let inside = left >= 0.0
                        && right <= page.width
                        && words.y > 0.0
                        && words.y < page.height;
                    assert!(inside, "{words:?}");
                    text.push_str(&words.text);
                    text.push('\n');
                }
            }
            for section in sections(&facts) {
                assert!(text.contains(&section.heading), "{}", section.heading);
                for block in section.blocks {
                    if let Block::Table(table) = block {
                        for cell in table.rows.iter().flatten() {
                            assert!(text.contains(cell), "{cell}");
                        }
                    }
                }
            }
            let pdf = pdf_document(&document).unwrap();
            assert!(pdf.starts_with(b"%PDF-1.7"));
        }
    }
}

fn words_of(thing: &Thing) -> Vec<&crate::engrave::Words> {
    match thing {
        Thing::Words(words) | Thing::Heading(_, words) => vec![words],
        Thing::Table { head, rows } => head.iter().chain(rows.iter().flatten()).collect(),
        _ => Vec::new(),
    }
}

#[test]
fn a_week_is_seven_days_in_lines_for_a_mail() {
    let learner = learner(10, true);
    let lines = week(&learner.facts());
    assert!(lines.iter().all(|line| line.chars().count() <= 72));
    let text = lines.join(" ");
    let notes = learner.course.stages[0].items().len();
    // Ten days from 2 March: the last seven are 5 to 11 March.
    for words in [
        "5 Mar to 11 Mar 2026".to_owned(),
        "Practised on 7 of 7 days, 22 minutes in all; 7 count.".to_owned(),
        format!("{} answers", 7 * 2 * notes),
        "the week before".to_owned(),
        "Hardest:".to_owned(),
        "Today counts already. Next is another day of".to_owned(),
    ] {
        assert!(text.contains(&words), "{words}: {text}");
    }
}

#[test]
fn nothing_is_said_of_the_ear_before_it_was_asked_and_all_of_it_after() {
    let mut learner = learner(3, true);
    let page = html(&learner.facts());
    assert!(!page.contains("id=\"ear\"") && !week(&learner.facts()).join(" ").contains("by ear"));
    // The same notes heard: the even ones right, the others wrong, on three days.
    let items = learner.course.stages[0].items();
    let read = learner.answers.len();
    for n in 0..3 {
        let day = FIRST.saturating_add(n.days());
        for (place, item) in items.iter().enumerate() {
            let mut heard = answer(*item, place % 2 == 1, Some(900));
            heard.prompt = PromptKind::Ear;
            learner.answers.push((day, heard));
        }
    }
    learner.heard = tries_by_ear(&learner.answers);
    learner.beside = beside(&learner.answers);
    learner.answers.truncate(read);
    let facts = learner.facts();
    let page = html(&facts);
    let all = 3 * items.len();
    let right = 3 * items.len().div_ceil(2);
    assert!(page.contains(&format!(
        "{all} answers to what is only heard, {right} right"
    )));
    assert!(page.contains("Heard beside read") && page.contains("href=\"#ear\""));
    let lines = week(&facts).join(" ");
    assert!(
        lines.contains(&format!("Besides by ear: {all} answers, {right} right")),
        "{lines}"
    );
    pdf_document(&paper(&facts, Style::default())).unwrap();
}

#[test]
fn many_days_are_taken_together_so_that_each_can_be_seen() {
    use crate::study::Span;
    for (days, span) in [(20, Span::Day), (100, Span::Week), (800, Span::Month)] {
        let learner = learner(days, true);
        let (found, spans) = chart::spans(&learner.facts());
        assert_eq!(found, span);
        let figure = chart::chart(found, &spans).unwrap();
        let inside = |words: &&crate::engrave::Words| {
            let width = crate::engrave::text_width(&words.text, words.size);
            words.left() >= -0.01 && words.left() + width <= figure.size.0 + 0.01
        };
        let words: Vec<_> = figure.things.iter().flat_map(words_of).collect();
        assert!(words.iter().all(inside), "{words:?}");
    }
}
