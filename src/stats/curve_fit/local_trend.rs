//! The slope of a mean that errors hide which stay alike for a while: a structural time series.
//!
//! Model: value = mean + error + noise at equal steps; the mean goes on by its slope; slope and error are
//! first-order processes that forget themselves, each with a spread and a time. Kalman's filter gives the
//! slope at the newest step and its standard error (Harvey, Forecasting, Structural Time Series Models and
//! the Kalman Filter, 1989, chapter 3: local linear trend with a damped slope). Steps without a value only
//! widen it. Unit: of the value, a step. Bound: nine numbers.

/// What is held likely.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Model {
    /// Standard deviation of the errors.
    pub spread: f64,
    /// Steps after which their correlation falls to 1/e.
    pub time: f64,
    /// Standard deviation of the slope.
    pub slope_spread: f64,
    /// Steps after which a slope is forgotten to 1/e.
    pub slope_time: f64,
    /// Variance of what is independent at each step, rounding for one.
    pub noise: f64,
    /// Standard deviation of the first mean about the first value.
    pub start_spread: f64,
}

/// The filter: mean, slope and error, with their covariance.
#[derive(Clone, Copy, Debug)]
pub struct LocalTrend {
    model: Model,
    state: [f64; 3],
    covariance: [[f64; 3]; 3],
    surprise: f64,
    taken: f64,
}

impl LocalTrend {
    /// Begins with the first value, which [`Self::observe`] then takes.
    #[must_use]
    pub fn new(model: Model, first: f64) -> Self {
        let mut covariance = [[0.0; 3]; 3];
        let spreads = [model.start_spread, model.slope_spread, model.spread];
        for (index, spread) in spreads.into_iter().enumerate() {
            covariance[index][index] = spread * spread;
        }
        Self { model, state: [first, 0.0, 0.0], covariance, surprise: 0.0, taken: 0.0 }
    }

    /// One step on.
    pub fn step(&mut self) {
        let Model { spread, time, slope_spread, slope_time, .. } = self.model;
        let (slope_kept, error_kept) = ((-1.0 / slope_time).exp(), (-1.0 / time).exp());
        let next = [[1.0, 1.0, 0.0], [0.0, slope_kept, 0.0], [0.0, 0.0, error_kept]];
        self.state = next.map(|row| dot(row, self.state));
        // Both factors are symmetric's rows: next x covariance x next'.
        let half = next.map(|row| self.covariance.map(|column| dot(row, column)));
        self.covariance = half.map(|row| next.map(|other| dot(row, other)));
        self.covariance[1][1] += slope_spread * slope_spread * (1.0 - slope_kept * slope_kept);
        self.covariance[2][2] += spread * spread * (1.0 - error_kept * error_kept);
    }

    /// Takes the value of this step.
    pub fn observe(&mut self, value: f64) {
        let seen = [1.0, 0.0, 1.0];
        let gain = self.covariance.map(|row| dot(row, seen));
        let variance = dot(gain, seen) + self.model.noise;
        let apart = value - dot(self.state, seen);
        self.surprise += apart * apart / variance;
        self.taken += 1.0;
        for row in 0..3 {
            self.state[row] += gain[row] / variance * apart;
            for column in 0..3 {
                self.covariance[row][column] -= gain[row] * gain[column] / variance;
            }
        }
    }

    /// The slope at this step and its standard error.
    #[must_use]
    pub fn slope(&self) -> (f64, f64) {
        (self.state[1], self.covariance[1][1].max(0.0).sqrt())
    }

    /// How much wider than the model the values spread, and the number of values behind it: where only the
    /// model's ratios are known, errors are to be multiplied by it (Harvey 1989, the concentrated likelihood).
    #[must_use]
    pub fn scale(&self) -> (f64, f64) {
        ((self.surprise / self.taken.max(1.0)).sqrt(), self.taken)
    }
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

#[cfg(test)]
mod tests {
    use crate::stats::curve_fit::local_trend::*;
    use crate::stats::curve_fit::symmetric;

    const MODEL: Model =
        Model { spread: 3.0, time: 3.0, slope_spread: 0.5, slope_time: 30.0, noise: 0.1, start_spread: 20.0 };

    /// The oracle knows no filter: all values are weights of independent shocks, and the slope is what the
    /// normal law says of it, given the values (one inverse of their whole covariance).
    #[test]
    fn the_slope_is_what_the_normal_law_says_of_it() {
        let values = [-60.0, -61.5, f64::NAN, -60.4, -63.0, -64.1, f64::NAN, f64::NAN, -66.0, -65.2, -67.7];
        let steps = values.len();
        let (slope_kept, error_kept) = ((-1.0 / MODEL.slope_time).exp(), (-1.0 / MODEL.time).exp());
        let shocks = 3 + 2 * steps;
        let unit = |index: usize, size: f64| -> Vec<f64> {
            (0..shocks).map(|each| if each == index { size } else { 0.0 }).collect()
        };
        let sum = |a: &[f64], scale: f64, b: &[f64], other: f64| -> Vec<f64> {
            a.iter().zip(b).map(|(a, b)| scale * a + other * b).collect()
        };
        let mut mean = unit(0, MODEL.start_spread);
        let mut slope = unit(1, MODEL.slope_spread);
        let mut error = unit(2, MODEL.spread);
        let mut seen = Vec::new();
        for (step, value) in values.iter().enumerate() {
            if step > 0 {
                mean = sum(&mean, 1.0, &slope, 1.0);
                let fresh = |kept: f64, spread: f64| spread * (1.0 - kept * kept).sqrt();
                slope =
                    sum(&slope, slope_kept, &unit(1 + 2 * step, fresh(slope_kept, MODEL.slope_spread)), 1.0);
                error = sum(&error, error_kept, &unit(2 + 2 * step, fresh(error_kept, MODEL.spread)), 1.0);
            }
            if !value.is_nan() {
                seen.push((sum(&mean, 1.0, &error, 1.0), value - values[0]));
            }
        }
        let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let covariance: Vec<Vec<f64>> = (0..seen.len())
            .map(|row| {
                (0..seen.len())
                    .map(|column| {
                        let noise = if row == column { MODEL.noise } else { 0.0 };
                        product(&seen[row].0, &seen[column].0) + noise
                    })
                    .collect()
            })
            .collect();
        let with_slope: Vec<f64> = seen.iter().map(|(weights, _)| product(weights, &slope)).collect();
        let weights = symmetric::multiply(&symmetric::inverse(&covariance).unwrap(), &with_slope);
        let expected: f64 = weights.iter().zip(&seen).map(|(weight, (_, value))| weight * value).sum();
        let error = (product(&slope, &slope) - product(&weights, &with_slope)).sqrt();

        let mut filter = LocalTrend::new(MODEL, values[0]);
        for (step, &value) in values.iter().enumerate() {
            if step > 0 {
                filter.step();
            }
            if !value.is_nan() {
                filter.observe(value);
            }
        }
        let found = filter.slope();
        assert!((found.0 - expected).abs() < 1e-9 && (found.1 - error).abs() < 1e-9, "{found:?} {expected}");
    }

    /// Ten times the values: ten times the slope and the scale.
    #[test]
    fn the_scale_goes_with_the_values() {
        let run = |factor: f64| {
            let mut filter = LocalTrend::new(MODEL, 0.0);
            for step in 0..200 {
                filter.step();
                filter.observe(factor * f64::from(step * 7 % 11));
            }
            (filter.slope().0, filter.scale().0)
        };
        let (one, ten) = (run(1.0), run(10.0));
        assert!(
            (ten.0 / one.0 - 10.0).abs() < 1e-9 && (ten.1 / one.1 - 10.0).abs() < 1e-9,
            "{one:?} {ten:?}"
        );
    }
}
