//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! How losses lie in time, links heard together, accidents of the checksum, and what the
//! vehicle and the radios say of their own losses.

use serde::{Deserialize, Serialize};

use super::{LossPeriods, RatioEstimate, Reason, ReportSource};

/// One interface of a sender that is heard on several.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HeardOn {
    /// The interface's name.
    pub interface: String,
    /// Its link in the profile.
    pub link: Option<String>,
    /// Distinct frames since all are heard.
    pub received: u64,
    /// Lost since then; `None` where the numbers cannot be followed.
    pub lost: Option<u64>,
    /// lost / (received + lost).
    pub ratio: Option<f64>,
}

/// One sender heard over several links: what is lost on all of them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Together {
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// From when on it is heard on more than one.
    pub since_s: f64,
    /// Each alone.
    pub each: Vec<HeardOn>,
    /// Frames that came more than once.
    pub matched: u64,
    /// Distinct frames on any of them; `None` where the links number their frames apart.
    pub received: Option<u64>,
    /// Lost on all of them.
    pub lost: Option<u64>,
    /// lost / (received + lost).
    pub loss: Option<RatioEstimate>,
    /// RFC 3357, of what is lost on all of them.
    pub loss_periods: Option<LossPeriods>,
    /// What would be lost on all if each lost its own share independently.
    pub independent_ratio: Option<f64>,
    /// Why there is no joint loss.
    #[serde(skip_deserializing)]
    pub why_not: Option<Reason>,
}

/// Frames that may have been accepted by accident.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Accidents {
    /// Refused candidates that each had 1 chance in 65,536 to be accepted.
    pub chances: u64,
    /// How many accidents are to be expected among the accepted frames.
    pub expected: f64,
}

/// Seconds in a row with much loss on one link, and what happened together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BadSpell {
    /// The link.
    pub link: String,
    /// Its first whole second.
    pub start_s: f64,
    /// Its length in whole seconds.
    pub duration_s: f64,
    /// Received in it.
    pub received: u64,
    /// Lost in it.
    pub lost: u64,
    /// The link's median level in it.
    pub level: Option<f64>,
    /// Median slant distance.
    pub distance_m: Option<f64>,
    /// Heading of the vehicle, degrees from north.
    pub heading_deg: Option<f64>,
    /// Where the handset lay from the vehicle's nose, degrees clockwise, 0 to 360.
    pub handset_off_nose_deg: Option<f64>,
    /// Height above home.
    pub height_m: Option<f64>,
}

/// What a vehicle or a radio says of its own losses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OwnReport {
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// What it came in.
    pub source: ReportSource,
    /// Reports.
    pub samples: u64,
    /// Share of packets that it dropped, by the last report; SYS_STATUS only.
    pub drop_ratio: Option<f64>,
    /// The largest such share.
    pub drop_ratio_max: Option<f64>,
    /// Receive errors within the recording; the counter wraps at 65,536.
    pub errors: u64,
    /// Corrected packets within the recording; RADIO_STATUS only.
    pub corrected: Option<u64>,
    /// Least free share of the transmit buffer; RADIO_STATUS only.
    pub tx_buffer_min_percent: Option<u8>,
    /// Level that it receives, device units, by the last report.
    pub level: Option<u8>,
    /// Noise that it receives.
    pub noise: Option<u8>,
    /// Level that its peer receives.
    pub remote_level: Option<u8>,
    /// Noise that its peer receives.
    pub remote_noise: Option<u8>,
}
