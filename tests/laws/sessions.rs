//! Laws of the whole way: a recording of arbitrary entries through the core to figures and pictures.
//!
//! Live and recorded are one path: what the entries give and what their recording gives is the same to the last digit.

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, LazyLock};

use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::monitor::LinkMonitor;
use fadewatch::profile::Profile;
use fadewatch::record::joystick_layout::{JoystickAxis, JoystickLayout};
use fadewatch::record::{
    Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, MarkKind, Note, OwnedRecord,
    Record, SessionInfo,
};
use fadewatch::summary::Earlier;
use fadewatch::units::Nanos;

use super::captures;
use super::choices::Choices;
use super::figures;
use super::frames::{IDS, frame};

/// Without links, the invented orchard's, and one whose levels come from a card and whose video has no port.
pub static PROFILES: LazyLock<[Arc<Profile>; 3]> = LazyLock::new(|| {
    let texts = [
        "",
        include_str!("../../recordings/orchard-profile.toml"),
        "[vehicle]\nsystem = 2\n[[link]]\nname = \"video\"\nrole = \"video\"\nwifi = \"wlan0\"\n\
         [[link]]\nname = \"control\"\nrole = \"control\"\nrc_rssi = true\nreduced_power_db = 20\n",
    ];
    texts.map(|text| Arc::new(Profile::parse(text).expect("a profile")))
});

const INTERFACES: [(&str, InterfaceKind); 6] = [
    ("vehicle", InterfaceKind::Stream),
    ("handset", InterfaceKind::Stream),
    ("video", InterfaceKind::Datagram),
    ("marks", InterfaceKind::Marks),
    ("sticks", InterfaceKind::Joystick),
    ("card", InterfaceKind::Wireless),
];
const LIMITS: [&str; 2] = [
    r#"{"thresholds":[{"link":"video","unit":"dbm","level_p50":-86.0,"level_p05":-81.0,"level_p05_ci95":[-83.0,-79.5],"base":0.0002,"sessions":4,"freezes":31,"method":"logistic"}]}"#,
    r#"{"thresholds":[{"link":"video","level_p05":1e300}],"vibration":{"limit":-1}}"#,
];

/// What the sender of a session remembers.
struct Scene {
    at: i64,
    sequence: [u8; 4],
    boot_ms: u32,
    rtp: (u16, u32),
    records: Vec<OwnedRecord>,
}

const MOST_RECORDS: usize = 4096;

impl Scene {
    fn record(&mut self, interface: u16, direction: Direction, body: &Body<'_>) {
        let record =
            Record { at: Nanos(self.at), interface: InterfaceId(interface), direction, body: body.clone() };
        self.records.push(OwnedRecord::from(&record));
    }

    fn note(&mut self, note: Note) {
        self.record(3, Direction::Inbound, &Body::Note(note));
    }

    /// A frame with a payload that a clock and numbers of any kind stand in.
    fn frame(&mut self, choices: &mut Choices<'_>, payload: &[u8]) -> Vec<u8> {
        let kind = choices.byte();
        let id = IDS[usize::from(kind) % IDS.len()];
        let sender = choices.byte();
        let place = usize::from(sender & 3);
        let jump = if sender & 0x70 == 0x70 { choices.byte() } else { 1 };
        self.sequence[place] = self.sequence[place].wrapping_add(jump);
        let mut payload = payload.to_vec();
        if kind & 0x80 == 0 && payload.len() >= 4 && !matches!(id, 0 | 1 | 253) {
            payload[..4].copy_from_slice(&self.boot_ms.to_le_bytes());
        }
        let system = [1, 255, 77, 2][place];
        let component = if place == 2 { 110 + (sender >> 2 & 3) } else { 1 };
        frame(sender & 0x80 == 0, false, [self.sequence[place], system, component], id, &payload)
    }

    fn rtp(&mut self, choices: &mut Choices<'_>) -> Vec<u8> {
        let kind = choices.byte();
        self.rtp.0 = self.rtp.0.wrapping_add(if kind & 7 == 7 { u16::from(choices.byte()) } else { 1 });
        let ends = kind & 8 == 0;
        let mut bytes = vec![0x80, if ends { 0xE0 } else { 0x60 }];
        bytes.extend(self.rtp.0.to_be_bytes());
        bytes.extend(self.rtp.1.to_be_bytes());
        bytes.extend([0x1f, 0x2e, 0x3d, 0x4c ^ (kind >> 6)]);
        let length = choices.below(16);
        bytes.extend(choices.take(length));
        if ends {
            self.rtp.1 = self.rtp.1.wrapping_add(3000);
        }
        bytes
    }

    fn any_note(choices: &mut Choices<'_>) -> Note {
        let interface = InterfaceId(u16::from(choices.byte()) % INTERFACES.len() as u16);
        let text = String::from_utf8_lossy(choices.take(4)).into_owned();
        match choices.below(14) {
            0 => Note::Mark { kind: choices.one_of(&MarkKind::ALL), text },
            1 => Note::SourceDown { interface, reason: text },
            2 => Note::SourceUp { interface },
            3 => Note::HostDrops { interface, total: choices.u64() >> choices.below(64) },
            4 => Note::Joystick {
                interface: InterfaceId(4),
                layout: JoystickLayout {
                    event_bytes: choices.one_of(&[16, 24]),
                    big_endian: choices.once_in(4),
                    axes: (0..choices.below(4) as u16)
                        .map(|code| {
                            let [minimum, maximum, value] = [0; 3].map(|_: i32| choices.u32() as i32);
                            JoystickAxis { code, minimum, maximum, value }
                        })
                        .collect(),
                    name: "invented".to_owned(),
                },
            },
            5 => Note::BytesLost { bytes: choices.u64(), reach: None },
            6 => Note::BytesLost { bytes: 1, reach: Some(Nanos(choices.u64() as i64)) },
            7 => Note::Stalled { reach: Nanos(choices.u64() as i64) },
            8 => Note::Limits { json: choices.one_of(&LIMITS).to_owned() },
            9 => Note::WallClockStep { by: Nanos(choices.u64() as i64) },
            10 => Note::Transmits { what: text },
            11 => Note::Acknowledged { link: "video".to_owned() },
            12 => Note::End,
            _ => Note::Stalled { reach: Nanos::from_millis(i64::from(choices.u16())) },
        }
    }

    fn pass(&mut self, by: i64) {
        // A recording begins in 1970.
        self.at = self.at.saturating_add(by).max(0);
        self.boot_ms = self.boot_ms.wrapping_add((by / 1_000_000) as u32);
    }

    /// One thing happens, perhaps often.
    fn happen(&mut self, choices: &mut Choices<'_>) {
        let what = choices.byte();
        let length = usize::from(choices.byte() & 63);
        let payload = choices.take(length);
        let again = choices.byte();
        let times = if again & 3 == 3 { usize::from(again >> 2) + 1 } else { 1 };
        let step_ms = i64::from(choices.byte()) * if what & 0x80 == 0 { 1 } else { 10 };
        let rest = choices.0;
        for _ in 0..times {
            if self.records.len() >= MOST_RECORDS {
                return;
            }
            // The same choices each time, so that what is sent often differs in number and clock alone.
            let mut same = Choices(rest);
            self.once(what & 15, payload, &mut same);
            *choices = same;
            self.pass(step_ms * 1_000_000);
        }
    }

    fn once(&mut self, what: u8, payload: &[u8], choices: &mut Choices<'_>) {
        let inbound = Direction::Inbound;
        let flow = |port: u16| Flow {
            source: SocketAddr::from((Ipv4Addr::new(192, 0, 2, 20), 40_000)),
            destination: SocketAddr::from((Ipv4Addr::new(192, 0, 2, 1), port)),
        };
        match what {
            0..=3 => {
                let bytes = self.frame(choices, payload);
                self.record(0, inbound, &Body::Stream(&bytes));
            }
            4 => {
                let bytes = self.frame(choices, payload);
                self.record(1, inbound, &Body::Stream(&bytes));
            }
            5 => {
                let mut bytes = self.frame(choices, payload);
                let place = usize::from(choices.byte()) % bytes.len();
                bytes[place] ^= choices.byte();
                self.record(
                    0,
                    if payload.is_empty() { Direction::Outbound } else { inbound },
                    &Body::Stream(&bytes),
                );
            }
            6 | 7 => {
                let bytes = self.rtp(choices);
                self.record(2, inbound, &Body::Datagram { flow: flow(5004), bytes: &bytes });
            }
            8 => {
                let bytes = self.frame(choices, payload);
                let flow = flow(14_550 + u16::from(choices.byte() & 1));
                self.record(2, inbound, &Body::Datagram { flow, bytes: &bytes });
            }
            9 => self.note(Note::Tick),
            10 => {
                let note = Self::any_note(choices);
                self.note(note);
            }
            11 => self.record(4, inbound, &Body::Stream(payload)),
            12 => {
                let level = choices.byte();
                let row = format!("wlan0: 0000   {}.  -{level}.  -95.        0      0      0", level & 63);
                self.record(5, inbound, &Body::Stream(row.as_bytes()));
            }
            13 => self.record(choices.u16() % INTERFACES.len() as u16, inbound, &Body::Stream(payload)),
            14 => self.pass(match choices.byte() {
                kind @ 0..=127 => i64::from(kind) * 1_000_000_000,
                kind @ 128..=200 => -i64::from(kind - 127) * 100_000_000,
                _ => choices.u64() as i64,
            }),
            _ => self.boot_ms = choices.u32(),
        }
    }
}

/// Entries of a session in which anything happens.
pub fn build(choices: &mut Choices<'_>) -> Vec<OwnedRecord> {
    let mut scene = Scene {
        at: 1_900_000_000_000_000_000,
        sequence: [0; 4],
        boot_ms: 75_250,
        rtp: (65_500, 0),
        records: Vec::new(),
    };
    while !choices.is_over() && scene.records.len() < MOST_RECORDS {
        scene.happen(choices);
    }
    scene.records
}

fn opening<'a>() -> impl Iterator<Item = Entry<'a>> {
    let info = |name: &str, kind| InterfaceInfo { name: name.to_owned(), kind, description: None };
    let session = Entry::Session(SessionInfo { has_wall_clock: true, ..SessionInfo::default() });
    let interfaces = INTERFACES.into_iter().enumerate();
    let interfaces =
        interfaces.map(move |(id, (name, kind))| Entry::Interface(InterfaceId(id as u16), info(name, kind)));
    std::iter::once(session).chain(interfaces)
}

/// Entries and their recording give the same figures.
fn one_path(records: &[OwnedRecord], profile: &Arc<Profile>) {
    let mut live = LinkMonitor::with_earlier(Arc::clone(profile), Earlier::default());
    let mut writer = PcapngWriter::new(Vec::new());
    let entries = records.iter().map(|record| Entry::Record(record.as_record()));
    for entry in opening().chain(entries) {
        // A record that no recording can hold reaches nobody.
        if writer.write(&entry).is_ok() {
            live.handle(&entry);
        }
    }
    let records = records.len() as u64;
    let figures = figures::of_monitor(&live, records);
    let recording =
        Recording::read("session.pcapng", &writer.into_inner()[..]).expect("what was written opens");
    assert_same(&figures, &played(&recording, profile));
}

fn assert_same(live: &str, recorded: &str) {
    let differ = live.bytes().zip(recorded.bytes()).position(|(one, other)| one != other);
    let around = |text: &str, at: usize| {
        String::from_utf8_lossy(&text.as_bytes()[at.saturating_sub(200)..(at + 100).min(text.len())])
            .into_owned()
    };
    if let Some(at) = differ {
        panic!("live:     {}\nrecorded: {}", around(live, at), around(recorded, at));
    }
    assert_eq!(live.len(), recorded.len());
}

/// Figures of a recording, all laws kept.
pub fn played(recording: &Recording, profile: &Arc<Profile>) -> String {
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(profile), Earlier::default());
    let (mut cursor, mut records) = (recording.cursor(), 0);
    while let Some(entry) = recording.next(&mut cursor) {
        records += u64::from(matches!(entry, Entry::Record(_)));
        monitor.handle(&entry);
    }
    figures::of_monitor(&monitor, records)
}

/// Built entries, or bytes as a file.
pub fn session(data: &[u8]) {
    let mut choices = Choices(data);
    let mode = choices.byte();
    let profile = &PROFILES[usize::from(mode >> 2) % PROFILES.len()];
    match mode & 3 {
        0 | 1 => one_path(&build(&mut choices), profile),
        2 => {
            if let Some(recording) = captures::opened(&captures::build_pcapng(&mut choices)) {
                played(&recording, profile);
            }
        }
        _ => {
            if let Some(recording) = captures::opened(choices.0) {
                played(&recording, profile);
            }
        }
    }
}
