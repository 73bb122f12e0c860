//! Placement: two minutes of prompts that find where in a course someone who reads already may enter.
//! In: a course, the plain reaction, answers with their times. Out: prompts, and at the end a stage to propose.
//! Source: noisy binary search (Burnashev & Zigangirov 1974): each answer moves the odds of every stage, the next prompt
//! is put where they balance.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::study::{Course, Item, KEPT_ABOVE_FLOOR_MS, StageKind};

/// It ends after this much answer time, whatever is known by then.
const LONGEST_MS: u64 = 120_000;
/// Chance of a right and quick answer to what was read before, and to what was not: ours.
const READ: f64 = 0.93;
const UNREAD: f64 = 0.35;
/// It ends early when one stage has these odds.
const SURE: f64 = 0.95;

/// A placement under way.
#[derive(Debug, Clone)]
pub struct Placement {
    /// Stages that bring something new, with what is new at them.
    steps: Vec<(usize, Vec<Item>)>,
    /// For each step, and for none left, the odds that it is the first that is not read yet.
    odds: Vec<f64>,
    quick_ms: u32,
    rng: ChaCha8Rng,
    asked: Option<(usize, Item)>,
    spent_ms: u64,
    answers: u32,
}

impl Placement {
    /// A placement in `course` of a learner with that plain reaction.
    pub fn new(course: &Course, floor_ms: u32, seed: u64) -> Placement {
        let mut met: Vec<Item> = Vec::new();
        let mut steps = Vec::new();
        for (place, stage) in course.stages.iter().enumerate() {
            let items = stage.items();
            // What is only heard says nothing of where to begin reading.
            if stage.kind != StageKind::Notes {
                continue;
            }
            let new: Vec<Item> = items.into_iter().filter(|i| !met.contains(i)).collect();
            met.extend(&new);
            if !new.is_empty() {
                steps.push((place, new));
            }
        }
        let count = steps.len() + 1;
        Placement {
            steps,
            odds: vec![1.0 / count as f64; count],
            quick_ms: floor_ms + KEPT_ABOVE_FLOOR_MS,
            rng: ChaCha8Rng::seed_from_u64(seed),
            asked: None,
            spent_ms: 0,
            answers: 0,
        }
    }

    /// Takes an answer without a time: right counts as quick.
    pub fn answer_untimed(&mut self, right: bool) {
        self.answer(right, self.quick_ms);
    }

    /// The next prompt; `None` when it is over.
    pub fn next_item(&mut self) -> Option<Item> {
        let surest = self.odds.iter().copied().fold(0.0, f64::max);
        if self.steps.is_empty() || self.spent_ms >= LONGEST_MS || surest >= SURE {
            return None;
        }
        // The step up to which the odds are even: what comes before it is read if they are right.
        let mut below = 0.0;
        let even = self.odds.iter().position(|odds| {
            below += odds;
            below > 0.5
        });
        let step = even.unwrap_or(0).min(self.steps.len() - 1);
        // Neighbours too, so that one kind of note does not decide.
        let step = if self.rng.random_bool(0.25) {
            step.saturating_sub(1)
        } else {
            step
        };
        let items = &self.steps[step].1;
        let last = self.asked.map(|(_, item)| item);
        let mut item = items[self.rng.random_range(0..items.len())];
        if Some(item) == last && items.len() > 1 {
            let place = items.iter().position(|other| *other == item).unwrap_or(0);
            item = items[(place + 1) % items.len()];
        }
        self.asked = Some((step, item));
        Some(item)
    }

    /// Takes the answer to the prompt.
    pub fn answer(&mut self, right: bool, response_ms: u32) {
        let Some((step, _)) = self.asked else {
            return;
        };
        self.spent_ms += u64::from(response_ms);
        self.answers += 1;
        let quick = right && response_ms <= self.quick_ms;
        for (first_unread, odds) in self.odds.iter_mut().enumerate() {
            let chance = if step < first_unread { READ } else { UNREAD };
            *odds *= if quick { chance } else { 1.0 - chance };
        }
        let sum: f64 = self.odds.iter().sum();
        for odds in &mut self.odds {
            *odds /= sum;
        }
    }

    /// Answers so far.
    pub fn answers(&self) -> u32 {
        self.answers
    }

    /// Share of its time that is spent.
    pub fn spent(&self) -> f64 {
        (self.spent_ms as f64 / LONGEST_MS as f64).min(1.0)
    }

    /// The stage to propose, by its place in the course: the first that is more likely unread than read. `None` if all
    /// that has notes of its own is read.
    pub fn proposal(&self) -> Option<usize> {
        let mut below = 0.0;
        let step = self.odds.iter().position(|odds| {
            below += odds;
            below >= 0.5
        });
        self.steps.get(step?).map(|(place, _)| *place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Someone who reads what stands before stage `reads` in nineteen of twenty cases, the rest slowly or wrongly.
    fn placed(course: &Course, reads: usize, seed: u64) -> (Option<usize>, f64) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 77);
        let known: Vec<Item> = course.stages[..reads]
            .iter()
            .flat_map(|stage| stage.items())
            .collect();
        let mut placement = Placement::new(course, 600, seed);
        while let Some(item) = placement.next_item() {
            let read = known.contains(&item);
            let quick = rng.random_bool(if read { 0.95 } else { 0.25 });
            let right = quick || rng.random_bool(0.6);
            placement.answer(right, if quick { 1100 } else { 3500 });
        }
        (placement.proposal(), placement.spent())
    }

    #[test]
    fn a_reader_is_placed_at_the_first_stage_not_read_and_a_beginner_at_the_start() {
        let course = Course::built_in("groundwork").unwrap();
        let steps = Placement::new(&course, 600, 1).steps;
        for (place, _) in &steps {
            let hits = (0..40)
                .filter(|seed| placed(&course, *place, *seed).0 == Some(*place))
                .count();
            assert!(hits >= 32, "stage {place}: {hits} of 40");
        }
        let all = course.stages.len();
        let beyond = (0..40).filter(|seed| placed(&course, all, *seed).0.is_none());
        assert!(beyond.count() >= 32);
    }

    #[test]
    fn it_ends_within_its_two_minutes() {
        let course = Course::built_in("groundwork").unwrap();
        for seed in 0..20 {
            let mut placement = Placement::new(&course, 600, seed);
            let mut spent = 0;
            while placement.next_item().is_some() {
                placement.answer(seed % 2 == 0, 2000);
                spent += 2000;
            }
            assert!(spent <= 120_000);
        }
        // An answer of an hour ends it and changes no more than a slow one.
        let after = |ms: u32| {
            let mut placement = Placement::new(&course, 600, 1);
            placement.next_item().unwrap();
            placement.answer(true, ms);
            (placement.proposal(), placement.next_item())
        };
        assert_eq!(after(3_600_000), (after(9_000).0, None));
        assert!(after(9_000).1.is_some() && after(0).0 > after(9_000).0);
    }
}
