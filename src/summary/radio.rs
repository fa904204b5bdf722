//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! Levels, levels against distance, and the thresholds that earlier sessions showed.

use serde::{Deserialize, Serialize};

use crate::units::LevelUnit;

use super::Interval;

/// Levels of one radio in one direction.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SignalSummary {
    /// The link of the profile, if one names this radio.
    pub link: Option<String>,
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// `radio_status` or `rc_channels`.
    pub source: String,
    /// `down` or `up`.
    pub direction: String,
    /// Unit of the levels.
    pub unit: LevelUnit,
    /// Known samples.
    pub samples: u64,
    /// Median level.
    pub median: Option<f64>,
    /// 5th percentile.
    pub p05: Option<f64>,
    /// Smallest.
    pub min: Option<f64>,
    /// Median noise level.
    pub noise_median: Option<f64>,
    /// Median of level less noise; `None` in device units.
    pub snr_median_db: Option<f64>,
}

/// Level against distance, and how far is proven.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RangeSummary {
    /// The link.
    pub link: String,
    /// Unit of the levels; `None` where the link has no level.
    pub unit: Option<LevelUnit>,
    /// Where the handset's position comes from; `None`: unknown, then no distances.
    pub origin: Option<String>,
    /// Level samples with a distance of 10 m or more.
    pub samples: u64,
    /// Seconds without position or level.
    pub seconds_excluded: u64,
    /// Path-loss exponent; `None` in device units.
    pub path_loss_exponent: Option<f64>,
    /// Its interval.
    pub path_loss_exponent_ci95: Option<Interval>,
    /// Fitted level at 1 m.
    pub level_at_1m: Option<f64>,
    /// Robust spread of the residuals; `None` in device units.
    pub shadowing_sigma_db: Option<f64>,
    /// Farthest seen.
    pub max_distance_m: Option<f64>,
    /// Far edge of the last bin before the first that fails.
    pub proven_m: Option<f64>,
    /// Seconds of data behind it.
    pub proven_s: Option<f64>,
    /// From the profile.
    pub claimed_m: Option<f64>,
    /// Where the fitted median level meets the freeze threshold.
    pub predicted_freeze_m: Option<f64>,
    /// Its interval.
    pub predicted_freeze_ci95_m: Option<Interval>,
    /// Where a freeze within 10 s has an even chance.
    pub first_freeze_expected_m: Option<f64>,
}

/// A link's freeze threshold from earlier sessions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Threshold {
    /// The link.
    pub link: String,
    /// Unit of the levels.
    pub unit: LevelUnit,
    /// Level with an even chance of a freeze per second.
    pub level_p50: Option<f64>,
    /// Level with a 5 % chance of a freeze per second: the limit that margins are counted from.
    pub level_p05: f64,
    /// Its interval.
    pub level_p05_ci95: Option<Interval>,
    /// Chance per second of a freeze that has nothing to do with the level.
    pub base: Option<f64>,
    /// Sessions behind it.
    pub sessions: u64,
    /// Freezes behind it.
    pub freezes: u64,
    /// `logistic` or `highest-level`.
    pub method: String,
}
