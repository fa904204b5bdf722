//! A session made entry by entry: frames, packets and notes at instants, played into a `LinkMonitor`.
//!
//! Payloads are written here by hand from the public message set (fields by falling size), so that nothing of the
//! decoder is used to make what the decoder reads.

#![allow(dead_code, reason = "each test binary uses its own part")]

use std::net::SocketAddr;
use std::sync::Arc;

use fadewatch::record::{Flow, InterfaceId, InterfaceInfo, InterfaceKind, Note};
use fadewatch::snapshot::{Snapshot, View};
use fadewatch::summary::{Summary, Threshold};
use fadewatch::{Body, Direction, Entry, LinkMonitor, Nanos, Profile, Record, RecordingFacts};

use crate::frames::frame;

/// The autopilot, and who steers it.
pub(crate) const VEHICLE: (u8, u8) = (1, 1);
pub(crate) const HANDSET: (u8, u8) = (255, 190);
pub(crate) const RADIO: (u8, u8) = (41, 110);

/// A message: its id, its CRC extra and its payload.
#[derive(Clone, Debug)]
pub(crate) struct Message(u32, u8, Vec<u8>);

/// Little-endian values, one after the other.
fn bytes(parts: &[&[u8]]) -> Vec<u8> {
    parts.concat()
}

fn words(values: &[u16]) -> Vec<u8> {
    values.iter().flat_map(|value| value.to_le_bytes()).collect()
}

fn degrees_e7(value: f64) -> [u8; 4] {
    ((value * 1e7).round() as i32).to_le_bytes()
}

fn milli(value: f64) -> [u8; 4] {
    ((value * 1e3).round() as i32).to_le_bytes()
}

impl Message {
    /// HEARTBEAT of a multicopter's autopilot.
    pub(crate) fn heartbeat(armed: bool, mode: u32) -> Self {
        Self(0, 50, bytes(&[&mode.to_le_bytes(), &[2, 3, 1 + 128 * u8::from(armed), 4, 3]]))
    }

    /// VFR_HUD: it has no boot clock. `content` makes it differ from others.
    pub(crate) fn clockless(content: u64) -> Self {
        Self(74, 20, bytes(&[&[0; 12], &(content as f32).to_le_bytes(), &[1, 0, 1, 0]]))
    }

    /// ATTITUDE, level.
    pub(crate) fn clocked(boot_ms: u32) -> Self {
        Self(30, 39, bytes(&[&boot_ms.to_le_bytes(), &[0; 24]]))
    }

    /// GPS_RAW_INT: a 3D fix; `accuracy_mm` 0: not told.
    pub(crate) fn fix(lat: f64, lon: f64, eph: f64, accuracy_mm: u32) -> Self {
        let eph = ((eph * 100.0).round() as u16).to_le_bytes();
        let place = bytes(&[&[0; 8], &degrees_e7(lat), &degrees_e7(lon), &milli(400.0), &eph, &[0xFF; 6]]);
        Self(24, 24, bytes(&[&place, &[3, 9], &milli(400.0), &accuracy_mm.to_le_bytes()]))
    }

    /// GLOBAL_POSITION_INT, standing.
    pub(crate) fn position(boot_ms: u32, lat: f64, lon: f64) -> Self {
        let place = bytes(&[&degrees_e7(lat), &degrees_e7(lon), &milli(400.0), &milli(0.0)]);
        Self(33, 104, bytes(&[&boot_ms.to_le_bytes(), &place, &[0; 6], &[0xFF, 0xFF]]))
    }

    /// RC_CHANNELS: four channels.
    pub(crate) fn input(boot_ms: u32, channels: [u16; 4], count: u8, rssi: u8) -> Self {
        let mut all = [u16::MAX; 18];
        all[..4].copy_from_slice(&channels);
        Self(65, 118, bytes(&[&boot_ms.to_le_bytes(), &words(&all), &[count, rssi]]))
    }

    /// SERVO_OUTPUT_RAW: four outputs.
    pub(crate) fn servo(boot_ms: u32, outputs: [u16; 4]) -> Self {
        let mut all = [0; 8];
        all[..4].copy_from_slice(&outputs);
        Self(36, 222, bytes(&[&boot_ms.wrapping_mul(1000).to_le_bytes(), &words(&all), &[0]]))
    }

    /// RC_CHANNELS_OVERRIDE for the vehicle: four channels.
    pub(crate) fn sticks(channels: [u16; 4]) -> Self {
        let mut all = [u16::MAX; 8];
        all[..4].copy_from_slice(&channels);
        Self(70, 124, bytes(&[&words(&all), &[1, 1]]))
    }

    /// RADIO_STATUS.
    pub(crate) fn radio(rssi: u8, remrssi: u8) -> Self {
        Self(109, 185, vec![0, 0, 0, 0, rssi, remrssi, 100, 20, 20])
    }

    /// BATTERY_STATUS of battery 0.
    pub(crate) fn battery(consumed_mah: i32, current_a: f64) -> Self {
        let current = ((current_a * 100.0).round() as i16).to_le_bytes();
        let cells = words(&[4000, 4000, 4000, 4000]);
        let head = bytes(&[&consumed_mah.to_le_bytes(), &[0xFF; 4], &[0xFF, 0x7F], &cells, &[0xFF; 12]]);
        Self(147, 154, bytes(&[&head, &current, &[0, 0, 0, 50]]))
    }
}

/// What happens at an instant.
#[derive(Clone, Debug)]
enum What {
    Frame { from: (u8, u8), number: Option<u64>, message: Message },
    Rtp { number: u16, stamp: u32 },
    Bytes(Vec<u8>),
    Note(Note),
}

/// What happens when; ticks each second are added.
#[derive(Clone, Debug, Default)]
pub(crate) struct Plan(Vec<(Nanos, What)>);

impl Plan {
    fn at(&mut self, at_s: f64, what: What) {
        self.0.push((Nanos::from_secs_f64(at_s), what));
    }

    /// A frame under the sender's next number, in order of time.
    pub(crate) fn send(&mut self, at_s: f64, from: (u8, u8), message: Message) {
        self.at(at_s, What::Frame { from, number: None, message });
    }

    /// A frame under a number of its own.
    pub(crate) fn send_as(&mut self, at_s: f64, from: (u8, u8), number: u64, message: Message) {
        self.at(at_s, What::Frame { from, number: Some(number), message });
    }

    /// A whole video frame in one packet.
    pub(crate) fn picture(&mut self, at_s: f64, number: u16) {
        self.at(at_s, What::Rtp { number, stamp: (at_s * 90_000.0) as u32 });
    }

    /// Bytes over the vehicle's line.
    pub(crate) fn bytes(&mut self, at_s: f64, bytes: &[u8]) {
        self.at(at_s, What::Bytes(bytes.to_vec()));
    }

    pub(crate) fn note(&mut self, at_s: f64, note: Note) {
        self.at(at_s, What::Note(note));
    }

    /// Plays what happens up to an instant, at which the session ends.
    pub(crate) fn play(mut self, profile: &str, limits: &[Threshold], end_s: f64) -> Played {
        for second in 0..end_s as i64 {
            self.note(second as f64, Note::Tick);
        }
        self.0.retain(|(at, _)| at.secs() <= end_s);
        self.note(end_s, Note::End);
        self.0.sort_by_key(|(at, _)| *at);
        let profile = Profile::parse(profile).expect("a profile");
        let mut monitor = LinkMonitor::new(Arc::new(profile), Arc::from(limits));
        for (id, (name, kind)) in INTERFACES.into_iter().enumerate() {
            let info = InterfaceInfo { name: name.to_owned(), kind, description: None };
            monitor.handle(&Entry::Interface(InterfaceId(id as u16), info));
        }
        let mut numbers = [0_u64; 256];
        for (at, what) in self.0 {
            handle(&mut monitor, at, what, &mut numbers);
        }
        Played(monitor)
    }
}

const INTERFACES: [(&str, InterfaceKind); 4] = [
    ("vehicle", InterfaceKind::Stream),
    ("handset", InterfaceKind::Stream),
    ("video", InterfaceKind::Datagram),
    ("marks", InterfaceKind::Marks),
];

fn handle(monitor: &mut LinkMonitor, at: Nanos, what: What, numbers: &mut [u64; 256]) {
    let mut record = |interface, body| {
        let at = Nanos::from_secs(1_750_000_000) + at;
        let direction = Direction::Inbound;
        monitor.handle(&Entry::Record(Record { at, interface: InterfaceId(interface), direction, body }));
    };
    match what {
        What::Frame { from, number, message: Message(id, extra, payload) } => {
            let next = &mut numbers[usize::from(from.0)];
            let bytes = frame(number.unwrap_or(*next), from, id, extra, &payload);
            *next += 1;
            record(u16::from(from == HANDSET), Body::Stream(&bytes));
        }
        What::Rtp { number, stamp } => {
            let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
            let mut bytes = vec![0x80, 96 + 128];
            bytes.extend_from_slice(&number.to_be_bytes());
            bytes.extend_from_slice(&stamp.to_be_bytes());
            bytes.extend_from_slice(&[0, 0, 0, 7]);
            bytes.extend_from_slice(&[0; 40]);
            let flow = Flow { source: end(40_000), destination: end(5004) };
            record(2, Body::Datagram { flow, bytes: &bytes });
        }
        What::Bytes(bytes) => record(0, Body::Stream(&bytes)),
        What::Note(note) => record(3, Body::Note(note)),
    }
}

/// A session that was played.
pub(crate) struct Played(pub(crate) LinkMonitor);

impl Played {
    pub(crate) fn summary(&self) -> Summary {
        self.0.summary(&RecordingFacts::default())
    }

    pub(crate) fn snapshot(&self) -> Snapshot {
        let to_s = self.0.now_s();
        self.0.snapshot(View { from_s: to_s - 60.0, to_s, columns: 60 }, Arc::new(self.summary()))
    }

    /// How many events of a kind were told.
    pub(crate) fn told(&self, kind: &str) -> usize {
        self.summary().events.iter().filter(|event| event.event.kind() == kind).count()
    }
}
