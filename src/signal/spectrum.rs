//! Windows and planned Fourier transforms of real sound.
//! In: `f32` samples of one channel. Out: complex or power spectra; a full-scale sine has power 1 at its bin.
//! Source: Harris 1978, Proc. IEEE 66:51 (Hann, Tukey).

use std::cell::RefCell;
use std::f32::consts::PI;
use std::fmt;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{FftNum, RealFftPlanner, RealToComplex};

/// A Hann window of `length` samples that would repeat after `length`.
pub fn hann(length: usize) -> Vec<f32> {
    (0..length)
        .map(|i| 0.5 - 0.5 * (2.0 * PI * (i as f32 + 0.5) / length as f32).cos())
        .collect()
}

/// A Tukey window of `length` samples: flat, with cosine flanks over `share` (0..=1) of it, half at each end.
pub fn tukey(length: usize, share: f32) -> Vec<f32> {
    let flank = 0.5 * share * length as f32;
    (0..length)
        .map(|i| {
            let from_edge = (i as f32 + 0.5).min((length - i) as f32 - 0.5);
            if from_edge >= flank {
                1.0
            } else {
                0.5 - 0.5 * (PI * from_edge / flank).cos()
            }
        })
        .collect()
}

/// Sum of `values`, in eight lanes: the order of additions is fixed, and none waits for the one before.
pub fn sum(values: &[f32]) -> f32 {
    let (chunks, rest) = values.as_chunks::<8>();
    let mut lanes = [0.0_f32; 8];
    for chunk in chunks {
        // By index: chains of adapters may be left uncompiled into one another, at twice the time.
        for lane in 0..8 {
            lanes[lane] += chunk[lane];
        }
    }
    lanes.iter().sum::<f32>() + rest.iter().sum::<f32>()
}

/// Sum of the products of `a` and `b` as far as both go, in eight lanes.
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    let length = a.len().min(b.len());
    let ((a, rest_a), (b, rest_b)) = (a[..length].as_chunks::<8>(), b[..length].as_chunks::<8>());
    let mut lanes = [0.0_f32; 8];
    for (a, b) in a.iter().zip(b) {
        for lane in 0..8 {
            lanes[lane] += a[lane] * b[lane];
        }
    }
    let rest: f32 = rest_a.iter().zip(rest_b).map(|(x, y)| x * y).sum();
    lanes.iter().sum::<f32>() + rest
}

/// The least size of a transform that holds `length` samples and is quick: even, and half of it has no factor above 7.
pub fn quick_size(length: usize) -> usize {
    let smooth = |size: &usize| {
        let rest = [2, 3, 5, 7].iter().fold(*size, |mut rest, factor| {
            while rest.is_multiple_of(*factor) {
                rest /= factor;
            }
            rest
        });
        rest == 1
    };
    let half = length.div_ceil(2).max(1);
    2 * (half..).find(smooth).unwrap_or(half)
}

/// Kinds of number that are transformed; the plans that were made of each are kept, a thread's own: making one takes as
/// long as using it.
pub trait Planned: FftNum {
    /// The plan for a forward transform of `size` samples.
    fn plan(size: usize) -> Arc<dyn RealToComplex<Self>>;
}

thread_local! {
    static SINGLE: RefCell<RealFftPlanner<f32>> = RefCell::new(RealFftPlanner::new());
    static DOUBLE: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
}

impl Planned for f32 {
    fn plan(size: usize) -> Arc<dyn RealToComplex<f32>> {
        SINGLE.with_borrow_mut(|planner| planner.plan_fft_forward(size))
    }
}

impl Planned for f64 {
    fn plan(size: usize) -> Arc<dyn RealToComplex<f64>> {
        DOUBLE.with_borrow_mut(|planner| planner.plan_fft_forward(size))
    }
}

/// A transform of one size, with its buffers.
pub struct Spectrum {
    plan: Arc<dyn RealToComplex<f32>>,
    input: Vec<f32>,
    output: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl fmt::Debug for Spectrum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Spectrum")
            .field("size", &self.size())
            .finish_non_exhaustive()
    }
}

impl Spectrum {
    /// A transform of `size` samples (even); shorter windows are padded with zeros.
    pub fn new(size: usize) -> Spectrum {
        let plan = f32::plan(size);
        Spectrum {
            input: plan.make_input_vec(),
            output: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
        }
    }

    /// Samples a transform takes.
    pub fn size(&self) -> usize {
        self.input.len()
    }

    /// Bins it gives: from 0 Hz to half the rate.
    pub fn bins(&self) -> usize {
        self.output.len()
    }

    /// Transforms `samples` under `window` (equally long, at most [`Spectrum::size`]), less their mean,
    /// scaled by 2 / Σ window.
    pub fn transform(&mut self, samples: &[f32], window: &[f32]) -> &[Complex<f32>] {
        debug_assert!(samples.len() == window.len() && samples.len() <= self.input.len());
        let mean = sum(samples) / samples.len().max(1) as f32;
        let scale = 2.0 / sum(window).max(f32::MIN_POSITIVE);
        for ((slot, sample), weight) in self.input.iter_mut().zip(samples).zip(window) {
            *slot = (sample - mean) * weight * scale;
        }
        self.input[samples.len()..].fill(0.0);
        self.plan
            .process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch)
            .expect("buffers were made by the plan");
        &self.output
    }

    /// As [`Spectrum::transform`], but writes the power of each bin into `power`.
    pub fn power(&mut self, samples: &[f32], window: &[f32], power: &mut [f32]) {
        for (slot, value) in power.iter_mut().zip(self.transform(samples, window)) {
            *slot = value.norm_sqr();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_scale_sine_has_power_one_at_its_bin() {
        let mut spectrum = Spectrum::new(4096);
        let sine: Vec<f32> = (0..2048)
            .map(|i| (2.0 * PI * 100.0 * i as f32 / 4096.0).sin())
            .collect();
        for window in [hann(2048), tukey(2048, 0.25), vec![1.0; 2048]] {
            let mut power = vec![0.0; spectrum.bins()];
            spectrum.power(&sine, &window, &mut power);
            assert!((power[100] - 1.0).abs() < 0.01, "{}", power[100]);
            let best = (0..power.len()).max_by(|a, b| power[*a].total_cmp(&power[*b]));
            assert_eq!(best, Some(100));
        }
    }

    #[test]
    fn quick_sizes_hold_what_they_must_in_small_factors() {
        // Worked by hand: 278 = 2·139 goes to 280 = 2³·5·7, 186 = 2·3·31 to 189 = 3³·7, 371 = 7·53 to 375 = 3·5³.
        for (length, size) in [(0, 2), (512, 512), (556, 560), (372, 378), (741, 750)] {
            assert_eq!(quick_size(length), size);
        }
    }

    #[test]
    fn sums_in_lanes_are_sums() {
        for length in [0, 1, 7, 8, 9, 100, 1023] {
            let a: Vec<f32> = (0..length).map(|i| (i as f32 * 0.37).sin()).collect();
            let b: Vec<f32> = (0..length).map(|i| (i as f32 * 0.11).cos()).collect();
            let want: f64 = a.iter().map(|v| f64::from(*v)).sum();
            assert!((f64::from(sum(&a)) - want).abs() < 1e-4, "{length}");
            let want: f64 = a
                .iter()
                .zip(&b)
                .map(|(x, y)| f64::from(*x) * f64::from(*y))
                .sum();
            assert!((f64::from(dot(&a, &b)) - want).abs() < 1e-4, "{length}");
        }
    }

    #[test]
    fn windows_have_the_sums_of_their_closed_forms() {
        // Mean of a window in closed form: Hann 1/2, Tukey 1 − share/2; Tukey of share 1 is Hann.
        let gain = |w: Vec<f32>| w.iter().sum::<f32>() / w.len() as f32;
        assert!((gain(hann(1000)) - 0.5).abs() < 1e-4);
        assert!((gain(tukey(1000, 0.25)) - 0.875).abs() < 1e-3);
        assert!((gain(tukey(1000, 1.0)) - gain(hann(1000))).abs() < 1e-3);
    }
}
