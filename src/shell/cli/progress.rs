//! `progress`: marks, speed and accuracy per item, the slowest.

use std::collections::BTreeMap;
use std::process::ExitCode;

use serde_json::json;

use super::args::{Cli, ProgressArgs};
use super::practice::ascii;
use super::say;
use crate::shell::home::Home;
use crate::shell::store::AnswerFilter;
use crate::shell::words::{Wording, plural, seconds};
use crate::study::{Answer, Item, Outcome};

/// What the first tries at one item came to.
#[derive(Debug, Default)]
struct Tally {
    tries: u32,
    right: u32,
    times: Vec<u32>,
}

impl Tally {
    fn median(&self) -> Option<u32> {
        let mut times = self.times.clone();
        times.sort_unstable();
        times.get(times.len() / 2).copied()
    }
}

/// Runs the command.
pub(super) fn run(cli: &Cli, args: &ProgressArgs) -> anyhow::Result<ExitCode> {
    let mut home = Home::open(cli.learner.as_deref())?;
    let today = home.today()?;
    let wording = Wording {
        names: home.names(),
        ascii: ascii(cli, home.settings()),
    };
    let (store, learner) = home.parts();
    let answers = store.answers(learner.id, AnswerFilter::default())?;
    let taken_back = store.withdrawn_answers(learner.id)?;
    let tallies = tally(&answers);
    if args.json {
        let stages: Vec<_> = today
            .course
            .stages
            .iter()
            .zip(&today.marks)
            .map(|(stage, marks)| json!({"id": stage.id, "marks": marks, "days": stage.days}))
            .collect();
        let items: Vec<_> = tallies
            .iter()
            .map(|(item, tally)| json!({"item": item.to_string(), "tries": tally.tries, "right": tally.right, "median_ms": tally.median()}))
            .collect();
        say(&json!({"learner": learner.name, "course": today.course.id, "stages": stages, "items": items, "taken_back": taken_back}).to_string())?;
        return Ok(ExitCode::SUCCESS);
    }
    say(&today.sentence())?;
    for (now, name, days) in today.stage_lines() {
        say(&format!("{} {name}: {days}", if now { '>' } else { ' ' }))?;
    }
    if tallies.is_empty() {
        say("Nothing is answered yet.")?;
        return Ok(ExitCode::SUCCESS);
    }
    say("\nNotes read, slowest first (first tries; half of the right answers came within):")?;
    let mut rows: Vec<_> = tallies.iter().collect();
    rows.sort_by_key(|(item, tally)| (std::cmp::Reverse(tally.median()), **item));
    for (item, tally) in rows {
        say(&format!(
            "  {:<6} {:<24} {} right of {:<4} {}",
            wording.pitch(item.pitch, item.key),
            item.clef.spoken(),
            tally.right,
            tally.tries,
            tally.median().map_or("-".to_owned(), seconds),
        ))?;
    }
    if taken_back > 0 {
        say(&format!(
            "{} taken out of the record.",
            plural(taken_back, "verdict")
        ))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn tally(answers: &[Answer]) -> BTreeMap<Item, Tally> {
    let mut tallies: BTreeMap<Item, Tally> = BTreeMap::new();
    for answer in answers
        .iter()
        .filter(|a| a.attempt == 1 && a.outcome != Outcome::NotSure)
    {
        let tally = tallies.entry(answer.item).or_default();
        tally.tries += 1;
        if answer.outcome == Outcome::Right {
            tally.right += 1;
            tally.times.extend(answer.response_ms);
        }
    }
    tallies
}
