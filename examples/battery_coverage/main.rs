//! How often the interval of a battery's minutes holds how long it lasted, where the truth is known.
//!
//! `cargo run --release --example battery_coverage -- 10001 400` plays so many flights from that seed on for each load and
//! each way in which a battery tells its charge. See `study.rs` for the flights.
#![expect(clippy::print_stdout, reason = "a study prints its findings")]

mod study;

use study::{Counter, Course, Load, Tally, play};

const LOADS: [Load; 6] = [
    Load::Constant,
    Load::Noisy(5.0),
    Load::Noisy(20.0),
    Load::Stepped(20.0),
    Load::Stepped(60.0),
    Load::Laps,
];

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|text| text.parse().ok());
    let (first, count) = (arguments.next().unwrap_or(10_001_u64), arguments.next().unwrap_or(400));
    println!("{count} flights a row from seed {first} on; the interval should hold the truth in 95 %");
    println!("{:<40}{:>8}{:>8}{:>12}{:>10}", "flight", "held", "said", "half width", "jump");
    let counters = [Counter::Steps(1.0), Counter::Steps(10.0), Counter::Percent];
    for counter in counters {
        for load in LOADS {
            for pauses in [false, true] {
                let course = Course { load, counter, pauses };
                let mut tally = Tally::default();
                (first..first + count).for_each(|seed| tally.add(&play(seed, course)));
                let share = |part: f64, of: u32| format!("{:.1} %", 100.0 * part / f64::from(of.max(1)));
                println!(
                    "{:<40}{:>8}{:>8}{:>12}{:>10}",
                    format!("{load:?}, {counter:?}{}", if pauses { ", pauses" } else { "" }),
                    share(f64::from(tally.held), tally.said),
                    share(f64::from(tally.said), tally.instants),
                    share(tally.width, tally.said),
                    share(tally.jump, 1)
                );
            }
        }
    }
}
