//! Transmitters that a receiver in monitor mode heard.

use serde::{Deserialize, Serialize};

use super::RatioEstimate;

/// One transmitter on the air.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TransmitterSummary {
    /// Where it was heard.
    pub interface: String,
    /// Its address, six bytes in hexadecimal digits.
    pub transmitter: String,
    /// The link of the profile that names it.
    pub link: Option<String>,
    /// Frames heard of it.
    pub frames: u64,
    /// Those that carry data.
    pub data_frames: u64,
    /// Share of numbered frames that were sent again; `None` where none was numbered.
    pub retry_ratio: Option<f64>,
    /// Distinct numbers heard, of each counter that was told apart.
    pub received: u64,
    /// Numbers that were not heard here; `None` where the numbers do not tell.
    pub lost: Option<u64>,
    /// lost / (received + lost), at this receiver, over the counters that tell; `None` where none does.
    pub loss: Option<RatioEstimate>,
    /// Numbers heard once more.
    pub copies: u64,
    /// Heard after a later one.
    pub out_of_order: u64,
    /// Silences over a second and jumps, which tell no loss.
    pub holes: u64,
    /// Median level; `None` where the receiver gave none.
    pub level_median_dbm: Option<f64>,
    /// Median rate of its data frames.
    pub rate_median_kbps: Option<u32>,
    /// From its last frame to the last record.
    pub silent_at_end_s: f64,
}
