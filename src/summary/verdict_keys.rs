//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! Where each link, the vehicle and this computer stand, as data: `word` is the state, `text` is added when the object
//! is written (see `wording/advice.rs`).

use crate::profile::LinkRole;
use crate::units::LevelUnit;

use super::{Bound, LastPlace, Phase};

/// The state of a link in one word.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LinkState {
    /// Margin and loss are fine.
    Good,
    /// A warning stands.
    Warning,
    /// An alarm stands.
    Alarm,
    /// Nothing is received any more.
    Silent,
    /// Not measured.
    #[default]
    Unknown,
}

impl LinkState {
    /// All of them.
    pub const ALL: [Self; 5] = [Self::Good, Self::Warning, Self::Alarm, Self::Silent, Self::Unknown];

    /// The word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Warning => "warning",
            Self::Alarm => "alarm",
            Self::Silent => "silent",
            Self::Unknown => "unknown",
        }
    }
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

/// What is behind a verdict.
#[derive(Clone, Debug, PartialEq)]
pub enum Judgement {
    /// Nothing comes of the link, and nothing has to: the vehicle is off, or on the ground.
    Absent {
        /// Since when.
        silent_s: f64,
        /// Where the vehicle is in its life.
        phase: Option<Phase>,
    },
    /// Nothing comes of the link any more.
    Silent {
        /// Since when.
        silent_s: f64,
        /// The source that is known to be down, and why.
        broken: Option<(String, String)>,
    },
    /// The link has a margin.
    Margin {
        /// What the link is for.
        role: LinkRole,
        /// Unit of the margin.
        unit: LevelUnit,
        /// Level less limit.
        margin: f64,
        /// Time until the limit, where it is near.
        seconds_left: Option<f64>,
        /// Distance until the limit.
        metres_left: Option<f64>,
    },
    /// The link has no margin.
    Measured {
        /// What the link is for.
        role: LinkRole,
        /// Unit of the level.
        unit: LevelUnit,
        /// Its level.
        level: Option<f64>,
        /// Its loss.
        loss_ratio: Option<f64>,
    },
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
    /// No stage of the latency is measured.
    NoLatency,
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
    },
}
