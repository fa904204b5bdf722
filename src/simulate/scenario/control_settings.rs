//! Handset, control link and servo outputs of a scenario.

use serde::Deserialize;

use super::{Loss, Spells};

/// How the delay of the control link behaves.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "lowercase")]
pub enum Delay {
    /// Always the same, milliseconds.
    Constant(f64),
    /// Either of two, in spells.
    Bimodal {
        /// The lower.
        low_ms: f64,
        /// The higher.
        high_ms: f64,
        /// Share of time at the higher.
        high_share: f64,
        /// Mean length of a spell at the lower.
        dwell_s: f64,
    },
    /// Evenly from one to the other over the session.
    Drifting {
        /// At the start.
        from_ms: f64,
        /// At the end.
        to_ms: f64,
    },
}

/// Which message the handset sends.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum StickMessage {
    /// RC_CHANNELS_OVERRIDE.
    #[default]
    Override,
    /// MANUAL_CONTROL.
    Manual,
}

/// Handset and control link.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Control {
    /// System id of the handset.
    pub system: u8,
    /// Component id of the handset.
    pub component: u8,
    /// Listened to on the handset interface.
    pub heard: bool,
    /// What it sends.
    pub message: StickMessage,
    /// Stick messages a second.
    pub rate_hz: f64,
    /// From the stick to its message's arrival at this computer.
    pub cable_ms: f64,
    /// Radio frame period.
    pub frame_ms: f64,
    /// A frame carries the stick message that was sent last, not the stick as it stands.
    pub held: bool,
    /// Loss of radio frames.
    pub loss: Loss,
    /// From the stick at the frame's sending to the vehicle's input.
    pub delay: Delay,
    /// From the vehicle's input to its outputs.
    pub onboard_ms: f64,
    /// The handset has power; each start begins new numbers.
    pub on_s: Spells,
    /// The link is dead in these spans (from, to).
    pub outages: Vec<[f64; 2]>,
    /// Movements of sticks.
    pub moves: Vec<Moves>,
    /// Servo outputs.
    pub servo: Vec<Servo>,
    /// Channels of the vehicle that show anything else than the stick of their number.
    pub channel: Vec<Channel>,
}

impl Default for Control {
    fn default() -> Self {
        Self {
            system: 255,
            component: 190,
            heard: true,
            message: StickMessage::Override,
            rate_hz: 50.0,
            cable_ms: 0.5,
            frame_ms: 14.0,
            held: false,
            loss: Loss::default(),
            delay: Delay::Constant(40.0),
            onboard_ms: 8.0,
            on_s: None,
            outages: Vec::new(),
            moves: Vec::new(),
            servo: Vec::new(),
            channel: Vec::new(),
        }
    }
}

impl Control {
    /// When the handset sends its stick message of a number, counted from 0.
    #[must_use]
    pub fn message_s(&self, number: usize) -> f64 {
        (number as f64 + 0.3) / self.rate_hz
    }

    /// When the last message before an instant was sent.
    #[must_use]
    pub fn last_message_s(&self, at_s: f64) -> f64 {
        self.message_s((at_s * self.rate_hz - 0.3).max(0.0) as usize)
    }
}

/// Quick movements, or one slow wave.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Moves {
    /// From here.
    pub from_s: f64,
    /// To here.
    pub to_s: f64,
    /// Sticks that move, from 1.
    pub sticks: Vec<u8>,
    /// Quick movements in the span.
    #[serde(default)]
    pub count: usize,
    /// A steady wave of this period instead.
    pub wave_s: Option<f64>,
    /// Each stick in turn so often to both ends instead, and back to the centre.
    #[serde(default)]
    pub ends: usize,
}

/// What a channel of the vehicle's input shows.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Channel {
    /// Which, from 1.
    pub number: u8,
    /// The stick that it follows; absent: that of its number.
    pub stick: Option<u8>,
    /// Microseconds a stick microsecond; negative: reversed.
    #[serde(default = "one")]
    pub scale: f64,
    /// Off its place by this.
    #[serde(default)]
    pub offset_us: f64,
    /// Evenly within so much either way: its interquartile range.
    #[serde(default)]
    pub jitter_us: f64,
    /// Stands there, and follows none.
    pub still_us: Option<f64>,
}

/// A servo output.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Servo {
    /// Stick that it follows; absent: none.
    pub stick: Option<u8>,
    /// Period of an own movement instead (a distractor).
    pub wave_s: Option<f64>,
    /// Output for a centred stick.
    #[serde(default = "centre")]
    pub trim_us: f64,
    /// Output a stick microsecond; negative: reversed.
    #[serde(default = "one")]
    pub scale: f64,
    /// End stops.
    #[serde(default = "stops")]
    pub stops_us: [f64; 2],
    /// In failsafe.
    #[serde(default = "centre")]
    pub failsafe_us: f64,
}

const fn centre() -> f64 {
    1500.0
}

const fn one() -> f64 {
    1.0
}

const fn stops() -> [f64; 2] {
    [900.0, 2100.0]
}
