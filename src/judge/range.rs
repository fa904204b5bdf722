//! How far a link is proven, by its own failures and the levels at each distance.
//!
//! Bounds: see the files of its folder. Path loss: per-second levels from 10 m on (see [`crate::stats::curve_fit::path_loss`]).

mod analysis;
mod antenna_pattern;
mod bins;
mod predicted_freeze;
mod range_view;
mod saturation;
mod span_share;
mod theory;

use crate::measure::context::Context;
use crate::measure::failsafe::FailsafeMeter;
use crate::measure::latency::LatencyMeter;
use crate::measure::loss::LossMeter;
use crate::measure::position::PositionMeter;
use crate::measure::signal::SignalMeter;
use crate::measure::video::VideoMeter;
use crate::snapshot::RangeView;
use crate::summary::RangeSummary;
use crate::units::Nanos;

use analysis::Analysis;

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

impl Evidence<'_> {
    /// Holds of the input, without those of a loss of input or a drill, which is told as such.
    pub(crate) fn holds_apart_from_failsafes(&self, context: &Context) -> Vec<(Nanos, Nanos)> {
        let lost = self.failsafe.all_spans(context);
        let apart = |(from, to): &(Nanos, Nanos)| !lost.iter().any(|span| span.0 < *to && *from < span.1);
        self.latency.hold_spans().iter().filter(apart).collect()
    }
}

/// One row a link of the profile with a level or a distance.
#[must_use]
pub fn summary(position: &PositionMeter, context: &Context, evidence: Evidence<'_>) -> Vec<RangeSummary> {
    let flown = Analysis::of(position, context, evidence);
    (0..context.profile.link.len()).filter_map(|link| flown.row(link)).collect()
}

/// For drawing, in the order of the profile's links.
#[must_use]
pub fn view(position: &PositionMeter, context: &Context, evidence: Evidence<'_>) -> Vec<RangeView> {
    let flown = Analysis::of(position, context, evidence);
    (0..context.profile.link.len()).filter_map(|link| flown.view(link)).collect()
}
