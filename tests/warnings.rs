//! What the words of a link are worth, on two sets of the study of `examples/warning_worth`; its shares are in
//! benches/README.md.
//!
//! Truth: the scenarios' own numbers. Seeds of their own: a set with one earlier session and one with two.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

#[path = "../examples/warning_worth/flights.rs"]
#[expect(dead_code, reason = "the study tells its flights apart")]
mod flights;
#[path = "../examples/warning_worth/watch.rs"]
mod watch;

use fadewatch::summary::Earlier;

use flights::{Course, Link};
use watch::Worth;

fn flown(course: Course, has_history: bool) -> Worth {
    let mut all = Worth::default();
    for seed in [20_004, 20_006] {
        let link = Link::of(seed);
        let earlier = if has_history { watch::learned(&link, seed) } else { Earlier::default() };
        let flight = flights::next(&link, course, seed);
        all.add(&watch::fly(&link, &flight, earlier).worth());
    }
    all
}

/// A picture that stands is never good, nor merely heard, whatever is known; and both flights were warned of.
#[test]
fn flights_beyond_the_limit_are_warned_of() {
    let worth = flown(Course::Out, true);
    assert!(worth.failing > 20 && worth.froze == 2, "{worth:?}");
    assert_eq!((worth.failing_good, worth.failing_heard, worth.ahead), (0, 0, 2), "{worth:?}");
}

/// Without earlier sessions nothing can warn of the first freeze: it must not be called good all the same.
#[test]
fn without_a_limit_no_failure_is_good() {
    let worth = flown(Course::Out, false);
    assert!(worth.failing > 20 && worth.asked > 0, "{worth:?}");
    assert_eq!((worth.failing_good, worth.failing_heard, worth.false_alarms), (0, 0, 0), "{worth:?}");
}
