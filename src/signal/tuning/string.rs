//! First partial and inharmonicity of a string from the frequencies of its partials.
//! In: partials with their standard errors. Out: a [`StringFit`].
//! Source: Fletcher 1964, JASA 36:203, f_n = n f_1 √((1 + B n²) / (1 + B)); its B expected by register, Young 1952, JASA
//! 24:267, and Rigaud, David & Daudet 2013, JASA 133:3107. Scatter beyond the errors: Paule & Mandel 1982, J. Res. NBS
//! 87:377. Partials that lie far off count for less, without a limit at which they leave: Student's t in place of the
//! normal distribution, Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84:881.

use std::f64::consts::LN_2;

/// A logarithm of frequency in cents.
pub(super) const CENTS: f64 = 1200.0 / LN_2;

/// How well B is known beforehand, as a factor: from the search for the key, whose steps are that far apart.
const PRIOR: f64 = 0.5;

/// Degrees of freedom of the partials' errors: four, as Lange, Little & Taylor found to serve most data.
const FREEDOM: f64 = 4.0;

/// A partial is said to lie off the string when it is so many of its errors away.
const OFF: f64 = 4.0;

/// Rounds of the fit at most; in the first ones, which come from afar, all partials count alike.
const ROUNDS: usize = 30;
const EVEN_ROUNDS: usize = 4;

/// One partial as the fit sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    pub(super) n: u32,
    pub(super) hz: f64,
    pub(super) se: f64,
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
        let off = CENTS * (point.hz / partial(self.first, self.b, point.n)).ln();
        off.abs() / (point.cents_se().hypot(self.scatter * point.looseness()))
    }
}

impl Point {
    /// How much more than the lowest this partial scatters around the formula: high ones do, by number where wound
    /// strings end its reach, by frequency where the bridge moves. Chosen on 29 keys of a recorded grand.
    fn looseness(&self) -> f64 {
        let by_number = f64::from(self.n) / 10.0;
        let by_frequency = self.hz / 1_000.0;
        (1.0 + by_number * by_number + by_frequency * by_frequency).sqrt()
    }

    fn cents_se(&self) -> f64 {
        CENTS * self.se / self.hz
    }
}

/// The most likely string when the partials scatter by what they themselves show.
fn weighted(points: &[Point], first: f64, b: f64) -> Option<StringFit> {
    // Scatter such that the weighted squares come out as many as are free; between 0 and a semitone by halving.
    let mut found = solve(points, (first, b), b, 0.0)?;
    let free = points.len() as f64 - 2.0;
    if free >= 1.0 && found.1 > free {
        let (mut low, mut high) = (0.0_f64, 100.0_f64);
        for _ in 0..30 {
            let middle = if low == 0.0 {
                high / 10.0
            } else {
                (low * high).sqrt()
            };
            let tried = solve(points, (found.0.first, found.0.b), b, middle)?;
            if tried.1 > free {
                low = middle;
            } else {
                high = middle;
            }
            found = tried;
            if high - low < 1e-3 * high || high < 1e-5 {
                break;
            }
        }
    }
    Some(found.0)
}

/// Weighted least squares by Gauss and Newton in (cents of f_1, ln B), from `start` on, where B is expected near `b`; with
/// the weighted squares that are left. Each round weighs the partials by how far the last left them off.
fn solve(points: &[Point], start: (f64, f64), b: f64, scatter: f64) -> Option<(StringFit, f64)> {
    let expected = b.max(1e-7).ln();
    let (mut f, mut log_b) = (start.0.ln(), start.1.max(1e-7).ln());
    // Logarithms of the partials' frequencies, over their numbers.
    let log_hz: Vec<f64> = points
        .iter()
        .map(|point| (point.hz / f64::from(point.n)).ln())
        .collect();
    let mut matrix = [0.0; 3];
    let mut squares = 0.0;
    for round in 0..ROUNDS {
        let b = log_b.exp();
        // Prior on B.
        let prior = 1.0 / (PRIOR * PRIOR);
        let (mut m11, mut m12, mut m22) = (0.0, 0.0, prior);
        let (mut v1, mut v2) = (0.0, prior * (expected - log_b));
        squares = 0.0;
        let first = f - 0.5 * (1.0 + b).ln();
        for (point, log_hz) in points.iter().zip(&log_hz) {
            let n = f64::from(point.n);
            let variance = point.cents_se().powi(2) + (scatter * point.looseness()).powi(2);
            let off = CENTS * (log_hz - first - 0.5 * (1.0 + b * n * n).ln());
            let share = if round < EVEN_ROUNDS {
                1.0
            } else {
                (FREEDOM + 1.0) / (FREEDOM + off * off / variance)
            };
            let weight = share / variance;
            let by_b = CENTS * 0.5 * b * (n * n / (1.0 + b * n * n) - 1.0 / (1.0 + b));
            m11 += weight * CENTS * CENTS;
            m12 += weight * CENTS * by_b;
            m22 += weight * by_b * by_b;
            v1 += weight * CENTS * off;
            v2 += weight * by_b * off;
            squares += weight * off * off;
        }
        let determinant = m11 * m22 - m12 * m12;
        if determinant.is_nan() || determinant <= 0.0 {
            return None;
        }
        matrix = [m22 / determinant, m12 / determinant, m11 / determinant];
        let (df, db) = (
            matrix[0] * v1 - matrix[1] * v2,
            matrix[2] * v2 - matrix[1] * v1,
        );
        if round == ROUNDS - 1 {
            break;
        }
        f += df;
        log_b += db.clamp(-1.0, 1.0);
        if round >= EVEN_ROUNDS && df.abs() < 1e-9 && db.abs() < 1e-6 {
            break;
        }
    }
    let found = StringFit {
        first: f.exp(),
        first_se: CENTS * matrix[0].sqrt(),
        b: log_b.exp(),
        b_se: log_b.exp() * matrix[2].sqrt(),
        scatter,
        used: vec![true; points.len()],
    };
    Some((found, squares))
}
