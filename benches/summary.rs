//! A whole summary beside its rivals in the same run: `cargo bench --bench summary`.
//!
//! `FADEWATCH_BENCH_MB` sets the size (64 MB by default). A recorded flight (MAVLink and RTP video) through
//! all metrics against reading the file in pieces, as `cat` to the null device does; bare MAVLink bytes
//! against the `mavlink` crate's own reader loop on the same bytes; both with the file read in turn with the
//! core and ahead of it. Final estimates stand apart.

#![allow(missing_docs, reason = "criterion makes public functions")]

mod generated;
mod rivals;

use std::fs::File;
use std::hint::black_box;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use fadewatch::capture::Recording;
use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::run::{Reading, analyse};
use fadewatch::snapshot::View;
use fadewatch::summary::Earlier;
use fadewatch::wire::codec;
use mavlink::dialects::all::MavMessage;

fn through_the_core(path: &Path, profile: &Arc<Profile>, reading: Reading) -> (LinkMonitor, RecordingFacts) {
    let recording = Recording::open(path).expect("a recording");
    analyse(&recording, profile, Earlier::default(), reading, &|_| {})
}

fn read_in_pieces(path: &Path) -> usize {
    let mut file = File::open(path).expect("a file");
    let mut buffer = vec![0; 128 << 10];
    let mut all = 0;
    loop {
        match file.read(&mut buffer).expect("readable") {
            0 => return all,
            count => all += black_box(count),
        }
    }
}

fn summary(criterion: &mut Criterion) {
    let size = rivals::megabytes();
    let folder = tempfile::tempdir().expect("a place for the input");
    let (flight, bare) = (folder.path().join("flight.pcapng"), folder.path().join("bare.bin"));
    let create = |path| std::io::BufWriter::new(File::create(path).expect("a file"));
    generated::write_flight(&mut create(&flight), size * 1_000_000).expect("room for the flight");
    generated::write_bare(&mut create(&bare), size * 1_000_000).expect("room for the bytes");
    let profile = Arc::new(Profile::parse(generated::PROFILE).expect("a profile"));
    let mut group = criterion.benchmark_group("summary");
    group.sample_size(10).throughput(Throughput::Bytes(size * 1_000_000));
    for (name, path) in [("flight", &flight), ("bare", &bare)] {
        for (how, reading) in [("", Reading::InTurn), (", read ahead", Reading::Ahead)] {
            group.bench_function(format!("{name}, all metrics{how}"), |bencher| {
                bencher.iter(|| through_the_core(path, &profile, reading));
            });
        }
    }
    group.bench_function("flight, read in pieces", |bencher| bencher.iter(|| read_in_pieces(&flight)));
    group.bench_function("bare, the crate's reader loop", |bencher| {
        bencher.iter(|| rivals::crate_loop(&std::fs::read(&bare).expect("a file")));
    });
    let (monitor, facts) = through_the_core(&flight, &profile, Reading::InTurn);
    group.bench_function("flight, final estimates", |bencher| bencher.iter(|| monitor.summary(&facts)));
    let figures = Arc::new(monitor.summary(&facts));
    let view = View { from_s: monitor.now_s() - 120.0, to_s: monitor.now_s(), columns: 180 };
    group.bench_function("flight, one picture", |bencher| {
        bencher.iter(|| monitor.snapshot(view, Arc::clone(&figures)));
    });
    group.finish();
}

/// Fields out of frames, beside the crate's parser.
fn decode(criterion: &mut Criterion) {
    use fadewatch::wire::framer::Framer;
    let mut bytes = Vec::new();
    generated::write_bare(&mut bytes, 4_000_000).expect("memory takes it");
    let mut frames: Vec<Vec<u8>> = Vec::new();
    Framer::stream().push(&bytes, &mut |frame| frames.push(frame.bytes.to_vec()));
    let mut group = criterion.benchmark_group("decode");
    group.sample_size(20).throughput(Throughput::Elements(frames.len() as u64));
    group.bench_function("frame and fields", |bencher| {
        bencher.iter(|| {
            let mut framer = Framer::stream();
            for frame in &frames {
                framer.push(frame, &mut |frame| {
                    black_box(codec::decode(frame));
                });
            }
        });
    });
    group.bench_function("the crate's parser", |bencher| {
        bencher.iter(|| {
            for frame in &frames {
                let mut reader = mavlink::MavlinkReader::new(frame.as_slice());
                let _ = black_box(reader.read_any_message::<MavMessage>());
            }
        });
    });
    group.finish();
}

criterion_group!(benches, summary, decode);
criterion_main!(benches);
