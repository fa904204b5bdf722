//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! Where each link, the vehicle and this computer stand, as data: `word` is the state, `text` is added when the object
//! is written (see `wording/advice.rs`).

use crate::profile::LinkRole;
use crate::units::LevelUnit;

use super::{BatteryEnd, Bound, Interval, LastPlace, Phase, Reason};

/// The state of a link in one word.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LinkState {
    /// It does not do its work at this moment.
    Failing,
    /// It is about to fail, or fails again and again.
    Alarm,
    /// It nears its limit, or failed a moment ago.
    Warning,
    /// It works, with a reason to say so.
    Good,
    /// It comes, and there is nothing to judge it by.
    Heard,
    /// Never heard, or switched off.
    Silent,
    /// This computer cannot see it.
    #[default]
    Unknown,
}

impl LinkState {
    /// All of them.
    pub const ALL: [Self; 7] =
        [Self::Failing, Self::Alarm, Self::Warning, Self::Good, Self::Heard, Self::Silent, Self::Unknown];

    /// The word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Failing => "failing",
            Self::Alarm => "alarm",
            Self::Warning => "warning",
            Self::Good => "good",
            Self::Heard => "heard",
            Self::Silent => "silent",
            Self::Unknown => "unknown",
        }
    }

    /// Whether it asks the pilot to do something.
    #[must_use]
    pub const fn asks(self) -> bool {
        matches!(self, Self::Failing | Self::Alarm | Self::Warning)
    }

    /// Whether it rings, in a trip.
    #[must_use]
    pub const fn rings(self) -> bool {
        matches!(self, Self::Failing | Self::Alarm)
    }
}

/// How a link fails, the least first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Failure {
    /// A third or more of a second's frames or packets is lost.
    MuchLost,
    /// StickAdvice move, and the vehicle's input stands still.
    Held,
    /// The far side is silent.
    Silent,
    /// The vehicle has no control input.
    InputLost,
    /// The picture stands.
    Frozen,
}

/// What a link's state rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum StateReason {
    /// Nothing of it was ever heard.
    #[default]
    NeverHeard,
    /// The vehicle is switched off, or the handset.
    Off,
    /// What brings it here, or tells of it, is itself silent.
    Blind,
    /// It fails now.
    Failing {
        /// How.
        what: Failure,
        /// For so long.
        for_s: f64,
    },
    /// It failed again and again, or for long, a moment ago.
    OftenFailed,
    /// It failed a moment ago.
    FailedLately {
        /// How.
        what: Failure,
        /// So long ago.
        ago_s: f64,
    },
    /// Its margin.
    Margin,
    /// It surely loses over 5 % of the last ten seconds.
    LosesMuch,
    /// Over half of the last pictures lack something.
    Damaged,
    /// As strong as where it worked for so many seconds.
    AsStrong {
        /// How many.
        for_s: u32,
    },
    /// As near as where it worked for so many seconds.
    AsNear {
        /// How many.
        for_s: u32,
    },
    /// It comes, and nothing says whether that is well.
    NothingToJudgeBy,
}

/// How something stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// What it is about: a link's name, `vehicle`, `latency`, `power`, `recording`.
    pub about: String,
    /// In one word.
    pub state: LinkState,
    /// What is behind it.
    pub judgement: Judgement,
}

/// Why a source brings nothing that can be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SourceFault {
    /// It is away, for this reason, and never brought a byte.
    Gone(String),
    /// It is open, and no byte came.
    Silent,
    /// So many bytes came, and no frame or packet among them.
    NoFrame(u64),
}

/// Whether moving sticks can be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StickAdvice {
    /// The vehicle is on the ground, or nothing is known of it.
    Now,
    /// It is under way.
    NotNow,
    /// The session is over.
    NextTime,
}

/// What is behind a verdict.
#[derive(Clone, Debug, PartialEq)]
pub enum Judgement {
    /// A link.
    Link(Box<LinkJudgement>),
    /// That of a summary that was written earlier: its sentence.
    Written(String),
    /// No frame came.
    NothingHeard,
    /// Frames came, none of a vehicle.
    NoVehicle,
    /// The vehicle was lost in flight, or far away.
    VehicleLost(LastPlace),
    /// All of the vehicle is silent, and nothing tells why.
    VehicleSilent,
    /// The autopilot alone is silent.
    AutopilotSilent,
    /// The vehicle was switched off on the ground.
    VehicleOff,
    /// A source brings nothing that can be read.
    Source {
        /// Its name.
        source: String,
        /// Its URL, where that is known.
        url: Option<String>,
        /// What is known of it.
        fault: SourceFault,
    },
    /// The profile's vehicle is not heard, another is.
    OtherVehicle {
        /// The profile's system.
        wanted: u8,
        /// The system that is heard.
        heard: u8,
    },
    /// A component of the profile is not heard, another of its system is.
    OtherComponent {
        /// The link that names it.
        link: String,
        /// The system of both.
        system: u8,
        /// The profile's component.
        wanted: u8,
        /// The component that is heard.
        heard: u8,
    },
    /// No stage of the latency is measured.
    NoLatency(StickAdvice),
    /// The same, and no move of a stick would help: of no stage both ends are heard.
    UnheardLatency(Reason),
    /// Ages of sticks are known, and nothing bounds what two clocks add to them.
    UnboundedLatency,
    /// The first stage that is measured.
    Latency {
        /// Which of the three, from 0.
        stage: usize,
        /// What its figures bound.
        bound: Bound,
        /// Its median.
        p50_ms: Option<f64>,
        /// Its 90th percentile.
        p90_ms: Option<f64>,
        /// Movements behind it.
        events: u64,
        /// Movements needed for a median.
        needed: u64,
    },
    /// This computer lost data.
    HostDrops(u64),
    /// A battery will be empty.
    Battery {
        /// System id.
        system: u8,
        /// Battery id.
        battery: u8,
        /// In so many minutes.
        minutes_left: f64,
        /// Their interval.
        ci95: Option<Interval>,
        /// What ends them.
        to: Option<BatteryEnd>,
    },
}

/// What is known of a link at the instant of its verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct LinkJudgement {
    /// What the link is for.
    pub role: LinkRole,
    /// What its state rests on.
    pub reason: StateReason,
    /// Unit of level and margin.
    pub unit: LevelUnit,
    /// Its level.
    pub level: Option<f64>,
    /// Level less limit.
    pub margin: Option<f64>,
    /// Time until the limit, where it is near and the level does not rise.
    pub seconds_left: Option<f64>,
    /// Distance until the limit.
    pub metres_left: Option<f64>,
    /// How far away the vehicle is.
    pub distance_m: Option<f64>,
    /// Lost in the last ten seconds.
    pub loss_ratio: Option<f64>,
    /// Since it was last heard.
    pub silent_s: Option<f64>,
    /// How often it failed within the last minute, and how long ago that began.
    pub failures: (usize, f64),
    /// Where the vehicle is in its life; `None`: not known.
    pub phase: Option<Phase>,
    /// The source that is known to be down, and why.
    pub broken: Option<(String, String)>,
}
