//! The video stream of a scenario.

use serde::Deserialize;

use super::{Loss, Numbering, Spells};

/// The video stream.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Video {
    /// UDP port.
    pub port: u16,
    /// Its source identifier.
    pub ssrc: u32,
    /// Frames a second.
    pub fps: f64,
    /// Frames from key frame to key frame.
    pub gop: usize,
    /// Packets of a key frame.
    pub key_packets: usize,
    /// Packets of another frame.
    pub packets: usize,
    /// Bytes of video in a packet; small, so that recordings stay small.
    pub payload_bytes: usize,
    /// One-way delay.
    pub delay_ms: f64,
    /// Delay varies by this much.
    pub jitter_ms: f64,
    /// Loss of single packets.
    pub loss: Loss,
    /// Level at which a freeze begins within a second with an even chance.
    pub freeze_p50_dbm: Option<f64>,
    /// Width of that logistic.
    pub freeze_scale_db: f64,
    /// Chance a second of a freeze that has nothing to do with the level.
    pub freeze_base: f64,
    /// Shortest freeze.
    pub freeze_least_s: f64,
    /// Mean of the exponential part on top.
    pub freeze_mean_s: f64,
    /// No freeze by chance before this instant.
    pub freezes_from_s: f64,
    /// Freezes at fixed instants (from, to).
    pub freezes: Vec<[f64; 2]>,
    /// Stopped at the sender in these spans (from, to).
    pub stops: Vec<[f64; 2]>,
    /// The camera has power of its own; absent: the vehicle's.
    pub on_s: Spells,
    /// How it numbers its packets after a start within the session.
    pub numbering: Numbering,
}

impl Default for Video {
    fn default() -> Self {
        Self {
            port: 5004,
            ssrc: 0x1f2e_3d4c,
            fps: 30.0,
            gop: 30,
            key_packets: 4,
            packets: 1,
            payload_bytes: 10,
            delay_ms: 35.0,
            jitter_ms: 3.0,
            loss: Loss::default(),
            freeze_p50_dbm: None,
            freeze_scale_db: 1.5,
            freeze_base: 0.0,
            freeze_least_s: 0.35,
            freeze_mean_s: 0.6,
            freezes_from_s: 3.0,
            freezes: Vec::new(),
            stops: Vec::new(),
            on_s: None,
            numbering: Numbering::New,
        }
    }
}
