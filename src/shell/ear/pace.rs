//! Whether a stream keeps the pace its device promises. In: samples and instants of its blocks. Out: a verdict now and then.
//!
//! A headset that takes up its talking profile changes its rate in mid-stream; a starved callback loses sound. Either would
//! put every note at a wrong place or a wrong pitch, so neither is judged.

use std::time::Instant;

/// Rates in use. Common practice in audio devices.
const RATES: [f64; 11] = [
    8_000.0, 11_025.0, 16_000.0, 22_050.0, 24_000.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0,
    96_000.0, 192_000.0,
];

/// Time over which the pace is measured: callbacks come up to 0.1 s late on a busy machine, which is 2 % of it.
const SPAN_S: f64 = 5.0;

/// How far off the promised pace is still it.
const TOLERANCE: f64 = 0.04;

/// A coarse look comes sooner: what a note was worth meanwhile cannot be told afterwards.
const COARSE_S: f64 = 0.6;
const COARSE_TOLERANCE: f64 = 0.25;

/// The first of a stream may come in a burst.
const SETTLING_S: f64 = 0.5;

/// How a stream runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Pace {
    /// As it should.
    Steady,
    /// It is another rate than was said.
    Other(u32),
    /// Sound is missing, or too much.
    Uneven,
}

/// Measures the pace of one stream.
#[derive(Debug)]
pub(super) struct PaceWatch {
    rate: f64,
    began: Option<Instant>,
    from: Option<(Instant, u64)>,
    coarse_from: Option<(Instant, u64)>,
    suspect: bool,
    /// A coarse look was off since the last span that was steady.
    doubted: bool,
    samples: u64,
    /// The pace of the span before.
    last: Option<f64>,
}

impl PaceWatch {
    /// For a stream that is said to have `rate` samples a second.
    pub(super) fn new(rate: f64) -> PaceWatch {
        PaceWatch {
            rate,
            began: None,
            from: None,
            coarse_from: None,
            suspect: false,
            doubted: false,
            samples: 0,
            last: None,
        }
    }

    /// Takes a block, lost samples counted in. Gives a verdict at the end of each span; one bad span is not enough.
    pub(super) fn block(&mut self, samples: u32, at: Instant) -> Option<Pace> {
        self.samples += u64::from(samples);
        let began = *self.began.get_or_insert(at);
        if at.saturating_duration_since(began).as_secs_f64() < SETTLING_S {
            return None;
        }
        let (coarse_since, coarse_before) = *self.coarse_from.get_or_insert((at, self.samples));
        let coarse = at.saturating_duration_since(coarse_since).as_secs_f64();
        if coarse >= COARSE_S {
            let pace = (self.samples - coarse_before) as f64 / coarse;
            let off = (pace / self.rate - 1.0).abs() > COARSE_TOLERANCE;
            if off && !self.doubted {
                self.doubted = true;
                // The spans that decide hold nothing of the old pace.
                self.from = self.coarse_from;
                self.last = None;
            }
            self.suspect = off;
            self.coarse_from = Some((at, self.samples));
        }
        let (since, before) = *self.from.get_or_insert((at, self.samples));
        let span = at.saturating_duration_since(since).as_secs_f64();
        if span < if self.suspect { SPAN_S / 2.0 } else { SPAN_S } {
            return None;
        }
        self.from = Some((at, self.samples));
        let pace = (self.samples - before) as f64 / span;
        let last = self.last.replace(pace);
        if near(pace, self.rate) {
            self.doubted = false;
            return Some(Pace::Steady);
        }
        let last = last?;
        // Where two standard rates are near, the nearer one is meant.
        let nearest = RATES
            .into_iter()
            .min_by(|a, b| (a / pace).ln().abs().total_cmp(&(b / pace).ln().abs()))
            .filter(|rate| near(pace, *rate) && near(last, *rate));
        match nearest {
            Some(rate) => Some(Pace::Other(rate as u32)),
            None if !near(last, self.rate) => Some(Pace::Uneven),
            None => None,
        }
    }

    /// For the moment it does not run as it should: what is heard now may be at another pitch than it seems.
    pub(super) fn is_suspect(&self) -> bool {
        self.suspect
    }
}

fn near(pace: f64, rate: f64) -> bool {
    (pace / rate - 1.0).abs() < TOLERANCE
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn run(said: f64, blocks: impl Iterator<Item = (f64, u32)>) -> Vec<Pace> {
        let mut watch = PaceWatch::new(said);
        let base = Instant::now();
        blocks
            .filter_map(|(at, samples)| watch.block(samples, base + Duration::from_secs_f64(at)))
            .collect()
    }

    #[test]
    fn a_stream_that_keeps_its_word_is_steady_in_spite_of_late_callbacks() {
        let blocks = (0..1_500).map(|i| {
            let late = if i % 50 == 0 { 0.09 } else { 0.0 };
            (f64::from(i) * 0.02 + late, 960)
        });
        let paces = run(48_000.0, blocks);
        assert!(
            paces.len() >= 5 && paces.iter().all(|p| *p == Pace::Steady),
            "{paces:?}"
        );
    }

    #[test]
    fn a_headset_that_changes_to_16_khz_in_mid_stream_is_found_out() {
        let before = (0..500).map(|i| (f64::from(i) * 0.02, 960));
        let after = (500..1_500).map(|i| (f64::from(i) * 0.02, 320));
        let paces = run(48_000.0, before.chain(after));
        assert_eq!(paces.last(), Some(&Pace::Other(16_000)), "{paces:?}");
    }

    #[test]
    fn a_starved_callback_is_uneven() {
        let blocks = (0..1_000).map(|i| (f64::from(i) * 0.02, if i % 3 == 0 { 0 } else { 960 }));
        // Two of three blocks: 32 kHz on average, but that is a rate; three of four is none.
        let four = (0..1_000).map(|i| (f64::from(i) * 0.02, if i % 4 == 0 { 0 } else { 960 }));
        assert!(run(48_000.0, blocks).contains(&Pace::Other(32_000)));
        let four = run(48_000.0, four);
        assert!(four.contains(&Pace::Uneven), "{four:?}");
    }
}
