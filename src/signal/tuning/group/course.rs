//! One partial of strings side by side: what it leaves over, and how that changes.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use super::GAPS;
use crate::signal::tuning::line::Line;

type C = Complex<f64>;

const ZERO: C = C::new(0.0, 0.0);

/// Moments that are looked at, at most, and at least.
const MOMENTS: usize = 48;
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
    values: Vec<C>,
    power: f64,
    /// Power of the noise in a value.
    noise: f64,
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
    free: f64,
    /// Variance of what is left over in one of them.
    pub(super) variance: f64,
    /// Share of power left over.
    pub(super) left: f64,
    /// Normal matrix and right side: distances, then the partial's own.
    pub(super) matrix: [[f64; GAPS + OWN]; GAPS + OWN],
    pub(super) side: [f64; GAPS + OWN],
}

/// Room to reckon in.
pub(super) struct Room {
    /// The strings' waves.
    plain: [[C; MOMENTS]; STRINGS],
    /// The strings' courses, made to stand at right angles.
    basis: [[C; MOMENTS]; STRINGS],
    /// How the sum changes with each parameter.
    slopes: [[C; MOMENTS]; GAPS + OWN],
}

impl Room {
    pub(super) fn new() -> Room {
        Room {
            plain: [[ZERO; MOMENTS]; STRINGS],
            basis: [[ZERO; MOMENTS]; STRINGS],
            slopes: [[ZERO; MOMENTS]; GAPS + OWN],
        }
    }
}

impl Said {
    /// Twice the negative logarithm of the likelihood.
    pub(super) fn cost(&self) -> f64 {
        self.free * self.variance.ln()
    }
}

/// A wave of amplitude 1 that turns by `turn` radians a value and begins at `start`.
fn wave(start: C, turn: f64) -> impl Iterator<Item = C> {
    let by = C::from_polar(1.0, turn);
    std::iter::successors(Some(start), move |x| Some(x * by))
}

fn inner(a: &[C], b: &[C]) -> C {
    let (mut re, mut im) = (0.0, 0.0);
    for (a, b) in a.iter().zip(b) {
        re += a.re * b.re + a.im * b.im;
        im += a.re * b.im - a.im * b.re;
    }
    C::new(re, im)
}

fn inner_re(a: &[C], b: &[C]) -> f64 {
    a.iter()
        .zip(b)
        .map(|(a, b)| a.re * b.re + a.im * b.im)
        .sum()
}

fn take_out(from: &mut [C], part: C, column: &[C]) {
    for (x, y) in from.iter_mut().zip(column) {
        *x -= part * y;
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
        let thin = line.moments.len().div_ceil(MOMENTS).max(independent).max(1);
        let kept: Vec<_> = line.moments.iter().step_by(thin).collect();
        if kept.len() < LEAST {
            return None;
        }
        let values: Vec<C> = kept
            .iter()
            .map(|m| C::from_polar((0.5 * m.log_power).exp(), m.phase))
            .collect();
        let power = values.iter().map(C::norm_sqr).sum::<f64>();
        Some(Course {
            hz: line.hz,
            from: kept[0].t,
            step: kept[1].t - kept[0].t,
            noise: 0.5 * line.floor.max(UNMODELLED * power / values.len() as f64),
            power,
            values,
        })
    }

    /// Real values it has.
    pub(super) fn values(&self) -> f64 {
        2.0 * self.values.len() as f64
    }

    /// Turns by which strings a `share` apart part over its length.
    pub(super) fn turns(&self, share: f64) -> f64 {
        share * self.hz * self.step * self.values.len() as f64
    }

    /// A decay to begin with: from the first half's power to the second's; the aftersound a fifth as strong, a quarter as
    /// fast.
    pub(super) fn start(&self) -> Own {
        let (early, late) = self.values.split_at(self.values.len() / 2);
        let power = |part: &[C]| part.iter().map(C::norm_sqr).sum::<f64>() / part.len() as f64;
        let fall = 0.5 * (power(early) / power(late)).ln() / (self.step * early.len() as f64);
        Own([0.0, (1.3 * fall.max(0.2)).ln(), 1.0, -1.5])
    }

    /// Strength at each moment, and its slopes by the last three of the partial's own parameters.
    fn decay(&self, own: Own) -> Vec<[f64; OWN]> {
        let [_, decay, slower, share] = own.0;
        let fast = decay.exp();
        let ratio = 1.0 / (1.0 + slower.exp());
        let slow = fast * ratio;
        let share = 1.0 / (1.0 + (-share).exp());
        let fall = [(-fast * self.step).exp(), (-slow * self.step).exp()];
        let mut prompt = (1.0 - share) * (-fast * self.from).exp();
        let mut after = share * (-slow * self.from).exp();
        let mut t = self.from;
        (0..self.values.len())
            .map(|_| {
                let now = [
                    prompt + after,
                    -t * (fast * prompt + slow * after),
                    t * slow * (1.0 - ratio) * after,
                    (1.0 - share) * after - share * prompt,
                ];
                prompt *= fall[0];
                after *= fall[1];
                t += self.step;
                now
            })
            .collect()
    }

    /// What it says of strings with `gaps` between them; in `room` whatever was there before.
    pub(super) fn say(&self, gaps: &[f64], own: Own, room: &mut Room) -> Said {
        let strings = gaps.len() + 1;
        let size = self.values.len();
        let decay = self.decay(own);
        let at = places(gaps);
        let Room {
            plain,
            basis,
            slopes,
        } = room;
        let mut upper = [[ZERO; STRINGS]; STRINGS];
        for j in 0..strings {
            let turn = TAU * (own.0[0] + at[j] * (self.hz + own.0[0]));
            let waves = wave(C::from_polar(1.0, turn * self.from), turn * self.step);
            for (slot, x) in plain[j][..size].iter_mut().zip(waves) {
                *slot = x;
            }
            let (before, column) = basis.split_at_mut(j);
            let column = &mut column[0][..size];
            for ((x, wave), strength) in column.iter_mut().zip(&plain[j]).zip(&decay) {
                *x = wave * strength[0];
            }
            for (i, other) in before.iter().enumerate() {
                upper[i][j] = inner(&other[..size], column);
                take_out(column, upper[i][j], other);
            }
            let length = inner_re(column, column).sqrt().max(f64::MIN_POSITIVE);
            upper[j][j] = C::new(length, 0.0);
            column.iter_mut().for_each(|x| *x /= length);
        }
        let mut left = self.values.clone();
        let mut amplitude = [ZERO; STRINGS];
        for j in 0..strings {
            amplitude[j] = inner(&basis[j][..size], &left);
            take_out(&mut left, amplitude[j], &basis[j]);
        }
        for j in (0..strings).rev() {
            for k in j + 1..strings {
                let others = upper[j][k] * amplitude[k];
                amplitude[j] -= others;
            }
            amplitude[j] /= upper[j][j].re;
        }
        let squares = inner_re(&left, &left);
        let free = (2 * size - 2 * strings - OWN) as f64;
        self.slopes(
            gaps.len(),
            self.hz + own.0[0],
            plain,
            &amplitude,
            &decay,
            slopes,
        );
        let mut said = Said {
            free,
            variance: squares / free + self.noise,
            left: squares / self.power,
            matrix: [[0.0; GAPS + OWN]; GAPS + OWN],
            side: [0.0; GAPS + OWN],
        };
        let skipped = gaps.len()..GAPS;
        let mut parts = [[ZERO; STRINGS]; GAPS + OWN];
        for (i, slope) in slopes
            .iter()
            .enumerate()
            .filter(|(i, _)| !skipped.contains(i))
        {
            for j in 0..strings {
                parts[i][j] = inner(&basis[j][..size], &slope[..size]);
            }
            said.side[i] = inner_re(&slope[..size], &left);
            for k in (0..=i).filter(|k| !skipped.contains(k)) {
                let shared: f64 = (0..strings)
                    .map(|j| parts[i][j].re * parts[k][j].re + parts[i][j].im * parts[k][j].im)
                    .sum();
                let sum = inner_re(&slope[..size], &slopes[k][..size]) - shared;
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
        plain: &[[C; MOMENTS]; STRINGS],
        amplitude: &[C; STRINGS],
        decay: &[[f64; OWN]],
        slopes: &mut [[C; MOMENTS]; GAPS + OWN],
    ) {
        let by_gap: [[f64; STRINGS]; GAPS] = std::array::from_fn(|k| {
            let mut one = [0.0; GAPS];
            one[k] = 1.0;
            places(&one[..gaps])
        });
        let mut t = self.from;
        for (i, strength) in decay.iter().enumerate() {
            let sounding: [C; STRINGS] = std::array::from_fn(|j| plain[j][i] * amplitude[j]);
            let sum: C = sounding.iter().sum();
            let turn = C::new(0.0, TAU * t * strength[0]);
            for k in 0..gaps {
                let moved: C = sounding.iter().zip(&by_gap[k]).map(|(x, by)| x * by).sum();
                slopes[k][i] = turn * moved * hz;
            }
            slopes[GAPS][i] = turn * sum;
            for o in 1..OWN {
                slopes[GAPS + o][i] = sum * strength[o];
            }
            t += self.step;
        }
    }

    /// `own` at the place where strings with `gaps` between them leave least over: the line lies between the outermost, and
    /// from one of these places to the next they turn a quarter over the partial's length.
    pub(super) fn placed(&self, own: Own, gaps: &[f64]) -> Own {
        let strings = gaps.len() + 1;
        let at = places(gaps).map(|place| place * self.hz);
        let (low, high) = (-at[strings - 1], -at[0]);
        let length = self.step * self.values.len() as f64;
        let count = (((high - low) * length * 4.0) as usize).clamp(2, PLACES);
        let step = (high - low) / count as f64;
        let decay = self.decay(own);
        let mut best = (f64::MIN, own.0[0]);
        let sum = |hz: f64, squared: bool| -> C {
            let waves = wave(
                C::from_polar(1.0, -TAU * hz * self.from),
                -TAU * hz * self.step,
            );
            let strengths = decay.iter().map(|x| x[0]).zip(&self.values);
            waves
                .zip(strengths)
                .map(|(wave, (strength, value))| {
                    if squared {
                        wave * (strength * strength)
                    } else {
                        value * wave * strength
                    }
                })
                .sum()
        };
        // Between strings j and k: at their distance's negative, as the table has it.
        let mut between = [[ZERO; STRINGS]; STRINGS];
        for j in 0..strings {
            for k in 0..=j {
                between[j][k] = sum(at[k] - at[j], true);
            }
        }
        for k in 0..=count {
            let hz = low + k as f64 * step;
            let met: [C; STRINGS] = std::array::from_fn(|j| {
                if j < strings {
                    sum(hz + at[j], false)
                } else {
                    ZERO
                }
            });
            let squares = explained(&between, &met, strings);
            if squares > best.0 {
                best = (squares, hz);
            }
        }
        let mut own = own;
        own.0[0] = best.1;
        own
    }

    /// Sums for strings at places `step` (a share of frequency) apart, up to `reach` steps to each side.
    pub(super) fn table(&self, own: Own, step: f64, reach: usize) -> Table {
        let decay = self.decay(own);
        let turns = |k: f64| {
            let turn = TAU * k * step * self.hz;
            wave(C::from_polar(1.0, -turn * self.from), -turn * self.step)
        };
        let own_turn = TAU * own.0[0];
        let values: Vec<C> = wave(
            C::from_polar(1.0, -own_turn * self.from),
            -own_turn * self.step,
        )
        .zip(&self.values)
        .zip(&decay)
        .map(|((wave, value), decay)| wave * value * decay[0])
        .collect();
        let met = (0..=2 * reach)
            .map(|k| {
                let waves = turns(k as f64 - reach as f64);
                values.iter().zip(waves).map(|(x, wave)| x * wave).sum()
            })
            .collect();
        let between = (0..=2 * reach)
            .map(|k| {
                let waves = turns(-(k as f64));
                decay
                    .iter()
                    .zip(waves)
                    .map(|(x, wave)| wave * (x[0] * x[0]))
                    .sum()
            })
            .collect();
        Table {
            met,
            between,
            power: self.power,
            noise: self.noise,
            free: self.values() - 2.0 * STRINGS as f64,
        }
    }
}

/// What strings at evenly spaced places leave over of a partial whose decay is known.
pub(super) struct Table {
    /// The partial against a string at each place.
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
        let explained = (middle - wide..=middle)
            .map(|low| self.explained([low, low + gaps[0], low + wide], strings))
            .fold(0.0, f64::max);
        let left = (self.power - explained).max(0.0);
        self.free * (left / self.free + self.noise).ln()
    }

    fn explained(&self, at: [usize; STRINGS], strings: usize) -> f64 {
        let mut between = [[ZERO; STRINGS]; STRINGS];
        let mut met = [ZERO; STRINGS];
        for j in 0..strings {
            for k in 0..=j {
                between[j][k] = self.between[at[j] - at[k]];
            }
            met[j] = self.met[at[j]];
        }
        explained(&between, &met, strings)
    }
}

/// Squares explained by strings whose products with the partial are `met`, and with one another `between` (Cholesky).
fn explained(between: &[[C; STRINGS]; STRINGS], met: &[C; STRINGS], strings: usize) -> f64 {
    let mut lower = [[ZERO; STRINGS]; STRINGS];
    let mut sum = 0.0;
    let mut solved = [ZERO; STRINGS];
    // Places too near one another for this partial are one.
    let ridge = 1e-6 * between[0][0].re;
    for j in 0..strings {
        let mut pivot = between[0][0].re + ridge;
        for k in 0..j {
            let before = lower[j][..k].iter().zip(&lower[k]);
            let shared: C = before.map(|(a, b)| a * b.conj()).sum();
            lower[j][k] = (between[j][k].conj() - shared) / lower[k][k].re;
            pivot -= lower[j][k].norm_sqr();
        }
        lower[j][j] = C::new(pivot.max(ridge).sqrt(), 0.0);
        let mut x = met[j];
        for k in 0..j {
            x -= lower[j][k] * solved[k];
        }
        solved[j] = x / lower[j][j].re;
        sum += solved[j].norm_sqr();
    }
    sum
}
