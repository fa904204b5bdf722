//! Every item on both sides of its limit and astride of it, written from the definitions.

use crate::judge::bench::guide_steps::{StepNeed, standing};
use crate::judge::bench::*;
use crate::profile::Profile;
use crate::summary::{
    BenchStep, ControlHolds, FailsafeSummary, GuideNote, GuideRecord, LatencyStage, LatencySummary, LeftOut,
    LinkSummary, MarginSummary, MovesNeeded, OutputsWord, Phase, PhaseReason, PhaseSummary, PowerSummary,
    RatioEstimate, StageMethod, StepAnswer, StickDirection, StickFinding, StickSummary, TimingSummary,
    TimingWhat,
};

fn stage(p50: (f64, Interval), p90: (f64, Interval)) -> LatencyStage {
    LatencyStage {
        method: StageMethod::IntervalCensored,
        events: 40,
        left_out: LeftOut::default(),
        p50_ms: Some(p50.0),
        p50_ci95_ms: Some(p50.1),
        p90_ms: Some(p90.0),
        p90_ci95_ms: Some(p90.1),
        p99_ms: None,
        p99_ci95_ms: None,
        moves_needed: MovesNeeded { p50: 0, p90: 0, p99: 60 },
        max_ms: None,
        clock_uncertainty_ms: Some(2.0),
        bound: Bound::TwoSided,
        cross_correlation_ms: None,
        channels: Vec::new(),
        change: None,
        distribution: Vec::new(),
    }
}

fn stick(channel: u8) -> StickSummary {
    StickSummary {
        channel,
        samples: 900,
        moved: true,
        low_us: 1100,
        high_us: 1900,
        last_us: 1500,
        travel_us: 800,
        ends_seen: true,
        centre_us: Some(1503.0),
        centre_ci95_us: Some([1502.0, 1504.0]),
        jitter_us: Some(1.0),
        still_s: 40,
        step_us: Some(1),
        compared: Some(true),
        stick: Some(channel),
        direction: Some(StickDirection::Same),
        outputs: Vec::new(),
        findings: Vec::new(),
    }
}

fn drill(detected: Option<Interval>, safe: Option<Interval>, outputs: OutputsWord) -> FailsafeSummary {
    let middle = |interval: Interval| f64::midpoint(interval[0], interval[1]);
    FailsafeSummary {
        input_lost_s: 100.0,
        detected_after_s: detected.map(middle),
        servo_safe_after_s: safe.map(middle),
        mode_before: None,
        mode_after: None,
        recovered_after_s: Some(5.0),
        detected_after_interval_s: detected,
        servo_safe_after_interval_s: safe,
        drill: true,
        cause: None,
        outputs: Some(outputs),
        evidence: Some(false),
        why_not: None,
    }
}

fn link(loss: f64, ci95: Interval, margin: Option<f64>) -> LinkSummary {
    LinkSummary {
        link: "picture".to_owned(),
        role: LinkRole::Video,
        loss: Some(RatioEstimate { ratio: loss, ci95 }),
        availability_ratio: None,
        longest_silence_s: None,
        silent_at_end_s: None,
        margin_db: margin.map(|min| MarginSummary { end: Some(min), min: Some(min) }),
        margin_raw: None,
        warnings: 0,
        alarms: 0,
    }
}

/// A bench test in which everything required passes.
fn good() -> Summary {
    let well = drill(Some([0.4, 0.9]), Some([0.6, 1.1]), OutputsWord::Safe);
    Summary {
        links: vec![link(0.01, [0.005, 0.02], None)],
        latency: LatencySummary {
            stick_to_servo: Some(stage((60.0, [55.0, 64.0]), (80.0, [74.0, 90.0]))),
            ..LatencySummary::default()
        },
        control_holds: Some(ControlHolds { moving_s: 60.0, ..ControlHolds::default() }),
        sticks: (1..=4).map(stick).collect(),
        failsafe: vec![well.clone(), well.clone(), well],
        ..Summary::default()
    }
}

fn find(sheet: &BenchSheet, item: BenchItem) -> BenchRow {
    sheet.items.iter().find(|row| row.item == item).unwrap().clone()
}

/// The item's word and the sheet's.
fn words(summary: &Summary, profile: &str, item: BenchItem) -> (BenchWord, BenchWord) {
    let sheet = sheet(summary, &Profile::parse(profile).unwrap(), None);
    (find(&sheet, item).word, sheet.verdict)
}

const PASSED: (BenchWord, BenchWord) = (BenchWord::Passed, BenchWord::Passed);
const FAILED: (BenchWord, BenchWord) = (BenchWord::Failed, BenchWord::Failed);
const OPEN: (BenchWord, BenchWord) = (BenchWord::NotProven, BenchWord::NotProven);

#[test]
fn what_is_not_required_keeps_nothing_from_passing() {
    let summary = good();
    for item in [BenchItem::Supply, BenchItem::PictureDelay] {
        assert_eq!(words(&summary, "", item), (BenchWord::NotMeasured, BenchWord::Passed));
    }
    // Unless the profile gives a limit for it.
    let asked = "[limits]\nsupply_minutes = 5\n";
    assert_eq!(words(&summary, asked, BenchItem::Supply), (BenchWord::NotMeasured, BenchWord::NotProven));
    let empty = sheet(&Summary::default(), &Profile::default(), None);
    assert_eq!(empty.verdict, BenchWord::NotProven);
    let is_open =
        |row: &BenchRow| row.word != BenchWord::Passed && (row.reason.is_some() || row.needs.is_some());
    assert!(empty.items.iter().all(is_open), "{:?}", empty.items);
}

#[test]
fn a_latency_is_judged_by_its_whole_interval_and_the_clock() {
    let at = |limit: f64| format!("[limits]\nlatency_p90_ms = {limit}\n");
    let word = |limit| words(&good(), &at(limit), BenchItem::LatencyP90);
    // 74 to 90, and 2 of the clock either way.
    assert_eq!([word(92.0), word(91.9), word(71.9), word(72.0)], [PASSED, OPEN, FAILED, OPEN]);
    let spread =
        |limit| words(&good(), &format!("[limits]\nlatency_spread_ms = {limit}\n"), BenchItem::LatencySpread);
    // 74 - 64 to 90 - 55.
    assert_eq!([spread(35.0), spread(34.0), spread(9.9)], [PASSED, OPEN, FAILED]);
    // 80 against 85: 12 above, 5 away: 5.76 times the 40 movements.
    let sheet = sheet(&good(), &Profile::parse(&at(85.0)).unwrap(), None);
    let more = find(&sheet, BenchItem::LatencyP90).needs.unwrap();
    assert_eq!((more.what, more.more), (BenchNeed::Moves, Some(191)));
    let close =
        find(&super::sheet(&good(), &Profile::parse(&at(80.5)).unwrap(), None), BenchItem::LatencyP90);
    assert_eq!(close.needs.unwrap().more, None, "at its limit");
}

#[test]
fn an_upper_bound_passes_and_never_fails() {
    let mut summary = good();
    let stage = summary.latency.stick_to_servo.as_mut().unwrap();
    (stage.bound, stage.clock_uncertainty_ms) = (Bound::Upper, None);
    assert_eq!(words(&summary, "", BenchItem::LatencyP90), PASSED);
    assert_eq!(words(&summary, "[limits]\nlatency_p90_ms = 50\n", BenchItem::LatencyP90), OPEN);
    let stage = summary.latency.stick_to_servo.as_mut().unwrap();
    stage.bound = Bound::None;
    assert_eq!(words(&summary, "", BenchItem::LatencyP90), (BenchWord::NotMeasured, BenchWord::NotProven));
    let stage = summary.latency.stick_to_servo.as_mut().unwrap();
    (stage.bound, stage.p90_ms, stage.moves_needed.p90) = (Bound::TwoSided, None, 4);
    let sheet = sheet(&summary, &Profile::default(), None);
    let row = find(&sheet, BenchItem::LatencyP90);
    assert_eq!((row.word, row.needs.unwrap().more), (BenchWord::NotProven, Some(4)));
}

/// 0 holds: up to 3.689 by Garwood, of 6 a minute: 36.9 s of moving sticks.
#[test]
fn holds_need_time_in_which_sticks_move() {
    let with = |count, moving_s| {
        let holds = ControlHolds { count, moving_s, ..ControlHolds::default() };
        Summary { control_holds: Some(holds), ..good() }
    };
    let word = |count, moving_s| words(&with(count, moving_s), "", BenchItem::Holds);
    assert_eq!([word(0, 37.0), word(0, 36.0), word(0, 0.0), word(12, 37.0)], [PASSED, OPEN, OPEN, FAILED]);
    let sheet = sheet(&with(0, 20.0), &Profile::default(), None);
    let needs = find(&sheet, BenchItem::Holds).needs.unwrap();
    assert_eq!((needs.what, needs.more), (BenchNeed::MovingSeconds, Some(17)));
}

#[test]
fn loss_is_judged_link_by_link_and_without_links_by_sender() {
    let with = |ci95: Interval| Summary { links: vec![link(0.04, ci95, None)], ..good() };
    let word = |ci95| words(&with(ci95), "", BenchItem::Loss);
    assert_eq!([word([0.03, 0.05]), word([0.03, 0.051]), word([0.051, 0.06])], [PASSED, OPEN, FAILED]);
    let none = Summary { links: Vec::new(), ..good() };
    assert_eq!(words(&none, "", BenchItem::Loss), (BenchWord::NotMeasured, BenchWord::NotProven));
    let margin = |db| Summary { links: vec![link(0.01, [0.0, 0.02], Some(db))], ..good() };
    let level = "[[link]]\nname = \"picture\"\nrole = \"video\"\nwifi = \"wlan0\"\n";
    assert_eq!(words(&margin(6.0), level, BenchItem::Margin), PASSED);
    assert_eq!(words(&margin(5.9), level, BenchItem::Margin), FAILED);
}

#[test]
fn channels_are_judged_by_what_was_shown() {
    let with = |change: &dyn Fn(&mut StickSummary)| {
        let mut summary = good();
        change(&mut summary.sticks[1]);
        summary
    };
    let both = |summary: &Summary, item| {
        let sheet = sheet(summary, &Profile::default(), None);
        let row = find(&sheet, item);
        (row.word, row.failing_channels, row.needs.map_or(vec![], |needs| needs.channels))
    };
    assert_eq!(both(&good(), BenchItem::Answers), (BenchWord::Passed, vec![], vec![]));
    let crossed = with(&|stick| stick.findings.push(StickFinding::Crossed));
    assert_eq!(both(&crossed, BenchItem::Answers), (BenchWord::Failed, vec![2], vec![]));
    assert_eq!(words(&crossed, "[limits]\nmeant_channels = [2]\n", BenchItem::Answers), PASSED);
    let dead = with(&|stick| stick.findings.push(StickFinding::Dead));
    assert_eq!(words(&dead, "[limits]\nmeant_channels = [2]\n", BenchItem::Answers), FAILED);
    let untold = with(&|stick| stick.direction = None);
    assert_eq!(both(&untold, BenchItem::Answers), (BenchWord::NotProven, vec![], vec![2]));
    // Seen to be short, and perhaps not moved all the way.
    let short = with(&|stick| stick.travel_us = 600);
    assert_eq!(both(&short, BenchItem::Travel), (BenchWord::Failed, vec![2], vec![]));
    let partly = with(&|stick| (stick.travel_us, stick.ends_seen) = (600, false));
    assert_eq!(both(&partly, BenchItem::Travel), (BenchWord::NotProven, vec![], vec![2]));
    let far = with(&|stick| (stick.travel_us, stick.ends_seen) = (720, false));
    assert_eq!(both(&far, BenchItem::Travel), (BenchWord::Passed, vec![], vec![]));
    // 1,530: 30 off, give or take 1 or 6; a fault only where somebody said so.
    let said = |line: &str, ends: Interval| {
        let off = with(&|stick| (stick.centre_us, stick.centre_ci95_us) = (Some(1530.0), Some(ends)));
        let profile = Profile::parse(&format!("[limits]\n{line}\n")).unwrap();
        let sheet = sheet(&off, &profile, None);
        (sheet.items.into_iter().find(|row| row.item == BenchItem::Centre).map(|row| row.word), sheet.verdict)
    };
    assert_eq!(said("", [1529.0, 1531.0]), (None, BenchWord::Passed));
    assert_eq!(
        said("stick_centre_us = 1520", [1529.0, 1531.0]),
        (Some(BenchWord::Passed), BenchWord::Passed)
    );
    for (reach, word) in [(1.0, BenchWord::Failed), (6.0, BenchWord::NotProven)] {
        for line in ["centre_error_us = 25", "stick_centre_us = 1500"] {
            assert_eq!(said(line, [1530.0 - reach, 1530.0 + reach]), (Some(word), word));
        }
    }
    let shaky = with(&|stick| (stick.jitter_us, stick.still_s) = (Some(12.0), 40));
    assert_eq!(both(&shaky, BenchItem::Jitter), (BenchWord::Failed, vec![2], vec![]));
    let unseen = with(&|stick| stick.jitter_us = None);
    assert_eq!(both(&unseen, BenchItem::Jitter), (BenchWord::NotProven, vec![], vec![2]));
}

/// RC_CHANNELS of the handset, of another vehicle and of a gimbal tell nothing of the vehicle's own.
#[test]
fn only_the_vehicles_own_messages_are_often_enough() {
    let of = |interface: &str, system, component, id, p50_ms| TimingSummary {
        what: TimingWhat::Message,
        interface: Some(interface.to_owned()),
        endpoint: None,
        system: Some(system),
        component: Some(component),
        id: Some(id),
        ssrc: None,
        samples: 900,
        p50_ms,
        p99_ms: None,
        p999_ms: None,
        max_ms: p50_ms,
    };
    let strangers = [("handset", 255, 190), ("handset", 1, 1), ("vehicle", 2, 1), ("vehicle", 1, 154)];
    let mut summary = Summary { autopilot: Some((1, 1)), ..good() };
    summary.timing =
        strangers.map(|(interface, system, component)| of(interface, system, component, 65, 20.0)).to_vec();
    summary.timing.push(of("vehicle", 1, 1, 36, 125.0));
    let needs = |summary: &Summary| {
        let sheet = sheet(summary, &Profile::default(), None);
        standing(BenchStep::Links, (&sheet, summary), &GuideRecord::default(), 60.0).needs
    };
    assert_eq!(needs(&summary), [StepNeed::Inputs(None), StepNeed::Outputs(Some(8.0))]);
    summary.timing.extend([of("vehicle", 1, 1, 65, 100.0), of("vehicle", 1, 1, 36, 100.0)]);
    assert_eq!(needs(&summary), []);
}

/// A walk by level, as the life of the session tells it, begins the minute; without one a person is asked.
#[test]
fn loss_far_away_takes_a_handset_that_is_away() {
    let mut record = GuideRecord::default();
    record.observe(100.0, GuideNote::Step(BenchStep::Far, StepAnswer::Begun));
    let phase = |phase, from_s| PhaseSummary { phase, from_s, why: PhaseReason::Bench };
    let needs = |phases: &[PhaseSummary], record: &GuideRecord, now_s| {
        let summary = Summary { phases: phases.to_vec(), ..good() };
        let sheet = sheet(&summary, &Profile::default(), None);
        standing(BenchStep::Far, (&sheet, &summary), record, now_s).needs
    };
    let near = [phase(Phase::Ground, 10.0)];
    assert_eq!(needs(&near, &record, 300.0), [StepNeed::Away { is_measured: false }]);
    // A walk before the step is none of it; one that goes on counts from the step on.
    let before = [phase(Phase::Walk, 20.0), phase(Phase::Ground, 90.0)];
    assert_eq!(needs(&before, &record, 300.0), [StepNeed::Away { is_measured: false }]);
    assert_eq!(needs(&[phase(Phase::Walk, 20.0)], &record, 130.0), [StepNeed::Seconds(30.0)]);
    let walk = [phase(Phase::Ground, 10.0), phase(Phase::Walk, 150.0)];
    assert_eq!(needs(&walk, &record, 170.0), [StepNeed::Seconds(40.0)]);
    assert_eq!(needs(&walk, &record, 210.0), []);
    // Out and back are one trip, and whoever is home again has shown it.
    let home = [phase(Phase::Out, 150.0), phase(Phase::Back, 180.0), phase(Phase::Ground, 210.0)];
    assert_eq!(needs(&home, &record, 400.0), []);
    let short = [phase(Phase::Walk, 150.0), phase(Phase::Ground, 180.0), phase(Phase::Walk, 200.0)];
    assert_eq!(needs(&short, &record, 210.0), [StepNeed::Seconds(30.0)]);
    record.observe(110.0, GuideNote::Away);
    assert_eq!(
        (needs(&near, &record, 130.0), needs(&near, &record, 160.0)),
        (vec![StepNeed::Seconds(30.0)], vec![])
    );
    // Begun again, it is another place.
    record.observe(200.0, GuideNote::Step(BenchStep::Far, StepAnswer::Begun));
    assert_eq!(needs(&near, &record, 300.0), [StepNeed::Away { is_measured: false }]);
}

#[test]
fn a_handset_that_numbers_its_sticks_otherwise_is_not_held_against_channels() {
    let mut summary = good();
    for stick in &mut summary.sticks {
        (stick.compared, stick.direction) = (None, None);
    }
    assert_eq!(words(&summary, "", BenchItem::Answers), (BenchWord::NotMeasured, BenchWord::Passed));
    // A channel that the vehicle does not report.
    summary.sticks.pop();
    assert_eq!(words(&summary, "", BenchItem::Travel), OPEN);
    assert_eq!(words(&summary, "[limits]\nchannels = [1, 2, 3]\n", BenchItem::Travel), PASSED);
}

#[test]
fn the_slowest_drill_counts_and_there_must_be_three() {
    let with = |row: FailsafeSummary| {
        let mut summary = good();
        summary.failsafe[2] = row;
        summary
    };
    let safe = Some([0.5, 0.8]);
    let quick = Some([0.3, 0.6]);
    for (detected, expected) in [([1.0, 2.0], PASSED), ([1.0, 2.1], OPEN), ([2.1, 2.6], FAILED)] {
        let summary = with(drill(Some(detected), safe, OutputsWord::Safe));
        assert_eq!(words(&summary, "", BenchItem::Detected), expected);
    }
    assert_eq!(words(&with(drill(None, safe, OutputsWord::Safe)), "", BenchItem::Detected), OPEN);
    // Held and moving fail only where it is said what they should be.
    for outputs in [OutputsWord::Held, OutputsWord::Moving, OutputsWord::Elsewhere] {
        let summary = with(drill(quick, None, outputs));
        assert_eq!(words(&summary, "", BenchItem::Outputs), OPEN);
        assert_eq!(words(&summary, "[vehicle.failsafe_servo_us]\n1 = 1000\n", BenchItem::Outputs), FAILED);
    }
    let mut two = good();
    two.failsafe.pop();
    assert_eq!(words(&two, "", BenchItem::Drills), OPEN);
    // A loss of input in flight is no drill.
    let mut lost = good();
    lost.failsafe[0].drill = false;
    assert_eq!(words(&lost, "", BenchItem::Drills), OPEN);
}

#[test]
fn a_battery_passes_by_the_lower_end() {
    let battery = |[low, high]: Interval| PowerSummary {
        system: 1,
        component: 1,
        battery: 0,
        voltage_start_v: None,
        voltage_min_v: None,
        used_mah: None,
        minutes_left: Some(f64::midpoint(low, high)),
        minutes_left_ci95: Some([low, high]),
        minutes_left_to: None,
        minutes_left_why_not: None,
    };
    let sheet = sheet(&Summary { power: vec![battery([4.0, 9.0])], ..good() }, &Profile::default(), None);
    // A wide interval is not near its limit: it wants more load.
    assert_eq!(find(&sheet, BenchItem::Supply).needs.unwrap().what, BenchNeed::Load);
    let with = |interval| words(&Summary { power: vec![battery(interval)], ..good() }, "", BenchItem::Supply);
    assert_eq!(with([5.0, 9.0]), PASSED);
    assert_eq!(with([4.0, 9.0]), (BenchWord::NotProven, BenchWord::Passed));
    assert_eq!(with([2.0, 4.9]), FAILED);
    let glass = |ms: f64| words(&good(), &format!("glass_to_glass_ms = {ms}\n"), BenchItem::PictureDelay);
    assert_eq!([glass(150.0), glass(151.0)], [PASSED, FAILED]);
}

/// Beside the rows of what was heard it stands for none, whichever recording came last.
#[test]
fn a_recording_in_which_nothing_was_heard_adds_no_row() {
    let (heard, silent) = (good(), Summary { links: Vec::new(), ..good() });
    let profile = Profile::parse("").unwrap();
    for summaries in [[&heard, &silent], [&silent, &heard]] {
        let sheet = joined(&summaries.map(|summary| Part { summary, sha256: None }), &profile).unwrap();
        let rows = sheet.items.iter().filter(|row| row.item == BenchItem::Loss);
        let rows: Vec<_> = rows.map(|row| (row.of.as_deref(), row.word)).collect();
        assert_eq!(rows, [(Some("picture"), BenchWord::Passed)]);
        assert_eq!(sheet.verdict, BenchWord::Passed);
    }
}
