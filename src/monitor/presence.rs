//! What shows that the vehicle is there: its autopilot, its other parts, the sources here.
//!
//! Only the autopilot beyond the radio is evidence for what it says; anything of the vehicle, pictures included, is
//! evidence that it is switched on. Radios, ground stations and this computer are on this side. A source that is
//! gone, and this computer standing still, are no silence of the vehicle.

use crate::profile::LinkRole;
use crate::record::InterfaceId;
use crate::units::Nanos;

use super::LinkMonitor;
use crate::measure::context::Sender;
use crate::measure::life::Facts;
use crate::wire::telemetry::Telemetry;

/// A source is alive if anything was recorded within so long.
const ALIVE: Nanos = Nanos::from_secs(2);

/// What was heard of the vehicle, beside its numbers.
#[derive(Clone, Debug, Default)]
pub(super) struct Presence {
    armed: Option<(Nanos, bool)>,
    /// Where the autopilot is heard.
    interface: Option<InterfaceId>,
    /// When that source was last back.
    source_up: Option<Nanos>,
    /// The newest record of any kind.
    record: Option<Nanos>,
}

impl Presence {
    pub(super) const fn note_record(&mut self, at: Nanos) {
        self.record = Some(at);
    }

    pub(super) fn note_source_up(&mut self, at: Nanos, interface: InterfaceId) {
        if self.interface == Some(interface) {
            self.source_up = Some(at);
        }
    }
}

impl LinkMonitor {
    /// A frame that says something came, and was no copy.
    pub(super) fn hear(&mut self, at: Nanos, sender: Sender, telemetry: Option<&Telemetry>) {
        if !self.context.is_of_vehicle(sender) {
            return;
        }
        self.signal.hear_far_side(at);
        if !self.context.is_autopilot(sender) {
            return;
        }
        self.presence.interface = Some(sender.interface);
        if let Some(Telemetry::Heartbeat { .. }) = telemetry {
            self.presence.armed = self.context.roles.armed().map(|armed| (at, armed));
        }
    }

    /// What is known at a whole second.
    pub(super) fn facts(&self, at: Nanos) -> Facts {
        let (context, presence) = (&self.context, &self.presence);
        let heard = self.loss.vehicle_heard(context);
        let down = presence.interface.and_then(|interface| self.sources.get(usize::from(interface.0)));
        let is_down = down.is_some_and(|source| source.down.is_some());
        let stalled = context.stalls.last().map(|stall| stall.to);
        let links = context.profile.link.iter().enumerate();
        let telemetry = links.clone().filter(|(_, link)| link.role == LinkRole::Telemetry);
        let alarms = telemetry.filter_map(|(index, link)| {
            let limits = link.effective_limits()?;
            Some(self.margin.standing(index).margin? < limits.alarm_margin)
        });
        Facts {
            autopilot: heard.autopilot_last,
            vehicle: heard.any_component_last.max(self.video.last_packet()),
            listens_since: presence.source_up.max(stalled),
            alive: !is_down && presence.record.is_some_and(|record| at - record <= ALIVE),
            armed: presence.armed,
            motion: self.range.motion(at, context),
            levels: links.map(|(index, link)| Some((self.signal.level(index, at)?, link.unit()))).collect(),
            telemetry_alarm: alarms.reduce(|one, other| one || other),
        }
    }
}
