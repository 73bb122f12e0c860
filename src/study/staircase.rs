//! How fine an ear is: the distance of two notes, in cents, is made smaller and larger until its threshold is known.
//! In: right and wrong, one after the other. Out: the next distance, and the threshold with its standard error.
//!
//! Source: the transformed up-down rule of Levitt 1971 (JASA 49, 467): three right answers in a row make it harder, one
//! wrong makes it easier, which converges where p³ = 1/2, at 79.4 % right. Steps are ratios and become smaller with each
//! turn; until the first wrong answer every right one makes it harder, as he advises for the beginning. The threshold is
//! read from all answers by their likelihood under a cumulative normal in the logarithm of the distance.

use super::normal::normal_cdf;

/// The share of right answers at which the rule comes to rest: p³ = 1/2 (Levitt 1971, table I).
pub const CONVERGES_AT: f64 = 0.793_700_525_984_099_8;
/// How many spreads that lies above the middle of the curve of a choice of two.
const REST_ABOVE_MIDDLE: f64 = 0.220_9;
/// Right answers in a row that make it harder.
const DOWN_AFTER: u32 = 3;
/// Distances offered, in cents.
const NARROWEST: f64 = 0.5;
const WIDEST: f64 = 100.0;
/// Where a sitting begins when nothing is known.
const FIRST: f64 = 50.0;
/// Factor from one distance to the next, by the turns so far.
const STEPS: [f64; 4] = [1.6, 1.3, 1.2, 1.12];
/// Spread of the listener that is assumed, in the natural logarithm of the distance, and of stray answers. Ours: a
/// spread between 0.1 and 0.3 moves the threshold little.
const SPREAD: f64 = 0.2;
const STRAY: f64 = 0.02;
/// Answers before anything is said.
const LEAST: usize = 15;
/// Distances tried when the threshold is read.
const GRID: usize = 240;

/// An adaptive sequence of distances.
#[derive(Debug, Clone, PartialEq)]
pub struct Staircase {
    cents: f64,
    in_a_row: u32,
    turns: usize,
    /// The last step made it harder; `None` before the first wrong answer.
    harder: Option<bool>,
    answers: Vec<(f64, bool)>,
}

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Threshold {
    /// Two notes so far apart are told apart in 79 of 100 answers.
    pub cents: f64,
    /// Its standard error, as a factor above 1.
    pub factor: f64,
    /// Answers it rests on.
    pub answers: usize,
}

impl Default for Staircase {
    fn default() -> Staircase {
        Staircase::from(FIRST)
    }
}

impl Staircase {
    /// A sequence that begins at `cents`.
    pub fn from(cents: f64) -> Staircase {
        Staircase {
            cents: cents.clamp(NARROWEST, WIDEST),
            in_a_row: 0,
            turns: 0,
            harder: None,
            answers: Vec::new(),
        }
    }

    /// The distance to offer now.
    pub fn cents(&self) -> f64 {
        self.cents
    }

    /// Takes an answer to a pair `cents` apart.
    pub fn answer(&mut self, cents: f64, right: bool) {
        self.answers
            .push((cents.abs().max(NARROWEST / 10.0), right));
        let step = STEPS[self.turns.min(STEPS.len() - 1)];
        if !right {
            self.turn(false);
            self.in_a_row = 0;
            self.cents *= step;
        } else {
            self.in_a_row += 1;
            let enough = if self.harder.is_none() { 1 } else { DOWN_AFTER };
            if self.in_a_row >= enough {
                if self.harder.is_some() {
                    self.turn(true);
                }
                self.in_a_row = 0;
                self.cents /= step;
            }
        }
        self.cents = self.cents.clamp(NARROWEST, WIDEST);
    }

    fn turn(&mut self, harder: bool) {
        if self.harder != Some(harder) {
            self.turns += 1;
        }
        self.harder = Some(harder);
    }

    /// What the answers so far show; `None` for fewer than fifteen, or when none was wrong or none right.
    pub fn threshold(&self) -> Option<Threshold> {
        let right = self.answers.iter().filter(|(_, right)| *right).count();
        if self.answers.len() < LEAST || right == 0 || right == self.answers.len() {
            return None;
        }
        let (low, high) = ((NARROWEST / 3.0).ln(), (WIDEST * 1.5).ln());
        let place = |n: usize| low + (high - low) * n as f64 / (GRID - 1) as f64;
        let likelihood: Vec<f64> = (0..GRID).map(|n| self.log_likelihood(place(n))).collect();
        let best = likelihood.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (mut weight, mut mean, mut square) = (0.0, 0.0, 0.0);
        for (n, log) in likelihood.iter().enumerate() {
            let share = (log - best).exp();
            weight += share;
            mean += share * place(n);
            square += share * place(n).powi(2);
        }
        mean /= weight;
        let deviation = (square / weight - mean * mean).max(0.0).sqrt();
        // From the middle of the listener's curve (75 % of a choice of two) to where the rule rests.
        let rest = SPREAD * REST_ABOVE_MIDDLE;
        Some(Threshold {
            cents: (mean + rest).exp(),
            factor: deviation.exp(),
            answers: self.answers.len(),
        })
    }

    /// Of all answers, for a listener whose curve has its middle at e^`middle` cents.
    fn log_likelihood(&self, middle: f64) -> f64 {
        self.answers
            .iter()
            .map(|(cents, right)| {
                let p = 0.5 + 0.5 * normal_cdf((cents.ln() - middle) / SPREAD);
                let p = (1.0 - STRAY) * p + STRAY / 2.0;
                if *right { p.ln() } else { (1.0 - p).ln() }
            })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A listener who is right with the chance of a cumulative normal over the logarithm of the distance.
    fn listener(threshold: f64, spread: f64, cents: f64) -> f64 {
        let middle = threshold.ln() - spread * REST_ABOVE_MIDDLE;
        0.5 + 0.5 * normal_cdf((cents.ln() - middle) / spread)
    }

    fn run(threshold: f64, spread: f64, answers: usize, rng: &mut ChaCha8Rng) -> Staircase {
        let mut staircase = Staircase::default();
        for _ in 0..answers {
            let cents = staircase.cents();
            let right = rng.random::<f64>() < listener(threshold, spread, cents);
            staircase.answer(cents, right);
        }
        staircase
    }

    #[test]
    fn the_rule_comes_to_rest_at_its_published_point() {
        // Levitt 1971, JASA 49, 467, table I: three in a row down, one up converges at 79.4 %. The mean over many answers
        // at the smallest step, for a wide curve, over which a step changes the chance by little.
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let mut shares = Vec::new();
        for _ in 0..40 {
            let staircase = run(10.0, 1.0, 1500, &mut rng);
            let late = &staircase.answers[100..];
            let right = late.iter().filter(|(_, right)| *right).count();
            shares.push(right as f64 / late.len() as f64);
        }
        let mean = shares.iter().sum::<f64>() / shares.len() as f64;
        assert!((mean - 0.794).abs() < 0.01, "{mean}");
        assert!((CONVERGES_AT.powi(3) - 0.5).abs() < 1e-12);
        assert!((0.5 + 0.5 * normal_cdf(REST_ABOVE_MIDDLE) - CONVERGES_AT).abs() < 1e-4);
    }

    /// Share of 150 runs of 60 answers that end within a tenth of the truth.
    fn within_a_tenth(threshold: f64, spread: f64) -> f64 {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let runs = 150;
        let near = (0..runs)
            .filter(|_| {
                let found = run(threshold, spread, 60, &mut rng).threshold().unwrap();
                (found.cents / threshold - 1.0).abs() <= 0.1
            })
            .count();
        near as f64 / f64::from(runs)
    }

    #[test]
    fn the_threshold_of_a_simulated_listener_is_found_within_a_tenth_in_sixty_answers() {
        // The wider a listener's curve, the less any rule can do: with a spread of 0.15 nine runs of ten are within a
        // tenth or nearly so, with 0.2 about four of five.
        for threshold in [3.0, 8.0, 20.0] {
            let share = within_a_tenth(threshold, 0.1);
            assert!(share >= 0.9, "{threshold} cents: {share}");
        }
    }

    #[test]
    fn nothing_is_said_of_too_few_answers_or_of_one_kind_of_them() {
        let mut staircase = Staircase::default();
        for _ in 0..40 {
            assert_eq!(staircase.threshold(), None);
            staircase.answer(staircase.cents(), true);
        }
        assert_eq!(staircase.cents(), NARROWEST);
        let first = Staircase::from(500.0);
        assert_eq!(first.cents(), WIDEST);
    }
}
