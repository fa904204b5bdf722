//! The distance at which a freeze is to be expected, from the path-loss line, its shadowing and the threshold.
//!
//! `first_freeze`: the distance at which a freeze within 10 s has an even chance. The level wanders
//! about its median as a first-order process with the fitted spread and correlation; each second has
//! the threshold's logistic chance (the base chance, which has nothing to do with distance, is left
//! out). Exact on a grid of levels: the chance of no freeze is carried from second to second.

use crate::stats::curve_fit::logistic::{logistic, logit};
use crate::stats::curve_fit::path_loss::PathLoss;
use crate::summary::Threshold;

const SECONDS: usize = 10;
const GRID: usize = 41;
/// The grid reaches this many standard deviations to both sides.
const REACH: f64 = 4.0;

/// Distance in metres; `None` where the threshold has no curve, or the line does not fall.
pub(super) fn first_freeze(line: &PathLoss, threshold: &Threshold) -> Option<f64> {
    let middle = threshold.level_p50?;
    let slope = logit(0.05) / (threshold.level_p05 - middle);
    if !slope.is_finite() || slope >= 0.0 {
        return None;
    }
    let wander = Wander::new(line.sigma, (-1.0 / line.correlation.max(0.1)).exp());
    // The chance falls as the median level rises: halve the span that holds an even chance.
    let (mut low, mut high) = (middle - 40.0 / -slope, middle + 40.0 / -slope + 6.0 * line.sigma);
    for _ in 0..60 {
        let half = f64::midpoint(low, high);
        if wander.freeze_chance(half, middle, slope) > 0.5 {
            low = half;
        } else {
            high = half;
        }
    }
    line.distance(f64::midpoint(low, high))
}

/// A first-order process on a grid.
struct Wander {
    offsets: Vec<f64>,
    stationary: Vec<f64>,
    /// Row: from; column: to.
    steps: Vec<Vec<f64>>,
}

impl Wander {
    fn new(sigma: f64, correlation: f64) -> Self {
        let sigma = sigma.max(1e-3);
        let width = 2.0 * REACH / (GRID - 1) as f64;
        let z = |index: usize| width * index as f64 - REACH;
        let normed = |mut weights: Vec<f64>| {
            let total: f64 = weights.iter().sum();
            for weight in &mut weights {
                *weight /= total;
            }
            weights
        };
        let density = |z: f64| (-0.5 * z * z).exp();
        // A step narrower than the grid would fall between its points.
        let spread = (1.0 - correlation * correlation).sqrt().max(width);
        let row = |from: usize| {
            normed((0..GRID).map(|to| density((z(to) - correlation * z(from)) / spread)).collect())
        };
        Self {
            offsets: (0..GRID).map(|index| sigma * z(index)).collect(),
            stationary: normed((0..GRID).map(|index| density(z(index))).collect()),
            steps: (0..GRID).map(row).collect(),
        }
    }

    /// The chance of at least one freeze in the seconds looked at.
    fn freeze_chance(&self, median: f64, middle: f64, slope: f64) -> f64 {
        let safe: Vec<f64> =
            self.offsets.iter().map(|offset| 1.0 - logistic(slope * (median + offset - middle))).collect();
        let mut alive: Vec<f64> = self.stationary.iter().zip(&safe).map(|(a, b)| a * b).collect();
        for _ in 1..SECONDS {
            let mut next = vec![0.0; GRID];
            for (row, mass) in self.steps.iter().zip(&alive) {
                for (cell, step) in next.iter_mut().zip(row) {
                    *cell += mass * step;
                }
            }
            alive = next.iter().zip(&safe).map(|(a, b)| a * b).collect();
        }
        1.0 - alive.iter().sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use crate::judge::range::predicted_freeze::*;
    use crate::units::LevelUnit;

    fn threshold() -> Threshold {
        Threshold {
            link: "video".to_owned(),
            unit: LevelUnit::Dbm,
            level_p50: Some(-86.0),
            level_p05: -81.0,
            level_p05_ci95: None,
            base: Some(0.0002),
            sessions: 4,
            freezes: 31,
            method: "logistic".to_owned(),
            ..Threshold::default()
        }
    }

    fn line(sigma: f64, correlation: f64) -> PathLoss {
        PathLoss { exponent: 2.7, level_at_1m: -30.0, sigma, correlation, points: 100 }
    }

    /// Without shadowing, ten independent seconds: p with (1 - p)^10 = 1/2 is 0.066967, where the curve
    /// stands at middle + logit(p) / slope.
    #[test]
    fn without_shadowing_by_hand() {
        let slope = logit(0.05) / 5.0;
        let level = -86.0 + logit(1.0 - 0.5_f64.powf(0.1)) / slope;
        let expected = 10_f64.powf((-30.0 - level) / 27.0);
        let found = first_freeze(&line(0.0, 3.0), &threshold()).unwrap();
        assert!((found - expected).abs() < 0.05, "{found} {expected}");
    }

    /// Shadowing dips bring the freeze nearer, the more so the more independent dips there are.
    #[test]
    fn shadowing_brings_it_nearer() {
        let none = first_freeze(&line(0.0, 3.0), &threshold()).unwrap();
        let slow = first_freeze(&line(3.0, 20.0), &threshold()).unwrap();
        let quick = first_freeze(&line(3.0, 1.0), &threshold()).unwrap();
        assert!(quick < slow && slow < none, "{quick} {slow} {none}");
    }

    #[test]
    fn without_a_curve_there_is_none() {
        let flat = Threshold { level_p50: None, ..threshold() };
        assert_eq!(first_freeze(&line(3.0, 3.0), &flat), None);
    }
}
