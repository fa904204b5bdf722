//! Restarts are no losses, and losses are no restarts: senders switched off, paused and out of reach, against what
//! the tests themselves sent; and whose silence is that of a link.

mod frames;

use std::sync::Arc;

use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::loss::{LossMeter, Restart};
use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::record::{Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Record};
use fadewatch::snapshot::View;
use fadewatch::summary::Stream;
use fadewatch::units::Nanos;
use fadewatch::wire::framer::{Frame, FrameHeader, Standing};
use fadewatch::wire::message::MavlinkMessage;
use fadewatch::wire::telemetry::{BootStamp, Telemetry};
use frames::frame;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

/// What was tuned on seeds from 1 on is judged on these.
const SEEDS: std::ops::Range<u64> = 10_001..10_501;
const VEHICLE: Sender =
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };
/// A sender without a boot clock.
const CLOCKLESS: Sender = Sender { component: 191, ..VEHICLE };

/// Frames into a meter, with the times that a core would keep.
#[derive(Default)]
struct Bench {
    meter: LossMeter,
    context: Context,
    contents: u64,
}

impl Bench {
    fn arrive(&mut self, at: f64, sender: Sender, number: u64, boot: Option<BootStamp>) {
        let at = Nanos::from_secs_f64(at);
        let start = *self.context.start.get_or_insert(at);
        self.meter.begin(start);
        self.context.now = self.context.now.max(at);
        // No two frames are alike.
        self.contents += 1;
        let bytes = self.contents.to_le_bytes();
        let header = FrameHeader {
            version: 2,
            sequence: number as u8,
            system: sender.system,
            component: sender.component,
            message: 30,
            signed: false,
            known: true,
            standing: Standing::Accepted,
        };
        let fingerprint = Frame { header, payload: &bytes, bytes: &bytes }.fingerprint();
        let message = MavlinkMessage { header, fingerprint, boot, telemetry: None };
        self.meter.observe(at, sender, None, &message);
    }

    fn rows(&self) -> Vec<Stream> {
        self.meter.summary(&self.context)
    }
}

/// How often figures were right.
#[derive(Debug, Default)]
struct Score {
    seeds: u32,
    exact: u32,
    held: u32,
    /// Mean of the errors, absolute.
    error: f64,
    /// Mean width of the intervals.
    width: f64,
}

impl Score {
    fn add(&mut self, row: &Stream, truth: u64) {
        self.seeds += 1;
        self.exact += u32::from(row.lost.expect("followed") == truth);
        self.held += u32::from(
            (row.lost_ci95.expect("followed")[0]..=row.lost_ci95.expect("followed")[1]).contains(&truth),
        );
        let each = 1.0 / f64::from(self.seeds);
        self.error += (row.lost.expect("followed").abs_diff(truth) as f64 - self.error) * each;
        self.width += ((row.lost_ci95.expect("followed")[1] - row.lost_ci95.expect("followed")[0]) as f64
            - self.width)
            * each;
    }

    fn share(&self, count: u32) -> f64 {
        f64::from(count) / f64::from(self.seeds)
    }
}

/// Where the numbers begin after a sender was off.
#[derive(Clone, Copy, Debug)]
enum Numbers {
    FromZero,
    FromAny,
    GoOn,
}

/// A steady sender without a boot clock that sends nothing for about `off_s`.
fn switched_off(seed: u64, off_s: f64, numbers: Numbers) -> Stream {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let rate = random.random_range(20.0..100.0);
    let jitter = random.random_range(0.0..0.003);
    let before = (rate * random.random_range(25.0..120.0)) as u64;
    let off_s = off_s + random.random::<f64>();
    let mut bench = Bench::default();
    let mut number = random.random_range(0..256);
    for step in 0..before * 2 {
        let mut at = step as f64 / rate + jitter * random.random::<f64>();
        number += 1;
        if step == before {
            number = match numbers {
                Numbers::FromZero => 0,
                Numbers::FromAny => random.random_range(0..256),
                Numbers::GoOn => number,
            };
        }
        at += if step >= before { off_s } else { 0.0 };
        bench.arrive(at, CLOCKLESS, number, None);
    }
    bench.rows().remove(0)
}

/// How unsteady a sender is.
#[derive(Clone, Copy, Debug)]
enum Manner {
    /// A timer with up to 4 ms of jitter.
    Steady,
    /// Its rate wanders by 1 %, with 20 s of memory.
    Wandering,
    /// It sends in groups of four messages.
    Grouped,
    /// Steady, and one in twenty is lost besides.
    Lossy,
}

/// An outage that swallowed what was sent.
struct Outage {
    row: Stream,
    /// Frames lost in the whole session, and in the outage.
    lost: u64,
    swallowed: u64,
    /// The first number after it.
    next: u8,
}

impl Outage {
    /// The numbers after it look as those of a sender that began anew (0 and 1), or of one that paused (the next three
    /// numbers, rounds of them lost): by definition nothing is surely lost then.
    fn looks_like_another(&self) -> bool {
        self.next <= 1 || self.swallowed > 2 && self.swallowed % 256 < 3
    }
}

/// A sender without a boot clock, of which a real outage swallows what is sent.
fn out_of_reach(seed: u64, manner: Manner) -> Outage {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let rate = 5.0 * 20.0_f64.powf(random.random());
    let from = random.random_range(30.0..100.0);
    let to = from + random.random_range(2.0..20.0);
    let (mut bench, mut lost, mut wander, mut clock) = (Bench::default(), 0, 0.0_f64, 0.0);
    let offset = random.random_range(0..256);
    let (mut number, mut last, mut outage) = (offset, offset, None);
    while clock < to + 30.0 {
        let kick = (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
        let steps = 20.0 * rate;
        if matches!(manner, Manner::Wandering) {
            wander += -wander / steps + 0.01 * (2.0 / steps).sqrt() * kick;
        }
        clock += (1.0 + wander) / rate;
        let group = if matches!(manner, Manner::Grouped) { 4.0 / rate } else { 0.0 };
        let sent =
            if group > 0.0 { (clock / group).floor() * group + 0.001 * (number % 4) as f64 } else { clock };
        let at = sent + 0.004 * random.random::<f64>().min(0.2 * rate);
        number += 1;
        let edge = clock < 1.0 || clock > to + 29.0;
        let is_gone = (from..to).contains(&sent)
            || matches!(manner, Manner::Lossy) && !edge && random.random::<f64>() < 0.05;
        if is_gone {
            lost += 1;
        } else {
            if sent >= to {
                outage.get_or_insert((number - last - 1, number as u8));
            }
            last = number;
            bench.arrive(at, CLOCKLESS, number, None);
        }
    }
    let (swallowed, next) = outage.expect("it is heard again");
    Outage { row: bench.rows().remove(0), lost, swallowed, next }
}

#[test]
fn a_sender_that_was_off_lost_nothing() {
    for off_s in [2.0, 5.0, 10.0, 60.0] {
        for numbers in [Numbers::FromZero, Numbers::FromAny, Numbers::GoOn] {
            let mut score = Score::default();
            for seed in SEEDS {
                score.add(&switched_off(seed, off_s, numbers), 0);
            }
            assert!(score.share(score.exact) >= 0.99, "off {off_s} s, {numbers:?}: {score:?}");
            assert!(score.share(score.held) >= 0.99, "off {off_s} s, {numbers:?}: {score:?}");
        }
    }
}

#[test]
fn what_an_outage_swallowed_is_lost() {
    for manner in [Manner::Steady, Manner::Wandering, Manner::Grouped, Manner::Lossy] {
        let (mut all, mut told) = (Score::default(), Score::default());
        for seed in SEEDS {
            let outage = out_of_reach(seed, manner);
            all.add(&outage.row, outage.lost);
            if !outage.looks_like_another() {
                told.add(&outage.row, outage.lost);
            }
        }
        assert!(all.share(all.held) >= 0.99, "{manner:?}: {all:?}");
        // Five numbers of 256 look like another cause, three of them only where whole rounds are lost: one in 51 at most.
        assert!(told.seeds >= 480, "{manner:?}: {told:?}");
        // All others are told, but for the rate of one sender, which wanders by more than its numbers allow.
        let wanted = if matches!(manner, Manner::Wandering) { 0.97 } else { 0.995 };
        assert!(told.share(told.exact) >= wanted, "{manner:?}: {told:?}");
    }
}

/// Bare bytes have no time but the boot clock's: it stands still from the last stamp before a restart to the first one
/// after it, whatever number the old count had reached and however many frames came without a stamp.
#[test]
fn a_restart_whose_first_frames_carry_no_stamp_loses_nothing() {
    for reached in 256..512_u64 {
        for unstamped in [1_u64, 3, 12, 40] {
            let mut bench = Bench::default();
            let mut lost = 0;
            for number in 0..reached {
                // Every 50th is lost, between frames with a stamp.
                if number % 50 == 25 && number + 5 < reached {
                    lost += 1;
                } else {
                    let boot =
                        (number % 2 == 0 || number + 1 == reached).then_some(9_000 + 20 * number as u32);
                    bench.arrive(number as f64 / 50.0, VEHICLE, number, boot.map(BootStamp::Millis));
                }
            }
            let stood = (reached - 1) as f64 / 50.0;
            for number in 0..unstamped + 300 {
                let since = number.saturating_sub(unstamped);
                let boot = (number >= unstamped).then(|| BootStamp::Millis(400 + 20 * since as u32));
                bench.arrive(stood + since as f64 / 50.0, VEHICLE, number, boot);
            }
            let row = bench.rows().remove(0);
            assert_eq!(
                (row.lost.expect("followed"), row.restarts),
                (lost, 1),
                "{reached}, {unstamped}: {row:?}"
            );
            assert_eq!(row.received, reached - lost + unstamped + 300);
        }
    }
}

/// Stamps of the 32 bit kind say nothing where there are others, and some messages carry none: the first frames after a
/// restart are known as such by the first stamp that falls.
#[test]
fn a_restart_is_found_back_to_its_first_frame_past_stamps_that_say_nothing() {
    for seed in SEEDS.take(200) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let reboot = random.random_range(20.0..50.0);
        let again = reboot + random.random_range(2.0..6.0);
        // Of each message: its rate, and the kind of its stamp.
        let messages = [(1.0, 0), (random.random_range(1.0..5.0), 1), (8.0, 2), (2.0, 0)];
        let mut sent = Vec::new();
        for (rate, kind) in messages {
            let mut at = random.random::<f64>() / rate;
            while at < 80.0 {
                sent.push((at, kind));
                at += random.random_range(0.9..1.1) / rate;
            }
        }
        sent.retain(|(at, _)| !(reboot..again).contains(at));
        sent.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (mut bench, mut number, mut is_again) = (Bench::default(), random.random_range(0..256), false);
        for (at, kind) in &sent {
            if *at >= again && !is_again {
                (number, is_again) = (0, true);
            }
            let boot_ms = if is_again { (at - again) * 1e3 + 500.0 } else { at * 1e3 + 4_290_000.0 };
            let boot = match kind {
                1 => Some(BootStamp::Millis(boot_ms as u32)),
                2 => Some(BootStamp::Micros32((boot_ms * 1e3) as u64 as u32)),
                _ => None,
            };
            bench.arrive(*at, VEHICLE, number, boot);
            number += 1;
        }
        let row = bench.rows().remove(0);
        assert_eq!(
            (row.lost.expect("followed"), row.lost_ci95.expect("followed"), row.restarts),
            (0, [0, 0], 1),
            "seed {seed}: {row:?}"
        );
        assert_eq!(row.received, sent.len() as u64);
    }
}

/// A burst among heartbeats, a part of it lost: no jump of such numbers shows a restart.
#[test]
fn a_sender_of_a_burst_among_heartbeats_that_loses_some_never_restarted() {
    let mut held = 0;
    for seed in SEEDS {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let (share, from) = (random.random_range(0.05..0.2), random.random_range(0.2..10.0));
        let burst = (0..random.random_range(50..600)).map(|turn| from + f64::from(turn) / 400.0);
        let mut sent: Vec<f64> = (0..100).map(f64::from).chain(burst).collect();
        sent.sort_by(f64::total_cmp);
        let (mut bench, mut number, mut lost, mut missing) =
            (Bench::default(), random.random_range(0..256), 0, 0);
        for at in sent {
            number += 1;
            if at > 0.5 && random.random::<f64>() < share {
                missing += 1;
                continue;
            }
            lost += std::mem::take(&mut missing);
            bench.arrive(at, CLOCKLESS, number, None);
        }
        let row = bench.rows().remove(0);
        assert_eq!(row.restarts, 0, "seed {seed}: {lost} lost, {row:?}");
        assert!(bench.meter.restarts().is_empty(), "seed {seed}");
        held += u32::from(
            (row.lost_ci95.expect("followed")[0]..=row.lost_ci95.expect("followed")[1]).contains(&lost),
        );
    }
    assert!(held >= 495, "{held} of 500");
}

#[test]
fn numbers_that_cannot_be_followed_show_no_restart() {
    for seed in SEEDS.take(200) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let apart = random.random_range(20..230);
        let mut sent: Vec<(f64, u64)> = Vec::new();
        for first in [0, apart] {
            let rate = random.random_range(1.0..12.0);
            let (mut at, mut number) = (random.random::<f64>(), first);
            while at < 90.0 {
                sent.push((at, number));
                number += 1;
                at += random.random_range(0.9..1.1) / rate;
            }
        }
        sent.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut bench = Bench::default();
        for (at, number) in sent {
            bench.arrive(at, CLOCKLESS, number, None);
        }
        let row = bench.rows().remove(0);
        let is_given_up = row.why_not == Some(fadewatch::summary::Reason::SeveralCounters);
        assert!(is_given_up && row.restarts == 0, "seed {seed}: {row:?}");
        assert!(bench.meter.restarts().is_empty(), "seed {seed}");
    }
}

/// One frame that arrives.
struct Arriving {
    at: f64,
    component: u8,
    number: u64,
    boot: Option<BootStamp>,
}

/// A vehicle of three components that is switched off and on; when each is heard again, and all that arrives. Only the
/// autopilot sends a boot clock, in every third message. What `stays_on` has power of its own and goes on all the time.
fn rebooted(seed: u64, stays_on: Option<u8>) -> ([f64; 3], Vec<Arriving>) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let off = random.random_range(20.0..60.0);
    let on = off + random.random_range(1.5..30.0);
    let (mut arrivals, mut again) = (Vec::new(), [0.0; 3]);
    for (place, component) in [1, 100, 191].into_iter().enumerate() {
        let rate =
            if component == 1 { random.random_range(10.0..50.0) } else { random.random_range(1.0..10.0) };
        let begins = on + random.random_range(0.2..8.0);
        let mut number = random.random_range(0..256);
        let mut is_again = false;
        let mut at = random.random::<f64>() / rate;
        while at < on + 60.0 {
            number += 1;
            if at >= off && !is_again && stays_on != Some(component) {
                is_again = true;
                number = random.random_range(0..256);
                at = begins + random.random::<f64>() / rate;
                again[place] = at;
            }
            let boot_s = if is_again { at - on } else { at + 500.0 };
            let boot =
                (component == 1 && number % 3 == 0).then_some(BootStamp::Millis((boot_s * 1e3) as u32));
            arrivals.push(Arriving { at, component, number, boot });
            at += (1.0 + 0.02 * random.random::<f64>()) / rate;
        }
    }
    arrivals.sort_by(|a, b| a.at.total_cmp(&b.at));
    (again, arrivals)
}

fn heard(arrivals: &[Arriving]) -> Bench {
    let mut bench = Bench::default();
    for arriving in arrivals {
        let sender = Sender { component: arriving.component, ..VEHICLE };
        bench.arrive(arriving.at, sender, arriving.number, arriving.boot);
    }
    bench
}

#[test]
fn a_vehicle_that_restarts_loses_nothing_and_each_component_s_restart_is_told() {
    let (mut seeds, mut lossless, mut told, mut on_time) = (0, 0, [0; 3], 0);
    for seed in SEEDS {
        let (again, arrivals) = rebooted(seed, None);
        let bench = heard(&arrivals);
        seeds += 1;
        lossless += u32::from(bench.rows().iter().all(|row| row.lost.expect("followed") == 0));
        let restarts = bench.meter.restarts();
        for (place, component) in [1, 100, 191].into_iter().enumerate() {
            let own: Vec<&Restart> =
                restarts.iter().filter(|restart| restart.sender.component == component).collect();
            let at = Nanos::from_secs_f64(again[place]);
            assert!(own.len() <= 1, "seed {seed}: {own:?}");
            told[place] += u32::from(own.iter().any(|restart| restart.at == at));
            if component == 1 {
                assert!(own[0].by_clock, "seed {seed}: {own:?}");
                on_time += u32::from(own[0].at == at);
            }
        }
    }
    assert!(f64::from(lossless) >= 0.99 * f64::from(seeds), "{lossless} of {seeds}");
    assert_eq!(on_time, seeds, "an autopilot's restart is told with the stamp of its first frame");
    // Numbers that go on by chance show no restart.
    assert!(told.iter().all(|&told| f64::from(told) >= 0.98 * f64::from(seeds)), "{told:?} of {seeds}");
}

/// Both are off. The camera is back first, with numbers that show its restart, and loses seven frames just as the
/// autopilot comes back: that is no second restart.
#[test]
fn a_loss_after_a_restart_that_was_told_is_a_loss() {
    let mut bench = Bench::default();
    let (mut camera, mut autopilot) = (0, 0);
    for tick in 0..1600_u64 {
        let at = 0.05 * tick as f64;
        let (is_off, camera_is_off) = ((40.0..46.2).contains(&at), (40.0..43.0).contains(&at));
        if !is_off {
            autopilot += 1;
            let boot_s = if at < 40.0 { at + 500.0 } else { at - 45.0 };
            let boot = BootStamp::Millis((boot_s * 1e3) as u32);
            bench.arrive(at, VEHICLE, autopilot, Some(boot));
        }
        if tick % 10 == 5 && !camera_is_off {
            camera += if (43.0..43.4).contains(&at) { 130 } else { 1 };
            if !(46.0..49.4).contains(&at) {
                bench.arrive(at, CLOCKLESS, camera, None);
            }
        }
    }
    let restarts = bench.meter.restarts();
    let of_camera = restarts.iter().filter(|restart| restart.sender == CLOCKLESS).count();
    let rows = bench.rows();
    let lost: Vec<_> = rows.iter().map(|row| (row.component, row.lost)).collect();
    assert_eq!((of_camera, lost), (1, vec![(1, Some(0)), (191, Some(7))]), "{restarts:?}");
}

/// A camera with power of its own goes on while the autopilot restarts, some of its frames lost: no restart of it.
#[test]
fn a_component_that_stays_on_while_the_autopilot_restarts_is_counted_on() {
    for seed in SEEDS.take(200) {
        let (_, mut arrivals) = rebooted(seed, Some(100));
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let (mut index, mut lost, mut last) = (0, 0, true);
        arrivals.retain(|arriving| {
            index += 1;
            // Never two in a row, nor the first or the last ones.
            let is_edge = arriving.at < 3.0 || arriving.at > 75.0;
            let gone = arriving.component == 100 && !is_edge && last && random.random::<f64>() < 0.1;
            if arriving.component == 100 {
                last = !gone;
            }
            lost += u64::from(gone);
            !gone
        });
        let bench = heard(&arrivals);
        let row = bench.rows().into_iter().find(|row| row.component == 100).expect("a camera");
        assert!(row.restarts == 0 || row.lost_ci95.expect("followed")[1] >= lost, "seed {seed}: {row:?}");
        assert!(
            row.lost.expect("followed").abs_diff(lost) <= 1,
            "seed {seed}: {} of {lost}",
            row.lost.expect("followed")
        );
    }
}

/// A camera goes on while the autopilot restarts, and a heartbeat or two of it are lost around then: no restart of it.
/// Where an outage hides all of it, the lost stand in its interval.
#[test]
fn a_loss_or_two_of_a_camera_while_the_autopilot_restarts_is_no_restart_of_it() {
    for (from, to) in [(30.5, 31.5), (28.6, 30.6), (32.6, 34.6), (33.2, 34.2), (28.4, 36.2), (31.2, 38.2)] {
        let is_heard = |at: f64| !(from..to).contains(&at);
        let (mut bench, mut number) = (Bench::default(), 0);
        let mut sent: Vec<(f64, u8, u64)> =
            (0..90_u32).map(|second| (f64::from(second) + 0.37, 100, second.into())).collect();
        for step in 0..900 {
            let at = f64::from(step) / 10.0;
            if (30.0..33.0).contains(&at) {
                number = 0;
            } else {
                sent.push((at, 1, number));
                number += 1;
            }
        }
        sent.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut lost = 0;
        for (at, component, number) in sent {
            if !is_heard(at) {
                lost += u64::from(component == 100);
                continue;
            }
            let boot_s = if at < 33.0 { at + 500.0 } else { at - 32.5 };
            let boot = (component == 1).then_some(BootStamp::Millis((boot_s * 1e3) as u32));
            bench.arrive(at, Sender { component, ..VEHICLE }, number, boot);
        }
        let rows = bench.rows();
        let row = rows.iter().find(|row| row.component == 100).expect("a camera");
        assert!(
            (row.lost_ci95.expect("followed")[0]..=row.lost_ci95.expect("followed")[1]).contains(&lost),
            "{from} to {to}: {lost} lost, {row:?}"
        );
        assert!(row.restarts == 0 || lost > 2, "{from} to {to}: {row:?}");
        assert_eq!(rows[0].restarts, 1, "{:?}", rows[0]);
    }
}

const LINKS: &str = "[vehicle]\nsystem = 1\n[[link]]\nname = \"down\"\nrole = \"telemetry\"\ninterface = \"vehicle\"\n\
                     [[link]]\nname = \"control\"\nrole = \"control\"\ninterface = \"handset\"\n";

/// A core with a vehicle's and a handset's interface.
fn monitor(profile: &str) -> LinkMonitor {
    let mut monitor = LinkMonitor::new(Arc::new(Profile::parse(profile).expect("a profile")), Arc::from([]));
    for (index, name) in ["vehicle", "handset"].into_iter().enumerate() {
        let info = InterfaceInfo { name: name.to_owned(), kind: InterfaceKind::Stream, description: None };
        monitor.handle(&Entry::Interface(InterfaceId(index as u16), info));
    }
    monitor
}

fn bytes(monitor: &mut LinkMonitor, at: f64, interface: u16, direction: Direction, bytes: &[u8]) {
    monitor.handle(&Entry::Record(Record {
        at: Nanos::from_secs_f64(at),
        interface: InterfaceId(interface),
        direction,
        body: Body::Stream(bytes),
    }));
}

/// HEARTBEAT (0) of a type, with an autopilot (3), armed and under way, or without (8).
fn heartbeat(number: u64, sender: (u8, u8), kind: u8, autopilot: u8) -> Vec<u8> {
    let armed = if autopilot == 3 { 128 } else { 0 };
    frame(number, sender, 0, 50, &[0, 0, 0, 0, kind, autopilot, armed, 4, 3])
}

/// RADIO_STATUS (109).
fn radio_status(number: u64, sender: (u8, u8)) -> Vec<u8> {
    frame(number, sender, 109, 185, &[0, 0, 0, 0, 180, 180, 100, 40, 40])
}

/// A minute of everything, then 700 s without the components of the vehicle that fall silent.
fn lost_vehicle(profile: &str, silent: &[u8]) -> LinkMonitor {
    let mut monitor = monitor(profile);
    for second in 0..760_u64 {
        let at = second as f64;
        for component in [1, 100] {
            if second < 60 || !silent.contains(&component) {
                let autopilot = if component == 1 { 3 } else { 8 };
                bytes(
                    &mut monitor,
                    at,
                    0,
                    Direction::Inbound,
                    &heartbeat(second, (1, component), 2, autopilot),
                );
            }
        }
        // The radio that reports, a ground station, a relay, this computer, the handset.
        bytes(&mut monitor, at + 0.1, 0, Direction::Inbound, &radio_status(second, (41, 110)));
        bytes(&mut monitor, at + 0.2, 0, Direction::Inbound, &heartbeat(second, (255, 190), 6, 8));
        bytes(&mut monitor, at + 0.3, 0, Direction::Inbound, &heartbeat(second, (77, 1), 18, 8));
        let timesync = frame(second, (254, 190), 111, 34, &[1; 16]);
        bytes(&mut monitor, at + 0.4, 0, Direction::Outbound, &timesync);
        bytes(&mut monitor, at + 0.5, 1, Direction::Inbound, &heartbeat(second, (255, 1), 6, 8));
    }
    monitor
}

#[test]
fn a_vehicle_that_fell_silent_is_missed_whatever_goes_on_at_the_handset() {
    let monitor = lost_vehicle(LINKS, &[1, 100]);
    let summary = monitor.summary(&RecordingFacts::default());
    let down = &summary.links[0];
    // Heard in 60 of 759 whole seconds, last at 59.0 s of 759.5 s.
    assert!((down.availability_ratio.unwrap() - 60.0 / 759.0).abs() < 1e-9, "{down:?}");
    assert!((down.silent_at_end_s.unwrap() - 700.5).abs() < 1e-6, "{down:?}");
    assert!((down.longest_silence_s.unwrap() - 700.5).abs() < 1e-6, "{down:?}");
    assert!(word(&summary.verdicts, "down") == "failing", "{:?}", summary.verdicts);
    let view = View { from_s: 0.0, to_s: 760.0, columns: 76 };
    let snapshot = monitor.snapshot(view, Arc::new(summary));
    let lane = &snapshot.lanes[0];
    let outages: Vec<bool> = lane.loss.iter().map(|cell| cell.outage).collect();
    assert_eq!(outages, (0..76).map(|column| column >= 5).collect::<Vec<_>>());
    let window = lane.window.as_ref().unwrap();
    assert!(window.availability_ratio.unwrap() < 0.1 && window.longest_silence_s.unwrap() > 700.0);
}

fn word<'a>(verdicts: &'a [fadewatch::summary::Verdict], about: &str) -> &'a str {
    verdicts.iter().find(|verdict| verdict.about == about).map_or("", |verdict| verdict.state.word())
}

#[test]
fn an_autopilot_alone_that_fell_silent_is_missed() {
    let monitor = lost_vehicle(LINKS, &[1]);
    let down = monitor.summary(&RecordingFacts::default()).links.remove(0);
    assert!((down.silent_at_end_s.unwrap() - 700.5).abs() < 1e-6, "{down:?}");
}

/// What is no link of the vehicle's rests on what comes over it, and so does a session without an autopilot.
#[test]
fn links_without_an_autopilot_rest_on_their_own_senders() {
    let named = "[handset]\nsystem = 255\n";
    let relay = "[[link]]\nname = \"relay\"\nrole = \"telemetry\"\nsenders = [[77, 1], [41, 110]]\n";
    let monitor = lost_vehicle(&format!("{named}{relay}{LINKS}"), &[1, 100]);
    let summary = monitor.summary(&RecordingFacts::default());
    for name in ["relay", "control"] {
        let link = summary.links.iter().find(|link| link.link == name).unwrap();
        assert!(link.availability_ratio.unwrap() > 0.99 && link.silent_at_end_s.unwrap() < 1.0, "{link:?}");
    }
    let mut monitor = self::monitor(LINKS);
    for second in 0..100_u64 {
        let at = second as f64;
        bytes(&mut monitor, at, 0, Direction::Inbound, &heartbeat(second, (1, 100), 2, 8));
    }
    let down = monitor.summary(&RecordingFacts::default()).links.remove(0);
    assert_eq!((down.availability_ratio, down.silent_at_end_s), (Some(1.0), Some(0.0)));
}

/// A radio of this side alone shows no far side: nothing is known of the link, which is not "available".
#[test]
fn a_radio_alone_says_nothing_of_the_far_side() {
    let mut monitor = monitor(LINKS);
    for second in 0..100_u64 {
        bytes(&mut monitor, second as f64, 0, Direction::Inbound, &radio_status(second, (41, 110)));
    }
    let down = monitor.summary(&RecordingFacts::default()).links.remove(0);
    assert_eq!((down.availability_ratio, down.silent_at_end_s, down.longest_silence_s), (None, None, None));
}

/// The core can tell an autopilot that stopped from a radio that did.
#[test]
fn what_of_the_vehicle_was_heard_last_is_known() {
    let mut bench = Bench::default();
    bench.context.roles.observe(
        1,
        1,
        &Telemetry::Heartbeat { kind: 2, autopilot: 3, base_mode: 0, custom_mode: 0, system_status: 4 },
    );
    for second in 0..50_u64 {
        let at = second as f64;
        if second < 20 {
            bench.arrive(at, VEHICLE, second, None);
        }
        if second < 30 {
            bench.arrive(at, CLOCKLESS, second, None);
        }
        bench.arrive(at, Sender { system: 41, component: 110, ..VEHICLE }, second, None);
        bench.arrive(at, Sender { direction: Direction::Outbound, ..VEHICLE }, second, None);
    }
    let heard = bench.meter.vehicle_heard(&bench.context);
    assert_eq!(heard.autopilot_last, Some(Nanos::from_secs(19)));
    assert_eq!(heard.any_component_last, Some(Nanos::from_secs(29)));
}
