//! Part of the machine-readable summary, schema 1: keys may be added, none renamed.
//!
//! The video streams and their freezes.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{Codec, Course, HostStrain, PictureCause, Reason, VideoSource};

/// One freeze of the picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Freeze {
    /// Its start: the last delivered frame before it.
    pub start_s: f64,
    /// The whole interval; `None` for a mark.
    pub duration_s: Option<f64>,
    /// False where it was still open at the last record.
    pub ended: bool,
    /// The link's level at its start.
    pub signal: Option<f64>,
    /// Slant distance at its start.
    pub distance_m: Option<f64>,
    /// What the packets say; `None`: nothing yet.
    #[serde(default)]
    pub course: Option<Course>,
    /// Whether it teaches the history; `None`: counted, not fitted.
    #[serde(default)]
    pub evidence: Option<bool>,
    /// Why not, where `evidence` is not true.
    #[serde(skip_deserializing)]
    pub why_not: Option<Reason>,
    /// What strained this computer meanwhile: set beside it, judges nothing; `None`: no reading tells.
    #[serde(default)]
    pub host_strain: Option<Vec<HostStrain>>,
    /// What lay behind it, empty: none of what was looked at; `None`: it cannot be told.
    #[serde(default)]
    pub causes: Option<Vec<PictureCause>>,
}

/// A span in which the sender itself said that it sends nothing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StoppedSpan {
    /// Start.
    pub start_s: f64,
    /// Length up to the next report that says otherwise, or to the last record.
    pub duration_s: f64,
}

/// One video stream, or all that carry the link's picture in turn: then counts are sums, jitter and frame rate
/// weighted means, and SSRC, codec and the wait for a key frame those of the newest.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct VideoSummary {
    /// What shows its freezes.
    pub source: VideoSource,
    /// RTP only.
    pub ssrc: Option<u32>,
    /// Distinct packets received.
    pub packets: Option<u64>,
    /// Expected less received.
    pub packets_lost: Option<u64>,
    /// Mean over the packets of RFC 3550's running estimate.
    pub jitter_ms: Option<f64>,
    /// Frames of which at least one packet came.
    pub frames: Option<u64>,
    /// Frames of which every packet came.
    pub frames_delivered: Option<u64>,
    /// Frames per second of the sender's own clock.
    pub fps: Option<f64>,
    /// Freezes by the W3C webrtc-stats rule, or marks.
    pub freezes: u64,
    /// Their durations together; `None` for marks.
    pub freeze_s: Option<f64>,
    /// Each; a session of a day may have ten thousand, which copies of the summary share.
    pub freeze_list: Arc<[Freeze]>,
    /// From VIDEO_STREAM_STATUS.
    pub stopped_at_sender: Vec<StoppedSpan>,
    /// Freezes that were not the radio (sender paused or restarted, packets in heaps, this computer's own losses
    /// and stalls): left out of a threshold's evidence.
    #[serde(default)]
    pub freezes_left_out: u64,
    /// The rate of the sender's clock where it plainly is not the 90 kHz of RFC 6184 and RFC 7798: then neither
    /// jitter nor frame rate can be told from it.
    #[serde(default)]
    pub other_clock_hz: Option<f64>,
    /// Packets that came again; RTP only.
    #[serde(default)]
    pub duplicates: Option<u64>,
    /// As in RFC 4737.
    #[serde(default)]
    pub out_of_order: Option<u64>,
    /// The sequence began anew under the same SSRC.
    #[serde(default)]
    pub restarts: Option<u64>,
    /// The stream that this one took over from at the same destination: its SSRC, where it is another.
    #[serde(default)]
    pub follows_ssrc: Option<u32>,
    /// Told by the payloads; `None`: they do not tell.
    #[serde(default)]
    pub codec: Option<Codec>,
    /// Key frames of which something came; `None` where the codec is not known.
    #[serde(default)]
    pub key_frames: Option<u64>,
    /// From key frame to key frame that came, on the sender's clock.
    #[serde(default)]
    pub key_spacing_median_s: Option<f64>,
    /// The longest of them.
    #[serde(default)]
    pub key_spacing_max_s: Option<f64>,
    /// Recovery points that came: from there on the picture becomes whole without a key frame.
    #[serde(default)]
    pub recovery_points: Option<u64>,
    /// Delivered frames that depend on lost ones, up to the next key frame or recovery.
    #[serde(default)]
    pub frames_broken: Option<u64>,
    /// Why not, where the codec is known and they cannot be told.
    #[serde(skip_deserializing)]
    pub frames_broken_why_not: Option<Reason>,
    /// At the end the picture waits for a key frame; `None` before the first, or where it cannot be told.
    #[serde(default)]
    pub waits_for_key: Option<bool>,
}
