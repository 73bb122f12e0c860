//! Whether what was struck is a note at all: measures of how the best key's partials behave.
//! In: the sound around the onset and the best key. Out: one number per measure; a piano string keeps its pitch, is stiff,
//! dies away, and its sound is in its partials. Speech glides, voices are not stiff, knocks die at once.

use super::comb::{contrast_at, stiffness_evidence};
use super::decide::{Decider, Verdict};
use super::grid::partial;
use super::window::{Scene, Shape, Slot};

/// Number of measures.
pub(super) const MEASURES: usize = 20;
/// Place among them of the contrast of the weaker part, log₂.
pub(super) const WEAKER: usize = 2;
/// Place among them of how the partials grow from the early to the late part, decibels (decay where they fall).
pub(super) const GROWTH: usize = 5;

/// Share of the window that its early and its late part hold; they overlap.
const PART: f64 = 0.6;
/// Drift is looked for this far to each side, cents.
const DRIFT_REACH: i32 = 80;
const DRIFT_STEP: usize = 8;

/// The early and the late part of a window.
#[derive(Debug)]
pub(super) struct Parts {
    early: Slot,
    late: Slot,
}

impl Parts {
    pub(super) fn new(decider: &Decider) -> Parts {
        Parts {
            early: decider.analyser.slot(),
            late: decider.analyser.slot(),
        }
    }

    /// All measures of `verdict` on `scene`, in this order: contrast (log₂), margin, contrast of the weaker part (log₂),
    /// drift (log₂ of cents), stiffness, decay of the partials (dB), decay of everything from its peak (dB), place of that
    /// peak (0..=1), centroid (octaves above the key), autocorrelation at the period, partials' share of the early and of
    /// the late part (log₁₀), rise of the partials over the floor (dB), early line, mistuning², height of the round window's
    /// contrast over the flat one's, rise of the partials as heard in the late part over what was before (dB), share of
    /// them that is new there (dB), height and lead of the early line (log₁₀).
    pub(super) fn measure(
        &mut self,
        decider: &mut Decider,
        scene: &Scene<'_>,
        verdict: &Verdict,
        rate: f64,
    ) -> [f32; MEASURES] {
        let analyser = &mut decider.analyser;
        let shown = analyser.fill(&mut self.early, Shape::Round, &scene.part(0.0, PART))
            & analyser.fill(&mut self.late, Shape::Round, &scene.part(1.0 - PART, 1.0));
        let grid = &decider.grid;
        let key = verdict.key;
        let comb = &grid.keys[key];
        let first = verdict.round.first(comb);
        let b = super::grid::STIFFNESS[verdict.round.stiffness]
            * super::grid::inharmonicity(f64::from(super::grid::key(key).0));
        let partials: Vec<f64> = (1..=comb.count.min(8))
            .map(|n| partial(first, n as f64, b))
            .collect();
        let at_partials = |power: &[f32], bin: f64| -> f32 {
            partials.iter().map(|f| Slot::peak(power, bin, *f)).sum()
        };

        let (mut weaker, mut drift) = (-4.0, 80.0);
        if shown {
            let place = |slot: &Slot| {
                let from = f64::from(verdict.round.off);
                best_place(|cents| {
                    contrast_at(
                        grid,
                        &slot.relief,
                        key,
                        verdict.round.stiffness,
                        from + cents,
                    )
                })
            };
            let (early, late) = (place(&self.early), place(&self.late));
            weaker = early.1.min(late.1).max(0.01).log2();
            drift = (early.0 - late.0).abs();
        }
        let early = at_partials(&self.early.power, self.early.bin).max(1e-20);
        let late = at_partials(&self.late.power, self.late.bin).max(1e-20);
        let share = |slot: &Slot, teeth: f32| {
            let from = (25.0 / slot.bin) as usize;
            let all: f32 = slot.power[from..].iter().sum();
            // A line of a Hann window spreads over four of its own widths.
            (teeth / all.max(1e-20)).log10().clamp(-4.0, 0.0)
        };
        let (level_end, level_place) = level(scene.after, rate);
        let flat = &decider.flat;
        let rise = at_partials(&flat.power, flat.bin).max(1e-20)
            / at_partials(&flat.floor, flat.bin).max(1e-20);
        let off = verdict.round.off / 50.0;
        let heard = at_partials(&self.late.heard, self.late.bin).max(1e-20);
        let before = at_partials(&self.late.before, self.late.bin).max(1e-20);
        [
            verdict.flat.contrast.max(0.01).log2(),
            verdict.margin.clamp(0.0, 12.0),
            weaker,
            (1.0 + drift as f32 / 2.0).log2(),
            stiffness_evidence(grid, &decider.round.relief, key).clamp(-0.2, 0.15),
            db(late / early).clamp(-30.0, 12.0),
            level_end.clamp(-30.0, 0.0),
            level_place,
            centroid(&decider.round, first).clamp(-1.0, 4.0),
            periodicity(scene.after, rate / first),
            share(&self.early, early),
            share(&self.late, late),
            db(rise).clamp(-3.0, 40.0),
            verdict.line.contrast.max(-0.2),
            off * off,
            (verdict.round.contrast - verdict.flat.contrast).clamp(-0.6, 0.6),
            db(heard / before).clamp(-10.0, 30.0),
            db(late / heard).clamp(-20.0, 0.0),
            verdict.line.height.clamp(-1.0, 2.5),
            verdict.line.lead.clamp(-2.0, 0.0),
        ]
    }
}

fn db(ratio: f32) -> f32 {
    10.0 * ratio.log10()
}

/// The place of the highest value around 0 cents, and that value; between the steps by a parabola.
fn best_place(value: impl Fn(f64) -> f32) -> (f64, f32) {
    let values: Vec<f32> = (-DRIFT_REACH..=DRIFT_REACH)
        .step_by(DRIFT_STEP)
        .map(|cents| value(f64::from(cents)))
        .collect();
    let top = (0..values.len())
        .max_by(|a, b| values[*a].total_cmp(&values[*b]))
        .unwrap_or(0);
    let mut place = top as f64;
    if top > 0 && top + 1 < values.len() {
        let (l, c, r) = (values[top - 1], values[top], values[top + 1]);
        let curve = l - 2.0 * c + r;
        if curve < -1e-9 {
            place += f64::from((0.5 * (l - r) / curve).clamp(-0.5, 0.5));
        }
    }
    (
        place * DRIFT_STEP as f64 - f64::from(DRIFT_REACH),
        values[top],
    )
}

/// Level of the last hundredth of a second against the loudest, decibels, and where the loudest lies (0..=1).
fn level(after: &[f32], rate: f64) -> (f32, f32) {
    let block = ((0.01 * rate) as usize).max(1);
    let levels: Vec<f32> = after
        .chunks_exact(block)
        .map(|c| c.iter().map(|s| s * s).sum())
        .collect();
    let Some(last) = levels.last() else {
        return (0.0, 0.0);
    };
    let top = (0..levels.len())
        .max_by(|a, b| levels[*a].total_cmp(&levels[*b]))
        .unwrap_or(0);
    (
        db(last.max(1e-20) / levels[top].max(1e-20)),
        top as f32 / levels.len() as f32,
    )
}

/// Octaves from `first` up to the centre of the new magnitudes.
fn centroid(slot: &Slot, first: f64) -> f32 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for (i, power) in slot.fresh.iter().enumerate() {
        let magnitude = f64::from(power.sqrt());
        sum += magnitude * i as f64 * slot.bin;
        weight += magnitude;
    }
    (sum / weight.max(1e-20) / first).max(0.1).log2() as f32
}

/// Normalised autocorrelation of `sound` at `period` samples; 0 if it does not hold a period and a half.
pub(super) fn periodicity(sound: &[f32], period: f64) -> f32 {
    let lag = period as usize;
    let share = (period - lag as f64) as f32;
    if sound.len() < lag + 2 + lag / 2 {
        return 0.0;
    }
    let count = sound.len() - lag - 1;
    let (mut cross, mut here, mut there) = (0.0, 1e-12, 1e-12);
    for i in 0..count {
        let later = sound[i + lag] + (sound[i + lag + 1] - sound[i + lag]) * share;
        cross += sound[i] * later;
        here += sound[i] * sound[i];
        there += later * later;
    }
    cross / (here * there).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_repeats_after_its_period_and_not_after_a_third_of_it() {
        let sine: Vec<f32> = (0..2_000).map(|i| (i as f32 * 0.0628).sin()).collect();
        let period = std::f64::consts::TAU / 0.0628;
        assert!(periodicity(&sine, period) > 0.99);
        assert!(periodicity(&sine, period / 3.0) < -0.4);
        assert!(periodicity(&sine[..100], period) == 0.0);
    }

    #[test]
    fn the_top_of_a_parabola_is_found_between_the_steps() {
        let (place, _) = best_place(|cents| -((cents - 13.0) * (cents - 13.0)) as f32);
        assert!((place - 13.0).abs() < 0.1, "{place}");
    }
}
