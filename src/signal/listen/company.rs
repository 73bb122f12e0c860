//! Whether a key was struck alone, or others with it.
//! In: the round window of a key that was decided, and how the key fits there. Out: log odds that others were struck, too.
//! Strings struck together leave lines where the key has none, and gaps among the partials of a key that was not struck but
//! lies where the lines of all of them nearly fit.

use super::comb::{Fit, Relief};
use super::decide::Verdict;
use super::grid::{Grid, KeyGrid};

/// Lines this far apart, over the window's length, are two: the main lobe of the round window.
const LOBES: f64 = 2.0;
/// Partials of another key that are looked at, and those that may count.
const COMPARED: usize = 12;
const ENOUGH: usize = 8;
/// Where lines are looked for, hertz.
const LOWEST: f64 = 60.0;
const HIGHEST: f64 = 4_000.0;
const HIGHEST_PARTIAL: f64 = 4_500.0;
/// Partials that an octave, a fifth and a third above the key leave alone, and those they have.
const UNTOUCHED: [usize; 5] = [7, 11, 13, 17, 19];
const TOUCHED: [usize; 9] = [2, 3, 4, 5, 6, 8, 9, 10, 12];
/// The key's own partials that are held against each other.
const OWN: usize = 14;
/// Traces of company in the window, and what else its odds are made from.
const TRACES: usize = 9;
const FEATURES: usize = TRACES + 5;
/// Log odds per feature and their sum at nought, by register: up to B2, B3, B4 and C8. Fitted as logistic models on single
/// strokes of four pianos and 406 strokes of two to four keys of three.
#[rustfmt::skip]
const WEIGHTS: [(usize, [f32; FEATURES], f32); 4] = [
    (47 - 21, [-0.47, 0.08, -0.31, -5.74, 0.04, 0.33, 8.26, 0.32, 2.31, 1.38, 1.36, -0.96, -1.45, -2.24], -5.13),
    (59 - 21, [-0.06, 0.24, -0.39, 8.60, -0.65, 1.98, 6.19, -3.52, 2.56, 6.13, -0.24, 1.19, 3.34, -1.40], -8.74),
    (71 - 21, [0.04, 0.09, -0.21, 6.93, -1.33, 1.92, 6.31, 6.76, -2.15, 5.57, 2.24, -0.65, 4.74, 0.15], -15.21),
    (108 - 21, [0.23, 0.03, -0.25, 6.53, 2.05, 4.31, 3.60, 2.14, 4.83, -2.26, 13.51, -0.69, -0.79, 0.00], -16.51),
];
/// Of single strokes 3 in 1,000 have log odds above these, by register, when they are first sure.
const SURE: [f32; 4] = [1.3, 2.0, 0.7, 0.2];

/// How far the log odds that the key of `verdict` had company lie above those of single strokes: `seconds` after the onset,
/// when it has log odds `odds` to be a note and the weaker part of the window has the contrast `weaker` (log₂).
pub(super) fn excess(
    grid: &Grid,
    relief: &Relief,
    verdict: &Verdict,
    (odds, weaker, seconds): (f32, f32, f64),
) -> f32 {
    let register = WEIGHTS.iter().position(|(last, ..)| verdict.key <= *last);
    let register = register.unwrap_or(WEIGHTS.len() - 1);
    let (_, weights, bias) = &WEIGHTS[register];
    let others = [
        (seconds / 0.06).ln() as f32,
        odds.clamp(-3.0, 10.0),
        verdict.lead.clamp(0.0, 12.0),
        verdict.round.contrast,
        weaker,
    ];
    let traces = traces(grid, relief, verdict.key, &verdict.round);
    let sum: f32 = weights
        .iter()
        .zip(others.iter().chain(&traces))
        .map(|(weight, feature)| weight * feature)
        .sum();
    sum + bias - SURE[register]
}

/// A key where it was found, and what it is held against.
struct Place<'a> {
    grid: &'a Grid,
    relief: &'a Relief,
    key: usize,
    fit: &'a Fit,
    /// Its partials, hertz.
    partials: Vec<f64>,
    /// Lines closer than this are one, hertz.
    apart: f64,
}

/// Traces of company beside `key`, which `fit` places, in the window of `relief`: height of the lines of the likeliest other
/// key over those of this key beside them (log), sum of the most such lines (those that stand out), share of the magnitude
/// that is far from every partial, the highest of it, height half-way between the partials over theirs, the first partial
/// over the highest, the weakest third of the partials over the strongest (log), their unevenness, and how much stands out of
/// the partials that no chord touches (log).
fn traces(grid: &Grid, relief: &Relief, key: usize, fit: &Fit) -> [f32; TRACES] {
    let own = &grid.keys[key];
    let first = fit.first(own);
    let place = Place {
        grid,
        relief,
        key,
        fit,
        partials: ratios(own, fit).map(|ratio| first * ratio).collect(),
        apart: LOBES / relief.seconds(),
    };
    let (height, sum) = place.others();
    let (share, highest) = place.far();
    let heights: Vec<f32> = place.partials.iter().map(|hz| relief.at(*hz)).collect();
    let low = &heights[..heights.len().min(8)];
    let most = low.iter().copied().fold(1e-3, f32::max);
    let between: Vec<f32> = own.ratios[fit.stiffness]
        .iter()
        .step_by(2)
        .take(7)
        .map(|ratio| relief.at(first * f64::from(*ratio)))
        .collect();
    let (gaps, uneven) = unevenness(&heights[..heights.len().min(OWN)]);
    [
        height.clamp(0.1, 4.0).ln(),
        sum.clamp(0.0, 3.0),
        share,
        highest,
        (mean(&between) / mean(low).max(1e-3)).min(1.5),
        heights[0] / most,
        gaps.clamp(0.03, 1.0).ln(),
        uneven,
        place.untouched().clamp(0.03, 1.5).ln(),
    ]
}

impl Place<'_> {
    /// The key's partial next to `hz`, and how far off that is.
    fn next_to(&self, hz: f64) -> (f64, f64) {
        let after = self.partials.partition_point(|partial| *partial < hz);
        let around = after.saturating_sub(1)..(after + 1).min(self.partials.len());
        let beside = self.partials[around].iter();
        let away = beside.map(|partial| (*partial, (partial - hz).abs()));
        away.min_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((hz, f64::MAX))
    }

    /// How far the line at `hz` stands out over what is a lobe away.
    fn stands_out(&self, hz: f64) -> f32 {
        let beside = |hz: f64| self.relief.at(hz.max(0.0));
        beside(hz) - 0.5 * (beside(hz - self.apart) + beside(hz + self.apart))
    }

    /// Over all other keys: the greatest height of lines over this key's beside them, and the greatest sum of lines.
    fn others(&self) -> (f32, f32) {
        let shift = (f64::from(self.fit.off) / 1200.0).exp2();
        let (mut height, mut most) = (0.0, 0.0);
        for (index, other) in self.grid.keys.iter().enumerate() {
            if index == self.key {
                continue;
            }
            let (mut here, mut there, mut sum, mut counted) = (0.0, 0.0, 0.0, 0);
            for (n, ratio) in (1_u8..).zip(ratios(other, self.fit).take(COMPARED)) {
                let theirs = other.first * shift * ratio;
                if theirs > HIGHEST_PARTIAL || counted == ENOUGH {
                    break;
                }
                let (ours, away) = self.next_to(theirs);
                if away < self.apart {
                    continue;
                }
                let weight = f32::from(n).sqrt().recip();
                here += weight * self.relief.at(ours);
                there += weight * self.relief.at(theirs);
                sum += weight * self.stands_out(theirs);
                counted += 1;
            }
            if counted >= 2 {
                height = f32::max(height, there / here.max(0.05));
            }
            if counted >= 3 {
                most = f32::max(most, sum);
            }
        }
        (height, most)
    }

    /// How much stands out of the partials that are missing where the key is none but what a chord above it seems to have in
    /// common, over the others; 1 for keys with too few partials.
    fn untouched(&self) -> f32 {
        let heights = |numbers: &[usize]| -> Vec<f32> {
            let partials = numbers.iter().filter_map(|n| self.partials.get(n - 1));
            partials.map(|hz| self.stands_out(*hz).max(0.0)).collect()
        };
        let (alone, shared) = (heights(&UNTOUCHED), heights(&TOUCHED));
        if alone.len() < 3 {
            return 1.0;
        }
        (mean(&alone) / mean(&shared).max(0.02)).min(1.5)
    }

    /// What is far from all partials: its share of all magnitude, and the highest of it.
    fn far(&self) -> (f32, f32) {
        let (mut far, mut all, mut highest) = (0.0, 0.0, 0.0);
        let bin = self.relief.bin();
        for step in 0..((HIGHEST - LOWEST) / bin) as usize {
            let hz = LOWEST + step as f64 * bin;
            let root = self.relief.at(hz);
            all += root * root;
            if self.next_to(hz).1 >= self.apart {
                far += root * root;
                highest = f32::max(highest, root);
            }
        }
        (far / all.max(1e-6), highest)
    }
}

/// Partials of `comb` as multiples of the first.
fn ratios<'a>(comb: &'a KeyGrid, fit: &Fit) -> impl Iterator<Item = f64> + use<'a> {
    let halves = comb.ratios[fit.stiffness].iter();
    halves.skip(1).step_by(2).map(|ratio| f64::from(*ratio))
}

/// The weakest third of `heights` over the strongest, and their mean distance from the mean of their neighbours over theirs.
fn unevenness(heights: &[f32]) -> (f32, f32) {
    if heights.len() < 3 {
        return (1.0, 0.0);
    }
    let mut sorted = heights.to_vec();
    sorted.sort_by(f32::total_cmp);
    let third = sorted.len() / 3;
    let strongest = mean(&sorted[sorted.len() - third..]).max(1e-3);
    let steps: Vec<f32> = heights
        .windows(3)
        .map(|w| (w[1] - 0.5 * (w[0] + w[2])).abs())
        .collect();
    let uneven = mean(&steps) / mean(heights).max(1e-3);
    (mean(&sorted[..third]) / strongest, uneven.min(2.0))
}

fn mean(values: &[f32]) -> f32 {
    values.iter().sum::<f32>() / values.len().max(1) as f32
}
