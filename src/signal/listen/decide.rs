//! Which key, from the sound after an onset.
//! In: the sound around the onset. Out: the best key with its margin over the second in nats.
//! The window starts at the onset and grows; what rang before the onset is taken off.

use super::comb::{Fit, coarse, fit, line_contrast};
use super::grid::{Grid, KEYS, along, key};
use super::window::{Analyser, Scene, Shape, Slot};

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
    pub(super) flat: Fit,
    /// Its fit in the round window.
    pub(super) round: Fit,
    /// Its line in the early window, as contrast.
    pub(super) line: f32,
    /// Nats between it and the second.
    pub(super) margin: f32,
    /// The second key.
    pub(super) second: usize,
}

/// Scores windows.
#[derive(Debug)]
pub(super) struct Decider {
    pub(super) grid: Grid,
    weights: Vec<[f32; FEATURES]>,
    pub(super) analyser: Analyser,
    pub(super) flat: Slot,
    pub(super) round: Slot,
    early: Slot,
    /// Length of the sound in the early window, and what it says of each key; kept until the onset changes.
    early_length: usize,
    early_fits: Vec<Option<f32>>,
    rate: f64,
}

impl Decider {
    /// A decider for `rate` samples a second.
    pub(super) fn new(grid: Grid, rate: f64) -> Decider {
        let analyser = Analyser::new(rate);
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
            flat: analyser.slot(),
            round: analyser.slot(),
            early: analyser.slot(),
            analyser,
            early_length: 0,
            early_fits: vec![None; KEYS],
            rate,
        }
    }

    /// Forgets the onset looked at: the next scene has another.
    pub(super) fn restart(&mut self) {
        self.early_length = 0;
    }

    /// Scores the keys on `scene`. `None` if nothing is new.
    pub(super) fn judge(&mut self, scene: &Scene<'_>) -> Option<Verdict> {
        let length = scene.after.len();
        let early = ((EARLY_S * self.rate) as usize).min(length);
        if early != self.early_length {
            let part = scene.part(0.0, (early as f64 + 0.5) / length as f64);
            if !self.analyser.fill(&mut self.early, Shape::Round, &part) {
                return None;
            }
            self.early_length = early;
            self.early_fits.fill(None);
        }
        let shown = self.analyser.fill(&mut self.round, Shape::Round, scene)
            && self.analyser.fill(&mut self.flat, Shape::Flat, scene);
        if !shown {
            self.early_length = 0;
            return None;
        }
        let mut best: Option<(f32, Verdict)> = None;
        let (mut second, mut second_key) = (f32::MIN, 0);
        for key in self.shortlist() {
            let (nats, mut verdict) = self.score(key);
            match best {
                Some((most, _)) if most >= nats => {
                    if nats > second {
                        (second, second_key) = (nats, key);
                    }
                }
                _ => {
                    if let Some((most, old)) = best {
                        (second, second_key) = (most, old.key);
                    }
                    verdict.margin = nats;
                    best = Some((nats, verdict));
                }
            }
        }
        best.map(|(nats, verdict)| Verdict {
            margin: nats - second,
            second: second_key,
            ..verdict
        })
    }

    /// The keys worth a full look.
    fn shortlist(&self) -> Vec<usize> {
        let mut by_comb = Vec::with_capacity(KEYS);
        let mut by_line = Vec::with_capacity(KEYS);
        for key in 0..KEYS {
            let w = &self.weights[key];
            let flat = coarse(&self.grid, &self.flat.relief, key);
            let early = coarse(&self.grid, &self.early.relief, key);
            let line = line_contrast(&self.grid, &self.early.relief, key, &early);
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

    /// Nats of one key, with its fits; the margin is filled in later.
    fn score(&mut self, key: usize) -> (f32, Verdict) {
        let flat = fit(&self.grid, &self.flat.relief, key);
        let round = fit(&self.grid, &self.round.relief, key);
        let line = match self.early_fits[key] {
            Some(line) => line,
            None => {
                let early = fit(&self.grid, &self.early.relief, key);
                let line = line_contrast(&self.grid, &self.early.relief, key, &early);
                self.early_fits[key] = Some(line);
                line
            }
        };
        let first = round.first(&self.grid.keys[key]);
        let features = [
            flat.contrast,
            round.contrast,
            (round.off / 50.0) * (round.off / 50.0),
            line_contrast(&self.grid, &self.round.relief, key, &round),
            self.height(first),
            line,
            1.0,
        ];
        let nats = (0..FEATURES)
            .map(|i| self.weights[key][i] * features[i].clamp(LIMITS[i].0, LIMITS[i].1))
            .sum();
        let verdict = Verdict {
            key,
            flat,
            round,
            line,
            margin: 0.0,
            second: key,
        };
        (nats, verdict)
    }

    /// New power of the round window at `frequency` over the mean around it, log₁₀.
    fn height(&self, frequency: f64) -> f32 {
        let Slot { fresh, bin, .. } = &self.round;
        let reach = (0.12 * frequency).max(60.0);
        let high = (((frequency + reach) / bin) as usize).min(fresh.len());
        let low = (((frequency - reach).max(0.0) / bin) as usize).min(high);
        let around = &fresh[low..high];
        let mean = around.iter().sum::<f32>() / around.len().max(1) as f32;
        let at = fresh[((frequency / bin).round() as usize).min(fresh.len() - 1)];
        (at.max(1e-20) / mean.max(1e-20)).log10()
    }

    /// The first partial as the strongest of the low partials tell it, hertz.
    pub(super) fn first_partial(&self, verdict: &Verdict) -> f64 {
        let comb = &self.grid.keys[verdict.key];
        let placed = verdict.round.first(comb);
        let power = &self.round.power;
        let bin = self.round.bin;
        let (mut sum, mut weights) = (0.0, 0.0);
        for n in 1..=comb.count.min(6) {
            let ratio = f64::from(comb.ratios[verdict.round.stiffness][2 * n - 1]);
            let expected = ratio * placed;
            let low = ((expected * 0.98 / bin) as usize).max(1);
            let high = ((expected * 1.02 / bin).ceil() as usize).min(power.len() - 2);
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
            sum += weight * ((top as f64 + between) * bin / ratio).ln();
            weights += weight;
        }
        if weights > 0.0 {
            (sum / weights).exp()
        } else {
            placed
        }
    }
}
