//! Whether the sessions behind a threshold agree, and which one, or what drift, makes the difference.
//!
//! Definition: twice the log-likelihood that each session gains by an intercept of its own (slope and base
//! stay common), summed: chi-squared with one degree less than the sessions that have a say (likelihood
//! ratio, Wilks 1938). A session has a say where it froze, or where at least one freeze was expected of it.
//! Drift: the score test of an intercept that goes up by the same step from session to session, from 4
//! sessions on. Outlier: a session's own gain over one less its share of the information, Bonferroni over
//! the sessions. Of drift and outlier the one that explains more is named. Bounds: one pass a session.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::stats::curve_fit::logistic as regression;
use crate::stats::curve_fit::logistic::logit;

use super::{Curve, P05, SessionLevel, Tally};

/// Sessions that differ no more than this chance would let them are said to agree.
const DIFFER: f64 = 0.05;
/// A drift is looked for beside that: a smaller chance, so that both together seldom cry wolf.
const DRIFT: f64 = 0.01;
const LEAST_FOR_DRIFT: usize = 4;
/// An intercept farther off than this says no more than "nothing seen".
const FARTHEST: f64 = 12.0;

/// What the comparison found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Finding {
    /// Differences that chance explains.
    Agree,
    /// More than chance, and no single session or drift stands out.
    Differ,
    /// One session lies apart: its index.
    Outlier(usize),
    /// The level goes one way from session to session.
    Drift,
}

/// Whether the sessions agree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Agreement {
    /// Twice the log-likelihood gained by a level of its own for each session.
    pub deviance: f64,
    /// Sessions with a say, less one.
    pub degrees: u32,
    /// Chance of a deviance as large where all sessions have one threshold.
    pub p: f64,
    /// Change of the level from one session to the next; `None` with too few sessions.
    pub drift_per_session: Option<f64>,
    /// Chance of a drift as large where there is none.
    pub drift_p: Option<f64>,
    /// In one word.
    pub finding: Finding,
}

/// One session beside the common curve.
struct Own {
    index: usize,
    gain: f64,
    score: f64,
    information: f64,
}

/// Each session's own level beside the common curve.
#[derive(Default)]
pub(super) struct Comparison {
    levels: Vec<SessionLevel>,
    own: Vec<Own>,
}

impl Comparison {
    /// Takes the next session.
    pub(super) fn take(&mut self, curve: &Curve, tallies: &[Tally<'_>]) {
        // Whole numbers, and so exact.
        let freezes = tallies.iter().map(|tally| tally.count.events).sum::<f64>() as u32;
        // Those that the logistic part alone lets expect.
        let expected = || tallies.iter().map(|tally| tally.count.trials * tally.common.curve).sum::<f64>();
        let has_a_say = freezes > 0 || expected() >= 1.0;
        if !has_a_say {
            self.levels.push(SessionLevel { level_p05: None, error: None, freezes });
            return;
        }
        let (intercept, curvature) = own_intercept(curve, tallies);
        self.own.push(beside(curve, self.levels.len(), tallies, intercept));
        self.levels.push(level_of(curve, intercept, curvature, freezes));
    }

    /// The levels, and whether the sessions agree (`None` where fewer than two have a say).
    pub(super) fn end(self, curve: &Curve) -> (Vec<SessionLevel>, Option<Agreement>) {
        let agreement = (self.own.len() >= 2).then(|| judge(curve, &self.own));
        (self.levels, agreement)
    }
}

/// Newton's steps from the common intercept, slope and base held; with the information there.
fn own_intercept(curve: &Curve, tallies: &[Tally<'_>]) -> (f64, f64) {
    let common = curve.fit.parameters;
    let mut parameters = common;
    let mut curvature = 0.0;
    let here = tallies.iter().map(|tally| tally.common.chance.intercept_pull(&tally.count));
    let mut next = here.fold((0.0, 0.0), |sum, own| (sum.0 + own.0, sum.1 + own.1));
    for _ in 0..40 {
        let (pull, information) = next;
        curvature = information;
        let step = if curvature > 1e-9 { (pull / curvature).clamp(-1.0, 1.0) } else { 0.0 };
        let from = parameters[0];
        parameters[0] = (from + step).clamp(common[0] - FARTHEST, common[0] + FARTHEST);
        // Held at an end of its range it would take the same step again and again.
        if step.abs() < 1e-7 || parameters[0] == from {
            break;
        }
        next = regression::intercept_pull(&parameters, tallies.iter().map(|tally| &tally.count));
    }
    (parameters[0], curvature)
}

fn level_of(curve: &Curve, intercept: f64, curvature: f64, freezes: u32) -> SessionLevel {
    let moved = (intercept - curve.fit.parameters[0]).abs();
    if freezes == 0 || curvature < 1e-6 || moved >= FARTHEST {
        return SessionLevel { level_p05: None, error: None, freezes };
    }
    let slope = curve.fit.parameters[1];
    let level = curve.unscaled((logit(P05) - intercept) / slope);
    SessionLevel {
        level_p05: Some(level),
        error: Some(curve.spread / (slope.abs() * curvature.sqrt())),
        freezes,
    }
}

fn beside(curve: &Curve, index: usize, tallies: &[Tally<'_>], intercept: f64) -> Own {
    let mut moved = curve.fit.parameters;
    moved[0] = intercept;
    let counts = tallies.iter().map(|tally| &tally.count);
    let common: f64 = tallies.iter().map(Tally::log_likelihood).sum();
    let gain = 2.0 * (regression::log_likelihood(&moved, counts) - common);
    let of = |tally: &Tally<'_>| tally.common.chance.intercept_information(&tally.count);
    Own {
        index,
        gain: gain.max(0.0),
        score: super::total(tallies)[0],
        information: tallies.iter().map(of).sum(),
    }
}

fn judge(curve: &Curve, own: &[Own]) -> Agreement {
    let deviance: f64 = own.iter().map(|own| own.gain).sum();
    let degrees = own.len() as u32 - 1;
    let p = chance(deviance, f64::from(degrees));
    let drift = drift(curve, own);
    let drift_p = drift.map(|(_, square)| chance(square, 1.0));
    let drifts = drift_p.filter(|p| *p < DRIFT).and(drift).map_or(0.0, |(_, square)| square);
    let (outlier, apart) = farthest(own);
    let stands_out = own.len() > 2 && p < DIFFER && chance(apart, 1.0) * (own.len() as f64) < DIFFER;
    let finding = match (stands_out, drifts > 0.0) {
        (true, true) if drifts >= apart => Finding::Drift,
        (true, _) => Finding::Outlier(outlier),
        (false, true) => Finding::Drift,
        (false, false) if p < DIFFER => Finding::Differ,
        (false, false) => Finding::Agree,
    };
    Agreement { deviance, degrees, p, drift_per_session: drift.map(|(step, _)| step), drift_p, finding }
}

/// The session that gains most, with its gain as if it had not had a part in the common level.
fn farthest(own: &[Own]) -> (usize, f64) {
    let total: f64 = own.iter().map(|own| own.information).sum();
    let apart = |own: &Own| {
        let others = 1.0 - own.information / total;
        if others > 1e-6 { own.gain / others } else { 0.0 }
    };
    own.iter().map(|own| (own.index, apart(own))).fold(
        (0, 0.0),
        |best, next| {
            if next.1 > best.1 { next } else { best }
        },
    )
}

/// The step of the level from session to session, and the square of its score statistic.
fn drift(curve: &Curve, own: &[Own]) -> Option<(f64, f64)> {
    if own.len() < LEAST_FOR_DRIFT {
        return None;
    }
    let total: f64 = own.iter().map(|own| own.information).sum();
    let middle = own.iter().map(|own| own.information * own.index as f64).sum::<f64>() / total;
    let score: f64 = own.iter().map(|own| (own.index as f64 - middle) * own.score).sum();
    let information: f64 = own.iter().map(|own| (own.index as f64 - middle).powi(2) * own.information).sum();
    if information <= 1e-9 {
        return None;
    }
    let step = score / information;
    Some((-step * curve.spread / curve.fit.parameters[1], score * score / information))
}

fn chance(square: f64, degrees: f64) -> f64 {
    ChiSquared::new(degrees).map_or(1.0, |chi| 1.0 - chi.cdf(square))
}
