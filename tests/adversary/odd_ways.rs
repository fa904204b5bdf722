//! What befalls bytes on their way into a recording: noise, clocks that are set, strangers, second senders of one id.

use mavlink::dialects::all::{
    HEARTBEAT_DATA, MavAutopilot, MavMessage, MavSeverity, MavType, STATUSTEXT_DATA,
};
use rand::{Rng as _, RngExt as _};

use super::{Numbering, Session};

/// How far a stamp that is damaged lies off, seconds: two days, a year, and nearly as far as a stamp can tell.
const FAR_S: [f64; 4] = [-172_800.0, 172_800.0, 31_536_000.0, 7.4e9];

impl Session {
    pub(super) fn add_odd_ways(&mut self) {
        if self.chance.is(0.15) {
            self.add_second_numbering();
        }
        if self.chance.is(0.3) {
            self.add_texts();
        }
        if !self.is_datagrams && self.chance.is(0.5) {
            self.add_noise();
        }
        if !self.is_live && self.chance.is(0.25) {
            self.set_clock();
        }
    }

    /// Two programs on the ground call themselves by one id, each with numbers of its own.
    fn add_second_numbering(&mut self) {
        let key = ("handset", 250, 190);
        self.truth.about.push("two numberings under 250/190".to_owned());
        self.truth.senders.entry(key).or_default().has_two_numberings = true;
        let mut both = [Numbering::new(&mut self.chance, key), Numbering::new(&mut self.chance, key)];
        both[1].next = both[0].next.wrapping_add(self.chance.0.random_range(20..230));
        let rates = [self.chance.between(1.0, 12.0), self.chance.between(1.0, 12.0)];
        for (numbering, rate) in both.iter_mut().zip(rates) {
            let mut at_s = self.chance.between(0.0, 1.0);
            while at_s < self.length_s {
                let bytes = numbering.frame(&MavMessage::HEARTBEAT(HEARTBEAT_DATA {
                    custom_mode: (at_s * 1e3) as u32,
                    mavtype: MavType::MAV_TYPE_GCS,
                    autopilot: MavAutopilot::MAV_AUTOPILOT_INVALID,
                    mavlink_version: 3,
                    ..HEARTBEAT_DATA::default()
                }));
                numbering.came(&mut self.truth);
                // Both came by one port, or each by its own.
                self.arrive(at_s, "handset", 14_560, bytes);
                at_s += self.chance.between(0.9, 1.1) / rate;
            }
        }
    }

    /// Texts by the hundred, with what a terminal would obey.
    fn add_texts(&mut self) {
        let mut numbering = Numbering::new(&mut self.chance, ("vehicle", 1, 180));
        let from = self.chance.between(0.0, 20.0);
        for turn in 0..self.chance.0.random_range(1..300_u32) {
            let message = MavMessage::STATUSTEXT(STATUSTEXT_DATA {
                severity: MavSeverity::MAV_SEVERITY_INFO,
                text: "\u{1b}[2J freeze, failsafe, alarm \u{7}".into(),
                id: 0,
                chunk_seq: 0,
            });
            let bytes = numbering.frame(&message);
            numbering.came(&mut self.truth);
            self.arrive(from + f64::from(turn) * 0.05, "vehicle", 14_600, bytes);
        }
    }

    /// Bytes between frames that are none.
    fn add_noise(&mut self) {
        self.truth.about.push("noise".to_owned());
        for _ in 0..self.chance.0.random_range(1..200) {
            let mut bytes = vec![0; self.chance.0.random_range(1..40)];
            self.chance.0.fill_bytes(&mut bytes);
            // None begins a frame: what follows would be taken for its rest, and a frame be lost by it.
            for byte in &mut bytes {
                *byte %= 0xF0;
            }
            let at_s = self.chance.between(0.0, self.length_s);
            self.arrive(at_s, "vehicle", 14_600, bytes);
        }
    }

    /// The clock of the computer that recorded: set back for good, or one stamp is damaged.
    fn set_clock(&mut self) {
        let at_s = self.chance.between(0.2, 0.8) * self.length_s;
        self.clock = Some(if self.chance.is(0.5) {
            (at_s, self.length_s, -self.chance.between(2.0, 4_000.0))
        } else {
            (at_s, at_s, self.chance.one_of(&FAR_S))
        });
        self.truth.about.push(format!("clock {:?}", self.clock));
        self.truth.may.extend(["stamp-back", "stamp-ahead", "stamp-off", "hole"]);
    }
}
