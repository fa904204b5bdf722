//! Who is who: the vehicle, and senders on the ground, from their heartbeats.
//!
//! A heartbeat of MAV_TYPE_GCS (6) marks a ground sender; the vehicle is the
//! profile's, else the first system with an autopilot that is not "invalid" (8)
//! in a heartbeat of its own. Source: the public MAVLink message set, HEARTBEAT.

use std::collections::BTreeSet;

use super::telemetry::Telemetry;

const MAV_TYPE_GCS: u8 = 6;
const MAV_AUTOPILOT_INVALID: u8 = 8;

/// Who is who.
#[derive(Clone, Debug, Default)]
pub struct Roles {
    vehicle: Option<u8>,
    pinned: bool,
    ground: BTreeSet<(u8, u8)>,
    armed: Option<bool>,
}

impl Roles {
    /// With the vehicle that the profile names.
    #[must_use]
    pub fn with_vehicle(vehicle: Option<u8>) -> Self {
        Self { vehicle, pinned: vehicle.is_some(), ..Self::default() }
    }

    /// Learns from a message.
    pub fn observe(&mut self, system: u8, component: u8, telemetry: &Telemetry) {
        let Telemetry::Heartbeat { kind, autopilot, base_mode, .. } = *telemetry else { return };
        if kind == MAV_TYPE_GCS {
            self.ground.insert((system, component));
        } else if autopilot != MAV_AUTOPILOT_INVALID {
            if self.vehicle.is_none() && !self.pinned {
                self.vehicle = Some(system);
            }
            if self.vehicle == Some(system) && component == 1 {
                self.armed = Some(base_mode & 128 != 0);
            }
        }
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
