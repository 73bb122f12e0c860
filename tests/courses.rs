//! The courses of the ear run from end to end by a simulated learner, day by day, with their marks. Simulated: nothing
//! here says how a person learns.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stavelark::drill::{Effect, Event, Limits, Plan, Sitting};
use stavelark::study::{
    Answer, AnswerWay, Course, Family, Item, LearnerModel, Ledger, MarkVerdict, Outcome, Practised,
    PromptKind, ROLLOVER_HOUR, Stage, StageKind, Staircase, Task, Yardstick, earn, practice_day,
    standing,
};
use stavelark::theory::{MidiNote, Pitch};

/// A learner who is right more often the more often a part was met.
struct Learner {
    met: BTreeMap<Item, u32>,
    rng: ChaCha8Rng,
}

impl Learner {
    fn right(&mut self, item: Item) -> bool {
        let met = self.met.entry(item.part()).or_default();
        *met += 1;
        let chance = 0.6 + 0.38 * (1.0 - (-f64::from(*met) / 6.0).exp());
        self.rng.random::<f64>() < chance
    }

    /// The events of an answer at `at_ms`: the right one, or another.
    fn answer(&mut self, stage: &Stage, item: Item, right: bool, at_ms: u64) -> Event {
        if let Some(asked) = item.task
            && item.target().is_none()
        {
            let task = match (asked, right) {
                (Task::InTune(tenths), right) => Task::InTune(if right { tenths } else { -tenths }),
                (asked, true) => asked,
                (asked, false) => *stage.tasks.iter().find(|task| **task != asked).unwrap(),
            };
            return Event::Chosen { at_ms, task };
        }
        let pitch = item.target().unwrap();
        let pitch = if right {
            pitch
        } else {
            Pitch::from_diatonic(pitch.diatonic() + 1)
        };
        match at_ms % 3 {
            0 => Event::Placed { at_ms, pitch },
            _ => Event::Named {
                at_ms,
                name: pitch.spelling(),
            },
        }
    }
}

/// What was done in a whole course.
#[derive(Default)]
struct Done {
    days: u32,
    marks: BTreeMap<String, u32>,
    kinds: BTreeSet<&'static str>,
    history: Vec<(Date, Answer)>,
}

/// One day's sitting at `stage`.
fn sit(
    stage: &Stage,
    history: &[(Date, Answer)],
    now: Timestamp,
    day: Date,
    way: AnswerWay,
    learner: &mut Learner,
) -> Vec<Answer> {
    let prompt = stage.kind.prompt().unwrap_or(PromptKind::Eye);
    let way = if stage.kind.answered_by_notes() {
        way
    } else {
        AnswerWay::Letters
    };
    let of_family: Vec<(Date, Answer)> = history
        .iter()
        .filter(|(_, a)| Family::of(a.item.task) == stage.kind.family() && a.prompt == prompt)
        .cloned()
        .collect();
    let dated = of_family.iter().map(|(day, answer)| (*day, answer));
    let mut sitting = Sitting::new(Plan {
        start: now,
        stage: stage.id.clone(),
        kind: stage.kind,
        blocks: stage
            .blocks_on(day)
            .into_iter()
            .map(|b| b.items.clone())
            .collect(),
        tasks: stage.tasks.clone(),
        staircase: Staircase::default(),
        voice: Some((MidiNote(55), MidiNote(72))),
        octave_counts: false,
        groups: stage.groups,
        carried: Vec::new(),
        history: of_family.iter().map(|(_, a)| a.clone()).collect(),
        model: LearnerModel::rebuild(Yardstick::new(600), dated, day),
        seed: 7,
        prompt,
        way,
        timed: true,
        limits: Limits {
            active_ms: Some(u64::from(stage.minutes) * 60_000),
            least_answers: stage.least_answers,
            prompts: None,
        },
        cap_ms: u64::from(stage.kind.active_cap_ms()),
        hands_on: false,
    });
    let mut answers = Vec::new();
    let mut now_ms = 0;
    let mut effects = sitting.on(Event::Begin { at_ms: 0 });
    let mut right;
    for _ in 0..4000 {
        let mut shown = None;
        let mut missed = None;
        for effect in &effects {
            match effect {
                Effect::Show { item, .. } => shown = Some(*item),
                Effect::Sound { cue, prompt: true } => {
                    assert!(!cue.notes.is_empty());
                    now_ms += u64::from(cue.length_ms());
                }
                Effect::Save { answer, .. } => answers.push(answer.clone()),
                Effect::Finish(_) => return answers,
                _ => missed = effect.miss().map(|miss| miss.item).or(missed),
            }
        }
        let item = match (shown, missed) {
            (Some(item), _) => {
                sitting.on(Event::Ready { at_ms: now_ms });
                right = learner.right(item);
                item
            }
            // A miss waits for its right answer.
            (None, Some(item)) => {
                right = true;
                item
            }
            (None, None) => panic!("{}: nothing to answer after {effects:?}", stage.id),
        };
        now_ms += if right { 2_500 } else { 4_000 };
        let event = learner.answer(stage, item, right, now_ms);
        effects = match (way, event) {
            (AnswerWay::Voice, Event::Named { at_ms, name }) if item.in_group.is_none() => {
                // Sung an octave low, which is forgiven.
                let pitch = Pitch::new(name.letter, name.alteration, 3);
                sitting.on(Event::Sung {
                    onset_ms: at_ms - 300,
                    at_ms,
                    note: Some((pitch.midi(), -7)),
                })
            }
            (_, event) => sitting.on(event),
        };
        assert!(
            !effects.is_empty(),
            "{}: {event:?} was no answer to {item}",
            stage.id
        );
    }
    panic!("{}: the sitting does not end", stage.id);
}

fn run(course: &Course, way: AnswerWay) -> Done {
    let mut done = Done::default();
    let mut ledger = Ledger::default();
    let mut learner = Learner {
        met: BTreeMap::new(),
        rng: ChaCha8Rng::seed_from_u64(3),
    };
    let zone = TimeZone::UTC;
    let mut now: Timestamp = "2026-03-02T17:00:00Z".parse().unwrap();
    while let Some(place) = standing(course, &ledger.marks, |_| true).stage {
        let stage = &course.stages[place];
        let day = practice_day(now, &zone, ROLLOVER_HOUR);
        let answers = sit(stage, &done.history, now, day, way, &mut learner);
        let practised = Practised {
            active_ms: answers.iter().map(|a| u64::from(a.active_ms)).sum(),
            answers: answers
                .iter()
                .filter(|a| a.attempt == 1 && a.outcome != Outcome::NotSure)
                .count() as u32,
        };
        done.history
            .extend(answers.into_iter().map(|answer| (day, answer)));
        let verdict = earn(stage, practised, day, now, zone.to_offset(now), &ledger);
        let MarkVerdict::Earned(mark) = verdict else {
            panic!(
                "{} day {}: {verdict:?} for {practised:?}",
                stage.id, done.days
            );
        };
        ledger.marks.push(mark);
        *done.marks.entry(stage.id.clone()).or_default() += 1;
        done.kinds.insert(stage.kind.word());
        done.days += 1;
        assert!(done.days < 200, "the course does not end");
        now = now.checked_add(24.hours()).unwrap();
    }
    done
}

#[test]
fn both_ways_runs_from_end_to_end_with_a_mark_a_day() {
    let course = Course::built_in("both-ways").unwrap();
    let done = run(&course, AnswerWay::Letters);
    for stage in &course.stages {
        assert_eq!(done.marks[&stage.id], stage.days, "{}", stage.id);
    }
    assert_eq!(done.days, course.stages.iter().map(|s| s.days).sum::<u32>());
    let kinds = [
        "chords",
        "degrees",
        "find",
        "intervals",
        "melodies",
        "notes",
        "reach",
    ];
    assert_eq!(done.kinds, BTreeSet::from(kinds));
    // Every task of a stage was asked in about equal shares.
    for stage in course.stages.iter().filter(|stage| !stage.tasks.is_empty()) {
        let count = |task: &Task| {
            let asked = done
                .history
                .iter()
                .filter(|(_, a)| *a.stage == *stage.id && a.attempt == 1);
            asked.filter(|(_, a)| a.item.task == Some(*task)).count()
        };
        let counts: Vec<usize> = stage.tasks.iter().map(count).collect();
        let share = counts.iter().sum::<usize>() as f64 / counts.len() as f64;
        assert!(
            counts
                .iter()
                .all(|n| (*n as f64 - share).abs() <= 0.2 * share + stage.days as f64),
            "{}: {counts:?}",
            stage.id
        );
    }
}

#[test]
fn fine_ear_runs_from_end_to_end_by_choices_alone() {
    let course = Course::built_in("fine-ear").unwrap();
    let done = run(&course, AnswerWay::Piano);
    assert_eq!(done.days, 12);
    // A choice is no answer of a piano, whatever the learner answers with elsewhere.
    assert!(
        done.history
            .iter()
            .all(|(_, a)| a.way == AnswerWay::Letters)
    );
    let pairs = done
        .history
        .iter()
        .filter(|(_, a)| matches!(a.item.task, Some(Task::InTune(_))));
    assert!(pairs.clone().count() >= 80 && pairs.clone().all(|(_, a)| a.attempt == 1));
}

#[test]
fn one_clef_runs_from_end_to_end_by_a_voice_for_high_and_low() {
    for id in ["one-clef", "one-clef-bass"] {
        let course = Course::built_in(id).unwrap();
        let done = run(&course, AnswerWay::Voice);
        for stage in &course.stages {
            assert_eq!(done.marks[&stage.id], stage.days, "{}", stage.id);
        }
        let sung = done
            .history
            .iter()
            .filter(|(_, a)| a.way == AnswerWay::Voice)
            .count();
        assert!(
            sung > done.history.len() / 4,
            "{sung} of {}",
            done.history.len()
        );
        let last = course.stages.last().unwrap();
        assert_eq!(
            (last.kind, last.groups.is_some()),
            (StageKind::Groups, true)
        );
    }
}
