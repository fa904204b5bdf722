//! Latency and clocks against the truth of an invented link, at message level.
//!
//! Limits come from what the figures are meant for (the table in DEVELOPERS.md), over few
//! seeds and so a little wider; `cargo run --release --example latency_accuracy` shows the whole table.

mod simulated_link;

use fadewatch::measure::context::Sender;
use fadewatch::snapshot::LatencyLimit;
use fadewatch::summary::{Bound, ClockMethod, LatencyStage, LatencySummary, Reason};
use fadewatch::units::Nanos;
use fadewatch::wire::telemetry::Telemetry;
use simulated_link::{Scenario, Session, play, quantile};

fn servo(summary: &LatencySummary) -> &LatencyStage {
    summary.stick_to_servo.as_ref().expect("stick to servo is measured")
}

fn check_medians(session: &Session, limit_ms: f64) {
    let summary = session.summary();
    let truth = &session.truth;
    let stages = [
        ("servo", &summary.stick_to_servo, &truth.stick_to_servo),
        ("input", &summary.stick_to_input, &truth.stick_to_input),
    ];
    for (name, stage, truth) in stages {
        let stage = stage.as_ref().unwrap_or_else(|| panic!("{name} is measured"));
        let error = stage.p50_ms.expect("enough movements") - quantile(truth, 0.5);
        assert!(error.abs() < limit_ms, "{name}: off by {error:.2} ms");
    }
}

#[test]
fn percentiles_meet_the_truth() {
    for (rate, p50_limit, p90_limit) in [(4.0, 5.5, 9.0), (10.0, 3.5, 6.0), (25.0, 3.0, 4.5)] {
        for seed in 1..=3 {
            let session = play(&Scenario::new(seed, rate));
            let summary = session.summary();
            let (stage, truth) = (servo(&summary), &session.truth.stick_to_servo);
            assert!(stage.events >= 30);
            assert_eq!(stage.bound, Bound::TwoSided);
            let p50 = stage.p50_ms.expect("enough movements") - quantile(truth, 0.5);
            let p90 = stage.p90_ms.unwrap() - quantile(truth, 0.9);
            assert!(p50.abs() < p50_limit, "seed {seed} at {rate} Hz: p50 off by {p50:.2} ms");
            assert!(p90.abs() < p90_limit, "seed {seed} at {rate} Hz: p90 off by {p90:.2} ms");
            assert_eq!(stage.p99_ms, None);
            assert!(stage.moves_needed.p99 > 0);
        }
    }
}

/// The radio's beat is the scenario's own. At 25 Hz 40 movements show it nearly always, and medians by
/// it are twice as close as without (0.5 for 0.8 ms rms over 200 seeds).
#[test]
fn the_radio_s_beat_is_found_and_narrows_the_medians() {
    let (mut told, mut squares) = (0, 0.0);
    for seed in 1..=8 {
        let session = play(&Scenario { asymmetry_ms: 0.0, ..Scenario::new(seed, 25.0) });
        let (summary, truth) = (session.summary(), &session.truth);
        if let Some(frame_ms) = summary.control_frame_ms {
            told += 1;
            assert!(
                (frame_ms / truth.frame_ms - 1.0).abs() < 5e-4,
                "seed {seed}: {frame_ms} for {}",
                truth.frame_ms
            );
        }
        squares += (servo(&summary).p50_ms.unwrap() - quantile(&truth.stick_to_servo, 0.5)).powi(2);
    }
    assert!(told >= 4, "told in {told} of 8");
    let rms = (squares / 8.0).sqrt();
    assert!(rms < 0.75, "{rms:.2} ms rms");
}

/// Where frames come by chance there is none to be found, and the figures stand without.
#[test]
fn a_radio_without_a_beat_has_none() {
    for seed in 1..=12 {
        for rate in [10.0, 25.0] {
            let session =
                play(&Scenario { uneven_frames: true, asymmetry_ms: 0.0, ..Scenario::new(seed, rate) });
            check_medians(&session, 3.0);
            let found = session.summary().control_frame_ms;
            assert_eq!(found, None, "seed {seed} at {rate} Hz");
        }
    }
}

#[test]
fn on_board_stage_needs_no_alignment() {
    for (rate, limit) in [(10.0, 6.0), (25.0, 3.0)] {
        let session = play(&Scenario { timesync: false, ..Scenario::new(4, rate) });
        let stage = session.summary().input_to_servo.unwrap();
        let error = stage.p50_ms.unwrap() - quantile(&session.truth.input_to_servo, 0.5);
        assert!(error.abs() < limit, "at {rate} Hz off by {error:.2} ms");
        assert_eq!((stage.bound, stage.clock_uncertainty_ms), (Bound::TwoSided, Some(0.0)));
    }
}

#[test]
fn one_way_is_an_upper_bound_and_says_so() {
    for seed in 1..=4 {
        let session = play(&Scenario { timesync: false, ..Scenario::new(seed, 25.0) });
        let summary = session.summary();
        for (stage, truth) in [
            (servo(&summary), &session.truth.stick_to_servo),
            (summary.stick_to_input.as_ref().unwrap(), &session.truth.stick_to_input),
        ] {
            assert_eq!((stage.bound, stage.clock_uncertainty_ms), (Bound::Upper, None));
            assert!(stage.p50_ms.unwrap() > quantile(truth, 0.5), "seed {seed}");
            assert!(stage.p90_ms.unwrap() > quantile(truth, 0.9), "seed {seed}");
        }
        let row = &session.clocks.summary(session.context.start.unwrap_or_default())[0];
        assert_eq!((row.method, row.uncertainty_ms, row.rtt_min_ms), (ClockMethod::OneWay, None, None));
    }
}

#[test]
fn outputs_may_be_reversed_trimmed_scaled_and_stopped() {
    for (scale, trim, stops) in
        [(-1.0, 0.0, (900.0, 2100.0)), (0.5, 80.0, (900.0, 2100.0)), (1.2, -30.0, (1250.0, 1750.0))]
    {
        let session = play(&Scenario { scale, trim, stops, ..Scenario::new(2, 25.0) });
        check_medians(&session, 4.0);
        let summary = session.summary();
        let rows: Vec<_> = servo(&summary).channels.iter().map(|row| (row.stick, row.servo)).collect();
        assert_eq!(rows, vec![(Some(1), Some(1))], "the output that follows no stick is left out");
    }
}

/// Where outputs show what lies between the samples seen, no hold is added to the delay.
#[test]
fn a_stick_sent_on_as_it_stands_is_not_taken_for_a_held_one() {
    for seed in 1..=4 {
        let session = play(&Scenario { continuous: true, ..Scenario::new(seed, 25.0) });
        check_medians(&session, 4.0);
        let summary = session.summary();
        let p90 = servo(&summary).p90_ms.unwrap() - quantile(&session.truth.stick_to_servo, 0.9);
        assert!(p90.abs() < 4.0, "seed {seed}: p90 off by {p90:.2} ms");
    }
}

/// Every flick goes from one end stop to the other: two still levels, and the ramp between them unknown but
/// for its ends. The figure is there and near, or it is not given.
#[test]
fn end_stops_at_every_flick_leave_the_ramp_between_them() {
    let mut given = 0;
    for seed in 1..=3 {
        let stops = (1250.0, 1750.0);
        let session = play(&Scenario { extremes: true, stops, ..Scenario::new(seed, 25.0) });
        let summary = session.summary();
        let Some(stage) = &summary.stick_to_servo else { continue };
        let (Some(p50), Some([low, high])) = (stage.p50_ms, stage.p50_ci95_ms) else { continue };
        given += 1;
        let (truth, clock) =
            (quantile(&session.truth.stick_to_servo, 0.5), stage.clock_uncertainty_ms.unwrap());
        assert!(truth >= low - clock && truth <= high + clock, "seed {seed}: {p50} for {truth}");
    }
    assert_eq!(given, 3, "seeds with a figure");
}

/// 130 movements: where every fourth is studied, that is always the same stick.
#[test]
fn sticks_moved_in_turns_are_all_measured() {
    let session = play(&Scenario { in_turns: true, movements: 130, ..Scenario::new(4, 25.0) });
    check_medians(&session, 4.0);
    let summary = session.summary();
    for stage in [servo(&summary), summary.stick_to_input.as_ref().unwrap()] {
        assert_eq!(stage.channels.len(), 4, "{:?}", stage.channels);
        let out = stage.left_out;
        assert!(stage.events >= 120, "{} events, {out:?}", stage.events);
        assert_eq!(stage.events + out.slow + out.small + out.gap + out.ambiguous + out.unmapped, 130);
    }
}

/// Over an hour in which four sticks are flicked in turns: thousands of movements are thinned evenly, of each stick
/// as many, and none goes uncounted.
#[test]
fn a_long_session_keeps_an_even_share_of_its_movements() {
    let movements = 5000;
    let session = play(&Scenario { in_turns: true, movements, ..Scenario::new(3, 10.0) });
    let summary = session.summary();
    let truth = &session.truth;
    for (stage, truth) in [
        (servo(&summary), &truth.stick_to_servo),
        (summary.stick_to_input.as_ref().unwrap(), &truth.stick_to_input),
    ] {
        let (out, clock) = (stage.left_out, stage.clock_uncertainty_ms.unwrap());
        let counted = out.slow + out.small + out.gap + out.ambiguous + out.unmapped + out.thinned;
        assert_eq!(stage.events + counted, movements as u64, "{out:?}");
        assert!(out.thinned > 1500 && stage.events > 1000, "{} events, {out:?}", stage.events);
        for channel in &stage.channels {
            let share = channel.events as f64 / stage.events as f64;
            assert!((share - 0.25).abs() < 0.01, "{channel:?} of {}", stage.events);
        }
        for (p, value, interval) in
            [(0.5, stage.p50_ms, stage.p50_ci95_ms), (0.9, stage.p90_ms, stage.p90_ci95_ms)]
        {
            let (truth, [low, high]) = (quantile(truth, p), interval.unwrap());
            assert!(truth >= low - clock && truth <= high + clock, "{value:?} ({low} to {high}) for {truth}");
        }
    }
}

#[test]
fn movements_that_nothing_follows_are_counted() {
    let (mut messages, truth) =
        simulated_link::messages(&Scenario { mixed: true, movements: 300, ..Scenario::new(2, 25.0) });
    for (.., telemetry) in &mut messages {
        if let Telemetry::ServoOutput { outputs, .. } = telemetry {
            // The only output that would follow the second stick.
            outputs[1] = 1500;
        }
    }
    let session = simulated_link::play_messages(&messages, truth);
    let summary = session.summary();
    let (stage, out) = (servo(&summary), servo(&summary).left_out);
    // The second stick moves once between two movements of the first, and once after the last.
    assert!(out.unmapped >= 290, "{out:?}");
    let all = stage.events + out.slow + out.small + out.gap + out.ambiguous + out.unmapped;
    assert!((595..=600).contains(&all), "{all} of 600 movements");
}

/// Servo 2 is half the sum of two sticks: it follows both, and says the same as servo 1 of the first.
#[test]
fn an_output_that_mixes_two_sticks_has_both_in_its_model() {
    let session = play(&Scenario { mixed: true, ..Scenario::new(2, 25.0) });
    check_medians(&session, 4.0);
    let summary = session.summary();
    let rows: Vec<_> = servo(&summary).channels.iter().map(|row| (row.stick, row.servo)).collect();
    assert_eq!(rows, vec![(Some(1), Some(1)), (Some(1), Some(2)), (Some(2), Some(2))]);
    let medians: Vec<f64> = servo(&summary).channels.iter().map(|row| row.p50_ms.unwrap()).collect();
    assert!(medians.iter().all(|median| (median - medians[0]).abs() < 4.0), "{medians:?}");
    let rows = &summary.stick_to_input.as_ref().unwrap().channels;
    assert_eq!(
        rows.iter().map(|row| (row.stick, row.input)).collect::<Vec<_>>(),
        vec![(Some(1), Some(1)), (Some(2), Some(2))]
    );
}

/// Elevons, skid steering: no output follows one stick alone, and the upper percentiles are as good as of any other.
#[test]
fn outputs_that_all_mix_two_sticks_give_true_percentiles() {
    for seed in 1..=4 {
        let session = play(&Scenario { elevons: true, ..Scenario::new(seed, 25.0) });
        check_medians(&session, 4.0);
        let summary = session.summary();
        let stage = servo(&summary);
        let p90 = stage.p90_ms.unwrap() - quantile(&session.truth.stick_to_servo, 0.9);
        assert!(p90.abs() < 6.0, "seed {seed}: p90 off by {p90:.2} ms");
        assert_eq!(stage.channels.len(), 4, "{:?}", stage.channels);
    }
}

/// Buttons step the only output that moves; now and then it moved with a stick, eight times or forty.
#[test]
fn an_output_that_buttons_step_follows_no_stick() {
    for seed in 1..=12 {
        for (rate, movements) in [(2.0, 8), (10.0, 8), (2.0, 40)] {
            let session = play(&Scenario { buttons: true, movements, ..Scenario::new(seed, rate) });
            let summary = session.summary();
            assert_eq!(summary.stick_to_servo, None, "seed {seed} at {rate} Hz");
            let view = session.meter.view(&session.context, &summary);
            assert!(view.stages[0].missing.is_some());
        }
    }
}

/// A link as quick as a wire has ages near nought, and they are no contradiction.
#[test]
fn a_quick_link_is_not_taken_for_chance() {
    for seed in 1..=4 {
        for rate in [4.0, 25.0] {
            let session = play(&Scenario { delay_ms: Some(2.0), ..Scenario::new(seed, rate) });
            check_medians(&session, if rate < 5.0 { 5.5 } else { 4.0 });
        }
    }
}

/// Between any two messages comes one that names channel 5 alone: 65535 for the others is not a word about them.
#[test]
fn a_message_that_names_other_channels_changes_nothing() {
    for seed in 1..=3 {
        let (messages, truth) = simulated_link::messages(&Scenario::new(seed, 25.0));
        let mut channels = [None; 18];
        channels[4] = Some(1500);
        let other = Telemetry::RcOverride { target: 1, channels, handed_back: 0 };
        let is_sticks = |telemetry: &Telemetry| matches!(telemetry, Telemetry::RcOverride { .. });
        let mut with_others = Vec::new();
        for (at, sender, telemetry) in messages {
            let between = is_sticks(&telemetry).then(|| (at + Nanos::from_millis(9), sender, other.clone()));
            with_others.push((at, sender, telemetry));
            with_others.extend(between);
        }
        with_others.sort_by_key(|message| message.0);
        let session = simulated_link::play_messages(&with_others, truth);
        check_medians(&session, 3.0);
        let (summary, out) = (session.summary(), servo(&session.summary()).left_out);
        assert!(servo(&summary).events >= 38 && out.gap <= 2, "{out:?}");
        let p90 = servo(&summary).p90_ms.unwrap() - quantile(&session.truth.stick_to_servo, 0.9);
        assert!(p90.abs() < 4.5, "seed {seed}: p90 off by {p90:.2} ms");
    }
}

/// From the 20th movement on the sticks are the radio's again: movements are cut or none, and no age is made of them.
#[test]
fn a_stick_that_is_handed_back_is_no_longer_measured() {
    let (mut messages, truth) = simulated_link::messages(&Scenario::new(3, 25.0));
    let back_from = messages[messages.len() / 2].0;
    for (at, _, telemetry) in &mut messages {
        if let Telemetry::RcOverride { channels, handed_back, .. } = telemetry
            && *at >= back_from
        {
            (channels[0], *handed_back) = (None, 1);
        }
    }
    let session = simulated_link::play_messages(&messages, truth);
    check_medians(&session, 4.0);
    let events = servo(&session.summary()).events;
    assert!((15..=21).contains(&events), "{events}");
}

/// The fifth stick moves first when others have moved 40 times: ten times, and all ten count.
#[test]
fn a_stick_that_moves_late_is_mapped_at_once() {
    let first = Scenario { movements: 40, ..Scenario::new(5, 25.0) };
    let (mut messages, truth) = simulated_link::messages(&first);
    let late_from = messages[messages.len() * 4 / 5].0;
    for (at, _, telemetry) in &mut messages {
        let late = *at >= late_from;
        match telemetry {
            Telemetry::RcOverride { channels, .. } | Telemetry::RcInput { channels, .. } if late => {
                (channels[0], channels[2]) = (Some(1500), channels[0]);
            }
            Telemetry::ServoOutput { outputs, .. } if late => {
                (outputs[0], outputs[1]) = (1500, outputs[0]);
            }
            _ => {}
        }
    }
    let session = simulated_link::play_messages(&messages, truth);
    let summary = session.summary();
    let rows = &servo(&summary).channels;
    assert_eq!(
        rows.iter().map(|row| (row.stick, row.servo)).collect::<Vec<_>>(),
        [(Some(1), Some(1)), (Some(3), Some(2))]
    );
    assert!(rows[1].events >= 5 && servo(&summary).left_out.unmapped == 0, "{rows:?}");
}

/// A second ground station sends sticks that stand still, and comes first: holds are those of the first all the same.
#[test]
fn a_still_second_source_hides_no_hold() {
    let scenario = Scenario { control_outage: Some((10_000.0, 14_000.0)), ..Scenario::new(10, 25.0) };
    let (mut messages, truth) = simulated_link::messages(&scenario);
    let alone = simulated_link::play_messages(&messages, truth.clone()).meter.holds().unwrap();
    let mut channels = [None; 18];
    channels[..4].fill(Some(1500));
    let still = Telemetry::RcOverride { target: 1, channels, handed_back: 0 };
    let station = Sender { system: 250, ..simulated_link::stick_sender() };
    let end = messages[messages.len() - 1].0;
    let mut at = messages[0].0;
    while at < end {
        messages.push((at, station, still.clone()));
        at += Nanos::from_millis(100);
    }
    messages.sort_by_key(|message| message.0);
    let both = simulated_link::play_messages(&messages, truth).meter.holds().unwrap();
    assert!(alone.count > 0);
    assert_eq!((both.count, both.total_s), (alone.count, alone.total_s));
}

/// The radio's delay grows by 50 ms at 24 s; the truth is the scenario's own on both sides.
#[test]
fn a_latency_that_changes_is_told_with_both_figures() {
    for seed in 1..=4 {
        let longer_from = Some((24_000.0, 50.0));
        let session = play(&Scenario { longer_from, delay_ms: Some(40.0), ..Scenario::new(seed, 25.0) });
        let summary = session.summary();
        let change = servo(&summary).change.expect("told");
        assert!((change.at_s - 24.0).abs() < 4.0, "seed {seed}: {change:?}");
        let side = |after: bool| {
            let own = session.truth.servo_at.iter().filter(|(at, _)| (*at > 24_000.0) == after);
            let mut ages: Vec<f64> = own.map(|(_, age)| *age).collect();
            ages.sort_by(f64::total_cmp);
            quantile(&ages, 0.5)
        };
        for (told, truth) in [(change.before_p50_ms, side(false)), (change.after_p50_ms, side(true))] {
            assert!((told - truth).abs() < 5.0, "seed {seed}: {told:.1} for {truth:.1}");
        }
        assert_eq!(summary.input_to_servo.unwrap().change, None);
    }
}

#[test]
fn a_latency_that_stays_has_no_change() {
    for seed in 1..=8 {
        for rate in [4.0, 25.0] {
            let summary = play(&Scenario::new(seed, rate)).summary();
            assert_eq!(servo(&summary).change, None, "seed {seed}");
            assert_eq!(summary.stick_to_input.unwrap().change, None, "seed {seed}");
        }
    }
}

/// Telemetry at every second tick of the handset meets each stick position at one moment of its stand.
#[test]
fn telemetry_in_step_with_the_sticks_is_said_and_widens_the_interval() {
    for seed in 1..=4 {
        let session = play(&Scenario { in_step: true, ..Scenario::new(seed, 25.0) });
        let summary = session.summary();
        let stage = servo(&summary);
        let ([low, high], clock) = (stage.p50_ci95_ms.unwrap(), stage.clock_uncertainty_ms.unwrap());
        let truth = quantile(&session.truth.stick_to_servo, 0.5);
        assert!(high - low >= 20.0 && truth >= low - clock && truth <= high + clock, "seed {seed}");
        let view = session.meter.view(&session.context, &summary);
        assert!(matches!(view.stages[0].limited_by, Some(LatencyLimit::InStep { .. })));
        let free = play(&Scenario::new(seed, 25.0));
        let view = free.meter.view(&free.context, &free.summary());
        assert!(!matches!(view.stages[0].limited_by, None | Some(LatencyLimit::InStep { .. })));
    }
}

#[test]
fn a_dead_band_is_seen_through() {
    check_medians(&play(&Scenario { dead_band: 40.0, ..Scenario::new(5, 25.0) }), 4.0);
}

#[test]
fn two_sticks_moved_together_wait_for_more_evidence() {
    let session = play(&Scenario { together: true, ..Scenario::new(1, 25.0) });
    let summary = session.summary();
    assert!(summary.stick_to_servo.is_none(), "{:?}", summary.stick_to_servo);
    let view = session.meter.view(&session.context, &summary);
    assert_eq!(view.stages[0].missing, Some(Reason::SticksTogether));
}

#[test]
fn manual_control_counts_as_sticks() {
    check_medians(&play(&Scenario { manual: true, ..Scenario::new(3, 25.0) }), 4.0);
}

#[test]
fn out_and_back_without_rest_is_measured() {
    check_medians(&play(&Scenario { there_and_back: true, ..Scenario::new(6, 25.0) }), 4.5);
}

#[test]
fn a_wrap_in_mid_session_changes_nothing() {
    // 2^32 us after boot comes 20 s into the session.
    let boot_start_ms = 4_294_967.296 - 20_000.0;
    let session = play(&Scenario { boot_start_ms, ..Scenario::new(7, 10.0) });
    check_medians(&session, 5.0);
    assert_eq!(servo(&session.summary()).left_out.gap, 0);
}

#[test]
fn a_restart_in_mid_session_is_a_new_clock() {
    let session = play(&Scenario { restart_at_ms: Some(24_000.0), ..Scenario::new(8, 25.0) });
    check_medians(&session, 5.0);
    assert!(servo(&session.summary()).events >= 35);
}

#[test]
fn timesync_on_another_epoch_is_tied_to_the_boot_clock() {
    let session = play(&Scenario { timesync_epoch_ms: 1.6e12, ..Scenario::new(9, 25.0) });
    check_medians(&session, 6.0);
    let row = &session.clocks.summary(session.context.start.unwrap_or_default())[0];
    assert_eq!(row.method, ClockMethod::TwoWay);
    assert!((row.offset_ms + 700_000.0).abs() < 10.0, "{}", row.offset_ms);
}

#[test]
fn holds_are_the_outages_of_the_control_link() {
    let calm = play(&Scenario::new(10, 25.0)).meter.holds().unwrap();
    assert!(calm.moving_s > 4.0 && calm.moving_s < 16.0, "{calm:?}");
    let scenario = Scenario { control_outage: Some((10_000.0, 14_000.0)), ..Scenario::new(10, 25.0) };
    let held = play(&scenario).meter.holds().unwrap();
    assert!(held.count > calm.count, "{held:?} against {calm:?}");
    assert!(held.longest_s > 0.8 && held.longest_s < 4.3, "{held:?}");
}

#[test]
fn asking_twice_gives_the_same_and_changes_nothing() {
    let session = play(&Scenario::new(11, 10.0));
    let first = session.summary();
    let _ = session.meter.view(&session.context, &first);
    assert_eq!(first, session.summary());
    let copy = session.meter.clone();
    assert_eq!(first, copy.summary(&session.clocks, &session.context));
}

#[test]
fn nothing_heard_is_nothing_measured_with_the_reason() {
    let session = play(&Scenario { movements: 1, ..Scenario::new(1, 10.0) });
    let summary = session.summary();
    assert!(summary.stick_to_servo.is_none());
    let view = session.meter.view(&session.context, &summary);
    assert!(view.stages.iter().all(|stage| stage.missing.is_some()));
}
