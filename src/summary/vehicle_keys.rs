//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! What the vehicle itself shows: failsafe, vibration, batteries.

use serde::{Deserialize, Serialize};

use super::{BatteryEnd, Interval, LimitSource, LossCause, OutputsWord, Reason, VibrationDriver};

/// One loss of control input.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FailsafeSummary {
    /// The last fresh stick evidence.
    pub input_lost_s: f64,
    /// The vehicle's first word of it; middle of its interval.
    pub detected_after_s: Option<f64>,
    /// Outputs at their failsafe values, or constant for 1 s at others than at the loss; middle of its interval.
    pub servo_safe_after_s: Option<f64>,
    /// HEARTBEAT custom mode before.
    pub mode_before: Option<u32>,
    /// HEARTBEAT custom mode after, where it changed.
    pub mode_after: Option<u32>,
    /// Live input is back.
    pub recovered_after_s: Option<f64>,
    /// Last sample before, first after.
    pub detected_after_interval_s: Option<Interval>,
    /// Last sample before, first after.
    pub servo_safe_after_interval_s: Option<Interval>,
    /// A drill: marked, or on the ground.
    #[serde(default, skip_serializing_if = "is_false")]
    pub drill: bool,
    /// What caused it, where that is known.
    #[serde(default)]
    pub cause: Option<LossCause>,
    /// What the outputs did.
    #[serde(default)]
    pub outputs: Option<OutputsWord>,
    /// Whether it is a loss of the control link; `None`: it cannot be told.
    #[serde(default)]
    pub evidence: Option<bool>,
    /// Why not, where `evidence` is not true.
    #[serde(skip_deserializing)]
    pub why_not: Option<Reason>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks for it so")]
const fn is_false(value: &bool) -> bool {
    !*value
}

/// One axis of VIBRATION, in the unit that the vehicle sends.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct VibrationAxis {
    /// Median.
    pub median: Option<f64>,
    /// 95th percentile.
    pub p95: Option<f64>,
    /// Largest.
    pub max: Option<f64>,
}

/// VIBRATION levels as sent; the standard gives no unit.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct VibrationSummary {
    /// Along x.
    pub x: VibrationAxis,
    /// Along y.
    pub y: VibrationAxis,
    /// Along z.
    pub z: VibrationAxis,
    /// Increments of the clipping counters within the recording.
    pub clipping: [u64; 3],
    /// Above it a level is suspect.
    #[serde(default)]
    pub limit: Option<f64>,
    /// Whose limit: but for the profile's the 90th percentile.
    #[serde(default)]
    pub limit_from: Option<LimitSource>,
    /// Held against throttle, motor speed, voltage and each output that moves, where they were measured.
    #[serde(default)]
    pub against: Vec<VibrationAgainst>,
}

/// The strongest level held against what may drive it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct VibrationAgainst {
    /// What.
    pub driver: VibrationDriver,
    /// Which servo output, from 1.
    #[serde(default)]
    pub output: Option<u8>,
    /// Seconds with both.
    pub seconds: u64,
    /// Of ranks, -1 to 1.
    pub correlation: f64,
    /// Its interval, which allows for correlation in time and for all that are looked at.
    pub ci95: Interval,
    /// They go together.
    pub told: bool,
    /// Nothing else that is told explains it: of outputs alone.
    #[serde(default)]
    pub alone: Option<bool>,
    /// A quarter of the seconds have this value or more.
    pub above: f64,
    /// The median level of those.
    pub level_above: Option<f64>,
    /// The median level of the others.
    pub level_below: Option<f64>,
}

impl VibrationSummary {
    /// The axes by their names, the worst first: by the value that 95 % of the samples lie below.
    #[must_use]
    pub fn worst_first(&self) -> [(usize, &'static str, &VibrationAxis); 3] {
        let mut axes = [(0, "x", &self.x), (1, "y", &self.y), (2, "z", &self.z)];
        axes.sort_by(|(.., a), (.., b)| b.p95.unwrap_or(0.0).total_cmp(&a.p95.unwrap_or(0.0)));
        axes
    }
}

/// One battery.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PowerSummary {
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// Battery id.
    pub battery: u8,
    /// First known voltage.
    pub voltage_start_v: Option<f64>,
    /// Lowest known voltage.
    pub voltage_min_v: Option<f64>,
    /// Charge used within the recording.
    pub used_mah: Option<f64>,
    /// If the load of the last minutes goes on.
    pub minutes_left: Option<f64>,
    /// Its interval.
    #[serde(default)]
    pub minutes_left_ci95: Option<Interval>,
    /// What ends it.
    #[serde(default)]
    pub minutes_left_to: Option<BatteryEnd>,
    /// Why it is not told.
    #[serde(skip_deserializing)]
    pub minutes_left_why_not: Option<Reason>,
}
