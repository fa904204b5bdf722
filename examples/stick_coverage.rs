//! Which faults of channels are found in invented bench tests, and which are told that are not there.
//!
//! `cargo run --release --example stick_coverage [-- SEEDS [FIRST]]`: as many sessions with a fault (reversed, swapped,
//! short, off centre, jittering, dead, stuck) and without one, of handsets with 14 channels, telemetry at 4 to 50 Hz with
//! up to 20 % lost in bursts, outages of the radio and silences of the vehicle. Seeds from 10001 on.

#![expect(clippy::print_stdout, reason = "its output is the point")]

#[path = "../tests/stick_faults/mod.rs"]
mod stick_faults;

use stick_faults::{Plan, wrong};

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|word| word.parse::<u64>().ok());
    let count = numbers.next().unwrap_or(200);
    let first = numbers.next().unwrap_or(10_001);
    for (name, plan) in [("with a fault", Plan::faulty as fn(u64) -> Plan), ("clean", Plan::clean)] {
        let mut sessions = 0;
        for seed in first..first + count {
            let wrong = wrong(plan(seed));
            sessions += u32::from(!wrong.is_empty());
            for line in wrong {
                println!("  {line}");
            }
        }
        println!("{name}: {sessions} of {count} sessions with a channel that was not told rightly");
    }
}
