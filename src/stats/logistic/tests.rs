//! Checks against published fits: see tests/vectors/logistic.json for each source.

use serde_json::Value;

use crate::stats::logistic::*;

fn vectors() -> Value {
    serde_json::from_str(include_str!("../../../tests/vectors/logistic.json")).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

fn close(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((found - expected).abs() <= tolerance, "{what}: {found}, expected {expected}");
}

fn line(x: &[f64]) -> Vec<Vec<f64>> {
    x.iter().map(|&x| vec![1.0, x]).collect()
}

fn pair(covariance: &[Vec<f64>]) -> [[f64; 2]; 2] {
    [[covariance[0][0], covariance[0][1]], [covariance[1][0], covariance[1][1]]]
}

/// Bliss (1935) in Dobson (1990) pp. 108-111; published coefficients in the glmlab manual; R 4.2.2
/// glm and MASS dose.p for the rest.
#[test]
fn beetle_mortality() {
    let vectors = vectors();
    let beetle = &vectors["beetle"];
    let (x, killed, n) = (numbers(&beetle["x"]), numbers(&beetle["killed"]), numbers(&beetle["n"]));
    let rows = line(&x);
    let data = Data { rows: &rows, successes: &killed, trials: &n };
    let fit = fit(data, Penalty::None).unwrap();
    let (a, b) = (fit.coefficients[0], fit.coefficients[1]);
    close(a, -60.717_455, 1e-5, "intercept as published");
    close(b, 34.270_326, 1e-5, "slope as published");
    let logit = &beetle["logit"];
    let errors = numbers(&logit["se"]);
    close(fit.covariance[0][0].sqrt(), errors[0], 2e-5, "error of the intercept");
    close(fit.covariance[1][1].sqrt(), errors[1], 2e-5, "error of the slope");
    close(fit.deviance, 11.232_231, 1e-6, "deviance as published");
    for ((x, n), expected) in x.iter().zip(&n).zip(numbers(&logit["fitted"])) {
        close(n * logistic(a + b * x), expected, 1e-6, "fitted");
    }
    let covariance = pair(&fit.covariance);
    close(level_at(a, b, 0.5), logit["ld50"].as_f64().unwrap(), 1e-9, "half-lethal dose");
    close(level_at(a, b, 0.1), logit["ld10"].as_f64().unwrap(), 1e-8, "10 % dose");
    close(level_at(a, b, 0.9), logit["ld90"].as_f64().unwrap(), 1e-8, "90 % dose");
    close(level_error(a, b, covariance, 0.5), logit["ld50_se_delta"].as_f64().unwrap(), 1e-8, "delta");
    let expected = numbers(&logit["ld50_fieller95"]);
    let found = fieller(a, b, covariance, 0.5, 1.959_963_984_540_054).unwrap();
    close(found[0], expected[0], 1e-8, "Fieller low");
    close(found[1], expected[1], 1e-8, "Fieller high");
    let constant: Vec<Vec<f64>> = x.iter().map(|_| vec![1.0]).collect();
    let null = self::fit(Data { rows: &constant, ..data }, Penalty::None).unwrap();
    close(null.deviance, logit["null_deviance"].as_f64().unwrap(), 1e-5, "null deviance");
}

/// MASS help page of dose.p (Venables and Ripley), R 4.2.2.
#[test]
fn budworm() {
    let vectors = vectors();
    let budworm = &vectors["budworm"];
    let dose = numbers(&budworm["ldose"]);
    let female = |index: usize| if budworm["sex"][index] == "F" { 1.0 } else { 0.0 };
    let rows: Vec<Vec<f64>> = dose
        .iter()
        .enumerate()
        .map(|(index, &dose)| vec![female(index), 1.0 - female(index), dose])
        .collect();
    let dead = numbers(&budworm["dead"]);
    let trials = vec![20.0; dose.len()];
    let fit = fit(Data { rows: &rows, successes: &dead, trials: &trials }, Penalty::None).unwrap();
    for (index, key) in ["sexF", "sexM", "ldose"].iter().enumerate() {
        close(fit.coefficients[index], budworm["params"][key].as_f64().unwrap(), 1e-8, key);
        close(fit.covariance[index][index].sqrt(), budworm["se"][key].as_f64().unwrap(), 1e-6, key);
    }
    close(fit.deviance, budworm["deviance"].as_f64().unwrap(), 1e-7, "deviance");
    let c = &fit.covariance;
    let covariance = [[c[0][0], c[0][2]], [c[2][0], c[2][2]]];
    let (a, b) = (fit.coefficients[0], fit.coefficients[2]);
    for (p, key) in [(0.25, "p25"), (0.5, "p50"), (0.75, "p75")] {
        let expected = numbers(&budworm["female_dose_p"][key]);
        close(level_at(a, b, p), expected[0], 1e-8, key);
        close(level_error(a, b, covariance, p), expected[1], 1e-6, key);
    }
}

/// statsmodels 0.15.0.
#[test]
fn a_level_in_dbm() {
    let vectors = vectors();
    let toy = &vectors["rssi_toy"];
    let (x, froze) = (numbers(&toy["x_dbm"]), numbers(&toy["freeze"]));
    let (rows, trials) = (line(&x), vec![1.0; x.len()]);
    let fit = fit(Data { rows: &rows, successes: &froze, trials: &trials }, Penalty::None).unwrap();
    close(fit.coefficients[0], toy["intercept"].as_f64().unwrap(), 1e-7, "intercept");
    close(fit.coefficients[1], toy["slope"].as_f64().unwrap(), 1e-9, "slope");
    close(fit.deviance, toy["deviance"].as_f64().unwrap(), 1e-9, "deviance");
    close(level_at(fit.coefficients[0], fit.coefficients[1], 0.5), toy["x50"].as_f64().unwrap(), 1e-8, "x50");
}

/// scikit-learn 1.9.1 (C = 1 / weight) on separable data, where no unpenalised maximum exists.
#[test]
fn ridge_on_separable_data() {
    let vectors = vectors();
    let separable = &vectors["ridge_separable"];
    let (x, y) = (numbers(&separable["x"]), numbers(&separable["y"]));
    let (rows, trials) = (line(&x), vec![1.0; x.len()]);
    let data = Data { rows: &rows, successes: &y, trials: &trials };
    assert_eq!(fit(data, Penalty::None).map(|fit| fit.coefficients[1] > 20.0), None);
    for case in separable["cases"].as_array().unwrap() {
        let weight = case["lam"].as_f64().unwrap();
        let fit = fit(data, Penalty::Ridge(&[0.0, weight])).unwrap();
        close(fit.coefficients[0], case["intercept"].as_f64().unwrap(), 1e-6, "intercept");
        close(fit.coefficients[1], case["slope"].as_f64().unwrap(), 1e-6, "slope");
    }
}

/// R brglm2 0.9 and firthmodels 0.8.2.
#[test]
fn firth() {
    let vectors = vectors();
    for case in vectors["firth"].as_array().unwrap() {
        let name = case["name"].as_str().unwrap();
        let (x, y, trials) = (numbers(&case["x"]), numbers(&case["y"]), numbers(&case["n"]));
        let rows = line(&x);
        let fit = fit(Data { rows: &rows, successes: &y, trials: &trials }, Penalty::Firth).unwrap();
        close(fit.coefficients[0], case["intercept"].as_f64().unwrap(), 1e-6, name);
        close(fit.coefficients[1], case["slope"].as_f64().unwrap(), 1e-6, name);
        let errors = numbers(&case["se"]);
        close(fit.covariance[0][0].sqrt(), errors[0], 1e-5, name);
        close(fit.covariance[1][1].sqrt(), errors[1], 1e-5, name);
    }
}
