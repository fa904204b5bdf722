//! What the movements of one stage say: all that its figures are made of.
//!
//! `stage` collects it from the movements that are kept whole and from the archive; `stage_estimate` and
//! `frame_period` read it. Ages and lags in ms. Movements that say nothing are counted by the reason.

use crate::summary::{LatencyChannel, LeftOut};

use super::age_distribution::AgeDistribution;
use super::age_intervals::StickPath;
use super::archive_thinning::Thinning;
use super::censoring::MovementAges;
use super::curve::Curve;
use super::first_sightings::MovementSightings;
use super::mapping::{FineLag, Follow};
use super::sample_hold::SampleHold;

/// Of all movements so far, or of some of them.
#[derive(Clone, Debug, Default)]
pub(super) struct StageEvidence {
    pub(super) movements: Vec<MovementAges>,
    /// The largest lower end of any sample's age, of movements that were thinned out too, ms.
    pub(super) oldest_ms: Option<f64>,
    pub(super) left_out: LeftOut,
    pub(super) follows: Vec<(Follow, Curve)>,
    /// Cross-correlation lags, with the movements behind each.
    pub(super) lags: Vec<(FineLag, usize)>,
    pub(super) uncertainty_ms: Option<f64>,
    /// How long stick values stand, where sticks are held: the ages' sets then bound a path's delay.
    pub(super) hold: Option<SampleHold>,
    /// How the sticks' path was read.
    pub(super) path: StickPath,
    /// When new stick values were first seen, where sticks are held; `None` where older movements are known by
    /// their ages alone.
    pub(super) sightings: Option<Vec<MovementSightings>>,
}

impl StageEvidence {
    /// Takes a movement; one that is thinned out still says how old ages were.
    pub(super) fn add(&mut self, ages: MovementAges, thinning: Thinning) {
        self.oldest_ms = older(self.oldest_ms, Some(ages.oldest_ms));
        if thinning.keeps(ages.number) {
            self.movements.push(ages);
        } else {
            self.left_out.thinned += 1;
        }
    }

    /// Of some of its movements, what the distribution of their ages is made of.
    pub(super) fn of(&self, movements: &[MovementAges]) -> Self {
        let (movements, hold) = (movements.to_vec(), self.hold.clone());
        Self { movements, hold, path: self.path, uncertainty_ms: self.uncertainty_ms, ..Self::default() }
    }

    /// The distribution of the ages, of one pair of stick and output or of all.
    pub(super) fn distribution(&self, pair: Option<(u8, u8)>, tolerance: f64) -> Option<AgeDistribution> {
        AgeDistribution::new(self.movements.iter(), self.hold.as_ref(), pair, tolerance)
    }

    /// A row of a pair, with how the output answers to the stick.
    pub(super) fn answer(&self, (stick, output): (u8, u8), row: &LatencyChannel) -> LatencyChannel {
        let is_pair = |follow: &Follow| (follow.stick, follow.output) == (stick, output);
        let curve = self.follows.iter().find(|(follow, _)| is_pair(follow)).map(|(_, curve)| curve);
        LatencyChannel {
            reversed: curve.map(Curve::is_reversed),
            dead_band_us: curve.and_then(Curve::dead_band_us),
            ..row.clone()
        }
    }

    /// An age that was surely reached, ms.
    pub(super) fn max_ms(&self) -> Option<f64> {
        self.oldest_ms.map(|low| low.max(0.0))
    }

    /// The cross-correlation lag, each output by its movements, ms.
    pub(super) fn mean_lag_ms(&self) -> Option<f64> {
        let weight: usize = self.lags.iter().map(|lag| lag.1).sum();
        let sum = self.lags.iter().map(|&(lag, weight)| lag.ms * weight as f64).sum::<f64>();
        (weight > 0).then(|| sum / weight as f64)
    }

    /// Its standard error, ms.
    pub(super) fn lag_error_ms(&self) -> Option<f64> {
        let weight: usize = self.lags.iter().map(|lag| lag.1).sum();
        let square = |&(lag, weight): &(FineLag, usize)| Some((lag.error_ms? * weight as f64).powi(2));
        let squares = self.lags.iter().map(square).sum::<Option<f64>>()?;
        (weight > 0).then(|| squares.sqrt() / weight as f64)
    }
}

/// Of two ages the older, as far as they are known.
pub(super) fn older(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    one.into_iter().chain(other).max_by(f64::total_cmp)
}
