//! Tells freezes that are evidence for the threshold from those that only look like it.
//!
//! Definition (`evidence`): false where the vehicle was switched off, this computer stood still or lost data, the packets
//! came in heaps, the sender paused or began anew, a boot clock fell, or it began on the ground and never ended; true
//! where it ended, or where the same vehicle's autopilot went on for 10 s in a trip; else it cannot be told: counted, not
//! fitted, and a proof ends there. It never hangs on a threshold. Source: none, definitions of this program.

use crate::units::Nanos;

use crate::measure::context::Context;
use crate::measure::video::{Course, FreezeSpan};

/// Telemetry that went on for so long in a trip shows that the vehicle was there.
const WENT_ON: Nanos = Nanos::from_secs(10);

/// Whether something teaches the history, and why not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Teaches {
    /// `None`: it cannot be told.
    pub(crate) evidence: Option<bool>,
    pub(crate) why_not: Option<&'static str>,
}

impl Teaches {
    const YES: Self = Self { evidence: Some(true), why_not: None };

    const fn no(why_not: &'static str) -> Self {
        Self { evidence: Some(false), why_not: Some(why_not) }
    }

    const fn unknown(why_not: &'static str) -> Self {
        Self { evidence: None, why_not: Some(why_not) }
    }

    /// Whether the link failed there, as far as can be told.
    pub(crate) fn fails(self) -> bool {
        self.evidence != Some(false)
    }
}

/// What a freeze of the picture teaches.
pub(crate) fn of_freeze(context: &Context, span: &FreezeSpan) -> Teaches {
    let life = &context.life;
    match span.course {
        Course::Off => return Teaches::no("the vehicle was switched off on the ground"),
        Course::SenderPaused => return Teaches::no("the sender sent nothing"),
        Course::SenderRestarted => return Teaches::no("the sender began anew"),
        Course::Stalled => return Teaches::no("this computer stood still"),
        Course::Heap => return Teaches::no("the packets were delivered in batches"),
        Course::HostDrops => return Teaches::no("this computer lost data"),
        Course::Open | Course::Lost | Course::Late => {}
    }
    if life.restarted_within(span.start, span.end) {
        return Teaches::no("the vehicle restarted");
    }
    if span.ended {
        return Teaches::YES;
    }
    if life.heard_in_trips(span.start, context.now) >= WENT_ON {
        return Teaches::YES;
    }
    match life.phase_at(span.start) {
        Some(phase) if !phase.is_trip() => Teaches::no("it began on the ground and never ended"),
        Some(_) => Teaches::unknown("it never ended, and the vehicle was not heard for 10 s after it began"),
        None => Teaches::unknown("it was not over at the last record"),
    }
}
