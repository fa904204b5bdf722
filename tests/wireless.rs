//! The kernel's own figure of a wireless card as a link's level.

#![allow(clippy::unwrap_used)]

mod live_session;

use std::sync::Arc;

use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::monitor::LinkMonitor;
use fadewatch::profile::Profile;
use fadewatch::record::{
    Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Record, SessionInfo,
};
use fadewatch::session::live::LiveConfig;
use fadewatch::snapshot::View;
use fadewatch::summary::Summary;
use fadewatch::units::{LevelUnit, Nanos};
use fadewatch::wording::event::text;
use live_session::start;

/// As net/wireless/wext-proc.c prints a row: "%6s: %04x  %3d%c  %3d%c  %3d%c  %6d %6d %6d %6d %6d   %6d".
fn row(level: i32, noise: i32) -> Vec<u8> {
    format!(
        "{:>6}: {:04x}  {:3}.  {level:3}.  {noise:3}.  {:6} {:6} {:6} {:6} {:6}   {:6}",
        "wlan0", 0, 54, 0, 0, 0, 4, 25, 0
    )
    .into_bytes()
}

/// 60 s, five rows a second, falling from -50 by half a dB a second; noise unknown at first.
fn rows() -> Vec<(i32, Vec<u8>)> {
    (0..300)
        .map(|n| -50 - n / 10)
        .zip(0..)
        .map(|(level, n)| (level, row(level, if n < 100 { -256 } else { -95 })))
        .collect()
}

fn entries(rows: &[(i32, Vec<u8>)]) -> Vec<Entry<'_>> {
    let info = InterfaceInfo { name: "level".to_owned(), kind: InterfaceKind::Wireless, description: None };
    let mut entries = vec![
        Entry::Session(SessionInfo { has_wall_clock: true, ..SessionInfo::default() }),
        Entry::Interface(InterfaceId(0), info),
    ];
    entries.extend((0..).zip(rows).map(|(n, (_, bytes))| {
        Entry::Record(Record {
            at: Nanos::from_secs(1_777_900_000) + Nanos::from_millis(200 * n),
            interface: InterfaceId(0),
            direction: Direction::Inbound,
            body: Body::Stream(bytes),
        })
    }));
    entries
}

fn monitor(profile: &str, entries: &[Entry<'_>]) -> LinkMonitor {
    let mut monitor = LinkMonitor::new(Arc::new(Profile::parse(profile).unwrap()), Arc::default());
    for entry in entries {
        monitor.handle(entry);
    }
    monitor
}

fn summary(monitor: &LinkMonitor) -> Summary {
    monitor.summary(&fadewatch::monitor::RecordingFacts::default())
}

const PROFILE: &str = "[[link]]\nname = \"video\"\nrole = \"video\"\nwifi = \"wlan0\"\n";

#[test]
fn rows_give_the_links_level_in_dbm() {
    let rows = rows();
    let summary = summary(&monitor(PROFILE, &entries(&rows)));
    assert_eq!(summary.signal.len(), 1);
    let signal = &summary.signal[0];
    assert_eq!((signal.source.word(), signal.radio.as_deref()), ("kernel", Some("wlan0")));
    assert_eq!((signal.link.as_deref(), signal.direction.word()), (Some("video"), "down"));
    assert_eq!((signal.unit, signal.system), (LevelUnit::Dbm, None));
    assert_eq!((signal.samples, signal.noise_median), (300, Some(-95.0)));
    // -50 to -79, ten times each: the median lies between the middle two.
    assert_eq!((signal.median, signal.min), (Some(-64.5), Some(-79.0)));
    assert_eq!((summary.framing.frames, summary.framing.skipped_bytes), (0, 0), "no telemetry");
}

#[test]
fn without_a_profile_the_card_has_a_lane() {
    let rows = rows();
    let monitor = monitor("", &entries(&rows));
    let snapshot = monitor.snapshot(View { from_s: 0.0, to_s: 60.0, columns: 60 }, Arc::default());
    let lane = &snapshot.lanes[0];
    assert_eq!((lane.link.as_str(), lane.unit), ("wlan0", Some(LevelUnit::Dbm)));
    assert!(lane.level.iter().flatten().count() >= 59);
    // Half a dB a second, told from the last ten seconds.
    let trend = lane.trend_per_s.unwrap();
    assert!((trend + 0.5).abs() < 0.1, "{trend}");
}

#[test]
fn a_level_in_a_unit_of_the_drivers_own_is_left_out_and_told_once() {
    let rows: Vec<(i32, Vec<u8>)> = (0..20).map(|n| (n, row(24 + n, 4))).collect();
    let summary = summary(&monitor(PROFILE, &entries(&rows)));
    assert_eq!(summary.signal, []);
    let told = summary.events.iter().filter(|event| text(event).contains("a unit of its own")).count();
    assert_eq!(told, 1);
}

#[test]
fn a_recording_keeps_the_rows_as_they_were_read() {
    let rows = rows();
    let first = entries(&rows);
    let mut writer = PcapngWriter::new(Vec::new());
    for entry in &first {
        writer.write(entry).unwrap();
    }
    let recording = Recording::read("a.pcapng", &writer.into_inner()[..]).unwrap();
    let mut cursor = recording.cursor();
    let second: Vec<Entry<'_>> = std::iter::from_fn(|| recording.next(&mut cursor)).collect();
    assert_eq!(second, first);
    assert_eq!(summary(&monitor(PROFILE, &second)), summary(&monitor(PROFILE, &first)));
}

#[test]
fn sources_in_the_wrong_place_say_where_they_belong() {
    let url = |text: &str| Some(text.parse().unwrap());
    for (config, part) in [
        (LiveConfig { level: url("wifi:no-such-card"), ..LiveConfig::default() }, "wireless card"),
        (LiveConfig { video: url("wifi:wlan0"), ..LiveConfig::default() }, "give it with --level"),
        (LiveConfig { level: url("udp://127.0.0.1:9"), ..LiveConfig::default() }, "gives no level"),
        (
            LiveConfig { vehicle: url("evdev:/dev/input/event0"), ..LiveConfig::default() },
            "give it with --handset",
        ),
    ] {
        let text = start(config).err().unwrap().to_string();
        assert!(text.contains(part) && !text.contains('\n'), "{text}");
    }
}
