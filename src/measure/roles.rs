//! Who is who: the vehicle, and senders on the ground, from their heartbeats.
//!
//! A heartbeat of MAV_TYPE_GCS (6) marks a ground sender; the vehicle is the
//! profile's, else the first system with an autopilot that is not "invalid" (8)
//! in a heartbeat of its own. Its autopilot is the component of that heartbeat: 1 where
//! that one says so, else the first. Who sends radio reports is a radio. Nobody is forgotten: there are
//! 65,536 ids. Source: the public MAVLink message set, HEARTBEAT and RADIO_STATUS.

use std::collections::BTreeSet;

use crate::wire::telemetry::Telemetry;

const MAV_TYPE_GCS: u8 = 6;
const MAV_AUTOPILOT_INVALID: u8 = 8;

/// Who is who.
#[derive(Clone, Debug, Default)]
pub struct Roles {
    vehicle: Option<u8>,
    pinned: bool,
    autopilot: Option<u8>,
    ground: BTreeSet<(u8, u8)>,
    radios: BTreeSet<(u8, u8)>,
    armed: Option<bool>,
    /// Another system with an autopilot, the first that was heard.
    other: Option<u8>,
}

/// The component id that an autopilot has (MAV_COMP_ID_AUTOPILOT1).
pub(crate) const FIRST_AUTOPILOT: u8 = 1;

impl Roles {
    /// With the vehicle that the profile names.
    #[must_use]
    pub fn with_vehicle(vehicle: Option<u8>) -> Self {
        Self { vehicle, pinned: vehicle.is_some(), ..Self::default() }
    }

    /// Learns from a message.
    pub fn observe(&mut self, system: u8, component: u8, telemetry: &Telemetry) {
        match *telemetry {
            Telemetry::Radio { .. } => {
                self.radios.insert((system, component));
            }
            Telemetry::Heartbeat { kind: MAV_TYPE_GCS, .. } => {
                self.ground.insert((system, component));
            }
            Telemetry::Heartbeat { autopilot, base_mode, .. } if autopilot != MAV_AUTOPILOT_INVALID => {
                if self.vehicle.is_none() && !self.pinned {
                    self.vehicle = Some(system);
                }
                if self.vehicle != Some(system) {
                    self.other.get_or_insert(system);
                    return;
                }
                if self.autopilot.is_none() || component == FIRST_AUTOPILOT {
                    self.autopilot = Some(component);
                }
                if self.autopilot == Some(component) {
                    self.armed = Some(base_mode & 128 != 0);
                }
            }
            _ => {}
        }
    }

    /// The vehicle's autopilot, system and component, once it said that it is one.
    #[must_use]
    pub fn autopilot(&self) -> Option<(u8, u8)> {
        self.vehicle.zip(self.autopilot)
    }

    /// The first other system that said that it has an autopilot.
    #[must_use]
    pub const fn other_vehicle(&self) -> Option<u8> {
        self.other
    }

    /// Another component of a system that sends radio reports, where this one does not.
    #[must_use]
    pub fn sibling_radio(&self, system: u8, component: u8) -> Option<u8> {
        let mut of_system = self.radios.range((system, 0)..=(system, u8::MAX));
        if self.is_radio(system, component) {
            None
        } else {
            of_system.next().map(|(_, component)| *component)
        }
    }

    /// Whether a sender sends radio reports.
    #[must_use]
    pub fn is_radio(&self, system: u8, component: u8) -> bool {
        self.radios.contains(&(system, component))
    }

    /// The vehicle's system id, once known.
    #[must_use]
    pub const fn vehicle(&self) -> Option<u8> {
        self.vehicle
    }

    /// Whether the sender said of itself that it is a ground station.
    #[must_use]
    pub fn is_ground(&self, system: u8, component: u8) -> bool {
        self.ground.contains(&(system, component))
    }

    /// Whether the vehicle's motors are armed; `None` before its first heartbeat.
    #[must_use]
    pub const fn armed(&self) -> Option<bool> {
        self.armed
    }
}
