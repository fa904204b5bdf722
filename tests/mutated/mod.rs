//! Captures that are damaged by a seed: real ones, bundled ones and invented ones of the test scenarios.
//!
//! A capture is cut into its records first (blocks of pcapng, records of pcap, pieces of bare bytes), a stretch of them is
//! taken behind the opening, and some of [`DAMAGES`] are done to it. Layouts: draft-ietf-opsawg-pcap and -pcapng.

use std::path::Path;

use fadewatch::capture::PcapngWriter;
use fadewatch::simulate::{Scenario, run};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

/// What a capture is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Layout {
    Blocks,
    Classic,
    Bare,
}

/// A capture before it is damaged: its opening, then its records.
struct Base {
    name: &'static str,
    layout: Layout,
    opening: Vec<u8>,
    records: Vec<Vec<u8>>,
}

/// All captures that are damaged.
pub(crate) struct Captures(Vec<Base>);

/// One that was.
pub(crate) struct Mutant {
    /// Of which, and what was done to it.
    pub(crate) about: String,
    pub(crate) bytes: Vec<u8>,
}

const RECORDED: [(&str, Layout, &[u8]); 9] = [
    ("orchard-1", Layout::Blocks, include_bytes!("../../recordings/orchard-1.pcapng")),
    ("orchard-2", Layout::Blocks, include_bytes!("../../recordings/orchard-2.pcapng")),
    ("orchard-3", Layout::Blocks, include_bytes!("../../recordings/orchard-3.pcapng")),
    ("orchard-4", Layout::Blocks, include_bytes!("../../recordings/orchard-4.pcapng")),
    ("field_rural", Layout::Blocks, include_bytes!("../data/field_rural_cut.pcapng")),
    ("rtp_h265", Layout::Classic, include_bytes!("../data/rtp_h265.pcap")),
    ("air", Layout::Classic, include_bytes!("../data/air/air.pcap")),
    ("quad2013", Layout::Bare, include_bytes!("../data/quad2013_a.raw")),
    ("sub_2023a", Layout::Bare, include_bytes!("../data/sub_2023a_cut.raw")),
];
const INVENTED: [(&str, &str); 4] = [
    ("bench", include_str!("../scenarios/bench.toml")),
    ("lossy", include_str!("../scenarios/lossy.toml")),
    ("three_sources", include_str!("../scenarios/three_sources.toml")),
    ("two_vehicles", include_str!("../scenarios/two_vehicles.toml")),
];

fn word(bytes: &[u8], at: usize) -> Option<usize> {
    bytes.get(at..)?.first_chunk().map(|four| u32::from_le_bytes(*four) as usize)
}

/// Little-endian records, as all these captures have them.
fn records(layout: Layout, bytes: &[u8]) -> Vec<Vec<u8>> {
    let (mut all, mut rest) = (Vec::new(), bytes);
    while !rest.is_empty() {
        let length = match layout {
            Layout::Blocks => word(rest, 4),
            Layout::Classic => word(rest, 8).map(|captured| 16 + captured),
            // Odd, so that frames are torn.
            Layout::Bare => Some(197),
        };
        let (one, behind) = rest.split_at(length.unwrap_or(rest.len()).clamp(1, rest.len()));
        all.push(one.to_vec());
        rest = behind;
    }
    all
}

fn base(name: &'static str, layout: Layout, bytes: &[u8]) -> Base {
    let header = if layout == Layout::Classic { 24 } else { 0 };
    let mut records = records(layout, &bytes[header..]);
    let mut opening = bytes[..header].to_vec();
    // Section and interfaces stay in front.
    let described =
        |record: &Vec<u8>| layout == Layout::Blocks && matches!(word(record, 0), Some(0x0A0D_0D0A | 1));
    let packets = records.iter().position(|record| !described(record)).unwrap_or(records.len());
    opening.extend(records.drain(..packets).flatten());
    Base { name, layout, opening, records }
}

impl Captures {
    /// Reads the recorded ones, and simulates the others for so many seconds.
    pub(crate) fn new(invented_s: f64) -> Self {
        let recorded = RECORDED.iter().map(|(name, layout, bytes)| base(name, *layout, bytes));
        let invented = INVENTED.iter().map(|(name, text)| {
            let mut scenario = Scenario::parse(text, Path::new(name)).expect("a scenario of the tests");
            scenario.duration_s = scenario.duration_s.min(invented_s);
            let mut writer = PcapngWriter::new(Vec::new());
            for entry in run(&scenario).entries() {
                writer.write(&entry).expect("memory");
            }
            base(name, Layout::Blocks, &writer.into_inner())
        });
        Self(recorded.chain(invented).collect())
    }

    /// The mutant of a seed, of about so many bytes at most before it is damaged.
    pub(crate) fn mutant(&self, seed: u64, most: usize) -> Mutant {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let base = &self.0[random.random_range(0..self.0.len())];
        let other = &self.0[random.random_range(0..self.0.len())];
        let mut capture = Capture { layout: base.layout, records: stretch(base, most, &mut random) };
        let mut about = base.name.to_owned();
        for _ in 0..random.random_range(1..=4) {
            let (name, damage) = DAMAGES[random.random_range(0..DAMAGES.len())];
            about = format!("{about}, {name}");
            if !capture.records.is_empty() {
                damage(&mut capture, other, &mut random);
            }
        }
        let mut bytes = base.opening.clone();
        bytes.extend(capture.records.concat());
        // Now and then the opening too, and what holds regardless of records.
        if random.random_ratio(1, 8) && !bytes.is_empty() {
            let place = random.random_range(0..bytes.len().min(256));
            bytes[place] ^= 1 << random.random_range(0..8);
            about.push_str(", a bit of the opening");
        }
        if random.random_ratio(1, 4) && !bytes.is_empty() {
            bytes.truncate(random.random_range(1..=bytes.len()));
            about.push_str(", cut");
        }
        Mutant { about, bytes }
    }
}

/// Records in a row, of so many bytes at most.
fn stretch(base: &Base, most: usize, random: &mut ChaCha8Rng) -> Vec<Vec<u8>> {
    let from = random.random_range(0..base.records.len());
    let mut bytes = 0;
    let within = |record: &&Vec<u8>| {
        bytes += record.len();
        bytes <= most
    };
    base.records[from..].iter().take_while(within).cloned().collect()
}

struct Capture {
    layout: Layout,
    records: Vec<Vec<u8>>,
}

impl Capture {
    fn any(&self, random: &mut ChaCha8Rng) -> usize {
        random.random_range(0..self.records.len())
    }

    /// A few in a row.
    fn row(&self, random: &mut ChaCha8Rng) -> std::ops::Range<usize> {
        let from = self.any(random);
        from..(from + random.random_range(1..200)).min(self.records.len())
    }

    /// Writes a word at a place of a record that is long enough.
    fn set(&mut self, record: usize, at: usize, value: u32) {
        if let Some(old) = self.records[record].get_mut(at..at + 4) {
            old.copy_from_slice(&value.to_le_bytes());
        }
    }

    /// Where a record's stamp stands: the more significant word, then the other.
    const fn stamp(&self) -> Option<(usize, usize)> {
        match self.layout {
            Layout::Blocks => Some((12, 16)),
            Layout::Classic => Some((0, 4)),
            Layout::Bare => None,
        }
    }
}

const ABSURD: [u32; 10] =
    [0, 1, 11, 0x7F, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, u32::MAX, u32::MAX - 3, 0x0100_0000];

type Damage = fn(&mut Capture, &Base, &mut ChaCha8Rng);

/// What is done.
const DAMAGES: [(&str, Damage); 12] = [
    ("bits flipped", |capture, _, random| {
        for _ in 0..random.random_range(1..64) {
            let record = capture.any(random);
            let place = random.random_range(0..capture.records[record].len());
            capture.records[record][place] ^= 1 << random.random_range(0..8);
        }
    }),
    ("bytes overwritten", |capture, _, random| {
        let record = capture.any(random);
        let from = random.random_range(0..capture.records[record].len());
        let byte = [0, 0xFF, 0xFD, 0xFE, 0x80][random.random_range(0..5)];
        capture.records[record][from..].fill(byte);
    }),
    ("records left out", |capture, _, random| {
        let row = capture.row(random);
        capture.records.drain(row);
    }),
    ("records twice", |capture, _, random| {
        let row = capture.row(random);
        let (copies, to) = (capture.records[row].to_vec(), capture.any(random));
        capture.records.splice(to..to, copies);
    }),
    ("records swapped", |capture, _, random| {
        for _ in 0..random.random_range(1..50) {
            let (one, other) = (capture.any(random), capture.any(random));
            capture.records.swap(one, other);
        }
    }),
    ("records of another", |capture, other, random| {
        let (theirs, to) = (stretch(other, 20_000, random), capture.any(random));
        capture.records.splice(to..to, theirs);
    }),
    ("a record cut", |capture, _, random| {
        let record = capture.any(random);
        let length = random.random_range(0..capture.records[record].len());
        capture.records[record].truncate(length);
    }),
    ("absurd stamps", |capture, _, random| {
        for _ in 0..random.random_range(1..20) {
            let record = capture.any(random);
            if let Some((high, low)) = capture.stamp() {
                capture.set(record, high, ABSURD[random.random_range(0..ABSURD.len())]);
                capture.set(record, low, ABSURD[random.random_range(0..ABSURD.len())]);
            }
        }
    }),
    ("a step of all stamps behind", |capture, _, random| {
        let Some((high, low)) = capture.stamp() else { return };
        let (from, by) = (capture.any(random), random.random::<i64>() >> random.random_range(0..40));
        for record in from..capture.records.len() {
            let of = |at| word(&capture.records[record], at).unwrap_or(0) as u64;
            let moved = (of(high) << 32 | of(low)).wrapping_add_signed(by);
            capture.set(record, high, (moved >> 32) as u32);
            capture.set(record, low, moved as u32);
        }
    }),
    ("a hole behind each", |capture, _, random| {
        let Some((high, low)) = capture.stamp() else { return };
        let hole = random.random_range(0..1_u64 << 50);
        for record in 0..capture.records.len() {
            let of = |at| word(&capture.records[record], at).unwrap_or(0) as u64;
            let moved = (of(high) << 32 | of(low)).wrapping_add(hole.wrapping_mul(record as u64));
            capture.set(record, high, (moved >> 32) as u32);
            capture.set(record, low, moved as u32);
        }
    }),
    ("absurd lengths", |capture, _, random| {
        let record = capture.any(random);
        let places = [4, 8, 12, 20, 24, capture.records[record].len().saturating_sub(4)];
        let at = places[random.random_range(0..places.len())];
        capture.set(record, at, ABSURD[random.random_range(0..ABSURD.len())]);
    }),
    ("one record very often", |capture, _, random| {
        let record = capture.records[capture.any(random)].clone();
        let (to, times) = (capture.any(random), (40_000 / record.len()).min(2000));
        capture.records.splice(to..to, std::iter::repeat_n(record, times));
    }),
];
