//! One partial alone: a narrow band of a stretch of sound, brought down to 0 Hz and thinned.
//! In: samples of one channel; the band's centre and width. Out: complex values over time.
//!
//! The whole stretch is transformed once. A band is its bins under a Gaussian, transformed back at a low rate: the
//! Gaussian is the filter that is narrowest in time and frequency together, a decaying partial passes it unchanged, and
//! what it smears at the stretch's ends is over after [`EDGE`] of its widths.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

use crate::signal::spectrum::Planned;

/// Widths in time after which an edge of the stretch no longer shows: e^(−4²/2) is −70 dB.
const EDGE: f64 = 4.0;

/// Widths in frequency that are transformed back to each side: e^(−4.5²/2) is −88 dB.
const REACH: f64 = 4.5;

/// A stretch of sound and its transform.
pub(super) struct Stretch {
    rate: f64,
    length: usize,
    size: usize,
    bins: Vec<Complex<f64>>,
}

/// A band of a [`Stretch`] over time.
pub(super) struct Band {
    /// Frequency that stands still, hertz.
    pub(super) centre: f64,
    /// Seconds between two values.
    pub(super) step: f64,
    /// Time of the first value from the stretch's beginning, seconds.
    pub(super) from: f64,
    /// The values, amplitude of the partial in each; the ends' smear is left out.
    pub(super) values: Vec<Complex<f64>>,
    /// The Gaussian's standard deviation, hertz.
    pub(super) width: f64,
}

impl Stretch {
    /// Transforms `samples`.
    pub(super) fn new(samples: &[f32], rate: f64) -> Stretch {
        // The band's smear must not come round from the far end.
        let size = (samples.len() + (0.4 * rate) as usize).next_power_of_two();
        let plan = f64::plan(size);
        let mut input = plan.make_input_vec();
        for (slot, sample) in input.iter_mut().zip(samples) {
            *slot = f64::from(*sample);
        }
        let mut bins = plan.make_output_vec();
        plan.process(&mut input, &mut bins)
            .expect("buffers were made by the plan");
        Stretch {
            rate,
            length: samples.len(),
            size,
            bins,
        }
    }

    /// Half the sample rate.
    pub(super) fn highest(&self) -> f64 {
        0.5 * self.rate
    }

    /// Hertz from bin to bin.
    pub(super) fn bin_hz(&self) -> f64 {
        self.rate / self.size as f64
    }

    /// Size of the spectrum at bin `k`.
    pub(super) fn size_at(&self, k: usize) -> f64 {
        self.bins.get(k).map_or(0.0, |bin| bin.norm())
    }

    /// The band around `centre`, a Gaussian of standard deviation `width` (both in hertz).
    pub(super) fn band(&self, centre: f64, width: f64) -> Band {
        let bin = self.bin_hz();
        let middle = (centre / bin).round() as i64;
        let reach = (REACH * width / bin).ceil() as i64;
        let size = (2 * reach as usize + 1).next_power_of_two().max(16);
        let gauss = gauss(bin / width, reach as usize);
        let mut values = vec![Complex::new(0.0, 0.0); size];
        for k in -reach..=reach {
            let Some(value) = usize::try_from(middle + k)
                .ok()
                .and_then(|at| self.bins.get(at))
            else {
                continue;
            };
            let slot = k.rem_euclid(size as i64) as usize;
            values[slot] = value * gauss[k.unsigned_abs() as usize];
        }
        transform_back(&mut values);
        // 2 / size of the long transform makes a partial's amplitude its value.
        let scale = 2.0 / self.size as f64;
        let step = self.size as f64 / self.rate / size as f64;
        let edge = EDGE / (TAU * width);
        let first = (edge / step).ceil() as usize;
        let last = ((self.length as f64 / self.rate - edge) / step).max(0.0) as usize;
        let values = values
            .get(first..last.min(size))
            .unwrap_or_default()
            .iter()
            .map(|value| value * scale)
            .collect();
        Band {
            centre: middle as f64 * bin,
            step,
            from: first as f64 * step,
            values,
            width,
        }
    }

    /// Power of noise a hertz around `centre` where nothing sounds: the median of a narrow band over time, which a
    /// passing sound does not move. `gap` is the room between the partials on both sides, hertz.
    pub(super) fn noise(&self, centre: f64, gap: f64) -> Option<f64> {
        let band = self.band(centre, (gap / 14.0).min(40.0));
        let mut power: Vec<f64> = band.values.iter().map(|value| value.norm_sqr()).collect();
        if power.len() < 4 {
            return None;
        }
        power.sort_by(f64::total_cmp);
        // The median of an exponential distribution is ln 2 of its mean.
        let mean = power[power.len() / 2] / std::f64::consts::LN_2;
        Some(mean / band.noise_width())
    }
}

impl Band {
    /// Width in hertz of the square filter that lets as much noise through.
    pub(super) fn noise_width(&self) -> f64 {
        PI.sqrt() * self.width
    }

    /// Seconds between values whose noise is independent of each other, as far as sums over many values go: the area
    /// under the noise's autocorrelation.
    pub(super) fn independent(&self) -> f64 {
        PI.sqrt() / (PI * self.width)
    }
}

/// e^(−x²/2) at as many steps from 0 on as `reach`: each is the last times a factor that itself shrinks by the same factor.
fn gauss(step: f64, reach: usize) -> Vec<f64> {
    let mut factor = (-0.5 * step * step).exp();
    let shrinks = factor * factor;
    let mut now = 1.0;
    (0..=reach)
        .map(|_| {
            let value = now;
            now *= factor;
            factor *= shrinks;
            value
        })
        .collect()
}

/// The inverse transform of a power of two of values, in place and without scaling (Cooley and Tukey).
fn transform_back(values: &mut [Complex<f64>]) {
    let size = values.len();
    let shift = usize::BITS - size.trailing_zeros();
    for k in 0..size {
        let other = k.reverse_bits() >> shift;
        if k < other {
            values.swap(k, other);
        }
    }
    let mut half = 1;
    while half < size {
        let turn = Complex::from_polar(1.0, PI / half as f64);
        let mut factor = Complex::new(1.0, 0.0);
        for k in 0..half {
            for low in (k..size).step_by(2 * half) {
                let (a, b) = (values[low], values[low + half] * factor);
                (values[low], values[low + half]) = (a + b, a - b);
            }
            factor *= turn;
        }
        half *= 2;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decaying_partial_comes_out_with_its_amplitude_phase_and_decay() {
        let rate = 48_000.0;
        let samples: Vec<f32> = (0..96_000)
            .map(|k| {
                let t = f64::from(k) / rate;
                (0.5 * (-2.0 * t).exp() * (TAU * 441.3 * t + 0.4).cos()) as f32
            })
            .collect();
        let stretch = Stretch::new(&samples, rate);
        let band = stretch.band(440.0, 20.0);
        assert!(band.values.len() > 100);
        // The Gaussian weighs what lies off its centre.
        let off = 441.3 - band.centre;
        let gain = (-0.5 * (off / 20.0).powi(2)).exp();
        for (k, value) in band.values.iter().enumerate() {
            let t = band.from + k as f64 * band.step;
            let expected = Complex::from_polar(0.5 * gain * (-2.0 * t).exp(), TAU * off * t + 0.4);
            assert!((value - expected).norm() < 2e-3, "{t}: {value} {expected}");
        }
    }

    #[test]
    fn noise_is_measured_by_its_power_a_hertz() {
        use rand::{RngExt, SeedableRng};
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        // Uniform noise in ±1 has power 1/3 over 24 kHz; the square of an amplitude is twice its power.
        let samples: Vec<f32> = (0..96_000)
            .map(|_| random.random_range(-1.0..1.0))
            .collect();
        let stretch = Stretch::new(&samples, 48_000.0);
        let all: f64 = (1..=20)
            .map(|k| stretch.noise(900.0 * f64::from(k), 300.0).unwrap())
            .sum();
        let expected = 4.0 / 3.0 / 48_000.0;
        let ratio = all / 20.0 / expected;
        assert!((0.85..1.15).contains(&ratio), "{ratio}");
    }
}
