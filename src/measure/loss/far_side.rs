//! The senders whose frames show that the far side of a link is heard.
//!
//! Definition: those of the vehicle's autopilot alone, wherever it comes over the link. What is sent on this side of
//! the radio (the radio that reports here, ground stations, relays, this computer) goes on when the vehicle is lost.
//! A link over which no autopilot comes (a handset's own, another system's, a session without one) rests on all of its
//! senders that count, but on a radio of this side only where the profile names it among the link's senders. Loss is
//! another question: it is that of all senders that count. Source: design, 'Loss'.

use super::LossMeter;
use super::sender_flow::SenderFlow;
use crate::measure::context::{Context, Sender};
use crate::measure::life::Phase;
use crate::profile::LinkProfile;
use crate::record::Direction;
use crate::units::Nanos;

/// When the vehicle was last heard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct VehicleContact {
    /// Its autopilot; `None`: never.
    pub autopilot_last: Option<Nanos>,
    /// Any of its components beyond the radio, the autopilot among them; `None`: never.
    pub any_component_last: Option<Nanos>,
}

impl LossMeter {
    /// When the vehicle was last heard, over any link: where its autopilot alone is silent, something else is wrong
    /// than the radio.
    #[must_use]
    pub fn vehicle_heard(&self, context: &Context) -> VehicleContact {
        let last = |is_meant: &dyn Fn(Sender) -> bool| {
            let flows = self.rows().filter(|flow| !flow.is_apart && is_meant(flow.sender));
            flows.map(|flow| flow.sequence.last_at).max()
        };
        VehicleContact {
            autopilot_last: last(&|sender| context.is_autopilot(sender)),
            any_component_last: last(&|sender| context.is_of_vehicle(sender)),
        }
    }

    /// How long a system, or one component of it, has been heard: from the first to the last frame of one of its flows.
    #[must_use]
    pub(crate) fn heard_for(&self, system: u8, component: Option<u8>) -> Option<Nanos> {
        let is_meant = |sender: Sender| {
            let is_system = sender.direction == Direction::Inbound && sender.system == system;
            is_system && component.is_none_or(|component| sender.component == component)
        };
        let flows = self.rows().filter(|flow| !flow.is_apart && is_meant(flow.sender));
        flows.map(|flow| flow.sequence.last_at - flow.sequence.first_at).max()
    }

    /// When a link's far side was last heard, and how far apart its frames usually come: the whole session's mean, silences
    /// apart. `None`: never; not known.
    pub(crate) fn last_and_spacing(
        &self,
        context: &Context,
        link: &LinkProfile,
    ) -> (Option<Nanos>, Option<Nanos>) {
        let flows = self.heard_over(context, link);
        let (last, rate) = flows.fold((None, 0.0), |(last, rate), flow| {
            let own = flow.sequence.rate_hz().unwrap_or_default();
            (last.max(Some(flow.sequence.last_at)), rate + own)
        });
        (last, (rate > 0.0).then(|| Nanos::from_secs_f64(1.0 / rate)))
    }

    /// The flows that show whether a link's far side is heard.
    pub(super) fn heard_over<'a>(
        &'a self,
        context: &'a Context,
        link: &'a LinkProfile,
    ) -> impl Iterator<Item = &'a SenderFlow> {
        let of_autopilot = move || {
            self.rows().filter(|flow| {
                context.is_autopilot(flow.sender)
                    && !flow.is_apart
                    && context.link_of(flow.sender).is_some_and(|of| of.name == link.name)
            })
        };
        let others = of_autopilot().next().is_none().then(|| {
            let counting = self.counting(context, link);
            counting.filter(|flow| link.senders.is_some() || !context.is_radio_here(flow.sender))
        });
        // Where others are asked there are none of the autopilot.
        of_autopilot().chain(others.into_iter().flatten())
    }
}

impl SenderFlow {
    /// The longest silence that is over; the vehicle's own ones in which it was switched off apart.
    pub(super) fn longest_silence(&self, context: &Context) -> Nanos {
        let silences = &self.sequence.silences;
        if context.roles.vehicle() != Some(self.sender.system) {
            return silences.longest();
        }
        silences.longest_but(|from, to| context.life.was_off(from, to))
    }

    /// The silence that is still open; none where the vehicle was switched off.
    pub(super) fn open_silence(&self, context: &Context) -> (Nanos, Nanos) {
        let is_off = context.roles.vehicle() == Some(self.sender.system)
            && context.life.phase_at(context.now) == Some(Phase::Off);
        let last = self.sequence.last_at;
        (last, if is_off { last } else { context.now })
    }
}
