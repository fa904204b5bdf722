//! Minutes of a battery against how long it lasts. `examples/battery_coverage` plays many more.

#[path = "../examples/battery_coverage/study.rs"]
mod study;

use study::{Counter, Course, Load, Tally, play};

fn study(load: Load, counter: Counter, pauses: bool) -> Tally {
    let mut tally = Tally::default();
    (10_001..10_031).for_each(|seed| tally.add(&play(seed, Course { load, counter, pauses })));
    tally
}

/// The interval holds the truth in 95 %. Instants of one flight err together: of 30 flights the figure may lie 12
/// points lower (twice the standard error of 30 independent ones is 8).
#[test]
fn the_interval_holds_how_long_it_lasts() {
    for load in [Load::Constant, Load::Noisy(5.0), Load::Stepped(20.0), Load::Laps] {
        for (counter, pauses) in
            [(Counter::Steps(1.0), true), (Counter::Steps(10.0), false), (Counter::Percent, true)]
        {
            let tally = study(load, counter, pauses);
            let held = f64::from(tally.held) / f64::from(tally.said);
            assert!(held > 0.83, "{load:?} {counter:?}: {tally:?}");
            assert!(
                f64::from(tally.said) > 0.8 * f64::from(tally.instants),
                "{load:?} {counter:?}: {tally:?}"
            );
        }
    }
}

/// From 5 s to 5 s it moves by no more than a fifth beyond the time that went by, a hover's by a tenth.
#[test]
fn the_figure_does_not_jump_about() {
    assert!(study(Load::Constant, Counter::Steps(1.0), true).jump < 0.02);
    for (load, counter) in [(Load::Constant, Counter::Percent), (Load::Noisy(5.0), Counter::Steps(10.0))] {
        let tally = study(load, counter, true);
        assert!(tally.jump < 0.2, "{load:?} {counter:?}: {tally:?}");
    }
}

/// What is constant is told closely: an interval that is always wide would hold the truth too.
#[test]
fn a_hover_is_told_closely() {
    let tally = study(Load::Constant, Counter::Steps(1.0), false);
    assert!(tally.width / f64::from(tally.said) < 0.03, "{tally:?}");
}
