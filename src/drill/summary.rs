//! What a sitting came to.

use std::collections::BTreeMap;

use crate::study::{Answer, Item, Outcome};

use super::effect::End;

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
    /// Active time of this sitting.
    pub active_ms: u64,
    /// Verdicts taken back.
    pub taken_back: u32,
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
        for answer in right.clone() {
            if let Some(ms) = answer.response_ms {
                by_item.entry(answer.item).or_default().push(ms);
            }
        }
        let mut all: Vec<u32> = by_item.values().flatten().copied().collect();
        let mut slowest: Vec<(Item, u32)> = by_item
            .into_iter()
            .filter_map(|(item, mut times)| Some((item, median(&mut times)?)))
            .collect();
        slowest.sort_by_key(|(item, ms)| (std::cmp::Reverse(*ms), *item));
        slowest.truncate(3);
        Summary {
            end,
            answered: first.count() as u32,
            right_first_time: right.count() as u32,
            median_ms: median(&mut all),
            slowest,
            active_ms: answers.map(|a| u64::from(a.active_ms)).sum(),
            taken_back,
        }
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
