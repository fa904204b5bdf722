//! The machine-readable summary: the public JSON interface, schema 1.
//!
//! Every figure that could not be measured is `None` (`null`), never 0. Keys
//! carry their unit as a suffix. Levels are in the `unit` beside them. Times are
//! seconds from the first record. See the README for what each figure means.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::units::LevelUnit;

/// An interval `[low, high]`.
pub type Interval = [f64; 2];

/// Everything that is known of one recording, at its last record.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Always 1.
    pub schema: u32,
    /// The recording itself.
    pub recording: RecordingSummary,
    /// MAVLink framing counts.
    pub framing: Framing,
    /// One per MAVLink sender per interface.
    pub streams: Vec<Stream>,
    /// One per link of the profile.
    pub links: Vec<LinkSummary>,
    /// One per sender with a boot clock.
    pub clocks: Vec<ClockSummary>,
    /// Stick to servo.
    pub latency: LatencySummary,
    /// Outages of the control link while the stick moved.
    pub control_holds: Option<ControlHolds>,
    /// One per radio and direction that reports.
    pub signal: Vec<SignalSummary>,
    /// One per link with a level and a distance.
    pub range: Vec<RangeSummary>,
    /// The video link's stream.
    pub video: Option<VideoSummary>,
    /// Every video stream.
    pub video_streams: Vec<VideoSummary>,
    /// The video link's freeze threshold, from earlier sessions.
    pub freeze_threshold: Option<Threshold>,
    /// Every link's threshold.
    pub thresholds: Vec<Threshold>,
    /// Each loss of control input that was seen.
    pub failsafe: Vec<FailsafeSummary>,
    /// VIBRATION levels.
    pub vibration: Option<VibrationSummary>,
    /// One per battery.
    pub power: Vec<PowerSummary>,
    /// Marks, warnings, restarts, stamps that ran backwards.
    pub events: Vec<EventSummary>,
    /// The plain sentences of the overview.
    pub verdicts: Vec<Verdict>,
}

/// The recording itself.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RecordingSummary {
    /// The file's name, without its folder.
    pub file: String,
    /// `None` where the file has no wall clock.
    pub start_utc: Option<String>,
    /// First record to last.
    pub duration_s: f64,
    /// Size of the file; `None` where nothing is recorded.
    pub bytes: Option<u64>,
    /// Packets in the file, marks and ticks included.
    pub records: u64,
    /// The file ends inside a record (bare bytes: inside a frame).
    pub truncated: bool,
    /// What this computer lost itself, where its counters were recorded.
    pub host_drops: Option<u64>,
    /// Session tags.
    pub tags: BTreeMap<String, String>,
}

/// MAVLink framing counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Framing {
    /// Accepted frames, unknown ids and copies included.
    pub frames: u64,
    /// Candidates whose checksum failed; what looks like a frame inside a failed one does not count again.
    pub crc_errors: u64,
    /// Bytes of MAVLink sources that belong to no accepted frame.
    pub skipped_bytes: u64,
    /// Accepted frames whose message id the dialect lacks.
    pub unknown_ids: u64,
}

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

/// One MAVLink sender on one interface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stream {
    /// The interface's name.
    pub interface: String,
    /// Tells two simultaneous UDP flows of one interface apart; absent otherwise.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub endpoint: Option<String>,
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// The link of the profile that it comes over.
    pub link: Option<String>,
    /// Whether it counts for a link's loss.
    pub link_loss: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// Distinct frames, duplicates not counted.
    pub received: u64,
    /// Lost frames.
    pub lost: u64,
    /// Interval of `lost`, wider than a point only where silences were too long to tell.
    pub lost_ci95: [u64; 2],
    /// Copies.
    pub duplicates: u64,
    /// Late arrivals, RFC 4737.
    pub out_of_order: u64,
    /// Restarts of the sender.
    pub restarts: u64,
    /// lost / (received + lost); `None` where nothing was received.
    pub loss: Option<RatioEstimate>,
    /// RFC 3357.
    pub loss_periods: LossPeriods,
    /// Longest time without a frame, the silence at the end included.
    pub longest_silence_s: f64,
    /// From its last frame to the last record.
    pub silent_at_end_s: f64,
    /// Received per second, first to last; `None` with fewer than two frames.
    pub rate_hz: Option<f64>,
}

/// Margin to the freeze level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MarginSummary {
    /// At the last record.
    pub end: Option<f64>,
    /// The smallest.
    pub min: Option<f64>,
}

/// One link of the profile.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LinkSummary {
    /// Its name.
    pub link: String,
    /// `control`, `video` or `telemetry`.
    pub role: String,
    /// Loss of the senders, or packets, that come over it.
    pub loss: Option<RatioEstimate>,
    /// Share of seconds with data.
    pub availability_ratio: Option<f64>,
    /// Longest time without data.
    pub longest_silence_s: Option<f64>,
    /// Silence at the end.
    pub silent_at_end_s: Option<f64>,
    /// Level less threshold; `None` without a threshold or in device units.
    pub margin_db: Option<MarginSummary>,
    /// The same in device units where no scale to dBm is known.
    pub margin_raw: Option<MarginSummary>,
    /// Warnings raised.
    pub warnings: u64,
    /// Alarms raised.
    pub alarms: u64,
}

/// How a sender's boot clock lies to the host's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClockSummary {
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// `two-way` or `one-way`.
    pub method: String,
    /// Host time since the first record less boot clock, at the middle of the fit: negative where the
    /// sender had been running before the recording began.
    pub offset_ms: f64,
    /// Rate difference, positive where the boot clock runs fast.
    pub skew_ppm: f64,
    /// `None` for a one-way clock: the least delay is unknown.
    pub uncertainty_ms: Option<f64>,
    /// Smallest round trip, two-way only.
    pub rtt_min_ms: Option<f64>,
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
    /// `interval-censored`.
    pub method: String,
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
    /// Systematic, from the clock alignment, not part of the intervals; 0 on one clock; `None` for bound `none`.
    pub clock_uncertainty_ms: Option<f64>,
    /// `two-sided`, `upper` or `none`.
    pub bound: String,
    /// Cross-check: lag of the greatest cross-correlation.
    pub cross_correlation_ms: Option<f64>,
    /// Per stick and output.
    pub channels: Vec<LatencyChannel>,
    /// For drawing, not in the file: pieces of the distribution as low end, high end (ms; may be infinite) and share.
    #[serde(skip)]
    pub distribution: Vec<(f64, f64, f64)>,
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
}

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

/// One freeze of the picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Freeze {
    /// Its start: the last delivered frame before it.
    pub start_s: f64,
    /// The whole interval; `None` for a mark.
    pub duration_s: Option<f64>,
    /// False where it was still open at the last record.
    pub ended: bool,
    /// The link's level at its start.
    pub signal: Option<f64>,
    /// Slant distance at its start.
    pub distance_m: Option<f64>,
}

/// A span in which the sender itself said that it sends nothing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StoppedSpan {
    /// Start.
    pub start_s: f64,
    /// Length up to the next report that says otherwise, or to the last record.
    pub duration_s: f64,
}

/// One video stream.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct VideoSummary {
    /// `rtp` or `marks`.
    pub source: String,
    /// RTP only.
    pub ssrc: Option<u32>,
    /// Distinct packets received.
    pub packets: Option<u64>,
    /// Expected less received.
    pub packets_lost: Option<u64>,
    /// Mean over the packets of RFC 3550's running estimate.
    pub jitter_ms: Option<f64>,
    /// Frames of which at least one packet came.
    pub frames: Option<u64>,
    /// Frames of which every packet came.
    pub frames_delivered: Option<u64>,
    /// Frames per second of the sender's own clock.
    pub fps: Option<f64>,
    /// Freezes by the W3C webrtc-stats rule, or marks.
    pub freezes: u64,
    /// Their durations together; `None` for marks.
    pub freeze_s: Option<f64>,
    /// Each.
    pub freeze_list: Vec<Freeze>,
    /// From VIDEO_STREAM_STATUS.
    pub stopped_at_sender: Vec<StoppedSpan>,
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

/// One loss of control input.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FailsafeSummary {
    /// The last fresh stick evidence.
    pub input_lost_s: f64,
    /// The vehicle's first word of it.
    pub detected_after_s: Option<f64>,
    /// Outputs at their failsafe values, or constant for 1 s.
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
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct VibrationSummary {
    /// Along x.
    pub x: VibrationAxis,
    /// Along y.
    pub y: VibrationAxis,
    /// Along z.
    pub z: VibrationAxis,
    /// Increments of the clipping counters within the recording.
    pub clipping: [u64; 3],
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
    /// At the recent current, to the profile's capacity.
    pub minutes_left: Option<f64>,
}

/// One event of the log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EventSummary {
    /// When.
    pub at_s: f64,
    /// `mark`, `warning`, `alarm`, `cleared`, `freeze`, `restart`, `source`, `stamp-back`, `clock-step`, ...
    pub kind: String,
    /// The link it is about.
    pub link: Option<String>,
    /// In words.
    pub text: String,
}

/// One plain sentence of the overview.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Verdict {
    /// What it is about: a link's name, `latency`, `power`, `recording`, ...
    pub about: String,
    /// One word: `good`, `near`, `alarm`, `lost`, `unknown`.
    pub word: String,
    /// The sentence.
    pub text: String,
}
