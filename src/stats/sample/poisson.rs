//! An interval for the mean of a Poisson count.
//!
//! Garwood (1936), exact: half the chi-squared quantiles with 2 n and 2 n + 2 degrees of freedom.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::units::interval::Interval;

/// 95 % interval of the mean behind a count.
#[must_use]
pub fn interval(count: u64) -> Interval {
    let quantile = |degrees: u64, share: f64| {
        ChiSquared::new(degrees as f64).map_or(f64::NAN, |chi| chi.inverse_cdf(share) / 2.0)
    };
    let low = if count == 0 { 0.0 } else { quantile(2 * count, 0.025) };
    [low, quantile(2 * count + 2, 0.975)]
}

#[cfg(test)]
mod tests {
    use crate::stats::sample::poisson::*;

    /// Garwood's table (Biometrika 28, 1936), from memory; of 0 it is -ln 0.025.
    #[test]
    fn agrees_with_garwood() {
        for (count, low, high) in [(1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)] {
            let [own_low, own_high] = interval(count);
            assert!((own_low - low).abs() < 1e-3 && (own_high - high).abs() < 1e-3, "{count}");
        }
        assert!((interval(0)[1] + 0.025_f64.ln()).abs() < 1e-6 && interval(0)[0] == 0.0);
    }
}
