//! How well the failsafe's times meet the truth of invented drills, and what is told of live sessions.
//!
//! `cargo run --release --example failsafe_coverage [-- SEEDS [FIRST]]`: 200 drills with the profile's failsafe values
//! and 200 without (every other one by the radio, the rest by the handset), outputs at 8 to 50 Hz, a word
//! at 1 to 4 Hz, 3 % of telemetry lost; and 200 live sessions of 130 s with up to 30 % lost in bursts, mixed RC messages,
//! reboots, silences, single empty samples and a second, still ground station. Seeds from 10001 on.
//! With SHOW set, each plan that went wrong and what was told of it.

#![expect(clippy::print_stdout, reason = "its output is the point")]

#[path = "../tests/drills/mod.rs"]
mod drills;

use drills::{Lost, PROFILE, Plan, judge, play};

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|word| word.parse::<u64>().ok());
    let count = numbers.next().unwrap_or(200);
    let first = numbers.next().unwrap_or(10_001);
    let seeds = || first..first + count;
    println!("                    told   detected: given, true   safe: given, true   of");
    for (name, profile) in [("with values", PROFILE), ("without values", "")] {
        let mut sums = [0_u32; 5];
        for seed in seeds() {
            let lost = if seed % 2 == 0 { Lost::Handset } else { Lost::Radio };
            let plan = Plan::drill(seed, lost);
            let rows = play(&plan, profile).summary();
            let verdict = judge(&plan, &rows);
            let all = [verdict.told, verdict.detected.0, verdict.detected.1, verdict.safe.0, verdict.safe.1];
            for (sum, one) in sums.iter_mut().zip(all) {
                *sum += u32::from(one);
            }
            if !all.iter().all(|one| *one) && std::env::var_os("SHOW").is_some() {
                println!("{seed}: {plan:?}\n  {rows:?}");
            }
        }
        let [told, given, right, safe, right_safe] = sums;
        println!("{name:16} {told:7} {given:16} {right:6} {safe:13} {right_safe:6} {count:5}");
    }
    let mut phantoms = 0;
    for seed in seeds() {
        let plan = Plan::live(seed);
        let rows = play(&plan, "").summary();
        phantoms += u32::from(!rows.is_empty());
        if !rows.is_empty() && std::env::var_os("SHOW").is_some() {
            println!("{seed}: {plan:?}\n  {rows:?}");
        }
    }
    println!("live sessions with a loss told: {phantoms} of {count}");
}
