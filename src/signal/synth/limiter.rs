//! Keeps the peak under a ceiling without a click: looks ahead, turns down before the peak comes, and up again slowly.
//! In: one sample. Out: the sample of [`Limiter::delay`] samples ago, never above [`CEILING`].
//!
//! The gain each sample needs is held over the window that looks ahead (its least value), then averaged over the same
//! window. Every value in that average is at most what the outgoing sample needs, so the average is too.

use super::rate::SampleRate;

/// The highest peak that leaves the synthesiser: −6 dBFS, 10^(−6/20).
pub const CEILING: f32 = 0.501_187_2;

/// How far the limiter looks ahead, seconds, and so how late everything sounds: as long as every other ramp.
pub const LOOK_AHEAD_S: f64 = 0.005;

/// Time in which the gain comes back by 1 − 1/e.
const RECOVERY_S: f64 = 0.25;

/// From here on the gain has come back: the rest of the way (−100 dB) is no step anybody hears.
const RECOVERED: f32 = 0.999_99;

pub(super) struct Limiter {
    samples: Vec<f32>,
    needed: Vec<f32>,
    held: Vec<f32>,
    /// How many of `held` turn down.
    turned_down: usize,
    at: usize,
    /// Least of `needed`, by two stacks' worth of running minima: forward from the window's turn, and backward to it.
    suffix: Vec<f32>,
    prefix: f32,
    envelope: f32,
    recovery: f32,
}

impl Limiter {
    pub(super) fn new(rate: SampleRate) -> Limiter {
        let window = Limiter::delay(rate) + 1;
        Limiter {
            samples: vec![0.0; window],
            needed: vec![1.0; window],
            held: vec![1.0; window],
            turned_down: 0,
            at: 0,
            suffix: vec![1.0; window],
            prefix: 1.0,
            envelope: 1.0,
            recovery: (1.0 - (-1.0 / (RECOVERY_S * f64::from(rate.per_second()))).exp()) as f32,
        }
    }

    /// Samples by which the output is late.
    pub(super) fn delay(rate: SampleRate) -> usize {
        rate.samples_in(LOOK_AHEAD_S) as usize
    }

    /// The gain changes nothing, and nothing is held back.
    pub(super) fn is_at_rest(&self) -> bool {
        self.samples.iter().all(|sample| *sample == 0.0)
    }

    pub(super) fn tick(&mut self, sample: f32) -> f32 {
        let window = self.samples.len();
        let size = sample.abs();
        self.samples[self.at] = sample;
        self.needed[self.at] = if size > CEILING { CEILING / size } else { 1.0 };
        self.prefix = self.prefix.min(self.needed[self.at]);
        // The window reaches from the slot after this one, through the turn, to this one.
        let next = (self.at + 1) % window;
        let least = if next == 0 {
            self.prefix
        } else {
            self.prefix.min(self.suffix[next])
        };
        if next == 0 {
            let mut least = 1.0_f32;
            for slot in (0..window).rev() {
                least = least.min(self.needed[slot]);
                self.suffix[slot] = least;
            }
            self.prefix = 1.0;
        }
        let recovered = self.envelope + (1.0 - self.envelope) * self.recovery;
        self.envelope = least.min(if recovered > RECOVERED {
            1.0
        } else {
            recovered
        });
        self.turned_down += usize::from(self.envelope < 1.0);
        self.turned_down -= usize::from(self.held[self.at] < 1.0);
        self.held[self.at] = self.envelope;
        // Summed anew each time while it limits: a running sum would keep its rounding for ever.
        let gain = if self.turned_down == 0 {
            1.0
        } else {
            self.held.iter().sum::<f32>() / window as f32
        };
        self.at = next;
        (self.samples[next] * gain).clamp(-CEILING, CEILING)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_quiet_passes_unchanged_and_late() {
        let mut limiter = Limiter::new(SampleRate::STUDIO);
        let delay = Limiter::delay(SampleRate::STUDIO);
        let input: Vec<f32> = (0..4000).map(|i| 0.5 * (i as f32 * 0.1).sin()).collect();
        let output: Vec<f32> = input.iter().map(|x| limiter.tick(*x)).collect();
        assert_eq!(output[delay..], input[..4000 - delay]);
    }

    #[test]
    fn a_sudden_peak_is_met_by_a_ramp_and_never_passes() {
        let mut limiter = Limiter::new(SampleRate::STUDIO);
        let delay = Limiter::delay(SampleRate::STUDIO);
        let input: Vec<f32> = (0..9600)
            .map(|i| {
                if i < 4800 {
                    0.3
                } else {
                    4.0 * if i % 2 == 0 { 1.0 } else { -1.0 }
                }
            })
            .collect();
        let output: Vec<f32> = input.iter().map(|x| limiter.tick(*x)).collect();
        assert!(output.iter().all(|x| x.abs() <= CEILING));
        // On the flat part before the peak the gain falls by at most a window's share of a sample.
        let before = &output[delay..4800 + delay];
        let steepest = before
            .windows(2)
            .map(|two| (two[1] - two[0]).abs())
            .fold(0.0, f32::max);
        assert!(steepest < 0.3 / delay as f32 * 1.01, "{steepest}");
        // And the loud part comes out as loud as it may.
        assert!(output[9000].abs() > 0.99 * CEILING);
    }
}
