//! Batteries: voltage, charge used, minutes left at the recent current.

use crate::link::context::{Context, Sender};
use crate::link::telemetry::Telemetry;
use crate::summary::PowerSummary;
use crate::units::Nanos;

/// All batteries.
#[derive(Clone, Debug, Default)]
pub struct PowerMeter {}

impl PowerMeter {
    /// Takes battery and system status.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry) {
        let _ = (at, sender, telemetry);
    }

    /// One row a battery.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<PowerSummary> {
        let _ = context;
        Vec::new()
    }
}
