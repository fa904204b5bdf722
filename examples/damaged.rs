//! Time per byte of damaged recordings beside that of the clean one.
//!
//! `cargo run --release --example damaged -- [FILE|MEGABYTES] [PROFILE] [WORD]`: the recording (an invented flight of 8 MB without
//! one) is written again with each kind of damage (or those with the word in their names), by a fixed seed; then processor seconds of the core's thread through
//! all metrics and the final estimates, the mean of rounds of half a second, and the ratio to the clean one's per byte.

#[path = "../benches/generated/mod.rs"]
mod generated;

use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::profile::Profile;
use fadewatch::record::{Entry, OwnedBody, OwnedRecord};
use fadewatch::run::{Reading, analyse};
use fadewatch::summary::Earlier;
use fadewatch::units::Nanos;
use rand::rngs::ChaCha8Rng;
use rand::seq::SliceRandom as _;
use rand::{RngExt as _, SeedableRng as _};

type Failure = Box<dyn std::error::Error>;
type Damage = fn(&mut ChaCha8Rng, &mut Vec<OwnedRecord>);

/// Measured for at least so long: what counts processor time counts in steps of some milliseconds.
const LEAST_NS: f64 = 5e8;
const SECOND: i64 = 1_000_000_000;

/// What is done to the records.
const DAMAGES: [(&str, Damage); 15] = [
    ("clean", |_, _| {}),
    ("a wrong bit in 10,000 bytes", |random, records| flip(random, records, 10_000)),
    ("in 1,000", |random, records| flip(random, records, 1000)),
    ("in 100", |random, records| flip(random, records, 100)),
    ("each record cut", |random, records| {
        each_bytes(records, |bytes| bytes.truncate(random.random_range(0..=bytes.len())));
    }),
    ("nothing but chance", |random, records| each_bytes(records, |bytes| random.fill(bytes.as_mut_slice()))),
    ("starts of frames", |_, records| each_bytes(records, |bytes| bytes.fill(0xFD))),
    ("shuffled, bytes in stamped order", |random, records| {
        let stamps: Vec<Nanos> = records.iter().map(|record| record.at).collect();
        records.shuffle(random);
        records.iter_mut().zip(stamps).for_each(|(record, at)| record.at = at);
    }),
    ("shuffled, stamps too", |random, records| records.shuffle(random)),
    ("neighbours swapped", |_, records| records.chunks_mut(2).for_each(<[_]>::reverse)),
    ("each tenth stamp by chance", |random, records| {
        records
            .iter_mut()
            .step_by(10)
            .for_each(|record| record.at = Nanos(random.random::<i64>() & i64::MAX));
    }),
    ("all stamps by chance", |random, records| {
        for record in records {
            record.at = Nanos(random.random::<i64>() & i64::MAX);
        }
    }),
    ("an hour's hole behind each 100th", |_, records| {
        later(records, |place| if place % 100 == 0 { 3600 } else { 0 });
    }),
    ("two minutes behind each", |_, records| later(records, |_| 120)),
    ("set back and forth by 100 s each 50", |_, records| {
        let back = |place: usize| if place / 50 % 2 == 1 { Nanos(100 * SECOND) } else { Nanos::ZERO };
        records.iter_mut().enumerate().for_each(|(place, record)| record.at -= back(place));
    }),
];

fn each_bytes(records: &mut [OwnedRecord], mut change: impl FnMut(&mut Vec<u8>)) {
    for record in records {
        if let OwnedBody::Stream(bytes) | OwnedBody::Datagram { bytes, .. } = &mut record.body {
            let mut own = bytes.to_vec();
            change(&mut own);
            *bytes = own.into();
        }
    }
}

fn flip(random: &mut ChaCha8Rng, records: &mut [OwnedRecord], every: u32) {
    each_bytes(records, |bytes| {
        for byte in bytes {
            if random.random_ratio(1, every) {
                *byte ^= 1 << random.random_range(0..8);
            }
        }
    });
}

fn later(records: &mut [OwnedRecord], by_s: impl Fn(usize) -> i64) {
    let mut by = Nanos::ZERO;
    for (place, record) in records.iter_mut().enumerate() {
        record.at += by;
        by += Nanos(by_s(place) * SECOND);
    }
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn main() -> Result<(), Failure> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let folder = tempfile::tempdir()?;
    let (clean, damaged) = (folder.path().join("clean.pcapng"), folder.path().join("damaged.pcapng"));
    let first = words.first().map_or("8", String::as_str);
    if let Ok(megabytes) = first.parse::<u64>() {
        let mut file = std::io::BufWriter::new(File::create(&clean)?);
        generated::write_flight(&mut file, megabytes * 1_000_000)?;
    } else {
        std::fs::copy(first, &clean)?;
    }
    let text = words.get(1).map_or(Ok(generated::PROFILE.to_owned()), std::fs::read_to_string)?;
    let profile = Arc::new(Profile::parse(&text)?);
    let recording = Recording::open(&clean)?;
    let mut cursor = recording.cursor();
    let (mut opening, mut records) = (Vec::new(), Vec::new());
    while let Some(entry) = recording.next(&mut cursor) {
        match entry {
            Entry::Record(record) => records.push(OwnedRecord::from(&record)),
            other => opening.push(other),
        }
    }
    println!("{:>36} {:>9} {:>6} {:>9} {:>9} {:>7}", "", "ns/byte", "ratio", "records", "seconds", "events");
    let mut usual = None;
    let word = words.get(2).map_or("", String::as_str);
    for (name, damage) in DAMAGES.into_iter().filter(|(name, _)| *name == "clean" || name.contains(word)) {
        let mut random = ChaCha8Rng::seed_from_u64(10_001);
        let mut changed = records.clone();
        damage(&mut random, &mut changed);
        let mut writer = PcapngWriter::new(std::io::BufWriter::new(File::create(&damaged)?));
        opening.iter().try_for_each(|entry| writer.write(entry))?;
        changed.iter().try_for_each(|record| writer.write(&Entry::Record(record.as_record())))?;
        writer.flush()?;
        drop(writer);
        let (per_byte, walked, events) = measured(&damaged, &profile)?;
        let ratio = per_byte / *usual.get_or_insert(per_byte);
        println!("{name:>36} {per_byte:9.2} {ratio:6.1} {:9} {walked:9} {events:7}", changed.len());
    }
    Ok(())
}

/// Processor nanoseconds of this thread a byte, the mean of some rounds; seconds walked through, and events listed.
fn measured(path: &Path, profile: &Arc<Profile>) -> Result<(f64, u64, usize), Failure> {
    let bytes = std::fs::metadata(path)?.len() as f64;
    let (begun, mut rounds) = (processor_ns()?, 0.0);
    loop {
        let recording = Recording::open(path)?;
        let (monitor, facts) = analyse(&recording, profile, Earlier::default(), Reading::InTurn, &|_| {});
        let summary = monitor.summary(&facts);
        rounds += 1.0;
        let spent = processor_ns()? - begun;
        if spent > LEAST_NS {
            return Ok((spent / rounds / bytes, monitor.seconds_walked(), summary.events.len()));
        }
    }
}

/// Processor time of this thread until now.
fn processor_ns() -> Result<f64, Failure> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat")?;
    Ok(text.split(' ').next().unwrap_or_default().parse()?)
}
