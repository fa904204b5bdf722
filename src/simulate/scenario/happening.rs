//! What happens at fixed instants of a scenario: drills, marks, silences.

use serde::Deserialize;

/// The handset dies and comes back.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Failsafe {
    /// The handset dies.
    pub at_s: f64,
    /// It is back.
    pub back_s: f64,
    /// The vehicle notices after this time.
    pub detected_after_s: f64,
    /// Its outputs stand at their failsafe values after this time.
    pub safe_after_s: f64,
    /// Mode from then on, until input is back.
    pub mode: u32,
}

/// What a mark says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MarkWord {
    /// The picture froze.
    Froze,
    /// The picture shook.
    Shook,
    /// The handset is here.
    Here,
    /// Anything else.
    Remark,
}

/// A mark set by hand.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mark {
    /// When.
    pub at_s: f64,
    /// Which.
    pub kind: MarkWord,
    /// Words.
    #[serde(default)]
    pub text: String,
}

/// Who falls silent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Who {
    /// Vehicle telemetry.
    Vehicle,
    /// Handset messages.
    Handset,
    /// Video packets.
    Video,
}

/// A source falls silent.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Silence {
    /// Who.
    pub who: Who,
    /// From here.
    pub from_s: f64,
    /// To here.
    pub to_s: f64,
}
