//! The life of a session: waiting, on the ground, walk, out, back, off.

use crate::units::Nanos;

/// Where the vehicle is in its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Not heard yet.
    Waiting,
    /// Stands disarmed beside the handset, or where it landed.
    Ground,
    /// The handset is carried away from a vehicle that stands.
    Walk,
    /// Under way, going out.
    Out,
    /// Under way, coming back.
    Back,
    /// Switched off on the ground.
    Off,
}

impl Phase {
    /// A walk, out or back: what is judged.
    #[must_use]
    pub const fn is_trip(self) -> bool {
        matches!(self, Self::Walk | Self::Out | Self::Back)
    }
}

/// The phases of a session.
#[derive(Clone, Debug, Default)]
pub struct Life {}

impl Life {
    /// The phase at an instant; `None` where no autopilot is heard in the session: it is judged whole.
    #[must_use]
    pub const fn phase_at(&self, _at: Nanos) -> Option<Phase> {
        None
    }

    /// Whether an instant is judged: it lies in a trip, or there are no phases.
    #[must_use]
    pub fn is_judged(&self, at: Nanos) -> bool {
        self.phase_at(at).is_none_or(Phase::is_trip)
    }
}
