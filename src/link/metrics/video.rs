//! Video without decoding: RTP loss, jitter, frames and freezes; marks; the sender's own word.

use crate::link::context::Context;
use crate::link::telemetry::Telemetry;
use crate::record::{Flow, InterfaceId};
use crate::snapshot::{LossCell, VideoView, View};
use crate::summary::VideoSummary;
use crate::units::Nanos;

use super::loss::Traffic;
use super::signal::SignalMeter;

/// A freeze, or a mark that stands for one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FreezeSpan {
    /// Last delivered frame before it (a mark: 3 s before the mark).
    pub start: Nanos,
    /// Next delivered frame, or the last record while it is open (a mark: the mark itself).
    pub end: Nanos,
    /// Another frame was delivered.
    pub ended: bool,
    /// Set by hand: began within the span, duration unknown.
    pub by_mark: bool,
}

/// All video streams.
#[derive(Clone, Debug, Default)]
pub struct VideoMeter {}

impl VideoMeter {
    /// Offers a datagram; true if it is taken as RTP (then it is not MAVLink).
    pub fn observe_datagram(
        &mut self,
        at: Nanos,
        interface: InterfaceId,
        flow: Flow,
        bytes: &[u8],
        context: &Context,
    ) -> bool {
        let _ = (at, interface, flow, bytes, context);
        false
    }

    /// Takes the sender's own word on its stream.
    pub fn observe(&mut self, at: Nanos, telemetry: &Telemetry) {
        let _ = (at, telemetry);
    }

    /// A person marked that the picture froze.
    pub fn mark_froze(&mut self, at: Nanos) {
        let _ = at;
    }

    /// Time has passed without a packet: an open interval may have become a freeze.
    pub fn advance(&mut self, at: Nanos) {
        let _ = at;
    }

    /// The video link's freezes, in order of time, an open one last.
    #[must_use]
    pub fn freezes(&self, context: &Context) -> Vec<FreezeSpan> {
        let _ = context;
        Vec::new()
    }

    /// `rtp` or `marks`: which source speaks for the video link; `None`: neither.
    #[must_use]
    pub fn source(&self, context: &Context) -> Option<&'static str> {
        let _ = context;
        None
    }

    /// Every stream, the video link's first (RTP streams; one of marks where no RTP is seen).
    /// `distances` as in [`super::range::RangeMeter::seconds`].
    #[must_use]
    pub fn summary(
        &self,
        context: &Context,
        signal: &SignalMeter,
        distances: &[Option<f32>],
    ) -> Vec<VideoSummary> {
        let _ = (context, signal, distances);
        Vec::new()
    }

    /// The video link's packets.
    #[must_use]
    pub fn traffic(&self, context: &Context) -> Option<Traffic> {
        let _ = context;
        None
    }

    /// Packets of the video link, one a column.
    #[must_use]
    pub fn cells(&self, context: &Context, view: View) -> Vec<LossCell> {
        let _ = (context, view);
        Vec::new()
    }

    /// Whether the picture was frozen, one a column.
    #[must_use]
    pub fn frozen(&self, context: &Context, view: View) -> Vec<bool> {
        let _ = context;
        vec![false; usize::from(view.columns)]
    }

    /// For drawing.
    #[must_use]
    pub fn view(&self, context: &Context, view: View) -> VideoView {
        let _ = (context, view);
        VideoView::default()
    }
}
