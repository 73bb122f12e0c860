//! How fine an ear is: the distance of two notes, in cents, is made smaller and larger until its threshold is known.
//! In: right and wrong, one after the other. Out: the next distance, and the threshold with its standard error.
//!
//! Sources: the transformed up-down rule of Levitt 1971 (JASA 49, 467): three right answers in a row make it harder, one
//! wrong makes it easier, which converges where p³ = 1/2, at 79.4 % right. Steps are ratios and become smaller with each
//! turn; until the first wrong answer every right one makes it harder, as he advises for the beginning. When it has turned
//! four times, the next distance is the mean of what the answers leave likely for that same point (King-Smith et al. 1994,
//! Vision Research 34, 885). The threshold is read from all answers by their likelihood under a cumulative normal in the
//! logarithm of the distance.

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
/// Turns of the up-down rule after which the likelihood places the notes: it is rough before.
const TURNS: usize = 4;
/// Spread of the listener that is assumed, in the natural logarithm of the distance, and of stray answers. Ours: a
/// spread between 0.1 and 0.3 moves the threshold little.
const SPREAD: f64 = 0.2;
/// Spreads that a listener may have, for how well the threshold is known: from sharper than any to that of an ear whose
/// surety grows in proportion to the distance.
const SPREADS: [f64; 4] = [0.1, 0.2, 0.4, 0.8];
const STRAY: f64 = 0.02;
/// Answers before anything is said.
const LEAST: usize = 15;
/// Middles of the curve that are tried when the threshold is read, and for each spread when its error is.
const GRID: usize = 240;
const COARSE: usize = 80;

/// An adaptive sequence of distances.
#[derive(Debug, Clone, PartialEq)]
pub struct Staircase {
    rule: UpDown,
    answers: Vec<(f64, bool)>,
    /// Of all answers, for each middle of the assumed listener's curve.
    likelihood: Vec<f64>,
}

/// The transformed up-down rule.
#[derive(Debug, Clone, Copy, PartialEq)]
struct UpDown {
    cents: f64,
    in_a_row: u32,
    turns: usize,
    /// The last step made it harder; `None` before the first wrong answer.
    harder: Option<bool>,
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

impl UpDown {
    fn from(cents: f64) -> UpDown {
        UpDown {
            cents: cents.clamp(NARROWEST, WIDEST),
            in_a_row: 0,
            turns: 0,
            harder: None,
        }
    }

    fn answer(&mut self, right: bool) {
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
}

impl Staircase {
    /// A sequence that begins at `cents`.
    pub fn from(cents: f64) -> Staircase {
        Staircase {
            rule: UpDown::from(cents),
            answers: Vec::new(),
            likelihood: vec![0.0; GRID],
        }
    }

    /// The distance to offer now.
    pub fn cents(&self) -> f64 {
        if self.rule.turns < TURNS {
            return self.rule.cents;
        }
        self.middle().exp().clamp(NARROWEST, WIDEST)
    }

    /// Takes an answer to a pair `cents` apart.
    pub fn answer(&mut self, cents: f64, right: bool) {
        let answer = (cents.abs().max(NARROWEST / 10.0), right);
        self.answers.push(answer);
        self.rule.answer(right);
        for (log, middle) in self.likelihood.iter_mut().zip(middles(GRID)) {
            *log += log_chance(answer, middle, SPREAD);
        }
    }

    /// What the answers so far show; `None` for fewer than fifteen, or when none was wrong or none right.
    pub fn threshold(&self) -> Option<Threshold> {
        let right = self.answers.iter().filter(|(_, right)| *right).count();
        if self.answers.len() < LEAST || right == 0 || right == self.answers.len() {
            return None;
        }
        Some(Threshold {
            cents: self.middle().exp(),
            factor: self.deviation().exp(),
            answers: self.answers.len(),
        })
    }

    /// Where the rule rests, in the logarithm of cents: the mean of what the answers leave likely for the assumed listener.
    fn middle(&self) -> f64 {
        let rest = SPREAD * REST_ABOVE_MIDDLE;
        mean_and_deviation(
            middles(GRID)
                .map(|middle| middle + rest)
                .zip(self.likelihood.iter().copied()),
        )
        .0
    }

    /// How far that may be off, for a listener of any of the spreads, all as likely before.
    fn deviation(&self) -> f64 {
        let likely = SPREADS.iter().flat_map(|spread| {
            middles(COARSE).map(move |middle| {
                let logs = self
                    .answers
                    .iter()
                    .map(|answer| log_chance(*answer, middle, *spread));
                (middle + spread * REST_ABOVE_MIDDLE, logs.sum())
            })
        });
        mean_and_deviation(likely).1
    }
}

/// Middles of a listener's curve (75 % of a choice of two) that are tried, in the logarithm of cents.
fn middles(count: usize) -> impl Iterator<Item = f64> {
    let (low, high) = ((NARROWEST / 3.0).ln(), (WIDEST * 1.5).ln());
    (0..count).map(move |n| low + (high - low) * n as f64 / (count - 1) as f64)
}

/// The logarithm of the chance of an answer, for a listener whose curve has its middle at e^`middle` cents and that spread.
fn log_chance((cents, right): (f64, bool), middle: f64, spread: f64) -> f64 {
    let p = 0.5 + 0.5 * normal_cdf((cents.ln() - middle) / spread);
    let p = (1.0 - STRAY) * p + STRAY / 2.0;
    if right { p.ln() } else { (1.0 - p).ln() }
}

/// Of places, each with its log likelihood.
fn mean_and_deviation(likely: impl Iterator<Item = (f64, f64)>) -> (f64, f64) {
    let likely: Vec<(f64, f64)> = likely.collect();
    let best = likely
        .iter()
        .map(|(_, log)| *log)
        .fold(f64::NEG_INFINITY, f64::max);
    let (mut weight, mut mean, mut square) = (0.0, 0.0, 0.0);
    for (place, log) in likely {
        let share = (log - best).exp();
        weight += share;
        mean += share * place;
        square += share * place * place;
    }
    mean /= weight;
    (mean, (square / weight - mean * mean).max(0.0).sqrt())
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
            let mut rule = UpDown::from(FIRST);
            let right: Vec<bool> = (0..1500)
                .map(|_| {
                    let right = rng.random::<f64>() < listener(10.0, 1.0, rule.cents);
                    rule.answer(right);
                    right
                })
                .collect();
            let late = &right[100..];
            shares.push(late.iter().filter(|right| **right).count() as f64 / late.len() as f64);
        }
        let mean = shares.iter().sum::<f64>() / shares.len() as f64;
        assert!((mean - 0.794).abs() < 0.01, "{mean}");
        assert!((CONVERGES_AT.powi(3) - 0.5).abs() < 1e-12);
        assert!((0.5 + 0.5 * normal_cdf(REST_ABOVE_MIDDLE) - CONVERGES_AT).abs() < 1e-4);
    }

    #[test]
    fn what_the_likelihood_places_rests_at_the_same_point() {
        // Also for a listener whose curve is twice as wide as assumed.
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        for spread in [0.2, 0.4] {
            let (mut right, mut all) = (0, 0);
            for _ in 0..40 {
                let staircase = run(10.0, spread, 150, &mut rng);
                let late = &staircase.answers[50..];
                right += late.iter().filter(|(_, right)| *right).count();
                all += late.len();
            }
            let share = right as f64 / all as f64;
            // 4,000 answers of one chance would stray by 0.0064.
            assert!((share - CONVERGES_AT).abs() < 0.02, "{spread}: {share}");
        }
    }

    /// Of 200 runs of 60 answers the share that ends within a tenth of the truth, and the share whose stated error holds it.
    fn found(threshold: f64, spread: f64) -> (f64, f64) {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let runs = 200;
        let (mut near, mut held) = (0, 0);
        for _ in 0..runs {
            let found = run(threshold, spread, 60, &mut rng).threshold();
            let found = found.unwrap();
            let off = found.cents / threshold;
            near += i32::from((off - 1.0).abs() <= 0.1);
            held += i32::from(off.max(1.0 / off) <= found.factor);
        }
        (
            f64::from(near) / f64::from(runs),
            f64::from(held) / f64::from(runs),
        )
    }

    #[test]
    #[allow(clippy::print_stdout)]
    fn the_threshold_of_a_simulated_listener_is_found_within_a_tenth_in_sixty_answers() {
        // The wider a listener's curve, the less any rule can do: see DEVELOPERS.md for the bound.
        for (spread, least) in [(0.1, 0.94), (0.15, 0.9), (0.2, 0.8)] {
            for threshold in [3.0, 8.0, 20.0] {
                let (near, held) = found(threshold, spread);
                println!(
                    "simulated listener, {threshold} cents, spread {spread}: near {near:.3}, error holds {held:.3}"
                );
                assert!(near >= least, "{threshold} cents, {spread}: {near}");
                assert!(held >= 0.68, "{threshold} cents, {spread}: {held}");
            }
        }
    }

    #[test]
    #[allow(clippy::print_stdout)]
    fn the_stated_error_grows_for_a_listener_with_a_wide_curve() {
        for (spread, least) in [(0.4, 0.6), (0.8, 0.4)] {
            let (near, held) = found(10.0, spread);
            println!(
                "simulated listener, 10 cents, spread {spread}: near {near:.3}, error holds {held:.3}"
            );
            assert!(held >= least, "{spread}: {held}");
        }
    }

    /// How much one answer at `z` spreads above the middle tells of the middle, times the spread squared (Fisher's information
    /// of a choice with that chance).
    fn information(z: f64) -> f64 {
        let p = 0.5 + 0.5 * normal_cdf(z);
        let slope = 0.5 * (-z * z / 2.0).exp() / std::f64::consts::TAU.sqrt();
        slope * slope / (p * (1.0 - p))
    }

    #[test]
    fn where_the_rule_rests_an_answer_tells_nearly_as_much_as_it_can() {
        let best = (-300..300)
            .map(|n| information(f64::from(n) / 100.0))
            .fold(0.0, f64::max);
        assert!((best - 0.2380).abs() < 1e-4, "{best}");
        assert!(information(REST_ABOVE_MIDDLE) > 0.97 * best);
        // The best that sixty answers can do, all at the best distance: the share within a tenth.
        let share = |spread: f64| {
            let error = spread / (60.0 * best).sqrt();
            normal_cdf(1.1_f64.ln() / error) - normal_cdf(0.9_f64.ln() / error)
        };
        for (spread, bound) in [(0.15, 0.988), (0.2, 0.941), (0.23, 0.90)] {
            assert!(
                (share(spread) - bound).abs() < 0.002,
                "{spread}: {}",
                share(spread)
            );
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
