//! What is heard beside what is read: for each note by eye and by ear, for each task of the ear, and how fine the ear is.
//! In: the record. Out: lines and JSON.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde_json::{Value, json};

use super::home::{Home, HomeError};
use super::progress::row_text;
use super::reading::Manner;
use super::words::{Wording, threshold_text};
use crate::study::{
    Answer, AnswerWay, Family, Item, ItemFigures, Outcome, PromptKind, Threshold, figures,
};

/// First tries that are looked at, the newest; and how many of them there must be, and may be wrong, to count as known.
/// Ours, no source.
const LOOKED_AT: usize = 5;
const LEAST: usize = 3;
const MAY_BE_WRONG: usize = 1;

/// First tries at one note, by eye or by ear.
#[derive(Debug, Clone, Default)]
pub struct Tries {
    /// Right or not, the newest last.
    right: Vec<bool>,
}

impl Tries {
    /// How many there were, and how many of them right.
    pub fn tally(&self) -> (usize, usize) {
        (
            self.right.len(),
            self.right.iter().filter(|right| **right).count(),
        )
    }

    /// Known well enough: the newest few are right but for one.
    pub fn known(&self) -> bool {
        let newest = &self.right[self.right.len().saturating_sub(LOOKED_AT)..];
        let wrong = newest.iter().filter(|right| !**right).count();
        newest.len() >= LEAST && wrong <= MAY_BE_WRONG
    }
}

/// One note by eye and by ear.
#[derive(Debug, Clone, Default)]
pub struct Beside {
    /// Shown.
    pub eye: Tries,
    /// Only heard.
    pub ear: Tries,
}

/// All of it.
#[derive(Debug)]
pub struct Hearing {
    /// Notes that were asked by ear as well as those asked by eye alone, in the order of the staff.
    pub notes: BTreeMap<Item, Beside>,
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
            tasks,
            thresholds: home.reading_among(answers, in_tune, None)?.thresholds(),
        })
    }

    /// Whether anything was done by ear.
    pub fn is_empty(&self) -> bool {
        let heard = |note: &Beside| note.ear.tally().0 > 0;
        !self.notes.values().any(heard) && self.tasks.is_empty() && self.thresholds.is_empty()
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
            .filter(|(_, note)| note.ear.tally().0 > 0)
            .collect();
        if !both.is_empty() {
            lines.push("\nBy eye and by ear: right of first tries".to_owned());
            for (item, note) in &both {
                let share = |tries: &Tries| match tries.tally() {
                    (0, _) => "-".to_owned(),
                    (all, right) => format!("{right} of {all}"),
                };
                let says = match (note.eye.known(), note.ear.known()) {
                    (true, true) => "read and heard",
                    (true, false) => "read, not heard yet",
                    (false, true) => "heard, not read yet",
                    (false, false) => "",
                };
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
            .filter(|(_, note)| note.ear.tally().0 > 0)
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

/// First tries at single notes, by eye and by ear.
fn beside(answers: &[(Date, Answer)]) -> BTreeMap<Item, Beside> {
    let mut notes: BTreeMap<Item, Beside> = BTreeMap::new();
    for (_, answer) in answers {
        let item = answer.item;
        let single = item.is_single_note();
        if !single || answer.attempt != 1 || answer.outcome == Outcome::NotSure {
            continue;
        }
        let note = notes.entry(item).or_default();
        let right = answer.outcome == Outcome::Right;
        match answer.prompt {
            PromptKind::Ear => note.ear.right.push(right),
            // What was shown and sounded at once shows neither by itself; it was read at least.
            PromptKind::Eye | PromptKind::Both => note.eye.right.push(right),
        }
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_is_known_when_its_newest_tries_are_right_but_for_one() {
        let known = |tries: &str| {
            let right = tries.chars().map(|c| c == '+').collect();
            Tries { right }.known()
        };
        for tries in ["+++", "-++", "------++++", "---+-+++"] {
            assert!(known(tries), "{tries}");
        }
        for tries in ["", "++", "+--+", "+++++--"] {
            assert!(!known(tries), "{tries}");
        }
    }
}
