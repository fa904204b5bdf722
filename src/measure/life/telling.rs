//! What shows a phase, and what was told of it, in words.

use std::fmt::Write as _;

use super::{Began, Life, Motion, Spot, Told, Why};
use crate::summary::{EventSummary, PhaseSummary};
use crate::units::Nanos;

/// The sentence beside a phase.
fn why(why: Why) -> String {
    let away = |horizontal_m: Option<f64>| match horizontal_m {
        Some(metres) => format!("{metres:.0} m from the handset"),
        None => "as strong as near by".to_owned(),
    };
    match why {
        Why::NotHeard => "no autopilot heard yet".to_owned(),
        Why::Beside { horizontal_m } => format!("stands disarmed, {}", away(horizontal_m)),
        Why::Bench => "armed, within 10 m of where it armed".to_owned(),
        Why::Landed { horizontal_m } => format!("landed and disarmed, {}", away(horizontal_m)),
        Why::LevelDown => "stands disarmed, and the level is far below its strongest".to_owned(),
        Why::CarriedAway => "stands disarmed, and the handset moves away".to_owned(),
        Why::Moving { armed: true } => "armed and away from where it armed".to_owned(),
        Why::Moving { armed: false } => "not armed, and not standing beside the handset".to_owned(),
        Why::Turned { distance_m } => format!("turned, {distance_m:.0} m away"),
        Why::SwitchedOff { .. } => "on the ground, and all of the vehicle silent for 5 s".to_owned(),
    }
}

/// Where it was last, for whoever goes to look for it.
fn last_place(distance_m: Option<f64>, spot: Option<Spot>) -> String {
    let mut text = String::new();
    if let Some(metres) = distance_m {
        let _ = write!(text, ", {metres:.0} m away");
    }
    if let Some((lat, lon, alt_m)) = spot {
        let _ = write!(text, ", at {lat:.6} {lon:.6}, {alt_m:.0} m above sea level");
    }
    if text.is_empty() { ", its position is not known".to_owned() } else { text }
}

impl Told {
    /// It was switched off: since when all of it is silent, and since when it stood on the ground.
    pub(crate) const fn switched_off(&self) -> Option<(Nanos, Nanos)> {
        match *self {
            Self::Phase(Began { from, why: Why::SwitchedOff { ground }, .. }) => Some((from, ground)),
            _ => None,
        }
    }

    /// As an event of the session that began at `start`.
    pub(crate) fn event(&self, start: Nanos) -> EventSummary {
        let (at, kind, text) = match *self {
            Self::Phase(began) => {
                (began.from, "phase", format!("{}: {}", began.phase.title(), why(began.why)))
            }
            Self::Lost { at, distance_m, spot } => (
                at,
                "lost-vehicle",
                format!("the vehicle is lost from here on{}", last_place(distance_m, spot)),
            ),
            Self::Silent { at } => {
                (at, "silent", "the vehicle is silent from here on, cause not known".to_owned())
            }
            Self::AutopilotSilent { at } => {
                (at, "silent", "the autopilot is silent, other parts of the vehicle are heard".to_owned())
            }
        };
        EventSummary { at_s: (at - start).secs(), kind: kind.to_owned(), link: None, text }
    }
}

/// One row a phase of the session that began at `start`.
pub(crate) fn phases(life: &Life, start: Nanos) -> Vec<PhaseSummary> {
    let row = |began: &Began| PhaseSummary {
        phase: began.phase,
        from_s: (began.from - start).secs(),
        why: why(began.why),
    };
    life.phases().iter().map(row).collect()
}

/// The same place in words, of a vehicle that is lost now.
pub(crate) fn place_of(motion: &Motion) -> String {
    last_place(motion.distance_m, motion.spot)
}
