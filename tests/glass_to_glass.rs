//! Glass to glass against invented photographs whose delay is known. `examples/glass_coverage` makes many more.

#[path = "../examples/glass_coverage/study.rs"]
mod study;

/// 95 % is wanted. Of 200 benches 3 points are twice the standard error.
#[test]
fn the_interval_holds_the_delay() {
    for photographs in [3, 5, 10, 20] {
        let tally = study::study(10_001..10_201, photographs);
        let held = f64::from(tally.held) / f64::from(tally.said);
        assert_eq!(tally.said, tally.benches);
        assert!(held > 0.92, "{photographs}: {tally:?}");
    }
}

/// A reading is told to be far from the others only if it was misread; here none is off by more than 2 ms.
#[test]
fn honest_photographs_are_not_told_apart() {
    let tally = study::study(10_001..10_201, 10);
    assert!(tally.apart <= 3, "{tally:?}");
}
