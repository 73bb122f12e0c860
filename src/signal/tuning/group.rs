//! How far the strings of one key lie apart, by a model of all their partials together.
//! In: the partials' courses and about how far apart the loudest beat lies. Out: two strings and three, as they fit best.
//!
//! Strings of one kind keep their distances, as shares of frequency, in every partial; how loud each is there and in which
//! phase is free, and they die away in the two stages of that partial (Weinreich 1977, JASA 62:1474). Given distances,
//! decay and place, the likeliest amplitudes are linear least squares; what these leave over is made small by Gauss and
//! Newton, damped (variable projection: Golub & Pereyra 1973, SIAM J. Num. Anal. 10:413; Kaufman 1975, BIT 15:49). Each
//! partial's noise is what it leaves over, so that one which does not follow the model has little to say.

mod course;
mod values;

use super::line::Line;
use course::{Course, OWN, Own, Said};

/// Distances between neighbouring strings: two at most.
const GAPS: usize = 2;

/// The partials that say most are looked at, so many.
const COURSES: usize = 8;

/// Steps of the first search to the beat that was heard, and the longest distances tried, in steps, of neighbours and of
/// the outermost: the loudest beat may be that of the nearer pair, or lie between two.
const STEPS: f64 = 6.0;
const FARTHEST: usize = 16;
const WIDEST: usize = 21;

/// Turns by which neighbouring places of the first search part over a partial's length at most, that it tells them apart
/// and the refinement finds the way between.
const TURNS: f64 = 0.5;

/// At least so many partials, the slowest, are asked in the first search.
const ASKED: usize = 3;

/// Places of the first search that are refined, and rounds of that.
const STARTS: usize = 4;
const FIRST_ROUNDS: usize = 10;
const ROUNDS: usize = 30;

/// A round that gains less than this of twice the likelihood's logarithm is the last.
const GAIN: f64 = 0.01;

/// Strings that fit best.
#[derive(Debug, Clone)]
pub(super) struct Strings {
    /// Distances between neighbouring ones, as shares of frequency.
    gaps: Vec<f64>,
    /// Twice the negative logarithm of the likelihood.
    pub(super) cost: f64,
    /// The outermost ones' distance: its standard error as if what is left over were noise …
    pub(super) se: f64,
    /// … and as what the model does not follow would have it.
    pub(super) told_se: f64,
    /// Median over the partials of the share of power that is left over.
    pub(super) left: f64,
    own: Vec<Own>,
}

impl Strings {
    /// Distance of the outermost.
    pub(super) fn apart(&self) -> f64 {
        self.gaps.iter().sum()
    }

    /// Distance of the nearest neighbours.
    pub(super) fn nearest(&self) -> f64 {
        self.gaps.iter().copied().fold(f64::MAX, f64::min)
    }
}

/// Two strings and three, from the loudest beat on (as a share of frequency), of the partials in `lines`, those that say
/// most first; and by how much three must cost less to be believed. `None` when no partial lasts.
pub(super) fn strings<'a>(
    lines: impl Iterator<Item = &'a Line>,
    beat: f64,
) -> Option<(Strings, Strings, f64)> {
    let courses: Vec<Course> = lines.filter_map(Course::new).take(COURSES).collect();
    if courses.is_empty() {
        return None;
    }
    let own: Vec<Own> = courses.iter().map(Course::start).collect();
    let two = best(&courses, &own, beat, 1);
    let three = best(&courses, &two.own, beat, 2);
    // Schwarz 1978, Ann. Stat. 6:461: a string more is a distance, and in each partial an amplitude and a phase.
    let sizes: f64 = courses.iter().map(Course::values).sum();
    let more: f64 = courses
        .iter()
        .map(|course| 2.0 * course.values().ln())
        .sum();
    Some((two, three, more + sizes.ln()))
}

fn best(courses: &[Course], own: &[Own], beat: f64, gaps: usize) -> Strings {
    let mut starts = search(courses, own, beat, gaps);
    starts.truncate(STARTS);
    let found = starts
        .iter()
        .map(|gaps| {
            let placed: Vec<Own> = courses
                .iter()
                .zip(own)
                .map(|(course, own)| course.placed(*own, gaps))
                .collect();
            Fit::new(courses, gaps, &placed).refined(FIRST_ROUNDS)
        })
        .min_by(|a, b| a.cost.total_cmp(&b.cost))
        .unwrap_or_else(|| Fit::new(courses, &vec![beat; gaps], own));
    found.refined(ROUNDS).strings()
}

/// Distances on a coarse grid that leave least over, best first and no two neighbours.
fn search(courses: &[Course], own: &[Own], beat: f64, gaps: usize) -> Vec<Vec<f64>> {
    let step = beat / STEPS;
    let mut asked: Vec<(&Course, &Own)> = courses.iter().zip(own).collect();
    asked.sort_by(|a, b| a.0.turns(step).total_cmp(&b.0.turns(step)));
    let slow = asked
        .iter()
        .filter(|(course, _)| course.turns(step) < TURNS);
    let count = slow.count().max(ASKED).min(asked.len());
    let tables: Vec<course::Table> = asked[..count]
        .iter()
        .map(|(course, own)| course.table(**own, step, WIDEST))
        .collect();
    let second = if gaps == 2 { 1..=FARTHEST } else { 0..=0 };
    let mut tried: Vec<(f64, [usize; GAPS])> = (1..=FARTHEST)
        .flat_map(|i| second.clone().map(move |j| [i, j]))
        .filter(|gaps| gaps[0] + gaps[1] <= WIDEST)
        .map(|gaps| (tables.iter().map(|table| table.cost(gaps)).sum(), gaps))
        .collect();
    tried.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut kept: Vec<[usize; GAPS]> = Vec::new();
    for (_, gaps) in tried {
        let near = |other: &[usize; GAPS]| (0..GAPS).all(|k| other[k].abs_diff(gaps[k]) <= 1);
        if !kept.iter().any(near) {
            kept.push(gaps);
        }
        if kept.len() == STARTS {
            break;
        }
    }
    kept.iter()
        .map(|steps| steps[..gaps].iter().map(|k| *k as f64 * step).collect())
        .collect()
}

/// A fit under way.
struct Fit<'a> {
    courses: &'a [Course],
    gaps: Vec<f64>,
    own: Vec<Own>,
    said: Vec<Said>,
    cost: f64,
    damping: f64,
}

/// Where a fit should go.
struct Step {
    /// Of the distances.
    step: [f64; GAPS],
    /// Of each partial's own: for each distance that changes, and by themselves (last column).
    answers: Vec<[[f64; GAPS + 1]; OWN]>,
    /// Information about the distances.
    information: [[f64; GAPS]; GAPS],
    /// What each partial alone pulls at the distances.
    pulls: Vec<[f64; GAPS]>,
}

impl<'a> Fit<'a> {
    fn new(courses: &'a [Course], gaps: &[f64], own: &[Own]) -> Fit<'a> {
        let said: Vec<Said> = courses
            .iter()
            .zip(own)
            .map(|(course, own)| course.say(gaps, *own))
            .collect();
        Fit {
            courses,
            gaps: gaps.to_vec(),
            own: own.to_vec(),
            cost: said.iter().map(Said::cost).sum(),
            said,
            damping: 1e-2,
        }
    }

    fn refined(mut self, rounds: usize) -> Fit<'a> {
        for _ in 0..rounds {
            let Step { step, answers, .. } = self.step(self.damping, |said| said.variance);
            let gaps: Vec<f64> = self
                .gaps
                .iter()
                .zip(&step)
                .map(|(gap, step)| gap + step.clamp(-0.5 * gap, 0.5 * gap))
                .collect();
            let own: Vec<Own> = self
                .own
                .iter()
                .zip(&answers)
                .map(|(own, answer)| {
                    own.moved(std::array::from_fn(|o| {
                        let by_gaps =
                            (0..gaps.len()).map(|k| answer[o][k] * (gaps[k] - self.gaps[k]));
                        answer[o][GAPS] - by_gaps.sum::<f64>()
                    }))
                })
                .collect();
            let next = Fit::new(self.courses, &gaps, &own);
            if next.cost < self.cost {
                let gain = self.cost - next.cost;
                let damping = (0.2 * self.damping).max(1e-6);
                self = Fit { damping, ..next };
                if gain < GAIN {
                    break;
                }
            } else {
                self.damping *= 8.0;
                if self.damping > 1e6 {
                    break;
                }
            }
        }
        self
    }

    /// The next step, where what a partial leaves over has a `variance`.
    fn step(&self, damping: f64, variance: impl Fn(&Said) -> f64) -> Step {
        let count = self.gaps.len();
        let mut total = [[0.0; GAPS]; GAPS];
        let mut side = [[0.0; 1]; GAPS];
        let mut answers = Vec::with_capacity(self.said.len());
        let mut pulls = Vec::with_capacity(self.said.len());
        for said in &self.said {
            let mut own = [[0.0; OWN]; OWN];
            let mut sides = [[0.0; GAPS + 1]; OWN];
            for o in 0..OWN {
                own[o].copy_from_slice(&said.matrix[GAPS + o][GAPS..]);
                own[o][o] = own[o][o] * (1.0 + damping) + f64::MIN_POSITIVE;
                sides[o][..GAPS].copy_from_slice(&said.matrix[GAPS + o][..GAPS]);
                sides[o][GAPS] = said.side[GAPS + o];
            }
            let answer = solve(own, sides, OWN);
            let weight = 1.0 / variance(said);
            let mut pull = [0.0; GAPS];
            for i in 0..count {
                let through = |k: usize| -> f64 {
                    (0..OWN)
                        .map(|o| said.matrix[i][GAPS + o] * answer[o][k])
                        .sum()
                };
                for (k, sum) in total[i].iter_mut().enumerate().take(count) {
                    *sum += weight * (said.matrix[i][k] - through(k));
                }
                pull[i] = weight * (said.side[i] - through(GAPS));
                side[i][0] += pull[i];
            }
            answers.push(answer);
            pulls.push(pull);
        }
        let mut damped = total;
        for (k, row) in damped.iter_mut().enumerate() {
            row[k] *= 1.0 + damping;
        }
        Step {
            step: solve(damped, side, count).map(|row| row[0]),
            answers,
            information: total,
            pulls,
        }
    }

    fn strings(self) -> Strings {
        let mut left: Vec<f64> = self.said.iter().map(|said| said.left).collect();
        left.sort_by(f64::total_cmp);
        Strings {
            se: self.apart_se(|said| said.variance),
            told_se: self.apart_se(|said| said.variance + 0.5 * said.free * said.misfit()),
            left: left[left.len() / 2],
            gaps: self.gaps,
            cost: self.cost,
            own: self.own,
        }
    }

    /// Standard error of the outermost strings' distance, where what a partial leaves over has a `variance`.
    fn apart_se(&self, variance: impl Fn(&Said) -> f64) -> f64 {
        let Step {
            information, pulls, ..
        } = self.step(1e-9, variance);
        let count = self.gaps.len();
        let mut ones = [[0.0; 1]; GAPS];
        ones[..count].fill([1.0]);
        // The sum of a covariance's elements is the variance of the sum. Where partials draw to different sides, their
        // pulls tell more than the bend (Huber 1967, 5th Berkeley Symp. 1:221).
        let by_ones = solve(information, ones, count).map(|row| row[0]);
        let bend: f64 = by_ones.iter().sum();
        let pulled: f64 = pulls
            .iter()
            .map(|pull| {
                by_ones
                    .iter()
                    .zip(pull)
                    .map(|(x, y)| x * y)
                    .sum::<f64>()
                    .powi(2)
            })
            .sum();
        let variance = bend.max(pulled);
        if variance > 0.0 {
            variance.sqrt()
        } else {
            f64::INFINITY
        }
    }
}

/// Solves the first `size` rows of a symmetric system for some right sides, the columns of `sides` (Gauss).
fn solve<const N: usize, const R: usize>(
    mut a: [[f64; N]; N],
    mut sides: [[f64; R]; N],
    size: usize,
) -> [[f64; R]; N] {
    for i in 0..size {
        let (row, right) = (a[i], sides[i]);
        for k in i + 1..size {
            let factor = a[k][i] / row[i];
            let lower = a[k].iter_mut().zip(row).skip(i);
            lower.for_each(|(x, y)| *x -= factor * y);
            let rights = sides[k].iter_mut().zip(right);
            rights.for_each(|(x, y)| *x -= factor * y);
        }
    }
    for i in (0..size).rev() {
        let mut right = sides[i];
        for (known, by) in sides.iter().zip(a[i]).take(size).skip(i + 1) {
            let rights = right.iter_mut().zip(known);
            rights.for_each(|(x, y)| *x -= by * y);
        }
        sides[i] = right.map(|x| x / a[i][i]);
    }
    sides
}
