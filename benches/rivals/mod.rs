//! What several benches share: the `mavlink` crate's own reader loop, and the size of the input.

#![allow(dead_code, reason = "each bench uses its own part")]

use std::hint::black_box;

use mavlink::dialects::all::MavMessage;

/// Messages that the crate's reader loop finds.
pub(crate) fn crate_loop(bytes: &[u8]) -> u64 {
    let mut reader = mavlink::MavlinkReader::new(bytes);
    let mut frames = 0;
    loop {
        match reader.read_any_message::<MavMessage>() {
            Ok(message) => {
                black_box(&message);
                frames += 1;
            }
            Err(mavlink::error::MessageReadError::Io(_)) => return frames,
            Err(_) => {}
        }
    }
}

/// `FADEWATCH_BENCH_MB`, else 64.
pub(crate) fn megabytes() -> u64 {
    std::env::var("FADEWATCH_BENCH_MB").ok().and_then(|size| size.parse().ok()).unwrap_or(64)
}
