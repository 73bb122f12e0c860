//! The plain reaction: half a minute of answering shown names, with nothing to read.
//! In: the names of a stage, answers with their times. Out: names to show, and at the end a floor.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::study::{Floor, measured_floor_ms};
use crate::theory::Spelling;

/// It ends after this much answer time.
const LONGEST_MS: u64 = 30_000;

/// A measurement under way.
#[derive(Debug, Clone)]
pub struct Reaction {
    names: Vec<Spelling>,
    rng: ChaCha8Rng,
    shown: Option<Spelling>,
    times_ms: Vec<u32>,
    spent_ms: u64,
}

impl Reaction {
    /// Measures with `names`, each as likely.
    pub fn new(mut names: Vec<Spelling>, seed: u64) -> Reaction {
        names.sort_unstable_by_key(|name| (name.letter, name.alteration));
        names.dedup();
        Reaction {
            names,
            rng: ChaCha8Rng::seed_from_u64(seed),
            shown: None,
            times_ms: Vec::new(),
            spent_ms: 0,
        }
    }

    /// The next name, never the same twice running; `None` when it is over.
    pub fn next_name(&mut self) -> Option<Spelling> {
        if self.names.is_empty() || self.spent_ms >= LONGEST_MS {
            return None;
        }
        let place = self.rng.random_range(0..self.names.len());
        let again = self.shown == Some(self.names[place]);
        let place = (place + usize::from(again)) % self.names.len();
        self.shown = Some(self.names[place]);
        self.shown
    }

    /// Takes an answer; whether it was the name shown. Only right ones are timed.
    pub fn answer(&mut self, name: Spelling, response_ms: u32) -> bool {
        self.spent_ms += u64::from(response_ms);
        let right = self.shown == Some(name);
        if right {
            self.times_ms.push(response_ms);
        }
        right
    }

    /// Share of its time that is spent.
    pub fn spent(&self) -> f64 {
        (self.spent_ms as f64 / LONGEST_MS as f64).min(1.0)
    }

    /// What was measured; `None` if too few names were answered.
    pub fn floor(&self) -> Option<Floor> {
        Some(Floor {
            ms: measured_floor_ms(&self.times_ms)?,
            answers: self.names.len() as u32,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names() -> Vec<Spelling> {
        ["C", "D", "E", "F", "G", "A", "B", "C"]
            .map(|name| name.parse().unwrap())
            .to_vec()
    }

    #[test]
    fn half_a_minute_of_names_gives_the_floor_of_the_right_ones() {
        let mut reaction = Reaction::new(names(), 1);
        let mut last = None;
        let mut n = 0;
        while let Some(name) = reaction.next_name() {
            assert_ne!(Some(name), last);
            last = Some(name);
            n += 1;
            if n % 10 == 0 {
                // A wrong one, however fast, is no reaction to the name.
                let other = names().into_iter().find(|other| *other != name).unwrap();
                assert!(!reaction.answer(other, 120));
            } else {
                assert!(reaction.answer(name, 600 + 10 * (n % 5)));
            }
        }
        let floor = reaction.floor().unwrap();
        assert_eq!(floor.answers, 7);
        assert!((590..=620).contains(&floor.ms), "{}", floor.ms);
        assert!((40..70).contains(&n), "{n}");
    }

    #[test]
    fn too_few_answers_measure_nothing() {
        let mut reaction = Reaction::new(names(), 1);
        for _ in 0..3 {
            let name = reaction.next_name().unwrap();
            reaction.answer(name, 600);
        }
        assert_eq!(reaction.floor(), None);
        assert_eq!(Reaction::new(Vec::new(), 1).next_name(), None);
    }
}
