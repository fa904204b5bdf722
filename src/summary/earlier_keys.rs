//! What earlier sessions with the same equipment showed: limits for this one.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::Threshold;

/// The vibration that earlier sessions with the same equipment seldom passed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct VibrationLimit {
    /// 90th percentile of the strongest level within 4 s, in the unit that the vehicle sends.
    pub limit: f64,
    /// Sessions behind it.
    pub sessions: u64,
}

impl VibrationLimit {
    /// Levels that earlier sessions seldom passed lie above this share of them.
    pub const QUANTILE: f64 = 0.9;
}

/// What earlier sessions with the same equipment showed; `monitor/recorded_limits.rs` says how a recording keeps it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Earlier {
    /// Of each link.
    pub thresholds: Arc<[Threshold]>,
    /// Of the airframe.
    pub vibration: Option<VibrationLimit>,
}

impl From<Arc<[Threshold]>> for Earlier {
    fn from(thresholds: Arc<[Threshold]>) -> Self {
        Self { thresholds, vibration: None }
    }
}
