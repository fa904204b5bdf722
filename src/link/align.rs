//! Boot clocks of remote senders against host time: offset and skew.

use crate::record::Direction;
use crate::summary::ClockSummary;
use crate::units::Nanos;

use super::context::{Context, Sender};
use super::telemetry::{BootStamp, Telemetry};

/// All senders' clocks.
#[derive(Clone, Debug, Default)]
pub struct Clocks {}

impl Clocks {
    /// Takes a message's boot stamp, or a TIMESYNC exchange.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry) {
        let _ = (at, sender, telemetry, Direction::Inbound, BootStamp::Millis(0));
    }

    /// One row a sender.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<ClockSummary> {
        let _ = context;
        Vec::new()
    }
}
