//! What the video link's streams did lately, for the state of the link.

use crate::measure::context::Context;

use super::VideoMeter;

/// Counts of one whole second, and of all frames so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Latest {
    /// Packets received in that second.
    pub(crate) received: u32,
    /// Lost.
    pub(crate) lost: u32,
    /// Frames of which a packet came, so far.
    pub(crate) frames: u64,
    /// Those that came whole.
    pub(crate) delivered: u64,
}

impl VideoMeter {
    /// The link's counts, with those of the whole second that begins so long after the first record; `None` without RTP.
    pub(crate) fn latest(&self, context: &Context, second: usize) -> Option<Latest> {
        let streams = self.link_streams(context);
        let mut latest = (!streams.is_empty()).then(Latest::default)?;
        for stream in streams {
            latest.frames += stream.frames;
            latest.delivered += stream.delivered;
            for (_, cell) in stream.series.within(second as f64, second as f64 + 1.0) {
                latest.received += u32::from(cell.received);
                latest.lost += u32::from(cell.lost);
            }
        }
        Some(latest)
    }
}
