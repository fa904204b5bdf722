//! What shows that the vehicle is there: its autopilot, its other parts, the sources here.
//!
//! Only the autopilot beyond the radio is evidence for what it says; anything of the vehicle, pictures included, is
//! evidence that it is switched on. Radios, ground stations and this computer are on this side. A source that is
//! gone, and this computer standing still, are no silence of the vehicle.

use crate::profile::LinkRole;
use crate::record::{Direction, InterfaceId};
use crate::units::Nanos;

use super::LinkMonitor;
use super::context::Sender;
use super::life::Facts;
use super::telemetry::Telemetry;

/// A source is alive if anything was recorded within so long.
const ALIVE: Nanos = Nanos::from_secs(2);

/// When what was last heard.
#[derive(Clone, Debug, Default)]
pub(super) struct Presence {
    autopilot: Option<Nanos>,
    /// Any component of the vehicle.
    parts: Option<Nanos>,
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
        let roles = &self.context.roles;
        let (system, component) = (sender.system, sender.component);
        if sender.direction == Direction::Outbound || roles.vehicle() != Some(system) {
            return;
        }
        let is_autopilot = self.context.is_autopilot(sender);
        if !is_autopilot && (roles.is_ground(system, component) || roles.is_radio(system, component)) {
            return;
        }
        self.presence.parts = Some(at);
        self.signal.hear_far_side(at);
        if !is_autopilot {
            return;
        }
        self.presence.autopilot = Some(at);
        self.presence.interface = Some(sender.interface);
        if let Some(Telemetry::Heartbeat { .. }) = telemetry {
            self.presence.armed = roles.armed().map(|armed| (at, armed));
        }
    }

    /// When anything of the vehicle was last heard, pictures included.
    pub(super) fn vehicle_heard(&self) -> Option<Nanos> {
        self.presence.parts.max(self.video.last_packet())
    }

    /// What is known at a whole second.
    pub(super) fn facts(&self, at: Nanos) -> Facts {
        let (context, presence) = (&self.context, &self.presence);
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
            autopilot: presence.autopilot,
            vehicle: self.vehicle_heard(),
            listens_since: presence.source_up.max(stalled),
            alive: !is_down && presence.record.is_some_and(|record| at - record <= ALIVE),
            armed: presence.armed,
            motion: self.range.motion(at, context),
            levels: links.map(|(index, link)| Some((self.signal.level(index, at)?, link.unit()))).collect(),
            telemetry_alarm: alarms.reduce(|one, other| one || other),
        }
    }
}
