//! Odd sessions that nobody designed, drawn by seeds: nothing is told of them that is not so.

mod adversary;

use adversary::{Session, complaints};

#[test]
fn of_odd_sessions_nothing_is_told_that_is_not_so() {
    let mut found = Vec::new();
    for seed in 1..=200 {
        let (summary, truth) = Session::draw(seed).play();
        found.extend(complaints(&summary, &truth).into_iter().map(|complaint| (seed, complaint)));
    }
    assert!(found.is_empty(), "{} complaints: {found:#?}", found.len());
}
