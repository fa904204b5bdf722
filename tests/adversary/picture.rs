//! A stream of pictures, and one of sound that is none.

use rand::RngExt as _;

use super::Session;

impl Session {
    pub(super) fn add_picture(&mut self) {
        if self.chance.is(0.2) {
            self.add_sound();
        }
        if !self.chance.is(0.6) {
            return;
        }
        let fps = self.chance.one_of(&[24.0, 25.0, 30.0, 50.0, 60.0]);
        let loss = if self.chance.is(0.3) { self.chance.between(0.0005, 0.01) } else { 0.0 };
        let pause = self.chance.is(0.2).then(|| self.chance.between(0.4, 0.7) * self.length_s);
        // Pictures are sent as they are coded: each third one is shown before the one sent before it.
        let is_reordered = self.chance.is(0.3);
        self.truth.about.push(format!(
            "picture {fps} a second, loss {loss:.4}, pause {pause:?}, reordered {is_reordered}"
        ));
        self.truth.has_picture = true;
        let mut number: u16 = self.chance.0.random();
        let (mut missing, mut has_come) = (0, false);
        let mut frame = 0_u32;
        let began = self.chance.between(0.0, 5.0);
        loop {
            let at_s = began + f64::from(frame) / fps;
            if at_s >= self.length_s {
                break;
            }
            frame += 1;
            if pause.is_some_and(|from| from <= at_s && at_s < from + 2.5) {
                continue;
            }
            let shown = if is_reordered { [0, 2, 1][frame as usize % 3] + frame / 3 * 3 } else { frame };
            let stamp = (f64::from(shown) / fps * 90_000.0) as u32;
            let packets = self.chance.0.random_range(1..6);
            for packet in 0..packets {
                let bytes = rtp(96, number, stamp, packet + 1 == packets);
                number = number.wrapping_add(1);
                if self.chance.is(loss) {
                    missing += 1;
                    continue;
                }
                if has_come {
                    self.truth.packets_lost += missing;
                }
                (missing, has_come) = (0, true);
                let late_s = 0.0002 * f64::from(packet) + self.chance.between(0.0, 0.0001);
                self.arrive(at_s + late_s, "video", 40_000, bytes);
            }
        }
        if pause.is_some() || loss > 0.0 {
            self.truth.may.extend(["freeze", "video-restart", "lost", "back"]);
        }
        self.truth.pauses = u64::from(pause.is_some());
    }

    /// Sound: a packet every 20 ms, static payload type 0 (RFC 3551).
    fn add_sound(&mut self) {
        self.truth.about.push("sound".to_owned());
        let mut number = 0_u16;
        while f64::from(number) * 0.02 < self.length_s {
            let bytes = rtp(0, number, u32::from(number) * 160, number == 0);
            self.arrive(f64::from(number) * 0.02, "video", 40_002, bytes);
            number += 1;
        }
    }
}

/// A packet: H.264 in one NAL unit (RFC 6184), or sound.
fn rtp(kind: u8, number: u16, stamp: u32, is_last: bool) -> Vec<u8> {
    let mut bytes = vec![0x80, kind + 128 * u8::from(is_last)];
    bytes.extend_from_slice(&number.to_be_bytes());
    bytes.extend_from_slice(&stamp.to_be_bytes());
    bytes.extend_from_slice(&[0, 0, 0, if kind == 0 { 9 } else { 7 }]);
    bytes.push(if kind == 0 { 0xD5 } else { 0x41 });
    bytes.extend_from_slice(&[0x9A; 60]);
    bytes
}
