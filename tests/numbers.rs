//! Each number of the definitions, looked at on both sides of it: one session just below, one just above.
//!
//! Sessions are made entry by entry (tests/invented) and pushed through `LinkMonitor`; what must be told is written
//! from the definitions alone. Numbers that are looked at elsewhere on both sides: the freeze rule's over published
//! text (`measure/video/freeze_rule`), the phases' (tests/life and `measure/life`), the proof's bins and shares
//! (`judge/range/bins`), bridged silences (tests/range, `measure/position/track`), what alarm takes and clears
//! (`judge/margin/alarm`), fewer than five freezes (`judge/freeze_level`), unwrapping (`clocks/stamps`).

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod frames;
mod invented;

use fadewatch::profile::{LimitEvent, Limits};
use fadewatch::record::{MarkKind, Note};
use fadewatch::summary::{ControlHolds, FailsafeSummary, Stream, Threshold, VideoSource};
use fadewatch::units::LevelUnit;
use invented::{HANDSET, Message, Plan, Played, RADIO, VEHICLE};

// Loss.

/// Frames at a rate for 30 s; `change` says when number `n` comes, under which number, or that it does not.
fn loss(rate: f64, clocked: bool, change: impl Fn(u64, f64) -> Vec<(f64, u64, f64)>) -> Stream {
    let mut plan = Plan::default();
    for number in 0..(30.0 * rate) as u64 {
        let at = 1.0 + number as f64 / rate;
        for (at, number, boot_s) in change(number, at) {
            let message =
                if clocked { Message::clocked((boot_s * 1e3) as u32) } else { Message::clockless(number) };
            plan.send_as(at, VEHICLE, number, message);
        }
    }
    plan.play("", &[], 33.0).summary().streams.remove(0)
}

/// Number 500 of a sender at this rate comes `late_s` after its time.
fn late(rate: f64, late_s: f64) -> (u64, u64) {
    let row =
        loss(rate, false, |number, at| vec![(if number == 500 { at + late_s } else { at }, number, 0.0)]);
    (row.lost.expect("followed"), row.out_of_order)
}

/// Number 500 comes again `after_s` after its time.
fn copied(rate: f64, after_s: f64) -> u64 {
    let row = loss(rate, false, |number, at| {
        let mut frames = vec![(at, number, 0.0)];
        if number == 500 {
            frames.push((at + after_s, number, 0.0));
        }
        frames
    });
    row.duplicates
}

/// 0.5 s, and 127 numbers.
#[test]
fn late_frames_and_copies() {
    assert_eq!(late(50.0, 0.45), (0, 1));
    // Later than that it is not taken off the lost: it is no late frame.
    assert_eq!(late(50.0, 0.61).1, 0);
    assert_eq!(late(400.0, 120.5 / 400.0), (0, 1));
    // So far behind it could as well be ahead.
    assert_ne!(late(400.0, 135.5 / 400.0), (0, 1));
    assert_eq!(copied(50.0, 0.45), 1);
    assert_eq!(copied(50.0, 0.61), 0);
    assert_eq!(copied(400.0, 120.5 / 400.0), 1);
    assert_eq!(copied(400.0, 135.5 / 400.0), 0);
}

/// The boot clock falls by more than 1 s.
#[test]
fn a_fall_of_the_boot_clock() {
    let fallen = |by_s: f64| {
        let row = loss(50.0, true, |number, at| {
            vec![(at, number, if number < 800 { at + 5.0 } else { at + 5.0 - by_s })]
        });
        (row.restarts, row.lost.expect("followed"))
    };
    assert_eq!(fallen(0.9), (0, 0));
    assert_eq!(fallen(1.2), (1, 0));
}

/// After 0.5 s of silence at 50 Hz, 25 numbers are expected: 55 more are loss, 75 more a restart.
#[test]
fn a_jump_of_the_numbers() {
    let jumped = |more: u64| {
        let row = loss(50.0, false, |number, at| match number {
            0..800 => vec![(at, number, 0.0)],
            800..825 => Vec::new(),
            _ => vec![(at, number + more, 0.0)],
        });
        (row.restarts, row.lost.expect("followed"))
    };
    assert_eq!(jumped(0), (0, 25));
    assert_eq!(jumped(55), (0, 80));
    assert_eq!(jumped(75), (1, 0));
}

// Sticks, input and outputs.

/// A drill of sorts: what the handset sends, what input the vehicle tells, and what its outputs do.
struct Flown {
    input_hz: f64,
    /// The vehicle's input stands still between these.
    still: (f64, f64),
    /// No sticks come between these, if any.
    silent: (f64, f64),
    /// Each fiftieth spacing of the sticks is so long.
    pause_s: f64,
    mode: fn(f64) -> u32,
    servo: fn(f64) -> Option<u16>,
}

const NEVER: (f64, f64) = (1e6, 1e6);

impl Default for Flown {
    fn default() -> Self {
        Self { input_hz: 10.0, still: NEVER, silent: NEVER, pause_s: 0.02, mode: |_| 1, servo: |_| None }
    }
}

/// A stick that flicks to a new place every 0.8 s, in 0.15 s.
fn stick(at: f64) -> u16 {
    let place = |step: i64| 1100.0 + 800.0 * ((step as f64) * 0.618_034).rem_euclid(1.0);
    let step = (at / 0.8).floor();
    let share = ((at - step * 0.8) / 0.15).clamp(0.0, 1.0);
    (place(step as i64) + (place(step as i64 + 1) - place(step as i64)) * share).round() as u16
}

const LOST_S: f64 = 45.0;

impl Flown {
    fn input_at(&self, at: f64) -> u16 {
        let at = at - 0.06;
        let (from, to) = if self.still == NEVER { self.silent } else { self.still };
        stick(if (from..to).contains(&at) { from } else { at })
    }

    fn play(&self, profile: &str) -> Played {
        let mut plan = Plan::default();
        let boot = |at: f64| 60_000 + (at * 1e3) as u32;
        let (mut at, mut count) = (0.5, 0_u32);
        while at < 70.0 {
            if !(self.silent.0..self.silent.1).contains(&at) {
                let value = stick(at);
                plan.send(at + 0.001, HANDSET, Message::sticks([value, 1500, 1500, 1500]));
            }
            count += 1;
            at += if count.is_multiple_of(50) { self.pause_s.max(0.02) } else { 0.02 };
        }
        for index in 0..(69.0 * self.input_hz) as u32 {
            let at = 0.6 + f64::from(index) / self.input_hz;
            let channels = [self.input_at(at), 1500, 1500, 1500];
            plan.send(at + 0.01, VEHICLE, Message::input(boot(at), channels, 8, 200));
        }
        for index in 0..1380 {
            let at = 0.623 + f64::from(index) / 20.0;
            let value = (self.servo)(at).unwrap_or_else(|| self.input_at(at - 0.02));
            plan.send(at + 0.01, VEHICLE, Message::servo(boot(at), [value, 1500, 0, 0]));
        }
        for index in 0..280 {
            let at = 0.61 + f64::from(index) / 4.0;
            plan.send(at, VEHICLE, Message::heartbeat(false, (self.mode)(at)));
        }
        plan.play(profile, &[], 71.0)
    }

    fn holds(&self) -> ControlHolds {
        self.play("").summary().control_holds.unwrap()
    }

    fn losses(&self, profile: &str) -> Vec<FailsafeSummary> {
        self.play(profile).summary().failsafe
    }
}

/// An input at 50 Hz is held from 0.1 s on, one at 10 Hz from three of its updates on.
#[test]
fn holds_by_length() {
    let counted = |input_hz: f64, length_s: f64| {
        // A flick begins here, and the input does not show it for so long.
        let from = 0.8 * 56.0;
        Flown { input_hz, still: (from, from + length_s), ..Flown::default() }.holds().count
    };
    assert_eq!(counted(50.0, 0.0), 0);
    assert_eq!((counted(50.0, 0.08), counted(50.0, 0.15)), (0, 1));
    assert_eq!((counted(10.0, 0.15), counted(10.0, 0.45)), (0, 1));
}

/// A stream of sticks counts where the 99th percentile of its spacing is under 0.5 s.
#[test]
fn a_stream_of_sticks_is_regular() {
    let told =
        |pause_s: f64| Flown { pause_s, silent: (LOST_S, LOST_S + 6.0), ..Flown::default() }.losses("").len();
    assert_eq!((told(0.45), told(0.55)), (1, 0));
}

/// A change of the mode within 10 s of the loss is the vehicle's word of it.
#[test]
fn the_mode_is_a_word_of_the_loss() {
    let detected = |mode: fn(f64) -> u32| {
        let flown = Flown { mode, silent: (LOST_S, LOST_S + 15.0), ..Flown::default() };
        let losses = flown.losses("");
        assert_eq!(losses.len(), 1);
        losses[0].detected_after_s
    };
    assert!(
        detected(|at| if at < LOST_S + 9.4 { 1 } else { 2 })
            .is_some_and(|after| (9.0..10.0).contains(&after))
    );
    assert_eq!(detected(|at| if at < LOST_S + 10.6 { 1 } else { 2 }), None);
}

/// Outputs within 20 us of the profile's values are safe.
#[test]
fn outputs_at_the_profiles_values() {
    let safe = |servo: fn(f64) -> Option<u16>| {
        let flown = Flown { servo, silent: (LOST_S, LOST_S + 6.0), ..Flown::default() };
        let losses = flown.losses("[vehicle.failsafe_servo_us]\n1 = 1000\n");
        assert_eq!(losses.len(), 1);
        losses[0].servo_safe_after_s.is_some()
    };
    assert!(safe(|at| (at > LOST_S + 1.0).then_some(1018)));
    assert!(!safe(|at| (at > LOST_S + 1.0).then_some(1023)));
}

/// Without such values: constant for 1 s at others than at the loss. They move until then, and once input is back.
#[test]
fn outputs_that_stand_still() {
    let safe = |servo: fn(f64) -> Option<u16>| {
        let flown = Flown { servo, silent: (LOST_S, LOST_S + 6.0), ..Flown::default() };
        let losses = flown.losses("");
        assert_eq!(losses.len(), 1);
        losses[0].servo_safe_after_s.is_some()
    };
    assert!(!safe(|at| servo_that_stands(at, 0.8)));
    assert!(safe(|at| servo_that_stands(at, 1.25)));
}

/// Saws from the loss on, then stands at 900 us for so long, up to the recovery.
fn servo_that_stands(at: f64, stands_s: f64) -> Option<u16> {
    match at - LOST_S {
        after if (0.0..6.0 - stands_s).contains(&after) => Some(1000 + (after * 400.0) as u16 % 300),
        after if (6.0 - stands_s..6.08).contains(&after) => Some(900),
        _ => None,
    }
}

/// An RC input without sticks seen here: `level` and `count` by time; its channels stand still between two instants.
fn input(still: (f64, f64), level: fn(f64) -> u8, count: fn(f64) -> u8) -> usize {
    let mut plan = Plan::default();
    for index in 0..800 {
        let at = f64::from(index) / 20.0;
        let value = stick(if (still.0..still.1).contains(&at) { still.0 } else { at });
        let channels = [value, 1500, 1500, 1500];
        plan.send(at, VEHICLE, Message::input(60_000 + index * 50, channels, count(at), level(at)));
        if index % 20 == 0 {
            plan.send(at, VEHICLE, Message::heartbeat(false, 1));
        }
    }
    plan.play("", &[], 41.0).summary().failsafe.len()
}

/// Channels that stand still for 1 s with level 0; a level, or a count, that was there for 10 s.
#[test]
fn signs_of_a_dead_input() {
    let (still, eight) = ((20.0, 20.8), |_: f64| 8_u8);
    assert_eq!(input(still, |at| if (20.0..20.8).contains(&at) { 0 } else { 200 }, eight), 0);
    let still = (20.0, 21.4);
    assert_eq!(input(still, |at| if (20.0..21.4).contains(&at) { 0 } else { 200 }, eight), 1);
    assert_eq!(input(NEVER, |_| 200, |at| if (9.5..15.0).contains(&at) { 0 } else { 8 }), 0);
    assert_eq!(input(NEVER, |_| 200, |at| if (10.6..16.0).contains(&at) { 0 } else { 8 }), 1);
}

// Power.

/// 3,600 mAh at 12 A are 18 min, from the third minute under load on.
#[test]
fn minutes_from_three_minutes_of_load() {
    let left = |flies_s: f64| {
        let mut plan = Plan::default();
        for second in 0..400 {
            let at = f64::from(second) + 0.5;
            let flown_s = (at - 400.0 + flies_s).max(0.0);
            plan.send(at, VEHICLE, Message::heartbeat(flown_s > 0.0, 1));
            plan.send(at, VEHICLE, Message::battery(1000 + (flown_s * 12.0 / 3.6) as i32, 12.0));
        }
        let played = plan.play("[vehicle]\nsystem = 1\n[battery]\ncapacity_mah = 5000\n", &[], 400.0);
        played.summary().power[0].minutes_left.map(|left| left + flies_s / 60.0)
    };
    assert_eq!(left(175.0), None);
    // 4,000 mAh from the start of the flight on are 20 min.
    assert!(left(185.0).is_some_and(|left| (left - 20.0).abs() < 0.1));
    assert!(left(390.0).is_some_and(|left| (left - 20.0).abs() < 0.1));
}

// Signal.

const CONTROL: &str = "[vehicle]\nsystem = 1\n[[link]]\nname = \"control\"\nrole = \"control\"\n\
                       radio = { system = 41, component = 110 }\n";

/// A radio that reports at these instants, a vehicle that is heard until `heard_s`; at `end_s` the level and its trend.
fn level(reports: &[(f64, u8)], heard_s: f64, end_s: f64) -> (Option<f64>, Option<f64>) {
    let mut plan = Plan::default();
    for step in 0..=(heard_s * 10.0).round() as u32 {
        plan.send(f64::from(step) / 10.0, VEHICLE, Message::clockless(u64::from(step)));
    }
    for &(at, remote) in reports {
        plan.send(at, RADIO, Message::radio(100, remote));
    }
    let lane = plan.play(CONTROL, &[], end_s).snapshot().lanes.remove(0);
    (lane.level_now, lane.trend_per_s)
}

/// The median of the last second, else the latest of 2 s, else none; none from 2 s after the far side's last frame.
#[test]
fn the_level_now() {
    let reports = [(20.05, 80), (20.2, 90), (20.6, 120), (20.9, 100)];
    assert_eq!(level(&reports, 30.0, 21.0).0, Some(95.0));
    assert_eq!(level(&reports, 30.0, 21.1).0, Some(100.0), "the first of four is older than 1 s");
    assert_eq!(level(&reports, 30.0, 22.8).0, Some(100.0));
    assert_eq!(level(&reports, 30.0, 23.0).0, None);
    let steady: Vec<(f64, u8)> = (0..120).map(|step| (f64::from(step) / 4.0 + 0.01, 90)).collect();
    assert_eq!(level(&steady, 20.0, 21.9).0, Some(90.0));
    assert_eq!(level(&steady, 20.0, 22.2).0, None);
}

/// Theil and Sen: the median of all slopes between two samples.
fn median_slope(points: &[(f64, f64)]) -> f64 {
    let mut slopes = Vec::new();
    for (index, a) in points.iter().enumerate() {
        slopes.extend(points[..index].iter().map(|b| (a.1 - b.1) / (a.0 - b.0)));
    }
    slopes.sort_by(f64::total_cmp);
    let middle = slopes.len() / 2;
    if slopes.len() % 2 == 1 { slopes[middle] } else { f64::midpoint(slopes[middle - 1], slopes[middle]) }
}

/// The trend is over 10 s and at least five samples. The level falls ever faster, so that each window has its own.
#[test]
fn the_trend_of_ten_seconds() {
    let falls = |at: f64| 200 - (at * at / 8.0).round() as u8;
    let reports: Vec<(f64, u8)> =
        (0..30).map(|second| f64::from(second) + 0.5).map(|at| (at, falls(at))).collect();
    let within = |window_s: f64| -> Vec<(f64, f64)> {
        let own = reports.iter().filter(|(at, _)| *at > 30.0 - window_s);
        own.map(|&(at, level)| (at, f64::from(level))).collect()
    };
    let found = level(&reports, 30.0, 30.0).1.unwrap();
    assert!((found - median_slope(&within(10.0))).abs() < 1e-9, "{found}");
    for other_s in [9.0, 11.0] {
        assert!((found - median_slope(&within(other_s))).abs() > 0.01);
    }
    let few = |count: usize| level(&reports[30 - count..], 30.0, 30.0).1.is_some();
    assert!(!few(4) && few(5));
}

// Where the handset is.

/// The first fix is good enough at 5 m or better, or with an eph of 2.0 or better.
#[test]
fn the_first_good_fix() {
    let origin = |eph: f64, accuracy_mm: u32| {
        let mut plan = Plan::default();
        let link =
            "[vehicle]\nsystem = 1\n[[link]]\nname = \"down\"\nrole = \"telemetry\"\nsenders = [[1, 1]]\n";
        for second in 0..20 {
            let at = f64::from(second) + 0.3;
            plan.send(at, VEHICLE, Message::heartbeat(false, 1));
            plan.send(at, VEHICLE, Message::fix(54.0, 8.0, eph, accuracy_mm));
            plan.send(at + 0.1, VEHICLE, Message::position(second * 1000, 54.0, 8.0));
        }
        plan.play(link, &[], 21.0).summary().range.first().and_then(|row| row.origin)
    };
    assert!(origin(2.0, 0).is_some() && origin(9.0, 5000).is_some());
    assert_eq!((origin(2.1, 0), origin(9.0, 5100)), (None, None));
}

// In the air.

/// The handset's place, and a telemetry link of the autopilot's.
const AIR: &str = "[vehicle]\nsystem = 1\n[handset]\nlat = 54.0\nlon = 8.0\nalt = 400.0\n\
                   [[link]]\nname = \"down\"\nrole = \"telemetry\"\nsenders = [[1, 1]]\n";

/// Stands 2 m off, arms at 8 s, leaves at 15 s at this speed, up to this distance; heard until `heard_s`.
fn out(speed_m_s: f64, farthest_m: f64, heard_s: f64) -> Plan {
    let mut plan = Plan::default();
    for step in 0..(heard_s * 10.0) as u32 {
        let at = f64::from(step) / 10.0;
        let away_m = (2.0 + speed_m_s * (at - 15.0).max(0.0)).min(farthest_m);
        // A degree of latitude here, in metres: the ellipsoid's.
        let lat = 54.0 + away_m / 111_307.0;
        plan.send(at, VEHICLE, Message::position(60_000 + step * 100, lat, 8.0));
        if step % 10 == 5 {
            plan.send(at, VEHICLE, Message::heartbeat(at > 8.0, 1));
        }
    }
    plan
}

/// A bin merges outward until it has 5 s of data; wider than 50 m it ends the proof.
#[test]
fn a_bin_of_fifty_metres() {
    let proven = |speed_m_s: f64| {
        let played = out(speed_m_s, 300.0, 60.0).play(AIR, &[], 60.0);
        played.summary().range.iter().find_map(|row| row.proven_m)
    };
    assert!(proven(9.0).is_some_and(|proven_m| proven_m > 290.0), "{:?}", proven(9.0));
    assert!(proven(12.0).is_none_or(|proven_m| proven_m < 70.0), "{:?}", proven(12.0));
}

/// The vehicle's input dies at 50 s, 60 m away, and does not come back; a mark before it, if any.
fn input_lost(heard_s: f64, mark_s: Option<f64>) -> FailsafeSummary {
    let mut plan = out(4.0, 60.0, heard_s);
    for index in 0..(heard_s * 20.0) as u32 {
        let at = f64::from(index) / 20.0;
        let channels = [stick(at.min(50.0)), 1500, 1500, 1500];
        let count = if at < 50.0 { 8 } else { 0 };
        plan.send(at, VEHICLE, Message::input(60_000 + index * 50, channels, count, 200));
    }
    if let Some(at) = mark_s {
        plan.note(at, Note::Mark { kind: MarkKind::Drill, text: String::new() });
    }
    let mut losses = plan.play(AIR, &[], 66.0).summary().failsafe;
    assert_eq!(losses.len(), 1, "{losses:?}");
    losses.remove(0)
}

/// A loss that does not end is evidence where the vehicle goes on for 10 s; a mark stands for one within 30 s.
#[test]
fn losses_of_input_in_the_air() {
    assert_eq!((input_lost(59.5, None).evidence, input_lost(60.6, None).evidence), (None, Some(true)));
    assert!(input_lost(65.0, Some(21.0)).drill && !input_lost(65.0, Some(19.0)).drill);
}

// Video.

/// Pictures at these intervals; the freezes.
fn freezes(intervals_s: &[f64]) -> u64 {
    let (mut plan, mut at) = (Plan::default(), 1.0);
    for (number, interval) in [0.0].iter().chain(intervals_s).enumerate() {
        at += interval;
        plan.picture(at, number as u16);
    }
    plan.play("", &[], at + 0.01).summary().video.map_or(0, |video| video.freezes)
}

/// An interval among others, `before` of one length and then `after` of another.
fn interval(before: (usize, f64), after: (usize, f64), judged_s: f64) -> u64 {
    let mut intervals = vec![before.1; before.0];
    intervals.extend(vec![after.1; after.0]);
    intervals.push(judged_s);
    intervals.extend(vec![after.1; 10]);
    freezes(&intervals)
}

/// Three times the mean, or the mean and 150 ms, over 5 to 30 intervals.
#[test]
fn freezes_by_their_interval() {
    let one = |spacing_s: f64, judged_s: f64| interval((0, 0.0), (40, spacing_s), judged_s);
    assert_eq!((one(0.2, 0.59), one(0.2, 0.61)), (0, 1), "three means of 200 ms");
    assert_eq!((one(0.04, 0.185), one(0.04, 0.195)), (0, 1), "40 ms and 150 ms");
    assert_eq!((interval((0, 0.0), (4, 0.1), 0.9), interval((0, 0.0), (5, 0.1), 0.9)), (0, 1));
    // Thirty of 50 ms: the limit is 200 ms. One less, and one of 500 ms counts with them: 215 ms.
    assert_eq!(interval((20, 0.5), (30, 0.05), 0.205), 1);
    assert_eq!(interval((20, 0.5), (29, 0.05), 0.205), 0);
}

/// A mark stands for a freeze that began within the 3 s before it.
#[test]
fn a_mark_reaches_back_three_seconds() {
    let mut plan = Plan::default();
    plan.note(20.0, Note::Mark { kind: MarkKind::PictureFroze, text: String::new() });
    let profile = "[[link]]\nname = \"video\"\nrole = \"video\"\n";
    let video = plan.play(profile, &[], 30.0).summary().video.unwrap();
    assert_eq!((video.source, video.freezes), (VideoSource::Marks, 1));
    assert!((video.freeze_list[0].start_s - 17.0).abs() < 1e-9, "{:?}", video.freeze_list);
}

// Margin.

const VIDEO: &str = "[[link]]\nname = \"video\"\nrole = \"video\"\nradio = { system = 41, component = 110 }\n\
                     level = { slope_db = 0.5, offset_dbm = -120.0 }\n";

/// A radio alone, its level so far above the limit of -90 dBm from one second on; the kinds of events.
fn margins(steps: &[(f64, f64)]) -> Vec<String> {
    let mut plan = Plan::default();
    for step in 0..240 {
        let at = f64::from(step) / 4.0 + 0.1;
        let margin = steps.iter().rfind(|(from, _)| *from <= at).unwrap().1;
        plan.send(at, RADIO, Message::radio(((margin + 30.0) * 2.0).round() as u8, 100));
    }
    let limit = Threshold {
        link: "video".to_owned(),
        unit: LevelUnit::Dbm,
        level_p05: -90.0,
        event: LimitEvent::Freeze,
        ..Threshold::default()
    };
    let events = plan.play(VIDEO, &[limit], 60.0).summary().events;
    let kinds = events.into_iter().map(|event| event.event.kind().to_owned());
    kinds.filter(|kind| ["warning", "alarm", "cleared"].contains(&kind.as_str())).collect()
}

/// A warning under 6 dB, an alarm under 3 dB, for 2 s; cleared 2 dB above for 5 s.
#[test]
fn warnings_by_the_margin() {
    assert!(margins(&[(0.0, 20.0), (30.0, 6.0)]).iter().all(|kind| kind != "alarm"));
    assert_eq!(margins(&[(0.0, 6.0)]), [""; 0]);
    assert_eq!(margins(&[(0.0, 5.5)]), ["warning"]);
    assert_eq!(margins(&[(0.0, 3.0)]), ["warning"]);
    assert_eq!(margins(&[(0.0, 2.5)]), ["alarm"]);
    // At whole seconds, by the median of the second before: low for one of them, for two.
    assert_eq!(margins(&[(0.0, 7.0), (30.0, 5.5), (31.0, 7.0)]), [""; 0]);
    assert_eq!(margins(&[(0.0, 7.0), (30.0, 5.5), (32.0, 7.0)]), ["warning"]);
    assert_eq!(margins(&[(0.0, 5.5), (30.0, 7.5)]), ["warning"]);
    assert_eq!(margins(&[(0.0, 5.5), (30.0, 8.0)]), ["warning", "cleared"]);
    assert_eq!(margins(&[(0.0, 5.5), (30.0, 8.0), (34.0, 5.5)]), ["warning"]);
}

/// The limits in seconds, and the margin from which on they are looked at: `judge/margin/alarm` tests them as they
/// stand in the profile, and this is what stands there.
#[test]
fn limits_that_the_profile_does_not_set() {
    let Limits { warning_margin, forecast_margin, warning_s, alarm_margin, alarm_s, clear_margin, clear_s } =
        Limits::default();
    assert_eq!((warning_margin, forecast_margin, alarm_margin, clear_margin), (6.0, 15.0, 3.0, 2.0));
    assert_eq!((warning_s, alarm_s, clear_s), (20.0, 8.0, 30.0));
}

/// Silence is an outage after 2 s.
#[test]
fn a_silence_of_two_seconds() {
    let told = |silence_s: f64| {
        let mut plan = Plan::default();
        for step in 0..300_u32 {
            let at = f64::from(step) / 10.0;
            if !(15.0..15.0 + silence_s).contains(&at) {
                plan.send(at, VEHICLE, Message::clockless(u64::from(step)));
            }
        }
        let profile =
            "[vehicle]\nsystem = 1\n[[link]]\nname = \"down\"\nrole = \"telemetry\"\nsenders = [[1, 1]]\n";
        plan.play(profile, &[], 30.0).told("lost")
    };
    assert_eq!((told(1.7), told(3.2)), (0, 1));
}
