//! Plays odd sessions and counts what is told of them that is not so: `adversary -- FIRST COUNT [KIND]`.
//!
//! `KIND` prints every complaint of that kind, and what its session was.

#![expect(clippy::print_stdout, reason = "its output is the point")]

#[path = "../tests/adversary/mod.rs"]
mod adversary;

use std::collections::BTreeMap;
use std::env;

use adversary::{Session, complaints};

fn main() {
    let words: Vec<String> = env::args().skip(1).collect();
    let number =
        |index: usize, usual: u64| words.get(index).and_then(|word| word.parse().ok()).unwrap_or(usual);
    let (first, count) = (number(0, 10_001), number(1, 1_000));
    let mut counts = BTreeMap::<&str, (u64, u64)>::new();
    let mut hours = 0.0;
    for seed in first..first + count {
        let (summary, truth) = Session::draw(seed).play();
        hours += summary.recording.duration_s / 3600.0;
        let mut kinds: Vec<&str> = Vec::new();
        for (kind, told) in complaints(&summary, &truth) {
            if words.get(2).is_some_and(|wanted| wanted == kind || wanted == "all") {
                println!("seed {seed}: {kind}: {told}\n    {}", truth.about.join("\n    "));
            }
            counts.entry(kind).or_default().0 += 1;
            if !kinds.contains(&kind) {
                counts.entry(kind).or_default().1 += 1;
                kinds.push(kind);
            }
        }
    }
    println!("{count} sessions, {hours:.1} hours");
    for (kind, (times, sessions)) in counts {
        println!("{kind}: {times} in {sessions} sessions");
    }
}
