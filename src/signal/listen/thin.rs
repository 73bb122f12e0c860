//! Thins a stream by a whole factor, so that all analysis runs between 22 and 44 kHz (or at a lower native rate).
//! In: samples at the native rate, in pieces of any size. Out: samples at the working rate, about half a millisecond late.

use super::super::spectrum::dot;
use super::event::ListenError;

/// Lowest working rate that thinning may reach: the highest key's second partial lies at 8.4 kHz.
const LOWEST_RATE: u32 = 22_000;
/// Half the filter's length in working samples; the flank from pass to stop spans about 0.2 of the working rate.
const HALF: usize = 12;

/// A low-pass filter that keeps every n-th sample.
#[derive(Debug)]
pub(super) struct Thinner {
    factor: usize,
    rate: u32,
    taps: Vec<f32>,
    /// The newest samples at the native rate, oldest first.
    line: Vec<f32>,
    phase: usize,
}

impl Thinner {
    /// A thinner for a stream of `rate` samples a second. Errors: [`ListenError::Rate`].
    pub(super) fn new(rate: u32) -> Result<Thinner, ListenError> {
        if !(8_000..=192_000).contains(&rate) {
            return Err(ListenError::Rate { given: rate });
        }
        let factor = (rate / LOWEST_RATE).max(1) as usize;
        let half = (HALF * factor) as isize;
        // Windowed sinc, Blackman, cut at 0.45 of the working rate.
        let mut taps: Vec<f32> = (-half..=half)
            .map(|i| {
                let x = 0.9 * i as f32 / factor as f32;
                let sinc = if i == 0 {
                    1.0
                } else {
                    (std::f32::consts::PI * x).sin() / (std::f32::consts::PI * x)
                };
                let turn = std::f32::consts::PI * i as f32 / (half + 1) as f32;
                sinc * (0.42 + 0.5 * turn.cos() + 0.08 * (2.0 * turn).cos())
            })
            .collect();
        let sum: f32 = taps.iter().sum();
        taps.iter_mut().for_each(|t| *t /= sum);
        Ok(Thinner {
            factor,
            rate,
            line: vec![0.0; taps.len()],
            taps,
            phase: 0,
        })
    }

    /// Samples a second that come out.
    pub(super) fn working_rate(&self) -> f64 {
        f64::from(self.rate) / self.factor as f64
    }

    /// How much later than its sound a working sample comes out, in seconds.
    pub(super) fn delay_s(&self) -> f64 {
        if self.factor == 1 {
            0.0
        } else {
            HALF as f64 / self.working_rate()
        }
    }

    /// Thins `samples` onto the end of `out`.
    pub(super) fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        let clean = |s: f32| if s.is_finite() { s } else { 0.0 };
        if self.factor == 1 {
            out.extend(samples.iter().map(|s| clean(*s)));
            return;
        }
        let length = self.taps.len();
        self.line.extend(samples.iter().map(|s| clean(*s)));
        let mut next = length + self.factor - self.phase;
        while next <= self.line.len() {
            let window = &self.line[next - length..next];
            out.push(dot(window, &self.taps));
            next += self.factor;
        }
        self.phase = self.line.len() + self.factor - next;
        self.line.drain(..self.line.len() - length);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(rate: u32, frequency: f32) -> f32 {
        let mut thinner = Thinner::new(rate).unwrap();
        let mut out = Vec::new();
        let sine: Vec<f32> = (0..rate)
            .map(|i| (std::f32::consts::TAU * frequency * i as f32 / rate as f32).sin())
            .collect();
        thinner.push(&sine, &mut out);
        let kept = &out[1000..];
        (2.0 * kept.iter().map(|s| s * s).sum::<f32>() / kept.len() as f32).sqrt()
    }

    #[test]
    fn the_keyboard_passes_and_what_would_fold_onto_it_does_not() {
        for rate in [44_100, 48_000, 88_200, 96_000, 192_000] {
            for frequency in [27.5, 440.0, 4186.0] {
                assert!(
                    (level(rate, frequency) - 1.0).abs() < 0.01,
                    "{rate} {frequency}"
                );
            }
            assert!(level(rate, 17_900.0) < 0.002, "{rate}");
        }
    }

    #[test]
    fn pieces_of_any_size_give_the_same_samples() {
        let sound: Vec<f32> = (0..9_000).map(|i| ((i * i) as f32 * 0.001).sin()).collect();
        for rate in [16_000, 44_100, 96_000, 192_000] {
            let mut whole = Vec::new();
            Thinner::new(rate).unwrap().push(&sound, &mut whole);
            for size in [1, 7, 256, 4096] {
                let mut thinner = Thinner::new(rate).unwrap();
                let mut pieces = Vec::new();
                sound
                    .chunks(size)
                    .for_each(|c| thinner.push(c, &mut pieces));
                assert_eq!(pieces, whole, "{rate} {size}");
            }
        }
    }

    #[test]
    fn rates_out_of_range_are_refused() {
        for rate in [0, 7_999, 192_001] {
            assert!(Thinner::new(rate).is_err());
        }
    }
}
