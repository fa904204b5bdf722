//! Whether the cause of bad pictures is told right: invented sessions whose truth is the radio, the airframe, this computer,
//! or none of them (freezes at random while the airframe shakes all the time).
//!
//! `cargo run --release --example picture_cause -- 10001 200`: first seed, how many of each truth.

mod study;

use study::{Truth, session};

#[expect(clippy::print_stdout, reason = "an example prints")]
fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|word| word.parse::<u64>().ok());
    let (first, count) = (arguments.next().unwrap_or(10_001), arguments.next().unwrap_or(200));
    println!("{:<10} {:>6} {:>8} {:>6} {:>9}", "truth", "right", "untold", "wrong", "freezes");
    for truth in Truth::ALL {
        let outcomes: Vec<_> = (first..first + count).map(|seed| session(truth, seed)).collect();
        let share = |what: &dyn Fn(&study::Outcome) -> bool| {
            100.0 * outcomes.iter().filter(|one| what(one)).count() as f64 / outcomes.len() as f64
        };
        let freezes: usize = outcomes.iter().map(|one| one.freezes).sum();
        println!(
            "{:<10} {:>5.1}% {:>7.1}% {:>5.1}% {:>9.1}",
            format!("{truth:?}"),
            share(&|one| one.right),
            share(&|one| !one.right && !one.wrong),
            share(&|one| one.wrong),
            freezes as f64 / outcomes.len() as f64
        );
    }
}
