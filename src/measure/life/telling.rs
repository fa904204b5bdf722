//! What was told of a session's life, as rows and events of the summary.

use super::{Began, Life, Told};
use crate::summary::{Event, EventSummary, PhaseReason, PhaseSummary};
use crate::units::Nanos;

impl Told {
    /// It was switched off: since when all of it is silent, and since when it stood on the ground.
    pub(crate) const fn switched_off(&self) -> Option<(Nanos, Nanos)> {
        match *self {
            Self::Phase(Began { from, why: PhaseReason::SwitchedOff { ground }, .. }) => Some((from, ground)),
            _ => None,
        }
    }

    /// As an event of the session that began at `start`.
    pub(crate) fn event(&self, start: Nanos) -> EventSummary {
        let (at, event) = match *self {
            Self::Phase(began) => (began.from, Event::Phase(began.phase, began.why)),
            Self::Lost { at, place } => (at, Event::VehicleLost(place)),
            Self::Silent { at } => (at, Event::VehicleSilent),
            Self::AutopilotSilent { at } => (at, Event::AutopilotSilent),
        };
        EventSummary { at_s: (at - start).secs(), link: None, event }
    }
}

/// One row a phase of the session that began at `start`.
pub(crate) fn phases(life: &Life, start: Nanos) -> Vec<PhaseSummary> {
    let row = |began: &Began| PhaseSummary {
        phase: began.phase,
        from_s: (began.from - start).secs(),
        why: began.why,
    };
    life.phases().iter().map(row).collect()
}
