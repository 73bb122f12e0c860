//! First partial and inharmonicity of a string from the frequencies of its partials.
//! In: partials with their standard errors. Out: a [`StringFit`].
//! Source: Fletcher 1964, JASA 36:203, f_n = n f_1 √((1 + B n²) / (1 + B)); its B expected by register, Young 1952, JASA
//! 24:267, and Rigaud, David & Daudet 2013, JASA 133:3107; high partials of thick strings lie lower, in the fourth power of
//! their number (Timoshenko 1921, Phil. Mag. 41:744). Scatter beyond the errors: Paule & Mandel 1982, J. Res. NBS
//! 87:377. Partials that lie far off count for less, without a limit at which they leave: Student's t in place of the
//! normal distribution, Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84:881.

use std::f64::consts::LN_2;

/// A logarithm of frequency in cents.
pub(super) const CENTS: f64 = 1200.0 / LN_2;

/// How well B is known beforehand, as a factor: from the search for the key, whose steps are that far apart.
const PRIOR: f64 = 0.5;

/// How far the twentieth partial of a string may lie under the formula (standard deviation), as a multiple of its partials'
/// scatter: strings that follow it exactly are not softened. Chosen on 29 keys of a recorded grand.
const SOFTENING: f64 = 2.0;

/// Degrees of freedom of the partials' errors: four, as Lange, Little & Taylor found to serve most data.
const FREEDOM: f64 = 4.0;

/// A partial is said to lie off the string when it is so many of its errors away.
const OFF: f64 = 4.0;

/// Rounds of the fit at most; in the first ones, which come from afar, all partials count alike.
const ROUNDS: usize = 30;
const EVEN_ROUNDS: usize = 4;

/// Scatter at most, cents, and rounds in which it is sought.
const MOST_SCATTER: f64 = 100.0;
const SCATTER_ROUNDS: usize = 30;

/// One partial as the fit sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    pub(super) n: u32,
    pub(super) hz: f64,
    pub(super) se: f64,
    /// For how much it counts, 0 to 1: what is hardly found says hardly anything.
    pub(super) counts: f64,
}

/// What a string was found to be.
#[derive(Debug, Clone)]
pub(super) struct StringFit {
    /// First partial, hertz, and its standard error in cents.
    pub(super) first: f64,
    pub(super) first_se: f64,
    /// Inharmonicity and its standard error.
    pub(super) b: f64,
    pub(super) b_se: f64,
    /// Scatter of the partials around the formula beyond their errors, cents.
    pub(super) scatter: f64,
    /// Whether each point was used.
    pub(super) used: Vec<bool>,
    /// Cents by which the twentieth partial lies under the formula of stiffness alone.
    pub(super) soft: f64,
}

/// Inharmonicity that a string of first partial `hz` has in most pianos.
pub(super) fn expected_b(hz: f64) -> f64 {
    let key = 69.0 + 12.0 * (hz / 440.0).log2();
    3.47e-4 * ((key - 60.0) / 8.0).exp2() + 2.0e-4 * (-0.1 * (key - 21.0)).exp()
}

/// Partial `n` of a string.
pub(super) fn partial(first: f64, b: f64, n: u32) -> f64 {
    let n = f64::from(n);
    n * first * ((1.0 + b * n * n) / (1.0 + b)).sqrt()
}

/// Fits a string to `points`, starting from `first`; B is expected near `b`. `None` without points.
pub(super) fn fit(points: &[Point], first: f64, b: f64) -> Option<StringFit> {
    if points.is_empty() {
        return None;
    }
    let mut found = weighted(points, first, b)?;
    found.used = points
        .iter()
        .map(|point| found.distance(point) < OFF)
        .collect();
    Some(found)
}

impl StringFit {
    /// How many of its errors, scatter included, `point` lies off the string.
    pub(super) fn distance(&self, point: &Point) -> f64 {
        let order = f64::from(point.n * point.n);
        let softened = self.soft * Softer::new(self.b).at(order, 1.0 + self.b * order);
        let off = CENTS * (point.hz / partial(self.first, self.b, point.n)).ln() + softened;
        off.abs() / (point.cents_se().hypot(self.scatter * point.looseness()))
    }
}

impl Point {
    /// How much more than the lowest this partial scatters around the formula: high ones do, by number where wound
    /// strings end its reach, by frequency where the bridge moves. Chosen on 29 keys of a recorded grand.
    fn looseness(&self) -> f64 {
        let by_number = f64::from(self.n) / 5.0;
        let by_frequency = self.hz / 1_000.0;
        (1.0 + by_number * by_number + by_frequency * by_frequency).sqrt()
    }

    fn cents_se(&self) -> f64 {
        CENTS * self.se / self.hz
    }
}

/// A string about as it is, while its partials are still sought.
#[derive(Debug, Clone, Copy)]
pub(super) struct Roughly {
    /// First partial, hertz.
    pub(super) first: f64,
    /// Inharmonicity.
    pub(super) b: f64,
    scatter: f64,
}

impl Roughly {
    pub(super) fn new(first: f64, b: f64) -> Roughly {
        Roughly {
            first,
            b,
            scatter: 0.0,
        }
    }

    /// The string by all `points` found so far, where `self` is what those before the last said, and B is expected near `b`.
    /// The scatter comes one step nearer to what they show.
    pub(super) fn nearer(self, points: &[Point], b: f64) -> Option<Roughly> {
        let seen: Vec<Seen> = points.iter().map(Seen::new).collect();
        let found = solve(&seen, (self.first, self.b), b, self.scatter)?;
        let variance = self.scatter.powi(2) + found.newton(free(&seen));
        Some(Roughly {
            first: found.fit.first,
            b: found.fit.b,
            scatter: variance.max(0.0).sqrt().min(MOST_SCATTER),
        })
    }
}

/// Squares that are free in a fit: the partials, less first partial and stiffness; of which the latter is half known
/// beforehand.
fn free(seen: &[Seen]) -> f64 {
    (seen.iter().map(|seen| seen.counts).sum::<f64>() - 2.0).max(0.0) + 1.0
}

/// The most likely string when the partials scatter by what they themselves show.
fn weighted(points: &[Point], first: f64, b: f64) -> Option<StringFit> {
    let seen: Vec<Seen> = points.iter().map(Seen::new).collect();
    // Scatter such that the weighted squares come out as many as are free.
    let mut found = solve(&seen, (first, b), b, 0.0)?;
    let free = free(&seen);
    if found.squares <= free {
        return Some(found.fit);
    }
    let (mut low, mut high) = (0.0_f64, MOST_SCATTER * MOST_SCATTER);
    let mut variance = 0.0_f64;
    for _ in 0..SCATTER_ROUNDS {
        let straight = variance + found.newton(free);
        let last = variance;
        variance = if straight > low && straight < high {
            straight
        } else {
            (low.max(1e-4 * high) * high).sqrt()
        };
        found = solve(&seen, (found.fit.first, found.fit.b), b, variance.sqrt())?;
        if found.squares > free {
            low = variance;
        } else {
            high = variance;
        }
        if (variance - last).abs() < 1e-3 * variance || high < 1e-10 {
            break;
        }
    }
    Some(found.fit)
}

/// A partial with what does not change while a string is fitted to it.
struct Seen {
    /// Its number's square.
    order: f64,
    /// Logarithm of its frequency over its number.
    log_hz: f64,
    /// Square of its error, cents.
    own: f64,
    /// Square of [`Point::looseness`].
    loose: f64,
    /// For how much it counts.
    counts: f64,
}

impl Seen {
    fn new(point: &Point) -> Seen {
        Seen {
            order: f64::from(point.n * point.n),
            log_hz: (point.hz / f64::from(point.n)).ln(),
            own: point.cents_se().powi(2),
            loose: point.looseness().powi(2),
            counts: point.counts,
        }
    }
}

/// A string fitted with a given scatter.
struct Solved {
    fit: StringFit,
    /// Weighted squares that are left.
    squares: f64,
    /// How these fall as the scatter's variance grows.
    slope: f64,
}

impl Solved {
    /// By how much more variance of the scatter as many squares would be left as are `free`: their inverse goes nearly
    /// straight with it (Newton).
    fn newton(&self, free: f64) -> f64 {
        self.squares * (self.squares / free - 1.0) / self.slope.max(f64::MIN_POSITIVE)
    }
}

/// Weighted least squares by Gauss and Newton in (logarithm of f_1, ln B, softening), from `start` on, where B is expected
/// near `b`. Each round weighs the partials by how far the last left them off.
fn solve(points: &[Seen], start: (f64, f64), b: f64, scatter: f64) -> Option<Solved> {
    let expected = b.max(1e-7).ln();
    let (mut f, mut log_b, mut soft) = (start.0.ln(), start.1.max(1e-7).ln(), 0.0);
    let priors = [
        0.0,
        1.0 / (PRIOR * PRIOR),
        1.0 / (SOFTENING * scatter).powi(2).max(1e-12),
    ];
    let mut covariance = [[0.0; 3]; 3];
    let (mut squares, mut slope) = (0.0, 0.0);
    for round in 0..ROUNDS {
        let b = log_b.exp();
        let mut matrix = [[0.0; 3]; 3];
        let mut side = [0.0, priors[1] * (expected - log_b), -priors[2] * soft];
        for (k, prior) in priors.iter().enumerate() {
            matrix[k][k] = *prior;
        }
        (squares, slope) = (0.0, 0.0);
        let first = f - 0.5 * (1.0 + b).ln();
        let softer = Softer::new(b);
        for point in points {
            let stiff = 1.0 + b * point.order;
            let softer = softer.at(point.order, stiff);
            let variance = point.own + scatter * scatter * point.loose;
            let off = CENTS * (point.log_hz - first - 0.5 * stiff.ln()) + soft * softer;
            let share = if round < EVEN_ROUNDS {
                1.0
            } else {
                (FREEDOM + 1.0) / (FREEDOM + off * off / variance)
            };
            let weight = point.counts * share / variance;
            let by_b = CENTS * 0.5 * b * (point.order / stiff - 1.0 / (1.0 + b));
            let slopes = [CENTS, by_b, -softer];
            for i in 0..3 {
                for k in 0..3 {
                    matrix[i][k] += weight * slopes[i] * slopes[k];
                }
                side[i] += weight * slopes[i] * off;
            }
            squares += weight * off * off;
            slope += weight * off * off * point.loose / variance;
        }
        covariance = inverse(&matrix)?;
        let step: [f64; 3] =
            std::array::from_fn(|i| (0..3).map(|k| covariance[i][k] * side[k]).sum());
        if round == ROUNDS - 1 {
            break;
        }
        f += step[0];
        log_b += step[1].clamp(-1.0, 1.0);
        soft += step[2];
        if round >= EVEN_ROUNDS && step[0].abs() < 1e-9 && step[1].abs() < 1e-6 {
            break;
        }
    }
    let fit = StringFit {
        first: f.exp(),
        first_se: CENTS * covariance[0][0].sqrt(),
        b: log_b.exp(),
        b_se: log_b.exp() * covariance[1][1].sqrt(),
        scatter,
        used: vec![true; points.len()],
        soft,
    };
    Some(Solved {
        fit,
        squares,
        slope,
    })
}

/// By how much a string softens at a partial, as a share of what it does at the twentieth: its stiffness gives way
/// to shear and to its own turning inertia in the fourth power.
struct Softer {
    at_first: f64,
    at_twentieth: f64,
}

impl Softer {
    fn new(b: f64) -> Softer {
        Softer {
            at_first: 1.0 / (1.0 + b),
            at_twentieth: 160_000.0 / (1.0 + 400.0 * b),
        }
    }

    /// At the partial whose number has the square `order`, where the string is `stiff` = 1 + B n².
    fn at(&self, order: f64, stiff: f64) -> f64 {
        (order * order / stiff - self.at_first) / self.at_twentieth
    }
}

/// The inverse of a positive definite matrix.
fn inverse(m: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let minor = |i: usize, k: usize| {
        let (a, b) = ((i + 1) % 3, (i + 2) % 3);
        let (c, d) = ((k + 1) % 3, (k + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: f64 = (0..3).map(|k| m[0][k] * minor(0, k)).sum();
    (determinant > 0.0)
        .then(|| std::array::from_fn(|i| std::array::from_fn(|k| minor(k, i) / determinant)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Partials 2 to 36 of a string at 27 Hz whose stiffness gives way by `giving` n², each scattered by `scatter` cents.
    fn bass(giving: f64, scatter: f64) -> Vec<Point> {
        use rand::{RngExt, SeedableRng};
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let shape = |n: f64| (1.0 + 3e-4 * n * n / (1.0 + giving * n * n)).sqrt();
        (2..=36)
            .map(|n| {
                let order = f64::from(n);
                let off = scatter * random.random_range(-1.7..1.7);
                let hz = 27.0 * order * shape(order) / shape(1.0) * (off / CENTS).exp();
                Point {
                    n,
                    hz,
                    se: 1e-5 * hz,
                    counts: 1.0,
                }
            })
            .collect()
    }

    #[test]
    fn a_string_whose_stiffness_gives_way_is_read_by_its_low_partials() {
        let off = |points: &[Point]| {
            let found = fit(points, 27.1, 2e-4).unwrap();
            (CENTS * (found.first / 27.0).ln(), found.soft)
        };
        // Fifteen cents under the formula at the thirty-sixth partial, as in the lowest recorded keys.
        let (cents, soft) = off(&bass(1.5e-4, 0.5));
        assert!(cents.abs() < 0.8, "{cents}");
        assert!(soft > 1.0, "{soft}");
        let (cents, soft) = off(&bass(0.0, 0.0));
        assert!(cents.abs() < 1e-3 && soft.abs() < 1e-3, "{cents} {soft}");
    }
}
