//! Losses of control input against a truth that the test sets: the instants below are its own.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod drills;

use drills::{Lost, Outputs, PROFILE, Plan, RcMessages, Reboot, judge, play};
use fadewatch::summary::{FailsafeSummary, LossCause, OutputsWord};
use fadewatch::units::Nanos;

/// A drill by the handset with round times, and nothing lost.
fn plain(seed: u64) -> Plan {
    let (lost_at, back_at) = (40_000.0, 48_000.0);
    let times = Plan {
        lost_at,
        back_at,
        noticed_after: 700.0,
        safe_after: 900.0,
        ..Plan::drill(seed, Lost::Handset)
    };
    Plan {
        loss: 0.0,
        servo_hz: 20.0,
        input_hz: 10.0,
        status_hz: 2.0,
        health: true,
        mode: true,
        end: 60_000.0,
        ..times
    }
}

fn one(plan: &Plan, profile: &str) -> FailsafeSummary {
    let rows = play(plan, profile).summary();
    assert_eq!(rows.len(), 1, "{rows:?}");
    rows.into_iter().next().unwrap()
}

/// `examples/failsafe_coverage.rs` judges 200 seeds of each.
#[test]
fn every_instant_lies_in_its_interval() {
    for profile in ["", PROFILE] {
        for lost in [Lost::Handset, Lost::Radio] {
            for seed in 1..=5 {
                let plan = Plan { loss: 0.0, ..Plan::drill(seed, lost) };
                let rows = play(&plan, profile).summary();
                let verdict = judge(&plan, &rows);
                assert!(verdict.told && verdict.safe == (true, true), "{plan:?} {rows:?}");
                assert_eq!(verdict.detected, (true, true), "{plan:?} {rows:?}");
                let back = plan.back_at / 1e3 - rows[0].input_lost_s;
                assert!(
                    (back..back + 0.6).contains(&rows[0].recovered_after_s.unwrap()),
                    "{plan:?} {rows:?}"
                );
            }
        }
    }
}

#[test]
fn the_middle_is_given_and_the_modes() {
    let row = one(&plain(1), "");
    assert_eq!(
        row.servo_safe_after_interval_s.map(|[low, high]| f64::midpoint(low, high)),
        row.servo_safe_after_s
    );
    assert_eq!(
        row.detected_after_interval_s.map(|[low, high]| f64::midpoint(low, high)),
        row.detected_after_s
    );
    assert_eq!((row.mode_before, row.mode_after), (Some(101), Some(102)));
}

#[test]
fn what_the_handset_began_is_no_evidence_and_ends_no_proof() {
    let rig = play(&plain(2), "");
    let row = &rig.summary()[0];
    assert_eq!(
        (row.cause.map(LossCause::word), row.evidence, row.drill),
        (Some("handset"), Some(false), false)
    );
    assert!(row.why_not.is_some());
    assert!(rig.meter.spans(&rig.context).is_empty());
    assert_eq!(rig.meter.all_spans(&rig.context).len(), 1);
}

#[test]
fn a_loss_by_the_radio_is_evidence_unless_it_is_marked_a_drill() {
    let plan = Plan { lost: Lost::Radio, ..plain(3) };
    let rig = play(&plan, "");
    let row = &rig.summary()[0];
    assert_eq!((row.cause.map(LossCause::word), row.evidence, row.why_not), (None, Some(true), None));
    assert_eq!(rig.meter.spans(&rig.context).len(), 1);
    // Marked 20 s before, and while it is on; a mark 40 s before stands for nothing.
    for (mark, drill) in [(plan.lost_at - 20_000.0, true), (plan.lost_at + 5000.0, true), (100.0, false)] {
        let rig = play(&Plan { marks: vec![mark], ..plan.clone() }, "");
        let row = &rig.summary()[0];
        assert_eq!((row.drill, row.evidence), (drill, Some(!drill)), "mark at {mark}");
        assert_eq!(rig.meter.spans(&rig.context).is_empty(), drill);
    }
}

/// Input and telemetry end together: whether the link failed cannot be told.
#[test]
fn a_loss_that_does_not_end_before_the_telemetry_does_is_open() {
    let plan =
        Plan { lost: Lost::Radio, silences: vec![(44_000.0, 90_000.0)], back_at: 90_000.0, ..plain(4) };
    let row = one(&plan, "");
    assert_eq!((row.evidence, row.recovered_after_s), (None, None));
    assert!(row.why_not.is_some());
    // With telemetry for 10 s more it is a loss.
    let plan = Plan { silences: vec![(55_000.0, 90_000.0)], ..plan };
    assert_eq!(one(&plan, "").evidence, Some(true));
}

#[test]
fn a_loss_known_from_the_vehicles_word_alone_has_no_detection_time() {
    let row = one(&Plan { lost: Lost::Silently, mode: false, state: false, ..plain(5) }, "");
    assert_eq!((row.detected_after_s, row.detected_after_interval_s), (None, None));
    // The last healthy report.
    assert!((40.15..=40.75).contains(&row.input_lost_s), "{row:?}");
}

#[test]
fn outputs_that_hold_or_keep_moving_are_not_safe() {
    for (outputs, word) in [(Outputs::Hold, "held"), (Outputs::Move, "moving")] {
        for lost in [Lost::Handset, Lost::Radio] {
            for seed in 1..=4 {
                let plan = Plan { lost, outputs, ..plain(seed) };
                let row = one(&plan, "");
                assert_eq!(
                    (row.servo_safe_after_s, row.outputs.map(OutputsWord::word)),
                    (None, Some(word)),
                    "{plan:?} {row:?}"
                );
            }
        }
    }
    let wrong = one(&plain(6), "[vehicle.failsafe_servo_us]\n1 = 1030\n");
    assert_eq!((wrong.servo_safe_after_s, wrong.outputs.map(OutputsWord::word)), (None, Some("elsewhere")));
}

/// Nobody moved a stick: which output follows one is not known, so nothing is said of them.
#[test]
fn a_stream_that_nothing_follows_is_no_loss() {
    assert_eq!(play(&Plan { at_rest: true, health: false, ..plain(7) }, "").summary(), []);
    // By the radio it is one, but its outputs stay unknown without the profile's values.
    let row = one(&Plan { at_rest: true, lost: Lost::Radio, ..plain(7) }, "");
    assert_eq!((row.servo_safe_after_s, row.outputs), (None, None));
    let row = one(&Plan { at_rest: true, lost: Lost::Radio, ..plain(7) }, PROFILE);
    assert!(row.servo_safe_after_s.is_some());
}

/// The input is read at 2 Hz, the outputs at 50 Hz: they leave long before the vehicle says that its input is back.
#[test]
fn outputs_that_leave_before_the_word_of_recovery_were_safe() {
    for profile in ["", PROFILE] {
        for seed in 1..=4 {
            for lost in [Lost::Handset, Lost::Radio] {
                let plan = Plan { lost, servo_hz: 50.0, input_hz: 2.0, ..plain(seed) };
                let rows = play(&plan, profile).summary();
                assert_eq!(judge(&plan, &rows).safe, (true, true), "{plan:?} {rows:?}");
            }
        }
    }
}

#[test]
fn live_sessions_tell_no_loss() {
    for seed in 1..=10 {
        let plan = Plan::live(seed);
        assert_eq!(play(&plan, "").summary(), [], "{plan:?}");
    }
}

/// A vehicle that sends RC_CHANNELS without channels beside RC_CHANNELS_RAW.
#[test]
fn the_input_is_read_from_one_kind_of_message() {
    for rc in [RcMessages::Older, RcMessages::EmptyBesideOlder, RcMessages::Both] {
        let live = Plan { lost: Lost::Never, rc, ..plain(8) };
        assert_eq!(play(&live, "").summary(), [], "{rc:?}");
        // The level and the still channels of either tell a real one.
        let lost = Plan { lost: Lost::Radio, rc, health: false, ..plain(8) };
        let row = one(&lost, "");
        assert!((39.8..=40.9).contains(&row.input_lost_s), "{rc:?} {row:?}");
    }
}

#[test]
fn a_restart_is_none() {
    for length in [200.0, 3000.0, 9000.0] {
        let reboots = vec![Reboot { from: 30_000.0, to: 30_000.0 + length }];
        let plan = Plan { lost: Lost::Never, reboots, ..plain(9) };
        assert_eq!(play(&plan, "").summary(), [], "{length}");
    }
}

#[test]
fn a_silence_of_the_vehicle_is_none_and_widens_what_it_hides() {
    let silences = vec![(30_000.0, 45_000.0)];
    assert_eq!(play(&Plan { lost: Lost::Never, silences, ..plain(10) }, "").summary(), []);
    // The handset and the vehicle fall silent together, for good or until both are back.
    for to in [90_000.0, 47_990.0] {
        assert_eq!(play(&Plan { silences: vec![(40_000.0, to)], ..plain(10) }, "").summary(), []);
    }
    let hidden = Plan { silences: vec![(40_200.0, 42_500.0)], ..plain(10) };
    let rows = play(&hidden, "").summary();
    let verdict = judge(&hidden, &rows);
    assert_eq!((verdict.detected, verdict.safe), ((true, true), (true, true)), "{rows:?}");
    let [low, high] = rows[0].servo_safe_after_interval_s.unwrap();
    assert!(high - low > 2.0, "{rows:?}");
}

#[test]
fn a_stall_of_this_computer_is_none_and_leaves_its_figures_open() {
    for length in [600.0, 3000.0, 10_000.0] {
        // It came at any place of the stream.
        for seed in 1..=3 {
            let stalls = vec![(30_000.0, 30_000.0 + length)];
            let plan = Plan { lost: Lost::Never, stalls, ..plain(seed) };
            // The sticks waited too.
            let rig = play(&plan, "");
            assert_eq!(rig.summary(), [], "{length} {seed}");
        }
    }
    let row = one(&Plan { stalls: vec![(40_500.0, 41_000.0)], ..plain(11) }, "");
    assert_eq!((row.detected_after_s, row.servo_safe_after_s), (None, None));
}

/// The end of all that is heard is no loss of input.
#[test]
fn an_end_of_everything_is_none() {
    let mut rig = play(&Plan { lost: Lost::Never, ..plain(12) }, "");
    rig.advance(Nanos::from_secs(660));
    assert_eq!(rig.summary(), []);
}
