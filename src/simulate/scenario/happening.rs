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
    /// What cut the sticks off.
    #[serde(default)]
    pub cause: Cause,
    /// What the outputs do then.
    #[serde(default)]
    pub outputs: Outputs,
}

impl Failsafe {
    /// Whether it lasts at an instant.
    pub(crate) fn lasts(&self, at_s: f64) -> bool {
        (self.at_s..self.back_s).contains(&at_s)
    }
}

/// What cuts the sticks off.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Cause {
    /// The handset dies, and its messages stop.
    #[default]
    Handset,
    /// The control link dies; the handset goes on.
    Link,
}

/// What outputs do in a failsafe.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outputs {
    /// They go to their failsafe values.
    #[default]
    Safe,
    /// They stay where they were.
    Hold,
    /// They keep moving, as in a mode that flies by itself.
    Move,
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
    /// A drill begins.
    Drill,
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
    /// The autopilot alone; other components of the vehicle go on.
    Autopilot,
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
