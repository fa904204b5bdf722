//! What went missing, per sender and interface, from sequence numbers.

use std::net::SocketAddr;

use crate::link::context::{Context, Sender};
use crate::link::framer::Frame;
use crate::link::telemetry::BootStamp;
use crate::profile::LinkProfile;
use crate::snapshot::{LossCell, View};
use crate::summary::{RatioEstimate, Stream};
use crate::units::Nanos;

/// What an arrival was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrival {
    /// A frame not seen before.
    New,
    /// A copy of one seen before: its message was already taken.
    Duplicate,
}

/// The traffic of one link: its senders together, or its packets.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Traffic {
    /// Lost share; `None` where nothing came.
    pub loss: Option<RatioEstimate>,
    /// Share of whole seconds with data.
    pub availability_ratio: Option<f64>,
    /// Longest time without data, the end included.
    pub longest_silence_s: Option<f64>,
    /// Silence at the end.
    pub silent_at_end_s: Option<f64>,
}

/// All senders' sequence accounting.
#[derive(Clone, Debug, Default)]
pub struct LossMeter {}

impl LossMeter {
    /// Takes an accepted frame. `endpoint` is the sending address of a datagram.
    pub fn observe(
        &mut self,
        at: Nanos,
        sender: Sender,
        endpoint: Option<SocketAddr>,
        frame: &Frame<'_>,
        boot: Option<BootStamp>,
    ) -> Arrival {
        let _ = (at, sender, endpoint, frame, boot);
        Arrival::New
    }

    /// One row per sender and interface, in a stable order.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<Stream> {
        let _ = context;
        Vec::new()
    }

    /// A link's traffic; `None` where no sender of it was heard.
    #[must_use]
    pub fn traffic(&self, context: &Context, link: &LinkProfile) -> Option<Traffic> {
        let _ = (context, link);
        None
    }

    /// The cells of one row of `summary`.
    #[must_use]
    pub fn cells(&self, context: &Context, stream: usize, view: View) -> Vec<LossCell> {
        let _ = (context, stream);
        vec![LossCell::default(); usize::from(view.columns)]
    }

    /// The cells of a link: its counting senders together.
    #[must_use]
    pub fn link_cells(&self, context: &Context, link: &LinkProfile, view: View) -> Vec<LossCell> {
        let _ = (context, link, view);
        Vec::new()
    }

    /// Received and lost of a link's counting senders within one second `[at - 1 s, at)`, if it is kept.
    #[must_use]
    pub fn link_second(&self, context: &Context, link: &LinkProfile, second: usize) -> Option<(u32, u32)> {
        let _ = (context, link, second);
        None
    }

    /// Senders' restarts: when, and the sender, for the event log.
    #[must_use]
    pub fn restarts(&self) -> Vec<(Nanos, Sender)> {
        Vec::new()
    }
}
