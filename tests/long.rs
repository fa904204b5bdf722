//! A session longer than a day, or with a hole of years in it: every second counts and is drawn by itself.
//!
//! The truth is the schedule: what was sent, lost and frozen when is set here, and counted from here.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod frames;

use std::net::SocketAddr;
use std::sync::Arc;

use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::record::{
    Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, Note, Record, SessionInfo,
};
use fadewatch::snapshot::{Lane, Snapshot, View};
use fadewatch::summary::Summary;
use fadewatch::units::Nanos;
use frames::frame;

const HOUR: u64 = 3600;
/// The vehicle's frames of a second.
const FRAMES: u64 = 6;
const PROFILE: &str = r#"
[vehicle]
system = 1

[handset]
lat = 54.0
lon = 10.0
alt = 0.0

[[link]]
name = "video"
role = "video"
radio = { system = 41, component = 110, mounted = "ground" }
level = { slope_db = 1.0, offset_dbm = -160.0 }
port = 5004

[[link]]
name = "telemetry"
role = "telemetry"
interface = "vehicle"
radio = { system = 41, component = 110, mounted = "ground" }
level = { slope_db = 1.0, offset_dbm = -160.0 }
"#;

/// The hours in which something happens, each with a bad minute that begins 1,000 s into it.
const BAD_HOURS: [u64; 3] = [2, 20, 39];

/// Seconds into the bad minute of an hour; `None` elsewhere.
fn into_bad_minute(second: u64) -> Option<u64> {
    let into = (second % HOUR).checked_sub(1000).filter(|into| *into < 60)?;
    BAD_HOURS.contains(&(second / HOUR)).then_some(into)
}

/// Every other second is 1 dB lower. In the bad minute the level is 40 dB lower, frames go missing for 6 s and video packets for 10 s: the picture stands
/// for 12 s, since the first frame after them cannot be told whole.
fn level_dbm(second: u64) -> i64 {
    let usual = -60 - (second / HOUR) as i64 % 10 - (second % 2) as i64;
    usual - if into_bad_minute(second).is_some() { 40 } else { 0 }
}

fn is_lost(second: u64) -> bool {
    into_bad_minute(second).is_some_and(|into| (20..26).contains(&into))
}

fn is_frozen(second: u64) -> bool {
    into_bad_minute(second).is_some_and(|into| (30..40).contains(&into))
}

/// Out and back along the meridian, 2 m a second, 50 to 250 m.
fn distance_m(second: u64) -> f64 {
    50.0 + 2.0 * (100.0 - (second as f64 % 200.0 - 100.0).abs())
}

/// GLOBAL_POSITION_INT (33) at ground level.
fn position(second: u64) -> Vec<u8> {
    let metres_a_degree = 111_325.0;
    let lat = ((54.0 + distance_m(second) / metres_a_degree) * 1e7).round() as i32;
    let mut payload = (second as u32 * 1000).to_le_bytes().to_vec();
    for field in [lat, 100_000_000, 0, 0] {
        payload.extend_from_slice(&field.to_le_bytes());
    }
    payload.extend_from_slice(&[0, 0, 0, 0, 0, 0, 1, 1]);
    payload
}

/// What comes in a second: frames of the vehicle and one of its radio in one read, and one video packet.
fn records_of(second: u64, take: &mut impl FnMut(&Entry<'_>)) {
    let at = |ms: i64| Nanos::from_secs(1_900_000_000 + second as i64) + Nanos::from_millis(ms);
    let mut bytes =
        frame(second, (41, 110), 109, 185, &[0, 0, 0, 0, (level_dbm(second) + 160) as u8, 90, 50, 10, 10]);
    if !is_lost(second) {
        let heartbeat = [0, 0, 0, 0, 2, 3, 0, 4, 3];
        bytes.extend(frame(FRAMES * second, (1, 1), 0, 50, &heartbeat));
        bytes.extend(frame(FRAMES * second + 1, (1, 1), 33, 104, &position(second)));
        for number in FRAMES * second + 2..FRAMES * (second + 1) {
            bytes.extend(frame(number, (1, 1), 25, 23, &number.to_le_bytes()));
        }
    }
    let mut record = |at, interface, body| {
        take(&Entry::Record(Record {
            at,
            interface: InterfaceId(interface),
            direction: Direction::Inbound,
            body,
        }));
    };
    record(at(250), 0, Body::Stream(bytes.as_slice()));
    if !is_frozen(second) {
        let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
        let mut packet = vec![0x80, 0xE0];
        packet.extend_from_slice(&(second as u16).to_be_bytes());
        packet.extend_from_slice(&((90_000 * second) as u32).to_be_bytes());
        packet.extend_from_slice(&[0; 12]);
        let flow = Flow { source: end(40_000), destination: end(5004) };
        record(at(500), 1, Body::Datagram { flow, bytes: packet.as_slice() });
    }
}

/// A session of so many seconds.
fn session(seconds: u64, mut take: impl FnMut(&Entry<'_>)) {
    take(&Entry::Session(SessionInfo { has_wall_clock: true, ..SessionInfo::default() }));
    for (id, name, kind) in [(0, "vehicle", InterfaceKind::Stream), (1, "video", InterfaceKind::Datagram)] {
        let info = InterfaceInfo { name: name.to_owned(), kind, description: None };
        take(&Entry::Interface(InterfaceId(id), info));
    }
    (0..seconds).for_each(|second| records_of(second, &mut take));
}

fn profile() -> Arc<Profile> {
    Arc::new(Profile::parse(PROFILE).unwrap())
}

fn after(seconds: u64) -> (LinkMonitor, Summary) {
    let mut monitor = LinkMonitor::new(profile(), Arc::from([]));
    session(seconds, |entry| monitor.handle(entry));
    let summary = monitor.summary(&RecordingFacts::default());
    (monitor, summary)
}

/// The bad minute of an hour, a second a column.
fn minute(hour: u64) -> View {
    // Seconds count from the first record, which comes 0.25 s into the schedule's first.
    let from_s = (hour * HOUR + 1000) as f64;
    View { from_s, to_s: from_s + 60.0, columns: 60 }
}

fn picture(monitor: &LinkMonitor, summary: &Summary, view: View) -> Snapshot {
    monitor.snapshot(view, Arc::new(summary.clone()))
}

fn lane<'a>(picture: &'a Snapshot, link: &str) -> &'a Lane {
    picture.lanes.iter().find(|lane| lane.link == link).unwrap()
}

#[test]
fn forty_hours_are_measured_to_their_end() {
    let (monitor, summary) = after(40 * HOUR);
    // Loss: three times six seconds, all told.
    let stream = summary.streams.iter().find(|stream| stream.system == 1).unwrap();
    assert_eq!((stream.lost.unwrap(), stream.received), (18 * FRAMES, (40 * HOUR - 18) * FRAMES));
    let covered = (40 * HOUR - 18) as f64 / (40 * HOUR) as f64;
    assert!((stream.availability_ratio.unwrap() - covered).abs() < 2e-5, "{:?}", stream.availability_ratio);
    // Freezes: one in each bad hour, with the level and the distance of then.
    let video = summary.video.as_ref().unwrap();
    assert_eq!(video.freezes, 3);
    for (freeze, hour) in video.freeze_list.iter().zip(BAD_HOURS) {
        assert_eq!(freeze.start_s, (hour * HOUR + 1029) as f64 + 0.25, "{freeze:?}");
        let (level, distance) = (freeze.signal.unwrap(), freeze.distance_m.unwrap());
        let second = hour * HOUR + 1029;
        assert!((distance - distance_m(second)).abs() < 2.5, "{hour} h: {distance} m");
        // The radio reported just before the picture stood.
        assert_eq!(level, level_dbm(second) as f64, "{hour} h");
    }
    // Bad spells: all three, to the second.
    let spells: Vec<(f64, f64)> =
        summary.bad_spells.iter().map(|spell| (spell.start_s, spell.duration_s)).collect();
    assert_eq!(spells.len(), 3, "{spells:?}");
    for ((start_s, duration_s), hour) in spells.into_iter().zip(BAD_HOURS) {
        let begin = (hour * HOUR + 1019) as f64;
        assert!((start_s - begin).abs() <= 1.0 && duration_s <= 10.0, "{start_s} {duration_s}");
    }
    // Range: every second counts but those in which the vehicle was silent, and the picture froze at each distance.
    let range = summary.range.iter().find(|range| range.link == "video").unwrap();
    assert!((40 * HOUR - 50..=40 * HOUR).contains(&range.samples), "{}", range.samples);
    assert!(range.seconds_excluded < 50, "{}", range.seconds_excluded);
    assert!((range.max_distance_m.unwrap() - 250.0).abs() < 1.0);
    assert!(range.proven_m.unwrap() < 180.0, "{range:?}");
    assert_three_of_forty_hours(&monitor);
}

/// What the history gets: all seconds of both links but those that were bad, and what began in three of them.
fn assert_three_of_forty_hours(monitor: &LinkMonitor) {
    let evidence = monitor.freeze_evidence();
    assert_eq!(evidence.len(), 2);
    for row in evidence {
        let began: Vec<u64> = row
            .seconds
            .iter()
            .filter(|second| second.freeze_began)
            .map(|second| u64::from(second.second) / HOUR)
            .collect();
        assert_eq!(began, BAD_HOURS, "{}", row.link);
        assert!((40 * HOUR - 100..40 * HOUR).contains(&(row.seconds.len() as u64)), "{}", row.seconds.len());
    }
}

#[test]
fn every_hour_is_drawn_by_the_second() {
    let (monitor, summary) = after(40 * HOUR);
    for hour in BAD_HOURS {
        let picture = picture(&monitor, &summary, minute(hour));
        let video = lane(&picture, "video");
        let level = |column: u64| Some(level_dbm(hour * HOUR + 1000 + column) as f64);
        let means = video.level.iter().map(|cell| cell.map(|cell| cell.mean));
        assert!(means.eq((0..60).map(level)), "{hour} h: {:?}", video.level);
        let lost: Vec<u32> = lane(&picture, "telemetry").loss.iter().map(|cell| cell.lost).collect();
        assert_eq!(
            (lost.iter().sum::<u32>(), lost[..19].iter().sum::<u32>()),
            (6 * FRAMES as u32, 0),
            "{lost:?}"
        );
        let came: Vec<u32> = video.loss.iter().map(|cell| cell.received).collect();
        assert_eq!(came.iter().sum::<u32>(), 50, "{came:?}");
        assert!(came[30..39].iter().all(|packets| *packets == 0), "{came:?}");
        let frozen = picture.lanes[0].frozen.iter().filter(|frozen| **frozen).count();
        assert!((12..=13).contains(&frozen), "{frozen}");
    }
}

/// Three hours, 56 years without a record, and on: without ticks a computer whose clock stands at 1970 until a network sets
/// it, and no time passed; with them a hole. Whatever took memory or time for each second of it would never end here.
#[test]
fn a_hole_of_years_costs_nothing_and_hides_nothing() {
    for has_ticks in [false, true] {
        leap_of_years(has_ticks);
    }
}

/// Hands on what `records_of` gives, later by so much, with a tick before each second where there are ticks.
fn hand_on(monitor: &mut LinkMonitor, second: u64, has_ticks: bool, later: Nanos) {
    let mut records = |entry: &Entry<'_>| {
        let Entry::Record(record) = entry else { return };
        monitor.handle(&Entry::Record(Record { at: record.at + later, ..record.clone() }));
    };
    if has_ticks {
        let at = Nanos::from_secs(1_900_000_000 + second as i64);
        let (interface, direction, body) = (InterfaceId(2), Direction::Inbound, Body::Note(Note::Tick));
        records(&Entry::Record(Record { at, interface, direction, body }));
    }
    records_of(second, &mut records);
}

fn leap_of_years(has_ticks: bool) {
    const YEARS: u64 = 56 * 365 * 86_400;
    let mut monitor = LinkMonitor::new(profile(), Arc::from([]));
    session(0, |entry| monitor.handle(entry));
    let info = InterfaceInfo { name: "marks".to_owned(), kind: InterfaceKind::Marks, description: None };
    monitor.handle(&Entry::Interface(InterfaceId(2), info));
    (0..3 * HOUR).for_each(|second| hand_on(&mut monitor, second, has_ticks, Nanos::ZERO));
    let young = monitor.clone();
    let before = young.summary(&RecordingFacts::default());
    let later = Nanos::from_secs(YEARS as i64);
    (3 * HOUR..4 * HOUR).for_each(|second| hand_on(&mut monitor, second, has_ticks, later));
    let summary = monitor.summary(&RecordingFacts::default());
    let told = |kind: &str| summary.events.iter().filter(|event| event.event.kind() == kind).count();
    assert_eq!((told("hole"), told("stamp-ahead")), if has_ticks { (1, 0) } else { (0, 1) });
    let freezes = |summary: &Summary| summary.video.as_ref().unwrap().freeze_list.clone();
    assert_eq!(freezes(&before).len(), 1);
    assert_eq!(freezes(&summary)[0], freezes(&before)[0]);
    let samples =
        |summary: &Summary| summary.range.iter().find(|range| range.link == "video").unwrap().samples;
    assert!((3590..=3600).contains(&(samples(&summary) - samples(&before))));
    // Held against itself: no more seconds than the four hours, and ten minutes about each end of the hole.
    let compared = monitor.compared(summary.clone());
    assert!(compared.links.iter().all(|link| link.seconds.len() as u64 <= 4 * HOUR + 1202));
    // The bad minute is drawn as ever, and the whole session in one picture.
    let is = picture(&monitor, &summary, minute(2));
    let young = picture(&young, &before, minute(2));
    for (is, young) in is.lanes.iter().zip(&young.lanes) {
        assert_eq!((&is.level, &is.loss), (&young.level, &young.loss));
    }
    let now_s = monitor.now_s();
    let whole = picture(&monitor, &summary, View { from_s: 0.0, to_s: now_s, columns: 200 });
    let drawn = lane(&whole, "video").level.iter().flatten().count();
    assert_eq!(drawn, if has_ticks { 2 } else { 200 });
    assert_eq!(monitor.freeze_evidence().len(), 2);
}
