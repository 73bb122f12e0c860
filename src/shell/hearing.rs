//! What is heard beside what is read: for each note by eye and by ear, for each task of the ear, and how fine the ear is.
//! In: the record. Out: lines and JSON.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde_json::{Value, json};

use super::home::{Home, HomeError};
use super::progress::row_text;
use super::reading::Manner;
use super::words::{Wording, threshold_text};
use crate::report::progress::ByEar;
use crate::study::{
    Answer, AnswerWay, Beside, Family, Item, ItemFigures, PromptKind, Threshold, Tries, beside,
    figures, tries_by_ear,
};

/// All of it.
#[derive(Debug)]
pub struct Hearing {
    /// Notes that were asked by ear as well as those asked by eye alone, in the order of the staff.
    pub notes: BTreeMap<Item, Beside>,
    /// First tries by ear with the practice day of each, and whether they were right.
    pub tries: Vec<(Date, bool)>,
    /// The tasks of each family that was practised.
    pub tasks: Vec<ItemFigures>,
    /// The threshold of each day on which one was found.
    pub thresholds: Vec<(Date, Threshold)>,
}

impl Hearing {
    /// Among all answers of the learner at home.
    pub fn of(home: &Home, answers: &[(Date, Answer)]) -> Result<Hearing, HomeError> {
        let mut tasks = Vec::new();
        for family in Family::ALL {
            if matches!(family, Family::Notes | Family::InTune) {
                continue;
            }
            let Some(way) = usual_way(answers, family) else {
                continue;
            };
            let manner = Manner {
                way,
                prompt: PromptKind::Ear,
                family,
            };
            let reading = home.reading_among(answers, manner, None)?;
            tasks.extend(figures(&reading.answers, &reading.model));
        }
        let in_tune = Manner {
            way: AnswerWay::Letters,
            prompt: PromptKind::Ear,
            family: Family::InTune,
        };
        Ok(Hearing {
            notes: beside(answers),
            tries: tries_by_ear(answers),
            tasks,
            thresholds: home.reading_among(answers, in_tune, None)?.thresholds(),
        })
    }

    /// Whether anything was done by ear.
    pub fn is_empty(&self) -> bool {
        !self.notes.values().any(Beside::was_heard)
            && self.tasks.is_empty()
            && self.thresholds.is_empty()
    }

    /// The same for a report.
    pub fn facts(&self) -> ByEar<'_> {
        ByEar {
            tries: &self.tries,
            notes: &self.notes,
            tasks: &self.tasks,
            threshold: self.thresholds.last().copied(),
        }
    }

    /// In words; nothing when nothing was done by ear.
    pub fn lines(&self, wording: Wording) -> Vec<String> {
        let mut lines = Vec::new();
        if self.is_empty() {
            return lines;
        }
        let both: Vec<(&Item, &Beside)> = self
            .notes
            .iter()
            .filter(|(_, note)| note.was_heard())
            .collect();
        if !both.is_empty() {
            lines.push("\nBy eye and by ear: right of first tries".to_owned());
            for (item, note) in &both {
                let share = |tries: &Tries| match tries.tally() {
                    (0, _) => "-".to_owned(),
                    (all, right) => format!("{right} of {all}"),
                };
                let says = note.in_words();
                let name = wording.pitch(item.pitch, item.key);
                let line = format!(
                    "  {name:<6} {:<15} eye {:<10} ear {:<10} {says}",
                    item.clef.spoken(),
                    share(&note.eye),
                    share(&note.ear)
                );
                lines.push(line.trim_end().to_owned());
            }
        }
        if !self.tasks.is_empty() {
            lines.push("\nNamed and reached by ear, slowest of each kind first:".to_owned());
            lines.extend(
                self.tasks
                    .iter()
                    .map(|row| format!("  {}", row_text(row, wording))),
            );
        }
        if let Some((day, threshold)) = self.thresholds.last() {
            lines.push(format!("\n{} On {day}.", threshold_text(*threshold)));
        }
        lines
    }

    /// As JSON.
    pub fn json(&self) -> Value {
        let tries = |tries: &Tries| {
            let (all, right) = tries.tally();
            json!({"tries": all, "right": right, "known": tries.known()})
        };
        let notes: Vec<Value> = self
            .notes
            .iter()
            .filter(|(_, note)| note.was_heard())
            .map(|(item, note)| {
                json!({"item": item.to_string(), "eye": tries(&note.eye), "ear": tries(&note.ear)})
            })
            .collect();
        let tasks: Vec<Value> = self
            .tasks
            .iter()
            .map(|row| {
                let task = row.item.task.map(|task| task.to_string());
                json!({"task": task, "tries": row.tries, "right": row.right, "median_ms": row.median_ms})
            })
            .collect();
        let thresholds: Vec<Value> = self
            .thresholds
            .iter()
            .map(|(day, found)| {
                json!({"day": day.to_string(), "cents": found.cents, "factor_se": found.factor, "answers": found.answers})
            })
            .collect();
        json!({"notes": notes, "tasks": tasks, "thresholds": thresholds})
    }
}

/// The way in which most prompts of a family were answered; `None` without answers.
fn usual_way(answers: &[(Date, Answer)], family: Family) -> Option<AnswerWay> {
    let count = |way: AnswerWay| {
        let of = |a: &&(Date, Answer)| a.1.way == way && Family::of(a.1.item.task) == family;
        answers.iter().filter(of).count()
    };
    [AnswerWay::Letters, AnswerWay::Piano, AnswerWay::Voice]
        .into_iter()
        .map(|way| (count(way), way))
        .filter(|(count, _)| *count > 0)
        .max_by_key(|(count, _)| *count)
        .map(|(_, way)| way)
}
