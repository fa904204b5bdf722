//! The only file that names the crate `mavlink`: checksum extras and payloads.

use super::framer::Frame;
use super::telemetry::Telemetry;

/// The CRC extra byte of a message id; `None` where the dialect lacks it.
#[must_use]
pub fn crc_extra(message: u32) -> Option<u8> {
    let _ = message;
    None
}

/// What a frame says, if a figure needs it; `None` for every other message and
/// for payloads that do not decode (the frame was still received).
#[must_use]
pub fn decode(frame: &Frame<'_>) -> Option<Telemetry> {
    let _ = frame;
    None
}
