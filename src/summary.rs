//! The machine-readable summary: the public JSON interface, schema 1.
//!
//! Every figure that could not be measured is `None` (`null`), never 0. Keys
//! carry their unit as a suffix. Levels are in the `unit` beside them. Times are
//! seconds from the first record. `fadewatch explain` says what each figure means. Sentences (`text`, `why`, `why_not`,
//! `missing`) are data here, and written by `wording`. The history keeps the JSON and reads it again: of sentences it
//! reads those that the text report shows.

mod bench_keys;
mod cause_keys;
mod comparison_keys;
mod earlier_keys;
mod event_keys;
mod glass_keys;
mod guide_keys;
mod health_keys;
mod latency_keys;
mod loss_keys;
mod phase;
mod radio_keys;
mod range_keys;
mod reasons;
mod session_keys;
mod spectrum_keys;
mod stick_keys;
mod timing_keys;
mod told_keys;
mod traffic_keys;
mod vehicle_keys;
mod verdict_keys;
mod video_keys;
mod wifi_keys;
mod words;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

pub use bench_keys::{BenchNeeds, BenchPart, BenchRow, BenchSheet};
pub use cause_keys::{CertainCause, PictureCauses, WeighedCause};
pub use comparison_keys::{
    ComparedLinkRow, ComparedSessionRow, Comparison, ComparisonCaution, FigureDifference, NotCompared,
    ReachDifference, TagChange,
};
pub use earlier_keys::{Earlier, VibrationLimit};
pub use event_keys::{Event, EventSummary, EventsLeftOut, LastPlace, MarginChange, Spot};
pub use glass_keys::PictureDelay;
pub use guide_keys::{BenchStep, GuideNote, GuideRecord, StepAnswer};
pub use health_keys::{HealthSummary, Heat, HostSupply, PartTemperature, Strained};
pub use latency_keys::{
    ClockSummary, ControlHolds, LatencyChange, LatencyChannel, LatencyDrawing, LatencyMovement, LatencyStage,
    LatencySummary, LeftOut, MovesNeeded,
};
pub use loss_keys::{Accidents, BadSpell, HeardOn, OwnReport, Together};
pub use phase::{Phase, PhaseReason, PhaseSummary};
pub use radio_keys::{SignalSummary, Threshold, ThresholdAgreement, ThresholdSession};
pub use range_keys::{
    Aspect, HeadingSummary, HeightSummary, Layer, ProofEnd, RangeSummary, RangeTheory, Sector,
};
pub use reasons::{Reason, Uncompared};
pub use session_keys::{LostWord, SessionReason, SessionVerdict};
pub use spectrum_keys::{FollowedPeak, MotorMultiple, SpectrumAxis, VibrationSpectrum};
pub use stick_keys::{StickOutput, StickSummary};
pub use timing_keys::{TimingSummary, TimingWhat};
pub use told_keys::{
    Dropped, LinkSecond, SecondSummary, SessionBegin, SessionTold, StateChange, Told, ToldEvent,
};
pub use traffic_keys::{Framing, LinkSummary, MarginSummary, Stream};
pub use vehicle_keys::{FailsafeSummary, PowerSummary, VibrationAgainst, VibrationAxis, VibrationSummary};
pub use verdict_keys::{
    Failure, Judgement, LinkJudgement, LinkState, SourceFault, StateReason, StickAdvice, Verdict,
};
pub use video_keys::{Freeze, StoppedSpan, VideoSummary};
pub use wifi_keys::TransmitterSummary;
pub use words::{
    AccelerationUnit, Axis, BadPicture, BatteryEnd, BenchItem, BenchNeed, BenchReason, BenchWord, Bound,
    BudgetLimit, ChangeWord, ClockMethod, Codec, ComparedFigure, Course, ExchangesFrom, HostStrain,
    LimitSource, LossCause, MatchedBy, Origin, OutputsWord, PictureCause, ProofWord, Report, ReportSource,
    SessionWord, SignalDirection, StageMethod, StickDirection, StickFinding, TheoryLimit, VibrationDriver,
    VideoSource,
};

pub use crate::units::interval::{BurstModel, Interval, LossDistances, LossPeriods, RatioEstimate};

/// Everything that is known of one recording, at its last record.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// The recording itself.
    pub recording: RecordingSummary,
    /// MAVLink framing counts.
    pub framing: Framing,
    /// Frames that may have been accepted by accident.
    #[serde(default)]
    pub accidents: Accidents,
    /// One per MAVLink sender per interface.
    pub streams: Vec<Stream>,
    /// One per sender that is heard on several interfaces.
    #[serde(default)]
    pub together: Vec<Together>,
    /// Seconds in a row with much loss, the worst of each link.
    #[serde(default)]
    pub bad_spells: Vec<BadSpell>,
    /// What vehicle and radios say of their own losses.
    #[serde(default)]
    pub own_reports: Vec<OwnReport>,
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
    /// One per 802.11 transmitter that a receiver in monitor mode heard.
    #[serde(default)]
    pub transmitters: Vec<TransmitterSummary>,
    /// One per link with a level and a distance.
    pub range: Vec<RangeSummary>,
    /// The video link's stream.
    pub video: Option<VideoSummary>,
    /// Every video stream.
    pub video_streams: Vec<VideoSummary>,
    /// What lay behind bad pictures: freezes, then those that shook.
    #[serde(default)]
    pub picture_causes: Vec<PictureCauses>,
    /// The video link's freeze threshold, from earlier sessions.
    pub freeze_threshold: Option<Threshold>,
    /// Every link's threshold.
    pub thresholds: Vec<Threshold>,
    /// One per RC channel that the vehicle reports.
    #[serde(default)]
    pub sticks: Vec<StickSummary>,
    /// Each loss of control input that was seen.
    pub failsafe: Vec<FailsafeSummary>,
    /// VIBRATION levels.
    pub vibration: Option<VibrationSummary>,
    /// Spectrum of an inertial sensor; `None` where none is sent.
    #[serde(default)]
    pub vibration_spectrum: Option<VibrationSpectrum>,
    /// One per battery.
    pub power: Vec<PowerSummary>,
    /// How this computer itself did; `None` without readings of it.
    #[serde(default)]
    pub health: Option<HealthSummary>,
    /// Marks, warnings, restarts, stamps that ran backwards.
    pub events: Vec<EventSummary>,
    /// How many more there were of each kind.
    #[serde(default)]
    pub events_left_out: Vec<EventsLeftOut>,
    /// How the session went: as a whole, then each link.
    #[serde(default)]
    pub session_verdicts: Vec<SessionVerdict>,
    /// The plain sentences of the overview, of the last instant.
    pub verdicts: Vec<Verdict>,
    /// The life of the session; empty where no autopilot was heard.
    #[serde(skip_deserializing)]
    pub phases: Vec<PhaseSummary>,
    /// How regularly things come.
    #[serde(default)]
    pub timing: Vec<TimingSummary>,
    /// Answers of a guided bench test: the bench sheet reads them.
    #[serde(skip)]
    pub guide: GuideRecord,
    /// The vehicle's autopilot, system and component: a guided bench test tells its messages by it.
    #[serde(skip)]
    pub autopilot: Option<(u8, u8)>,
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
    /// How long this computer stood still; `None` where no ticks of a session say so.
    #[serde(default)]
    pub stalled_s: Option<f64>,
    /// Session tags.
    pub tags: BTreeMap<String, String>,
}
