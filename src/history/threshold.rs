//! The threshold of a link from earlier sessions: where freezes, loss or holds begin. Below, "freeze" stands
//! for whichever of them the link has.
//!
//! Definition: at each second that is not already frozen, chance = base + (1 - base) x logistic(level)
//! that a freeze begins within the next second. `level_p50` and `level_p05` are where the logistic part
//! is 50 % and 5 %. Unit: the link's level unit. Method: penalised maximum likelihood over all seconds
//! of all sessions (see [`crate::stats::logistic::base`]); the ridge on the slope is weak, and the base
//! is held small.
//!
//! Interval of `level_p05`, 95 %: the variance of the model, plus what the sessions differ by beyond
//! it. The latter is the cluster-robust variance (Liang and Zeger 1986, small-sample factor S / (S - 1))
//! less the model's, if positive; degrees of freedom by Satterthwaite (1946) from S - 1 for that part.
//! One session: blocks of 10 s stand for sessions. Fewer than 5 freezes, or a fit that rises with the
//! level: the highest level at which one began, method `highest-level`.

mod agreement;

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::link::metrics::margin::EvidenceSecond;
use crate::stats::logistic::base::{self, Count, Fit, Prior};
use crate::stats::logistic::logit;
use crate::stats::symmetric;

pub use agreement::{Agreement, Finding};

/// Fewer freezes than this give no curve.
pub const LEAST_FREEZES: u32 = 5;
/// Length of the blocks that stand for sessions where there is only one.
const BLOCK_S: u32 = 10;
/// Standard deviation 10 of the slope over one standard deviation of the levels.
const RIDGE: f64 = 0.01;
/// The base chance is 1 in 1100 a second, give or take a factor of 7.
const BASE_ODDS: f64 = -7.0;
const BASE_SPREAD: f64 = 2.0;
const P05: f64 = 0.05;

/// Seconds at one level, and the freezes that began in them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelCount {
    /// The level.
    pub level: f32,
    /// Seconds at it.
    pub seconds: u32,
    /// Freezes that began within the next second.
    pub freezes: u32,
}

/// How the figure was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// The curve.
    Logistic,
    /// Too little for a curve.
    HighestLevel,
}

impl Method {
    /// As in the summary.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Logistic => "logistic",
            Self::HighestLevel => "highest-level",
        }
    }
}

/// One session's own say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SessionLevel {
    /// Its `level_p05` with the common slope and base; `None` where it says nothing of it.
    pub level_p05: Option<f64>,
    /// Its standard error.
    pub error: Option<f64>,
    /// Its freezes.
    pub freezes: u32,
}

/// A threshold as it was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// Even chance; `None` without a curve.
    pub level_p50: Option<f64>,
    /// A chance of 5 % a second.
    pub level_p05: f64,
    /// Its 95 % interval.
    pub level_p05_ci95: Option<[f64; 2]>,
    /// The base chance a second.
    pub base: Option<f64>,
    /// Change of the log odds with the level.
    pub slope: Option<f64>,
    /// Freezes behind it.
    pub freezes: u32,
    /// How it was found.
    pub method: Method,
    /// The curve fits better than one chance at every level, by more than luck (likelihood ratio, 5 %).
    pub follows_level: bool,
    /// The interval rests on blocks of one session.
    pub one_session: bool,
    /// One a session, in the order given.
    pub sessions: Vec<SessionLevel>,
    /// `None` where fewer than two sessions have a say.
    pub agreement: Option<Agreement>,
}

/// Estimates a threshold from each session's counts. `series` is the only session's seconds in order,
/// where there is but one. `None` without any freeze.
#[must_use]
pub fn estimate(sessions: &[Vec<LevelCount>], series: Option<&[EvidenceSecond]>) -> Option<Estimate> {
    let freezes: u32 = sessions.iter().flatten().map(|count| count.freezes).sum();
    if freezes == 0 {
        return None;
    }
    let curve = if freezes < LEAST_FREEZES { None } else { Curve::fit(sessions) };
    let Some(curve) = curve else { return highest_level(sessions, freezes) };
    let blocks = series.filter(|_| sessions.len() == 1).map(|series| curve.blocks(series));
    let scaled: Vec<Vec<Count>> = sessions.iter().map(|session| curve.counts(session)).collect();
    let (level, gradient) = curve.fit.level_at(P05);
    let half = half_width(&curve.fit, &gradient, blocks.as_deref().unwrap_or(&scaled));
    let level_p05 = curve.unscaled(level);
    let (each, agreement) = agreement::compare(&curve, &scaled);
    Some(Estimate {
        level_p50: Some(curve.unscaled(curve.fit.level_at(0.5).0)),
        level_p05,
        level_p05_ci95: Some([level_p05 - half * curve.spread, level_p05 + half * curve.spread]),
        base: Some(curve.fit.base()),
        slope: Some(curve.fit.parameters[1] / curve.spread),
        freezes,
        method: Method::Logistic,
        follows_level: curve.follows_level(&scaled),
        one_session: sessions.len() == 1,
        sessions: each,
        agreement,
    })
}

fn highest_level(sessions: &[Vec<LevelCount>], freezes: u32) -> Option<Estimate> {
    let highest = |session: &[LevelCount]| {
        session.iter().filter(|count| count.freezes > 0).map(|count| f64::from(count.level)).reduce(f64::max)
    };
    let each = sessions.iter().map(|session| SessionLevel {
        level_p05: highest(session),
        error: None,
        freezes: session.iter().map(|count| count.freezes).sum(),
    });
    let each: Vec<SessionLevel> = each.collect();
    Some(Estimate {
        level_p50: None,
        level_p05: each.iter().filter_map(|session| session.level_p05).reduce(f64::max)?,
        level_p05_ci95: None,
        base: None,
        slope: None,
        freezes,
        method: Method::HighestLevel,
        follows_level: false,
        one_session: sessions.len() == 1,
        sessions: each,
        agreement: None,
    })
}

/// A fitted curve over standardised levels.
struct Curve {
    middle: f64,
    spread: f64,
    fit: Fit,
}

impl Curve {
    /// `None` where no curve that falls with the level fits, or its 5 % lies outside of all that was seen.
    fn fit(sessions: &[Vec<LevelCount>]) -> Option<Self> {
        let all = || sessions.iter().flatten();
        let total: f64 = all().map(|count| f64::from(count.seconds)).sum();
        let sum: f64 = all().map(|count| f64::from(count.seconds) * f64::from(count.level)).sum();
        let middle = sum / total;
        let squares: f64 =
            all().map(|count| f64::from(count.seconds) * (f64::from(count.level) - middle).powi(2)).sum();
        let spread = (squares / total).sqrt();
        if !spread.is_finite() || spread <= 0.0 {
            return None;
        }
        let mut counts: Vec<Count> = all().map(|count| scaled(count, middle, spread)).collect();
        pool(&mut counts);
        let prior = Prior { ridge: RIDGE, base_odds: BASE_ODDS, base_spread: BASE_SPREAD };
        let froze = counts.iter().map(|count| count.events * count.x).sum::<f64>()
            / counts.iter().map(|count| count.events).sum::<f64>();
        let start = |slope: f64| [logit(0.2) - slope * froze, slope, BASE_ODDS];
        let fit = base::fit(&counts, prior, &[start(-2.0), start(-6.0), start(-15.0)])?;
        let level = fit.level_at(P05).0;
        let lowest = counts.first()?.x;
        let highest = counts.last()?.x;
        let seen = level >= lowest - 1.0 && level <= highest + 1.0;
        (fit.parameters[1] < 0.0 && seen).then_some(Self { middle, spread, fit })
    }

    /// Twice the log-likelihood that intercept and slope add to a base alone: chi-squared with 2 degrees.
    fn follows_level(&self, sessions: &[Vec<Count>]) -> bool {
        const BY_MORE_THAN_LUCK: f64 = 5.991;
        let counts = sessions.concat();
        let trials: f64 = counts.iter().map(|count| count.trials).sum();
        let events: f64 = counts.iter().map(|count| count.events).sum();
        let alone = [-60.0, 0.0, logit(events / trials)];
        let gain =
            base::log_likelihood(&self.fit.parameters, &counts) - base::log_likelihood(&alone, &counts);
        2.0 * gain > BY_MORE_THAN_LUCK
    }

    fn unscaled(&self, x: f64) -> f64 {
        self.middle + self.spread * x
    }

    fn counts(&self, session: &[LevelCount]) -> Vec<Count> {
        session.iter().map(|count| scaled(count, self.middle, self.spread)).collect()
    }

    fn blocks(&self, series: &[EvidenceSecond]) -> Vec<Vec<Count>> {
        let count = |second: &EvidenceSecond| LevelCount {
            level: second.level,
            seconds: 1,
            freezes: u32::from(second.freeze_began),
        };
        series
            .chunk_by(|a, b| a.second / BLOCK_S == b.second / BLOCK_S)
            .map(|block| self.counts(&block.iter().map(count).collect::<Vec<_>>()))
            .collect()
    }
}

fn scaled(count: &LevelCount, middle: f64, spread: f64) -> Count {
    Count {
        x: (f64::from(count.level) - middle) / spread,
        trials: f64::from(count.seconds),
        events: f64::from(count.freezes),
    }
}

/// Puts the counts in order and joins those of one level.
fn pool(counts: &mut Vec<Count>) {
    counts.sort_by(|a, b| a.x.total_cmp(&b.x));
    counts.dedup_by(|next, kept| {
        let same = (next.x - kept.x).abs() < 1e-9;
        if same {
            kept.trials += next.trials;
            kept.events += next.events;
        }
        same
    });
}

/// Half the 95 % interval of the level, on the standardised scale.
fn half_width(fit: &Fit, gradient: &[f64; 3], clusters: &[Vec<Count>]) -> f64 {
    let model = symmetric::quadratic(&fit.covariance, gradient);
    let influence = symmetric::multiply(&fit.covariance, gradient);
    let number = clusters.len() as f64;
    let mut squares = 0.0;
    for cluster in clusters {
        let mut total = [0.0; 3];
        for count in cluster {
            let part = base::score(&fit.parameters, count);
            total.iter_mut().zip(part).for_each(|(sum, part)| *sum += part);
        }
        squares += total.iter().zip(&influence).map(|(a, b)| a * b).sum::<f64>().powi(2);
    }
    let beyond = if clusters.len() > 1 { (squares * number / (number - 1.0) - model).max(0.0) } else { 0.0 };
    let variance = model + beyond;
    let degrees = if beyond > 0.0 { (variance / beyond).powi(2) * (number - 1.0) } else { f64::INFINITY };
    quantile_975(degrees) * variance.sqrt()
}

/// The 97.5 % quantile of Student's t.
fn quantile_975(degrees: f64) -> f64 {
    const NORMAL: f64 = 1.959_963_984_540_054;
    if degrees > 1e4 {
        return NORMAL;
    }
    StudentsT::new(0.0, 1.0, degrees.max(1.0)).map_or(NORMAL, |t| t.inverse_cdf(0.975))
}

#[cfg(test)]
mod tests;
