//! Log-distance path loss: level = level at 1 m - 10 n log10(distance) + shadowing.
//!
//! The form is common to all propagation texts (ITU-R P.525 is n = 2). Robust: Huber's M-estimate
//! (Huber 1964, k = 1.345), the scale by the median absolute deviation times 1.4826 (consistent for
//! a normal). Shadowing is correlated in time, so intervals come from a bootstrap over whole blocks
//! of at least 3 correlation times (Kuensch 1989), one linearised step from the fit each, widened by
//! Student's t for the number of blocks. Units: metres and the level's unit.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::stats::sample::bootstrap::Resampler;
use crate::stats::sample::quantile;

pub(super) const HUBER: f64 = 1.345;
/// Of a normal: standard deviation over median absolute deviation.
const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;
const LEAST_POINTS: usize = 10;
/// Farthest over nearest; with less there is no slope to speak of.
const LEAST_REACH: f64 = 1.25;
const LEAST_BLOCKS: usize = 6;
const REPLICATES: usize = 400;
const SEED: u64 = 0x5eed_d157;

/// A fitted line.
#[derive(Clone, Debug, PartialEq)]
pub struct PathLoss {
    /// n: the level falls by 10 n for each tenfold distance.
    pub exponent: f64,
    /// The line at 1 m.
    pub level_at_1m: f64,
    /// Spread of the shadowing.
    pub sigma: f64,
    /// After how many samples the residuals' autocorrelation falls under 1/e.
    pub correlation: f64,
    /// Points behind it.
    pub points: usize,
}

impl PathLoss {
    /// The median level at a distance.
    #[must_use]
    pub fn level(&self, distance_m: f64) -> f64 {
        self.level_at_1m - 10.0 * self.exponent * distance_m.log10()
    }

    /// The distance at which the median level is this; `None` where the level does not fall.
    #[must_use]
    pub fn distance(&self, level: f64) -> Option<f64> {
        distance_at(self.level_at_1m, self.exponent, level)
    }
}

/// Where a line of this kind has a level.
#[must_use]
pub fn distance_at(level_at_1m: f64, exponent: f64, level: f64) -> Option<f64> {
    let distance = 10_f64.powf((level_at_1m - level) / (10.0 * exponent));
    (exponent > 0.0 && distance.is_finite()).then_some(distance)
}

/// Fits points (distance, level) at equal steps of time, in order of time. `None` with fewer than 10
/// points or too little reach.
#[must_use]
pub fn fit(points: &[(f64, f64)]) -> Option<PathLoss> {
    let reach = |pick: fn(f64, f64) -> f64| points.iter().map(|point| point.0).reduce(pick);
    if points.len() < LEAST_POINTS || reach(f64::max)? < LEAST_REACH * reach(f64::min)? {
        return None;
    }
    let line = Line::of(points)?;
    let residuals = line.residuals(points);
    Some(PathLoss {
        exponent: -line.slope / 10.0,
        level_at_1m: line.intercept,
        sigma: scale_of(&residuals),
        correlation: correlation_of(&residuals),
        points: points.len(),
    })
}

/// Replicates of (level at 1 m, exponent), already spread as their t quantile asks, so that their
/// 2.5 % and 97.5 % quantiles are a 95 % interval. `None` with too few blocks.
#[must_use]
pub fn replicates(points: &[(f64, f64)], fit: &PathLoss) -> Option<Vec<(f64, f64)>> {
    let length = ((3.0 * fit.correlation).ceil() as usize).max(1);
    let blocks = points.len() / length;
    if blocks < LEAST_BLOCKS {
        return None;
    }
    let line = Line { intercept: fit.level_at_1m, slope: -10.0 * fit.exponent };
    let scale = fit.sigma.max(1e-9);
    // Points that are left over at the end join the last block.
    let parts: Vec<Normal> = (0..blocks)
        .map(|block| {
            let end = if block + 1 == blocks { points.len() } else { (block + 1) * length };
            Normal::of_step(&points[block * length..end], &line, scale)
        })
        .collect();
    let degrees = blocks as f64 - 2.0;
    let t = StudentsT::new(0.0, 1.0, degrees).ok()?.inverse_cdf(0.975);
    let widen = t / 1.959_963_984_540_054 * (blocks as f64 / degrees).sqrt();
    let mut resampler = Resampler::new(SEED);
    let mut counts = vec![0; blocks];
    let mut found = Vec::with_capacity(REPLICATES);
    for _ in 0..REPLICATES {
        resampler.draw(&mut counts);
        let mut sum = Normal::default();
        for (part, &count) in parts.iter().zip(&counts) {
            sum.add(part, f64::from(count));
        }
        let Some((intercept, slope)) = sum.solve() else { continue };
        found.push((line.intercept + widen * intercept, -(line.slope + widen * slope) / 10.0));
    }
    Some(found)
}

/// The 95 % interval of a figure of the replicates; `None` where there is none for every 40th of them.
#[must_use]
pub fn interval(replicates: &[(f64, f64)], figure: impl Fn(f64, f64) -> Option<f64>) -> Option<[f64; 2]> {
    let values: Vec<f64> =
        replicates.iter().filter_map(|&(level, exponent)| figure(level, exponent)).collect();
    if values.len() * 40 < replicates.len() * 39 {
        return None;
    }
    Some([quantile::of(&values, 0.025)?, quantile::of(&values, 0.975)?])
}

/// Sums of weighted normal equations of a line over log10 distance.
#[derive(Clone, Copy, Debug, Default)]
struct Normal {
    weight: f64,
    x: f64,
    xx: f64,
    y: f64,
    xy: f64,
}

impl Normal {
    fn take(&mut self, x: f64, weight: f64, pull: f64) {
        self.weight += weight;
        self.x += weight * x;
        self.xx += weight * x * x;
        self.y += pull;
        self.xy += pull * x;
    }

    fn add(&mut self, other: &Self, times: f64) {
        self.weight += times * other.weight;
        self.x += times * other.x;
        self.xx += times * other.xx;
        self.y += times * other.y;
        self.xy += times * other.xy;
    }

    /// What one step of Newton's from a line needs: curvature and pull of Huber's loss.
    fn of_step(points: &[(f64, f64)], line: &Line, scale: f64) -> Self {
        let mut sum = Self::default();
        for (x, y) in points.iter().map(|&(distance, level)| (distance.log10(), level)) {
            let residual = y - line.intercept - line.slope * x;
            let inside = residual.abs() <= HUBER * scale;
            let pull = residual.clamp(-HUBER * scale, HUBER * scale);
            sum.take(x, f64::from(u8::from(inside)), pull);
        }
        sum
    }

    fn solve(&self) -> Option<(f64, f64)> {
        let determinant = self.weight * self.xx - self.x * self.x;
        (determinant > 1e-12 * self.weight * self.xx).then(|| {
            let slope = (self.weight * self.xy - self.x * self.y) / determinant;
            ((self.y - slope * self.x) / self.weight, slope)
        })
    }
}

#[derive(Clone, Copy, Debug)]
struct Line {
    intercept: f64,
    slope: f64,
}

impl Line {
    /// Huber's line by reweighting, from least squares on.
    fn of(points: &[(f64, f64)]) -> Option<Self> {
        const MOST_STEPS: usize = 100;
        let weighted = |weight: &dyn Fn(f64, f64) -> f64| {
            let mut sum = Normal::default();
            for (x, y) in points.iter().map(|&(distance, level)| (distance.log10(), level)) {
                let weight = weight(x, y);
                sum.take(x, weight, weight * y);
            }
            sum.solve().map(|(intercept, slope)| Self { intercept, slope })
        };
        let mut line = weighted(&|_, _| 1.0)?;
        for _ in 0..MOST_STEPS {
            let scale = scale_of(&line.residuals(points));
            if scale <= 1e-9 {
                break;
            }
            let reach = HUBER * scale;
            let next = weighted(&|x, y| {
                let residual = (y - line.intercept - line.slope * x).abs();
                if residual <= reach { 1.0 } else { reach / residual }
            })?;
            let moved = (next.slope - line.slope).abs() + (next.intercept - line.intercept).abs();
            line = next;
            if moved < 1e-9 {
                break;
            }
        }
        Some(line)
    }

    fn residuals(&self, points: &[(f64, f64)]) -> Vec<f64> {
        points
            .iter()
            .map(|&(distance, level)| level - self.intercept - self.slope * distance.log10())
            .collect()
    }
}

/// Spread of residuals about their median.
pub(super) fn scale_of(residuals: &[f64]) -> f64 {
    let Some(middle) = quantile::median(residuals) else { return 0.0 };
    let deviations: Vec<f64> = residuals.iter().map(|residual| (residual - middle).abs()).collect();
    quantile::median(&deviations).map_or(0.0, |deviation| MAD_TO_SIGMA * deviation)
}

/// The lag at which the autocorrelation falls under 1/e, between samples by interpolation; at least 1.
pub(super) fn correlation_of(residuals: &[f64]) -> f64 {
    let limit = (-1.0_f64).exp();
    let power: f64 = residuals.iter().map(|residual| residual * residual).sum();
    let longest = residuals.len() / 4;
    let mut before = 1.0;
    for lag in 1..longest {
        let product: f64 = residuals.iter().zip(&residuals[lag..]).map(|(a, b)| a * b).sum();
        let now = if power > 0.0 { product / power } else { 0.0 };
        if now < limit {
            return (lag as f64 - 1.0 + (before - limit) / (before - now)).max(1.0);
        }
        before = now;
    }
    (longest as f64).max(1.0)
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::curve_fit::path_loss::*;

    fn least_squares(points: &[(f64, f64)]) -> (f64, f64) {
        let mut sum = Normal::default();
        for (x, y) in points.iter().map(|&(distance, level)| (distance.log10(), level)) {
            sum.take(x, 1.0, y);
        }
        sum.solve().unwrap()
    }

    /// Rappaport, Wireless Communications, example 4.9, with a free intercept: numpy least squares over
    /// log10(d / 100 m).
    #[test]
    fn the_textbook_example() {
        let vectors: Value =
            serde_json::from_str(include_str!("../../../tests/vectors/pathloss.json")).unwrap();
        let example = &vectors["rappaport_ex"];
        let number = |value: &Value| value.as_f64().unwrap();
        let points: Vec<(f64, f64)> = example["d_m"]
            .as_array()
            .unwrap()
            .iter()
            .zip(example["pr_dbm"].as_array().unwrap())
            .map(|(distance, level)| (number(distance), number(level)))
            .collect();
        let (intercept, slope) = least_squares(&points);
        let expected = &example["free_intercept"];
        assert!((-slope / 10.0 - number(&expected["n"])).abs() < 1e-9);
        assert!((intercept + 2.0 * slope - number(&expected["intercept_dbm"])).abs() < 1e-9);
        assert_eq!(fit(&points), None, "four points are too few");
    }

    /// ITU-R P.525: free space is n = 2 with the loss of 1 m (scipy 1.17.1, exact form).
    #[test]
    fn free_space_has_exponent_two() {
        let vectors: Value =
            serde_json::from_str(include_str!("../../../tests/vectors/pathloss.json")).unwrap();
        let points: Vec<(f64, f64)> = vectors["fspl"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|row| row["f_mhz"] == 5800 || row["f_mhz"] == 5800.0)
            .map(|row| (row["d_m"].as_f64().unwrap(), -row["fspl_exact_db"].as_f64().unwrap()))
            .collect();
        let twice: Vec<(f64, f64)> = points.iter().chain(&points).copied().collect();
        let fit = fit(&twice).unwrap();
        assert!((fit.exponent - 2.0).abs() < 1e-6);
        assert!((fit.level_at_1m + 47.716_343_1).abs() < 1e-4);
        assert!((fit.distance(fit.level(250.0)).unwrap() - 250.0).abs() < 1e-6);
    }

    /// One sample in eight is 30 dB low: the line and the spread stay within a fraction of a decibel.
    #[test]
    fn outliers_hardly_move_it() {
        let noise = |index: u32| f64::from(index * 7919 % 101) / 50.0 - 1.0;
        let points: Vec<(f64, f64)> = (0..400_u32)
            .map(|index| {
                let distance = 10.0 + f64::from(index) * 0.5;
                let low = if index % 8 == 3 { 30.0 } else { 0.0 };
                (distance, -30.0 - 27.0 * distance.log10() + noise(index) - low)
            })
            .collect();
        let fit = fit(&points).unwrap();
        assert!((fit.exponent - 2.7).abs() < 0.05, "{fit:?}");
        assert!((fit.level(100.0) + 84.0).abs() < 0.4, "{fit:?}");
        assert!(fit.sigma < 1.0);
    }

    #[test]
    fn an_interval_holds_the_line_and_is_the_same_every_time() {
        let noise = |index: u32| f64::from(index * 7919 % 101) / 25.0 - 2.0;
        let points: Vec<(f64, f64)> = (0..300_u32)
            .map(|index| {
                (10.0 + f64::from(index), -30.0 - 27.0 * (10.0 + f64::from(index)).log10() + noise(index))
            })
            .collect();
        let fit = fit(&points).unwrap();
        let found = replicates(&points, &fit).unwrap();
        let ci95 = interval(&found, |_, exponent| Some(exponent)).unwrap();
        assert!(ci95[0] < 2.7 && ci95[1] > 2.7 && ci95[1] - ci95[0] < 0.5, "{ci95:?}");
        assert_eq!(replicates(&points, &fit).unwrap(), found);
    }
}
