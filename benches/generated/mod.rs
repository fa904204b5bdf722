//! An invented flight of any length, written straight down: input for benches and long studies.
//!
//! Nothing here was measured. A vehicle goes out and back, its radio's level falls with the
//! distance, video freezes where it is low, sticks are flicked, frames go missing. Everything
//! follows from the seed and the time, so that a longer flight begins like a shorter one.

#![allow(dead_code, reason = "not every bench needs every kind")]

use std::io;
use std::io::Write;
use std::net::SocketAddr;

use fadewatch::capture::PcapngWriter;
use fadewatch::record::{
    Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, Note, Record, SessionInfo,
};
use fadewatch::units::Nanos;
use fadewatch::wire::checksum;
use mavlink::Message as _;
use mavlink::dialects::all::MavMessage;

/// The profile that goes with a flight.
pub(crate) const PROFILE: &str = r#"
[vehicle]
system = 1

[[link]]
name = "control"
role = "control"
radio = { system = 41, component = 110, mounted = "ground" }
level = { slope_db = 0.5, offset_dbm = -120.0 }

[[link]]
name = "video"
role = "video"
radio = { system = 1, component = 240, mounted = "ground" }
level = { slope_db = 0.5, offset_dbm = -120.0 }
port = 5004

[[link]]
name = "telemetry"
role = "telemetry"
interface = "vehicle"
radio = { system = 41, component = 110, mounted = "ground" }
level = { slope_db = 0.5, offset_dbm = -120.0 }
"#;

const SEED: u64 = 0x9E37_79B9_7F4A_7C15;
const TICK: Nanos = Nanos::from_millis(1);
const START: Nanos = Nanos::from_secs(1_777_885_953);
const BOOT_AT_START_MS: u64 = 100_000;
/// The boot clock at the first message after a restart.
const BOOT_MS: u64 = 2_000;

/// How much is sent.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rates {
    /// Message id and every how many milliseconds.
    messages: &'static [(u32, u64)],
    sticks_every_ms: u64,
    frame_every_ms: u64,
    packets_a_frame: u64,
    /// The vehicle restarts this often.
    restart_every_ms: Option<u64>,
}

/// A usual flight: about 85 messages a second, sticks at 50 Hz, a picture of 2.4 Mbit/s.
pub(crate) const USUAL: Rates = Rates {
    messages: &[
        (0, 1000),
        (1, 1000),
        (24, 200),
        (27, 100),
        (30, 50),
        (33, 100),
        (36, 100),
        (65, 100),
        (74, 100),
        (109, 500),
        (147, 1000),
        (241, 500),
    ],
    sticks_every_ms: 20,
    frame_every_ms: 33,
    packets_a_frame: 8,
    restart_every_ms: None,
};

/// A crowded one: 1,000 messages and 1,500 packets a second.
pub(crate) const CROWDED: Rates = Rates {
    messages: &[
        (0, 1000),
        (1, 500),
        (24, 100),
        (27, 5),
        (30, 4),
        (33, 5),
        (36, 10),
        (65, 10),
        (74, 10),
        (109, 100),
        (147, 500),
        (241, 50),
    ],
    sticks_every_ms: 50,
    frame_every_ms: 33,
    packets_a_frame: 50,
    restart_every_ms: None,
};

/// What a handset's small computer may have to take: 500 messages and 1,000 packets a second.
pub(crate) const BOARD: Rates = Rates {
    messages: &[
        (0, 1000),
        (1, 500),
        (24, 100),
        (27, 10),
        (30, 10),
        (33, 10),
        (36, 20),
        (65, 20),
        (74, 20),
        (109, 100),
        (147, 500),
        (241, 50),
    ],
    sticks_every_ms: 50,
    frame_every_ms: 30,
    packets_a_frame: 30,
    restart_every_ms: None,
};

/// Hours on a bench: 20 messages a second, RC and servo outputs among them, and a vehicle that restarts.
const RESTARTING: Rates = Rates {
    messages: &[(24, 500), (27, 250), (30, 250), (33, 250), (36, 500), (65, 500), (0, 1000), (1, 1000)],
    sticks_every_ms: 1000,
    frame_every_ms: 60_000,
    packets_a_frame: 1,
    restart_every_ms: Some(150_000),
};
const RESTARTING_FOR_MS: u64 = 70 * 3_600_000;

/// A repeatable source of chance.
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// 0 to 1.
    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// What is sent at an instant.
struct Sent<'a> {
    interface: u16,
    bytes: &'a [u8],
}

/// A flight in progress.
pub(crate) struct Flight {
    rates: Rates,
    chance: Chance,
    now_ms: u64,
    shadow_db: f64,
    sequences: [u8; 4],
    rtp: (u16, u32),
    /// Frames of telemetry that still go missing.
    burst: u32,
    frame: Vec<u8>,
    packet: Vec<u8>,
}

impl Flight {
    pub(crate) fn new(rates: Rates) -> Self {
        Self {
            rates,
            chance: Chance(SEED),
            now_ms: 0,
            shadow_db: 0.0,
            sequences: [0; 4],
            rtp: (0, 0),
            burst: 0,
            frame: Vec::with_capacity(300),
            packet: vec![0x5A; 1200],
        }
    }

    /// Milliseconds flown.
    pub(crate) const fn now_ms(&self) -> u64 {
        self.now_ms
    }

    /// The next millisecond: what it brings goes to `sink` with its interface (0 vehicle, 1 handset, 2 video).
    fn tick(&mut self, sink: &mut dyn FnMut(Sent<'_>)) {
        let now = self.now_ms;
        self.now_ms += 1;
        if now.is_multiple_of(100) {
            self.shadow_db = 0.97 * self.shadow_db + 0.73 * (12.0_f64.sqrt() * (self.chance.share() - 0.5));
        }
        if self.rates.restart_every_ms.is_some_and(|every| now.is_multiple_of(every)) {
            self.sequences[0] = 0;
        }
        let level = -38.0 - 25.0 * distance_m(now).max(1.0).log10() + self.shadow_db;
        for (index, &(message, every)) in self.rates.messages.iter().enumerate() {
            if (now + 7 * index as u64).is_multiple_of(every) {
                self.message(message, now, level, sink);
            }
        }
        if now.is_multiple_of(self.rates.sticks_every_ms) {
            self.sticks(now, sink);
        }
        if now.is_multiple_of(self.rates.frame_every_ms) {
            self.picture(level, sink);
        }
    }

    fn message(&mut self, message: u32, now: u64, level: f64, sink: &mut dyn FnMut(Sent<'_>)) {
        let mut payload = [0_u8; 64];
        let boot_ms = match self.rates.restart_every_ms {
            None => BOOT_AT_START_MS + now,
            Some(every) => BOOT_MS + now % every,
        };
        let length = fill(&mut payload, message, (now, boot_ms), &mut self.chance, level);
        let (sender, counter) = if message == 109 { ((41, 110), 1) } else { ((1, 1), 0) };
        self.send(sender, counter, message, &payload[..length], sink);
        if message == 109 {
            // The video's own radio reports beside the vehicle's.
            self.send((1, 240), 2, message, &payload[..length], sink);
        }
    }

    fn send(
        &mut self,
        sender: (u8, u8),
        counter: usize,
        message: u32,
        payload: &[u8],
        sink: &mut dyn FnMut(Sent<'_>),
    ) {
        encode(&mut self.frame, sender, self.sequences[counter], message, payload);
        self.sequences[counter] = self.sequences[counter].wrapping_add(1);
        if self.burst > 0 {
            self.burst -= 1;
            return;
        }
        let dice = self.chance.next() % 10_000;
        if dice < 20 {
            self.burst = (dice / 4) as u32;
            return;
        }
        if dice < 30 {
            let place = 1 + self.chance.next() as usize % (self.frame.len() - 1);
            self.frame[place] ^= 0x40;
        }
        if dice >= 9_995 {
            let noise: Vec<u8> = (0..10 + dice % 40).map(|_| self.chance.next() as u8).collect();
            sink(Sent { interface: 0, bytes: &noise });
        }
        sink(Sent { interface: 0, bytes: &self.frame });
    }

    fn sticks(&mut self, now: u64, sink: &mut dyn FnMut(Sent<'_>)) {
        let mut payload = [0_u8; 18];
        for stick in 0..8 {
            let value = stick_us(stick, now);
            payload[2 * stick as usize..][..2].copy_from_slice(&value.to_le_bytes());
        }
        (payload[16], payload[17]) = (1, 1);
        encode(&mut self.frame, (255, 190), self.sequences[3], 70, &payload);
        self.sequences[3] = self.sequences[3].wrapping_add(1);
        sink(Sent { interface: 1, bytes: &self.frame });
    }

    fn picture(&mut self, level: f64, sink: &mut dyn FnMut(Sent<'_>)) {
        let lost = 1.0 / (1.0 + ((level + 96.0) / 1.5).exp()) + 0.0005;
        for packet in 0..self.rates.packets_a_frame {
            let last = packet + 1 == self.rates.packets_a_frame;
            self.packet[0] = 0x80;
            self.packet[1] = 0x60 | if last { 0x80 } else { 0 };
            self.packet[2..4].copy_from_slice(&self.rtp.0.to_be_bytes());
            self.packet[4..8].copy_from_slice(&self.rtp.1.to_be_bytes());
            self.packet[8..12].copy_from_slice(&0x1234_5678_u32.to_be_bytes());
            self.rtp.0 = self.rtp.0.wrapping_add(1);
            if self.chance.share() >= lost {
                sink(Sent { interface: 2, bytes: &self.packet });
            }
        }
        self.rtp.1 = self.rtp.1.wrapping_add(90 * self.rates.frame_every_ms as u32);
    }
}

/// Out and back at 4 m/s, at least 12 m and at most 300 m away, with 30 s at the far end.
fn distance_m(now_ms: u64) -> f64 {
    let leg = 72.0;
    let at = (now_ms as f64 / 1e3) % (2.0 * leg + 30.0);
    let out = if at < leg {
        at
    } else if at < leg + 30.0 {
        leg
    } else {
        2.0 * leg + 30.0 - at
    };
    12.0 + 4.0 * out
}

/// A flick every 2 s, one stick after the other, ramps of 120 ms.
fn stick_us(stick: u64, now_ms: u64) -> u16 {
    const PLACES: [i64; 5] = [1500, 1900, 1500, 1100, 1300];
    if stick >= 4 {
        return 1500;
    }
    let turn = now_ms / 2000;
    let done = (turn + 3 - stick) / 4;
    let (from, to) = (PLACES[done as usize % 5], PLACES[(done + 1) as usize % 5]);
    let within = if turn % 4 == stick { (now_ms % 2000).saturating_sub(300).min(120) as i64 } else { 0 };
    (from + (to - from) * within / 120) as u16
}

/// Fills a payload in wire order (public message set); gives its length.
fn fill(
    payload: &mut [u8; 64],
    message: u32,
    (now, boot_ms): (u64, u64),
    chance: &mut Chance,
    level: f64,
) -> usize {
    let boot_ms = boot_ms - 6 - chance.next() % 5;
    let seconds = now as f64 / 1e3;
    let away_m = distance_m(now);
    let latitude = 540_000_000 + (away_m / 0.011_132) as i32;
    let mut at = 0;
    let mut put = |bytes: &[u8]| {
        payload[at..at + bytes.len()].copy_from_slice(bytes);
        at += bytes.len();
    };
    match message {
        0 => put(&[0, 0, 0, 0, 2, 3, 217, 4, 3]),
        1 => {
            for word in [0x1_FC2F_u32; 3] {
                put(&word.to_le_bytes());
            }
            put(&300_u16.to_le_bytes());
            put(&(16_000 - (now / 1000 % 3000) as u16).to_le_bytes());
            put(&900_i16.to_le_bytes());
            put(&[0; 12]);
            put(&[80]);
        }
        24 => {
            put(&(boot_ms * 1000).to_le_bytes());
            put(&latitude.to_le_bytes());
            put(&80_000_000_i32.to_le_bytes());
            put(&40_000_i32.to_le_bytes());
            for half in [120_u16, 150, 400, 0] {
                put(&half.to_le_bytes());
            }
            put(&[3, 14]);
        }
        27 => {
            put(&(boot_ms * 1000).to_le_bytes());
            for _ in 0..9 {
                put(&((chance.next() % 2000) as i16 - 1000).to_le_bytes());
            }
        }
        30 => {
            put(&(boot_ms as u32).to_le_bytes());
            for step in 0..6 {
                put(&((0.3 * (seconds + f64::from(step)).sin()) as f32).to_le_bytes());
            }
        }
        33 => {
            put(&(boot_ms as u32).to_le_bytes());
            put(&latitude.to_le_bytes());
            put(&80_000_000_i32.to_le_bytes());
            put(&40_000_i32.to_le_bytes());
            put(&20_000_i32.to_le_bytes());
            put(&[100, 1, 0, 0, 0, 0]);
            put(&9_000_u16.to_le_bytes());
        }
        36 => {
            put(&((boot_ms * 1000) as u32).to_le_bytes());
            for servo in 0..8 {
                put(&stick_us(servo, now.saturating_sub(85)).to_le_bytes());
            }
            put(&[0]);
        }
        65 => {
            put(&(boot_ms as u32).to_le_bytes());
            for stick in 0..18 {
                put(&stick_us(stick % 8, now.saturating_sub(60)).to_le_bytes());
            }
            put(&[16, 200]);
        }
        74 => {
            for step in 0..4 {
                put(&((5.0 + (seconds + f64::from(step)).sin()) as f32).to_le_bytes());
            }
            put(&[90, 0, 40, 0]);
        }
        109 => {
            let raw = ((level + 120.0) * 2.0).clamp(1.0, 254.0) as u8;
            put(&[0, 0, 0, 0, raw, raw.saturating_sub(4), 90, 50, 52]);
        }
        147 => {
            put(&((now / 4000) as i32).to_le_bytes());
            put(&[0; 6]);
            for _ in 0..4 {
                put(&3900_u16.to_le_bytes());
            }
            for _ in 0..6 {
                put(&u16::MAX.to_le_bytes());
            }
            put(&900_i16.to_le_bytes());
            put(&[0, 1, 1, 80]);
        }
        241 => {
            put(&(boot_ms * 1000).to_le_bytes());
            for _ in 0..3 {
                put(&((10.0 + 5.0 * chance.share()) as f32).to_le_bytes());
            }
            put(&[0; 12]);
        }
        _ => {}
    }
    at
}

/// One MAVLink 2 frame, trailing zeros cut.
fn encode(out: &mut Vec<u8>, sender: (u8, u8), sequence: u8, message: u32, payload: &[u8]) {
    let length = payload.iter().rposition(|byte| *byte != 0).map_or(1, |last| last + 1);
    out.clear();
    out.extend_from_slice(&[0xFD, length as u8, 0, 0, sequence, sender.0, sender.1]);
    out.extend_from_slice(&message.to_le_bytes()[..3]);
    out.extend_from_slice(&payload[..length]);
    let extra = MavMessage::extra_crc(message);
    let checksum = checksum::step(checksum::update(checksum::INITIAL, &out[1..]), extra);
    out.extend_from_slice(&checksum.to_le_bytes());
}

/// Bare bytes of a serial port: at least so many.
pub(crate) fn write_bare(out: &mut dyn Write, bytes: u64) -> io::Result<()> {
    write_stream(out, CROWDED, |written, _| written < bytes)
}

/// Bare bytes of 70 hours at 20 messages a second, of a vehicle that restarts every 150 s.
pub(crate) fn write_restarts(out: &mut dyn Write) -> io::Result<()> {
    write_stream(out, RESTARTING, |_, now_ms| now_ms < RESTARTING_FOR_MS)
}

/// What the vehicle sends, for as long as `goes_on` says so of bytes and milliseconds.
fn write_stream(out: &mut dyn Write, rates: Rates, goes_on: impl Fn(u64, u64) -> bool) -> io::Result<()> {
    let mut flight = Flight::new(rates);
    let mut written = 0;
    let mut failed = Ok(());
    while goes_on(written, flight.now_ms()) {
        flight.tick(&mut |sent| {
            if sent.interface == 0 && failed.is_ok() {
                failed = out.write_all(sent.bytes);
                written += sent.bytes.len() as u64;
            }
        });
        std::mem::replace(&mut failed, Ok(()))?;
    }
    Ok(())
}

/// What comes before the first record.
pub(crate) fn opening() -> Vec<Entry<'static>> {
    let mut entries = vec![Entry::Session(SessionInfo { has_wall_clock: true, ..SessionInfo::default() })];
    for (id, name) in ["vehicle", "handset", "video"].into_iter().enumerate() {
        let kind = InterfaceKind::Datagram;
        let info = InterfaceInfo { name: name.to_owned(), kind, description: None };
        entries.push(Entry::Interface(InterfaceId(id as u16), info));
    }
    let info = InterfaceInfo { name: "marks".to_owned(), kind: InterfaceKind::Marks, description: None };
    entries.push(Entry::Interface(InterfaceId(3), info));
    entries
}

/// The records of the next millisecond.
pub(crate) fn records(flight: &mut Flight, sink: &mut dyn FnMut(&Entry<'_>)) {
    let now = flight.now_ms();
    let at = START + Nanos(now as i64 * TICK.0);
    if now.is_multiple_of(1000) {
        let body = Body::Note(Note::Tick);
        let record = Record { at, interface: InterfaceId(3), direction: Direction::Inbound, body };
        sink(&Entry::Record(record));
    }
    let mut place = 0;
    flight.tick(&mut |sent| {
        place += 1;
        let port = [14_550, 14_552, 5004][usize::from(sent.interface)];
        let source = SocketAddr::from(([192, 0, 2, 10 + sent.interface as u8], 40_000));
        let flow = Flow { source, destination: SocketAddr::from(([192, 0, 2, 1], port)) };
        let body = Body::Datagram { flow, bytes: sent.bytes };
        let interface = InterfaceId(sent.interface);
        // A few microseconds behind each other, and some jitter.
        let at = at + Nanos(place * 11_000 + (now as i64 * 7_919) % 200_000);
        sink(&Entry::Record(Record { at, interface, direction: Direction::Inbound, body }));
    });
}

/// A recording of a usual flight: at least so many bytes.
pub(crate) fn write_flight(out: &mut dyn Write, bytes: u64) -> io::Result<()> {
    let mut writer = PcapngWriter::new(out);
    for entry in opening() {
        writer.write(&entry)?;
    }
    let mut flight = Flight::new(USUAL);
    let mut written: u64 = 0;
    let mut failed = Ok(());
    while written < bytes {
        records(&mut flight, &mut |entry| {
            if let Entry::Record(Record { body: Body::Datagram { bytes, .. }, .. }) = entry {
                written += bytes.len() as u64 + 72;
            }
            if failed.is_ok() {
                failed = writer.write(entry);
            }
        });
        std::mem::replace(&mut failed, Ok(()))?;
    }
    Ok(())
}
