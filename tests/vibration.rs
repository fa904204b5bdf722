//! Vibration against samples that the test counts itself.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::fs;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;

use fadewatch::measure::context::{Context, Sender};
use fadewatch::measure::signal::SignalMeter;
use fadewatch::measure::vibration::VibrationMeter;
use fadewatch::measure::video::VideoMeter;
use fadewatch::profile::Profile;
use fadewatch::record::{Direction, Flow, InterfaceId};
use fadewatch::simulate;
use fadewatch::simulate::Scenario;
use fadewatch::snapshot::{VibrationView, View};
use fadewatch::summary::Summary;
use fadewatch::summary::{VibrationAgainst, VibrationDriver, VibrationLimit};
use fadewatch::units::Nanos;
use fadewatch::wire::rtp;
use fadewatch::wire::telemetry::Telemetry;
use fadewatch::{LinkMonitor, RecordingFacts};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const SENDER: Sender =
    Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 };

fn context(profile: &str) -> Context {
    let profile = Arc::new(Profile::parse(profile).unwrap());
    Context { profile, start: Some(Nanos::ZERO), now: Nanos::from_secs(101), ..Context::default() }
}

fn observe(meter: &mut VibrationMeter, context: &Context, second: i64, x: f64, clipping: u32) {
    let sample = Telemetry::Vibration { levels: [x, 1.0, 2.0], clipping: [0, 0, clipping] };
    meter.observe(Nanos::from_secs(second), SENDER, &sample, context);
}

#[test]
fn levels_and_clipping_are_counted() {
    let context = context("");
    let mut meter = VibrationMeter::default();
    assert_eq!(meter.summary(&context), None);
    for second in 0..=100 {
        // 0 to 100 in a scrambled order; the counter starts at 7, is at 9 before a restart, then 3.
        let clipping = if second < 10 {
            7
        } else if second < 50 {
            9
        } else {
            3
        };
        observe(&mut meter, &context, second, (second * 37 % 101) as f64, clipping);
    }
    let summary = meter.summary(&context).unwrap();
    assert_eq!((summary.x.median, summary.x.p95, summary.x.max), (Some(50.0), Some(95.0), Some(100.0)));
    assert_eq!(summary.clipping, [0, 0, 5]);
}

#[test]
fn a_marked_picture_is_laid_to_the_airframe_only_where_it_shook() {
    for profile in ["[vibration]\nlimit = 36.0\n", ""] {
        let context = context(profile);
        let mut meter = VibrationMeter::default();
        for second in 0..100 {
            let level = if (40..45).contains(&second) { 60.0 } else { 10.0 };
            observe(&mut meter, &context, second, level, 0);
        }
        meter.mark_shook(Nanos::from_secs(20));
        meter.mark_shook(Nanos::from_secs(44));
        let view = View { from_s: 0.0, to_s: 100.0, columns: 20 };
        let whole = Summary { vibration: meter.summary(&context), ..Summary::default() };
        let drawn = meter.view(&context, &VideoMeter::default(), &SignalMeter::default(), &whole, view);
        assert_eq!(drawn.around.len(), 2);
        assert!(said(&drawn, 0).starts_with("the vibration was usual"), "{:?}", drawn.around);
        assert!(said(&drawn, 1).starts_with("the vibration was high"), "{:?}", drawn.around);
        assert_eq!(said(&drawn, 1).contains("of this session"), profile.is_empty());
        assert_eq!((drawn.axes[0][8], drawn.axes[0][3]), (Some(60.0), Some(10.0)));
        assert_eq!(drawn.missing, None);
        // What is said does not hang on how much time is shown.
        let late = View { from_s: 90.0, to_s: 100.0, columns: 20 };
        let again = meter.view(&context, &VideoMeter::default(), &SignalMeter::default(), &whole, late);
        assert_eq!(again.around, drawn.around);
    }
}

/// The picture freezes from 10 s on, and one second shakes: from 2 s before that instant to 1 s after it.
#[test]
fn around_a_freeze_two_seconds_before_its_start_and_one_after_it_count() {
    let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
    let flow = Flow { source: end(40_000), destination: end(5004) };
    let mut context = context("[vibration]\nlimit = 36.0\n");
    let mut video = VideoMeter::default();
    for frame in (0..2500_u32).filter(|frame| !(251..300).contains(frame)) {
        let mut bytes = vec![0x80, 96 + 128];
        bytes.extend_from_slice(&(frame as u16).to_be_bytes());
        bytes.extend_from_slice(&(frame * 3600).to_be_bytes());
        bytes.extend_from_slice(&7_u32.to_be_bytes());
        bytes.extend_from_slice(&[0; 40]);
        context.now = Nanos::from_millis(40 * i64::from(frame));
        let packet = rtp::Packet::read(&bytes).unwrap();
        video.observe_packet(context.now, InterfaceId(1), flow, &packet, &context);
        video.advance(context.now);
    }
    for shaken in 6..14 {
        let mut meter = VibrationMeter::default();
        for second in 0..100 {
            observe(&mut meter, &context, second, if second == shaken { 60.0 } else { 10.0 }, 0);
        }
        let view = View { from_s: 0.0, to_s: 100.0, columns: 20 };
        let whole = Summary { vibration: meter.summary(&context), ..Summary::default() };
        let drawn = meter.view(&context, &video, &SignalMeter::default(), &whole, view);
        assert_eq!(drawn.around.len(), 1, "{:?}", drawn.around);
        let is_high = said(&drawn, 0).starts_with("the vibration was high");
        assert_eq!(is_high, (8..11).contains(&shaken), "{shaken} {:?}", drawn.around);
    }
}

fn said(drawn: &VibrationView, place: usize) -> String {
    fadewatch::wording::reason::suspicion(drawn.around[place].1, drawn.basis)
}

/// The profile's word goes before the earlier sessions', theirs before this session's own.
#[test]
fn the_limit_comes_from_profile_history_or_session() {
    let filled = |profile: &str, earlier: Option<VibrationLimit>| {
        let context = Context { vibration_limit: earlier, ..context(profile) };
        let mut meter = VibrationMeter::default();
        for second in 0..100 {
            observe(&mut meter, &context, second, if second == 50 { 40.0 } else { 10.0 }, 0);
        }
        meter.mark_shook(Nanos::from_secs(50));
        let summary = meter.summary(&context).unwrap();
        let view = View { from_s: 0.0, to_s: 100.0, columns: 20 };
        let whole = Summary { vibration: meter.summary(&context), ..Summary::default() };
        let drawn = meter.view(&context, &VideoMeter::default(), &SignalMeter::default(), &whole, view);
        (summary.limit, summary.limit_from.unwrap(), drawn.limit, said(&drawn, 0))
    };
    let earlier = Some(VibrationLimit { limit: 60.0, sessions: 3 });
    let (limit, from, drawn, words) = filled("", earlier);
    assert_eq!((limit, from.word(), drawn), (Some(60.0), "history", Some(60.0)));
    assert!(words.contains("usual") && words.contains("3 earlier sessions"), "{words}");
    let (limit, from, drawn, words) = filled("[vibration]\nlimit = 36.0\n", earlier);
    assert_eq!((limit, from.word(), drawn), (Some(36.0), "profile", Some(36.0)));
    assert!(words.starts_with("the vibration was high"), "{words}");
    let (limit, from, drawn, _) = filled("", None);
    // By hand: 96 of 100 windows of 4 s hold 10 alone.
    assert_eq!((limit, from.word(), drawn), (Some(10.0), "session", None));
}

/// By hand: each cell's window is itself and the three before it; levels are kept to three digits.
#[test]
fn the_history_gets_the_strongest_level_of_four_seconds() {
    let context = context("");
    let mut meter = VibrationMeter::default();
    for (second, level) in (0..10).zip([10.0, 10.0, 30.04, 10.0, 10.0, 10.0, 10.0, 10.0, 10.0, 12.34]) {
        observe(&mut meter, &context, second, level, 0);
    }
    assert_eq!(meter.evidence(), [(10.0, 5), (12.3, 1), (30.0, 4)]);
}

/// A sender with a throttle that changes every 20 s or so, and levels that follow it or go their own way.
fn against(seed: u64, follows: bool) -> Vec<VibrationAgainst> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (context, mut meter) = (context(""), VibrationMeter::default());
    let (mut percent, mut own) = (30_u8, 30_u8);
    for second in 0..600 {
        for drawn in [&mut percent, &mut own] {
            if random.random_range(0..20) == 0 {
                *drawn = if random.random_range(0..2) == 0 { 80 } else { random.random_range(20..50) };
            }
        }
        let at = Nanos::from_secs(second);
        meter.observe(at, SENDER, &Telemetry::Throttle { percent: Some(percent) }, &context);
        let driver = if follows { percent } else { own };
        let level = if driver > 60 { 45.0 } else { 12.0 } * random.random_range(0.8..1.2);
        observe(&mut meter, &context, second, level, 0);
    }
    meter.summary(&context).unwrap().against
}

#[test]
fn levels_that_follow_the_throttle_are_told_with_both_figures() {
    for seed in 10_001..10_021 {
        let rows = against(seed, true);
        assert_eq!(rows.len(), 1, "nothing else was measured");
        let row = rows[0];
        assert!(row.told && row.driver == VibrationDriver::Throttle && row.seconds == 600, "{seed}: {row:?}");
        assert!((10.0..15.0).contains(&row.level_below.unwrap()), "{seed}: {row:?}");
        assert!(row.above < 80.0 || (row.level_above.unwrap() - 45.0).abs() < 4.0, "{seed}: {row:?}");
    }
    // 1 in 60 of series that know nothing of each other: 5 of 60 or more would be so in 1 of 200 runs.
    let wrong = (10_001..10_061).filter(|seed| against(*seed, false)[0].told).count();
    assert!(wrong <= 4, "{wrong} of 60");
}

/// What the shake of a vehicle with four motors follows.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Follows {
    Output3,
    Throttle,
    /// Whether it flies at all: an output of a gimbal is switched on with it.
    Flight,
    Nothing,
}

/// Four outputs, each the common throttle (steps of 20 s or so) and its own share for attitude; output 5 goes its own way, as a
/// rudder does; output 6 is switched with flight. What the throttle message says is rounded, or is not sent. Invented.
fn flown(seed: u64, follows: Follows, sends_throttle: bool, own_us: f64) -> Vec<VibrationAgainst> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (context, mut meter) = (context(""), VibrationMeter::default());
    let (mut common, mut own, mut rudder) = (1500.0, [0.0; 4], 1500.0);
    for second in 0..600 {
        if random.random_range(0..20) == 0 {
            common = random.random_range(1300.0..1700.0);
        }
        if random.random_range(0..8) == 0 {
            own = [0; 4].map(|_: i32| own_us * random.random_range(-1.0..1.0));
            rudder = random.random_range(1200.0..1800.0);
        }
        let flies = (60..540).contains(&second);
        let motors =
            own.map(|own| if flies { common + own + random.random_range(-20.0..20.0) } else { 1000.0 });
        let mut outputs = [0; 16];
        for (output, us) in outputs.iter_mut().zip(motors) {
            *output = us as u16;
        }
        (outputs[4], outputs[5]) = (rudder as u16, if flies { 1900 } else { 1100 });
        let driver = match follows {
            Follows::Output3 => (motors[2] - 1000.0) / 1000.0,
            Follows::Throttle if flies => (common - 1000.0) / 1000.0,
            Follows::Flight if flies => 0.5,
            Follows::Nothing => 0.5,
            _ => 0.0,
        };
        let at = Nanos::from_secs(second);
        meter.observe(at, SENDER, &Telemetry::ServoOutput { time_us: 1, port: 0, outputs }, &context);
        if sends_throttle {
            let percent = if flies { ((common - 1000.0) / 10.0) as u8 } else { 0 };
            meter.observe(at, SENDER, &Telemetry::Throttle { percent: Some(percent) }, &context);
        }
        let level = (3.0 + 60.0 * driver) * random.random_range(0.8..1.25);
        observe(&mut meter, &context, second, level, 0);
    }
    meter.summary(&context).unwrap().against
}

fn alone(rows: &[VibrationAgainst]) -> Vec<u8> {
    rows.iter().filter(|row| row.alone == Some(true)).filter_map(|row| row.output).collect()
}

/// An unbalanced propeller on motor 3 alone. Of seeds 50,001 to 50,100 it was told in all.
#[test]
fn a_shake_that_follows_one_output_is_told_of_it() {
    let told = |sends| {
        (10_001..10_011).filter(move |seed| alone(&flown(*seed, Follows::Output3, sends, 150.0)) == [3])
    };
    let (with, without) = (told(true).count(), told(false).count());
    assert!(with >= 9 && without >= 9, "{with} and {without} of 10");
    let rows = flown(10_001, Follows::Output3, true, 150.0);
    let said = fadewatch::wording::quantity::vibration_drivers(&rows);
    assert!(said.iter().any(|line| line.starts_with("follows output 3")), "{said:?}");
    assert!(rows.iter().all(|row| row.output.is_some() == row.alone.is_some()), "{rows:?}");
}

/// All motors with the throttle, which is sent or not; shake in flight and none on the ground; shake of its own. An output was
/// blamed in 1 of 100 at most of seeds 50,001 to 50,100; each goes with the level in all of these but the last.
#[test]
fn outputs_that_only_go_along_are_not_blamed() {
    for (follows, sends, own_us) in [
        (Follows::Throttle, true, 150.0),
        (Follows::Throttle, false, 150.0),
        (Follows::Throttle, false, 30.0),
        (Follows::Flight, true, 150.0),
        (Follows::Flight, false, 150.0),
        (Follows::Nothing, true, 150.0),
    ] {
        let blamed: Vec<u64> = (10_001..10_011)
            .filter(|seed| !alone(&flown(*seed, follows, sends, own_us)).is_empty())
            .collect();
        assert!(blamed.len() <= 1, "{follows:?}, throttle {sends}, {own_us} us: {blamed:?}");
        let said = fadewatch::wording::quantity::vibration_drivers(&flown(10_001, follows, sends, own_us));
        if follows == Follows::Throttle {
            let wanted = if sends { "throttle and more" } else { "goes with outputs 1, 2, 3, 4: which" };
            assert!(said.len() == 1 && said[0].contains(wanted), "{said:?}");
        }
    }
    // What stands, and what is a switch, is not looked at; nor are outputs that are not sent.
    let rows = flown(10_001, Follows::Nothing, true, 150.0);
    let looked: Vec<u8> = rows.iter().filter_map(|row| row.output).collect();
    assert_eq!(looked, [1, 2, 3, 4, 5]);
}

/// The fourth bundled flight of the simulator with other seeds and settings, through the wire.
fn simulated(seed: u64, changes: &[(&str, &str)]) -> Vec<VibrationAgainst> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(root.join("recordings/orchard-4.toml")).unwrap();
    let with = |text: String, (old, new): &(&str, &str)| {
        assert_eq!(text.matches(old).count(), 1, "{old}");
        text.replace(old, new)
    };
    let seed = format!("seed = {seed}");
    let text = [("seed = 104", seed.as_str())].iter().chain(changes).fold(text, with);
    let scenario = Scenario::parse(&text, Path::new("test")).unwrap();
    let profile = Profile::parse("[vehicle]\nsystem = 1\n").unwrap();
    let mut monitor = LinkMonitor::new(Arc::new(profile), Arc::from([]));
    simulate::run(&scenario).entries().for_each(|entry| monitor.handle(&entry));
    monitor.summary(&RecordingFacts::default()).vibration.unwrap().against
}

/// An output that drives the vibration is named; where two outputs follow one stick neither is, and where none drives it none.
#[test]
fn the_simulator_s_outputs_are_named_where_they_drive_it() {
    const LEVELS: &str = "levels = [9, 8, 15]\nspread = 0.25";
    const DRIVEN: (&str, &str) = (LEVELS, "levels = [2, 2, 3]\nspread = 0.25\nfollows = 3\ngain = 0.05");
    for seed in 10_001..10_003 {
        let rows = simulated(seed, &[DRIVEN]);
        assert_eq!(alone(&rows), [3], "{seed}: {rows:?}");
        let both = simulated(seed, &[DRIVEN, ("stick = 1\nscale = 0.9", "stick = 3\nscale = 0.9")]);
        let told: Vec<u8> = both.iter().filter(|row| row.told).filter_map(|row| row.output).collect();
        assert!(told.starts_with(&[1, 3]) && alone(&both).is_empty(), "{seed}: {both:?}");
        let none = simulated(seed, &[]);
        let looked = none.iter().filter(|row| row.output.is_some()).count();
        assert!(looked >= 3 && none.iter().all(|row| row.alone != Some(true)), "{seed}: {none:?}");
    }
}

/// An aeroplane: output 3 is the throttle itself, others are its own; the shake follows the engine.
fn plane(seed: u64, sends_throttle: bool, drift: bool) -> Vec<VibrationAgainst> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (context, mut meter) = (context(""), VibrationMeter::default());
    let (mut engine, mut others) = (1500.0_f64, [1500.0_f64; 3]);
    for second in 0..600 {
        if random.random_range(0..20) == 0 {
            engine = random.random_range(1300.0..1800.0);
        }
        for other in &mut others {
            if random.random_range(0..5) == 0 {
                *other = random.random_range(1300.0..1700.0);
            }
        }
        let mut outputs = [0; 16];
        let worn = if drift { f64::from(second as i32) / 3.0 } else { 0.0 };
        for (output, us) in outputs.iter_mut().zip([others[0], others[1], engine, others[2]]) {
            *output = (us + worn) as u16;
        }
        let at = Nanos::from_secs(second);
        meter.observe(at, SENDER, &Telemetry::ServoOutput { time_us: 1, port: 0, outputs }, &context);
        if sends_throttle {
            let percent = ((engine + worn - 1000.0) / 10.0) as u8;
            meter.observe(at, SENDER, &Telemetry::Throttle { percent: Some(percent) }, &context);
        }
        let driver = if drift { 0.5 + f64::from(second as i32) / 1200.0 } else { (engine - 1000.0) / 1000.0 };
        observe(&mut meter, &context, second, (3.0 + 60.0 * driver) * random.random_range(0.8..1.25), 0);
    }
    meter.summary(&context).unwrap().against
}

/// Throttle and output 3 say the same: the throttle is named; without it the output is. Where all rise slowly with the shake, as
/// trims and heat do, that is one witness.
#[test]
fn the_throttle_goes_before_its_own_output() {
    for seed in 10_001..10_006 {
        let said = |sends, drift| fadewatch::wording::quantity::vibration_drivers(&plane(seed, sends, drift));
        let with = said(true, false);
        assert!(with.len() == 1 && with[0].contains("throttle and more"), "{seed}: {with:?}");
        let without = said(false, false);
        assert!(without.len() == 1 && without[0].starts_with("follows output 3"), "{seed}: {without:?}");
        assert!(alone(&plane(seed, true, true)).is_empty() && alone(&plane(seed, false, true)).is_empty());
    }
}

#[test]
fn without_vibration_the_reason_is_given() {
    let view = View { from_s: 0.0, to_s: 10.0, columns: 5 };
    let meter = VibrationMeter::default();
    let drawn =
        meter.view(&context(""), &VideoMeter::default(), &SignalMeter::default(), &Summary::default(), view);
    assert!(drawn.missing.is_some());
    assert_eq!(drawn.axes[0], vec![None; 5]);
}
