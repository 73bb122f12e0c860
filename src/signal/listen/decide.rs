//! Which key, from the sound after an onset.
//! In: the sound around the onset. Out: the best key with its margin over the second in nats.
//! The window starts at the onset and grows; what rang before the onset is taken off.

use super::comb::{Fit, beside, coarse, fit, line_contrast};
use super::company;
use super::grid::{Grid, KEYS, STIFFNESS, along, inharmonicity, key};
use super::measure::first_partial;
use super::window::{Analyser, Scene, Shape, Slot};

/// The early window: the line of a treble string is strongest there.
const EARLY_S: f64 = 0.06;
/// Keys that are looked at in full: the best of a quick look at the whole spectrum, and the best by their line alone.
const KEPT_BY_COMB: usize = 13;
const KEPT: usize = 18;

/// Periods in a window at which its measured first partial counts as much as what is expected.
const FEW_PERIODS: f64 = 4.0;

/// Nats per feature, by key; between keys on a straight line. Fitted as a multinomial logit on recordings of two pianos.
const WEIGHTED_KEYS: [f64; 5] = [21.0, 40.0, 64.0, 88.0, 108.0];
#[rustfmt::skip]
const WEIGHTS: [[f64; 5]; FEATURES] = [
    [37.3, 43.8, 32.1, 21.0, 13.4],
    [5.8, 11.9, 22.4, 20.3, 12.4],
    [-1.6, -3.3, -2.4, -2.1, -0.1],
    [-0.8, -0.0, 4.5, -2.4, 2.0],
    [-1.0, -0.2, -0.6, 1.0, -0.4],
    [3.1, -0.1, 8.8, 3.1, 11.5],
    [-1.2, -1.4, -1.8, -0.7, -1.0],
    [1.1, 0.5, -0.1, 1.6, 1.0],
    [3.4, -0.9, -8.2, 0.9, 4.0],
];
/// Ranges the features are held to.
const LIMITS: [(f32, f32); FEATURES] = [
    (-0.02, 0.57),
    (-0.04, 0.56),
    (0.0, 1.0),
    (-0.12, 0.69),
    (-1.0, 2.0),
    (-0.19, 0.70),
    (-1.0, 2.5),
    (-2.0, 0.0),
    (1.0, 1.0),
];
/// Contrast of the flat window and of the round one, mistuning, line of the round one, height of the first partial over
/// its surroundings (log₁₀), line of the early window, height of the first partial in the early window, the same against
/// the strongest line from 0.7 of it up (log₁₀), and 1.
const FEATURES: usize = 9;

/// What one window says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Verdict {
    /// 0 is A0.
    pub(super) key: usize,
    /// The best key's fit in the flat window.
    pub(super) flat: Fit,
    /// Its fit in the round window.
    pub(super) round: Fit,
    /// Its line in the early window.
    pub(super) line: Line,
    /// Nats between it and the second.
    pub(super) margin: f32,
    /// The second key.
    pub(super) second: usize,
    /// Nats between it and the best of the keys that are not beside it.
    pub(super) lead: f32,
}

/// The first partial as a line of the early window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    /// Contrast of plain magnitudes, the knock left out.
    pub(super) contrast: f32,
    /// Height over the mean around it, log₁₀.
    pub(super) height: f32,
    /// Against the strongest from 0.7 of it up, log₁₀.
    pub(super) lead: f32,
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
    early_is_round: bool,
    onset: usize,
    early_fits: Vec<Option<Line>>,
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
            early_is_round: false,
            onset: 0,
            early_fits: vec![None; KEYS],
            rate,
        }
    }

    /// Turns to the onset at `sample`; what was kept of another is forgotten.
    pub(super) fn turn_to(&mut self, sample: usize) {
        if self.onset != sample {
            self.onset = sample;
            self.early_length = 0;
        }
    }

    /// Scores the keys on `scene`. `None` if nothing is new.
    pub(super) fn judge(&mut self, scene: &Scene<'_>) -> Option<Verdict> {
        let length = scene.after.len();
        let early = ((EARLY_S * self.rate) as usize).min(length);
        if early != self.early_length || self.early_is_round && early != length {
            // Up to its length the round window is the early one; the next is longer.
            self.early_is_round = early == length;
            if !self.early_is_round {
                let part = scene.part(0.0, (early as f64 + 0.5) / length as f64);
                if !self.analyser.fill(&mut self.early, Shape::Round, &part) {
                    return None;
                }
                self.early.relief.refine();
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
        self.round.relief.refine();
        self.flat.relief.refine();
        let mut best: Option<(f32, Verdict)> = None;
        let (mut second, mut second_key) = (f32::MIN, 0);
        let mut all = Vec::with_capacity(KEPT);
        for key in self.shortlist() {
            let (nats, mut verdict) = self.score(key);
            all.push((key, nats));
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
            lead: nats
                - all
                    .iter()
                    .filter(|(key, _)| key.abs_diff(verdict.key) > 1)
                    .map(|(_, nats)| *nats)
                    .fold(f32::MIN, f32::max),
            ..verdict
        })
    }

    /// The early window.
    fn early(&self) -> &Slot {
        if self.early_is_round {
            &self.round
        } else {
            &self.early
        }
    }

    /// The keys worth a full look.
    fn shortlist(&self) -> Vec<usize> {
        let relief = &self.early().relief;
        let mut by_comb = Vec::with_capacity(KEYS);
        let mut by_line = Vec::with_capacity(KEYS);
        for key in 0..KEYS {
            let w = &self.weights[key];
            let flat = coarse(&self.grid, &self.flat.relief, key);
            let early = coarse(&self.grid, relief, key);
            let line = line_contrast(&self.grid, relief, key, &early);
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
                let slot = self.early();
                let early = fit(&self.grid, &slot.relief, key);
                let first = early.first(&self.grid.keys[key]);
                let line = Line {
                    contrast: line_contrast(&self.grid, &slot.relief, key, &early),
                    height: height(slot, first),
                    lead: lead(slot, first),
                };
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
            height(&self.round, first),
            line.contrast,
            line.height,
            line.lead,
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
            lead: 0.0,
        };
        (nats, verdict)
    }

    /// How strong the lines of a key within a tone of `verdict`'s are beside its own in the flat window, 0 and up.
    pub(super) fn company(&self, verdict: &Verdict) -> f32 {
        [-2_isize, -1, 1, 2]
            .into_iter()
            .filter_map(|step| verdict.key.checked_add_signed(step))
            .filter(|other| *other < KEYS)
            .filter_map(|other| {
                let relief = &self.round.relief;
                beside(&self.grid, relief, verdict.key, &verdict.round, other)
            })
            .fold(0.0, f32::max)
    }

    /// Whether more keys than that of `verdict` seem to have been struck, a third and more away from it or from each other;
    /// `among` as in [`company::excess`].
    pub(super) fn is_chord(&self, verdict: &Verdict, among: (f32, f32, f64)) -> bool {
        company::excess(&self.grid, &self.round.relief, verdict, among) > 0.0
    }

    /// Where the first partial of `verdict`'s key is likeliest, if `measured` in the round window: both hertz.
    pub(super) fn likeliest(&self, verdict: &Verdict, measured: f64) -> f64 {
        let expected = self.grid.keys[verdict.key].first;
        let trust = trust(measured * self.round.seconds);
        expected * (measured / expected).powf(trust)
    }

    /// The first partial of `verdict`'s key as its partials in the round window tell it, hertz.
    pub(super) fn first_partial(&self, verdict: &Verdict) -> f64 {
        let comb = &self.grid.keys[verdict.key];
        let b = STIFFNESS[verdict.round.stiffness] * inharmonicity(f64::from(key(verdict.key).0));
        first_partial(
            &self.round.power,
            self.round.bin,
            verdict.round.first(comb),
            b,
            comb.count,
        )
    }
}

/// How much a measured first partial counts beside the place its key is expected in, when the window held `periods` of it:
/// in two of them partials are not told apart. On 146 notes below E1 the error of what is told first fell from
/// 19.5 to 12.4 cents (root mean square, against what 0.25 s of them tell).
fn trust(periods: f64) -> f64 {
    1.0 / (1.0 + (FEW_PERIODS / periods).powi(2))
}

/// New power at `frequency` over the mean around it, log₁₀.
fn height(slot: &Slot, frequency: f64) -> f32 {
    let Slot { fresh, bin, .. } = slot;
    let reach = (0.12 * frequency).max(60.0);
    let high = (((frequency + reach) / bin) as usize).min(fresh.len());
    let low = (((frequency - reach).max(0.0) / bin) as usize).min(high);
    let around = &fresh[low..high];
    let mean = around.iter().sum::<f32>() / around.len().max(1) as f32;
    let at = fresh[((frequency / bin).round() as usize).min(fresh.len() - 1)];
    (at.max(1e-20) / mean.max(1e-20)).log10()
}

/// New power at `frequency` over the greatest from 0.7 of it up, log₁₀.
fn lead(slot: &Slot, frequency: f64) -> f32 {
    let from = ((0.7 * frequency / slot.bin) as usize).min(slot.fresh.len() - 1);
    let most = slot.fresh[from..].iter().copied().fold(1e-20, f32::max);
    (Slot::peak(&slot.fresh, slot.bin, frequency).max(1e-20) / most).log10()
}
