//! A capture of a receiver in monitor mode against a packet tool's own reading of it.
//!
//! tests/data/air holds the capture, how it was made, and the table that the tool gave.

#![allow(clippy::unwrap_used)]

mod live_session;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::monitor::LinkMonitor;
use fadewatch::profile::Profile;
use fadewatch::record::Entry;
use fadewatch::session::live::LiveConfig;
use fadewatch::snapshot::View;
use fadewatch::source::SourceUrl;
use fadewatch::summary::{SignalSummary, Summary, Threshold, TransmitterSummary};
use fadewatch::units::LevelUnit;
use live_session::start;

const VIDEO: &str = "02:00:00:00:00:01";
const VEHICLE: &str = "02:00:00:00:00:03";

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/air").join(name)
}

/// One frame as the packet tool read it.
#[expect(clippy::struct_excessive_bools, reason = "columns of a table")]
struct Row {
    transmitter: String,
    is_data: bool,
    retry: bool,
    number: Option<u16>,
    levels: Vec<f64>,
    noise: Option<f64>,
    rate_mbps: Option<f64>,
    damaged: bool,
    to_video_port: bool,
}

fn rows() -> Vec<Row> {
    let table = std::fs::read_to_string(data("air.tsv")).unwrap();
    let row = |line: &str| {
        let columns: Vec<&str> = line.split('\t').collect();
        let numbers =
            |text: &str| text.split(',').filter_map(|number| number.parse().ok()).collect::<Vec<f64>>();
        Row {
            transmitter: columns[1].to_owned(),
            is_data: columns[3] == "2",
            retry: columns[4] == "1",
            number: columns[5].parse().ok(),
            levels: numbers(columns[7]),
            noise: numbers(columns[8]).first().copied(),
            rate_mbps: columns[10].parse().ok(),
            damaged: columns[11] == "1",
            to_video_port: columns[12] == "5004",
        }
    };
    let rows: Vec<Row> = table.lines().map(row).collect();
    assert_eq!(rows.len(), 1508);
    rows
}

fn good(rows: &[Row], transmitter: &str) -> Vec<usize> {
    (0..rows.len()).filter(|&place| !rows[place].damaged && rows[place].transmitter == transmitter).collect()
}

fn entries(recording: &Recording) -> Vec<Entry<'_>> {
    let mut cursor = recording.cursor();
    std::iter::from_fn(|| recording.next(&mut cursor)).collect()
}

fn monitor(profile: &str, thresholds: &[Threshold], entries: &[Entry<'_>]) -> LinkMonitor {
    let profile = Arc::new(Profile::parse(profile).unwrap());
    let mut monitor = LinkMonitor::new(profile, thresholds.into());
    for entry in entries {
        monitor.handle(entry);
    }
    monitor
}

fn summary(profile: &str) -> Summary {
    let recording = Recording::open(&data("air.pcap")).unwrap();
    monitor(profile, &[], &entries(&recording)).summary(&fadewatch::monitor::RecordingFacts::default())
}

const PROFILE: &str = r#"
[[link]]
name = "video"
role = "video"
radiotap = { transmitter = "02:00:00:00:00:01" }
[[link]]
name = "telemetry"
role = "telemetry"
senders = [[1, 1]]
radiotap = { transmitter = "02:00:00:00:00:03" }
"#;

/// Hyndman and Fan, definition 7.
fn quantile(values: &[f64], p: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = p * (sorted.len() - 1) as f64;
    let low = place.floor() as usize;
    sorted[low] + (place - low as f64) * (sorted[(low + 1).min(sorted.len() - 1)] - sorted[low])
}

#[test]
fn each_transmitter_has_the_frames_that_the_packet_tool_counts() {
    let (rows, summary) = (rows(), summary(PROFILE));
    let heard: BTreeSet<&str> =
        rows.iter().map(|row| row.transmitter.as_str()).filter(|name| !name.is_empty()).collect();
    let named: BTreeSet<&str> = summary.transmitters.iter().map(|row| row.transmitter.as_str()).collect();
    assert_eq!(named, heard);
    for transmitter in &summary.transmitters {
        let frames = good(&rows, &transmitter.transmitter);
        let count =
            |holds: &dyn Fn(&Row) -> bool| frames.iter().filter(|&&place| holds(&rows[place])).count();
        assert_eq!(transmitter.frames, frames.len() as u64);
        assert_eq!(transmitter.data_frames, count(&|row| row.is_data) as u64);
        let retries = count(&|row| row.retry) as f64 / frames.len() as f64;
        assert!((transmitter.retry_ratio.unwrap() - retries).abs() < 1e-12);
        // The numbers without their wrap: each is the nearest to the one before it.
        let mut distinct = BTreeSet::new();
        let mut before = 0_i64;
        for &place in &frames {
            let number = i64::from(rows[place].number.unwrap());
            before += (number - before + 2048).rem_euclid(4096) - 2048;
            distinct.insert(before);
        }
        let span = distinct.last().unwrap() - distinct.first().unwrap() + 1;
        assert_eq!(transmitter.received, distinct.len() as u64);
        assert_eq!(
            transmitter.lost,
            Some(span as u64 - distinct.len() as u64),
            "{}",
            transmitter.transmitter
        );
        assert_eq!(transmitter.copies, frames.len() as u64 - distinct.len() as u64);
        let ratio = transmitter.loss.unwrap();
        assert!((ratio.ratio - transmitter.lost.unwrap() as f64 / span as f64).abs() < 1e-12);
        let mut rates: Vec<f64> = frames.iter().filter_map(|&place| rows[place].rate_mbps).collect();
        rates.sort_by(f64::total_cmp);
        let rate = transmitter.rate_median_kbps.map(|rate| f64::from(rate) / 1000.0);
        let expected = rates.get(rates.len().saturating_sub(1) / 2).filter(|_| transmitter.data_frames > 0);
        match (rate, expected) {
            (Some(rate), Some(expected)) => assert!((rate - expected).abs() < 0.001, "{rate} {expected}"),
            (rate, expected) => assert_eq!(rate, expected.copied()),
        }
    }
    let of = |name: &str| summary.transmitters.iter().find(|row| row.transmitter == name).unwrap();
    // As the capture was made: two numbers come after those that follow them; six of 300 are missing.
    assert_eq!(of(VIDEO).out_of_order, 2);
    assert!(of(VIDEO).copies > 50 && of(VIDEO).lost > Some(10));
    assert_eq!((of(VEHICLE).received, of(VEHICLE).lost, of(VEHICLE).holes), (294, Some(6), 0));
    assert_eq!((of(VIDEO).link.as_deref(), of(VEHICLE).link.as_deref()), (Some("video"), Some("telemetry")));
}

fn check_levels(signal: &SignalSummary, rows: &[Row], group: usize) {
    let frames = good(rows, signal.radio.as_deref().unwrap());
    let levels: Vec<f64> = frames.iter().map(|&place| rows[place].levels[group]).collect();
    assert_eq!((signal.source.word(), signal.direction.word()), ("radiotap", "down"));
    assert_eq!((signal.unit, signal.system, signal.component), (LevelUnit::Dbm, None, None));
    assert_eq!(signal.samples, levels.len() as u64);
    assert_eq!(signal.median, Some(quantile(&levels, 0.5)));
    assert!((signal.p05.unwrap() - quantile(&levels, 0.05)).abs() < 1e-9);
    assert_eq!(signal.min, Some(quantile(&levels, 0.0)));
}

#[test]
fn levels_are_those_that_the_packet_tool_reads_of_the_whole_and_of_each_antenna() {
    let (rows, summary) = (rows(), summary(PROFILE));
    let names: Vec<(Option<&str>, Option<&str>, Option<u8>)> = summary
        .signal
        .iter()
        .map(|signal| (signal.radio.as_deref(), signal.link.as_deref(), signal.antenna))
        .collect();
    let expected = [
        (Some(VIDEO), Some("video"), None),
        (Some(VIDEO), None, Some(0)),
        (Some(VIDEO), None, Some(1)),
        (Some(VEHICLE), Some("telemetry"), None),
    ];
    assert_eq!(names, expected);
    for (signal, group) in summary.signal.iter().zip([0, 1, 2, 0]) {
        check_levels(signal, &rows, group);
    }
    let frames = good(&rows, VIDEO);
    let noise: Vec<f64> = frames.iter().filter_map(|&place| rows[place].noise).collect();
    assert_eq!(summary.signal[0].noise_median, Some(quantile(&noise, 0.5)));
    let above: Vec<f64> =
        frames.iter().map(|&place| rows[place].levels[0] - rows[place].noise.unwrap()).collect();
    assert_eq!(summary.signal[0].snr_median_db, Some(quantile(&above, 0.5)));
    assert_eq!(summary.signal[3].noise_median, None);
}

#[test]
fn what_the_frames_carry_counts_like_what_came_by_cable() {
    let (rows, summary) = (rows(), summary(PROFILE));
    // The video's numbers on the air begin with 3900, those of its RTP packets with 0.
    let heard: BTreeSet<u16> = good(&rows, VIDEO)
        .into_iter()
        .filter(|&place| rows[place].to_video_port)
        .map(|place| (rows[place].number.unwrap() + 4096 - 3900) % 4096)
        .collect();
    let span = heard.last().unwrap() - heard.first().unwrap() + 1;
    let video = summary.video.unwrap();
    assert_eq!(video.packets, Some(heard.len() as u64));
    assert_eq!(video.packets_lost, Some(u64::from(span) - heard.len() as u64));
    assert_eq!(video.ssrc, Some(0x0F00_D001));
    let stream = &summary.streams[0];
    assert_eq!((stream.system, stream.component, stream.received, stream.lost.unwrap()), (1, 1, 294, 6));
    assert_eq!(summary.framing.skipped_bytes, 0);
}

#[test]
fn the_level_makes_margins_and_warnings_without_any_radio_report() {
    let recording = Recording::open(&data("air.pcap")).unwrap();
    let threshold = Threshold {
        link: "video".to_owned(),
        unit: LevelUnit::Dbm,
        level_p50: Some(-80.0),
        level_p05: -75.0,
        level_p05_ci95: None,
        base: None,
        sessions: 3,
        freezes: 9,
        method: "logistic".to_owned(),
        event: fadewatch::profile::LimitEvent::Freeze,
        source: "rtp".to_owned(),
        ..Threshold::default()
    };
    let monitor = monitor(PROFILE, &[threshold], &entries(&recording));
    let summary = monitor.summary(&fadewatch::monitor::RecordingFacts::default());
    let margin = summary.links[0].margin_db.unwrap();
    // From -52 dBm the level falls by 1 dB a second, for 30 s.
    assert!((margin.end.unwrap() - -6.5).abs() < 1.5, "{margin:?}");
    assert!(summary.links[0].alarms >= 1);
    let evidence = monitor.freeze_evidence();
    assert!(evidence.iter().any(|evidence| evidence.link == "video"), "{evidence:?}");
}

#[test]
fn one_antenna_can_be_the_links_own() {
    let profile = PROFILE.replace("\"02:00:00:00:00:01\" }", "\"02:00:00:00:00:01\", antenna = 1 }");
    let summary = summary(&profile);
    let named: Vec<Option<u8>> = summary
        .signal
        .iter()
        .filter(|signal| signal.link.as_deref() == Some("video"))
        .map(|signal| signal.antenna)
        .collect();
    assert_eq!(named, [Some(1)]);
}

#[test]
fn without_a_profile_what_carries_the_video_gives_its_level() {
    let recording = Recording::open(&data("air.pcap")).unwrap();
    let monitor = monitor("", &[], &entries(&recording));
    let snapshot = monitor.snapshot(View { from_s: 0.0, to_s: 30.0, columns: 60 }, Arc::default());
    let lanes: BTreeMap<&str, usize> =
        snapshot.lanes.iter().map(|lane| (lane.link.as_str(), lane.level.iter().flatten().count())).collect();
    assert!(lanes["video"] > 50 && lanes["telemetry"] > 50, "{lanes:?}");
    let summary = monitor.summary(&fadewatch::monitor::RecordingFacts::default());
    let names: Vec<Option<String>> = summary.signal.iter().map(|signal| signal.radio.clone()).collect();
    assert!(names.iter().flatten().any(|name| name == VIDEO), "{names:?}");
}

#[test]
fn a_recording_of_the_air_keeps_each_frame_as_it_came() {
    let recording = Recording::open(&data("air.pcap")).unwrap();
    let first = entries(&recording);
    let mut writer = PcapngWriter::new(Vec::new());
    for entry in &first {
        writer.write(entry).unwrap();
    }
    let again = Recording::read("a.pcapng", &writer.into_inner()[..]).unwrap();
    let second = entries(&again);
    assert_eq!(second, first);
}

#[test]
fn mistakes_in_the_profile_name_what_is_wrong() {
    let link = |rest: &str, role: &str| format!("[[link]]\nname = \"video\"\nrole = \"{role}\"\n{rest}\n");
    let radiotap = "radiotap = { transmitter = \"02:00:00:00:00:01\" }";
    for (text, part) in [
        (link("radiotap = { transmitter = \"02:00\" }", "video"), "no address of a transmitter"),
        (link("radiotap = { sender = 1 }", "video"), "sender"),
        (link(&format!("{radiotap}\nwifi = \"wlan0\""), "video"), "exclude each other"),
        (
            link(&format!("{radiotap}\nlevel = {{ slope_db = 1.0, offset_dbm = 0.0 }}"), "video"),
            "dBm already",
        ),
        (link("wifi = \"wlan0\"", "control"), "control link's level is the vehicle's"),
    ] {
        let error = Profile::parse(&text).unwrap_err().to_string();
        assert!(error.contains(part), "{error}");
    }
    let parsed = Profile::parse(&link("wifi = \"wlan0\"", "video")).unwrap();
    assert_eq!(parsed.link[0].unit(), LevelUnit::Dbm);
}

/// A packet tool writes what it hears into a pipe; here the capture stands for it.
#[test]
fn the_air_is_heard_live_through_a_packet_tool() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.pcapng");
    let config = LiveConfig {
        vehicle: Some(SourceUrl::File(data("air.pcap"))),
        recording: Some(path.clone()),
        profile: Arc::new(Profile::parse(PROFILE).unwrap()),
        ..LiveConfig::default()
    };
    let session = start(config).unwrap();
    let (_never, nothing) = std::sync::mpsc::channel::<()>();
    let over = || {
        let feed = session.feed()?;
        feed.snapshot.sources.first()?.down.as_ref().map(drop)
    };
    for _ in 0..2000 {
        if over().is_some() {
            break;
        }
        let _ = nothing.recv_timeout(std::time::Duration::from_millis(10));
    }
    let live = session.finish().unwrap().summary;
    let file = summary(PROFILE);
    let counts = |summary: &Summary| {
        let row = |one: &TransmitterSummary| (one.transmitter.clone(), one.frames, one.received, one.lost);
        summary.transmitters.iter().map(row).collect::<Vec<_>>()
    };
    assert_eq!(counts(&live), counts(&file));
    let medians =
        |summary: &Summary| summary.signal.iter().map(|row| (row.median, row.samples)).collect::<Vec<_>>();
    assert_eq!(medians(&live), medians(&file));
    let recording = Recording::open(&path).unwrap();
    let mut cursor = recording.cursor();
    let mut replayed = LinkMonitor::new(Arc::new(Profile::parse(PROFILE).unwrap()), Arc::default());
    while let Some(entry) = recording.next(&mut cursor) {
        replayed.handle(&entry);
    }
    assert_eq!(replayed.summary(&recording.facts(&cursor)), live);
}
