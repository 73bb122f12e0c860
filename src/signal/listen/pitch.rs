//! Pitch of one frame: autocorrelation proposes, the partials settle the octave and refine the cents.
//! In: a frame of one length at the working rate. Out: an [`Estimate`]; no pitch is `None`, never 0 Hz.
//! Source: normalised square difference (McLeod & Wyvill 2005, ICMC), by the Wiener–Khinchin theorem.

use super::super::spectrum::{Spectrum, dot, hann, quick_size, sum};
use super::comb::{Relief, contrast_at};
use super::grid::{Grid, KEYS, STIFFNESS, inharmonicity, key};
use super::measure::first_partial;

/// Peaks of the autocorrelation that are looked at.
const PROPOSALS: usize = 6;
/// Least share of the highest peak.
const WORTH: f32 = 0.7;

/// What a frame sounds like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Estimate {
    /// First partial, hertz.
    pub(super) frequency: f64,
    /// Normalised autocorrelation at its period, up to 1.
    pub(super) clarity: f32,
    /// Contrast of its comb of partials.
    pub(super) contrast: f32,
}

/// Estimates frames of one length.
#[derive(Debug)]
pub(super) struct PitchFinder {
    length: usize,
    rate: f64,
    /// For the autocorrelation: half as long again as the frame.
    plain: Spectrum,
    ones: Vec<f32>,
    mirrored: Vec<f32>,
    all_ones: Vec<f32>,
    correlation: Vec<f32>,
    /// For the partials.
    shaped: Spectrum,
    window: Vec<f32>,
    pub(super) power: Vec<f32>,
    pub(super) bin: f64,
    relief: Relief,
    proposals: Vec<(f32, f64)>,
}

impl PitchFinder {
    /// For frames of `seconds` at `rate` samples a second: pitches of two periods a frame and more.
    pub(super) fn new(rate: f64, seconds: f64) -> PitchFinder {
        let length = (seconds * rate) as usize;
        let size = (2 * length).next_power_of_two();
        // Lags up to half the frame need no more room.
        let plain = Spectrum::new(quick_size(length + length / 2 + 1));
        let shaped = Spectrum::new(size);
        PitchFinder {
            length,
            rate,
            ones: vec![1.0; length],
            mirrored: vec![0.0; plain.size()],
            all_ones: vec![1.0; plain.size()],
            correlation: Vec::new(),
            window: hann(length),
            power: vec![0.0; shaped.bins()],
            bin: rate / size as f64,
            relief: Relief::default(),
            proposals: Vec::new(),
            plain,
            shaped,
        }
    }

    /// Samples of a frame.
    pub(super) fn length(&self) -> usize {
        self.length
    }

    /// The pitch of `frame`, if it has one.
    pub(super) fn estimate(&mut self, frame: &[f32], grid: &Grid) -> Option<Estimate> {
        let energy = dot(frame, frame);
        // Below −90 dBFS there is nothing to hear.
        if energy < 1e-9 * frame.len() as f32 {
            return None;
        }
        self.correlate(frame);
        self.propose();
        self.shaped.power(frame, &self.window, &mut self.power);
        let seconds = self.length as f64 / self.rate;
        if !self.relief.set(&self.power, self.bin, seconds) {
            return None;
        }
        let highest = self.proposals.iter().map(|p| p.0).fold(0.0, f32::max);
        if highest < 0.3 {
            return None;
        }
        let mut best: Option<(f32, f64, f32, usize)> = None;
        for (clarity, lag) in &self.proposals {
            for multiple in [1.0, 2.0] {
                // High up a lag is a few samples: the line itself places the pitch.
                let proposed = multiple * self.rate / lag;
                let frequency = first_partial(&self.power, self.bin, proposed, 0.0, 2);
                let Some((contrast, stiffness)) = self.comb(frequency, grid) else {
                    continue;
                };
                // Between octaves that fit alike the clearer period is the pitch.
                let value = contrast + 0.1 * clarity * if multiple > 1.0 { 0.5 } else { 1.0 };
                if best.is_none_or(|b| value > b.0) {
                    best = Some((value, frequency, *clarity, stiffness));
                }
            }
        }
        let (_, rough, clarity, stiffness) = best?;
        let nearest = nearest_key(rough, grid);
        let b = STIFFNESS[stiffness] * inharmonicity(f64::from(key(nearest).0));
        let count = grid.keys[nearest].count;
        let frequency = first_partial(&self.power, self.bin, rough, b, count);
        let (contrast, _) = self.comb(frequency, grid)?;
        Some(Estimate {
            frequency,
            clarity,
            contrast,
        })
    }

    /// Contrast of the comb of partials at `frequency` and the stiffness it fits better with.
    fn comb(&self, frequency: f64, grid: &Grid) -> Option<(f32, usize)> {
        if !(26.0..4_400.0).contains(&frequency) {
            return None;
        }
        let nearest = nearest_key(frequency, grid);
        let cents = 1200.0 * (frequency / grid.keys[nearest].first).log2();
        [1, 0]
            .map(|s| (contrast_at(grid, &self.relief, nearest, s, cents), s))
            .into_iter()
            .max_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// Normalised autocorrelation for lags up to half the frame.
    fn correlate(&mut self, frame: &[f32]) {
        let size = self.mirrored.len();
        let spectrum = self.plain.transform(frame, &self.ones);
        for (i, value) in spectrum.iter().enumerate() {
            let power = value.norm_sqr();
            self.mirrored[i] = power;
            if i > 0 && i < size / 2 {
                self.mirrored[size - i] = power;
            }
        }
        let length = frame.len();
        // Undoes the scales of both transforms.
        let scale = (length * length) as f32 / 8.0;
        let mean = sum(frame) / length as f32;
        let total = (dot(frame, frame) - length as f32 * mean * mean).max(0.0);
        let lags = length / 2;
        self.correlation.clear();
        let transformed = self.plain.transform(&self.mirrored, &self.all_ones);
        // The mean of the spectrum was taken off: that is the zero lag alone.
        self.correlation.push(1.0);
        let mut both = 2.0 * total;
        for lag in 1..=lags {
            let (first, last) = (frame[lag - 1] - mean, frame[length - lag] - mean);
            // The energy of the two overlapping parts, not of the whole frame.
            both -= first * first + last * last;
            let raw = transformed[lag].re * scale;
            self.correlation.push(2.0 * raw / both.max(1e-12));
        }
    }

    /// The peaks of the autocorrelation, with their lags between samples.
    fn propose(&mut self) {
        let n = &self.correlation;
        self.proposals.clear();
        let shortest = ((self.rate / 4_400.0) as usize).max(2);
        let Some(fallen) = n.iter().position(|v| *v < 0.0) else {
            return;
        };
        for lag in fallen.max(shortest)..n.len() - 1 {
            let (l, c, r) = (n[lag - 1], n[lag], n[lag + 1]);
            if c > 0.25 && c >= l && c > r {
                let curve = l - 2.0 * c + r;
                let between = if curve < -1e-9 {
                    (0.5 * (l - r) / curve).clamp(-0.5, 0.5)
                } else {
                    0.0
                };
                let top = c - 0.25 * (l - r) * between;
                self.proposals.push((top, lag as f64 + f64::from(between)));
            }
        }
        // Of a steady tone every multiple of its period is a peak as high: the shortest lags come first.
        let highest = self.proposals.iter().map(|p| p.0).fold(0.0, f32::max);
        self.proposals.retain(|p| p.0 >= WORTH * highest);
        self.proposals.truncate(PROPOSALS);
    }
}

/// Index of the key nearest to `frequency`.
fn nearest_key(frequency: f64, grid: &Grid) -> usize {
    let guess = 48.0 + 12.0 * (frequency / grid.keys[48].first).log2();
    (guess.round().max(0.0) as usize).min(KEYS - 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::Reference;

    #[test]
    fn harmonic_tones_over_the_compass_are_found_within_three_cents() {
        let grid = Grid::new(Reference::default(), None);
        for (rate, low) in [(22_050.0, 27.5), (24_000.0, 27.5), (16_000.0, 27.5)] {
            let mut finder = PitchFinder::new(rate, 0.2);
            for step in 0..29 {
                let first = low * f64::exp2(f64::from(step) / 4.0);
                let frame: Vec<f32> = (0..finder.length())
                    .map(|i| {
                        let t = i as f64 / rate;
                        (1..=10)
                            .filter(|n| f64::from(*n) * first < 0.45 * rate)
                            .map(|n| {
                                let n = f64::from(n);
                                0.1 * (std::f64::consts::TAU * n * first * t + n * n).sin() / n
                            })
                            .sum::<f64>() as f32
                    })
                    .collect();
                let found = finder.estimate(&frame, &grid);
                let cents = found.map(|e| 1200.0 * (e.frequency / first).log2());
                assert!(
                    cents.is_some_and(|c| c.abs() < 3.0),
                    "{rate} {first}: {found:?}"
                );
            }
        }
    }

    #[test]
    fn silence_and_noise_have_no_pitch() {
        let grid = Grid::new(Reference::default(), None);
        let mut finder = PitchFinder::new(22_050.0, 0.07);
        assert_eq!(finder.estimate(&vec![0.0; finder.length()], &grid), None);
        let mut seed = 7_u32;
        let noise: Vec<f32> = (0..finder.length())
            .map(|_| {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (seed >> 8) as f32 / (1 << 24) as f32 - 0.5
            })
            .collect();
        assert_eq!(finder.estimate(&noise, &grid), None);
    }
}
