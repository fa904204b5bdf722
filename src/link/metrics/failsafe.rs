//! Failsafe: input lost, detected, outputs safe, recovered; each with its interval.

use crate::link::context::{Context, Sender};
use crate::link::telemetry::Telemetry;
use crate::summary::FailsafeSummary;
use crate::units::Nanos;

/// Watches for lost control input.
#[derive(Clone, Debug, Default)]
pub struct FailsafeMeter {}

impl FailsafeMeter {
    /// Takes sticks, inputs, outputs, health and modes.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        let _ = (at, sender, telemetry, context);
    }

    /// Time has passed.
    pub fn advance(&mut self, at: Nanos, context: &Context) {
        let _ = (at, context);
    }

    /// Spans from input lost to recovered (or to the last record), for range verdicts.
    #[must_use]
    pub fn spans(&self, context: &Context) -> Vec<(Nanos, Nanos)> {
        let _ = context;
        Vec::new()
    }

    /// Each loss of input.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<FailsafeSummary> {
        let _ = context;
        Vec::new()
    }
}
