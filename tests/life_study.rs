//! What whole sessions teach, on a few sets of the study of `examples/life_coverage`; its shares are in benches/README.md.
//!
//! Truth: the scenarios' own numbers. Seeds of their own, none of them chosen.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

#[path = "../examples/life_coverage/sessions.rs"]
#[expect(dead_code, reason = "the study prints what its sets are about")]
mod sessions;
#[path = "../examples/life_coverage/study.rs"]
mod study;

use sessions::Kind;
use study::{BIN_M, Set};

const FIRST_SEED: u64 = 20_001;
/// One set is off by more than the 0.7 dB that most of them keep.
const TOLERANCE_DB: f64 = 1.5;

/// All sets of a kind, each on a thread.
fn sets(kind: Kind, count: u64) -> Vec<Set> {
    std::thread::scope(|scope| {
        let seeds = FIRST_SEED..FIRST_SEED + count;
        let running: Vec<_> = seeds.map(|seed| scope.spawn(move || study::set(kind, seed))).collect();
        running.into_iter().map(|set| set.join().unwrap()).collect()
    })
}

/// Proven as far as flown without a freeze, and never farther than flown.
fn is_proven(set: &Set, may_miss: usize) {
    assert_eq!(set.beyond_farthest, 0, "{set:?}");
    let near = |error: &&Option<f64>| error.is_some_and(|error| error.abs() <= BIN_M);
    let missed = set.proven.len() - set.proven.iter().filter(near).count();
    assert!(missed <= may_miss, "{set:?}");
}

fn has_level(set: &Set) {
    assert_eq!(set.early_alarms, 0, "{set:?}");
    assert!(set.true_freezes > 20, "{set:?}");
    assert!(set.error_db.is_some_and(|error| error.abs() < TOLERANCE_DB), "{set:?}");
}

#[test]
fn flights_teach_the_level_at_which_they_froze() {
    for set in sets(Kind::Flights, 2) {
        has_level(&set);
        is_proven(&set, 1);
    }
}

#[test]
fn flights_that_never_froze_teach_no_level() {
    for set in sets(Kind::Quiet, 1) {
        assert_eq!((set.true_freezes, set.error_db, set.early_alarms), (0, None, 0), "{set:?}");
        is_proven(&set, 0);
    }
}

#[test]
fn walks_teach_a_level_and_no_distance() {
    for set in sets(Kind::Walks, 1) {
        has_level(&set);
        assert_eq!(set.distances, 0, "{set:?}");
    }
}
