//! Complex values over time, real and imaginary parts apart: sums over them go in four lanes, none of which waits for
//! another.

use realfft::num_complex::Complex;

type C = Complex<f64>;

const LANES: usize = 4;
const ROWS: usize = 12;

/// Values at most.
pub(super) const MOST: usize = LANES * ROWS;

/// One real number for each value, zeros after them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reals([[f64; LANES]; ROWS]);

impl Reals {
    pub(super) const ZEROS: Reals = Reals([[0.0; LANES]; ROWS]);

    pub(super) fn set(&mut self, k: usize, value: f64) {
        self.0[k / LANES][k % LANES] = value;
    }

    /// Each by its own of `others`.
    pub(super) fn times(mut self, others: &Reals) -> Reals {
        for k in 0..ROWS {
            for l in 0..LANES {
                self.0[k][l] *= others.0[k][l];
            }
        }
        self
    }

    /// Their squares.
    pub(super) fn squared(&self) -> Values {
        Values {
            re: self.0.map(|row| row.map(|x| x * x)),
            im: Reals::ZEROS.0,
            rows: ROWS,
        }
    }
}

/// Some complex values, zeros after them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Values {
    re: [[f64; LANES]; ROWS],
    im: [[f64; LANES]; ROWS],
    /// Rows in use.
    rows: usize,
}

impl Values {
    pub(super) const ZEROS: Values = Values {
        re: [[0.0; LANES]; ROWS],
        im: [[0.0; LANES]; ROWS],
        rows: 0,
    };

    pub(super) fn new(values: impl IntoIterator<Item = C>) -> Values {
        let mut new = Values::ZEROS;
        for (k, value) in values.into_iter().take(MOST).enumerate() {
            (new.re[k / LANES][k % LANES], new.im[k / LANES][k % LANES]) = (value.re, value.im);
            new.rows = k / LANES + 1;
        }
        new
    }

    fn rows(&self) -> usize {
        self.rows.min(ROWS)
    }

    /// Sum of the products of these values' conjugates with `other`'s.
    pub(super) fn inner(&self, other: &Values) -> C {
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        for k in 0..self.rows() {
            for l in 0..LANES {
                re[l] += self.re[k][l] * other.re[k][l] + self.im[k][l] * other.im[k][l];
                im[l] += self.re[k][l] * other.im[k][l] - self.im[k][l] * other.re[k][l];
            }
        }
        C::new(total(re), total(im))
    }

    /// The real part of that.
    pub(super) fn inner_re(&self, other: &Values) -> f64 {
        let mut sums = [0.0; LANES];
        for k in 0..self.rows() {
            for (l, sum) in sums.iter_mut().enumerate() {
                *sum += self.re[k][l] * other.re[k][l] + self.im[k][l] * other.im[k][l];
            }
        }
        total(sums)
    }

    /// Takes `part` of `column` off.
    pub(super) fn take_out(&mut self, part: C, column: &Values) {
        for k in 0..self.rows() {
            for l in 0..LANES {
                let (re, im) = (column.re[k][l], column.im[k][l]);
                self.re[k][l] -= part.re * re - part.im * im;
                self.im[k][l] -= part.re * im + part.im * re;
            }
        }
    }

    /// Adds `part` of `column`.
    pub(super) fn add(&mut self, part: C, column: &Values) {
        self.rows = column.rows;
        self.take_out(-part, column);
    }

    /// These, each `by` times as much.
    pub(super) fn scaled(&self, by: f64) -> Values {
        let mut scaled = *self;
        for k in 0..self.rows() {
            for l in 0..LANES {
                scaled.re[k][l] *= by;
                scaled.im[k][l] *= by;
            }
        }
        scaled
    }

    /// Each by its own of `reals`.
    pub(super) fn by(&self, reals: &Reals) -> Values {
        let mut product = *self;
        for k in 0..self.rows() {
            for l in 0..LANES {
                product.re[k][l] *= reals.0[k][l];
                product.im[k][l] *= reals.0[k][l];
            }
        }
        product
    }

    /// Each turned a quarter forward.
    pub(super) fn quarter_on(mut self) -> Values {
        for k in 0..self.rows() {
            for l in 0..LANES {
                (self.re[k][l], self.im[k][l]) = (-self.im[k][l], self.re[k][l]);
            }
        }
        self
    }

    /// Waves of amplitude 1 that turn from 1 on by `one` a value, as many as these are.
    pub(super) fn wave(&self, one: C) -> Values {
        let mut wave = Values {
            rows: self.rows,
            ..Values::ZEROS
        };
        let two = one * one;
        let row = two * two;
        let mut now = [C::new(1.0, 0.0), one, two, two * one];
        for k in 0..self.rows() {
            for (l, now) in now.iter_mut().enumerate() {
                (wave.re[k][l], wave.im[k][l]) = (now.re, now.im);
                *now *= row;
            }
        }
        wave
    }

    /// Sum of these, turned on by `one` from each to the next.
    pub(super) fn turned(&self, one: C) -> C {
        let two = one * one;
        let row = two * two;
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        for k in (0..self.rows()).rev() {
            for l in 0..LANES {
                (re[l], im[l]) = (
                    re[l] * row.re - im[l] * row.im + self.re[k][l],
                    re[l] * row.im + im[l] * row.re + self.im[k][l],
                );
            }
        }
        let lane = |l: usize| C::new(re[l], im[l]);
        lane(0) + one * lane(1) + two * (lane(2) + one * lane(3))
    }
}

fn total(lanes: [f64; LANES]) -> f64 {
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_in_lanes_are_sums() {
        // A geometric series and its closed form.
        let ratio = C::from_polar(0.97, 0.3);
        for size in [1_i32, 4, 7, 48] {
            let series = |by: C| (0..size).map(|k| by.powi(k)).collect::<Vec<C>>();
            let values = Values::new(series(ratio));
            let closed = |z: C| (C::new(1.0, 0.0) - z.powi(size)) / (C::new(1.0, 0.0) - z);
            let turn = C::from_polar(1.0, -0.7);
            assert!((values.turned(turn) - closed(ratio * turn)).norm() < 1e-12);
            let waves = Values::new(series(turn));
            assert!((waves.inner(&values) - closed(ratio * turn.conj())).norm() < 1e-12);
            assert!((values.wave(turn).inner(&values) - waves.inner(&values)).norm() < 1e-12);
            assert!((values.inner_re(&values) - closed(C::new(0.97 * 0.97, 0.0)).re).abs() < 1e-12);
        }
    }
}
