//! Slant distance, level against distance, and how far is proven.

use crate::link::context::{Context, Sender};
use crate::link::telemetry::Telemetry;
use crate::snapshot::RangeView;
use crate::summary::RangeSummary;
use crate::units::{Metres, Nanos};

use super::failsafe::FailsafeMeter;
use super::latency::LatencyMeter;
use super::loss::LossMeter;
use super::signal::SignalMeter;
use super::video::VideoMeter;

/// The other metrics that a range verdict rests on.
#[derive(Clone, Copy, Debug)]
pub struct Evidence<'a> {
    /// Levels.
    pub signal: &'a SignalMeter,
    /// Loss.
    pub loss: &'a LossMeter,
    /// Freezes.
    pub video: &'a VideoMeter,
    /// Holds.
    pub latency: &'a LatencyMeter,
    /// Failsafes.
    pub failsafe: &'a FailsafeMeter,
}

/// Positions of vehicle and handset.
#[derive(Clone, Debug, Default)]
pub struct RangeMeter {}

impl RangeMeter {
    /// Takes positions and homes.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        let _ = (at, sender, telemetry, context);
    }

    /// A person marked that the handset stands where the vehicle is.
    pub fn mark_handset_here(&mut self, at: Nanos) {
        let _ = at;
    }

    /// A whole second since the first record has passed.
    pub fn second(&mut self, at: Nanos, context: &Context) {
        let _ = (at, context);
    }

    /// Slant distance now, from the latest fix of the last 2 s.
    #[must_use]
    pub fn distance(&self, at: Nanos, context: &Context) -> Option<Metres> {
        let _ = (at, context);
        None
    }

    /// Rate of change of the distance over the last 5 s, metres per second.
    #[must_use]
    pub fn radial_speed(&self, at: Nanos, context: &Context) -> Option<f64> {
        let _ = (at, context);
        None
    }

    /// Slant distance at each whole second since the first record (index 0: at 1 s), silences of up
    /// to 10 s interpolated.
    #[must_use]
    pub fn seconds(&self, context: &Context) -> Vec<Option<f32>> {
        let _ = context;
        Vec::new()
    }

    /// One row a link of the profile with a level or a distance.
    #[must_use]
    pub fn summary(&self, context: &Context, evidence: Evidence<'_>) -> Vec<RangeSummary> {
        let _ = (context, evidence);
        Vec::new()
    }

    /// For drawing, in the order of the profile's links.
    #[must_use]
    pub fn view(&self, context: &Context, evidence: Evidence<'_>) -> Vec<RangeView> {
        let _ = (context, evidence);
        Vec::new()
    }
}
