//! What the video link's streams did lately, for the state of the link.

use crate::measure::context::Context;

use super::VideoMeter;

/// Of fewer frames a share says nothing.
const FEWEST: u64 = 10;

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
    /// Of these, those that depend on lost ones; `None` where it cannot be told.
    pub(crate) broken: Option<u64>,
}

impl Latest {
    /// Share of the frames since earlier counts that came in part or depend on lost ones; `None` with hardly any.
    pub(crate) fn damaged_since(&self, earlier: &Self) -> Option<f64> {
        let frames = self.frames.checked_sub(earlier.frames)?;
        let delivered = self.delivered.checked_sub(earlier.delivered)?;
        let broken = self.broken.zip(earlier.broken).and_then(|(now, before)| now.checked_sub(before));
        let whole = delivered.saturating_sub(broken.unwrap_or(0));
        (frames >= FEWEST).then(|| 1.0 - whole.min(frames) as f64 / frames as f64)
    }
}

impl VideoMeter {
    /// The link's counts, with those of the whole second that begins so long after the first record; `None` without RTP.
    pub(crate) fn latest(&self, context: &Context, second: usize) -> Option<Latest> {
        let streams = self.link_streams(context);
        let none = Latest { broken: Some(0), ..Latest::default() };
        let mut latest = (!streams.is_empty()).then_some(none)?;
        for stream in streams {
            latest.frames += stream.frames;
            latest.delivered += stream.delivered;
            let broken = stream
                .recognition
                .codec()
                .and_then(|codec| stream.window.finished().keys[codec].broken_between_refreshes());
            latest.broken = latest.broken.zip(broken).map(|(all, one)| all + one);
            for (_, cell) in stream.series.within(second as f64, second as f64 + 1.0) {
                latest.received += u32::from(cell.received);
                latest.lost += u32::from(cell.lost);
            }
        }
        Some(latest)
    }
}
