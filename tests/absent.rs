//! What a sender does not know is absent, never 0: each sentinel that the public message set publishes for a field that
//! a meter reads, at the sentinel and beside it.
//!
//! Payloads are written here field by field (public message set, fields by falling size).

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod frames;

use std::sync::Arc;

use fadewatch::record::{Flow, InterfaceId, InterfaceInfo, InterfaceKind};
use fadewatch::summary::{PowerSummary, Reason, Summary};
use fadewatch::{Body, Direction, Entry, LinkMonitor, Nanos, Profile, Record, RecordingFacts};
use frames::frame;

/// Id, CRC extra and payload.
type Message = (u32, u8, Vec<u8>);

const START: Nanos = Nanos::from_secs(1_700_000_000);
const PROFILE: &str = "[vehicle]\nsystem = 1\n[battery]\ncapacity_mah = 5000\n\
                       [[link]]\nname = \"down\"\nrole = \"telemetry\"\nradio = { system = 1, component = 1 }\n";

/// The same messages of the vehicle each second, 20 times.
fn summary(messages: &[Message]) -> Summary {
    summary_of(PROFILE, messages)
}

fn summary_of(profile: &str, messages: &[Message]) -> Summary {
    let mut monitor = LinkMonitor::new(Arc::new(Profile::parse(profile).unwrap()), Arc::from([]));
    let info = InterfaceInfo { name: "vehicle".to_owned(), kind: InterfaceKind::Stream, description: None };
    monitor.handle(&Entry::Interface(InterfaceId(0), info));
    let heartbeat = (0, 50, [&[0; 4][..], &[2, 3, 1, 4, 3]].concat());
    let mut number = 0;
    for second in 0..20 {
        for (id, extra, payload) in [&heartbeat].into_iter().chain(messages) {
            number += 1;
            monitor.handle(&Entry::Record(Record {
                at: START + Nanos::from_secs(second),
                interface: InterfaceId(0),
                direction: Direction::Inbound,
                body: Body::Stream(&frame(number, (1, 1), *id, *extra, payload)),
            }));
        }
    }
    monitor.summary(&RecordingFacts::default())
}

fn words(values: &[u16]) -> Vec<u8> {
    values.iter().flat_map(|value| value.to_le_bytes()).collect()
}

/// BATTERY_STATUS of battery 0.
fn battery(cells: &[u16], current_ca: i16, consumed_mah: i32, percent: i8) -> Message {
    let mut all = [u16::MAX; 10];
    all[..cells.len()].copy_from_slice(cells);
    let head = [&consumed_mah.to_le_bytes()[..], &(-1_i32).to_le_bytes(), &i16::MAX.to_le_bytes()].concat();
    let tail = [0, 0, 0, percent as u8];
    (147, 154, [&head[..], &words(&all), &current_ca.to_le_bytes(), &tail].concat())
}

/// SYS_STATUS.
fn system(voltage_mv: u16, current_ca: i16, percent: i8) -> Message {
    let head = [&[0; 14][..], &voltage_mv.to_le_bytes(), &current_ca.to_le_bytes(), &[0; 12]].concat();
    (1, 124, [&head[..], &[percent as u8]].concat())
}

fn voltage(messages: &[Message]) -> Vec<(u8, Option<f64>)> {
    summary(messages).power.iter().map(|row| (row.battery, row.voltage_min_v)).collect()
}

#[test]
fn a_voltage_of_0_or_65535_is_absent() {
    assert_eq!(voltage(&[system(16_100, 500, 50)]), [(0, Some(16.1))]);
    for absent in [0, u16::MAX] {
        assert_eq!(voltage(&[system(absent, 500, 50)]), [(0, None)]);
        assert_eq!(voltage(&[battery(&[absent], 500, 10, 50)]), [(0, None)]);
        assert_eq!(voltage(&[battery(&[4000, absent, 4100], 500, 10, 50)]), [(0, Some(8.1))]);
    }
    // A whole battery in cells 0 and 1, as the message set says for more than 65,534 mV.
    assert_eq!(voltage(&[battery(&[65_534, 1000], 500, 10, 50)]), [(0, Some(66.534))]);
}

/// A message that says nothing makes no row, and leaves the word to SYS_STATUS; one that says a part leaves the rest.
#[test]
fn a_battery_without_a_word_is_none() {
    let nothing = battery(&[], -1, -1, -1);
    assert_eq!(voltage(std::slice::from_ref(&nothing)), []);
    assert_eq!(voltage(&[battery(&[0], -1, -1, -1)]), []);
    assert_eq!(voltage(&[nothing, system(16_100, 500, 50)]), [(0, Some(16.1))]);
    let rows = summary(&[battery(&[], -1, 700, 50), system(16_100, 500, 50)]).power;
    let row = |row: &PowerSummary| (row.battery, row.voltage_min_v, row.used_mah.is_some());
    assert_eq!(rows.iter().map(row).collect::<Vec<_>>(), [(0, Some(16.1), true)]);
    assert_eq!(voltage(&[system(0, -1, -1)]), []);
}

#[test]
fn a_current_charge_and_percentage_of_minus_one_are_absent() {
    let row = |message| summary(&[message]).power.remove(0);
    // One message is no flight: what is missing is the load, unless it says no charge at all.
    let lacks = |message| row(message).minutes_left_why_not.unwrap();
    assert_eq!(lacks(battery(&[16_000], 500, 10, -1)), Reason::LoadTooShort);
    assert_eq!(lacks(battery(&[16_000], 500, -1, 50)), Reason::LoadTooShort);
    assert_eq!(lacks(battery(&[16_000], 500, -1, -1)), Reason::NoCharge);
    assert_eq!(lacks(system(16_000, 500, 50)), Reason::LoadTooShort);
    assert_eq!(lacks(system(16_000, 500, -1)), Reason::NoCharge);
    assert_eq!(row(battery(&[16_000], -1, -1, 50)).used_mah, None);
    assert_eq!(row(battery(&[16_000], 0, -1, 50)).used_mah, Some(0.0), "no current is a current");
}

/// VIBRATION.
fn vibration(levels: [f32; 3], clipping: u32) -> Message {
    let levels: Vec<u8> = levels.iter().flat_map(|level| level.to_le_bytes()).collect();
    (241, 90, [&[0; 8][..], &levels, &[clipping.to_le_bytes(); 3].concat()].concat())
}

/// No airframe stands quite still: levels of only zeros are shown as sent, and nothing is suspect above them.
#[test]
fn vibration_of_only_zeros_has_no_limit() {
    let zeros = summary(&[vibration([0.0; 3], 7)]).vibration.unwrap();
    assert_eq!((zeros.limit, zeros.limit_from), (None, None));
    assert_eq!((zeros.x.median, zeros.z.max, zeros.clipping), (Some(0.0), Some(0.0), [0; 3]));
    let one = summary(&[vibration([0.0, 3.0, 0.0], 7)]).vibration.unwrap();
    assert_eq!((one.limit, one.x.median, one.y.median), (Some(3.0), Some(0.0), Some(3.0)));
    assert!(summary(&[vibration([f32::NAN, 3.0, 0.0], 7)]).vibration.is_none());
}

/// GPS_RAW_INT: `accuracy_mm` 0 stands for one that was not sent.
fn fix(place: (i32, i32), kind: u8, eph: u16, accuracy_mm: u32) -> Message {
    let head = [&[0; 8][..], &place.0.to_le_bytes(), &place.1.to_le_bytes(), &400_000_i32.to_le_bytes()];
    let tail = [&words(&[eph, u16::MAX, u16::MAX, u16::MAX])[..], &[kind, 255], &[0; 4]].concat();
    (24, 24, [&head.concat()[..], &tail, &accuracy_mm.to_le_bytes()].concat())
}

const HERE: (i32, i32) = (540_000_000, 80_000_000);

/// The first good fix while disarmed is where the handset is taken to be: one that says nothing of its accuracy is not
/// good, and 0, 0 is no place.
#[test]
fn a_fix_without_accuracy_is_not_a_good_one() {
    let origin = |message| {
        summary(&[message, fix((0, 0), 3, 100, 0)]).range.first().and_then(|row| row.origin).is_some()
    };
    assert!(origin(fix(HERE, 3, 150, 0)) && origin(fix(HERE, 3, u16::MAX, 3000)));
    for (eph, accuracy_mm) in [(u16::MAX, 0), (u16::MAX, u32::MAX), (0, 0)] {
        assert!(!origin(fix(HERE, 3, eph, accuracy_mm)), "{eph} {accuracy_mm}");
    }
    assert!(!origin(fix(HERE, 2, 150, 0)) && !origin(fix((0, 0), 3, 150, 0)));
}

/// GLOBAL_POSITION_INT: latitude, longitude and height in the units of the wire, heading in centidegrees.
fn position(place: (i32, i32), heading: u16) -> Message {
    let place = [place.0, place.1, 400_000, 0].map(i32::to_le_bytes).concat();
    (33, 104, [&5000_u32.to_le_bytes()[..], &place, &[0; 6], &heading.to_le_bytes()].concat())
}

#[test]
fn a_position_of_0_0_and_a_heading_of_65535_are_absent() {
    let sectors = |place, heading| {
        let home =
            [&words(&[]), &HERE.0.to_le_bytes()[..], &(HERE.1 + 10_000).to_le_bytes(), &[0; 4]].concat();
        let home = (242, 104, [&home[..], &[1; 40]].concat());
        let row = summary(&[home, position(place, heading)]).range.remove(0);
        (row.max_distance_m.is_some(), row.heading.is_some_and(|heading| !heading.sectors.is_empty()))
    };
    assert_eq!((sectors(HERE, 0), sectors(HERE, u16::MAX)), ((true, true), (true, false)));
    assert_eq!(sectors((0, 0), 0), (false, false));
    assert_eq!(sectors((i32::MAX, i32::MAX), 0), (false, false));
}

/// RADIO_STATUS.
fn radio(rssi: u8, remrssi: u8, noise: u8, remnoise: u8) -> Message {
    (109, 185, vec![0, 0, 0, 0, rssi, remrssi, 100, noise, remnoise])
}

#[test]
fn a_level_of_255_and_a_peer_that_is_not_heard_are_absent() {
    let levels = |message| {
        let summary = summary(&[message]);
        let rows: Vec<_> = summary.signal.iter().map(|row| (row.median, row.noise_median)).collect();
        (rows, summary.own_reports[0].level, summary.own_reports[0].remote_level)
    };
    let all = [(Some(80.0), Some(20.0)), (Some(90.0), Some(30.0))];
    assert_eq!(levels(radio(90, 80, 30, 20)), (all.to_vec(), Some(90), Some(80)));
    assert_eq!(levels(radio(255, 80, 30, 20)), (vec![all[0]], None, Some(80)));
    assert_eq!(levels(radio(90, 255, 255, 255)).0, [(Some(90.0), None)]);
    assert_eq!(levels(radio(90, 0, 30, 0)), (vec![all[1]], Some(90), None));
    assert_eq!(levels(radio(0, 0, 30, 20)).0.len(), 2, "0 alone is a level");
}

/// SYS_STATUS drop_rate_comm is in hundredths of a percent, RADIO_STATUS txbuf in percent: more than all is no share.
#[test]
fn a_share_of_more_than_all_is_absent() {
    let dropped = |share: u16| {
        let (id, extra, mut payload) = system(16_100, 500, 50);
        payload[18..20].copy_from_slice(&share.to_le_bytes());
        let row = summary(&[(id, extra, payload)]).own_reports.remove(0);
        (row.drop_ratio, row.drop_ratio_max)
    };
    assert_eq!((dropped(10_000), dropped(120).0), ((Some(1.0), Some(1.0)), Some(0.012)));
    assert_eq!((dropped(10_001), dropped(u16::MAX)), ((None, None), (None, None)));
    let buffer = |percent: u8| {
        let (id, extra, mut payload) = radio(90, 80, 30, 20);
        payload[6] = percent;
        summary(&[(id, extra, payload)]).own_reports[0].tx_buffer_min_percent
    };
    assert_eq!((buffer(100), buffer(101), buffer(u8::MAX)), (Some(100), None, None));
}

/// RC_CHANNELS: 0 is a level, 255 is none.
#[test]
fn an_rssi_of_255_is_absent() {
    let profile = "[vehicle]\nsystem = 1\n[[link]]\nname = \"control\"\nrole = \"control\"\nrc_rssi = true\n";
    let levels = |rssi: u8| {
        let channels = (65, 118, [&5000_u32.to_le_bytes()[..], &words(&[1500; 18]), &[18, rssi]].concat());
        summary_of(profile, &[channels]).signal.iter().map(|row| row.median).collect::<Vec<_>>()
    };
    assert_eq!(levels(255), []);
    assert_eq!((levels(254), levels(0)), (vec![Some(254.0)], vec![Some(0.0)]));
}

/// VIDEO_STREAM_STATUS: a rate of 0 says that the sender stopped; what is no number says nothing.
#[test]
fn a_frame_rate_that_is_no_number_stops_nothing() {
    let stopped = |rate: f32, bits: u32| {
        let status = [&rate.to_le_bytes()[..], &bits.to_le_bytes(), &[0; 11]].concat();
        let status = frame(0, (1, 1), 270, 59, &status);
        let picture = |number: u16| {
            let mut bytes = vec![0x80, 96 + 128];
            bytes.extend(number.to_be_bytes());
            bytes.extend((u32::from(number) * 3000).to_be_bytes());
            bytes.extend([0, 0, 0, 7]);
            bytes.extend([0; 40]);
            bytes
        };
        let mut monitor = LinkMonitor::new(Arc::new(Profile::parse("").unwrap()), Arc::from([]));
        for (id, kind) in [(0, InterfaceKind::Stream), (1, InterfaceKind::Datagram)] {
            let info = InterfaceInfo { name: id.to_string(), kind, description: None };
            monitor.handle(&Entry::Interface(InterfaceId(id), info));
        }
        let mut handle = |at, interface, body: Body<'_>| {
            let at = START + Nanos::from_millis(at);
            let direction = Direction::Inbound;
            monitor.handle(&Entry::Record(Record { at, interface: InterfaceId(interface), direction, body }));
        };
        let end = |port| std::net::SocketAddr::from(([192, 0, 2, 7], port));
        let flow = Flow { source: end(40_000), destination: end(5004) };
        for number in 0..100_u16 {
            let bytes = picture(number);
            handle(i64::from(number) * 33, 1, Body::Datagram { flow, bytes: &bytes });
        }
        handle(3400, 0, Body::Stream(&status));
        monitor.summary(&RecordingFacts::default()).video_streams[0].stopped_at_sender.len()
    };
    assert_eq!((stopped(30.0, 1000), stopped(f32::NAN, 1000)), (0, 0));
    assert_eq!((stopped(0.0, 1000), stopped(30.0, 0)), (1, 1));
}
