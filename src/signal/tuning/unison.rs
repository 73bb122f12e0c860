//! Strings of one key that disagree, found by the beats that all partials show together.
//! In: the partials' phases and strengths over time. Out: how far the strings lie apart, or which partials beat alone.
//!
//! Strings of one kind `r` apart (as a share of frequency) beat in every partial, `r` times its frequency a second. Each
//! partial tells, for every rate, how much likelier its course is with a beat of that rate than without; the logarithms
//! add up over the partials at rates that go with their frequencies. A single string's false beat keeps no such order.
//! Where there is such a beat, two strings and three are fitted to all partials ([`strings`]).

use realfft::num_complex::Complex;

use super::group::{Strings, strings};
use super::line::{Line, Moment};
use super::string::CENTS;
use crate::theory::Cents;

/// Strings that disagree.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unison {
    /// How far apart: the outermost, as far as the partials follow a model of the strings; else the two that beat the loudest.
    pub spread: Cents,
    /// Standard error.
    pub spread_se: Cents,
    /// Beats of the first partial, a second.
    pub beats: f64,
}

/// A partial speaks about rates of which it hears so much of a beat …
const COMPLETE: f64 = 1.0;

/// … and that its band lets through, in widths.
const PASSED: f64 = 1.3;

/// Widest spread that is looked for, cents.
const WIDEST: f64 = 20.0;

/// Moments of a partial that are looked at, at most.
const MOMENTS: usize = 64;

/// Polynomials that are taken out of a partial's course: height, slope, bend.
const COLUMNS: usize = 3;

/// The strongest partials are looked at, so many.
const COURSES: usize = 16;

/// What a lone string's phase (radians) and strength (as a share) may wander by without anything being out of tune:
/// its neighbours ring along, its decay has two stages.
const WANDER: (f64, f64) = (0.03, 0.10);

/// Strength alone speaks about rates of which it has so many beats: fewer look like a decay in two stages.
const BEATS_OF_STRENGTH: f64 = 2.0;

/// So many standard deviations above what noise gives must the partials' sum come, …
const SURE: f64 = 7.0;

/// … and so high must a single partial come to be said to beat alone: 1 in 10⁹ for noise at one rate.
const ALONE: f64 = 47.0;

/// Values of the likelihood's logarithm that noise adds to a partial's sum on average: two for the phase, two for the
/// strength; its variance is twice that.
const BY_NOISE: f64 = 4.0;

/// A spread whose gain is at least this share of the best's is a rival: recorded keys, a little softer or in a little noise,
/// go from one to the other.
const RIVAL: f64 = 0.85;

/// Strings fitted to the partials are believed where these follow them but for so much of their power: what recorded
/// strings leave over whose two strokes are fitted differently is more.
const FOLLOWED: f64 = 5e-3;

/// … and where their distance is known to this share of it.
const DETERMINED: f64 = 0.25;

/// A third string is believed where the outermost ones' distance is known to this share of it.
const PARTED: f64 = 0.1;

/// How much likelier one partial's course is with a beat than without, over rates: twice the logarithm.
struct Course {
    n: u32,
    hz: f64,
    lowest: f64,
    step: f64,
    gain: Vec<f64>,
}

impl Course {
    fn new(n: u32, line: &Line, width: f64) -> Option<Course> {
        let thin = line.moments.len().div_ceil(MOMENTS);
        let moments: Vec<Moment> = line.moments.iter().copied().step_by(thin).collect();
        let (first, last) = (moments.first()?, moments.last()?);
        let length = last.t - first.t;
        let independent = line.independent.min(moments.len() as f64);
        if independent < 8.0 {
            return None;
        }
        let mut phase: Vec<f64> = moments.iter().map(|m| m.phase).collect();
        let basis = Basis::new(&moments);
        let mut log: Vec<f64> = moments.iter().map(|m| m.log_power).collect();
        basis.take_out(&mut log);
        let mut strength: Vec<f64> = log.iter().map(|x| x.exp().min(5.0) - 1.0).collect();
        basis.take_out(&mut strength);
        basis.take_out(&mut phase);
        let weight: f64 = moments.iter().map(|m| m.weight).sum();
        let floors = [WANDER.0.powi(2) * weight, WANDER.1.powi(2) * weight];
        let waved = Waved::new(&basis, [&phase, &strength], floors);
        let (lowest, step) = (COMPLETE / length, 0.25 / length);
        let highest = PASSED * width;
        let count = ((highest - lowest) / step).max(0.0) as usize;
        let gain = (0..count)
            .map(|k| {
                let rate = lowest + k as f64 * step;
                let [by_phase, by_strength] = waved.explained(rate);
                let heard = if rate * length < BEATS_OF_STRENGTH {
                    0.0
                } else {
                    -(1.0 - by_strength).ln()
                };
                (independent - 5.0) * (heard - (1.0 - by_phase).ln())
            })
            .collect();
        Some(Course {
            n,
            hz: line.hz,
            lowest,
            step,
            gain,
        })
    }

    /// The gain at `rate` beats a second, if this partial can tell.
    fn at(&self, rate: f64) -> Option<f64> {
        let x = (rate - self.lowest) / self.step;
        if x < 0.0 {
            return None;
        }
        let k = x as usize;
        let (low, high) = (self.gain.get(k)?, self.gain.get(k + 1)?);
        Some(low + (high - low) * (x - k as f64))
    }

    fn highest(&self) -> f64 {
        self.gain.iter().copied().fold(0.0, f64::max)
    }
}

/// Weighted polynomials over a partial's moments, each at right angles to the others.
struct Basis<'a> {
    moments: &'a [Moment],
    columns: Vec<Vec<f64>>,
}

impl Basis<'_> {
    fn new(moments: &[Moment]) -> Basis<'_> {
        let middle = moments.iter().map(|m| m.t).sum::<f64>() / moments.len() as f64;
        let mut basis = Basis {
            moments,
            columns: Vec::with_capacity(COLUMNS),
        };
        for power in 0..COLUMNS as i32 {
            let mut column: Vec<f64> = moments.iter().map(|m| (m.t - middle).powi(power)).collect();
            basis.take_out(&mut column);
            let size = basis.product(&column, &column).sqrt();
            if size > 0.0 {
                column.iter_mut().for_each(|x| *x /= size);
            }
            basis.columns.push(column);
        }
        basis
    }

    fn product(&self, a: &[f64], b: &[f64]) -> f64 {
        let weights = self.moments.iter().map(|m| m.weight);
        weights
            .zip(a.iter().zip(b))
            .map(|(w, (a, b))| w * a * b)
            .sum()
    }

    /// Takes the polynomials out of `values`.
    fn take_out(&self, values: &mut [f64]) {
        for column in &self.columns {
            let share = self.product(values, column);
            for (value, x) in values.iter_mut().zip(column) {
                *value -= share * x;
            }
        }
    }
}

/// A partial's phase and strength, polynomials already out of them, against waves.
struct Waved {
    /// Seconds between two moments.
    spacing: f64,
    /// At each moment, each by its weight: the polynomials, phase, strength, and the weight itself.
    rows: Vec<[f64; COLUMNS + 3]>,
    /// The weights' sum, and squares of phase and strength, what is unexplained anyway included.
    weight: f64,
    squares: [f64; 2],
}

impl Waved {
    /// `floors` more of each course is unexplained anyway.
    fn new(basis: &Basis, courses: [&[f64]; 2], floors: [f64; 2]) -> Waved {
        let moments = basis.moments;
        let row = |k: usize| {
            let mut row = [0.0; COLUMNS + 3];
            for (slot, column) in row.iter_mut().zip(&basis.columns) {
                *slot = column[k];
            }
            row[COLUMNS..].copy_from_slice(&[courses[0][k], courses[1][k], 1.0]);
            row.map(|x| x * moments[k].weight)
        };
        Waved {
            // They are evenly spaced: one turn is like the other.
            spacing: moments.get(1).map_or(0.0, |m| m.t - moments[0].t),
            rows: (0..moments.len()).map(row).collect(),
            weight: moments.iter().map(|m| m.weight).sum(),
            squares: std::array::from_fn(|k| basis.product(courses[k], courses[k]) + floors[k]),
        }
    }

    /// Shares of phase and strength that a beat of `rate` explains.
    fn explained(&self, rate: f64) -> [f64; 2] {
        let turn = Complex::from_polar(1.0, std::f64::consts::TAU * rate * self.spacing);
        let mut now = Complex::new(1.0, 0.0);
        let (mut cos, mut sin) = ([0.0; COLUMNS + 2], [0.0; COLUMNS + 2]);
        let mut twice = Complex::new(0.0, 0.0);
        for row in &self.rows {
            for k in 0..COLUMNS + 2 {
                cos[k] += now.re * row[k];
                sin[k] += now.im * row[k];
            }
            twice += now * now * row[COLUMNS + 2];
            now *= turn;
        }
        // Squares of cosine and sine, and their product; what polynomials have of these is taken out.
        let (mut cc, mut ss) = (
            0.5 * (self.weight + twice.re),
            0.5 * (self.weight - twice.re),
        );
        let mut cs = 0.5 * twice.im;
        for (c, s) in cos.iter().zip(&sin).take(COLUMNS) {
            cc -= c * c;
            ss -= s * s;
            cs -= c * s;
        }
        let determinant = cc * ss - cs * cs;
        if determinant <= 1e-9 * cc * ss {
            return [0.0; 2];
        }
        std::array::from_fn(|k| {
            let (cv, sv) = (cos[COLUMNS + k], sin[COLUMNS + k]);
            let explained = (ss * cv * cv - 2.0 * cs * cv * sv + cc * sv * sv) / determinant;
            (explained / self.squares[k]).clamp(0.0, 0.999_999)
        })
    }
}

/// Strings that disagree, and partials that beat alone. `width` is the partials' band, hertz.
pub(super) fn unison(lines: &[(u32, &Line)], width: f64, first: f64) -> (Option<Unison>, Vec<u32>) {
    // High partials beat fast and tell rates best, strong ones are heard longest.
    let speaks = |(n, line): &(u32, &Line)| line.amplitude * f64::from(*n);
    let mut strongest: Vec<&(u32, &Line)> = lines.iter().collect();
    strongest.sort_by(|a, b| speaks(b).total_cmp(&speaks(a)));
    let courses: Vec<Course> = strongest
        .iter()
        .take(COURSES)
        .filter_map(|(n, line)| Course::new(*n, line, width))
        .collect();
    let Some(step) = courses
        .iter()
        .map(|course| course.step / course.hz)
        .min_by(f64::total_cmp)
    else {
        return (None, Vec::new());
    };
    let steps = (WIDEST / CENTS / step) as usize;
    let (gains, sure): (Vec<f64>, Vec<bool>) =
        (0..=steps).map(|k| gain(&courses, k as f64 * step)).unzip();
    let best = (1..=steps)
        .filter(|k| sure[*k])
        .max_by(|a, b| gains[*a].total_cmp(&gains[*b]));
    let Some(best) = best else {
        let alone = courses.iter().filter(|course| course.highest() > ALONE);
        return (None, alone.map(|course| course.n).collect());
    };
    let Some((spread, se)) = refined(&courses, best as f64 * step, step) else {
        return (None, Vec::new());
    };
    let said_most: Vec<&Line> = strongest.iter().map(|(_, line)| *line).collect();
    let rivals = rivals(&gains, best);
    let mut beats = vec![spread];
    beats.extend(rivals.first().map(|rival| step * *rival as f64));
    let (spread, se) = outermost(&said_most, &beats).unwrap_or_else(|| {
        let farthest = rivals.iter().map(|rival| rival.abs_diff(best)).max();
        (spread, se.hypot(step * farthest.unwrap_or(0) as f64))
    });
    let unison = Unison {
        spread: Cents(CENTS * spread),
        spread_se: Cents(CENTS * se),
        beats: spread * first,
    };
    (Some(unison), Vec::new())
}

/// The gains of the partials that can tell a `spread` of the strings (a share of frequency), added up, and how many they
/// are.
fn sum(courses: &[Course], spread: f64) -> (f64, f64) {
    let mut count = 0.0;
    let mut sum = 0.0;
    for gain in courses
        .iter()
        .filter_map(|course| course.at(spread * course.hz))
    {
        count += 1.0;
        sum += gain;
    }
    (sum, count)
}

/// How much likelier the partials are with strings `spread` apart than without, noise's share taken off, as twice the
/// logarithm; and whether that lies as far above what noise gives as is [`SURE`]. A partial that cannot tell such a spread
/// says nothing of it.
fn gain(courses: &[Course], spread: f64) -> (f64, bool) {
    let (sum, count) = sum(courses, spread);
    if count < 1.0 {
        return (f64::MIN, false);
    }
    let gain = sum - BY_NOISE * count;
    (gain, gain > SURE * (2.0 * BY_NOISE * count).sqrt())
}

/// The other summits of `gains` that are nearly as high as the `best`, the highest first.
fn rivals(gains: &[f64], best: usize) -> Vec<usize> {
    let mut rivals: Vec<usize> = gains
        .windows(3)
        .zip(1..)
        .filter(|(near, _)| near[1] >= near[0].max(near[2]) && near[1] > RIVAL * gains[best])
        .map(|(_, k)| k)
        .filter(|k: &usize| k.abs_diff(best) > 1)
        .collect();
    rivals.sort_by(|a, b| gains[*b].total_cmp(&gains[*a]));
    rivals
}

/// The spread nearest to `best` at which the sum is highest, and its standard error; `None` where it has no summit there.
fn refined(courses: &[Course], best: f64, step: f64) -> Option<(f64, f64)> {
    // The parabola by least squares through the sums around the best, whose bend is twice the information.
    let around: Vec<f64> = (-3..=3)
        .map(|k| sum(courses, best + f64::from(k) * step).0)
        .collect();
    let moment = |f: &dyn Fn(f64) -> f64| -> f64 {
        (-3..=3)
            .zip(&around)
            .map(|(k, sum)| f(f64::from(k)) * sum)
            .sum()
    };
    // Orthogonal polynomials on seven places: k, and k² − 4, with squares 28 and 84.
    let (slope, bend) = (moment(&|k| k) / 28.0, moment(&|k| k * k - 4.0) / 84.0);
    if bend >= 0.0 {
        return None;
    }
    let off = (-0.5 * slope / bend).clamp(-2.0, 2.0);
    let spread = best + off * step;
    // Where partials draw to different sides, as with three strings of which each hears another pair the loudest, their
    // pulls tell the error and not the bend (Huber 1967, 5th Berkeley Symp. 1:221).
    let pulls: f64 = courses
        .iter()
        .filter_map(|course| {
            let at = |k: f64| course.at((spread + k * step) * course.hz);
            Some((0.25 * (at(1.0)? - at(-1.0)?)).powi(2))
        })
        .sum();
    let se = (-1.0 / bend).sqrt().max(pulls.sqrt() / -bend) * step;
    Some((spread, se))
}

/// How far the outermost strings lie apart and its standard error, as shares of frequency, where a model of two strings or
/// three, sought from the `beats` on, is followed by the partials in `lines`, those that say most first.
fn outermost(lines: &[&Line], beats: &[f64]) -> Option<(f64, f64)> {
    let fits = beats
        .iter()
        .filter_map(|beat| likelier(lines.iter().copied(), *beat));
    let likeliest = fits.min_by(|a, b| a.cost.total_cmp(&b.cost))?;
    let apart = likeliest.strings.apart();
    let believed = likeliest.strings.left < FOLLOWED && likeliest.se < DETERMINED * apart;
    believed.then(|| (apart, likeliest.told_se.min(apart)))
}

/// Strings that are likelier than others.
struct Likelier {
    cost: f64,
    strings: Strings,
    /// Standard error of their outermost distance, by which they are believed and as it is told.
    se: f64,
    told_se: f64,
}

/// Two strings or three, whichever is likelier.
fn likelier<'a>(lines: impl Iterator<Item = &'a Line>, beat: f64) -> Option<Likelier> {
    let (two, three, surplus) = strings(lines, beat)?;
    if three.cost + surplus < two.cost && three.se < PARTED * three.apart() {
        return Some(Likelier {
            cost: three.cost + surplus,
            se: three.se,
            told_se: three.told_se,
            strings: three,
        });
    }
    // A third one may be there that does not part from its neighbour: two show its middle with that.
    let hidden = 0.5 * three.nearest();
    let moves = (three.apart() - two.apart()).abs().max(three.told_se);
    Some(Likelier {
        cost: two.cost,
        se: two.se.hypot(three.se.min(hidden)),
        told_se: two.told_se.hypot(moves.min(hidden)),
        strings: two,
    })
}
