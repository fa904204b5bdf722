//! Tells freezes that are evidence for the threshold from those that only look like it.
//!
//! Definition (`evidence`): false where the vehicle was switched off, this computer stood still or lost data, the packets
//! came in heaps, the sender paused or began anew, a boot clock fell, or it began on the ground and never ended; true
//! where it ended, or where the same vehicle's autopilot went on for 10 s in a trip; else it cannot be told: counted, not
//! fitted, and a proof ends there. It never hangs on a threshold. Source: none, definitions of this program.

use crate::units::Nanos;

use crate::measure::context::Context;
use crate::measure::video::{Course, FreezeSpan};
use crate::summary::Reason;

/// Telemetry that went on for so long in a trip shows that the vehicle was there.
const WENT_ON: Nanos = Nanos::from_secs(10);

/// Whether something teaches the history, and why not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Teaches {
    /// `None`: it cannot be told.
    pub(crate) evidence: Option<bool>,
    pub(crate) why_not: Option<Reason>,
}

impl Teaches {
    const YES: Self = Self { evidence: Some(true), why_not: None };

    const fn no(why_not: Reason) -> Self {
        Self { evidence: Some(false), why_not: Some(why_not) }
    }

    const fn unknown(why_not: Reason) -> Self {
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
        Course::Off => return Teaches::no(Reason::SwitchedOff),
        Course::SenderPaused => return Teaches::no(Reason::SenderPaused),
        Course::SenderRestarted => return Teaches::no(Reason::SenderRestarted),
        Course::Stalled => return Teaches::no(Reason::ComputerStalled),
        Course::Heap => return Teaches::no(Reason::Batches),
        Course::HostDrops => return Teaches::no(Reason::HostDrops),
        Course::Open | Course::Lost | Course::Late => {}
    }
    if life.restarted_within(span.start, span.end) {
        return Teaches::no(Reason::VehicleRestarted);
    }
    if span.ended {
        return Teaches::YES;
    }
    if life.heard_in_trips(span.start, context.now) >= WENT_ON {
        return Teaches::YES;
    }
    match life.phase_at(span.start) {
        Some(phase) if !phase.is_trip() => Teaches::no(Reason::OpenOnGround),
        Some(_) => Teaches::unknown(Reason::OpenUnheard),
        None => Teaches::unknown(Reason::Open),
    }
}
