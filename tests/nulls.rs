//! Antenna nulls against the truth of seeded flights. `examples/null_coverage` runs many more.

#[path = "../examples/null_coverage/study.rs"]
mod study;

use study::{Null, Way, study};

/// 40 flights without a null: one called by chance is what a 95 % interval for all sectors together allows
/// (2.5 % on the low side, and 3 dB low besides): at most 3 of 40 (binomial, 99.9 %). All intervals
/// together hold the truth in 95 %: at least 33 of 40 (binomial, 99.9 %).
#[test]
fn shadowing_alone_is_no_null() {
    let tally = study(0..40, Way::About, 300, None);
    assert!(tally.called <= 3 && tally.held >= 33, "{tally:?}");
    let tally = study(100..140, Way::OutAndBack, 300, None);
    assert!(tally.called <= 3 && tally.held >= 33, "{tally:?}");
}

/// 10 dB while the handset is behind: found in most flights, its depth held by the interval.
#[test]
fn a_null_behind_is_found_at_its_depth() {
    let null = Null { towards_deg: 180.0, width_deg: 30.0, depth_db: 10.0 };
    for way in [Way::OutAndBack, Way::About] {
        let tally = study(0..30, way, 600, Some(null));
        assert!(tally.found >= 24 && tally.held >= 24, "{way:?}: {tally:?}");
        assert!((tally.error_db / f64::from(tally.sectors)).abs() < 0.5, "{way:?}: {tally:?}");
    }
}
