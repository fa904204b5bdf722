//! Long silences that ordinary senders make, against what the tests themselves sent: what the numbers after them may say
//! of losses, and what they must not.

use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::loss::LossMeter;
use fadewatch::record::{Direction, InterfaceId};
use fadewatch::summary::Stream;
use fadewatch::units::Nanos;
use fadewatch::wire::framer::{Frame, FrameHeader, Standing};
use fadewatch::wire::message::MavlinkMessage;
use fadewatch::wire::telemetry::BootStamp;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

const SENDER: Sender =
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };
const HEARTBEAT: u32 = 0;
const ATTITUDE: u32 = 30;

/// Frames into a meter, with the times that a core would keep.
#[derive(Default)]
struct Bench {
    meter: LossMeter,
    context: Context,
    contents: u64,
}

impl Bench {
    fn arrive(&mut self, at: f64, number: u64, message: u32, boot_s: Option<f64>) {
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
            system: SENDER.system,
            component: SENDER.component,
            message,
            signed: false,
            known: true,
            standing: Standing::Accepted,
        };
        let fingerprint = Frame { header, payload: &bytes, bytes: &bytes }.fingerprint();
        let boot = boot_s.map(|seconds| BootStamp::Millis((seconds * 1e3) as u32));
        self.meter.observe(at, SENDER, None, &MavlinkMessage { header, fingerprint, boot, telemetry: None });
    }

    /// Attitudes at a rate from one time to another, numbered on from a number; the number after them.
    fn run(&mut self, (from, to): (f64, f64), rate: f64, first: u64, booted: Option<f64>) -> u64 {
        let count = ((to - from) * rate).round() as u64;
        for step in 0..count {
            let at = from + step as f64 / rate;
            self.arrive(at, first + step, ATTITUDE, booted.map(|booted| at - booted));
        }
        first + count
    }

    /// Heartbeats alone, one a second.
    fn beat(&mut self, (from, to): (f64, f64), first: u64) -> u64 {
        let count = (to - from).round() as u64;
        for step in 0..count {
            self.arrive(from + step as f64, first + step, HEARTBEAT, None);
        }
        first + count
    }

    fn row(&self) -> Stream {
        self.meter.summary(&self.context).remove(0)
    }

    fn range(&self) -> [u64; 2] {
        self.row().lost_ci95.expect("followed")
    }
}

/// The messages with the clock end, heartbeats go on, and their sender begins anew: no clock can show that.
#[test]
fn a_clock_that_no_longer_stamps_shows_no_restart() {
    let mut bench = Bench::default();
    let next = bench.run((0.0, 20.0), 20.0, 3, Some(-30.0));
    bench.beat((20.0, 60.0), next);
    bench.beat((66.0, 80.0), 0);
    assert_eq!((bench.row().lost, bench.range()[0]), (Some(0), 0));
    // While it stamps, the same jump is a loss: 3 + 400 frames, then on from 200 after 6 s (20 a second are 120).
    let mut bench = Bench::default();
    let next = bench.run((0.0, 20.0), 20.0, 3, Some(-30.0));
    bench.run((26.0, 40.0), 20.0, next + 120, Some(-30.0));
    assert_eq!((bench.row().lost, bench.range()), (Some(120), [120, 120]));
}

/// A sender without power twice as long after its start as before has a clock that did not fall, and lags.
#[test]
fn a_clock_that_lags_over_a_silence_makes_nothing_sure() {
    for (stamped, low) in [(2.4, 0), (11.2, 63)] {
        let mut bench = Bench::default();
        bench.run((0.0, 20.0), 27.0, 0, Some(-6.0));
        // 63 numbers are missing after 11.2 s, over which the clock went on by less, or by all.
        bench.run((31.2, 40.0), 27.0, 540 + 63, Some(-6.0 + 11.2 - stamped));
        assert_eq!(bench.range()[0], low, "{stamped}");
    }
}

/// A sender's rate changes in an outage: which of both it had is not known.
#[test]
fn the_rate_after_a_silence_counts_as_well_as_the_one_before() {
    for (before, after, lost) in [(100.0, 20.0, 800), (20.0, 100.0, 1600), (100.0, 20.0, 1800)] {
        for boot in [None, Some(-10.0)] {
            let mut bench = Bench::default();
            let next = bench.run((0.0, 30.0), before, 0, boot);
            bench.run((50.0, 60.0), after, next + lost, boot);
            let [low, high] = bench.range();
            assert!((low..=high).contains(&lost), "{before} to {after}, {boot:?}: {lost} in {low} to {high}");
        }
    }
    // At one rate before and after nothing is in doubt.
    let mut bench = Bench::default();
    let next = bench.run((0.0, 30.0), 50.0, 0, Some(-10.0));
    bench.run((50.0, 60.0), 50.0, next + 1000, Some(-10.0));
    assert_eq!(bench.range(), [1000, 1000]);
}

/// Between two stamps of a slow clock the numbers began anew; before that, a heartbeat had been late.
#[test]
fn a_restart_is_where_the_numbers_did_not_go_on() {
    let mut bench = Bench::default();
    for step in 0..60_u64 {
        bench.arrive(step as f64, 2 * step, HEARTBEAT, None);
        bench.arrive(step as f64 + 0.4, 2 * step + 1, ATTITUDE, Some(step as f64 + 70.0));
    }
    // Heartbeats alone, one of them late by a third of a second, then anew from 0.
    for (at, number) in [(60.0, 120), (61.3, 121), (62.0, 122), (63.0, 0), (64.0, 1)] {
        bench.arrive(at, number, HEARTBEAT, None);
    }
    bench.arrive(64.4, 2, ATTITUDE, Some(2.0));
    bench.beat((65.0, 75.0), 3);
    let row = bench.row();
    assert_eq!((row.lost, row.restarts, bench.range()), (Some(0), 1, [0, 0]));
}

/// Of every 17 numbers one is forwarded, each second; then one comes after 1.5 s, in which 25 or 26 are due. The first
/// frames after a restart may not have been forwarded either.
#[test]
fn a_low_number_after_a_silence_may_be_a_new_count() {
    for (number, is_low) in [(2_u64, true), (202, false)] {
        let mut bench = Bench::default();
        for step in 0..40_u64 {
            bench.arrive(step as f64, 26 + 17 * step, HEARTBEAT, None);
        }
        for step in 0..10_u64 {
            bench.arrive(40.5 + step as f64, number + 17 * step, HEARTBEAT, None);
        }
        let (lost, [low, high]) = (bench.row().lost, bench.range());
        if is_low {
            assert!(low <= 48 * 16 && 48 * 16 + 80 <= high, "{low} to {high}");
            assert!(lost <= Some(48 * 16), "{lost:?}");
        } else {
            assert!(lost >= Some(48 * 16) && high == 48 * 16 + 24, "{lost:?}, {high}");
        }
    }
}

/// It sent heartbeats alone for 20 s, fell silent, and comes back as fast as before, at a number that looks like an old one.
#[test]
fn a_number_from_long_before_a_silence_is_no_second_frame() {
    for boot in [None, Some(-10.0)] {
        let mut bench = Bench::default();
        let next = bench.run((0.0, 30.0), 200.0, 0, boot);
        let next = bench.beat((30.0, 50.0), next);
        let lost = 155 + 12 * 256 - 1;
        bench.run((76.0, 90.0), 200.0, next + lost, boot);
        assert!(bench.range()[1] >= lost, "{boot:?}: {:?}", bench.range());
    }
}

/// Bare bytes have one stamp for all that came since the one before: a clock that is not sent for 6 s, while heartbeats
/// go on, leaves no room for a round of the numbers. Nor did several of one message that always come at once.
#[test]
fn what_came_in_a_heap_was_not_missing() {
    for (heartbeats, at_once, room) in [(6, 1, 0), (0, 1, 256), (2, 2, 256)] {
        // 257 numbers are due.
        let back = 29.975 + 257.0 / (40.0 + f64::from(at_once));
        let mut bench = Bench::default();
        let mut number = 0;
        let mut arrive = |at: f64, message: u32, boot: Option<f64>| {
            bench.arrive(at, number, message, boot);
            number += 1;
        };
        for step in 0..1200_u64 {
            let at = step as f64 / 40.0;
            arrive(at, ATTITUDE, Some(at + 50.0));
            if step % 40 == 20 {
                (0..at_once).for_each(|_| arrive(at, HEARTBEAT, None));
            }
        }
        (0..heartbeats).for_each(|_| arrive(back, HEARTBEAT, None));
        for step in 0..400_u64 {
            let at = back + step as f64 / 40.0;
            arrive(at, ATTITUDE, Some(at + 50.0));
        }
        assert_eq!(bench.range()[1], room, "{heartbeats} heartbeats, {at_once} at once");
    }
}

/// Heartbeats alone, of which one in ten is lost: silences of two and three beats are long, and their losses are sure.
#[test]
fn a_slow_sender_that_loses_is_told_what_it_loses() {
    for (seed, spacing) in (1..=40).flat_map(|seed| [0.5, 1.0, 2.0].map(|spacing| (seed, spacing))) {
        let random = &mut ChaCha8Rng::seed_from_u64(seed);
        let (mut bench, mut lost, mut pending) = (Bench::default(), 0, 0);
        let first = random.random_range(20..256);
        for step in 0..500 {
            // The first ten tell how it sends.
            if step >= 10 && random.random::<f64>() < 0.1 {
                pending += 1;
                continue;
            }
            lost += std::mem::take(&mut pending);
            let jitter = 0.1 * random.random::<f64>();
            bench.arrive((step as f64 + jitter) * spacing, first + step, HEARTBEAT, None);
        }
        assert_eq!((bench.row().lost, bench.range()[0]), (Some(lost), lost), "seed {seed}, {spacing} s");
    }
}

/// Heartbeats alone, silent for as long as nobody counts, go on or begin anew at a number that fits neither well.
#[test]
fn what_a_sender_may_not_have_lost_is_in_the_interval_alone() {
    let mut bench = Bench::default();
    bench.beat((0.0, 12.0), 3);
    // 54 s later, 51 numbers on: three beats off, so that it may have begun anew long before.
    bench.beat((65.0, 80.0), 3 + 11 + 51);
    let row = bench.row();
    assert_eq!((row.lost, row.lost_ci95, row.restarts), (Some(0), Some([0, 50]), 0));
    let periods = row.loss_periods.expect("followed");
    assert_eq!((periods.count, row.loss.expect("a ratio").ratio), (0, 0.0));
}

/// What a clock leaves in doubt until its next stamp is told by that: it went on, stood still, or lags.
#[test]
fn a_stamp_settles_what_the_frames_before_it_left_in_doubt() {
    for (stamped, lost, range) in [(10.1, 40, [40, 40]), (0.1, 0, [0, 0]), (5.0, 0, [0, 40])] {
        let mut bench = Bench::default();
        let next = bench.run((0.0, 20.0), 10.0, 66, Some(-30.0));
        // 10 s later 40 numbers are missing, of 100; number 50 may also be one of a new count, and has no stamp.
        bench.arrive(30.0, next + 40, HEARTBEAT, None);
        assert_eq!((bench.row().lost, bench.range()), (Some(0), [0, 40]), "{stamped}");
        bench.arrive(30.0, next + 41, ATTITUDE, Some(49.9 + stamped));
        assert_eq!((bench.row().lost, bench.range()), (Some(lost), range), "{stamped}");
    }
}

/// A clock that stood still for most of a silence: what its sender sent in the rest of it may be lost, and no more than that.
#[test]
fn what_was_sent_beside_a_standstill_may_be_lost() {
    // 5 s without a frame, 4.6 s of them stood still: 0.45 s at 20 a second are 9 numbers.
    for (missing, range) in [(4, [0, 4]), (8, [0, 8]), (60, [0, 0])] {
        let mut bench = Bench::default();
        let next = bench.run((0.0, 20.0), 20.0, 3, Some(-30.0));
        bench.run((25.0, 40.0), 20.0, next + missing, Some(-30.0 + 4.6));
        assert_eq!((bench.row().lost, bench.range()), (Some(0), range), "{missing}");
    }
}

/// How a sender's boot clock went while the sender stood still.
#[derive(Clone, Copy, Debug)]
enum ClockThen {
    IsNotSent,
    GoesOn,
    StandsStill,
}

/// A computer that sends stands still twice, each time for as long as one or two rounds of its numbers would take, to
/// within three numbers, and goes on with the next number; it catches up with what was due, or leaves that out.
fn stood_still(seed: u64, clock_then: ClockThen, catches_up: bool) -> Stream {
    let random = &mut ChaCha8Rng::seed_from_u64(seed);
    let (mut bench, mut number) = (Bench::default(), random.random_range(0..256));
    let still_s = random.random_range(2.0..6.0);
    let rounds = f64::from(random.random_range(1..=2));
    let rate = (256.0 * rounds + random.random_range(-3.0..3.0)) / still_s;
    let jitter = random.random::<f64>() * 0.2 / rate;
    let (mut clock, mut stood_s, mut due) = (0.0, 0.0, 0_u64);
    let stops = [random.random_range(25.0..90.0), random.random_range(120.0..150.0)];
    for step in 0..(180.0 * rate) as u64 {
        let scheduled = step as f64 / rate;
        if let Some(stop) = stops.iter().find(|stop| (**stop..*stop + still_s).contains(&scheduled)) {
            due += u64::from(catches_up);
            clock = stop + still_s;
            continue;
        }
        let late = if clock > 0.0 { std::mem::take(&mut due) } else { 0 };
        stood_s += if clock > 0.0 { still_s } else { 0.0 };
        let back = std::mem::take(&mut clock);
        let mut send = |at: f64, message: u32| {
            let stood = if matches!(clock_then, ClockThen::StandsStill) { stood_s } else { 0.0 };
            let has_clock = !matches!(clock_then, ClockThen::IsNotSent) && message == ATTITUDE;
            bench.arrive(at, number, message, has_clock.then_some(50.0 + at - stood));
            number += 1;
        };
        (0..late).for_each(|each| send(back + each as f64 * 1e-4, ATTITUDE));
        send(scheduled + jitter * random.random::<f64>(), ATTITUDE);
        // A heartbeat a second, which is missing too.
        if (scheduled + 1.0 / rate).floor() > scheduled.floor() {
            send(scheduled + jitter + 1e-4, HEARTBEAT);
        }
    }
    bench.row()
}

/// Numbers that go on with the next one show no loss, however well a round of them would fit the time.
#[test]
fn a_sender_that_stood_still_lost_nothing() {
    for clock_then in [ClockThen::IsNotSent, ClockThen::GoesOn, ClockThen::StandsStill] {
        for (seed, catches_up) in (10_001..10_041).flat_map(|seed| [(seed, false), (seed, true)]) {
            let row = stood_still(seed, clock_then, catches_up);
            let low = row.lost_ci95.map(|range| range[0]);
            assert_eq!(
                (row.lost, low, row.restarts),
                (Some(0), Some(0), 0),
                "seed {seed}, {clock_then:?}, catches up: {catches_up}"
            );
        }
    }
}

/// Without a clock, and for less than a round: its next number may be 0, which tells no restart.
#[test]
fn a_sender_that_stood_still_before_zero_did_not_restart() {
    for (still_s, rate) in [(3.0, 27.0), (3.0, 35.0), (5.0, 22.0), (5.0, 40.0)] {
        let mut bench = Bench::default();
        let next = bench.run((0.0, 40.0), rate, 4096 - (40.0 * rate) as u64, None);
        assert_eq!(next % 256, 0);
        bench.run((40.0 + still_s, 60.0), rate, next, None);
        let row = bench.row();
        assert_eq!((row.lost, row.restarts), (Some(0), 0), "{still_s} s at {rate} a second");
    }
}

/// By definition a jump without a clock that disagrees with rate times time by more than 64 is a restart, and may be lost: 47
/// numbers over 7 s at 25 a second. The next three numbers, and a jump that fits, are none.
#[test]
fn a_jump_far_from_rate_times_time_is_a_restart_without_a_clock() {
    for (missing, restarts, lost) in [(46, 1, 0), (2, 0, 0), (175, 0, 175)] {
        let mut bench = Bench::default();
        let next = bench.run((0.0, 40.0), 25.0, 60, None);
        bench.run((47.0, 60.0), 25.0, next + missing, None);
        let (row, [low, high]) = (bench.row(), bench.range());
        assert_eq!((row.restarts, low), (restarts, lost), "{missing}: {row:?}");
        assert!(high >= missing, "{missing}: {row:?}");
    }
}
