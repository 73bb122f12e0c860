//! What a note that is still ringing would have gone on to sound like.
//! In: the sound before an onset. Out: its continuation below 2.5 kHz, to be taken off the sound after the onset.
//! Source: Burg's method (Burg 1975, Stanford thesis; recursion as in Kay & Marple 1981, Proc. IEEE 69:1380).

use super::super::spectrum;

/// Prediction runs near this rate: ringing strings matter below 2.5 kHz.
const RATE: f64 = 5_500.0;
/// Most coefficients; four lines of a ringing bass note need a hundred and more.
const ORDER: usize = 250;
/// Half the length of the filter that thins and fills, in thinned samples.
const HALF: usize = 8;

/// Continues sound.
#[derive(Debug)]
pub(super) struct RingPredictor {
    factor: usize,
    taps: Vec<f32>,
}

impl RingPredictor {
    /// A predictor for `rate` samples a second.
    pub(super) fn new(rate: f64) -> RingPredictor {
        let factor = ((rate / RATE).round() as usize).max(1);
        let half = (HALF * factor) as isize;
        let taps: Vec<f32> = (-half..=half)
            .map(|i| {
                let x = std::f32::consts::PI * 0.94 * i as f32 / factor as f32;
                let sinc = if i == 0 { 1.0 } else { x.sin() / x };
                let turn = std::f32::consts::PI * i as f32 / (half + 1) as f32;
                sinc * (0.5 + 0.5 * turn.cos())
            })
            .collect();
        let sum: f32 = taps.iter().sum();
        RingPredictor {
            factor,
            taps: taps.iter().map(|t| t / sum).collect(),
        }
    }

    /// The first `count` samples that would follow `gap` samples after the end of `before`; nothing if `before` is too short.
    pub(super) fn predict(&self, before: &[f32], gap: usize, count: usize) -> Vec<f32> {
        let (factor, taps) = (self.factor, &self.taps);
        if factor == 1 {
            let Some(coefficients) =
                burg(&before.iter().map(|s| f64::from(*s)).collect::<Vec<_>>())
            else {
                return Vec::new();
            };
            let known: Vec<f64> = before.iter().map(|s| f64::from(*s)).collect();
            let line = run_on(&known, &coefficients, gap + count);
            return line[known.len() + gap..]
                .iter()
                .map(|v| *v as f32)
                .collect();
        }
        // The newest thinned sample sits as late as the filter's half length allows.
        let half = HALF * factor;
        if before.len() <= 2 * half {
            return Vec::new();
        }
        let newest = before.len() - 1 - half;
        let thinned_count = (newest - half) / factor + 1;
        let first = newest - (thinned_count - 1) * factor;
        let thinned: Vec<f64> = (0..thinned_count)
            .map(|i| {
                let centre = first + i * factor;
                let window = &before[centre - half..=centre + half];
                f64::from(spectrum::dot(window, taps))
            })
            .collect();
        let Some(coefficients) = burg(&thinned) else {
            return Vec::new();
        };
        let start = before.len() + gap;
        let more = (start + count - newest) / factor + HALF + 2;
        let line = run_on(&thinned, &coefficients, more);
        (start..start + count)
            .map(|at| {
                // Thinned samples whose filters reach `at`.
                let low = (at.saturating_sub(first + half)).div_ceil(factor);
                let high = ((at + half - first) / factor).min(line.len() - 1);
                let sum: f64 = (low..=high)
                    .map(|i| line[i] * f64::from(taps[at + half - first - i * factor]))
                    .sum();
                (sum * factor as f64) as f32
            })
            .collect()
    }
}

/// Coefficients of the predictor of `sound` from its own past; `None` if it is too short or silent.
fn burg(sound: &[f64]) -> Option<Vec<f64>> {
    let order = ORDER.min(sound.len() / 3);
    if order < 8 || sound.iter().map(|s| s * s).sum::<f64>() < 1e-12 {
        return None;
    }
    let (mut forward, mut backward) = (sound[1..].to_vec(), sound[..sound.len() - 1].to_vec());
    let last = forward.len();
    let mut coefficients: Vec<f64> = Vec::with_capacity(order);
    let mut earlier = Vec::with_capacity(order);
    let both = |f: &[f64], b: &[f64]| dot(f, f) + dot(b, b);
    let mut energy = both(&forward, &backward);
    let mut measured = energy;
    for step in 0..order {
        // The backward errors fall one behind with each step.
        let (f, b) = (&mut forward[step..], &mut backward[..last - step]);
        let cross = dot(f, b);
        if energy <= 1e-18 {
            break;
        }
        let reflection = 2.0 * cross / energy;
        earlier.clone_from(&coefficients);
        for (c, e) in coefficients.iter_mut().zip(earlier.iter().rev()) {
            *c -= reflection * e;
        }
        coefficients.push(reflection);
        if step + 1 == order {
            break;
        }
        for (f, b) in f.iter_mut().zip(b.iter_mut()) {
            let (old_f, old_b) = (*f, *b);
            *f = old_f - reflection * old_b;
            *b = old_b - reflection * old_f;
        }
        // What is left of both errors, without those that the next step has no partner for …
        let paired = b.len() - 1;
        energy = (1.0 - reflection * reflection) * energy - f[0] * f[0] - b[paired] * b[paired];
        // … which is measured again before the differences lose their digits.
        if energy < 1e-6 * measured {
            energy = both(&f[1..], &b[..paired]);
            measured = energy;
        }
    }
    Some(coefficients)
}

/// Sum of the products of `a` and `b`, which are equally long, in four lanes.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let ((a, rest_a), (b, rest_b)) = (a.as_chunks::<4>(), b.as_chunks::<4>());
    let mut lanes = [0.0_f64; 4];
    for (a, b) in a.iter().zip(b) {
        // By index: chains of adapters may be left uncompiled into one another, at twice the time.
        for lane in 0..4 {
            lanes[lane] += a[lane] * b[lane];
        }
    }
    let rest: f64 = rest_a.iter().zip(rest_b).map(|(x, y)| x * y).sum();
    lanes.iter().sum::<f64>() + rest
}

/// `known` and `more` samples after it.
fn run_on(known: &[f64], coefficients: &[f64], more: usize) -> Vec<f64> {
    let mut line = known.to_vec();
    line.reserve(more);
    let reversed: Vec<f64> = coefficients.iter().rev().copied().collect();
    for _ in 0..more {
        let past = &line[line.len() - reversed.len()..];
        line.push(dot(past, &reversed));
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two decaying notes of eight partials each.
    fn ringing(rate: f64, seconds: f64) -> Vec<f32> {
        (0..(seconds * rate) as usize)
            .map(|i| {
                let t = i as f64 / rate;
                let note = |f: f64| {
                    (1..=8)
                        .map(|n| {
                            let n = f64::from(n);
                            (std::f64::consts::TAU * n * f * t + n).sin() / n
                                * (-t * (1.0 + n)).exp()
                        })
                        .sum::<f64>()
                };
                (0.1 * (note(110.0) + note(164.8))) as f32
            })
            .collect()
    }

    #[test]
    fn a_ringing_chord_is_continued() {
        for rate in [8_000.0, 22_050.0, 24_000.0, 32_000.0] {
            let sound = ringing(rate, 1.0);
            let split = (0.6 * rate) as usize;
            let from = split - (0.25 * rate) as usize;
            let count = (0.1 * rate) as usize;
            let gap = (0.001 * rate) as usize;
            let got = RingPredictor::new(rate).predict(&sound[from..split], gap, count);
            let want = &sound[split + gap..split + gap + count];
            let energy: f32 = want.iter().map(|s| s * s).sum();
            let left: f32 = want.iter().zip(&got).map(|(w, g)| (w - g) * (w - g)).sum();
            assert!(left < 0.03 * energy, "{rate}: {}", left / energy);
        }
    }

    #[test]
    fn silence_and_scraps_are_not_continued() {
        let predictor = RingPredictor::new(22_050.0);
        assert!(predictor.predict(&[0.0; 5_000], 20, 100).is_empty());
        assert!(predictor.predict(&[0.5; 30], 20, 100).is_empty());
    }
}
