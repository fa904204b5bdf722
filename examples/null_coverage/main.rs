//! How well antenna nulls are told from shadowing, where the truth is known.
//!
//! `cargo run --release --example null_coverage` flies 200 seeds of each kind and prints in how many all
//! sectors' intervals hold the truth, how many nulls are found, and how many are called where there is
//! none. See `study.rs` for the flights.
#![expect(clippy::print_stdout, reason = "a study prints its findings")]

mod study;

use study::{Null, Way, study};

const SEEDS: u64 = 200;

fn main() {
    println!("{SEEDS} flights a row; all sectors' intervals together should hold the truth in 95 %");
    println!(
        "{:<14}{:>8}{:>26}{:>10}{:>10}{:>10}{:>12}",
        "way", "seconds", "null", "held", "found", "wrong", "mean error"
    );
    let null = |width_deg, depth_db| Some(Null { towards_deg: 180.0, width_deg, depth_db });
    for way in [Way::OutAndBack, Way::About] {
        for seconds in [300, 900] {
            for null in [None, null(30.0, 6.0), null(30.0, 10.0), null(60.0, 10.0)] {
                let tally = study(0..SEEDS, way, seconds, null);
                let name = null.map_or_else(
                    || "none".to_owned(),
                    |null| format!("{:.0} dB over {:.0} degrees", null.depth_db, null.width_deg),
                );
                let share =
                    |count: u32| format!("{:.1} %", 100.0 * f64::from(count) / f64::from(tally.flights));
                println!(
                    "{:<14}{seconds:>8}{name:>26}{:>10}{:>10}{:>10}{:>9.2} dB",
                    format!("{way:?}"),
                    share(tally.held),
                    share(tally.found),
                    share(tally.wrong),
                    tally.error_db / f64::from(tally.sectors.max(1))
                );
            }
        }
    }
}
