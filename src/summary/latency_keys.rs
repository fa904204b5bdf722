//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! Clocks, the three stages of the latency, and the control link's outages while a stick moved.

use std::ops::AddAssign;

use serde::{Deserialize, Serialize};

use super::{Bound, ClockMethod, ExchangesFrom, Interval, Reason, StageMethod};

/// How a sender's boot clock lies to the host's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClockSummary {
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// How it was found.
    pub method: ClockMethod,
    /// Host time since the first record less boot clock, at the middle of the fit: negative where the
    /// sender had been running before the recording began.
    pub offset_ms: f64,
    /// Rate difference, positive where the boot clock runs fast.
    pub skew_ppm: f64,
    /// `None` for a one-way clock: the least delay is unknown.
    pub uncertainty_ms: Option<f64>,
    /// Smallest round trip, two-way only.
    pub rtt_min_ms: Option<f64>,
    /// Where the round trips were stamped, two-way only.
    #[serde(default)]
    pub exchanges_from: Option<ExchangesFrom>,
}

/// The three stages, each `None` where it could not be measured.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LatencySummary {
    /// Handset stick to servo output: all of it.
    pub stick_to_servo: Option<LatencyStage>,
    /// Handset stick to the RC input at the vehicle.
    pub stick_to_input: Option<LatencyStage>,
    /// RC input to servo output, on board.
    pub input_to_servo: Option<LatencyStage>,
    /// Time between two frames of the control radio, as the stick positions that arrive show it, on this
    /// computer's clock; `None` where no steady beat stands out.
    #[serde(default)]
    pub control_frame_ms: Option<f64>,
    /// Its interval, by likelihood.
    #[serde(default)]
    pub control_frame_ci95_ms: Option<Interval>,
    /// For drawing, not in the file.
    #[serde(skip)]
    pub drawing: LatencyDrawing,
}

/// What a screen draws of the three stages beside their figures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LatencyDrawing {
    /// Median over the session, of each stage: seconds, ms.
    pub drift: [Vec<(f64, f64)>; 3],
    /// How much each stage's ages stay unknown by, where telemetry is sampled in step with the sticks, ms.
    pub unlocated_ms: [Option<f64>; 3],
    /// The last movement that was measured.
    pub movement: Option<LatencyMovement>,
    /// Of each stage that is not measured: why, and what to do.
    pub missing: [Option<Reason>; 3],
}

/// A movement that was measured: stick over servo.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LatencyMovement {
    /// Seconds from the first record to its start.
    pub at_s: f64,
    /// Stick number from 1.
    pub stick: u8,
    /// Servo (or input) number from 1.
    pub output: u8,
    /// True where the output is an RC input, not a servo.
    pub output_is_input: bool,
    /// Stick, milliseconds from the movement's start against microseconds.
    pub stick_points: Vec<(f64, f64)>,
    /// Output as mapped to stick units, likewise.
    pub output_points: Vec<(f64, f64)>,
    /// The age interval it allows.
    pub age_ms: (f64, Option<f64>),
}

/// Movements that were left out, by reason.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeftOut {
    /// Too slow to date.
    pub slow: u64,
    /// Too small to see.
    pub small: u64,
    /// Cut by a gap in the data.
    pub gap: u64,
    /// More than one stick of one output moved.
    pub ambiguous: u64,
    /// Of a stick that no output was found to follow.
    #[serde(default)]
    pub unmapped: u64,
    /// Of a session with thousands of movements, passed over evenly; absent where none was.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub thinned: u64,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde gives a reference")]
const fn is_zero(count: &u64) -> bool {
    *count == 0
}

impl AddAssign for LeftOut {
    fn add_assign(&mut self, other: Self) {
        self.slow += other.slow;
        self.small += other.small;
        self.gap += other.gap;
        self.ambiguous += other.ambiguous;
        self.unmapped += other.unmapped;
        self.thinned += other.thinned;
    }
}

/// Movements still needed before a percentile can be given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct MovesNeeded {
    /// For the median.
    pub p50: u64,
    /// For the 90th percentile.
    pub p90: u64,
    /// For the 99th percentile.
    pub p99: u64,
}

/// One latency stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LatencyStage {
    /// How it was found.
    pub method: StageMethod,
    /// Stick movements used.
    pub events: u64,
    /// Stick movements left out.
    pub left_out: LeftOut,
    /// Median age.
    pub p50_ms: Option<f64>,
    /// Its interval.
    pub p50_ci95_ms: Option<Interval>,
    /// 90th percentile.
    pub p90_ms: Option<f64>,
    /// Its interval.
    pub p90_ci95_ms: Option<Interval>,
    /// 99th percentile.
    pub p99_ms: Option<f64>,
    /// Its interval.
    pub p99_ci95_ms: Option<Interval>,
    /// Movements still needed.
    pub moves_needed: MovesNeeded,
    /// Largest lower end of any interval.
    pub max_ms: Option<f64>,
    /// Systematic, from the clock alignment, not part of the intervals; 0 on one clock; `None` for bounds `upper`
    /// and `none`.
    pub clock_uncertainty_ms: Option<f64>,
    /// What the figures bound.
    pub bound: Bound,
    /// Cross-check: lag of the greatest cross-correlation.
    pub cross_correlation_ms: Option<f64>,
    /// Per stick and output.
    pub channels: Vec<LatencyChannel>,
    /// When it changed in the session; `None` where no change was found, and on board.
    #[serde(default)]
    pub change: Option<LatencyChange>,
    /// For drawing, not in the file: pieces of the distribution as low end, high end (ms; may be infinite) and share.
    #[serde(skip)]
    pub distribution: Vec<(f64, f64, f64)>,
}

impl LatencyStage {
    /// Whether its figures say anything of the true age: without any bound they hold the difference of two clocks.
    #[must_use]
    pub const fn is_bounded(&self) -> bool {
        !matches!(self.bound, Bound::None)
    }
}

/// A latency that changed in the session, once.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LatencyChange {
    /// The first movement after it, seconds from the first record.
    pub at_s: f64,
    /// Median age before it.
    pub before_p50_ms: f64,
    /// Its interval.
    pub before_p50_ci95_ms: Interval,
    /// Median age from then on.
    pub after_p50_ms: f64,
    /// Its interval.
    pub after_p50_ci95_ms: Interval,
}

/// One stick and the output that follows it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LatencyChannel {
    /// Numbered from 1; absent for `input_to_servo`.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub stick: Option<u8>,
    /// RC input, numbered from 1; absent for `stick_to_servo`.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub input: Option<u8>,
    /// Servo, numbered from 1; absent for `stick_to_input`.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub servo: Option<u8>,
    /// Movements used.
    pub events: u64,
    /// Median age.
    pub p50_ms: Option<f64>,
    /// It goes against what it follows; not in the file.
    #[serde(skip)]
    pub reversed: Option<bool>,
    /// The span of what it follows that moves nothing, us; not in the file.
    #[serde(skip)]
    pub dead_band_us: Option<f64>,
}

/// Spans in which the stick moved and the vehicle's input stood still.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ControlHolds {
    /// How many.
    pub count: u64,
    /// The longest; 0 where there were none.
    pub longest_s: f64,
    /// All together.
    pub total_s: f64,
    /// Time in which sticks moved.
    pub moving_s: f64,
    /// Those that touch a stall of this computer: left out above.
    #[serde(default)]
    pub left_out: u64,
}
