//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! What came over: framing counts, loss of each sender and of each link, margins.

use serde::{Deserialize, Serialize};

use crate::profile::LinkRole;

use super::{BurstModel, LossDistances, LossPeriods, RatioEstimate, Reason};

/// MAVLink framing counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Framing {
    /// Accepted frames, unknown ids and copies included.
    pub frames: u64,
    /// Candidates whose checksum failed; what looks like a frame inside a failed one does not count again.
    pub crc_errors: u64,
    /// Bytes of MAVLink sources that belong to no accepted frame.
    pub skipped_bytes: u64,
    /// Accepted frames whose message id the dialect lacks.
    pub unknown_ids: u64,
}

/// One MAVLink sender on one interface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stream {
    /// The interface's name.
    pub interface: String,
    /// Tells two simultaneous UDP flows of one interface apart; absent otherwise.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub endpoint: Option<String>,
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// The link of the profile that it comes over.
    pub link: Option<String>,
    /// Whether it counts for a link's loss.
    pub link_loss: bool,
    /// Why not.
    pub why_not: Option<Reason>,
    /// Distinct frames, duplicates not counted.
    pub received: u64,
    /// Lost frames; `None` where the numbers cannot be followed, and so the interval and the periods.
    pub lost: Option<u64>,
    /// Interval of `lost`, wider than a point only where silences were too long to tell.
    pub lost_ci95: Option<[u64; 2]>,
    /// Copies.
    pub duplicates: u64,
    /// Late arrivals, RFC 4737.
    pub out_of_order: u64,
    /// Restarts of the sender.
    pub restarts: u64,
    /// lost / (received + lost); `None` where nothing was received.
    pub loss: Option<RatioEstimate>,
    /// RFC 3357.
    pub loss_periods: Option<LossPeriods>,
    /// Longest time without a frame, the silence at the end included.
    pub longest_silence_s: f64,
    /// From its last frame to the last record.
    pub silent_at_end_s: f64,
    /// Received per second, first to last; `None` with fewer than two frames.
    pub rate_hz: Option<f64>,
    /// Share of whole seconds with a frame; `None` before the first whole second.
    #[serde(default)]
    pub availability_ratio: Option<f64>,
    /// How many loss periods have which length; from 1024 on by the power of two below it.
    #[serde(default)]
    pub burst_lengths: Vec<(u32, u64)>,
    /// RFC 3357; `None` with fewer than two losses.
    #[serde(default)]
    pub loss_distances: Option<LossDistances>,
    /// How long spells with and without loss last; `None` without losses.
    #[serde(default)]
    pub burst_model: Option<BurstModel>,
}

/// Margin to the freeze limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MarginSummary {
    /// At the last record.
    pub end: Option<f64>,
    /// The smallest.
    pub min: Option<f64>,
}

/// One link of the profile.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LinkSummary {
    /// Its name.
    pub link: String,
    /// What it is for.
    pub role: LinkRole,
    /// Loss of the senders, or packets, that come over it.
    pub loss: Option<RatioEstimate>,
    /// Share of seconds with data.
    pub availability_ratio: Option<f64>,
    /// Longest time without data.
    pub longest_silence_s: Option<f64>,
    /// Silence at the end.
    pub silent_at_end_s: Option<f64>,
    /// Level less threshold; `None` without a threshold or in device units.
    pub margin_db: Option<MarginSummary>,
    /// The same in device units where no scale to dBm is known.
    pub margin_raw: Option<MarginSummary>,
    /// Warnings raised.
    pub warnings: u64,
    /// Alarms raised.
    pub alarms: u64,
}
