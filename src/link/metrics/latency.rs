//! Stick to servo in three stages, from interval-censored ages; control holds.

use crate::link::align::Clocks;
use crate::link::context::{Context, Sender};
use crate::link::telemetry::Telemetry;
use crate::snapshot::LatencyView;
use crate::summary::{ControlHolds, LatencySummary};
use crate::units::Nanos;

/// Sticks, inputs and outputs of the session.
#[derive(Clone, Debug, Default)]
pub struct LatencyMeter {}

impl LatencyMeter {
    /// Takes a stick, input or output sample. `clocks` has seen the message already.
    pub fn observe(
        &mut self,
        at: Nanos,
        sender: Sender,
        telemetry: &Telemetry,
        clocks: &Clocks,
        context: &Context,
    ) {
        let _ = (at, sender, telemetry, clocks, context);
    }

    /// The three stages.
    #[must_use]
    pub fn summary(&self, clocks: &Clocks, context: &Context) -> LatencySummary {
        let _ = (clocks, context);
        LatencySummary::default()
    }

    /// For drawing; `summary` is the newest result of [`Self::summary`].
    #[must_use]
    pub fn view(&self, clocks: &Clocks, context: &Context, summary: &LatencySummary) -> LatencyView {
        let _ = (clocks, context, summary);
        LatencyView::default()
    }

    /// Spans in which the stick moved and the vehicle's input stood still, closed ones.
    #[must_use]
    pub fn hold_spans(&self) -> &[(Nanos, Nanos)] {
        &[]
    }

    /// Spans in which sticks moved.
    #[must_use]
    pub fn moving_spans(&self) -> &[(Nanos, Nanos)] {
        &[]
    }

    /// Their figures; `None` where sticks or inputs were never seen.
    #[must_use]
    pub fn holds(&self) -> Option<ControlHolds> {
        None
    }
}
