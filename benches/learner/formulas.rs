//! What simulated learners are made of: activation in memory, and times drawn by chance.
//! Source: Pavlik & Anderson 2005 for activation; Box & Muller 1958 for normal values.

use rand::{Rng, RngExt};

/// Spread of an ex-Gaussian in units of its tail.
const SIGMA: f64 = 0.4;

/// Σ t^(−d) over uses, each its time and decay; nothing is nearer than a second. (Pavlik & Anderson 2005.)
pub fn strength(uses: impl Iterator<Item = (f64, f64)>, time: f64) -> f64 {
    uses.map(|(at, decay)| (time - at).max(1.0).powf(-decay))
        .sum()
}

/// The decay of a use at which the strength is `sum`. (Pavlik & Anderson 2005.)
pub fn decay(c: f64, sum: f64) -> f64 {
    c * sum + 0.177
}

/// Probability of recall at activation `m`. (Pavlik & Anderson 2005.)
pub fn recall(m: f64) -> f64 {
    1.0 / (1.0 + (-(m + 0.704) / 0.255).exp())
}

/// An ex-Gaussian value of mean `tau`, with σ = 0.4 τ.
pub fn ex_gaussian(rng: &mut impl Rng, tau: f64) -> f64 {
    SIGMA * tau * normal(rng) - tau * (1.0 - rng.random::<f64>()).ln()
}

/// Cumulative ex-Gaussian with σ = 0.4 and τ = 1.
pub fn unit_cdf(x: f64) -> f64 {
    let u = x / SIGMA;
    phi(u) - (SIGMA * SIGMA / 2.0 - x).exp() * phi(u - SIGMA)
}

/// Its median, by halving.
pub fn median_of_unit() -> f64 {
    static MEDIAN: std::sync::OnceLock<f64> = std::sync::OnceLock::new();
    *MEDIAN.get_or_init(|| {
        let (mut low, mut high) = (0.0, 2.0);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if unit_cdf(middle) < 0.5 {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    })
}

/// Normal probability by the statistics library.
fn phi(z: f64) -> f64 {
    0.5 * statrs::function::erf::erfc(-z / std::f64::consts::SQRT_2)
}

/// A standard normal value (Box & Muller 1958).
pub fn normal(rng: &mut impl Rng) -> f64 {
    let radius = (-2.0 * (1.0 - rng.random::<f64>()).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.random::<f64>()).cos()
}
