//! The normal distribution.

/// Probability that a standard normal value lies below `z`.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probabilities_agree_with_the_published_table() {
        // Abramowitz & Stegun, Handbook of Mathematical Functions, table 26.1.
        for (z, p) in [
            (0.0, 0.5),
            (0.5, 0.691_462_461_274_013),
            (1.0, 0.841_344_746_068_543),
            (2.0, 0.977_249_868_051_821),
            (3.0, 0.998_650_101_968_370),
        ] {
            assert!((normal_cdf(z) - p).abs() < 1e-12, "{z}");
            assert!((normal_cdf(-z) - (1.0 - p)).abs() < 1e-12, "-{z}");
        }
    }

    #[test]
    fn probabilities_agree_with_a_statistics_library() {
        // statrs 0.19, Normal::cdf, whose own error reaches 1.2e-11 (against table 26.1 above).
        use statrs::distribution::{ContinuousCDF, Normal};
        let library = Normal::new(0.0, 1.0).unwrap();
        for n in -900..=900 {
            let z = f64::from(n) / 100.0;
            let (ours, theirs) = (normal_cdf(z), library.cdf(z));
            assert!((ours - theirs).abs() < 1e-10, "{z}: {ours} {theirs}");
        }
        assert_eq!(normal_cdf(f64::INFINITY), 1.0);
        assert_eq!(normal_cdf(f64::NEG_INFINITY), 0.0);
    }
}
