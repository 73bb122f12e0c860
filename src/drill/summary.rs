//! What a sitting came to.

use std::collections::BTreeMap;

use crate::study::{Answer, Item, Outcome, Task, Threshold};

use super::effect::End;
use super::held::HeldNotes;

/// Figures shown at the end of a sitting.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Why it ended.
    pub end: End,
    /// Prompts answered.
    pub answered: u32,
    /// Of these, right at the first try.
    pub right_first_time: u32,
    /// Median response time of right first tries.
    pub median_ms: Option<u32>,
    /// The slowest three items with their median response time, slowest first.
    pub slowest: Vec<(Item, u32)>,
    /// The three items missed most at the first try, twice at least, with how often.
    pub missed: Vec<(Item, u32)>,
    /// Active time of this sitting.
    pub active_ms: u64,
    /// Verdicts taken back.
    pub taken_back: u32,
    /// How the sung notes lay.
    pub sung: Option<SungNotes>,
    /// How steadily they were held.
    pub held: Option<HeldNotes>,
    /// How fine the ear is, where that was sought and is known.
    pub threshold: Option<Threshold>,
}

/// How sung notes lay about their places.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SungNotes {
    /// How many.
    pub notes: u32,
    /// The middle one lay so many cents above its place.
    pub median_cents: i16,
    /// Half of them lay no further from that.
    pub spread_cents: i16,
}

impl SungNotes {
    /// Of the cents of each note that was sung right; `None` for fewer than five.
    pub fn of(cents: &[i16]) -> Option<SungNotes> {
        let middle = |values: &[i16]| {
            let mut sorted = values.to_vec();
            sorted.sort_unstable();
            sorted[sorted.len() / 2]
        };
        if cents.len() < 5 {
            return None;
        }
        let median_cents = middle(cents);
        let off: Vec<i16> = cents.iter().map(|c| (c - median_cents).abs()).collect();
        Some(SungNotes {
            notes: cents.len() as u32,
            median_cents,
            spread_cents: middle(&off),
        })
    }
}

impl Summary {
    /// Sums up `answers` (those not taken back).
    pub fn of<'a>(
        answers: impl Iterator<Item = &'a Answer> + Clone,
        end: End,
        taken_back: u32,
    ) -> Summary {
        let first = answers
            .clone()
            .filter(|a| a.attempt == 1 && a.outcome != Outcome::NotSure);
        let right = first.clone().filter(|a| a.outcome == Outcome::Right);
        let mut by_item: BTreeMap<Item, Vec<u32>> = BTreeMap::new();
        // Of two notes a little apart none is slower than another.
        let timed = |a: &&Answer| !matches!(a.item.task, Some(Task::InTune(_)));
        for answer in right.clone().filter(timed) {
            if let Some(ms) = answer.response_ms {
                by_item.entry(shown_as(answer.item)).or_default().push(ms);
            }
        }
        let mut all: Vec<u32> = by_item.values().flatten().copied().collect();
        let mut slowest: Vec<(Item, u32)> = by_item
            .into_iter()
            .filter_map(|(item, mut times)| Some((item, median(&mut times)?)))
            .collect();
        slowest.sort_by_key(|(item, ms)| (std::cmp::Reverse(*ms), *item));
        slowest.truncate(3);
        let mut misses: BTreeMap<Item, u32> = BTreeMap::new();
        for answer in first
            .clone()
            .filter(|a| a.outcome == Outcome::Wrong)
            .filter(timed)
        {
            *misses.entry(shown_as(answer.item)).or_default() += 1;
        }
        let mut missed: Vec<(Item, u32)> = misses
            .into_iter()
            .filter(|(_, times)| *times >= 2)
            .collect();
        missed.sort_by_key(|(item, times)| (std::cmp::Reverse(*times), *item));
        missed.truncate(3);
        Summary {
            end,
            answered: first.count() as u32,
            right_first_time: right.count() as u32,
            median_ms: median(&mut all),
            slowest,
            missed,
            active_ms: answers.map(|a| u64::from(a.active_ms)).sum(),
            taken_back,
            sung: None,
            held: None,
            threshold: None,
        }
    }
}

/// A task is one whatever note it was asked of.
fn shown_as(item: Item) -> Item {
    if item.task.is_some() {
        item.part()
    } else {
        item
    }
}

fn median(values: &mut [u32]) -> Option<u32> {
    values.sort_unstable();
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(values[middle - 1].midpoint(values[middle])),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sung_notes_are_told_by_their_middle_and_the_half_about_it() {
        let told = SungNotes::of(&[-12, -8, -10, -10, 40]).unwrap();
        assert_eq!(
            (told.notes, told.median_cents, told.spread_cents),
            (5, -10, 2)
        );
        assert_eq!(SungNotes::of(&[1, 2, 3, 4]), None);
    }
}
