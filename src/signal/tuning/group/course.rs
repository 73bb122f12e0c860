//! One partial of strings side by side: what it leaves over, and how that changes.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use super::GAPS;
use super::values::{MOST, Reals, Values};
use crate::signal::tuning::line::{Line, Moment};

type C = Complex<f64>;

const ZERO: C = C::new(0.0, 0.0);

/// Moments that are looked at, at least.
const LEAST: usize = 12;

/// A partial's own parameters that are not linear: place, decay, the aftersound's slowness and its share.
pub(super) const OWN: usize = 4;

/// Strings at most.
const STRINGS: usize = GAPS + 1;

/// Places tried for one partial at most.
const PLACES: usize = 40;

/// What no formula of a string's decay follows, as a share of power (60 dB): a partial's noise is taken to be that at least.
const UNMODELLED: f64 = 1e-6;

/// Complex amplitude over time, against a wave that stands still.
pub(super) struct Course {
    hz: f64,
    from: f64,
    step: f64,
    values: Values,
    size: usize,
    power: f64,
    /// Power of the noise in a value.
    noise: f64,
    /// How its strength falls, nepers a second.
    fall: f64,
}

/// Hertz off the line; logarithm of the prompt sound's decay a second; how much slower the aftersound decays, and its
/// share, both as logarithms of odds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Own([f64; OWN]);

impl Own {
    /// Moved by a step, within what strings do.
    pub(super) fn moved(self, by: [f64; OWN]) -> Own {
        let [hz, decay, slower, share] = self.0;
        let [by_hz, by_decay, by_slower, by_share] = by;
        Own([
            hz + by_hz,
            (decay + by_decay.clamp(-1.0, 1.0)).clamp(-3.0, 5.0),
            (slower + by_slower.clamp(-1.0, 1.0)).clamp(-4.0, 4.0),
            (share + by_share.clamp(-1.0, 1.0)).clamp(-6.0, 6.0),
        ])
    }
}

/// What one partial says of its strings.
#[derive(Debug, Clone)]
pub(super) struct Said {
    /// Values that are free.
    pub(super) free: f64,
    /// Variance of what is left over in one of them.
    pub(super) variance: f64,
    /// Power of the noise in one of them.
    noise: f64,
    /// Share of power left over.
    pub(super) left: f64,
    /// Normal matrix and right side: distances, then the partial's own.
    pub(super) matrix: [[f64; GAPS + OWN]; GAPS + OWN],
    pub(super) side: [f64; GAPS + OWN],
}

impl Said {
    /// Twice the negative logarithm of the likelihood.
    pub(super) fn cost(&self) -> f64 {
        self.free * self.variance.ln()
    }

    /// What is left over in one value beyond noise: where the strings' decay is not the model's. It goes slowly, as noise does
    /// not: of all values hardly two are independent.
    pub(super) fn misfit(&self) -> f64 {
        (self.variance - 2.0 * self.noise).max(0.0)
    }
}

/// Places of strings around their middle.
fn places(gaps: &[f64]) -> [f64; STRINGS] {
    let mut at = [0.0; STRINGS];
    for (k, gap) in gaps.iter().enumerate() {
        at[k + 1] = at[k] + gap;
    }
    let strings = gaps.len() + 1;
    let middle = at[..strings].iter().sum::<f64>() / strings as f64;
    at.map(|x| x - middle)
}

impl Course {
    pub(super) fn new(line: &Line) -> Option<Course> {
        let independent = (line.moments.len() as f64 / line.independent) as usize;
        let thin = line.moments.len().div_ceil(MOST).max(independent).max(1);
        let kept: Vec<_> = line.moments.iter().step_by(thin).collect();
        if kept.len() < LEAST {
            return None;
        }
        let amplitude = |m: &Moment| C::from_polar((0.5 * m.log_power).exp(), m.phase);
        let values = Values::new(kept.iter().map(|m| amplitude(m)));
        let (early, late) = kept.split_at(kept.len() / 2);
        let mean = |part: &[&Moment]| {
            part.iter().map(|m| m.log_power.exp()).sum::<f64>() / part.len() as f64
        };
        let power = values.inner_re(&values);
        let step = kept[1].t - kept[0].t;
        Some(Course {
            hz: line.hz,
            from: kept[0].t,
            step,
            noise: 0.5 * line.floor.max(UNMODELLED * power / kept.len() as f64),
            power,
            values,
            size: kept.len(),
            fall: 0.5 * (mean(early) / mean(late)).ln() / (step * early.len() as f64),
        })
    }

    /// Real values it has.
    pub(super) fn values(&self) -> f64 {
        2.0 * self.size as f64
    }

    /// Turns by which strings a `share` apart part over its length.
    pub(super) fn turns(&self, share: f64) -> f64 {
        share * self.hz * self.step * self.size as f64
    }

    /// A decay to begin with: from the first half's power to the second's; the aftersound a fifth as strong, a quarter as
    /// fast.
    pub(super) fn start(&self) -> Own {
        Own([0.0, (1.3 * self.fall.max(0.2)).ln(), 1.0, -1.5])
    }

    /// Strength at each moment, and its slopes by the last three of the partial's own parameters.
    fn decay(&self, own: Own) -> [Reals; OWN] {
        let [_, decay, slower, share] = own.0;
        let fast = decay.exp();
        let ratio = 1.0 / (1.0 + slower.exp());
        let slow = fast * ratio;
        let share = 1.0 / (1.0 + (-share).exp());
        let fall = [(-fast * self.step).exp(), (-slow * self.step).exp()];
        let mut prompt = (1.0 - share) * (-fast * self.from).exp();
        let mut after = share * (-slow * self.from).exp();
        let mut t = self.from;
        let mut decay = [Reals::ZEROS; OWN];
        for k in 0..self.size {
            decay[0].set(k, prompt + after);
            decay[1].set(k, -t * (fast * prompt + slow * after));
            decay[2].set(k, t * slow * (1.0 - ratio) * after);
            decay[3].set(k, (1.0 - share) * after - share * prompt);
            prompt *= fall[0];
            after *= fall[1];
            t += self.step;
        }
        decay
    }

    /// A wave that turns `hz` times a second, from 1 on at the first moment.
    fn wave(&self, hz: f64) -> Values {
        self.values.wave(self.turn(hz))
    }

    /// By how much that turns from one moment to the next.
    fn turn(&self, hz: f64) -> C {
        C::from_polar(1.0, TAU * hz * self.step)
    }

    /// What it says of strings with `gaps` between them.
    pub(super) fn say(&self, gaps: &[f64], own: Own) -> Said {
        let strings = gaps.len() + 1;
        let decay = self.decay(own);
        let hz = self.hz + own.0[0];
        let at = places(gaps);
        // The strings' waves, and their courses, made to stand at right angles.
        let mut plain = [Values::ZEROS; STRINGS];
        let mut basis = [Values::ZEROS; STRINGS];
        let mut upper = [[ZERO; STRINGS]; STRINGS];
        for j in 0..strings {
            plain[j] = self.wave(own.0[0] + at[j] * hz);
            let mut column = plain[j].by(&decay[0]);
            for i in 0..j {
                upper[i][j] = basis[i].inner(&column);
                column.take_out(upper[i][j], &basis[i]);
            }
            let length = column.inner_re(&column).sqrt().max(f64::MIN_POSITIVE);
            upper[j][j] = C::new(length, 0.0);
            basis[j] = column.scaled(1.0 / length);
        }
        let mut left = self.values;
        let mut amplitude = [ZERO; STRINGS];
        for j in 0..strings {
            amplitude[j] = basis[j].inner(&left);
            left.take_out(amplitude[j], &basis[j]);
        }
        for j in (0..strings).rev() {
            for k in j + 1..strings {
                let others = upper[j][k] * amplitude[k];
                amplitude[j] -= others;
            }
            amplitude[j] /= upper[j][j].re;
        }
        let squares = left.inner_re(&left);
        let free = (2 * self.size - 2 * strings - OWN) as f64;
        let mut said = Said {
            free,
            variance: squares / free + self.noise,
            noise: self.noise,
            left: squares / self.power,
            matrix: [[0.0; GAPS + OWN]; GAPS + OWN],
            side: [0.0; GAPS + OWN],
        };
        let slopes = self.slopes(gaps.len(), hz, &plain, &amplitude, &decay);
        let mut parts = [[ZERO; STRINGS]; GAPS + OWN];
        let skipped = gaps.len()..GAPS;
        for i in (0..GAPS + OWN).filter(|i| !skipped.contains(i)) {
            for j in 0..strings {
                parts[i][j] = basis[j].inner(&slopes[i]);
            }
            said.side[i] = slopes[i].inner_re(&left);
            for k in (0..=i).filter(|k| !skipped.contains(k)) {
                let shared: f64 = (0..strings)
                    .map(|j| parts[i][j].re * parts[k][j].re + parts[i][j].im * parts[k][j].im)
                    .sum();
                let sum = slopes[i].inner_re(&slopes[k]) - shared;
                said.matrix[i][k] = sum;
                said.matrix[k][i] = sum;
            }
        }
        said
    }

    /// How the strings' sum changes with distances and with the partial's own.
    fn slopes(
        &self,
        gaps: usize,
        hz: f64,
        plain: &[Values; STRINGS],
        amplitude: &[C; STRINGS],
        decay: &[Reals; OWN],
    ) -> [Values; GAPS + OWN] {
        let sum = |by: [f64; STRINGS]| {
            let mut sum = Values::ZEROS;
            sum.add(amplitude[0] * by[0], &plain[0]);
            for j in 1..=gaps {
                sum.add(amplitude[j] * by[j], &plain[j]);
            }
            sum
        };
        let mut slopes = [Values::ZEROS; GAPS + OWN];
        let mut turning = Reals::ZEROS;
        for k in 0..self.size {
            turning.set(k, TAU * (self.from + k as f64 * self.step));
        }
        let turning = turning.times(&decay[0]);
        for k in 0..gaps {
            let mut one = [0.0; GAPS];
            one[k] = hz;
            slopes[k] = sum(places(&one[..gaps])).by(&turning).quarter_on();
        }
        let all = sum([1.0; STRINGS]);
        slopes[GAPS] = all.by(&turning).quarter_on();
        for o in 1..OWN {
            slopes[GAPS + o] = all.by(&decay[o]);
        }
        slopes
    }

    /// `own` at the place where strings with `gaps` between them leave least over: the line lies between the outermost, and
    /// from one of these places to the next they turn a quarter over the partial's length.
    pub(super) fn placed(&self, own: Own, gaps: &[f64]) -> Own {
        let strings = gaps.len() + 1;
        let at = places(gaps).map(|place| place * self.hz);
        let (low, high) = (-at[strings - 1], -at[0]);
        let length = self.step * self.size as f64;
        let count = (((high - low) * length * 4.0) as usize).clamp(2, PLACES);
        let step = (high - low) / count as f64;
        let decay = self.decay(own);
        let values = self.values.by(&decay[0]);
        let squared = decay[0].squared();
        let mut between = [[ZERO; STRINGS]; STRINGS];
        for j in 0..strings {
            for k in 0..=j {
                between[j][k] = squared.turned(self.turn(at[j] - at[k]));
            }
        }
        let factor = Factor::new(&between, strings);
        let mut turns = at.map(|at| self.turn(-(low + at)));
        let on = self.turn(-step);
        let mut best = (f64::MIN, own.0[0]);
        for k in 0..=count {
            let met = turns.map(|turn| values.turned(turn));
            let squares = factor.explained(&met);
            if squares > best.0 {
                best = (squares, low + k as f64 * step);
            }
            turns.iter_mut().for_each(|turn| *turn *= on);
        }
        let mut own = own;
        own.0[0] = best.1;
        own
    }

    /// Sums for strings at places `step` (a share of frequency) apart, up to `reach` steps to each side.
    pub(super) fn table(&self, own: Own, step: f64, reach: usize) -> Table {
        let decay = self.decay(own);
        let values = self.values.by(&decay[0]);
        let squared = decay[0].squared();
        let turn = |k: f64| self.turn(k * step * self.hz);
        Table {
            met: (0..=2 * reach)
                .map(|k| values.turned(self.turn(-own.0[0]) * turn(reach as f64 - k as f64)))
                .collect(),
            between: (0..=2 * reach)
                .map(|k| squared.turned(turn(k as f64)))
                .collect(),
            power: self.power,
            noise: self.noise,
            free: self.values() - 2.0 * STRINGS as f64,
        }
    }
}

/// What strings at evenly spaced places leave over of a partial whose decay is known.
pub(super) struct Table {
    /// A string at each place against the partial.
    met: Vec<C>,
    /// A string against one so many steps higher.
    between: Vec<C>,
    power: f64,
    noise: f64,
    free: f64,
}

impl Table {
    /// Twice the negative logarithm of the likelihood of strings `gaps` steps apart (a gap of 0: no string), wherever they
    /// fit best around the line, which lies between the outermost.
    pub(super) fn cost(&self, gaps: [usize; GAPS]) -> f64 {
        let middle = self.met.len() / 2;
        let wide: usize = gaps.iter().sum();
        let strings = if gaps[1] == 0 { 2 } else { STRINGS };
        let at = [0, gaps[0], wide];
        let mut between = [[ZERO; STRINGS]; STRINGS];
        for j in 0..strings {
            for k in 0..=j {
                between[j][k] = self.between[at[j] - at[k]];
            }
        }
        let factor = Factor::new(&between, strings);
        let explained = (middle - wide..=middle)
            .map(|low| factor.explained(&at.map(|at| self.met[low + at])))
            .fold(0.0, f64::max);
        let left = (self.power - explained).max(0.0);
        self.free * (left / self.free + self.noise).ln()
    }
}

/// Strings' products with one another, factored (Cholesky).
struct Factor {
    lower: [[C; STRINGS]; STRINGS],
    /// One over the pivots.
    pivots: [f64; STRINGS],
    strings: usize,
}

impl Factor {
    /// Of `strings` whose products are `between`, each with those before it.
    fn new(between: &[[C; STRINGS]; STRINGS], strings: usize) -> Factor {
        let mut lower = [[ZERO; STRINGS]; STRINGS];
        let mut pivots = [0.0; STRINGS];
        // Places too near one another for this partial are one.
        let ridge = 1e-6 * between[0][0].re;
        for j in 0..strings {
            let mut pivot = between[0][0].re + ridge;
            for k in 0..j {
                let before = lower[j][..k].iter().zip(&lower[k]);
                let shared: C = before.map(|(a, b)| a * b.conj()).sum();
                lower[j][k] = (between[j][k].conj() - shared) * pivots[k];
                pivot -= lower[j][k].norm_sqr();
            }
            pivots[j] = 1.0 / pivot.max(ridge).sqrt();
        }
        Factor {
            lower,
            pivots,
            strings,
        }
    }

    /// Squares that they explain of a partial, whose products with them are `met`.
    fn explained(&self, met: &[C; STRINGS]) -> f64 {
        let mut sum = 0.0;
        let mut solved = [ZERO; STRINGS];
        for j in 0..self.strings {
            let mut x = met[j];
            for (part, before) in self.lower[j].iter().zip(solved).take(j) {
                x -= part * before;
            }
            solved[j] = x * self.pivots[j];
            sum += solved[j].norm_sqr();
        }
        sum
    }
}
