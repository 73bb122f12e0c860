//! How fast a sound card's clock runs, against the computer's. In: blocks of samples and when each came. Out: the error in
//! parts in a million with its standard error, once a minute has been heard.
//!
//! A block comes late by a little that changes each time, never early: of every two seconds the promptest block counts,
//! and a straight line through those tells how much faster the samples come than their rate says.

use crate::theory::Cents;

/// The promptest block of so many seconds counts.
const WINDOW_S: f64 = 2.0;

/// Windows that are needed: a minute.
const WINDOWS: usize = 30;

/// A device whose blocks come so unevenly that no better than this can be said is not measured, parts in a million.
const UNEVEN_PPM: f64 = 30.0;

/// Nothing that is sold runs further off; beyond it another rate is meant, parts in a million.
const FURTHEST_PPM: f64 = 5_000.0;

/// A clock that was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockError {
    /// By how many parts in a million more samples come than the rate says.
    pub ppm: f64,
    /// Standard error.
    pub ppm_se: f64,
}

impl ClockError {
    /// How much higher everything sounds than it was read.
    pub fn cents(self) -> Cents {
        Cents(1200.0 * (1.0 + 1e-6 * self.ppm).log2())
    }

    /// Standard error of [`ClockError::cents`].
    pub fn cents_se(self) -> Cents {
        Cents(1200.0 / std::f64::consts::LN_2 * 1e-6 * self.ppm_se)
    }
}

/// Measures the clock of one stream.
#[derive(Debug, Clone)]
pub struct ClockWatch {
    rate: f64,
    samples: u64,
    /// Of the window under way: when it began, and its promptest block (when it came, how late).
    window: Option<(f64, f64, f64)>,
    promptest: Vec<(f64, f64)>,
}

impl ClockWatch {
    /// For a stream that is said to have `rate` samples a second.
    pub fn new(rate: u32) -> ClockWatch {
        ClockWatch {
            rate: f64::from(rate),
            samples: 0,
            window: None,
            promptest: Vec::new(),
        }
    }

    /// Takes a block of `samples` that came at `at_s` by the computer's clock, in seconds from any beginning.
    pub fn block(&mut self, samples: usize, at_s: f64) {
        self.samples += samples as u64;
        let late = at_s - self.samples as f64 / self.rate;
        match &mut self.window {
            Some((began, at, least)) if at_s - *began < WINDOW_S => {
                if late < *least {
                    (*at, *least) = (at_s, late);
                }
            }
            window => {
                if let Some((_, at, least)) = window.replace((at_s, at_s, late)) {
                    self.promptest.push((at, least));
                }
            }
        }
    }

    /// The clock's error; `None` before a minute has been heard, or where the blocks come too unevenly.
    pub fn error(&self) -> Option<ClockError> {
        // The first of a stream may come in a burst.
        let points = self.promptest.get(1..)?;
        if points.len() < WINDOWS {
            return None;
        }
        let count = points.len() as f64;
        let middle = points.iter().map(|p| p.0).sum::<f64>() / count;
        let height = points.iter().map(|p| p.1).sum::<f64>() / count;
        let spread: f64 = points.iter().map(|p| (p.0 - middle).powi(2)).sum();
        let slope = points
            .iter()
            .map(|p| (p.0 - middle) * (p.1 - height))
            .sum::<f64>()
            / spread;
        let left: f64 = points
            .iter()
            .map(|p| (p.1 - height - slope * (p.0 - middle)).powi(2))
            .sum();
        let error = ClockError {
            ppm: -1e6 * slope,
            ppm_se: 1e6 * (left / (count - 2.0) / spread).sqrt(),
        };
        (error.ppm_se <= UNEVEN_PPM && error.ppm.abs() <= FURTHEST_PPM).then_some(error)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    /// Blocks of 1024 for `seconds` from a card that is `ppm` fast, each up to `late_s` late.
    fn watch(ppm: f64, seconds: f64, late_s: f64, seed: u64) -> ClockWatch {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut watch = ClockWatch::new(48_000);
        let block_s = 1024.0 / (48_000.0 * (1.0 + 1e-6 * ppm));
        for k in 1..=(seconds / block_s) as u32 {
            let late = late_s * random.random_range(0.0..1.0_f64).powi(2);
            watch.block(1024, 5.0 + f64::from(k) * block_s + late);
        }
        watch
    }

    #[test]
    fn a_fast_and_a_slow_card_are_measured_over_a_minute() {
        for (seed, ppm) in [(1, 85.0), (2, -60.0), (3, 0.0)] {
            let error = watch(ppm, 70.0, 0.005, seed).error().unwrap();
            assert!(
                (error.ppm - ppm).abs() < 4.0 * error.ppm_se + 0.5,
                "{ppm}: {error:?}"
            );
            assert!(error.ppm_se < 10.0, "{error:?}");
        }
        // 100 parts in a million are 0.173 cents: 1200 · log2(1.0001).
        let error = ClockError {
            ppm: 100.0,
            ppm_se: 10.0,
        };
        assert!((error.cents().0 - 0.17312).abs() < 1e-4);
        assert!((error.cents_se().0 - 0.01731).abs() < 1e-4);
    }

    #[test]
    fn half_a_minute_and_blocks_in_great_disorder_tell_nothing() {
        assert_eq!(watch(85.0, 40.0, 0.005, 1).error(), None);
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(9);
        let mut disorder = ClockWatch::new(48_000);
        for k in 1..=70_u32 {
            disorder.block(48_000, f64::from(k) + random.random_range(0.0..0.3));
        }
        assert_eq!(disorder.error(), None);
    }
}
