//! What whole sessions teach: freeze limits, alarms and proven distances where the truth is known.
//!
//! An invented, seeded study. In each set four earlier sessions and a next flight, each a whole life: bench, a drill
//! beside the handset, out and back until it lands, switched off in one order or another, the recorder left
//! running. The sessions go through the core and the history as recordings do; nothing is fed to an
//! estimator by hand. `cargo run --release --example life_coverage -- FIRST_SEED SETS [flights|cut|quiet|walks]`
//! prints shares of sets (10001 and 200 unless given; half as many walks). Truth: the scenario's own
//! numbers.
#![expect(clippy::print_stdout, reason = "a study prints its findings")]
#![expect(clippy::unwrap_used, reason = "a study that cannot go on stops")]

mod sessions;
mod study;

use sessions::Kind;
use study::{BIN_M, Set};

/// Asked of the freeze limit.
const TOLERANCE_DB: f64 = 0.7;

/// All sets, on both cores, in the order of their seeds.
fn sets(kind: Kind, first: u64, count: u64) -> Vec<Set> {
    let half = |parity: u64| {
        (0..count).filter(move |set| set % 2 == parity).map(move |set| study::set(kind, first + set))
    };
    std::thread::scope(|scope| {
        let odd = scope.spawn(move || half(1).collect::<Vec<Set>>());
        let mut all: Vec<Set> = half(0).collect();
        all.extend(odd.join().unwrap());
        all
    })
}

fn share(name: &str, good: usize, of: usize) {
    println!("  {name:<62} {good:>4} of {of}");
}

fn print(kind: Kind, first: u64, count: u64) {
    let all = sets(kind, first, count);
    let freezes: usize = all.iter().map(|set| set.true_freezes).sum();
    println!(
        "{}: seeds {first} to {}, {:.0} true freezes a set",
        kind.name(),
        first + count - 1,
        freezes as f64 / count as f64
    );
    let errors: Vec<f64> = all.iter().filter_map(|set| set.error_db).collect();
    if kind == Kind::Quiet {
        share("sets without a freeze that have a freeze limit (wanted: 0)", errors.len(), all.len());
    } else {
        let near = errors.iter().filter(|error| error.abs() <= TOLERANCE_DB).count();
        share("freeze limit within 0.7 dB", near, all.len());
        println!("  {:<62} {:+.2} dB", "its mean error", errors.iter().sum::<f64>() / errors.len() as f64);
    }
    let rung = all.iter().filter(|set| set.early_alarms > 0).count();
    share("alarms in the first minute of the next flight (wanted: 0)", rung, all.len());
    if kind == Kind::Walks {
        let wrong = all.iter().filter(|set| set.distances > 0).count();
        share("sets of walks with any distance (wanted: 0)", wrong, all.len());
        return;
    }
    let proven: Vec<Option<f64>> = all.iter().flat_map(|set| set.proven.iter().copied()).collect();
    let near = proven.iter().flatten().filter(|error| error.abs() <= BIN_M).count();
    let beyond = proven.iter().flatten().filter(|error| **error > BIN_M).count();
    share("sessions whose proven distance is within one bin", near, proven.len());
    share("sessions proven beyond that", beyond, proven.len());
    let farthest: usize = all.iter().map(|set| set.beyond_farthest).sum();
    share("sessions proven beyond the farthest point (wanted: 0)", farthest, proven.len());
    share(
        "sessions with nothing proven",
        proven.iter().filter(|error| error.is_none()).count(),
        proven.len(),
    );
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number =
        |index: usize, without: u64| words.get(index).and_then(|word| word.parse().ok()).unwrap_or(without);
    let (first, count) = (number(0, 10_001), number(1, 200).max(1));
    let only = words.get(2).map(String::as_str);
    for kind in [Kind::Flights, Kind::Cut, Kind::Quiet, Kind::Walks] {
        if only.is_none_or(|only| only == kind.name()) {
            print(kind, first, if kind == Kind::Walks { count.div_ceil(2) } else { count });
        }
    }
}
