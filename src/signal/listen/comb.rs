//! How well each key's comb of partials fits a spectrum.
//! In: the power that is new since the onset. Out: a contrast per key: square roots of the magnitude at the partials less
//! those half-way between them, against the root of all energy. The half-way points settle the octave.

use std::sync::LazyLock;

use super::grid::{Grid, KeyGrid, STIFFNESS};

/// Mistuning tried to each side, cents, and in steps of.
const REACH: i32 = 50;
const STEP: i32 = 10;
/// Places tried, and those of a quick look among them: 30 cents to each side.
const PLACES: usize = 11;
const QUICK: [usize; 3] = [2, 5, 8];
/// What lies between two places: the fine spectrum has so many values to a step, 0.6 cents apart.
const PHASES: usize = 16;
/// The fine spectrum begins at so many hertz, where there is nothing yet, and has so many steps: up to 16 kHz.
const LOWEST: f64 = 20.0;
const STEPS: usize = 1160;
/// Values of the fine spectrum to an octave.
pub(super) const PER_OCTAVE: f64 = (PHASES as i32 * 1200 / STEP) as f64;
/// Contrast taken off a key that must be mistuned by 50 cents to fit.
const OFF_PENALTY: f32 = 0.0225;
/// Lines this far apart, over the window's length, are two; partials looked at to tell two keys apart, and how many of those
/// that are far enough apart count and must be there.
const LOBES: f64 = 2.0;
const COMPARED: usize = 24;
const ENOUGH: usize = 10;
const LEAST: usize = 2;

/// A spectrum ready for combs: square roots of magnitudes against the largest bin.
#[derive(Debug, Default)]
pub(super) struct Relief {
    roots: Vec<f32>,
    magnitudes: Vec<f32>,
    /// Energy (squared magnitude) of this bin and all above.
    energy_above: Vec<f32>,
    /// Hertz per bin.
    bin: f64,
    seconds: f32,
    norm: f32,
    /// The roots over logarithmic frequency: all values of the first phase, a step apart, then those of the next. Moving a
    /// comb by a step is then moving along by one.
    fine: Vec<f32>,
}

/// From this number on floats are whole.
const FLOAT_WHOLE: f32 = 8_388_608.0;

/// Where the values of a fine spectrum lie, hertz.
static FINE_AT: LazyLock<Vec<f32>> = LazyLock::new(|| {
    (0..PHASES * STEPS)
        .map(|i| {
            let place = (i % STEPS) * PHASES + i / STEPS;
            (LOWEST * (place as f64 / PER_OCTAVE).exp2()) as f32
        })
        .collect()
});

impl Relief {
    /// Takes the power of each bin, `bin` hertz wide, from a window of `seconds`. False if there is none.
    pub(super) fn set(&mut self, power: &[f32], bin: f64, seconds: f64) -> bool {
        self.bin = bin;
        self.seconds = seconds as f32;
        let lowest = (22.0 / bin).ceil() as usize;
        let loudest = power[(25.0 / bin) as usize..]
            .iter()
            .copied()
            .fold(0.0, f32::max);
        if loudest <= 0.0 {
            return false;
        }
        let scale = loudest.recip();
        let top = ((5_000.0 / bin) as usize).min(power.len());
        self.roots.resize(power.len(), 0.0);
        self.magnitudes.resize(power.len(), 0.0);
        self.magnitudes[..lowest].fill(0.0);
        self.roots[..lowest].fill(0.0);
        let shown = self.magnitudes.iter_mut().zip(&mut self.roots).zip(power);
        for ((magnitude, root), power) in shown.skip(lowest) {
            *magnitude = (power * scale).sqrt();
            *root = magnitude.sqrt();
        }
        // The loudest bin counts wherever it lies: where all is hiss above 5 kHz there is no comb.
        let energy: f32 = self.magnitudes[..top].iter().sum();
        self.norm = self.against(energy.max(1.0));
        true
    }

    /// Root of the magnitude at `hz`.
    pub(super) fn at(&self, hz: f64) -> f32 {
        between(&self.roots, (hz / self.bin) as f32)
    }

    /// Length of the window, seconds.
    pub(super) fn seconds(&self) -> f64 {
        f64::from(self.seconds)
    }

    /// Hertz per bin.
    pub(super) fn bin(&self) -> f64 {
        self.bin
    }

    /// Readies it for [`fit`], [`coarse`], [`line_contrast`] and [`stiffness_evidence`].
    pub(super) fn refine(&mut self) {
        let scale = (self.bin as f32).recip();
        let roots = &self.roots;
        self.fine.clear();
        self.fine.extend(FINE_AT.iter().map(|hz| {
            let position = hz * scale;
            // A number so large has whole parts only: they come without the care that turning a float to a number takes.
            let low = position + (FLOAT_WHOLE - 0.5);
            let share = position - (low - FLOAT_WHOLE);
            let low = (low.to_bits() & (FLOAT_WHOLE as u32 - 1)) as usize;
            match roots.get(low..low + 2) {
                Some(pair) => pair[0] + (pair[1] - pair[0]) * share,
                None => 0.0,
            }
        }));
        self.energy_above.clear();
        self.energy_above.resize(self.magnitudes.len() + 1, 0.0);
        let mut above = 0.0;
        for (energy, magnitude) in self.energy_above.iter_mut().zip(&self.magnitudes).rev() {
            above += magnitude * magnitude;
            *energy = above;
        }
    }

    /// Sums of a comb's weights times the roots at its `places` (log₂ of multiples of `first`, in fine values), moved to each
    /// of [`PLACES`] and by `more` fine values.
    fn fan(&self, places: &[f32], weights: &[f32], first: f64, more: f32) -> [f32; PLACES] {
        let reach = (REACH / STEP * PHASES as i32) as f32;
        let start = ((first / LOWEST).log2() * PER_OCTAVE) as f32 - reach + more + 0.5;
        let mut sums = [0.0; PLACES];
        for (place, weight) in places.iter().zip(weights) {
            let at = (place + start) as usize;
            let from = at % PHASES * STEPS + at / PHASES;
            if at / PHASES + PLACES > STEPS {
                break;
            }
            if let Some(values) = self.fine[from..].first_chunk::<PLACES>() {
                for (sum, value) in sums.iter_mut().zip(values) {
                    *sum += weight * value;
                }
            }
        }
        sums
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
    /// The first partial of `comb` as this fit places it.
    pub(super) fn first(&self, comb: &KeyGrid) -> f64 {
        comb.first * (f64::from(self.off) / 1200.0).exp2()
    }
}

/// The best fit of one comb over the `places` (of [`PLACES`]), moved by `more` fine values, and over the stiffnesses given.
fn best_of(
    relief: &Relief,
    comb: &KeyGrid,
    weights: &[f32],
    (places, more): (impl Iterator<Item = usize> + Clone, usize),
    stiffness: impl Iterator<Item = usize>,
) -> Fit {
    let mut best = Fit {
        contrast: f32::MIN,
        off: 0.0,
        stiffness: 0,
    };
    for s in stiffness {
        let sums = relief.fan(&comb.places[s], weights, comb.first, more as f32);
        for place in places.clone() {
            let off =
                (place as i32 * STEP - REACH) as f32 + more as f32 * STEP as f32 / PHASES as f32;
            let penalty = OFF_PENALTY * (off / 50.0) * (off / 50.0);
            let contrast = sums[place] * relief.norm - penalty;
            if contrast > best.contrast {
                best = Fit {
                    contrast,
                    off,
                    stiffness: s,
                };
            }
        }
    }
    best
}

/// A quick look at one key: three places, one stiffness, 12 partials.
pub(super) fn coarse(grid: &Grid, relief: &Relief, key: usize) -> Fit {
    let comb = &grid.keys[key];
    let weights = grid.falling(comb.count.min(12));
    best_of(relief, comb, weights, (QUICK.into_iter(), 0), 0..1)
}

/// The best fit of one key.
pub(super) fn fit(grid: &Grid, relief: &Relief, key: usize) -> Fit {
    let comb = &grid.keys[key];
    let weights = grid.falling(comb.count);
    best_of(relief, comb, weights, (0..PLACES, 0), 0..STIFFNESS.len())
}

/// The contrast of plain magnitudes where `fit` places the key, against the energy from 0.7 of its first partial up:
/// a treble string's line under a loud knock.
pub(super) fn line_contrast(grid: &Grid, relief: &Relief, key: usize, fit: &Fit) -> f32 {
    let comb = &grid.keys[key];
    let first = fit.first(comb);
    let from = ((0.7 * first / relief.bin) as usize).min(relief.magnitudes.len());
    let ratios = &comb.ratios[fit.stiffness];
    let sum = relief.sum(&relief.magnitudes, ratios, grid.falling(comb.count), first);
    sum * relief.against(relief.energy_above[from])
}

/// How much better stiff strings explain a key's partials than soft ones do, as a share of the better: above 0 for a
/// piano, below for a voice. 0 for keys with too few partials.
pub(super) fn stiffness_evidence(grid: &Grid, relief: &Relief, key: usize) -> f32 {
    let comb = &grid.keys[key];
    if comb.count < 3 {
        return 0.0;
    }
    let weights = grid.level(comb.count.min(20));
    // Places half a step apart.
    let best = |stiffness: &[usize]| {
        let at = |places, more| {
            best_of(
                relief,
                comb,
                weights,
                (places, more),
                stiffness.iter().copied(),
            )
            .contrast
        };
        at(0..PLACES, 0).max(at(0..PLACES - 1, PHASES / 2))
    };
    let (stiff, soft) = (best(&[0, 2, 3]), best(&[1]));
    let best = stiff.max(soft);
    if best <= 0.01 {
        return 0.0;
    }
    (stiff - soft) / best
}

/// How strong lines are where `other` would have its partials against those of `key` next to them, as `fit` places it: about 1
/// when both were struck alike, near 0 when `key` was struck alone. Only partials count that a window of this length can
/// tell apart; `None` if too few can be.
pub(super) fn beside(
    grid: &Grid,
    relief: &Relief,
    key: usize,
    fit: &Fit,
    other: usize,
) -> Option<f32> {
    let (own, foreign) = (&grid.keys[key], &grid.keys[other]);
    let first = fit.first(own);
    // The main lobe of the round window.
    let apart = LOBES / f64::from(relief.seconds);
    let partials = |comb: &KeyGrid| -> Vec<f64> {
        let ratios = comb.ratios[fit.stiffness].iter().skip(1).step_by(2);
        ratios.map(|r| f64::from(*r)).collect()
    };
    let ours: Vec<f64> = partials(own).iter().map(|ratio| first * ratio).collect();
    let (mut here, mut there, mut counted) = (0.0, 0.0, 0);
    for ratio in partials(foreign).iter().take(COMPARED) {
        let theirs = foreign.first * (f64::from(fit.off) / 1200.0).exp2() * ratio;
        let after = ours.partition_point(|hz| *hz < theirs);
        let next = ours[after.saturating_sub(1)..(after + 1).min(ours.len())]
            .iter()
            .copied()
            .min_by(|a, b| (a - theirs).abs().total_cmp(&(b - theirs).abs()));
        let Some(next) = next.filter(|hz| (hz - theirs).abs() >= apart) else {
            continue;
        };
        if theirs > 5_000.0 {
            break;
        }
        let at = |hz: f64| between(&relief.roots, (hz / relief.bin) as f32);
        here += at(next);
        there += at(theirs);
        counted += 1;
        if counted == ENOUGH {
            break;
        }
    }
    (counted >= LEAST && here > 0.0).then(|| there / here)
}

/// The contrast of one key at `off` cents from the grid with a given stiffness, and its `count` first partials.
pub(super) fn contrast_at(
    grid: &Grid,
    relief: &Relief,
    key: usize,
    stiffness: usize,
    cents: f64,
) -> f32 {
    let comb = &grid.keys[key];
    let weights = grid.falling(comb.count);
    let first = comb.first * (cents / 1200.0).exp2();
    relief.sum(&relief.roots, &comb.ratios[stiffness], weights, first) * relief.norm
}
