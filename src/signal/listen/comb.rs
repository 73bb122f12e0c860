//! How well each key's comb of partials fits a spectrum.
//! In: the power that is new since the onset. Out: a contrast per key: square roots of the magnitude at the partials less
//! those half-way between them, against the root of all energy. The half-way points settle the octave.

use super::grid::{Grid, KeyGrid, STIFFNESS};

/// Mistuning tried to each side, cents.
const REACH: usize = 50;
const STEP: usize = 10;
/// Contrast taken off a key that must be mistuned by 50 cents to fit.
const OFF_PENALTY: f32 = 0.0225;

/// A spectrum ready for combs: square roots of magnitudes against the largest bin.
#[derive(Debug)]
pub(super) struct Relief {
    roots: Vec<f32>,
    magnitudes: Vec<f32>,
    /// Energy (squared magnitude) of this bin and all above.
    energy_above: Vec<f32>,
    /// Hertz per bin.
    bin: f64,
    seconds: f32,
    norm: f32,
}

impl Relief {
    pub(super) fn new(bin: f64, bins: usize) -> Relief {
        Relief {
            roots: vec![0.0; bins],
            magnitudes: vec![0.0; bins],
            energy_above: vec![0.0; bins + 1],
            bin,
            seconds: 1.0,
            norm: 1.0,
        }
    }

    /// Takes the power of each bin, from a window of `seconds`. False if there is none.
    pub(super) fn set(&mut self, power: &[f32], seconds: f64) -> bool {
        let lowest = (22.0 / self.bin).ceil() as usize;
        let loudest = power[(25.0 / self.bin) as usize..]
            .iter()
            .copied()
            .fold(0.0, f32::max);
        if loudest <= 0.0 {
            return false;
        }
        let scale = loudest.recip();
        let top = ((5_000.0 / self.bin) as usize).min(power.len());
        for bin in (0..power.len()).rev() {
            let share = if bin < lowest {
                0.0
            } else {
                power[bin] * scale
            };
            self.magnitudes[bin] = share.sqrt();
            self.roots[bin] = self.magnitudes[bin].sqrt();
            self.energy_above[bin] = self.energy_above[bin + 1] + share;
        }
        let energy: f32 = self.magnitudes[..top].iter().sum();
        self.seconds = seconds as f32;
        self.norm = self.against(energy);
        true
    }

    fn against(&self, energy: f32) -> f32 {
        (self.seconds * energy * self.bin as f32)
            .sqrt()
            .max(1e-6)
            .recip()
    }

    /// Sum of a comb's weights times `values` at its positions.
    fn sum(&self, values: &[f32], ratios: &[f32], weights: &[f32], first: f64) -> f32 {
        let scale = (first / self.bin) as f32;
        ratios
            .iter()
            .zip(weights)
            .map(|(ratio, weight)| weight * between(values, ratio * scale))
            .sum()
    }
}

/// Value at `position` in bins, between bins on a straight line; 0 beyond the end.
#[inline]
fn between(values: &[f32], position: f32) -> f32 {
    let low = position as usize;
    match values.get(low..low + 2) {
        Some(pair) => pair[0] + (pair[1] - pair[0]) * (position - low as f32),
        None => 0.0,
    }
}

/// A key's best fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fit {
    pub(super) contrast: f32,
    /// Cents from the grid at which it fits best.
    pub(super) off: f32,
    /// Index into [`STIFFNESS`].
    pub(super) stiffness: usize,
}

impl Fit {
    /// The first partial of `comb` as this fit places it; the grid is moved by `shift` cents.
    pub(super) fn first(&self, comb: &KeyGrid, shift: f64) -> f64 {
        comb.first * ((shift + f64::from(self.off)) / 1200.0).exp2()
    }
}

/// The best fit of one comb over mistunings of ±`reach` in steps of `step` and over the stiffnesses given.
fn best_of(
    relief: &Relief,
    comb: &KeyGrid,
    weights: &[f32],
    shift: f64,
    (reach, step): (usize, usize),
    stiffness: impl Iterator<Item = usize> + Clone,
) -> Fit {
    let mut best = Fit {
        contrast: f32::MIN,
        off: 0.0,
        stiffness: 0,
    };
    let reach = reach as i32;
    for off in (-reach..=reach).step_by(step) {
        let first = comb.first * ((shift + f64::from(off)) / 1200.0).exp2();
        let off = off as f32;
        let penalty = OFF_PENALTY * (off / 50.0) * (off / 50.0);
        for s in stiffness.clone() {
            let sum = relief.sum(&relief.roots, &comb.ratios[s], weights, first);
            let value = sum * relief.norm - penalty;
            if value > best.contrast {
                best = Fit {
                    contrast: value,
                    off,
                    stiffness: s,
                };
            }
        }
    }
    best
}

/// A quick look at one key: three places, one stiffness, 12 partials.
pub(super) fn coarse(grid: &Grid, relief: &Relief, key: usize, shift: f64) -> Fit {
    let comb = &grid.keys[key];
    let weights = grid.weights(comb.count.min(12));
    best_of(relief, comb, weights, shift, (30, 30), 0..1)
}

/// The best fit of one key; the whole grid is moved by `shift` cents.
pub(super) fn fit(grid: &Grid, relief: &Relief, key: usize, shift: f64) -> Fit {
    let comb = &grid.keys[key];
    let weights = grid.weights(comb.count);
    best_of(
        relief,
        comb,
        weights,
        shift,
        (REACH, STEP),
        0..STIFFNESS.len(),
    )
}

/// The contrast of plain magnitudes where `fit` places the key, against the energy from 0.7 of its first partial up:
/// a treble string's line under a loud knock.
pub(super) fn line_contrast(
    grid: &Grid,
    relief: &Relief,
    key: usize,
    fit: &Fit,
    shift: f64,
) -> f32 {
    let comb = &grid.keys[key];
    let first = fit.first(comb, shift);
    let from = ((0.7 * first / relief.bin) as usize).min(relief.magnitudes.len());
    let ratios = &comb.ratios[fit.stiffness];
    let sum = relief.sum(&relief.magnitudes, ratios, grid.weights(comb.count), first);
    sum * relief.against(relief.energy_above[from])
}
