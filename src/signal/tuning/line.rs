//! The frequency of one partial from the course of its phase.
//! In: the [`Band`] that holds it, and the noise there. Out: a [`Line`]: hertz with a standard error, and what is left of
//! phase and strength for the search for beats.
//!
//! A decaying partial in white noise has its most likely frequency where a straight line fits its phase best, each
//! moment weighing by its power: phase and amplitude of a damped wave share no information, so the decay need not be
//! known (Rife & Boorstyn 1974, IEEE Trans. IT 20:591, for the phase; Tretter 1985, ibid. 31:832, for the line).

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

use super::band::Band;

/// A partial is followed until its power falls to so many times the noise in its band: above, its phase does not slip.
const FOLLOWED: f64 = 10.0;

/// Independent values that a partial must have, and how many more for it to count as any other.
const LEAST: f64 = 5.0;
const CERTAIN: f64 = 8.0;

/// So far over what it is followed down to must a partial begin to count as any other, dB: fainter ones may be something
/// else, and the fainter, the likelier.
const CERTAIN_DB: f64 = 15.0;

/// How many values of noise the noise measured beside the partial counts for, against what the phase itself shows.
const TRUST: f64 = 6.0;

/// The stretch whose mean is the pitch of strings that disagree, seconds from the beginning. What dies away within a tenth
/// of a second is a knock and no pitch; and a key must read the same whether two seconds were heard of it or three.
const SUSTAINED_S: (f64, f64) = (0.06, 1.2);

/// One partial.
#[derive(Debug, Clone)]
pub(super) struct Line {
    /// Hertz.
    pub(super) hz: f64,
    /// Its standard error, hertz.
    pub(super) se: f64,
    /// Mean frequency of what is sustained, by power, hertz: where strings disagree, the middle of those that last.
    pub(super) sustained_hz: f64,
    /// Amplitude where it was strongest.
    pub(super) amplitude: f64,
    /// From 0, at the limit of being found, to 1.
    pub(super) certainty: f64,
    /// Moments: time in seconds, phase left over in radians, logarithm of the power, and weight, so that independent
    /// noise has variance one over the weight.
    pub(super) moments: Vec<Moment>,
    /// Independent values among the moments.
    pub(super) independent: f64,
    /// Power of the noise in one moment.
    pub(super) floor: f64,
}

/// A partial at one moment.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moment {
    pub(super) t: f64,
    pub(super) phase: f64,
    pub(super) log_power: f64,
    pub(super) weight: f64,
}

/// Follows the strongest line in `band`, whose noise has the power `noise` a hertz. `None` when it does not stand out
/// long enough.
pub(super) fn follow(band: &Band, noise: f64) -> Option<Line> {
    let floor = noise * band.noise_width();
    let power: Vec<f64> = band.values.iter().map(|value| value.norm_sqr()).collect();
    let spacing = (band.independent() / band.step).max(1.0);
    // Power over a quarter second or five independent values: a beat's still moment does not end the partial.
    let span = (5.0 * spacing)
        .max(0.25 / band.step)
        .min(power.len() as f64 / 3.0) as usize;
    let smooth = running_mean(&power, span.max(1));
    let length = smooth
        .iter()
        .position(|value| *value < FOLLOWED * floor)
        .unwrap_or(smooth.len());
    let independent = length as f64 / spacing;
    if independent < LEAST {
        return None;
    }
    let values = &band.values[..length];
    let turn = frequency(values);
    // Weights from power smoothed over the noise's own length, so that they do not follow its chance.
    let fine = running_mean(&power[..length], (2.0 * spacing) as usize | 1);
    let mut moments = Vec::with_capacity(length);
    let mut last: Option<f64> = None;
    for (k, value) in values.iter().enumerate() {
        let phase = (value * Complex::from_polar(1.0, -turn * k as f64)).arg();
        let phase = last.map_or(phase, |last| last + wrapped(phase - last));
        last = Some(phase);
        moments.push(Moment {
            t: band.from + k as f64 * band.step,
            phase,
            log_power: power[k].max(f64::MIN_POSITIVE).ln(),
            // Half of the noise turns the phase, half changes the amplitude.
            weight: 2.0 * (fine[k] - floor).max(0.0) / floor.max(f64::MIN_POSITIVE),
        });
    }
    let fit = straight(&moments)?;
    let per_radian = 1.0 / TAU;
    for moment in &mut moments {
        moment.phase -= fit.at(moment.t);
    }
    // What is left, in units of the noise that was measured beside the partial: 1 where it is alone.
    let left = moments
        .iter()
        .map(|moment| moment.weight * moment.phase * moment.phase)
        .sum::<f64>()
        / length as f64;
    let free = (independent - 2.0).max(1.0);
    let excess = (left * independent + TRUST) / (free + TRUST);
    let middle = sustained(values, band, turn);
    let strongest = smooth.iter().copied().fold(0.0, f64::max);
    let over = 10.0 * (strongest / (FOLLOWED * floor).max(f64::MIN_POSITIVE)).log10();
    let certainty = (over / CERTAIN_DB).min(1.0) * ((independent - LEAST) / CERTAIN).min(1.0);
    Some(Line {
        sustained_hz: band.centre + middle / band.step * per_radian,
        hz: band.centre + (turn / band.step + fit.slope) * per_radian,
        se: per_radian * (excess * spacing / fit.spread).sqrt(),
        amplitude: strongest.sqrt(),
        certainty,
        moments,
        independent,
        floor,
    })
}

/// Radians a value, near `turn`: the mean by power over the sound between [`SUSTAINED_S`] under a Hann window.
fn sustained(values: &[Complex<f64>], band: &Band, turn: f64) -> f64 {
    // Turns over a distance that strings five cents apart do not part by more than a seventh of a turn in, and that
    // noise forgets.
    let distance = ((0.05 / (0.001 * band.centre)) / band.step) as usize;
    let distance = distance.clamp(1, values.len() / 4);
    let reach = distance as f64;
    let (from, to) = SUSTAINED_S;
    let sum: Complex<f64> = values
        .iter()
        .zip(&values[distance..])
        .enumerate()
        .map(|(k, (a, b))| {
            let t = band.from + (k as f64 + 0.5 * reach) * band.step;
            let x = ((t - from) / (to - from)).clamp(0.0, 1.0);
            b * a.conj() * (PI * x).sin().powi(4)
        })
        .sum();
    if sum.norm_sqr() == 0.0 {
        return turn;
    }
    turn + wrapped(sum.arg() - turn * reach) / reach
}

/// Radians a value, by sums of products over growing distances: each settles the turns for the next.
fn frequency(values: &[Complex<f64>]) -> f64 {
    let mut turn = 0.0;
    let mut distance = 1;
    while distance <= values.len() / 3 {
        let sum: Complex<f64> = values
            .iter()
            .zip(&values[distance..])
            .map(|(a, b)| b * a.conj())
            .sum();
        let reach = distance as f64;
        turn += wrapped(sum.arg() - turn * reach) / reach;
        distance *= 2;
    }
    turn
}

fn wrapped(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}

struct Straight {
    middle: f64,
    height: f64,
    slope: f64,
    /// Weighted sum of squared distances from the middle.
    spread: f64,
}

impl Straight {
    fn at(&self, t: f64) -> f64 {
        self.height + self.slope * (t - self.middle)
    }
}

fn straight(moments: &[Moment]) -> Option<Straight> {
    let sum = |f: &dyn Fn(&Moment) -> f64| moments.iter().map(|m| m.weight * f(m)).sum::<f64>();
    let total = sum(&|_| 1.0);
    let middle = sum(&|m| m.t) / total;
    let height = sum(&|m| m.phase) / total;
    let spread = sum(&|m| (m.t - middle).powi(2));
    (spread > 0.0 && total > 0.0).then(|| Straight {
        middle,
        height,
        slope: sum(&|m| (m.t - middle) * (m.phase - height)) / spread,
        spread,
    })
}

/// Means over `span` values around each, fewer at the ends.
fn running_mean(values: &[f64], span: usize) -> Vec<f64> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    for value in values {
        sums.push(sums[sums.len() - 1] + value);
    }
    (0..values.len())
        .map(|k| {
            let from = k.saturating_sub(span / 2);
            let to = (k + span / 2 + 1).min(values.len());
            (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect()
}
