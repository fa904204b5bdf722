//! Estimates with their intervals, as estimators give them and the public JSON writes them.

use serde::{Deserialize, Serialize};

/// An interval `[low, high]`.
pub type Interval = [f64; 2];

/// A ratio from 0 to 1 with its interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RatioEstimate {
    /// The ratio.
    pub ratio: f64,
    /// 95 % interval that allows for bursts.
    pub ci95: Interval,
}

/// Loss periods, RFC 3357.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LossPeriods {
    /// Runs of consecutive losses.
    pub count: u64,
    /// Their mean length; `None` where there are none.
    pub mean_length: Option<f64>,
    /// The longest.
    pub max_length: u64,
}

/// Distances between losses in numbers, RFC 3357; the first loss has none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LossDistances {
    /// Losses with one before them.
    pub count: u64,
    /// Median distance; from 1024 on the power of two below it.
    pub median: u64,
    /// Share of them right behind another loss.
    pub adjacent_ratio: f64,
}

/// The two-state model (Gilbert 1960): mean lengths of spells without and with loss.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BurstModel {
    /// Mean run of received packets.
    pub good_mean_packets: f64,
    /// Mean run of lost packets.
    pub bad_mean_packets: f64,
    /// The first in time, at the sender's own rate.
    pub good_mean_s: Option<f64>,
    /// The second in time.
    pub bad_mean_s: Option<f64>,
}
