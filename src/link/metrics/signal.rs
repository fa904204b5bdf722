//! Levels per radio and direction, their trend, and each link's level.

use crate::link::context::{Context, Sender};
use crate::link::telemetry::Telemetry;
use crate::snapshot::{LevelCell, View};
use crate::summary::SignalSummary;
use crate::units::Nanos;

/// A trend of a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Change per second.
    pub per_s: f64,
    /// 90 % interval that allows for correlation.
    pub ci90: [f64; 2],
    /// Samples behind it.
    pub samples: usize,
}

/// All radios' levels.
#[derive(Clone, Debug, Default)]
pub struct SignalMeter {}

impl SignalMeter {
    /// Takes a radio report or an RC input with a level.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        let _ = (at, sender, telemetry, context);
    }

    /// A whole second since the first record has passed: keeps each link's level at that second.
    pub fn second(&mut self, at: Nanos, context: &Context) {
        let _ = (at, context);
    }

    /// The level of the profile's link number `link` at a recent instant: the median of the samples
    /// of the last second, else the latest of the last 2 s, else absent.
    #[must_use]
    pub fn level(&self, link: usize, at: Nanos) -> Option<f64> {
        let _ = (link, at);
        None
    }

    /// Trend of a link's level over the last 10 s.
    #[must_use]
    pub fn trend(&self, link: usize, at: Nanos) -> Option<Trend> {
        let _ = (link, at);
        None
    }

    /// A link's level at each whole second since the first record (index 0: at 1 s).
    #[must_use]
    pub fn seconds(&self, link: usize) -> &[Option<f32>] {
        let _ = link;
        &[]
    }

    /// One row per radio and direction.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<SignalSummary> {
        let _ = context;
        Vec::new()
    }

    /// A link's levels, one a column.
    #[must_use]
    pub fn cells(&self, link: usize, context: &Context, view: View) -> Vec<Option<LevelCell>> {
        let _ = (link, context);
        vec![None; usize::from(view.columns)]
    }
}
