//! Strangers on the network: frames under an id that another address owns, and floods of addresses, each against the same
//! session without them.

mod frames;

use std::net::SocketAddr;
use std::sync::Arc;

use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::record::{Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, Record};
use fadewatch::summary::{Reason, Stream, Summary};
use fadewatch::units::Nanos;
use frames::frame;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};
use serde_json::Value;

const MODULE: &str = "10.0.0.7:14550";
const PORT: &str = "10.0.0.7:40123";
const STRANGER: &str = "10.0.0.66:14550";
const PROFILE: &str = "[vehicle]\nsystem = 1\n\n[handset]\nlat = 47.0\nlon = 8.0\nalt = 400.0\n\n[[link]]\nname = \"down\"\n\
                       role = \"telemetry\"\ninterface = \"vehicle\"\nradio = { system = 51, component = 68 }\n\n[[link]]\nname = \"video\"\nrole = \"video\"\n";

/// A datagram: when it came, from where, and what.
type Datagram = (f64, String, Vec<u8>);

/// Makes a frame for a time.
type Make = fn(&mut Counter, f64) -> Vec<u8>;
/// The port of a datagram by its number.
type Port = fn(usize) -> u16;

/// A sender's own numbers.
#[derive(Clone, Copy)]
struct Counter {
    id: (u8, u8),
    next: u64,
}

impl Counter {
    const fn new(id: (u8, u8), next: u64) -> Self {
        Self { id, next }
    }

    fn frame(&mut self, message: u32, extra: u8, payload: &[u8]) -> Vec<u8> {
        self.next += 1;
        frame(self.next - 1, self.id, message, extra, payload)
    }

    /// HEARTBEAT of a quadrotor.
    fn heartbeat(&mut self, armed: bool) -> Vec<u8> {
        let mode = if armed { 0x81 } else { 0x01 };
        self.frame(0, 50, &[0, 0, 0, 0, 2, 3, mode, 4, 3])
    }

    /// RADIO_STATUS.
    fn radio(&mut self, level: u8, noise: u8) -> Vec<u8> {
        self.frame(109, 185, &[0, 0, 0, 0, level, level, 90, noise, noise])
    }

    /// GLOBAL_POSITION_INT, so far north of the handset.
    fn position(&mut self, at: f64, metres: f64) -> Vec<u8> {
        let mut payload = ((at * 1e3) as u32 + 5000).to_le_bytes().to_vec();
        payload.extend_from_slice(&(470_000_000 + (metres * 89.9) as i32).to_le_bytes());
        payload.extend_from_slice(&80_000_000_i32.to_le_bytes());
        payload.extend_from_slice(&430_000_i32.to_le_bytes());
        payload.extend_from_slice(&30_000_i32.to_le_bytes());
        payload.extend_from_slice(&[0, 0, 0, 0, 0, 0, 0x10, 0x27]);
        self.frame(33, 104, &payload)
    }

    /// SYS_STATUS with a battery.
    fn status(&mut self, millivolts: u16, drops: u16) -> Vec<u8> {
        let mut payload = vec![0; 14];
        payload.extend_from_slice(&millivolts.to_le_bytes());
        payload.extend_from_slice(&500_i16.to_le_bytes());
        payload.extend_from_slice(&drops.to_le_bytes());
        payload.extend_from_slice(&[0; 10]);
        payload.push(60);
        self.frame(1, 124, &payload)
    }

    /// RC_CHANNELS_OVERRIDE for system 1: the first channel, and seven that rest.
    fn sticks(&mut self, first_us: u16) -> Vec<u8> {
        let mut payload = first_us.to_le_bytes().to_vec();
        payload.extend([1500_u16; 7].map(u16::to_le_bytes).concat());
        payload.extend_from_slice(&[1, 1]);
        self.frame(70, 124, &payload)
    }

    /// RC_CHANNELS with eight channels, of which the first moves.
    fn channels(&mut self, boot_ms: u32, first_us: u16) -> Vec<u8> {
        let mut payload = boot_ms.to_le_bytes().to_vec();
        payload.extend_from_slice(&first_us.to_le_bytes());
        payload.extend([1500_u16; 7].map(u16::to_le_bytes).concat());
        payload.extend([u16::MAX; 10].map(u16::to_le_bytes).concat());
        payload.extend_from_slice(&[8, 200]);
        self.frame(65, 118, &payload)
    }

    /// ATTITUDE with a boot clock.
    fn attitude(&mut self, boot_ms: u32) -> Vec<u8> {
        let mut payload = boot_ms.to_le_bytes().to_vec();
        payload.extend_from_slice(&self.next.to_le_bytes());
        payload.push(1);
        self.frame(30, 39, &payload)
    }
}

/// A minute of a vehicle that flies out, and of its radio, all from one address.
fn flight() -> Vec<Datagram> {
    let (mut vehicle, mut radio) = (Counter::new((1, 1), 0), Counter::new((51, 68), 0));
    let mut all = Vec::new();
    for step in 0..1200 {
        let at = f64::from(step) / 20.0;
        let mut put = |bytes| all.push((at, MODULE.to_owned(), bytes));
        put(vehicle.attitude((at * 1e3) as u32 + 5000));
        if step % 20 == 0 {
            put(vehicle.heartbeat(step > 100));
            put(vehicle.status(16_000 - step as u16, 10));
        }
        if step % 5 == 2 {
            put(vehicle.position(at, (at - 10.0).max(0.0) * 4.0));
        }
        if step % 10 == 3 {
            put(radio.radio((200.0 - at) as u8, 40));
        }
    }
    all
}

/// Both in order of time; those of the first are first where they are of one time.
fn beside(mut session: Vec<Datagram>, others: Vec<Datagram>) -> Vec<Datagram> {
    session.extend(others);
    session.sort_by(|one, other| one.0.total_cmp(&other.0));
    session
}

fn summary(session: &[Datagram]) -> Summary {
    summary_with(PROFILE, session)
}

fn summary_with(profile: &str, session: &[Datagram]) -> Summary {
    let mut monitor =
        LinkMonitor::new(Arc::new(Profile::parse(profile).expect("it is there")), Arc::from([]));
    let kind = InterfaceKind::Datagram;
    let info = InterfaceInfo { name: "vehicle".to_owned(), kind, description: None };
    monitor.handle(&Entry::Interface(InterfaceId(0), info));
    for (at, from, bytes) in session {
        let source: SocketAddr = from.parse().expect("it is there");
        let flow = Flow { source, destination: "10.0.0.2:14550".parse().expect("it is there") };
        monitor.handle(&Entry::Record(Record {
            at: Nanos::from_secs_f64(*at),
            interface: InterfaceId(0),
            direction: Direction::Inbound,
            body: Body::Datagram { flow, bytes },
        }));
    }
    monitor.summary(&RecordingFacts::default())
}

/// All figures but the rows of some addresses, what tells addresses apart, and plain counts of all that came.
fn figures(summary: &Summary, strangers: &[&str]) -> Value {
    let mut value = serde_json::to_value(summary).expect("it is there");
    for key in ["bytes", "records"] {
        value["recording"][key].take();
    }
    value["framing"].take();
    let rows = value["streams"].as_array_mut().expect("it is there");
    rows.retain(|row| !row["endpoint"].as_str().is_some_and(|end| strangers.contains(&end)));
    for row in rows.iter_mut() {
        row["endpoint"] = Value::Null;
    }
    for row in value["timing"].as_array_mut().expect("it is there") {
        row.as_object_mut().expect("it is there").remove("endpoint");
    }
    value["events"].as_array_mut().expect("it is there").retain(|event| event["kind"] != "same-id");
    value
}

/// The same figures; else those that differ.
fn assert_same(found: &Value, expected: &Value, what: &str) {
    let keys = expected.as_object().expect("it is there").keys();
    let other: Vec<_> = keys.filter(|key| found[*key] != expected[*key]).collect();
    let each = other.iter().map(|key| format!("{}\nnot {}", found[*key], expected[*key]));
    assert!(other.is_empty(), "{what}: {other:?}\n{}", each.collect::<Vec<_>>().join("\n"));
}

fn row<'a>(summary: &'a Summary, endpoint: &str) -> &'a Stream {
    let mut rows = summary.streams.iter().filter(|row| row.endpoint.as_deref() == Some(endpoint));
    rows.next().unwrap_or_else(|| panic!("no row of {endpoint}: {:?}", summary.streams))
}

fn told(summary: &Summary) -> Vec<String> {
    let value = serde_json::to_value(summary).expect("it is there");
    let events =
        value["events"].as_array().expect("it is there").iter().filter(|event| event["kind"] == "same-id");
    events.map(|event| event["text"].as_str().expect("it is there").to_owned()).collect()
}

/// What somebody sends twice a second under an id that is not theirs, by its message.
fn forged(from: &str, id: (u8, u8), make: impl Fn(&mut Counter, f64) -> Vec<u8>) -> Vec<Datagram> {
    let mut counter = Counter::new(id, 130);
    let of = |step: u32| {
        let at = 20.01 + f64::from(step) / 2.0;
        (at, from.to_owned(), make(&mut counter, at))
    };
    (0..70).map(of).collect()
}

#[test]
fn what_is_forged_under_an_id_in_use_changes_no_figure_but_its_own_row() {
    let session = flight();
    let honest = summary(&session);
    assert!(told(&honest).is_empty());
    let expected = figures(&honest, &[]);
    for key in ["signal", "range", "power", "clocks", "timing", "own_reports"] {
        assert!(!expected[key].as_array().expect("it is there").is_empty(), "{key} is measured");
    }
    let ways: [(&str, (u8, u8), Make); 6] = [
        ("RADIO_STATUS", (51, 68), |counter, _| counter.radio(250, 3)),
        ("HEARTBEAT", (1, 1), |counter, _| counter.heartbeat(false)),
        ("position", (1, 1), |counter, at| counter.position(at, 9000.0)),
        ("SYS_STATUS", (1, 1), |counter, _| counter.status(9000, 9000)),
        ("boot clock", (1, 1), |counter, at| counter.attitude((at * 20.0) as u32)),
        ("VIBRATION", (1, 1), |counter, _| counter.frame(241, 90, &[9; 32])),
    ];
    for (what, id, make) in ways {
        for from in [STRANGER, PORT] {
            let all = beside(session.clone(), forged(from, id, make));
            let found = summary(&all);
            assert_same(&figures(&found, &[from]), &expected, &format!("{what} from {from}"));
            let own = row(&found, from);
            assert_eq!((own.received, own.link_loss, own.why_not), (70, false, Some(Reason::SameId)));
            let text = format!(
                "another sender with the id {}/{} at {from}: nothing of it counts, {MODULE} was first",
                id.0, id.1
            );
            assert_eq!(told(&found), [text], "{what}");
        }
    }
}

/// A lone forged frame, which nothing shows to be one, says nothing either.
#[test]
fn a_lone_frame_of_another_address_is_taken_for_nothing() {
    let session = flight();
    let expected = figures(&summary(&session), &[]);
    let all = beside(session, vec![(59.0, STRANGER.to_owned(), Counter::new((51, 68), 7).radio(250, 3))]);
    let found = summary(&all);
    assert_same(&figures(&found, &[STRANGER]), &expected, "a lone frame");
    assert!(told(&found).is_empty());
}

/// A forwarder with two sockets, at one address or two; each path loses frames of its own, either may be ahead.
#[test]
fn copies_over_a_second_path_are_no_other_sender() {
    for (second, delay) in [(STRANGER, 0.02), (PORT, 0.02), (STRANGER, -0.02), (PORT, -0.02)] {
        for lost in [0, 3] {
            let all = flight();
            let arrives = |number: usize, of: usize| lost == 0 || number % 7 != of;
            let each = all.iter().enumerate();
            let first = each.clone().filter(|(number, _)| arrives(*number, lost)).map(|(_, one)| one.clone());
            let path = each
                .filter(|(number, _)| arrives(*number, 5))
                .map(|(_, (at, _, bytes))| ((at + 0.5 + delay), second.to_owned(), bytes.clone()));
            let first: Vec<Datagram> = first.map(|(at, from, bytes)| (at + 0.5, from, bytes)).collect();
            let mut session = first.clone();
            // The first path is heard first.
            session[0].0 = 0.1;
            let found = summary(&beside(session, path.collect()));
            assert!(told(&found).is_empty(), "{second} {delay} {lost}");
            assert!(found.streams.iter().all(|row| row.link_loss), "{:?}", found.streams);
            assert_eq!(found.streams.len(), 4);
            let samples = found.signal.iter().map(|row| row.samples).max().expect("it is there");
            assert!(samples <= 120, "each report counts once: {samples}");
            assert!(samples >= 115, "what one path lost the other brings: {samples}");
        }
    }
}

#[test]
fn other_components_and_a_ground_station_have_ids_of_their_own() {
    let (mut camera, mut ground) = (Counter::new((1, 100), 0), Counter::new((255, 190), 0));
    let of = |step: u32| {
        let at = f64::from(step) / 2.0 + 0.01;
        let camera = camera.frame(0, 50, &[0, 0, 0, 0, 30, 8, 0, 4, 3]);
        let ground = ground.frame(0, 50, &[0, 0, 0, 0, 6, 8, 0, 4, 3]);
        [(at, PORT.to_owned(), camera), (at, STRANGER.to_owned(), ground)]
    };
    let found = summary(&beside(flight(), (0..110).flat_map(of).collect()));
    assert!(told(&found).is_empty());
    let row = |system: u8, component: u8| {
        found
            .streams
            .iter()
            .find(|row| (row.system, row.component) == (system, component))
            .expect("it is there")
    };
    assert_eq!((row(1, 100).received, row(1, 100).link_loss, row(1, 1).link_loss), (110, true, true));
    assert_ne!(row(255, 190).why_not, Some(Reason::SameId));
}

/// The same session, each datagram from a port as `port` says it.
fn over_ports(port: impl Fn(usize) -> u16) -> Vec<Datagram> {
    let moved = |(number, (at, _, bytes))| (at, format!("10.0.0.7:{}", port(number)), bytes);
    flight().into_iter().enumerate().map(moved).collect()
}

#[test]
fn a_sender_that_changes_its_port_loses_nothing() {
    let expected = figures(&summary(&flight()), &[]);
    let ways: [(&str, Port); 4] = [
        ("each datagram", |number| 20_000 + number as u16),
        ("a hundred times", |number| 20_000 + (number / 17) as u16),
        ("two by turns", |number| 20_000 + (number % 2) as u16),
        ("three by turns, later", |number| if number < 500 { 20_000 } else { 20_000 + (number % 3) as u16 }),
    ];
    for (what, port) in ways {
        let found = summary(&over_ports(port));
        assert_same(&figures(&found, &[]), &expected, what);
    }
}

#[test]
fn a_module_that_restarted_on_another_port_goes_on() {
    let session = flight();
    let (before, after): (Vec<Datagram>, Vec<Datagram>) = session.into_iter().partition(|one| one.0 < 30.0);
    let (mut vehicle, mut radio) = (Counter::new((1, 1), 90), Counter::new((51, 68), 0));
    // Off for 3 s; its numbers and its clock begin anew.
    let again = after.iter().skip(after.len() / 10).flat_map(|(at, _, _)| {
        [(*at, vehicle.attitude((at * 1e3) as u32 - 25_000)), (*at, radio.radio(99, 40))]
    });
    let again: Vec<Datagram> = again.map(|(at, bytes)| (at, PORT.to_owned(), bytes)).collect();
    let came = again.len() as u64;
    let found = summary(&beside(before, again));
    assert!(told(&found).is_empty());
    assert!(found.streams.iter().all(|row| row.link_loss), "{:?}", found.streams);
    assert_eq!(found.signal[0].samples, 60 + came / 2);
}

#[test]
fn of_two_vehicles_with_one_id_the_first_stays_until_it_is_silent_and_takes_it_back() {
    let other = |from: f64, to: f64| {
        let mut counter = Counter::new((51, 68), 7);
        let steps = (from * 2.0) as u32..(to * 2.0) as u32;
        let of = |step: u32| (f64::from(step) / 2.0 + 0.01, STRANGER.to_owned(), counter.radio(99, 40));
        steps.map(of).collect::<Vec<_>>()
    };
    // The first is silent from 20 s to 40 s.
    let mut first = flight();
    first.retain(|one| !(20.0..40.0).contains(&one.0));
    let found = summary(&beside(first.clone(), other(0.5, 60.0)));
    assert_eq!(told(&found).len(), 2, "before, and after the first took it back");
    assert_eq!(row(&found, STRANGER).why_not, Some(Reason::SameId));
    assert_eq!(row(&found, MODULE).why_not, None);
    // 120 reports less 40, and those of the other from 10 s after the last of the first (19.65 s) on.
    let expected = 80 + (0..20).filter(|step| 30.01 + f64::from(*step) / 2.0 > 29.65 + 0.0).count() as u64;
    let samples = found.signal[0].samples;
    assert!(samples.abs_diff(expected) <= 1, "{samples}, not {expected}");
}

/// RTP of version 2, payload type 96, with its marker; RFC 3550, section 5.1.
fn rtp(number: u16, timestamp: u32, ssrc: u32) -> Vec<u8> {
    let mut bytes = vec![0x80, 0xE0];
    bytes.extend_from_slice(&number.to_be_bytes());
    bytes.extend_from_slice(&timestamp.to_be_bytes());
    bytes.extend_from_slice(&ssrc.to_be_bytes());
    bytes.extend_from_slice(&[7; 200]);
    bytes
}

fn forgotten(summary: &Summary) -> Vec<String> {
    let value = serde_json::to_value(summary).expect("it is there");
    let events =
        value["events"].as_array().expect("it is there").iter().filter(|event| event["kind"] == "forgotten");
    events.map(|event| event["text"].as_str().expect("it is there").to_owned()).collect()
}

/// Ten seconds of a flood by a seed: frames of any id from any address, RTP of any source.
fn flood(seed: u64, ids: bool) -> Vec<Datagram> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let of = |step: u32| {
        let at = f64::from(step) / 300.0;
        let from = format!(
            "10.9.{}.{}:{}",
            random.random::<u8>(),
            random.random::<u8>(),
            random.random_range(1..60_000)
        );
        if ids {
            let id = (random.random_range(2..=255), random.random());
            let bytes = if random.random() {
                frame(random.random(), id, 25, 23, &[random.random(), 1])
            } else {
                frame(random.random(), id, 109, 185, &[0, 0, 0, 0, 90, 90, 90, 3, 3])
            };
            vec![(at, from, bytes)]
        } else {
            let (number, ssrc) = (random.random::<u16>() / 2, random.random());
            (0..3).map(|next| (at, from.clone(), rtp(number + next, 90 * u32::from(next), ssrc))).collect()
        }
    };
    (0..3000).flat_map(of).collect()
}

#[test]
fn a_flood_of_senders_makes_nobody_deaf() {
    for seed in 10_001..10_004 {
        // The vehicle comes while the flood goes on; another system that nobody named, after it.
        let mut other = Counter::new((9, 1), 0);
        let other: Vec<Datagram> = (0..400)
            .map(|step| {
                (
                    13.0 + f64::from(step) / 20.0,
                    "10.0.0.9:14550".to_owned(),
                    other.attitude(step as u32 * 50 + 1),
                )
            })
            .collect();
        let late: Vec<Datagram> =
            flight().into_iter().map(|(at, from, bytes)| (at + 5.0, from, bytes)).collect();
        let found = summary(&beside(beside(flood(seed, true), late), other));
        let rows: Vec<_> =
            found.streams.iter().map(|row| ((row.system, row.component), row.received, row.lost)).collect();
        for expected in [((1, 1), 1560, Some(0)), ((51, 68), 120, Some(0)), ((9, 1), 400, Some(0))] {
            assert!(rows.contains(&expected), "seed {seed}: {expected:?} is not in {rows:?}");
        }
        assert!(found.streams.len() <= 256);
        assert_eq!(found.framing.frames, 3000 + 1680 + 400, "seed {seed}");
        assert_eq!(forgotten(&found).len(), 1, "seed {seed}");
        let own = found.signal.iter().find(|row| (row.system, row.component) == (Some(51), Some(68)));
        assert_eq!(own.map(|row| row.samples), Some(120), "seed {seed}");
    }
}

/// A flood of senders of everything that has a table: half of them under the vehicle's system, where nobody names them.
fn flood_of_tables(seed: u64) -> Vec<Datagram> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let of = |step: u32| {
        let at = f64::from(step) / 300.0;
        let from = format!("10.9.{}.{}:9", random.random::<u8>(), random.random::<u8>());
        // None has an id that somebody else has.
        let system = if random.random() { 1 } else { random.random_range(60..=255) };
        let mut sender = Counter::new((system, random.random_range(2..=255)), random.random_range(0..256));
        let bytes = match step % 6 {
            0 => sender.attitude(random.random()),
            1 => sender.status(random.random_range(3000..30_000), random.random()),
            2 => sender.radio(random.random(), random.random()),
            // HEARTBEAT of a ground station.
            3 => sender.frame(0, 50, &[0, 0, 0, 0, 6, 8, 0, 4, 3]),
            // BATTERY_STATUS of any battery.
            4 => sender.frame(147, 154, &battery(random.random())),
            // VIBRATION with clipping.
            _ => sender.frame(241, 90, &[9; 32]),
        };
        (at, from, bytes)
    };
    (0..3000).map(of).collect()
}

/// BATTERY_STATUS of 16 V.
fn battery(id: u8) -> Vec<u8> {
    let mut payload = vec![0; 36];
    payload[10..12].copy_from_slice(&16_000_u16.to_le_bytes());
    payload[12..30].fill(0xFF);
    payload[30..32].copy_from_slice(&500_i16.to_le_bytes());
    (payload[32], payload[35]) = (id, 60);
    payload
}

#[test]
fn a_flood_leaves_room_for_each_figure_of_those_that_count() {
    let row = |summary: &Summary, key: &str, id: (u8, u8)| {
        let value = serde_json::to_value(summary).expect("it is there");
        let rows = value[key].as_array().expect("it is there").clone();
        let mut rows = rows
            .into_iter()
            .filter(|row| (&row["system"], &row["component"]) == (&id.0.into(), &id.1.into()));
        rows.next().unwrap_or_else(|| panic!("no row of {id:?} in {key}"))
    };
    let late = |from: f64| flight().into_iter().map(move |(at, address, bytes)| (at + from, address, bytes));
    let honest = summary(&late(5.0).collect::<Vec<_>>());
    for seed in 10_001..10_006 {
        // What nobody named comes in the flood too, and goes on after it.
        let mut other = Counter::new((9, 1), 0);
        let other = (0..600_u32).flat_map(|step| {
            let at = 5.0 + f64::from(step) / 20.0;
            let each = [other.attitude(step * 50 + 1), other.status(15_000, 3), other.radio(99, 40)];
            each.map(|bytes| (at, "10.0.0.9:14550".to_owned(), bytes))
        });
        let found = summary(&beside(flood_of_tables(seed), late(5.0).chain(other).collect()));
        for (key, id) in
            [("power", (1, 1)), ("own_reports", (1, 1)), ("own_reports", (51, 68)), ("signal", (51, 68))]
        {
            assert_eq!(row(&found, key, id), row(&honest, key, id), "seed {seed}, {key} of {id:?}");
        }
        let skew = |summary: &Summary| row(summary, "clocks", (1, 1))["skew_ppm"].clone();
        assert_eq!(skew(&found), skew(&honest), "seed {seed}");
        for key in ["power", "own_reports", "clocks", "signal"] {
            row(&found, key, (9, 1));
        }
        let vehicle = found.streams.iter().find(|row| (row.system, row.component) == (1, 1)).expect("a row");
        assert_eq!((vehicle.received, vehicle.lost), (1560, Some(0)), "seed {seed}");
    }
}

/// In the flood a camera waits for its turn, at most for 2 s; after it, for nothing. (The link's own account may hold the
/// last stream of the flood too: a camera may start again elsewhere.)
#[test]
fn a_flood_of_pictures_makes_nobody_deaf() {
    for seed in 10_001..10_006 {
        for (begins_s, least) in [(3.0, 540), (10.6, 600)] {
            let camera = |number: u16| {
                let at = begins_s + f64::from(number) / 30.0;
                (at, "10.0.0.7:5600".to_owned(), rtp(number, 3000 * u32::from(number), 77))
            };
            let found = summary(&beside(flood(seed, false), (0..600).map(camera).collect()));
            let own = found.video.as_ref().expect("a picture");
            assert_eq!(own.ssrc, Some(77), "seed {seed}");
            let row = found.video_streams.iter().find(|row| row.ssrc == Some(77)).expect("it is there");
            let packets = row.packets.expect("it is there");
            assert!((least..=600).contains(&packets), "seed {seed}, from {begins_s} s: {packets}");
            assert!(found.video_streams.len() <= 16);
            assert_eq!(forgotten(&found).len(), 1, "seed {seed}");
        }
    }
}

#[test]
fn nobody_is_forgotten_where_there_is_room() {
    assert!(forgotten(&summary(&flight())).is_empty());
}

/// A minute and a half of a handset whose first stick goes up and down every 2 s, in a ramp of 0.3 s, and of a vehicle
/// whose first channel shows it 0.1 s later. The handset begins at 6 s, and rests from 9 s to 12.5 s.
fn sticks_and_channels() -> Vec<Datagram> {
    let position = |at: f64| {
        let (beat, within) = ((at / 2.0).floor() as i64, at % 2.0);
        let share = (within / 0.3).min(1.0);
        let up = if beat % 2 == 0 { share } else { 1.0 - share };
        1300 + (400.0 * up) as u16
    };
    let (mut vehicle, mut handset) = (Counter::new((1, 1), 0), Counter::new((255, 190), 0));
    let mut all = Vec::new();
    for step in 0..1800 {
        let at = f64::from(step) / 20.0;
        if step % 20 == 0 {
            all.push((at, MODULE.to_owned(), vehicle.heartbeat(step > 60)));
        }
        let shown = position((at - 0.1 - 0.01).max(6.0).min(if at < 12.5 { 9.0 } else { at }));
        all.push((at + 0.01, MODULE.to_owned(), vehicle.channels((at * 1e3) as u32 + 5000, shown)));
        if at >= 6.0 && !(9.0..12.5).contains(&at) {
            all.push((at, "10.0.0.8:14550".to_owned(), handset.sticks(position(at))));
        }
    }
    beside(all, Vec::new())
}

/// Overrides by systems from 60 on that nobody follows.
fn foreign_sticks(systems: u8, (from_s, to_s): (f64, f64)) -> Vec<Datagram> {
    let of = |number: u8| {
        let mut sender = Counter::new((60 + number, 1), 0);
        let steps = (from_s * 20.0) as u32..(to_s * 20.0) as u32;
        steps.map(move |step| {
            (f64::from(step) / 20.0 + 0.003, format!("10.0.1.{number}:14550"), sender.sticks(1500))
        })
    };
    (0..systems).flat_map(of).collect()
}

#[test]
fn foreign_senders_of_sticks_keep_the_handset_out_of_nothing() {
    let named = PROFILE.replace("[handset]", "[handset]\nsystem = 255");
    // Four that were there first, and have gone; three that stay, with a fourth while the handset rests.
    let first = foreign_sticks(4, (0.0, 2.0));
    let staying = beside(foreign_sticks(3, (7.0, 40.0)), {
        let mut late = foreign_sticks(4, (11.5, 12.0));
        late.retain(|(_, from, _)| from == "10.0.1.3:14550");
        late
    });
    let honest = summary_with(&named, &sticks_and_channels());
    let stick = &honest.sticks[0];
    assert_eq!((stick.compared, stick.stick, stick.findings.as_slice()), (Some(true), Some(1), &[][..]));
    let stage = |summary: &Summary| summary.latency.stick_to_input.clone().expect("a stage");
    assert!(stage(&honest).events > 20, "{}", stage(&honest).events);
    for (what, foreign) in [("before", first), ("beside", staying)] {
        let found = summary_with(&named, &beside(sticks_and_channels(), foreign));
        assert_eq!(found.sticks, honest.sticks, "{what}");
        let (found, honest) = (stage(&found), stage(&honest));
        assert_eq!((found.events, found.p50_ms), (honest.events, honest.p50_ms), "{what}");
    }
}
