//! MAVLink frames of any content.

use fadewatch::wire::checksum;

/// A version 2 frame with any payload.
pub(crate) fn frame(number: u64, sender: (u8, u8), message: u32, extra: u8, payload: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0xFD, payload.len() as u8, 0, 0, number as u8, sender.0, sender.1];
    bytes.extend_from_slice(&message.to_le_bytes()[..3]);
    bytes.extend_from_slice(payload);
    let computed = checksum::step(checksum::update(checksum::INITIAL, &bytes[1..]), extra);
    bytes.extend_from_slice(&computed.to_le_bytes());
    bytes
}
