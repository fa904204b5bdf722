//! Logistic regression of binomial counts: maximum likelihood, ridge and Firth.
//!
//! logit p = row . coefficients. Newton's method on the (penalised) likelihood; the level of a given
//! chance has the delta-method error and Fieller's interval (Finney, Probit Analysis). Ridge: the
//! likelihood less half the weighted squares of the coefficients. Firth (1993), Biometrika 80:27-38:
//! Jeffreys' prior, which is finite on separable data too. No unit: chances and levels as given.

pub mod base;

use super::symmetric;

/// Binomial data: a row of regressors, successes and trials each.
#[derive(Clone, Copy, Debug)]
pub struct Data<'a> {
    /// Regressors, the constant 1 among them.
    pub rows: &'a [Vec<f64>],
    /// Successes.
    pub successes: &'a [f64],
    /// Trials.
    pub trials: &'a [f64],
}

/// What the likelihood is penalised with.
#[derive(Clone, Copy, Debug)]
pub enum Penalty<'a> {
    /// Nothing.
    None,
    /// Half of each weight times its coefficient squared.
    Ridge(&'a [f64]),
    /// Firth's.
    Firth,
}

/// A fitted regression.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// One a regressor.
    pub coefficients: Vec<f64>,
    /// Inverse of the information (of the penalised one for a ridge).
    pub covariance: Vec<Vec<f64>>,
    /// Log-likelihood without the binomial coefficients and without the penalty.
    pub log_likelihood: f64,
    /// Twice the log-likelihood that is lacking to a perfect fit.
    pub deviance: f64,
}

const MOST_STEPS: usize = 200;

/// Fits; `None` where the data are empty or uneven, or no finite maximum exists.
#[must_use]
pub fn fit(data: Data<'_>, penalty: Penalty<'_>) -> Option<Fit> {
    let width = data.rows.first()?.len();
    let even = data.rows.iter().all(|row| row.len() == width)
        && data.successes.len() == data.rows.len()
        && data.trials.len() == data.rows.len();
    if !even {
        return None;
    }
    let mut coefficients = vec![0.0; width];
    for _ in 0..MOST_STEPS {
        let (score, inverse) = score(data, penalty, &coefficients)?;
        let mut step = symmetric::multiply(&inverse, &score);
        // A long step of Newton's overshoots where the chances are near 0 or 1.
        let value = objective(data, penalty, &coefficients)?;
        let mut halvings = 0;
        loop {
            let next: Vec<f64> = coefficients.iter().zip(&step).map(|(a, b)| a + b).collect();
            match objective(data, penalty, &next) {
                Some(better) if better >= value - 1e-12 * value.abs() => {
                    coefficients = next;
                    break;
                }
                _ if halvings < 40 => {
                    halvings += 1;
                    for part in &mut step {
                        *part /= 2.0;
                    }
                }
                _ => break,
            }
        }
        let size = step.iter().zip(&coefficients).map(|(s, c)| s.abs() / (1.0 + c.abs())).fold(0.0, f64::max);
        if coefficients.iter().any(|value| !value.is_finite() || value.abs() > 1e6) {
            return None;
        }
        if size < 1e-12 {
            let (_, covariance) = self::score(data, penalty, &coefficients)?;
            let (log_likelihood, deviance) = likelihood(data, &coefficients);
            return Some(Fit { coefficients, covariance, log_likelihood, deviance });
        }
    }
    None
}

/// The level whose chance is `p`, from an intercept and a slope.
#[must_use]
pub fn level_at(intercept: f64, slope: f64, p: f64) -> f64 {
    (logit(p) - intercept) / slope
}

/// Delta-method standard error of [`level_at`]; the covariance is of intercept and slope.
#[must_use]
pub fn level_error(intercept: f64, slope: f64, covariance: [[f64; 2]; 2], p: f64) -> f64 {
    let level = level_at(intercept, slope, p);
    let [[v00, v01], [_, v11]] = covariance;
    (v00 + 2.0 * level * v01 + level * level * v11).max(0.0).sqrt() / slope.abs()
}

/// Fieller's interval of [`level_at`] at `quantile` standard errors; `None` where the slope is too
/// uncertain for a finite one.
#[must_use]
pub fn fieller(
    intercept: f64,
    slope: f64,
    covariance: [[f64; 2]; 2],
    p: f64,
    quantile: f64,
) -> Option<[f64; 2]> {
    // Roots of (a + slope t)^2 = q^2 (v00 + 2 t v01 + t^2 v11).
    let a = intercept - logit(p);
    let square = quantile * quantile;
    let [[v00, v01], [_, v11]] = covariance;
    let second = slope * slope - square * v11;
    let half_first = a * slope - square * v01;
    let constant = a * a - square * v00;
    let root = half_first * half_first - second * constant;
    (second > 0.0 && root >= 0.0)
        .then(|| [(-half_first - root.sqrt()) / second, (-half_first + root.sqrt()) / second])
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

fn dot(row: &[f64], coefficients: &[f64]) -> f64 {
    row.iter().zip(coefficients).map(|(x, c)| x * c).sum()
}

/// ln(1 + exp(x)) without overflow.
fn softplus(x: f64) -> f64 {
    x.max(0.0) + (-x.abs()).exp().ln_1p()
}

fn likelihood(data: Data<'_>, coefficients: &[f64]) -> (f64, f64) {
    let mut sum = 0.0;
    let mut perfect = 0.0;
    for ((row, &k), &n) in data.rows.iter().zip(data.successes).zip(data.trials) {
        let odds = dot(row, coefficients);
        sum += k * odds - n * softplus(odds);
        let part = |count: f64| if count > 0.0 { count * (count / n).ln() } else { 0.0 };
        perfect += part(k) + part(n - k);
    }
    (sum, 2.0 * (perfect - sum))
}

fn information(data: Data<'_>, coefficients: &[f64]) -> Vec<Vec<f64>> {
    let width = coefficients.len();
    let mut information = vec![vec![0.0; width]; width];
    for (row, &n) in data.rows.iter().zip(data.trials) {
        let p = logistic(dot(row, coefficients));
        symmetric::add_square(&mut information, row, n * p * (1.0 - p));
    }
    information
}

fn objective(data: Data<'_>, penalty: Penalty<'_>, coefficients: &[f64]) -> Option<f64> {
    let (sum, _) = likelihood(data, coefficients);
    let value = match penalty {
        Penalty::None => sum,
        Penalty::Ridge(weights) => {
            sum - 0.5 * weights.iter().zip(coefficients).map(|(w, c)| w * c * c).sum::<f64>()
        }
        Penalty::Firth => sum + 0.5 * symmetric::log_determinant(&information(data, coefficients))?,
    };
    value.is_finite().then_some(value)
}

/// The score of the penalised likelihood, and the inverse of its information.
fn score(data: Data<'_>, penalty: Penalty<'_>, coefficients: &[f64]) -> Option<(Vec<f64>, Vec<Vec<f64>>)> {
    let width = coefficients.len();
    let mut information = information(data, coefficients);
    if let Penalty::Ridge(weights) = penalty {
        for (index, weight) in weights.iter().enumerate().take(width) {
            information[index][index] += weight;
        }
    }
    let inverse = symmetric::inverse(&information)?;
    let mut score = vec![0.0; width];
    for ((row, &k), &n) in data.rows.iter().zip(data.successes).zip(data.trials) {
        let p = logistic(dot(row, coefficients));
        let mut residual = k - n * p;
        if matches!(penalty, Penalty::Firth) {
            let leverage = n * p * (1.0 - p) * dot(row, &symmetric::multiply(&inverse, row));
            residual += leverage * (0.5 - p);
        }
        score.iter_mut().zip(row).for_each(|(sum, x)| *sum += residual * x);
    }
    if let Penalty::Ridge(weights) = penalty {
        for ((part, weight), coefficient) in score.iter_mut().zip(weights).zip(coefficients) {
            *part -= weight * coefficient;
        }
    }
    Some((score, inverse))
}

#[cfg(test)]
mod tests;
