//! How often the comparison tells a change that is there, and one that is not, where the truth is known.
//!
//! `cargo run --release --example compare_coverage -- 10001 200` plays so many pairs of sides from that seed on for each row.
//! Wanted: a gain of 7 dB between two flights of 5 min, and of 5 dB over days that differ by 1 dB with four flights a side, called
//! better in 90 %; without a change at most 5 % of the figures called different; with a second flight twice as far over
//! the same link none called different in 95 % of the pairs. See `study.rs` for the flights.
#![expect(clippy::print_stdout, reason = "a study prints its findings")]

mod study;

use study::{Course, study};

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|text| text.parse().ok());
    let (first, count) = (arguments.next().unwrap_or(10_001_u64), arguments.next().unwrap_or(200));
    println!("{count} pairs of sides a row, from seed {first} on");
    println!(
        "{:<58}{:>10}{:>10}{:>10}{:>10}{:>10}",
        "sides", "gain held", "better", "figures", "any", "telemetry"
    );
    let near = [250.0, 250.0];
    for (sessions, day_db, gain_db, far_m) in [
        (1, 0.0, 0.0, near),
        (1, 0.0, 0.0, [150.0, 300.0]),
        (1, 0.0, 7.0, near),
        (3, 1.0, 0.0, near),
        (4, 1.0, 0.0, [150.0, 300.0]),
        (4, 1.0, 5.0, near),
        (4, 3.0, 0.0, near),
    ] {
        let course = Course { sessions, day_db, gain_db, far_m };
        let tally = study(first..first + count, course);
        let share = |part: u32, of: u32| format!("{:.1} %", 100.0 * f64::from(part) / f64::from(of.max(1)));
        println!(
            "{:<58}{:>10}{:>10}{:>10}{:>10}{:>10}",
            format!("{sessions} a side, days {day_db} dB, gain {gain_db} dB, to {far_m:?} m"),
            share(tally.held, tally.intervals),
            share(tally.gained, tally.seeds),
            share(tally.different, tally.figures),
            share(tally.any, tally.seeds),
            share(tally.wrong, tally.seeds),
        );
    }
}
