//! The state that every metric may read: profile, interfaces, roles, the session's times.

use std::sync::Arc;

use crate::profile::{LinkProfile, Mounted, Profile};
use crate::record::{Direction, InterfaceId, InterfaceInfo, InterfaceKind, SessionInfo};
use crate::stats::heard_table::Rank;
use crate::summary::{Threshold, VibrationLimit};
use crate::units::Nanos;

pub use crate::wire::sender::Sender;

use super::life::Life;
use super::roles::{FIRST_AUTOPILOT, Roles};

/// A span in which this computer lost data of an interface itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HostDrop {
    /// When it was noticed; the loss lies within the second before.
    pub at: Nanos,
    /// Of which interface.
    pub interface: InterfaceId,
    /// How many more than before.
    pub count: u64,
}

/// A span in which this computer itself stood still: what it was late to look at says nothing of a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stall {
    /// When it was last at work before.
    pub from: Nanos,
    /// When it went on.
    pub to: Nanos,
}

/// Shared by all metrics, changed by the core's face alone.
#[derive(Clone, Debug, Default)]
pub struct Context {
    /// The profile; an empty one where none was given.
    pub profile: Arc<Profile>,
    /// Thresholds from earlier sessions, at most one a link.
    pub thresholds: Arc<[Threshold]>,
    /// Vibration of earlier sessions.
    pub vibration_limit: Option<VibrationLimit>,
    /// What is known of the session.
    pub session: SessionInfo,
    /// Interfaces by their number.
    pub interfaces: Vec<InterfaceInfo>,
    /// Who is the vehicle, who is on the ground.
    pub roles: Roles,
    /// Stamp of the first record; `None` before it.
    pub start: Option<Nanos>,
    /// Running maximum of the stamps.
    pub now: Nanos,
    /// What this computer lost, newest last; bounded.
    pub host_drops: Vec<HostDrop>,
    /// When this computer stood still, newest last, never overlapping; bounded.
    pub stalls: Vec<Stall>,
    /// The newest stamp that may be late, whatever the interface: an older recording told no stall.
    pub late_until: Option<Nanos>,
    /// The life of the session: waiting, ground, trips, off.
    pub life: Life,
}

impl Context {
    /// Seconds from the first record to a stamp.
    #[must_use]
    pub fn since_start_s(&self, at: Nanos) -> f64 {
        self.start.map_or(0.0, |start| (at - start).secs())
    }

    /// How many whole seconds of a span of time, in seconds from the first record, the vehicle was switched off.
    pub(crate) fn off_seconds(&self, span_s: (f64, f64)) -> f64 {
        self.life.off_seconds(self.start.unwrap_or_default(), self.now, span_s)
    }

    /// Whether a sender is the vehicle's autopilot, which alone shows that the far side is heard: not the radio
    /// that reports here, nor a ground station, nor this computer.
    #[must_use]
    pub fn is_autopilot(&self, sender: Sender) -> bool {
        sender.direction == Direction::Inbound
            && self.roles.autopilot() == Some((sender.system, sender.component))
    }

    /// Whether a sender is a radio at the handset.
    #[must_use]
    pub fn is_radio_here(&self, sender: Sender) -> bool {
        let Sender { system, component, .. } = sender;
        self.roles.is_radio(system, component) && self.is_mounted_here(system, component)
    }

    /// Whether a radio is at the handset: the profile's word, else yes unless its system is the vehicle's.
    pub(crate) fn is_mounted_here(&self, system: u8, component: u8) -> bool {
        let radios = self.profile.link.iter().filter_map(|link| link.radio);
        let said = radios
            .filter(|radio| (radio.system, radio.component) == (system, component))
            .find_map(|radio| radio.mounted);
        said.map_or(self.roles.vehicle() != Some(system), |mounted| mounted == Mounted::Ground)
    }

    /// Whether a sender is any part of the vehicle, beyond the radio.
    #[must_use]
    pub fn is_of_vehicle(&self, sender: Sender) -> bool {
        let Sender { direction, system, component, .. } = sender;
        direction == Direction::Inbound
            && self.roles.vehicle() == Some(system)
            && (self.roles.autopilot() == Some((system, component))
                || !(self.roles.is_ground(system, component) || self.is_radio_here(sender)))
    }

    /// How much a sender counts where a table is full: the autopilot and what the profile names by its whole id, then what
    /// has the system id of the vehicle or the handset, then all others.
    pub(crate) fn rank(&self, system: u8, component: u8) -> Rank {
        let id = (system, component);
        let in_link = |link: &LinkProfile| {
            link.senders.as_ref().is_some_and(|list| list.contains(&[system, component]))
                || link.radio.is_some_and(|radio| (radio.system, radio.component) == id)
        };
        let is_vehicle = self.roles.vehicle() == Some(system);
        let is_autopilot = is_vehicle && (component == FIRST_AUTOPILOT || self.roles.autopilot() == Some(id));
        if is_autopilot || self.profile.link.iter().any(in_link) {
            Rank::Own
        } else if is_vehicle || self.profile.handset.system == Some(system) {
            Rank::Kin
        } else {
            Rank::Stranger
        }
    }

    /// Whether this computer stood still somewhere within a span of time.
    #[must_use]
    pub fn stalled(&self, from: Nanos, to: Nanos) -> bool {
        // They stand in order of time.
        let first = self.stalls.partition_point(|stall| stall.to <= from);
        self.stalls.get(first).is_some_and(|stall| stall.from < to)
    }

    /// How much of a span of time this computer was at work.
    #[must_use]
    pub fn at_work(&self, from: Nanos, to: Nanos) -> Nanos {
        let first = self.stalls.partition_point(|stall| stall.to <= from);
        let stalls = self.stalls[first..].iter().take_while(|stall| stall.from < to);
        stalls.fold(to - from, |rest, stall| rest - (stall.to.min(to) - stall.from.max(from)))
    }

    /// Whether something came at an unknown time before its stamp: it waited in a stall, and no kernel stamped it.
    #[must_use]
    pub fn is_late(&self, at: Nanos, interface: InterfaceId) -> bool {
        let is_stamped = || {
            let kind = self.interfaces.get(usize::from(interface.0)).map(|info| info.kind);
            matches!(kind, Some(InterfaceKind::Datagram | InterfaceKind::Captured(_)))
        };
        let Some(last) = self.stalls.last() else { return false };
        self.late_until.is_some_and(|until| at <= until && last.from <= at)
            || (at <= last.to && last.from < at && !is_stamped())
    }

    /// The interface's name.
    #[must_use]
    pub fn interface_name(&self, id: InterfaceId) -> &str {
        self.interfaces.get(usize::from(id.0)).map_or("?", |info| info.name.as_str())
    }

    /// The link of the profile that a sender's traffic comes over, by its
    /// `senders`, else by its `interface`, else (one telemetry link without
    /// either) by being the vehicle's.
    #[must_use]
    pub fn link_of(&self, sender: Sender) -> Option<&LinkProfile> {
        if sender.direction == Direction::Outbound {
            return None;
        }
        let name = self.interface_name(sender.interface);
        let links = &self.profile.link;
        links
            .iter()
            .find(|link| {
                link.senders.as_ref().is_some_and(|list| {
                    list.contains(&[sender.system, sender.component])
                        && link.interface.as_deref().is_none_or(|interface| interface == name)
                })
            })
            .or_else(|| {
                links.iter().find(|link| link.senders.is_none() && link.interface.as_deref() == Some(name))
            })
    }

    /// The threshold of a link.
    #[must_use]
    pub fn threshold(&self, link: &str) -> Option<&Threshold> {
        self.thresholds.iter().find(|threshold| threshold.link == link)
    }
}
