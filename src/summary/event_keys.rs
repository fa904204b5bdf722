//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! What happened, as data: `kind` is a fixed word, `text` is added when the object is written (see `wording/event.rs`).

use std::net::SocketAddr;

use serde::{Deserialize, Serialize};

use crate::record::MarkKind;
use crate::units::LevelUnit;

use super::{FailsafeSummary, HostStrain, Phase, PhaseReason, Strained};

/// One event of the log.
#[derive(Clone, Debug, PartialEq)]
pub struct EventSummary {
    /// When.
    pub at_s: f64,
    /// The link it is about.
    pub link: Option<String>,
    /// What happened.
    pub event: Event,
}

/// Events of a kind that are counted and not listed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventsLeftOut {
    /// The fixed word.
    pub kind: String,
    /// How many.
    pub count: u64,
}

/// A place in degrees, its height in metres above sea level.
pub type Spot = (f64, f64, f64);

/// Where a vehicle was when it last said so.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LastPlace {
    /// From the handset, along the line of sight.
    pub distance_m: Option<f64>,
    /// On the globe.
    pub spot: Option<Spot>,
    /// How long before its last word that was; `None`: it was its last word.
    pub before_s: Option<f64>,
}

/// What became of a link's margin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MarginChange {
    /// A warning began.
    Warning,
    /// An alarm began.
    Alarm,
    /// It is over.
    Cleared,
}

/// What happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A phase of the session began.
    Phase(Phase, PhaseReason),
    /// The vehicle was lost in flight, or far away.
    VehicleLost(LastPlace),
    /// All of the vehicle fell silent, and nothing tells why.
    VehicleSilent,
    /// The autopilot alone fell silent.
    AutopilotSilent,
    /// The link fell silent.
    Lost,
    /// It is heard again.
    Back {
        /// The silence.
        after_s: f64,
    },
    /// The handset sends nothing any more, on the ground.
    HandsetOff,
    /// It sends again.
    HandsetOn {
        /// The silence.
        after_s: f64,
    },
    /// Perhaps the handset is carried about, with no position of its own.
    HandsetMoves,
    /// A sender began anew.
    Restart {
        /// System id.
        system: u8,
        /// Component id.
        component: u8,
    },
    /// The autopilot began anew in flight.
    RestartAloft,
    /// It began anew in a trip, and nothing shows whether it flew or stood.
    RestartUnplaced,
    /// The picture's sender began anew.
    VideoRestart {
        /// Since its last picture.
        after_s: f64,
    },
    /// The picture stood still.
    Freeze {
        /// So far.
        duration_s: f64,
        /// It is over.
        ended: bool,
        /// What strained this computer meanwhile.
        strain: Vec<HostStrain>,
    },
    /// The control input was lost.
    Failsafe(Box<FailsafeSummary>),
    /// Sticks moved, and the vehicle's input stood still.
    Hold {
        /// How long.
        duration_s: f64,
    },
    /// The margin to the link's limit became small, or large again.
    Margin {
        /// Which.
        change: MarginChange,
        /// The margin.
        margin: f64,
        /// Its unit.
        unit: LevelUnit,
        /// Time until the limit.
        seconds_left: Option<f64>,
        /// Distance until it.
        metres_left: Option<f64>,
    },
    /// A person set a mark.
    Mark {
        /// Which.
        kind: MarkKind,
        /// In the person's words.
        text: String,
    },
    /// The pilot acknowledged the link's warnings.
    Acknowledged,
    /// A source is gone.
    SourceDown {
        /// Its name.
        source: String,
        /// Why, in the system's words.
        reason: String,
    },
    /// It is back.
    SourceUp {
        /// Its name.
        source: String,
    },
    /// A card gives no dBm.
    RelativeLevel {
        /// Its name.
        source: String,
    },
    /// A joystick said what it is.
    Joystick {
        /// Where.
        source: String,
        /// How many axes it has.
        axes: usize,
        /// Its name.
        name: String,
    },
    /// Two addresses send under one id, and not the same.
    SameId {
        /// System id.
        system: u8,
        /// Component id.
        component: u8,
        /// Whose it is.
        owner: SocketAddr,
        /// Who uses it too, and counts in no figure.
        other: SocketAddr,
    },
    /// There were too many senders, or video streams: silent ones were forgotten.
    Forgotten {
        /// Streams, else senders.
        is_video: bool,
        /// How many in the whole session.
        count: u64,
    },
    /// This computer lost data.
    HostDrop {
        /// Of which source.
        source: String,
        /// How much.
        count: u64,
        /// What strained it meanwhile.
        strain: Vec<HostStrain>,
    },
    /// Something strains this computer, or no longer.
    Strain {
        /// What.
        what: Strained,
        /// How long it did, where it is over.
        lasted_s: Option<f64>,
    },
    /// This computer stood still.
    Stall {
        /// How long.
        duration_s: f64,
    },
    /// The recorder could not write.
    BytesLost {
        /// How many.
        bytes: u64,
    },
    /// The wall clock was set.
    ClockStep {
        /// By so much.
        by_s: f64,
    },
    /// A record is stamped before the one before it.
    StampBack {
        /// By so much.
        by_s: f64,
    },
    /// Records are stamped earlier from here on, or, below zero, later: time goes on without that.
    StampStep {
        /// By so much.
        by_s: f64,
    },
    /// A record's stamp is far off both its neighbours.
    StampOff {
        /// By so much, below zero: before them.
        by_s: f64,
    },
    /// The recording has no record for longer than a day.
    Hole {
        /// How long.
        duration_s: f64,
    },
    /// This program does more than listen.
    Transmits {
        /// What.
        what: String,
    },
    /// The vehicle says something.
    StatusText {
        /// It.
        text: String,
        /// 0 is an emergency, 7 is for those who look for faults.
        severity: u8,
    },
    /// An event of a summary that was written earlier.
    Written {
        /// Its fixed word.
        kind: String,
        /// Its sentence.
        text: String,
    },
    /// The recording says something that this program did not write.
    Comment {
        /// It.
        text: String,
    },
}

impl Event {
    /// The fixed word for it.
    #[must_use]
    pub fn kind(&self) -> &str {
        match self {
            Self::Phase(..) => "phase",
            Self::VehicleLost(_) => "lost-vehicle",
            Self::VehicleSilent | Self::AutopilotSilent => "silent",
            Self::Lost => "lost",
            Self::Back { .. } => "back",
            Self::HandsetOff => "handset-off",
            Self::HandsetOn { .. } => "handset-on",
            Self::HandsetMoves => "handset",
            Self::Restart { .. } => "restart",
            Self::RestartAloft | Self::RestartUnplaced => "restart-aloft",
            Self::VideoRestart { .. } => "video-restart",
            Self::Freeze { .. } => "freeze",
            Self::Failsafe(_) => "failsafe",
            Self::Hold { .. } => "hold",
            Self::Margin { change: MarginChange::Warning, .. } => "warning",
            Self::Margin { change: MarginChange::Alarm, .. } => "alarm",
            Self::Margin { change: MarginChange::Cleared, .. } => "cleared",
            Self::Mark { .. } => "mark",
            Self::Acknowledged => "acknowledged",
            Self::SourceDown { .. }
            | Self::SourceUp { .. }
            | Self::RelativeLevel { .. }
            | Self::Joystick { .. } => "source",
            Self::SameId { .. } => "same-id",
            Self::Forgotten { .. } => "forgotten",
            Self::HostDrop { .. } => "host-drop",
            Self::Strain { .. } => "computer",
            Self::Stall { .. } => "stall",
            Self::BytesLost { .. } => "recorder",
            Self::ClockStep { .. } => "clock-step",
            Self::StampBack { .. } => "stamp-back",
            Self::StampStep { by_s } if *by_s > 0.0 => "stamp-back",
            Self::StampStep { .. } => "stamp-ahead",
            Self::StampOff { .. } => "stamp-off",
            Self::Hole { .. } => "hole",
            Self::Transmits { .. } => "transmits",
            Self::Comment { .. } => "comment",
            Self::StatusText { .. } => "vehicle",
            Self::Written { kind, .. } => kind,
        }
    }

    /// How grave it is beside others of its kind.
    #[must_use]
    pub fn gravity(&self) -> f64 {
        match self {
            Self::Freeze { duration_s, .. }
            | Self::Hold { duration_s }
            | Self::Stall { duration_s }
            | Self::Hole { duration_s } => *duration_s,
            Self::Back { after_s } | Self::HandsetOn { after_s } | Self::VideoRestart { after_s } => *after_s,
            Self::Strain { lasted_s, .. } => lasted_s.unwrap_or(0.0),
            Self::Failsafe(row) => row.recovered_after_s.unwrap_or(f64::INFINITY),
            Self::Margin { margin, .. } => -margin,
            Self::HostDrop { count, .. } => *count as f64,
            Self::BytesLost { bytes } => *bytes as f64,
            Self::ClockStep { by_s } | Self::StampStep { by_s } | Self::StampOff { by_s } => by_s.abs(),
            Self::StampBack { by_s } => *by_s,
            Self::StatusText { severity, .. } => -f64::from(*severity),
            _ => 0.0,
        }
    }
}
