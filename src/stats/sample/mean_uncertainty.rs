//! The mean of repeated readings, and what repeating them does not take away.
//!
//! JCGM 100:2008 (GUM). The readings' scatter gives the mean a standard uncertainty of s / sqrt(n) with n - 1 degrees of
//! freedom (4.2.3). An error that is the same in all readings and lies anywhere within a width adds width / sqrt(12)
//! (4.3.7), however many readings there are. Both are combined by the root of the sum of squares (5.1.2); the interval is
//! that times Student's 97.5 % point at the effective degrees of freedom of Welch and Satterthwaite (G.4.1). All in the
//! unit of the readings. Nothing here knows time or order.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::units::interval::Interval;

/// Fewer readings have no scatter to speak of.
pub const LEAST_READINGS: usize = 3;
/// Beyond so many degrees of freedom Student's distribution is the normal one.
const MOST_DEGREES: f64 = 1e6;

/// A mean with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mean {
    /// The mean.
    pub value: f64,
    /// 95 %.
    pub ci95: Interval,
    /// Standard deviation of the readings.
    pub scatter: f64,
    /// Half the interval that any number of readings would leave.
    pub floor: f64,
}

/// The mean of readings whose common errors lie each anywhere within its width; `None` under [`LEAST_READINGS`].
#[must_use]
pub fn mean(readings: &[f64], widths: &[f64]) -> Option<Mean> {
    if readings.len() < LEAST_READINGS {
        return None;
    }
    let count = readings.len() as f64;
    let mean = readings.iter().sum::<f64>() / count;
    let square = readings.iter().map(|reading| (reading - mean).powi(2)).sum::<f64>() / (count - 1.0);
    let scattered = (square / count).sqrt();
    let common = widths.iter().map(|width| width * width / 12.0).sum::<f64>().sqrt();
    let combined = scattered.hypot(common);
    let degrees = effective_degrees(&[(scattered, count - 1.0), (common, f64::INFINITY)]);
    let half = student975(degrees)? * combined;
    let floor = student975(MOST_DEGREES)? * common;
    Some(Mean { value: mean, ci95: [mean - half, mean + half], scatter: square.sqrt(), floor })
}

/// Degrees of freedom of a root sum of squares: GUM, equation G.2b, of each part its standard uncertainty and its own
/// degrees.
fn effective_degrees(parts: &[(f64, f64)]) -> f64 {
    let square: f64 = parts.iter().map(|(part, _)| part * part).sum();
    let fourth: f64 = parts.iter().map(|(part, degrees)| part.powi(4) / degrees).sum();
    if fourth > 0.0 { (square * square / fourth).min(MOST_DEGREES) } else { MOST_DEGREES }
}

fn student975(degrees: f64) -> Option<f64> {
    StudentsT::new(0.0, 1.0, degrees).ok().map(|student| student.inverse_cdf(0.975))
}

#[cfg(test)]
mod tests {
    use crate::stats::sample::mean_uncertainty::*;

    /// GUM, example of G.4.1: three inputs with relative uncertainties of 0.25, 0.57 and 0.82 % from 10, 5 and 15
    /// readings: 1.03 % with 19.0 effective degrees, at which t is 2.09 (values from memory).
    #[test]
    fn degrees_are_those_of_the_published_example() {
        let parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)];
        let degrees = effective_degrees(&parts);
        assert!((degrees - 19.0).abs() < 0.1, "{degrees}");
        assert!((student975(degrees.round()).unwrap() - 2.09).abs() < 0.005);
    }

    /// Student's 97.5 % points: printed tables, such as NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2.
    #[test]
    fn quantiles_are_those_of_the_tables() {
        for (degrees, table) in [(2.0, 4.303), (4.0, 2.776), (9.0, 2.262), (30.0, 2.042), (1e6, 1.960)] {
            assert!((student975(degrees).unwrap() - table).abs() < 0.001, "{degrees}");
        }
    }

    #[test]
    fn scatter_shrinks_with_readings_and_common_errors_do_not() {
        // By hand: mean 100, s = 10, s / sqrt(3) = 5.7735, t(2) = 4.303.
        let three = mean(&[90.0, 100.0, 110.0], &[]).unwrap();
        assert_eq!((three.value, three.scatter, three.floor), (100.0, 10.0, 0.0));
        assert!((three.ci95[1] - 100.0 - 4.303 * 5.7735).abs() < 0.01, "{three:?}");
        // Readings that all agree leave the common errors: 12 / sqrt(12) * 1.96.
        let same = mean(&[50.0; 4], &[12.0]).unwrap();
        assert!((same.ci95[1] - 50.0 - 12.0_f64.sqrt() * 1.96).abs() < 0.001, "{same:?}");
        assert!((same.floor - 12.0_f64.sqrt() * 1.96).abs() < 0.001);
        let many: Vec<f64> = (0..10_000).map(|index| 100.0 + f64::from(index % 3) - 1.0).collect();
        let many = mean(&many, &[12.0]).unwrap();
        assert!((many.ci95[1] - many.value - many.floor).abs() < 0.01, "{many:?}");
        assert_eq!(mean(&[50.0; 2], &[12.0]), None);
    }
}
