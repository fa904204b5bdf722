//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! The life of the session: where the vehicle was in it, and what shows that.

use serde::{Deserialize, Serialize};

/// Where the vehicle is in its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Phase {
    /// Not heard yet.
    Waiting,
    /// Stands disarmed beside the handset, or where it landed; or armed where it armed.
    Ground,
    /// The handset is carried away from a vehicle that stands, or something stands between them.
    Walk,
    /// Under way, going out.
    Out,
    /// Under way, coming back.
    Back,
    /// Switched off on the ground.
    Off,
}

impl Phase {
    /// A walk, out or back: what is judged.
    #[must_use]
    pub const fn is_trip(self) -> bool {
        matches!(self, Self::Walk | Self::Out | Self::Back)
    }

    /// For people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Waiting => "waiting for the vehicle",
            Self::Ground => "on the ground",
            Self::Walk => "walk",
            Self::Out => "on the way out",
            Self::Back => "on the way back",
            Self::Off => "switched off",
        }
    }
}

/// One phase of the session, up to the next or to the last record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PhaseSummary {
    /// Which.
    pub phase: Phase,
    /// Its start.
    pub from_s: f64,
    /// What shows it.
    pub why: String,
}
