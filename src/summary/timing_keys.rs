//! How regularly things come.

use serde::{Deserialize, Serialize};

/// What is timed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TimingWhat {
    /// From one message of a kind to the sender's next.
    Message,
    /// A stamped message's delay above the least of its sender's last 10 s.
    Lateness,
    /// TIMESYNC, request to reply.
    RoundTrip,
    /// From one delivered picture to the next.
    VideoFrame,
}

/// One histogram's figures; whose it is where that means something.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TimingSummary {
    /// What is timed.
    pub what: TimingWhat,
    /// Where it is heard.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub interface: Option<String>,
    /// The sending address, where several flows of one sender are heard there.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub endpoint: Option<String>,
    /// System id.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub system: Option<u8>,
    /// Component id.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub component: Option<u8>,
    /// Message id.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub id: Option<u32>,
    /// The video stream.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub ssrc: Option<u32>,
    /// Times behind it.
    pub samples: u64,
    /// Half of them within.
    pub p50_ms: f64,
    /// 99 of 100 within; `None` of fewer than 100.
    pub p99_ms: Option<f64>,
    /// 999 of 1,000 within; `None` of fewer than 1,000.
    pub p999_ms: Option<f64>,
    /// The longest.
    pub max_ms: f64,
}
