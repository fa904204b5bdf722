//! Walking a capture of 1,200-byte UDP packets, against reading the same memory.
//!
//! `FADEWATCH_BENCH_MB` sets the size (64 MB by default). The rival walks the same
//! blocks with the crate `pcap-parser` alone.

mod rivals;

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::record::{Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, Record};
use fadewatch::units::Nanos;
use pcap_parser::parse_block_le;

fn generate(megabytes: usize) -> Vec<u8> {
    let mut writer = PcapngWriter::new(Vec::with_capacity((megabytes + 1) << 20));
    let info = InterfaceInfo { name: "video".to_owned(), kind: InterfaceKind::Datagram, description: None };
    let interface = InterfaceId(0);
    writer.write(&Entry::Interface(interface, info)).expect("memory takes it");
    let flow = Flow { source: ([10, 0, 0, 1], 5000).into(), destination: ([10, 0, 0, 2], 5004).into() };
    let mut payload = [0x5A_u8; 1172];
    for number in 0..(megabytes << 20) / 1264 {
        payload[2..4].copy_from_slice(&(number as u16).to_be_bytes());
        let body = Body::Datagram { flow, bytes: &payload };
        let at = Nanos::from_micros(number as i64 * 700);
        let record = Record { at, interface, direction: Direction::Inbound, body };
        writer.write(&Entry::Record(record)).expect("memory takes it");
    }
    writer.into_inner()
}

fn walk(recording: &Recording) -> u64 {
    let mut cursor = recording.cursor();
    let mut sum = 0;
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(Record { body: Body::Datagram { bytes, .. }, .. }) = entry {
            sum += u64::from(bytes[3]) + bytes.len() as u64;
        }
    }
    sum
}

fn walk_with_crate(mut rest: &[u8]) -> u64 {
    let mut blocks = 0;
    while let Ok((after, block)) = parse_block_le(rest) {
        black_box(&block);
        blocks += 1;
        rest = after;
    }
    blocks
}

fn read_memory(bytes: &[u8]) -> u64 {
    let (words, _) = bytes.as_chunks::<8>();
    words.iter().fold(0, |sum, word| sum ^ u64::from_le_bytes(*word))
}

fn capture(criterion: &mut Criterion) {
    let bytes = generate(rivals::megabytes() as usize);
    let file = tempfile::NamedTempFile::new().expect("a place for the capture");
    std::fs::write(file.path(), &bytes).expect("room for the capture");
    let mut group = criterion.benchmark_group("capture");
    group.sample_size(20).throughput(Throughput::Bytes(bytes.len() as u64));
    let recording = Recording::open(file.path()).expect("a capture");
    group.bench_function("walk", |bencher| bencher.iter(|| walk(&recording)));
    group.bench_function("open and walk", |bencher| {
        bencher.iter(|| walk(&Recording::open(file.path()).expect("a capture")));
    });
    group.bench_function("walk with pcap-parser", |bencher| bencher.iter(|| walk_with_crate(&bytes)));
    group.bench_function("read memory", |bencher| bencher.iter(|| read_memory(black_box(&bytes))));
    group.finish();
}

criterion_group!(benches, capture);
criterion_main!(benches);
