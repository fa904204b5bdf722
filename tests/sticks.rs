//! Channels of the vehicle against a truth that the test sets: faults that are there are found, and no others are told.
//!
//! Seeds from 10,001 on; `examples/stick_coverage` judges 200 of each.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod stick_faults;

use fadewatch::summary::{StickDirection, StickFinding, StickSummary};
use stick_faults::{CENTRED, Fault, Plan, play, wrong};

#[test]
fn faults_are_found_and_no_others_are_told() {
    let wrong: Vec<String> = (10_001..10_015).flat_map(|seed| wrong(Plan::faulty(seed))).collect();
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn of_a_clean_handset_nothing_is_told() {
    let wrong: Vec<String> = (10_001..10_009).flat_map(|seed| wrong(Plan::clean(seed))).collect();
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
}

/// A link that is quick and loses nothing.
fn quiet(seed: u64) -> Plan {
    let (outages, silences) = (Vec::new(), Vec::new());
    Plan { loss: 0.0, outages, silences, input_hz: 20.0, step_us: 1.0, ..Plan::clean(seed) }
}

/// By the plan's own numbers.
#[test]
fn figures_of_a_quiet_session_are_those_that_were_set() {
    let mut plan = Plan { untouched: vec![5], flies: false, ..quiet(1) };
    plan.faults = vec![(0, Fault::OffCentre(33.0)), (3, Fault::Jitter(10.0))];
    let rows = play(&mut plan);
    assert_eq!((rows[1].low_us, rows[1].high_us, rows[1].travel_us), (1100, 1900, 800));
    assert!((rows[0].centre_us.unwrap() - 1533.0).abs() < 1.0, "{:?}", rows[0]);
    let [low, high] = rows[0].centre_ci95_us.unwrap();
    assert!(low <= 1533.0 && 1533.0 <= high && high - low < 4.0);
    // The quartiles of a normal scatter lie 1.349 standard deviations apart.
    assert!((rows[3].jitter_us.unwrap() - 13.49).abs() < 1.6, "{:?}", rows[3]);
    assert_eq!(rows[1].jitter_us, Some(0.0));
    for (channel, row) in rows.iter().enumerate() {
        let comes_back = CENTRED.contains(&channel);
        assert_eq!(row.moved, channel != 5, "{row:?}");
        assert_eq!(
            (row.stick, row.direction),
            if channel == 5 { (None, None) } else { (Some(channel as u8 + 1), Some(StickDirection::Same)) }
        );
        assert!(!comes_back || row.centre_us.is_some(), "{row:?}");
    }
    // A throttle and knobs rest anywhere.
    assert!([2, 8, 9].iter().all(|channel| rows[*channel].centre_us.is_none()), "{rows:?}");
    assert_eq!((rows[5].compared, rows[5].ends_seen), (Some(false), false), "never moved is not dead");
}

/// Without the handset's own stream nothing is known of dead, crossed and reversed.
#[test]
fn without_a_handset_no_channel_is_held_against_a_stick() {
    for fault in [Fault::Reversed, Fault::Dead(1500.0), Fault::SwappedWith(1)] {
        let mut plan = Plan { heard: false, faults: vec![(0, fault)], ..quiet(2) };
        let rows = play(&mut plan);
        let bare = |row: &StickSummary| {
            row.compared.is_none()
                && row.stick.is_none()
                && row.direction.is_none()
                && row.findings.is_empty()
        };
        assert!(rows.iter().all(bare), "{rows:?}");
    }
}

/// The radio is dead while one stick is moved, and comes back with it at its rest.
#[test]
fn a_dead_link_makes_no_dead_channel() {
    for seed in 1..=4 {
        let mut plan = quiet(seed);
        // From before its first movement until after the last of the first round.
        plan.outages = vec![(1000.0, 40_000.0)];
        assert!(play(&mut plan).iter().all(|row| row.findings.is_empty()), "{seed}");
    }
}

#[test]
fn one_direction_of_a_pair_is_not_taken_for_a_dead_channel() {
    let mut plan = Plan { faults: vec![(0, Fault::SwappedWith(1)), (1, Fault::SwappedWith(0))], ..quiet(3) };
    plan.untouched = vec![1];
    let rows = play(&mut plan);
    assert_eq!(rows[1].findings, [StickFinding::Crossed]);
    assert_eq!((rows[0].findings.clone(), rows[0].moved), (vec![], false));
}
