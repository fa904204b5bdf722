//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! What each RC channel of the vehicle shows: travel, centre, jitter, whose stick it follows, which outputs follow it.

use serde::{Deserialize, Serialize};

use super::{Interval, StickDirection, StickFinding};

/// One RC channel as the vehicle reports it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StickSummary {
    /// Numbered from 1.
    pub channel: u8,
    /// Reports of it that count.
    pub samples: u64,
    /// It was seen to move; a channel that was not is not thereby dead.
    pub moved: bool,
    /// Lowest seen.
    pub low_us: u16,
    /// Highest seen.
    pub high_us: u16,
    /// At the last report.
    pub last_us: u16,
    /// From lowest to highest.
    pub travel_us: u16,
    /// Both ends were reached three times: what was seen is all of its travel.
    pub ends_seen: bool,
    /// Where it comes back to from both sides; `None` where it does not.
    pub centre_us: Option<f64>,
    /// Its interval.
    pub centre_ci95_us: Option<Interval>,
    /// Interquartile range about the median of each still second.
    pub jitter_us: Option<f64>,
    /// Still seconds behind it.
    pub still_s: u64,
    /// Least step from one report to the next.
    pub step_us: Option<u16>,
    /// Whether its own stick of the handset was moved and held often enough to tell dead, stuck, crossed and reversed;
    /// `None`: no handset is heard that numbers its sticks as channels.
    pub compared: Option<bool>,
    /// The handset's stick that it follows, from 1.
    pub stick: Option<u8>,
    /// Its direction against that stick's.
    pub direction: Option<StickDirection>,
    /// Outputs that follow it.
    pub outputs: Vec<StickOutput>,
    /// What is wrong with it against the handset's sticks.
    pub findings: Vec<StickFinding>,
}

/// An output that follows a channel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StickOutput {
    /// Servo, numbered from 1.
    pub servo: u8,
    /// Its direction against the channel's.
    pub output_direction: Option<StickDirection>,
    /// The span within the channel's travel that moves nothing; `None` where none was seen.
    pub dead_band_us: Option<f64>,
}
