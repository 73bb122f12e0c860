//! Which key, from the sound after an onset.
//! In: the onset, the sound around it, how much of it to use. Out: the best key with its margin over the second in nats.
//! The window starts at the onset and grows; what sounded before the onset is taken off.

use super::super::spectrum::{Spectrum, hann, tukey};
use super::comb::{Fit, Relief, coarse, fit, line_contrast};
use super::grid::{Grid, KEYS, along, key};

/// The early window: the line of a treble string is strongest there.
const EARLY_S: f64 = 0.06;
/// Keys that are looked at in full: the best of a quick look at the whole spectrum, and the best by their line alone.
const KEPT_BY_COMB: usize = 13;
const KEPT: usize = 18;

/// Nats per feature, by key; between keys on a straight line. Fitted as a multinomial logit on recordings of two pianos.
const WEIGHTED_KEYS: [f64; 5] = [21.0, 40.0, 64.0, 88.0, 108.0];
const WEIGHTS: [[f64; 5]; FEATURES] = [
    [23.6, 29.7, 31.8, 14.4, 15.5],
    [5.4, 21.0, 17.2, 17.5, 14.7],
    [-3.4, -0.7, 1.9, -1.6, -4.6],
    [-3.7, 2.3, -2.7, 0.7, -0.3],
    [-2.1, -0.9, 0.8, 1.0, 1.1],
    [2.2, -0.9, 3.8, 7.4, 7.9],
    [7.3, 1.5, 0.0, 0.9, 5.1],
];
/// Ranges the features are held to.
const LIMITS: [(f32, f32); FEATURES] = [
    (-0.02, 0.57),
    (-0.04, 0.56),
    (0.0, 1.0),
    (-0.12, 0.69),
    (-1.0, 2.0),
    (-0.19, 0.70),
    (1.0, 1.0),
];
/// Contrast of the flat window and of the round one, mistuning, line of the round one, height of the first partial over
/// its surroundings (log₁₀), line of the early window, and 1.
const FEATURES: usize = 7;

/// What one window says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Verdict {
    /// 0 is A0.
    pub(super) key: usize,
    /// The best key's fit in the flat window.
    pub(super) fit: Fit,
    /// Its line in the early window.
    pub(super) line: f32,
    /// Nats between it and the second.
    pub(super) margin: f32,
    /// Power since the onset against power before it, decibels.
    pub(super) rise_db: f32,
    /// The first partial, hertz.
    pub(super) first: f64,
}

/// A window's new power, and the same in relief.
#[derive(Debug)]
struct Slot {
    power: Vec<f32>,
    relief: Relief,
}

/// Scores windows.
#[derive(Debug)]
pub(super) struct Decider {
    grid: Grid,
    weights: Vec<[f32; FEATURES]>,
    spectrum: Spectrum,
    before: Vec<f32>,
    flat: Slot,
    round: Slot,
    early: Slot,
    windows: Vec<(Vec<f32>, Vec<f32>)>,
    rate: f64,
    bin: f64,
}

impl Decider {
    pub(super) fn new(grid: Grid, rate: f64) -> Decider {
        // Bins of 2.7 to 4 Hz: as good as narrower ones, since a line is 8 Hz wide or more.
        let size = ((rate / 4.1) as usize).next_power_of_two();
        let spectrum = Spectrum::new(size);
        let bins = spectrum.bins();
        let bin = rate / size as f64;
        let slot = || Slot {
            power: vec![0.0; bins],
            relief: Relief::new(bin, bins),
        };
        let weights = (0..KEYS)
            .map(|k| {
                WEIGHTS.map(|row| {
                    let points: [(f64, f64); 5] =
                        std::array::from_fn(|i| (WEIGHTED_KEYS[i], row[i]));
                    along(&points, f64::from(key(k).0)) as f32
                })
            })
            .collect();
        Decider {
            grid,
            weights,
            before: vec![0.0; bins],
            flat: slot(),
            round: slot(),
            early: slot(),
            spectrum,
            windows: Vec::new(),
            rate,
            bin,
        }
    }

    /// Fills a slot with what is new in `after` against `before`, which is equally long. Gives the power of both.
    fn fill(
        &mut self,
        which: fn(&mut Decider) -> &mut Slot,
        round: bool,
        before: &[f32],
        after: &[f32],
    ) -> Option<(f32, f32)> {
        let length = after.len();
        if !self.windows.iter().any(|w| w.0.len() == length) {
            self.windows.push((tukey(length, 0.25), hann(length)));
        }
        let (flat_window, round_window) = self.windows.iter().find(|w| w.0.len() == length)?;
        let window = if round { round_window } else { flat_window };
        self.spectrum.power(before, window, &mut self.before);
        let mut power = std::mem::take(&mut which(self).power);
        let window = self.windows.iter().find(|w| w.0.len() == length)?;
        let window = if round { &window.1 } else { &window.0 };
        self.spectrum.power(after, window, &mut power);
        let sums = (self.before.iter().sum(), power.iter().sum());
        for (after, before) in power.iter_mut().zip(&self.before) {
            *after = (*after - before).max(0.0);
        }
        let seconds = length as f64 / self.rate;
        let slot = which(self);
        slot.power = power;
        slot.relief.set(&slot.power, seconds).then_some(sums)
    }

    /// Scores `after`, the sound from the onset on, against `before`, as much sound up to the onset.
    /// `shift` moves the whole grid, in cents.
    pub(super) fn judge(&mut self, before: &[f32], after: &[f32], shift: f64) -> Option<Verdict> {
        let early = ((EARLY_S * self.rate) as usize).min(after.len());
        let skip = before.len() - early;
        self.fill(|d| &mut d.early, true, &before[skip..], &after[..early])?;
        self.fill(|d| &mut d.round, true, before, after)?;
        let (was, is) = self.fill(|d| &mut d.flat, false, before, after)?;
        let scored: Vec<(f32, usize, Fit, f32)> = self
            .shortlist(shift)
            .into_iter()
            .map(|key| self.score(key, shift))
            .collect();
        let best = *scored.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
        let second = scored
            .iter()
            .filter(|s| s.1 != best.1)
            .map(|s| s.0)
            .fold(f32::MIN, f32::max);
        Some(Verdict {
            key: best.1,
            fit: best.2,
            line: best.3,
            margin: best.0 - second,
            rise_db: 10.0 * (is / was.max(1e-12)).log10(),
            first: self.first_partial(best.1, &best.2, shift),
        })
    }

    /// The keys worth a full look. The right one is among them in all recordings tried.
    fn shortlist(&self, shift: f64) -> Vec<usize> {
        let mut by_comb = Vec::with_capacity(KEYS);
        let mut by_line = Vec::with_capacity(KEYS);
        for key in 0..KEYS {
            let w = &self.weights[key];
            let flat = coarse(&self.grid, &self.flat.relief, key, shift);
            let early = coarse(&self.grid, &self.early.relief, key, shift);
            let line = line_contrast(&self.grid, &self.early.relief, key, &early, shift);
            by_comb.push(((w[0] + w[1]) * flat.contrast + w[6], key));
            by_line.push((line, key));
        }
        by_comb.sort_by(|a, b| b.0.total_cmp(&a.0));
        by_line.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut kept: Vec<usize> = by_comb[..KEPT_BY_COMB].iter().map(|c| c.1).collect();
        for (_, key) in by_line {
            if kept.len() == KEPT {
                break;
            }
            if !kept.contains(&key) {
                kept.push(key);
            }
        }
        kept
    }

    /// Nats of one key, with its fit in the flat window and its early line.
    fn score(&self, key: usize, shift: f64) -> (f32, usize, Fit, f32) {
        let flat = fit(&self.grid, &self.flat.relief, key, shift);
        let round = fit(&self.grid, &self.round.relief, key, shift);
        let early = fit(&self.grid, &self.early.relief, key, shift);
        let early_line = line_contrast(&self.grid, &self.early.relief, key, &early, shift);
        let first = round.first(&self.grid.keys[key], shift);
        let features = [
            flat.contrast,
            round.contrast,
            (round.off / 50.0) * (round.off / 50.0),
            line_contrast(&self.grid, &self.round.relief, key, &round, shift),
            self.height(first),
            early_line,
            1.0,
        ];
        let nats = (0..FEATURES)
            .map(|i| self.weights[key][i] * features[i].clamp(LIMITS[i].0, LIMITS[i].1))
            .sum();
        (nats, key, flat, early_line)
    }

    /// Power of the round window at `frequency` over the mean around it, log₁₀.
    fn height(&self, frequency: f64) -> f32 {
        let power = &self.round.power;
        let reach = (0.12 * frequency).max(60.0);
        let low = ((frequency - reach).max(0.0) / self.bin) as usize;
        let high = (((frequency + reach) / self.bin) as usize).min(power.len());
        let around = &power[low.min(high)..high];
        let mean = around.iter().sum::<f32>() / around.len().max(1) as f32;
        let at = power[((frequency / self.bin).round() as usize).min(power.len() - 1)];
        (at.max(1e-20) / mean.max(1e-20)).log10()
    }

    /// The first partial as the strongest of the low partials tell it, hertz.
    fn first_partial(&self, key: usize, fit: &Fit, shift: f64) -> f64 {
        let comb = &self.grid.keys[key];
        let placed = fit.first(comb, shift);
        let power = &self.round.power;
        let (mut sum, mut weights) = (0.0, 0.0);
        for n in 1..=comb.count.min(6) {
            let ratio = f64::from(comb.ratios[fit.stiffness][2 * n - 1]);
            let expected = ratio * placed;
            let low = ((expected * 0.975 / self.bin) as usize).max(1);
            let high = ((expected * 1.025 / self.bin).ceil() as usize).min(power.len() - 2);
            let Some(top) = (low..=high).max_by(|a, b| power[*a].total_cmp(&power[*b])) else {
                continue;
            };
            let log = |b: usize| f64::from(power[b].max(1e-20).ln());
            let (l, c, r) = (log(top - 1), log(top), log(top + 1));
            let curve = l - 2.0 * c + r;
            if curve > -1e-9 {
                continue;
            }
            let between = (0.5 * (l - r) / curve).clamp(-0.5, 0.5);
            // An error of some hertz weighs less on a higher partial.
            let weight = f64::from(power[top].sqrt().sqrt()) * (n as f64).sqrt();
            sum += weight * ((top as f64 + between) * self.bin / ratio).ln();
            weights += weight;
        }
        if weights > 0.0 {
            (sum / weights).exp()
        } else {
            placed
        }
    }
}
