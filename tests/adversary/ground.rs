//! What stands on the ground: stations, sticks, forwarders.

use mavlink::dialects::all::{
    HEARTBEAT_DATA, MANUAL_CONTROL_DATA, MavAutopilot, MavMessage, MavType, RC_CHANNELS_OVERRIDE_DATA,
};

use super::{Numbering, Session};

/// Where two sticks stand: steps of their own, every second or so, from 3 s on.
pub(super) fn sticks(at_s: f64) -> [u16; 2] {
    let step = |period: f64, salt: u64| {
        if at_s < 3.0 {
            return 1500;
        }
        let turn = ((at_s - 3.0) / period) as u64;
        let level = |turn: u64| 1150.0 + (turn.wrapping_mul(2_654_435_761).wrapping_add(salt) % 701) as f64;
        let from = if turn == 0 { 1500.0 } else { level(turn - 1) };
        // A movement takes 120 ms.
        let share = (((at_s - 3.0) - turn as f64 * period) / 0.12).min(1.0);
        (from + (level(turn) - from) * share).round() as u16
    };
    [step(1.3, 11), step(1.7, 5)]
}

impl Session {
    pub(super) fn add_ground(&mut self) {
        let stations = self.chance.one_of(&[0, 1, 1, 2]);
        for station in 0..stations {
            let system = 255 - station;
            let key = ("handset", system, 190);
            let mut numbering = Numbering::new(&mut self.chance, key);
            let way = if station == 0 {
                self.chance.one_of(&["heartbeat", "override", "manual"])
            } else {
                "heartbeat"
            };
            self.truth.about.push(format!("station {system}: {way}"));
            self.truth.has_sticks |= way != "heartbeat";
            let mut times: Vec<(f64, bool)> = Vec::new();
            let mut at_s = self.chance.between(0.0, 1.0);
            while at_s < self.length_s {
                times.push((at_s, false));
                at_s += 1.0;
            }
            let rate = self.chance.between(20.0, 50.0);
            let mut at_s = self.chance.between(0.0, 0.02);
            while way != "heartbeat" && at_s < self.length_s {
                times.push((at_s, true));
                at_s += 1.0 / rate;
            }
            times.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (at_s, is_stick) in times {
                let message = if is_stick { stick_message(way, at_s) } else { heartbeat() };
                let bytes = numbering.frame(&message);
                numbering.came(&mut self.truth);
                self.arrive(at_s, "handset", 14_551 + u16::from(station), bytes);
            }
        }
    }
}

fn heartbeat() -> MavMessage {
    MavMessage::HEARTBEAT(HEARTBEAT_DATA {
        mavtype: MavType::MAV_TYPE_GCS,
        autopilot: MavAutopilot::MAV_AUTOPILOT_INVALID,
        mavlink_version: 3,
        ..HEARTBEAT_DATA::default()
    })
}

fn stick_message(way: &str, at_s: f64) -> MavMessage {
    let [first, second] = sticks(at_s);
    if way == "manual" {
        return MavMessage::MANUAL_CONTROL(MANUAL_CONTROL_DATA {
            target: 1,
            x: (first as i16 - 1500) * 2,
            y: (second as i16 - 1500) * 2,
            z: i16::MAX,
            r: i16::MAX,
            ..MANUAL_CONTROL_DATA::default()
        });
    }
    MavMessage::RC_CHANNELS_OVERRIDE(RC_CHANNELS_OVERRIDE_DATA {
        target_system: 1,
        target_component: 1,
        chan1_raw: first,
        chan2_raw: second,
        chan3_raw: u16::MAX,
        chan4_raw: u16::MAX,
        chan5_raw: 0,
        chan6_raw: u16::MAX,
        chan7_raw: u16::MAX,
        chan8_raw: u16::MAX,
        ..RC_CHANNELS_OVERRIDE_DATA::default()
    })
}
