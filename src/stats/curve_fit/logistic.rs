//! A logistic chance on top of a base chance: p = base + (1 - base) logistic(a + b x).
//!
//! Known in dose response as natural mortality (Abbott 1925; Finney, Probit Analysis, chapter 7):
//! events that have nothing to do with x must not bend the curve. Fisher scoring, damped, on the
//! penalised likelihood: a ridge on the slope, and a normal prior on the log odds of the base, which
//! keep both finite where the data say nothing of them. No unit: x as given, standardise it before.

use crate::stats::curve_fit::symmetric;

/// Events among trials at one x.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Count {
    /// Where.
    pub x: f64,
    /// Trials.
    pub trials: f64,
    /// Events.
    pub events: f64,
}

/// What is held likely before the data speak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Weight of the squared slope.
    pub ridge: f64,
    /// Middle of the log odds of the base.
    pub base_odds: f64,
    /// Their standard deviation.
    pub base_spread: f64,
}

/// Intercept, slope, log odds of the base.
pub type Parameters = [f64; 3];

/// A fitted curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Intercept, slope, log odds of the base.
    pub parameters: Parameters,
    /// Inverse of the penalised information.
    pub covariance: Vec<Vec<f64>>,
    /// The penalised log-likelihood.
    pub objective: f64,
}

impl Fit {
    /// The base chance.
    #[must_use]
    pub fn base(&self) -> f64 {
        logistic(self.parameters[2])
    }

    /// Where the logistic part has the chance `p`, and its gradient by the parameters.
    #[must_use]
    pub fn level_at(&self, p: f64) -> (f64, [f64; 3]) {
        let [intercept, slope, _] = self.parameters;
        let level = (logit(p) - intercept) / slope;
        (level, [-1.0 / slope, -level / slope, 0.0])
    }
}

/// The chance at one x, and its gradient by the parameters.
#[derive(Clone, Copy, Debug)]
pub struct Chance {
    /// The chance.
    pub p: f64,
    gradient: [f64; 3],
}

impl Chance {
    /// At x.
    #[must_use]
    pub fn at(parameters: &Parameters, x: f64) -> Self {
        Self::over(logistic(parameters[2]), parameters, x)
    }

    /// The same, with the base chance reckoned once for many x.
    fn over(base: f64, parameters: &Parameters, x: f64) -> Self {
        let [intercept, slope, _] = *parameters;
        let curve = logistic(intercept + slope * x);
        let steep = (1.0 - base) * curve * (1.0 - curve);
        let p = (base + (1.0 - base) * curve).clamp(1e-15, 1.0 - 1e-15);
        Self { p, gradient: [steep, steep * x, (1.0 - curve) * base * (1.0 - base)] }
    }

    /// The score of a count here: the gradient of its log-likelihood.
    #[must_use]
    pub fn score(&self, count: &Count) -> [f64; 3] {
        let pull = (count.events - count.trials * self.p) / (self.p * (1.0 - self.p));
        self.gradient.map(|part| part * pull)
    }

    /// The information that a count here holds on the intercept alone.
    #[must_use]
    pub fn intercept_information(&self, count: &Count) -> f64 {
        count.trials * self.gradient[0] * self.gradient[0] / (self.p * (1.0 - self.p))
    }

    /// The score and the information that a count here holds on the intercept alone.
    #[must_use]
    pub fn intercept_pull(&self, count: &Count) -> (f64, f64) {
        let weight = self.gradient[0] / (self.p * (1.0 - self.p));
        (weight * (count.events - count.trials * self.p), count.trials * weight * self.gradient[0])
    }
}

/// The score and the information that counts hold on the intercept alone.
#[must_use]
pub fn intercept_pull<'a>(parameters: &Parameters, counts: impl Iterator<Item = &'a Count>) -> (f64, f64) {
    let base = logistic(parameters[2]);
    counts.fold((0.0, 0.0), |(pull, information), count| {
        let own = Chance::over(base, parameters, count.x).intercept_pull(count);
        (pull + own.0, information + own.1)
    })
}

/// The log odds of a chance.
#[must_use]
pub fn logit(p: f64) -> f64 {
    (p / (1.0 - p)).ln()
}

/// The chance of log odds.
#[must_use]
pub fn logistic(odds: f64) -> f64 {
    if odds >= 0.0 { 1.0 / (1.0 + (-odds).exp()) } else { odds.exp() / (1.0 + odds.exp()) }
}

/// The log-likelihood without the binomial coefficients and without the prior.
#[must_use]
pub fn log_likelihood<'a>(parameters: &Parameters, counts: impl Iterator<Item = &'a Count>) -> f64 {
    let base = logistic(parameters[2]);
    let of = |count: &Count| {
        let p = Chance::over(base, parameters, count.x).p;
        count.events * p.ln() + (count.trials - count.events) * (-p).ln_1p()
    };
    counts.map(of).sum()
}

fn objective(counts: &[Count], prior: Prior, parameters: &Parameters) -> f64 {
    let likelihood = log_likelihood(parameters, counts.iter());
    let [_, slope, odds] = *parameters;
    likelihood
        - 0.5 * prior.ridge * slope * slope
        - 0.5 * ((odds - prior.base_odds) / prior.base_spread).powi(2)
}

fn information(counts: &[Count], prior: Prior, parameters: &Parameters) -> Vec<Vec<f64>> {
    let mut information = vec![vec![0.0; 3]; 3];
    let base = logistic(parameters[2]);
    for count in counts {
        let Chance { p, gradient } = Chance::over(base, parameters, count.x);
        symmetric::add_square(&mut information, &gradient, count.trials / (p * (1.0 - p)));
    }
    information[1][1] += prior.ridge;
    information[2][2] += prior.base_spread.powi(-2);
    information
}

/// Fits from several starting slopes of the given sign and takes the best; `None` where none converges.
#[must_use]
pub fn fit(counts: &[Count], prior: Prior, starts: &[Parameters]) -> Option<Fit> {
    starts
        .iter()
        .filter_map(|start| climb(counts, prior, *start))
        .max_by(|a, b| a.objective.total_cmp(&b.objective))
}

fn climb(counts: &[Count], prior: Prior, start: Parameters) -> Option<Fit> {
    const MOST_STEPS: usize = 200;
    let mut parameters = start;
    let mut value = objective(counts, prior, &parameters);
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let mut gradient = [0.0; 3];
        for count in counts {
            let part = Chance::at(&parameters, count.x).score(count);
            gradient.iter_mut().zip(part).for_each(|(sum, part)| *sum += part);
        }
        gradient[1] -= prior.ridge * parameters[1];
        gradient[2] -= (parameters[2] - prior.base_odds) / prior.base_spread.powi(2);
        let information = information(counts, prior, &parameters);
        let mut damped = information.clone();
        for (index, row) in damped.iter_mut().enumerate() {
            row[index] += damping * information[index][index].max(1e-9);
        }
        let step = symmetric::multiply(&symmetric::inverse(&damped)?, &gradient);
        let next = [parameters[0] + step[0], parameters[1] + step[1], parameters[2] + step[2]];
        let next_value = objective(counts, prior, &next);
        let size = step.iter().zip(&parameters).map(|(s, p)| s.abs() / (1.0 + p.abs())).fold(0.0, f64::max);
        if next_value.is_finite() && next_value >= value {
            (parameters, value) = (next, next_value);
            damping = (damping / 10.0).max(1e-12);
            if size < 1e-10 {
                break;
            }
        } else if size < 1e-9 || damping > 1e12 {
            break;
        } else {
            damping *= 10.0;
        }
    }
    let covariance = symmetric::inverse(&information(counts, prior, &parameters))?;
    parameters.iter().all(|value| value.is_finite()).then_some(Fit {
        parameters,
        covariance,
        objective: value,
    })
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::stats::curve_fit::logistic::*;

    const NO_BASE: Prior = Prior { ridge: 0.0, base_odds: -25.0, base_spread: 1e-3 };

    fn numbers(value: &Value) -> Vec<f64> {
        value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
    }

    fn close(found: f64, expected: &Value, tolerance: f64, what: &str) {
        let expected = expected.as_f64().unwrap();
        assert!((found - expected).abs() <= tolerance, "{what}: {found}, expected {expected}");
    }

    fn counts(x: &Value, trials: &[f64], events: &Value) -> Vec<Count> {
        let counts = numbers(x).into_iter().zip(trials).zip(numbers(events));
        counts.map(|((x, &trials), events)| Count { x, trials, events }).collect()
    }

    /// With the base pinned to nothing it is the plain regression: Bliss (1935) in Dobson (1990) pp. 108-111,
    /// coefficients as published, R 4.2.2 glm for the rest; a level in dBm, statsmodels 0.15.0; with a ridge on
    /// separable data, scikit-learn 1.9.1. See tests/vectors/logistic.json.
    #[test]
    fn without_a_base_it_is_the_plain_regression() {
        let vectors: Value =
            serde_json::from_str(include_str!("../../../tests/vectors/logistic.json")).unwrap();
        let (beetle, toy, separable) =
            (&vectors["beetle"], &vectors["rssi_toy"], &vectors["ridge_separable"]);
        let logit = &beetle["logit"];
        let beetles = counts(&beetle["x"], &numbers(&beetle["n"]), &beetle["killed"]);
        let found = fit(&beetles, NO_BASE, &[[-50.0, 30.0, -25.0]]).unwrap();
        close(found.parameters[0], &(-60.717_455).into(), 1e-4, "intercept as published");
        close(found.parameters[1], &34.270_326.into(), 1e-4, "slope as published");
        let errors = &logit["se"];
        close(found.covariance[0][0].sqrt(), &errors[0], 1e-3, "error of the intercept");
        close(found.covariance[1][1].sqrt(), &errors[1], 1e-3, "error of the slope");
        for (p, key) in [(0.5, "ld50"), (0.1, "ld10"), (0.9, "ld90")] {
            close(found.level_at(p).0, &logit[key], 1e-6, key);
        }
        let froze = counts(&toy["x_dbm"], &[1.0; 12], &toy["freeze"]);
        let found = fit(&froze, NO_BASE, &[[-20.0, -0.3, -25.0]]).unwrap();
        close(found.parameters[1], &toy["slope"], 1e-6, "slope");
        close(found.level_at(0.5).0, &toy["x50"], 1e-5, "x50");
        let split = counts(&separable["x"], &[1.0; 8], &separable["y"]);
        for case in separable["cases"].as_array().unwrap() {
            let prior = Prior { ridge: case["lam"].as_f64().unwrap(), ..NO_BASE };
            let found = fit(&split, prior, &[[-1.0, 0.5, -25.0]]).unwrap();
            close(found.parameters[0], &case["intercept"], 1e-5, "intercept");
            close(found.parameters[1], &case["slope"], 1e-5, "slope");
        }
    }

    /// The oracle is the model itself: expected counts at known parameters give them back.
    #[test]
    fn expected_counts_give_the_parameters_back() {
        let truth = [-1.0, -2.0, logit(0.03)];
        let exact: Vec<Count> = (-30..=30)
            .map(|step| {
                let x = f64::from(step) / 10.0;
                Count { x, trials: 1e5, events: 1e5 * Chance::at(&truth, x).p }
            })
            .collect();
        let prior = Prior { ridge: 0.0, base_odds: -7.0, base_spread: 1e6 };
        let found = fit(&exact, prior, &[[0.0, -0.5, -5.0], [0.0, -5.0, -5.0]]).unwrap();
        for (found, truth) in found.parameters.iter().zip(truth) {
            assert!((found - truth).abs() < 1e-5, "{found} {truth}");
        }
    }

    /// The gradient against differences of the likelihood.
    #[test]
    fn the_score_is_the_slope_of_the_likelihood() {
        let count = Count { x: 0.7, trials: 20.0, events: 3.0 };
        let at = [-1.0, -0.8, -3.0];
        let flat = Prior { ridge: 0.0, base_odds: 0.0, base_spread: 1e9 };
        for index in 0..3 {
            let shifted = |by: f64| {
                let mut moved = at;
                moved[index] += by;
                objective(&[count], flat, &moved)
            };
            let slope = (shifted(1e-6) - shifted(-1e-6)) / 2e-6;
            assert!((slope - Chance::at(&at, count.x).score(&count)[index]).abs() < 1e-5);
        }
    }
}
