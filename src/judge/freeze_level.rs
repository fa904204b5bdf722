//! The threshold of a link from earlier sessions: where freezes, loss or holds begin. Below, "freeze" stands
//! for whichever of them the link has.
//!
//! Definition: at each second that is not already frozen, chance = base + (1 - base) x logistic(level)
//! that a freeze begins within the next second. `level_p50` and `level_p05` are where the logistic part
//! is 50 % and 5 %. Unit: the link's level unit. Method: penalised maximum likelihood over all seconds
//! of all sessions (see [`crate::stats::curve_fit::logistic`]); the ridge on the slope is weak, and the base
//! is held small.
//!
//! Interval of `level_p05`, 95 %: the variance of the model, plus what the sessions differ by beyond
//! it. The latter is the cluster-robust variance (Liang and Zeger 1986, small-sample factor S / (S - 1))
//! less the model's, if positive; degrees of freedom by Satterthwaite (1946) from S - 1 for that part.
//! One session: blocks of 10 s stand for sessions. Fewer than 5 freezes, or a fit that rises with the
//! level: the highest level at which the isotonic estimate (Ayer et al. 1955, see [`crate::stats::curve_fit::isotonic`]) reaches
//! 5 % a second, method `isotonic`; none where it reaches it nowhere.
//!
//! Warnings are counted from `warns_at`: with under 4 sessions or 20 freezes the upper end of the interval, else the
//! level itself. The isotonic estimate's upper end is the highest level at which one began, but none at and below which even
//! the upper 90 % bound of the share is under 5 %: one stray freeze nearby must not ring all flight long.

mod agreement;

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::margin::EvidenceSecond;
use crate::stats::curve_fit::isotonic;
use crate::stats::curve_fit::logistic as regression;
use crate::stats::curve_fit::logistic::{Chance, Count, Fit, Prior, logistic, logit};
use crate::stats::curve_fit::symmetric;
use crate::stats::sample::proportion::wilson;

pub use agreement::{Agreement, Finding};

use agreement::Comparison;

/// Fewer freezes than this give no curve.
pub const LEAST_FREEZES: u32 = 5;
/// With so many sessions and freezes behind it, the level itself warns.
const ENOUGH_SESSIONS: usize = 4;
const ENOUGH_FREEZES: u32 = 20;
/// Length of the blocks that stand for sessions where there is only one.
const BLOCK_S: u32 = 10;
/// Standard deviation 10 of the slope over one standard deviation of the levels.
const RIDGE: f64 = 0.01;
/// The base chance is 1 in 1100 a second, give or take a factor of 7.
const BASE_ODDS: f64 = -7.0;
const BASE_SPREAD: f64 = 2.0;
const P05: f64 = 0.05;
/// The normal law's 90 %.
const Z90: f64 = 1.281_551_565_544_600_4;
/// Scaled levels that lie no farther apart are one.
const SAME: f64 = 1e-9;

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
    /// Too little for a curve: chances that fall with the level, whatever their shape.
    Isotonic,
}

impl Method {
    /// As in the summary.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Logistic => "logistic",
            Self::Isotonic => "isotonic",
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
    /// Where warnings are counted from.
    pub warns_at: f64,
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
    let Some(curve) = curve else { return few(sessions, freezes) };
    let mut scores = Vec::new();
    let mut comparison = Comparison::default();
    for session in sessions {
        let tallies = curve.tallies(session);
        scores.push(total(&tallies));
        comparison.take(&curve, &tallies);
    }
    if let Some(series) = series.filter(|_| sessions.len() == 1) {
        scores = curve.block_scores(series);
    }
    let (level, gradient) = curve.fit.level_at(P05);
    let half = half_width(&curve.fit, &gradient, &scores);
    let level_p05 = curve.unscaled(level);
    let [low, high] = [-half, half].map(|half| level_p05 + half * curve.spread);
    let is_thin = sessions.len() < ENOUGH_SESSIONS || freezes < ENOUGH_FREEZES;
    let (each, agreement) = comparison.end(&curve);
    Some(Estimate {
        level_p50: Some(curve.unscaled(curve.fit.level_at(0.5).0)),
        level_p05,
        level_p05_ci95: Some([low, high]),
        warns_at: if is_thin { high } else { level_p05 },
        base: Some(curve.fit.base()),
        slope: Some(curve.fit.parameters[1] / curve.spread),
        freezes,
        method: Method::Logistic,
        follows_level: curve.follows_level(),
        one_session: sessions.len() == 1,
        sessions: each,
        agreement,
    })
}

/// Too few for a curve, or none fits.
fn few(sessions: &[Vec<LevelCount>], freezes: u32) -> Option<Estimate> {
    let each = sessions.iter().map(|session| SessionLevel {
        level_p05: isotonic_level(&by_level(session)),
        error: None,
        freezes: session.iter().map(|count| count.freezes).sum(),
    });
    let counts = by_level(sessions.iter().flatten());
    let level_p05 = isotonic_level(&counts)?;
    Some(Estimate {
        level_p50: None,
        level_p05,
        level_p05_ci95: None,
        warns_at: safe_level(&counts).map_or(level_p05, |level| level.max(level_p05)),
        base: None,
        slope: None,
        freezes,
        method: Method::Isotonic,
        follows_level: false,
        one_session: sessions.len() == 1,
        sessions: each.collect(),
        agreement: None,
    })
}

/// Counts in order of level, the lowest first.
fn by_level<'a>(counts: impl IntoIterator<Item = &'a LevelCount>) -> Vec<LevelCount> {
    let mut sorted: Vec<LevelCount> = counts.into_iter().copied().collect();
    sorted.sort_by(|a, b| a.level.total_cmp(&b.level));
    sorted.dedup_by(|next, before| {
        let is_same = next.level == before.level;
        if is_same {
            before.seconds += next.seconds;
            before.freezes += next.freezes;
        }
        is_same
    });
    sorted
}

/// The highest level at which the isotonic estimate of the chance reaches 5 % a second.
fn isotonic_level(counts: &[LevelCount]) -> Option<f64> {
    let seconds = |count: &LevelCount| f64::from(count.seconds.max(1));
    let downward = || counts.iter().rev();
    let chances = isotonic::fit(downward().map(|c| (f64::from(c.freezes) / seconds(c), seconds(c))));
    downward().zip(chances).find(|(_, chance)| *chance >= P05).map(|(count, _)| f64::from(count.level))
}

/// The highest level at which one began, though not above all where 5 % a second are possible.
fn safe_level(counts: &[LevelCount]) -> Option<f64> {
    let began = counts.iter().rfind(|count| count.freezes > 0)?.level;
    let (mut freezes, mut seconds) = (0.0, 0.0);
    let possible = counts.iter().filter(|count| {
        freezes += f64::from(count.freezes);
        seconds += f64::from(count.seconds);
        // The chance at a level is no more than the mean of those at and below it.
        wilson(freezes, seconds, Z90).is_some_and(|[_, high]| high >= P05)
    });
    possible.last().map(|count| f64::from(count.level.min(began)))
}

/// A fitted curve over standardised levels.
struct Curve {
    middle: f64,
    spread: f64,
    fit: Fit,
    /// All sessions together, in order of level.
    counts: Vec<Count>,
    /// One for each of the counts.
    points: Vec<Point>,
}

/// What the curve says at one level. A thousand sessions have the same few levels: reckoned once.
struct Point {
    chance: Chance,
    /// Of the logistic part alone.
    curve: f64,
    /// Logarithms of the chance and of its rest.
    ln: [f64; 2],
}

/// A session's count, with what the common curve says at its level.
struct Tally<'a> {
    count: Count,
    common: &'a Point,
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
        let counts = pooled(sessions, middle, spread);
        let prior = Prior { ridge: RIDGE, base_odds: BASE_ODDS, base_spread: BASE_SPREAD };
        let froze = counts.iter().map(|count| count.events * count.x).sum::<f64>()
            / counts.iter().map(|count| count.events).sum::<f64>();
        let start = |slope: f64| [logit(0.2) - slope * froze, slope, BASE_ODDS];
        let fit = regression::fit(&counts, prior, &[start(-2.0), start(-6.0), start(-15.0)])?;
        let level = fit.level_at(P05).0;
        let lowest = counts.first()?.x;
        let highest = counts.last()?.x;
        let seen = level >= lowest - 1.0 && level <= highest + 1.0;
        let points = counts.iter().map(|count| Point::of(&fit, count.x)).collect();
        (fit.parameters[1] < 0.0 && seen).then_some(Self { middle, spread, fit, counts, points })
    }

    /// Twice the log-likelihood that intercept and slope add to a base alone: chi-squared with 2 degrees.
    fn follows_level(&self) -> bool {
        const BY_MORE_THAN_LUCK: f64 = 5.991;
        let counts = || self.counts.iter();
        let trials: f64 = counts().map(|count| count.trials).sum();
        let events: f64 = counts().map(|count| count.events).sum();
        let alone = [-60.0, 0.0, logit(events / trials)];
        let gain = regression::log_likelihood(&self.fit.parameters, counts())
            - regression::log_likelihood(&alone, counts());
        2.0 * gain > BY_MORE_THAN_LUCK
    }

    fn unscaled(&self, x: f64) -> f64 {
        self.middle + self.spread * x
    }

    /// A session's counts, whose levels are among those of the curve and mostly follow each other as there.
    fn tallies(&self, session: &[LevelCount]) -> Vec<Tally<'_>> {
        let mut at = 0;
        let tally = |count: &LevelCount| {
            let count = scaled(count, self.middle, self.spread);
            if self.counts[at].x > count.x + SAME {
                at = 0;
            }
            while self.counts.get(at + 1).is_some_and(|next| next.x <= count.x + SAME) {
                at += 1;
            }
            Tally { count, common: &self.points[at] }
        };
        session.iter().map(tally).collect()
    }

    /// The score of each block of a session.
    fn block_scores(&self, series: &[EvidenceSecond]) -> Vec<[f64; 3]> {
        let score = |second: &EvidenceSecond| {
            let freezes = u32::from(second.freeze_began);
            let count = LevelCount { level: second.level, seconds: 1, freezes };
            let count = scaled(&count, self.middle, self.spread);
            Chance::at(&self.fit.parameters, count.x).score(&count)
        };
        series
            .chunk_by(|a, b| a.second / BLOCK_S == b.second / BLOCK_S)
            .map(|block| block.iter().map(score).fold([0.0; 3], plus))
            .collect()
    }
}

impl Point {
    fn of(fit: &Fit, x: f64) -> Self {
        let chance = Chance::at(&fit.parameters, x);
        let curve = logistic(fit.parameters[0] + fit.parameters[1] * x);
        Self { chance, curve, ln: [chance.p.ln(), (-chance.p).ln_1p()] }
    }
}

impl Tally<'_> {
    fn log_likelihood(&self) -> f64 {
        let Count { trials, events, .. } = self.count;
        events * self.common.ln[0] + (trials - events) * self.common.ln[1]
    }
}

fn plus(sum: [f64; 3], part: [f64; 3]) -> [f64; 3] {
    [sum[0] + part[0], sum[1] + part[1], sum[2] + part[2]]
}

/// The score of a whole session.
fn total(tallies: &[Tally<'_>]) -> [f64; 3] {
    tallies.iter().map(|tally| tally.common.chance.score(&tally.count)).fold([0.0; 3], plus)
}

fn scaled(count: &LevelCount, middle: f64, spread: f64) -> Count {
    Count {
        x: (f64::from(count.level) - middle) / spread,
        trials: f64::from(count.seconds),
        events: f64::from(count.freezes),
    }
}

/// All sessions together, in order of level.
fn pooled(sessions: &[Vec<LevelCount>], middle: f64, spread: f64) -> Vec<Count> {
    let mut counts: Vec<Count> = Vec::new();
    for count in sessions.iter().flatten() {
        let count = scaled(count, middle, spread);
        let at = counts.partition_point(|earlier| earlier.x < count.x - SAME);
        match counts.get_mut(at).filter(|found| found.x < count.x + SAME) {
            Some(found) => {
                found.trials += count.trials;
                found.events += count.events;
            }
            None => counts.insert(at, count),
        }
    }
    counts
}

/// Half the 95 % interval of the level, on the standardised scale; the scores are of sessions or blocks.
fn half_width(fit: &Fit, gradient: &[f64; 3], scores: &[[f64; 3]]) -> f64 {
    let model = symmetric::quadratic(&fit.covariance, gradient);
    let influence = symmetric::multiply(&fit.covariance, gradient);
    let number = scores.len() as f64;
    let mut squares = 0.0;
    for score in scores {
        squares += score.iter().zip(&influence).map(|(a, b)| a * b).sum::<f64>().powi(2);
    }
    let beyond = if scores.len() > 1 { (squares * number / (number - 1.0) - model).max(0.0) } else { 0.0 };
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
