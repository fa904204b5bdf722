//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! The life of the session: where the vehicle was in it, and what shows that.

use serde::{Deserialize, Serialize};

use super::words::words;
use crate::units::Nanos;

words! {
    /// Where the vehicle is in its life.
    Phase {
        /// Not heard yet.
        Waiting = "waiting",
        /// Stands disarmed beside the handset, or where it landed; or armed where it armed.
        Ground = "ground",
        /// The handset is carried away from a vehicle that stands, or something stands between them.
        Walk = "walk",
        /// Under way, going out.
        Out = "out",
        /// Under way, coming back.
        Back = "back",
        /// Switched off on the ground.
        Off = "off",
    }
}

impl Phase {
    /// A walk, out or back: what is judged.
    #[must_use]
    pub const fn is_trip(self) -> bool {
        matches!(self, Self::Walk | Self::Out | Self::Back)
    }
}

/// What shows a phase; the sentence is added when the object is written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PhaseReason {
    /// No autopilot was heard yet.
    NotHeard,
    /// It stands disarmed beside the handset.
    Beside {
        /// From the handset, in the plane.
        horizontal_m: f64,
    },
    /// It stands disarmed, and its level is not far below its strongest.
    Strong,
    /// It stands disarmed, and says neither a place nor a level.
    Disarmed,
    /// It is armed and near where it armed.
    Bench,
    /// It stood after a trip and disarmed.
    Landed {
        /// From the handset, in the plane.
        horizontal_m: f64,
    },
    /// It stands disarmed, and its level fell.
    LevelDown,
    /// It stands disarmed, and the handset goes away.
    CarriedAway,
    /// It is armed, and away from where it armed.
    Away,
    /// It is armed; where it armed, or where it is, nobody knows.
    Armed,
    /// It is not armed, and moves, is far off or its level is low.
    Elsewhere,
    /// It does not say whether it is armed.
    Unsaid,
    /// It goes the other way now.
    Turned {
        /// From here on.
        distance_m: f64,
    },
    /// All of it fell silent on the ground.
    SwitchedOff {
        /// Since when it stood there.
        ground: Nanos,
    },
}

/// One phase of the session, up to the next or to the last record.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PhaseSummary {
    /// Which.
    pub phase: Phase,
    /// Its start.
    pub from_s: f64,
    /// What shows it.
    pub why: PhaseReason,
}
