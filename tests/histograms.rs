//! The histogram log: what `summary --histograms` writes is read back by a reader of its own; and what its rows are of.

mod frames;

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::process::Command;

use fadewatch::record::{Flow, InterfaceId, InterfaceInfo, InterfaceKind};
use fadewatch::summary::TimingWhat;
use fadewatch::{Body, Direction, Entry, LinkMonitor, Nanos, Record, RecordingFacts};
use frames::frame;
use hdrhistogram::Histogram;
use hdrhistogram::serialization::Deserializer;
use hdrhistogram::serialization::interval_log::{IntervalLogIterator, LogEntry};
use serde_json::Value;

fn fadewatch(arguments: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_fadewatch"))
        .args(arguments)
        .env("FADEWATCH_PROFILE", "none")
        .output()
        .expect("the program runs")
}

/// Every row of the summary's `timing` is in the log, with the same count and longest time; the latency beside them.
#[test]
fn the_log_holds_what_the_summary_says() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("h.hlog");
    let recording = "recordings/orchard-4.pcapng";
    let profile = ["--profile", "recordings/orchard-profile.toml"];
    let path_text = path.to_str().unwrap();
    let output =
        fadewatch(&["summary", "--json", profile[0], profile[1], "--histograms", path_text, recording]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let summary: Value = serde_json::from_slice(&output.stdout).unwrap();
    let text = std::fs::read(&path).unwrap();
    let mut read = Vec::new();
    for entry in IntervalLogIterator::new(&text) {
        if let LogEntry::Interval(interval) = entry.unwrap() {
            let bytes = base64::engine::Engine::decode(
                &base64::engine::general_purpose::STANDARD,
                interval.encoded_histogram(),
            )
            .unwrap();
            let histogram: Histogram<u64> = Deserializer::new().deserialize(&mut bytes.as_slice()).unwrap();
            read.push((interval.tag().unwrap().as_str().to_owned(), histogram));
        }
    }
    let rows = summary["timing"].as_array().unwrap();
    let kinds = |kind: &str| rows.iter().filter(|row| row["what"] == kind).count();
    assert!(kinds("message") > 5 && kinds("lateness") >= 1 && kinds("video_frame") == 1, "{rows:#?}");
    for (row, (tag, histogram)) in rows.iter().zip(&read) {
        assert!(tag.starts_with(row["what"].as_str().unwrap()), "{tag}: {row}");
        assert_eq!(row["samples"].as_u64(), Some(histogram.len()), "{tag}");
        assert_eq!(row["max_ms"].as_f64(), Some(histogram.max() as f64 / 1000.0), "{tag}");
    }
    let latency: Vec<&(String, Histogram<u64>)> =
        read.iter().filter(|(tag, _)| tag.starts_with("latency:")).collect();
    assert_eq!(read.len(), rows.len() + latency.len());
    let (_, servo) = latency.iter().find(|(tag, _)| tag == "latency:stick_to_servo").expect("it is measured");
    let median = summary["latency"]["stick_to_servo"]["p50_ms"].as_f64().unwrap();
    let bin = servo.value_at_quantile(0.5) as f64 / 1000.0;
    assert!((bin - median).abs() < 10.0, "{bin} ms for {median} ms");
}

#[test]
fn histograms_are_those_of_one_recording() {
    let one = "recordings/orchard-1.pcapng";
    let output = fadewatch(&["summary", "--histograms", "never.hlog", one, one]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("histograms of one recording"));
}

/// Two forwarders bring the same vehicle's frames to one port: neither's spacing is that between the two.
#[test]
fn flows_of_one_sender_are_timed_apart() {
    let mut monitor = LinkMonitor::default();
    let info = InterfaceInfo { name: "vehicle".to_owned(), kind: InterfaceKind::Datagram, description: None };
    monitor.handle(&Entry::Interface(InterfaceId(0), info));
    for step in 0..200_u64 {
        for (port, late_ms) in [(40_001, 0), (40_002, 3)] {
            let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
            let flow = Flow { source: end(port), destination: end(14_550) };
            // ATTITUDE, its boot clock first.
            let payload = [&((step * 100 + 5000) as u32).to_le_bytes()[..], &[1; 24]].concat();
            let bytes = frame(step, (1, 1), 30, 39, &payload);
            let (at, direction) = (Nanos::from_millis((step * 100 + late_ms) as i64), Direction::Inbound);
            let body = Body::Datagram { flow, bytes: &bytes };
            monitor.handle(&Entry::Record(Record { at, interface: InterfaceId(0), direction, body }));
        }
    }
    let summary = monitor.summary(&RecordingFacts::default());
    let spacings = summary.timing.iter().filter(|row| row.what == TimingWhat::Message);
    let mut ends = BTreeSet::new();
    for row in spacings {
        assert_eq!(row.samples, 199, "{row:?}");
        assert!((row.p50_ms - 100.0).abs() <= 1.0 && row.max_ms <= 101.0, "{row:?}");
        ends.insert(row.endpoint.clone().unwrap());
    }
    assert_eq!(ends.len(), 2, "{ends:?}");
    assert_eq!(summary.streams.len(), 2);
}
