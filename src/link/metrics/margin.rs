//! Margin to the freeze level, forecast, warnings and alarms with hysteresis.

use crate::link::context::Context;
use crate::snapshot::LinkState;
use crate::summary::{EventSummary, MarginSummary};
use crate::units::Nanos;

use super::range::RangeMeter;
use super::signal::SignalMeter;

/// Where a link stands now.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Standing {
    /// Level less threshold.
    pub margin: Option<f64>,
    /// Time until the threshold at this rate.
    pub seconds_left: Option<f64>,
    /// Distance until the threshold at this radial speed.
    pub metres_left: Option<f64>,
    /// Good, near or alarm; unknown without a margin.
    pub state: LinkState,
    /// Acknowledged by the pilot.
    pub acknowledged: bool,
}

/// One second of a link that was not already frozen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EvidenceSecond {
    /// Whole seconds from the first record.
    pub second: u32,
    /// The level at that second, in the link's unit.
    pub level: f32,
    /// Slant distance, where known.
    pub distance_m: Option<f32>,
    /// A freeze began within the next second.
    pub freeze_began: bool,
}

/// What one session says of a link's freeze level: feeds the history.
#[derive(Clone, Debug, PartialEq)]
pub struct FreezeEvidence {
    /// The link.
    pub link: String,
    /// Unit of the levels.
    pub unit: crate::units::LevelUnit,
    /// `rtp` or `marks`: sessions of different sources are never pooled.
    pub source: String,
    /// Seconds that were not already frozen and have a level.
    pub seconds: Vec<EvidenceSecond>,
}

/// What this session says of the freeze level of each link that can freeze.
#[must_use]
pub fn evidence(
    signal: &SignalMeter,
    range: &RangeMeter,
    video: &super::video::VideoMeter,
    context: &Context,
) -> Vec<FreezeEvidence> {
    let _ = (signal, range, video, context);
    Vec::new()
}

/// The margins of all links.
#[derive(Clone, Debug, Default)]
pub struct MarginMeter {}

impl MarginMeter {
    /// A whole second since the first record has passed; gives what began or ended with it.
    pub fn second(
        &mut self,
        at: Nanos,
        signal: &SignalMeter,
        range: &RangeMeter,
        context: &Context,
    ) -> Vec<EventSummary> {
        let _ = (at, signal, range, context);
        Vec::new()
    }

    /// The pilot acknowledged a link's warning.
    pub fn acknowledge(&mut self, link: &str) {
        let _ = link;
    }

    /// Where the profile's link number `link` stands.
    #[must_use]
    pub fn standing(&self, link: usize) -> Standing {
        let _ = link;
        Standing::default()
    }

    /// Margin, warnings and alarms of the profile's link number `link`; `None` without a threshold.
    #[must_use]
    pub fn summary(&self, link: usize) -> (Option<MarginSummary>, u64, u64) {
        let _ = link;
        (None, 0, 0)
    }
}
