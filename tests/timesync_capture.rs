//! TIMESYNC in what a packet tool captured: both ways at 10 Hz between a ground station and a vehicle, truth known.
//!
//! The captures are made here: classic pcap of UDP datagrams over Ethernet, stamped at the ground station's computer, whose
//! own TIMESYNC clock is not the stamps'. Seeds were never chosen.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod frames;

use std::io::Write as _;

use etherparse::PacketBuilder;
use fadewatch::capture::Recording;
use fadewatch::profile::Profile;
use fadewatch::run::{Reading, analyse};
use fadewatch::summary::{ClockMethod, ClockSummary, Earlier, ExchangesFrom};
use frames::frame;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng};

const STATION: ([u8; 4], u16) = ([192, 168, 4, 2], 14_550);
const VEHICLE: ([u8; 4], u16) = ([192, 168, 4, 1], 14_555);
const START_S: f64 = 1_777_000_000.0;

/// A datagram: when it is captured, whether it goes down, its frame's sender, message and payload.
type Sent = (f64, bool, (u8, u8), u32, Vec<u8>);

/// How a session differs from the usual one.
#[derive(Clone, Copy, Default)]
struct Oddity {
    /// The vehicle's replies come from another port than the requests went to.
    other_port: bool,
    /// Each request carries the same stamp.
    one_stamp: bool,
}

struct Session {
    sent: Vec<Sent>,
    /// Boot clock at the first record, ms, and its skew.
    boot_ms: f64,
    skew: f64,
    length_s: f64,
}

fn extra_of(message: u32) -> u8 {
    match message {
        0 => 50,
        30 => 39,
        _ => 34,
    }
}

fn timesync(tc1: f64, ts1: f64) -> Vec<u8> {
    [(tc1 as i64).to_le_bytes(), (ts1 as i64).to_le_bytes()].concat()
}

fn session(seed: u64, oddity: Oddity) -> Session {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut between = |low: f64, high: f64| low + (high - low) * random.random::<f64>();
    let (boot_ms, skew, length_s) = (between(2e4, 9e5), between(-40e-6, 40e-6), 60.0);
    let (up, down) = (between(0.003, 0.009), between(0.003, 0.009));
    let epoch_ns = if seed.is_multiple_of(2) { 0.0 } else { 1.6e18 };
    let boot_at = |t: f64| boot_ms + 1e3 * t * (1.0 + skew);
    let vehicle_ns = |t: f64| epoch_ns + 1e6 * boot_at(t);
    let station_ns = |t: f64| 7e12 + 1e9 * t;
    let mut delay = |least: f64| least - 0.003 * between(1e-9, 1.0).ln();
    let mut sent: Vec<Sent> = Vec::new();
    for step in 0..(length_s * 10.0) as u32 {
        let t = f64::from(step) / 10.0 + 0.013;
        let there = t + delay(up);
        let ts1 = if oddity.one_stamp { 5e9 } else { station_ns(t) };
        sent.push((t, false, (255, 190), 111, timesync(0.0, ts1)));
        sent.push((there + delay(down), true, (1, 1), 111, timesync(vehicle_ns(there), ts1)));
        // The vehicle asks too, and the station answers at once.
        let asked = t + 0.04;
        let here = asked + delay(down);
        sent.push((here, true, (1, 1), 111, timesync(0.0, vehicle_ns(asked))));
        sent.push((here + 0.0002, false, (255, 190), 111, timesync(station_ns(here), vehicle_ns(asked))));
        for attitude in 0..3 {
            let read = t + 0.03 * f64::from(attitude);
            let mut payload = (boot_at(read) as u32).to_le_bytes().to_vec();
            payload.extend([1; 24]);
            sent.push((read + delay(down), true, (1, 1), 30, payload));
        }
        if step % 10 == 0 {
            sent.push((t + delay(down), true, (1, 1), 0, vec![0, 0, 0, 0, 2, 3, 0, 4, 3]));
            sent.push((t + 0.001, false, (255, 190), 0, vec![0, 0, 0, 0, 6, 8, 0, 4, 3]));
        }
    }
    sent.sort_by(|a, b| a.0.total_cmp(&b.0));
    Session { sent, boot_ms, skew, length_s }
}

fn capture(session: &Session, oddity: Oddity) -> Vec<u8> {
    let mut file = Vec::new();
    for word in [0xA1B2_3C4D_u32, 0x0004_0002, 0, 0, 65_535, 1] {
        file.extend(word.to_le_bytes());
    }
    let mut numbers = [0_u64; 2];
    for (t, is_down, sender, message, payload) in &session.sent {
        let number = &mut numbers[usize::from(*is_down)];
        let bytes = frame(*number, *sender, *message, extra_of(*message), payload);
        *number += 1;
        let mut vehicle = VEHICLE;
        vehicle.1 += u16::from(oddity.other_port && *is_down);
        let (from, to) = if *is_down { (vehicle, STATION) } else { (STATION, vehicle) };
        let builder = PacketBuilder::ethernet2([2; 6], [4; 6]).ipv4(from.0, to.0, 64).udp(from.1, to.1);
        let mut packet = Vec::new();
        builder.write(&mut packet, &bytes).unwrap();
        let nanos = (t * 1e9).round() as u64;
        let stamp = [START_S as u32 + (nanos / 1_000_000_000) as u32, (nanos % 1_000_000_000) as u32];
        for word in [stamp[0], stamp[1], packet.len() as u32, packet.len() as u32] {
            file.extend(word.to_le_bytes());
        }
        file.extend(packet);
    }
    file
}

fn clock_of_vehicle(seed: u64, oddity: Oddity) -> (Session, ClockSummary) {
    let session = session(seed, oddity);
    let mut file = tempfile::NamedTempFile::new().unwrap();
    file.write_all(&capture(&session, oddity)).unwrap();
    let recording = Recording::open(file.path()).unwrap();
    let profile = std::sync::Arc::new(Profile::default());
    let (monitor, facts) = analyse(&recording, &profile, Earlier::default(), Reading::InTurn, &|_| {});
    let row = monitor.summary(&facts).clocks.into_iter().find(|row| row.system == 1).unwrap();
    (session, row)
}

/// What the offset is in truth, ms: time since the first record less boot clock, at the middle of the session.
fn truth_ms(session: &Session) -> f64 {
    let first = session.sent[0].0;
    let middle = 0.5 * session.length_s;
    1e3 * (middle - first) - (session.boot_ms + 1e3 * middle * (1.0 + session.skew))
}

#[test]
fn captured_exchanges_bound_the_vehicle_s_clock() {
    for seed in 10_001..10_021 {
        let (session, row) = clock_of_vehicle(seed, Oddity::default());
        assert_eq!(row.method, ClockMethod::TwoWay, "{seed}");
        assert_eq!(row.exchanges_from, Some(ExchangesFrom::Captured), "{seed}");
        let error = row.offset_ms - truth_ms(&session);
        let bound = row.uncertainty_ms.unwrap();
        assert!(error.abs() <= bound + 0.1, "{seed}: {error} ms, said {bound} ms");
        assert!(bound < 14.0, "{seed}: {bound} ms");
    }
}

/// A reply that takes another way was perhaps not asked for here; one to requests that read alike answers any of them.
#[test]
fn other_flows_and_requests_that_read_alike_bound_nothing() {
    let oddities =
        [(true, false), (false, true)].map(|(other_port, one_stamp)| Oddity { other_port, one_stamp });
    for (seed, oddity) in (10_001..10_004).flat_map(|seed| oddities.map(|oddity| (seed, oddity))) {
        let (_, row) = clock_of_vehicle(seed, oddity);
        assert_eq!((row.method, row.exchanges_from), (ClockMethod::OneWay, None), "{seed}");
        assert_eq!(row.uncertainty_ms, None);
    }
}
