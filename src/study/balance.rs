//! A balanced choice: every kind gets its share, and within that what is known least comes first.
//! In: how many kinds there are, how much each is needed, a seed. Out: one kind after the other.
//! Source: our own rule. Each kind is owed its share of every prompt; none is chosen that is ahead of what it is owed by
//! more than half a prompt, and one that is owed a whole prompt goes first.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A kind may be chosen while it is ahead by no more than this, in prompts.
const AHEAD: f64 = 0.45;
/// A kind that is owed this much goes first.
const OWED: f64 = 1.0;

/// Chooses among kinds that are due equally often.
#[derive(Debug, Clone)]
pub struct Balance {
    /// What each kind is owed, in prompts.
    owed: Vec<f64>,
    last: Option<usize>,
    rng: ChaCha8Rng,
}

impl Balance {
    /// A choice among `kinds` kinds, none of them shown yet.
    pub fn new(kinds: usize, seed: u64) -> Balance {
        Balance {
            owed: vec![0.0; kinds],
            last: None,
            rng: ChaCha8Rng::seed_from_u64(seed),
        }
    }

    /// The next kind; `need` says how much a kind is needed, from 0. `None` without kinds.
    ///
    /// Never the same one twice running where there are more than two: with two, only chance hides the answer.
    pub fn next_kind(&mut self, need: impl Fn(usize) -> f64) -> Option<usize> {
        let share = 1.0 / self.owed.len() as f64;
        for owed in &mut self.owed {
            *owed += share;
        }
        let repeats = self.owed.len() <= 2;
        let may = |kind: &usize| repeats || Some(*kind) != self.last;
        let most = (0..self.owed.len())
            .filter(may)
            .max_by(|a, b| self.owed[*a].total_cmp(&self.owed[*b]))?;
        let chosen = if self.owed[most] >= OWED {
            most
        } else {
            let among: Vec<(usize, f64)> = (0..self.owed.len())
                .filter(may)
                .filter(|kind| self.owed[*kind] > share - AHEAD)
                .map(|kind| (kind, 0.1 + need(kind).max(0.0)))
                .collect();
            let whole: f64 = among.iter().map(|(_, need)| need).sum();
            let mut pick = self.rng.random::<f64>() * whole;
            let found = among.iter().find(|(_, need)| {
                pick -= need;
                pick <= 0.0
            });
            found.or(among.last()).map_or(most, |(kind, _)| *kind)
        };
        self.owed[chosen] -= 1.0;
        self.last = Some(chosen);
        Some(chosen)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_within_a_fifth_of_its_share_over_200_prompts() {
        for kinds in 2..=26 {
            for seed in 0..40 {
                let mut balance = Balance::new(kinds, seed);
                // One kind is needed a hundred times as much as the others.
                let need = |kind| {
                    if kind == seed as usize % kinds {
                        10.0
                    } else {
                        0.1
                    }
                };
                let mut counts = vec![0_u32; kinds];
                let mut last = None;
                for _ in 0..200 {
                    let kind = balance.next_kind(need).unwrap();
                    counts[kind] += 1;
                    assert!(kinds <= 2 || last != Some(kind));
                    last = Some(kind);
                }
                let share = 200.0 / kinds as f64;
                for count in counts {
                    let off = (f64::from(count) - share).abs() / share;
                    assert!(
                        off <= 0.2,
                        "{kinds} kinds, seed {seed}: {count} for {share:.1}"
                    );
                }
            }
        }
    }

    #[test]
    fn what_comes_next_cannot_be_told_from_what_came() {
        // The same kinds in another order with another seed, and no fixed round.
        let run = |seed| {
            let mut balance = Balance::new(5, seed);
            (0..40)
                .map(|_| balance.next_kind(|_| 1.0).unwrap())
                .collect::<Vec<_>>()
        };
        assert_eq!(run(1), run(1));
        assert_ne!(run(1), run(2));
        let one = run(1);
        assert_ne!(one[..5], one[5..10]);
        assert_eq!(Balance::new(0, 1).next_kind(|_| 1.0), None);
    }
}
