//! A vehicle: which messages it sends, where it goes, how often it begins anew, what of it comes.

use mavlink::dialects::all::{
    ATTITUDE_DATA, BATTERY_STATUS_DATA, GLOBAL_POSITION_INT_DATA, GPS_RAW_INT_DATA, GpsFixType,
    HEARTBEAT_DATA, MavAutopilot, MavMessage, MavModeFlag, MavState, MavSysStatusSensor, MavType,
    RADIO_STATUS_DATA, RC_CHANNELS_DATA, SERVO_OUTPUT_RAW_DATA, SYS_STATUS_DATA, VFR_HUD_DATA,
    VIBRATION_DATA,
};
use rand::RngExt as _;

use super::{Air, Chance, HOME, Numbering, Session};

/// What a vehicle may send, and how often, a second.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Heartbeat,
    Attitude,
    Position,
    Fix,
    Input,
    Servo,
    SysStatus,
    Battery,
    Vibration,
    Hud,
}

const MIX: [(Kind, f64, f64); 9] = [
    (Kind::Attitude, 4.0, 25.0),
    (Kind::Position, 1.0, 5.0),
    (Kind::Fix, 1.0, 5.0),
    (Kind::Input, 2.0, 10.0),
    (Kind::Servo, 2.0, 10.0),
    (Kind::SysStatus, 0.5, 2.0),
    (Kind::Battery, 0.2, 1.0),
    (Kind::Vibration, 0.5, 2.0),
    (Kind::Hud, 1.0, 4.0),
];

/// Everything that was drawn of one vehicle.
#[derive(Clone, Debug)]
struct Vehicle {
    system: u8,
    /// Of the boot clock at the start of the session.
    booted_ms: f64,
    skew: f64,
    /// The receiver has no fix.
    is_lost: bool,
    /// A fix far from all others, at this time.
    glitch_s: Option<f64>,
    armed_s: Option<(f64, f64)>,
    speed: f64,
    turns_s: f64,
    rssi: u8,
    voltage_mv: u16,
    /// Silent in between, and begins anew.
    reboot_s: Option<(f64, f64)>,
    /// Switched off.
    off_s: f64,
    /// Outputs stand still, or follow the input after so many milliseconds.
    servo_delay_ms: Option<f64>,
    input_delay_ms: f64,
    /// Others follow sticks of their own.
    sticks_ahead_s: f64,
}

impl Vehicle {
    fn draw(chance: &mut Chance, index: u8, length_s: f64) -> Self {
        let armed = chance.between(5.0, 15.0);
        let reboot = chance.between(0.3, 0.6) * length_s;
        let off = chance.is(0.2);
        Self {
            system: if index == 0 { 1 } else { chance.one_of(&[2, 20, 110, 200]) + index },
            // Near the wrap of 32 bits of microseconds, near zero, or anywhere.
            booted_ms: chance.one_of(&[0.0, 4_290_000.0, 700_000.0]) + chance.between(3_000.0, 9_000.0),
            skew: chance.between(-60e-6, 60e-6),
            is_lost: chance.is(0.2),
            glitch_s: chance.is(0.2).then_some(length_s * 0.4),
            armed_s: chance.is(0.6).then_some((armed, length_s - 8.0)),
            speed: chance.one_of(&[0.0, 0.0, 4.0, 12.0]),
            turns_s: length_s / 2.0,
            rssi: chance.one_of(&[255, 0, 80, 200]),
            voltage_mv: chance.one_of(&[0, u16::MAX, 11_800, 16_400]),
            reboot_s: (index == 0 && chance.is(0.15)).then_some((reboot, reboot + chance.between(2.0, 6.0))),
            off_s: if off { length_s - chance.between(6.0, 25.0) } else { f64::INFINITY },
            servo_delay_ms: chance.is(0.6).then(|| chance.between(4.0, 30.0)),
            input_delay_ms: chance.between(20.0, 120.0),
            sticks_ahead_s: 1000.0 * f64::from(index),
        }
    }

    fn is_on(&self, at_s: f64) -> bool {
        at_s < self.off_s && self.reboot_s.is_none_or(|(from, to)| at_s < from || at_s >= to)
    }

    fn boot_ms(&self, at_s: f64) -> f64 {
        match self.reboot_s {
            Some((_, to)) if at_s >= to => (at_s - to) * 1e3 + 500.0,
            _ => self.booted_ms + at_s * 1e3 * (1.0 + self.skew),
        }
    }

    /// Metres from home.
    fn distance_m(&self, at_s: f64) -> f64 {
        let Some((from, to)) = self.armed_s else { return 2.0 };
        let out = (at_s.clamp(from + 2.0, self.turns_s) - from - 2.0).max(0.0);
        let back = (at_s.min(to - 4.0) - self.turns_s).max(0.0);
        2.0 + self.speed * (out - back).max(0.0)
    }

    fn is_armed(&self, at_s: f64) -> bool {
        self.armed_s.is_some_and(|(from, to)| from <= at_s && at_s < to)
    }

    fn message(&self, chance: &mut Chance, kind: Kind, at_s: f64) -> MavMessage {
        let boot_ms = self.boot_ms(at_s);
        let (time_boot_ms, time_usec) = (boot_ms as u32, (boot_ms * 1e3) as u64);
        let is_glitch = self.glitch_s.is_some_and(|glitch| (at_s - glitch).abs() < 0.1);
        let metres = if is_glitch { 4_000.0 } else { self.distance_m(at_s) } + chance.between(-0.5, 0.5);
        let lat = ((HOME.0 + metres / 111_200.0) * 1e7).round() as i32;
        let lon = (HOME.1 * 1e7).round() as i32;
        match kind {
            Kind::Heartbeat => MavMessage::HEARTBEAT(HEARTBEAT_DATA {
                mavtype: MavType::MAV_TYPE_QUADROTOR,
                autopilot: MavAutopilot::MAV_AUTOPILOT_GENERIC,
                base_mode: if self.is_armed(at_s) {
                    MavModeFlag::MAV_MODE_FLAG_SAFETY_ARMED
                } else {
                    MavModeFlag::MAV_MODE_FLAG_MANUAL_INPUT_ENABLED
                },
                system_status: MavState::MAV_STATE_ACTIVE,
                mavlink_version: 3,
                ..HEARTBEAT_DATA::default()
            }),
            Kind::Attitude => MavMessage::ATTITUDE(ATTITUDE_DATA {
                time_boot_ms,
                roll: chance.between(-0.1, 0.1) as f32,
                ..ATTITUDE_DATA::default()
            }),
            Kind::Position if self.is_lost => MavMessage::GLOBAL_POSITION_INT(GLOBAL_POSITION_INT_DATA {
                time_boot_ms,
                ..Default::default()
            }),
            Kind::Position => MavMessage::GLOBAL_POSITION_INT(GLOBAL_POSITION_INT_DATA {
                time_boot_ms,
                lat,
                lon,
                alt: 400_000,
                hdg: u16::MAX,
                ..Default::default()
            }),
            Kind::Fix => MavMessage::GPS_RAW_INT(GPS_RAW_INT_DATA {
                time_usec,
                fix_type: if self.is_lost {
                    GpsFixType::GPS_FIX_TYPE_NO_GPS
                } else {
                    GpsFixType::GPS_FIX_TYPE_3D_FIX
                },
                lat: if self.is_lost { 0 } else { lat },
                lon: if self.is_lost { 0 } else { lon },
                alt: if self.is_lost { 0 } else { 400_000 },
                eph: if self.is_lost { u16::MAX } else { 90 },
                epv: u16::MAX,
                vel: u16::MAX,
                cog: u16::MAX,
                satellites_visible: if self.is_lost { u8::MAX } else { 11 },
                ..Default::default()
            }),
            Kind::Input => {
                let [chan1_raw, chan2_raw] =
                    super::ground::sticks(at_s + self.sticks_ahead_s - self.input_delay_ms / 1e3);
                MavMessage::RC_CHANNELS(RC_CHANNELS_DATA {
                    time_boot_ms,
                    chancount: 8,
                    chan1_raw,
                    chan2_raw,
                    chan3_raw: 1100,
                    chan4_raw: 1500,
                    chan5_raw: 1000,
                    chan6_raw: 1000,
                    chan7_raw: u16::MAX,
                    chan8_raw: u16::MAX,
                    rssi: self.rssi,
                    ..Default::default()
                })
            }
            Kind::Servo => {
                let delay_ms = self.servo_delay_ms.map(|delay| delay + self.input_delay_ms);
                let [first, second] = delay_ms.map_or([1500; 2], |delay| {
                    super::ground::sticks(at_s + self.sticks_ahead_s - delay / 1e3)
                });
                MavMessage::SERVO_OUTPUT_RAW(SERVO_OUTPUT_RAW_DATA {
                    time_usec: time_usec as u32,
                    servo1_raw: 3000 - first,
                    servo2_raw: second.midpoint(1500),
                    servo3_raw: 1100,
                    servo4_raw: 1500,
                    ..Default::default()
                })
            }
            Kind::SysStatus => MavMessage::SYS_STATUS(SYS_STATUS_DATA {
                voltage_battery: self.voltage_mv,
                current_battery: -1,
                battery_remaining: -1,
                onboard_control_sensors_present: MavSysStatusSensor::empty(),
                ..Default::default()
            }),
            Kind::Battery => MavMessage::BATTERY_STATUS(BATTERY_STATUS_DATA {
                temperature: i16::MAX,
                current_battery: -1,
                current_consumed: -1,
                energy_consumed: -1,
                battery_remaining: -1,
                voltages: {
                    let mut cells = [u16::MAX; 10];
                    if (1..u16::MAX).contains(&self.voltage_mv) {
                        cells[..4].fill(self.voltage_mv / 4);
                    }
                    cells
                },
                ..Default::default()
            }),
            Kind::Vibration => MavMessage::VIBRATION(VIBRATION_DATA { time_usec, ..Default::default() }),
            Kind::Hud => MavMessage::VFR_HUD(VFR_HUD_DATA {
                groundspeed: self.speed as f32,
                throttle: 10,
                climb: chance.between(-0.1, 0.1) as f32,
                ..Default::default()
            }),
        }
    }
}

impl Session {
    pub(super) fn add_vehicle(&mut self, index: u8) {
        let length_s = self.length_s;
        let vehicle = Vehicle::draw(&mut self.chance, index, length_s);
        self.truth.about.push(format!("{vehicle:?}"));
        let mut air = Air::draw(&mut self.chance, length_s, &mut self.truth);
        self.say_what_happens(&vehicle, index);
        let mut kinds = vec![(Kind::Heartbeat, 1.0)];
        for (kind, slow, fast) in MIX {
            if self.chance.is(0.7) {
                kinds.push((kind, self.chance.between(slow, fast)));
            }
        }
        self.truth.about.push(format!("{kinds:?}"));
        let mut due = Vec::new();
        for (kind, rate) in kinds {
            let mut at_s = self.chance.between(0.0, 1.0 / rate);
            while at_s < length_s {
                due.push((at_s, kind));
                at_s += self.chance.between(0.9, 1.1) / rate;
            }
        }
        due.sort_by(|a, b| a.0.total_cmp(&b.0));
        self.send_vehicle(&vehicle, &due, &mut air, index);
        self.add_companions(&vehicle, &mut air, index);
        self.add_radio(index);
    }

    /// What may be told of it.
    fn say_what_happens(&mut self, vehicle: &Vehicle, index: u8) {
        let may = &mut self.truth.may;
        if vehicle.reboot_s.is_some() {
            self.truth.began_anew.insert(vehicle.system);
            may.extend(["restart", "restart-aloft", "lost", "back", "silent", "lost-vehicle"]);
        }
        if vehicle.off_s.is_finite() {
            may.extend(["lost", "silent", "lost-vehicle"]);
        }
        let seconds = (0..self.length_s as u32).map(|second| vehicle.distance_m(f64::from(second)));
        self.truth.farthest_m = seconds.fold(self.truth.farthest_m, f64::max);
        if index == 0 {
            self.truth.servo_delay_ms = vehicle.servo_delay_ms.map(|delay| delay + vehicle.input_delay_ms);
        }
        self.truth.has_voltage |= (1..u16::MAX).contains(&vehicle.voltage_mv);
    }

    fn send_vehicle(&mut self, vehicle: &Vehicle, due: &[(f64, Kind)], air: &mut Air, index: u8) {
        let key = ("vehicle", vehicle.system, 1);
        let mut numbering = Numbering::new(&mut self.chance, key);
        let mut is_up = true;
        // The same frames come a second time, by another way: all of them, or a part.
        let copies =
            if self.is_datagrams && self.chance.is(0.15) { self.chance.one_of(&[1.0, 0.5]) } else { 0.0 };
        for (at_s, kind) in due.iter().copied() {
            if !vehicle.is_on(at_s) {
                is_up = false;
                continue;
            }
            if !is_up {
                numbering.restart(&mut self.truth);
                is_up = true;
            }
            let message = vehicle.message(&mut self.chance, kind, at_s);
            let bytes = numbering.frame(&message);
            if air.loses(&mut self.chance, at_s) {
                numbering.missing += 1;
                continue;
            }
            numbering.came(&mut self.truth);
            let at_s = at_s + 0.004 + self.chance.between(0.0, 0.002);
            if copies > 0.0 && self.chance.is(copies) {
                let late_s = self.chance.between(0.0, 0.03);
                self.truth.senders.entry(key).or_default().is_tangled = true;
                self.arrive(at_s + late_s, "vehicle", 14_777, bytes.clone());
            }
            self.arrive(at_s, "vehicle", 14_600 + u16::from(index), bytes);
        }
    }

    /// A camera, a gimbal: heartbeats alone, or at the autopilot's side a burst of their own at the start.
    fn add_companions(&mut self, vehicle: &Vehicle, air: &mut Air, index: u8) {
        for component in [100, 154, 191] {
            if !self.chance.is(0.25) {
                continue;
            }
            let mut numbering = Numbering::new(&mut self.chance, ("vehicle", vehicle.system, component));
            let heartbeat = MavMessage::HEARTBEAT(HEARTBEAT_DATA {
                mavtype: MavType::MAV_TYPE_CAMERA,
                autopilot: MavAutopilot::MAV_AUTOPILOT_INVALID,
                mavlink_version: 3,
                ..HEARTBEAT_DATA::default()
            });
            let hud = |count: u32| {
                MavMessage::VFR_HUD(VFR_HUD_DATA { airspeed: count as f32, ..VFR_HUD_DATA::default() })
            };
            let mut times: Vec<(f64, MavMessage)> = Vec::new();
            if self.chance.is(0.5) {
                let from = self.chance.between(1.0, 10.0);
                let count: u32 = self.chance.0.random_range(50..600);
                times.extend((0..count).map(|turn| (from + f64::from(turn) / 400.0, hud(turn))));
            }
            let mut at_s = self.chance.between(0.0, 1.0);
            while at_s < self.length_s {
                times.push((at_s, heartbeat.clone()));
                at_s += 1.0;
            }
            times.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (at_s, message) in times {
                // It has the vehicle's battery, and goes on counting over a reboot of the autopilot.
                if at_s >= vehicle.off_s {
                    break;
                }
                let bytes = numbering.frame(&message);
                if air.loses(&mut self.chance, at_s) {
                    numbering.missing += 1;
                    continue;
                }
                numbering.came(&mut self.truth);
                self.arrive(at_s + 0.005, "vehicle", 14_600 + u16::from(index), bytes);
            }
        }
    }

    /// A radio on the ground that reports; often with what the standard calls unknown.
    fn add_radio(&mut self, index: u8) {
        if index > 0 || !self.chance.is(0.6) {
            return;
        }
        // A level that wanders while the vehicle stands may as well be a handset that is carried about.
        self.truth.may.insert("handset");
        let mut numbering = Numbering::new(&mut self.chance, ("vehicle", 40, 7));
        let is_known = self.chance.is(0.7);
        let noise = self.chance.one_of(&[40, 0, 255]);
        let mut level = self.chance.between(80.0, 200.0);
        let mut at_s = self.chance.between(0.0, 1.0);
        while at_s < self.length_s {
            level = (level + self.chance.between(-3.0, 3.0)).clamp(30.0, 250.0);
            let message = MavMessage::RADIO_STATUS(RADIO_STATUS_DATA {
                rssi: if is_known { level as u8 } else { 255 },
                remrssi: if is_known { level as u8 - 5 } else { 255 },
                txbuf: 100,
                noise,
                remnoise: noise,
                ..Default::default()
            });
            let bytes = numbering.frame(&message);
            numbering.came(&mut self.truth);
            self.arrive(at_s, "vehicle", 14_600, bytes);
            at_s += 0.7;
        }
    }
}
