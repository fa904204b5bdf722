//! How well the failsafe's times meet the truth of invented drills, and what is told of live sessions.
//!
//! `cargo run --release --example failsafe_coverage [-- SEEDS [FIRST]]`: 200 drills with the profile's failsafe values
//! and 200 without (every other one by the radio, the rest by the handset), outputs at 8 to 50 Hz, a word
//! at 1 to 4 Hz, 3 % of telemetry lost; and 200 live sessions of 130 s with up to 30 % lost in bursts, mixed RC messages,
//! reboots, silences, single empty samples and a second, still ground station. Then 200 drills without lost telemetry:
//! whether each time lies within the interval of the vehicle's own messages from the truth; and 200 whose outputs hold and
//! 200 whose outputs keep moving: whether they are told so. Seeds from 10001 on.
//! With SHOW set, each plan that went wrong and what was told of it.

#![expect(clippy::print_stdout, reason = "its output is the point")]

#[path = "../tests/drills/mod.rs"]
mod drills;

use drills::{Lost, Outputs, PROFILE, Plan, judge, messages, play};
use fadewatch::summary::{FailsafeSummary, OutputsWord};
use fadewatch::wire::telemetry::Telemetry;

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|word| word.parse::<u64>().ok());
    let count = numbers.next().unwrap_or(200);
    let first = numbers.next().unwrap_or(10_001);
    let seeds = || first..first + count;
    println!("                    told   detected: given, true   safe: given, true   of");
    for (name, profile) in [("with values", PROFILE), ("without values", "")] {
        let mut sums = [0_u32; 5];
        for seed in seeds() {
            let plan = Plan::drill(seed, by_turns(seed));
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
    let mut near = [0; 2];
    for seed in seeds() {
        let plan = Plan { loss: 0.0, ..Plan::drill(seed, by_turns(seed)) };
        let rows = play(&plan, PROFILE).summary();
        let within = rows.first().map_or([false; 2], |row| within_a_message(&plan, row));
        for (sum, one) in near.iter_mut().zip(within) {
            *sum += u32::from(one);
        }
        if within != [true; 2] && std::env::var_os("SHOW").is_some() {
            println!("{seed}: {plan:?}\n  {rows:?}");
        }
    }
    println!(
        "detection within a message's interval: {} of {count}; safe outputs: {} of {count}",
        near[0], near[1]
    );
    for (outputs, word) in [(Outputs::Hold, OutputsWord::Held), (Outputs::Move, OutputsWord::Moving)] {
        let told = |seed: &u64| {
            let plan = Plan { outputs, ..Plan::drill(*seed, by_turns(*seed)) };
            let rows = play(&plan, "").summary();
            let is_told =
                matches!(&*rows, [row] if row.outputs == Some(word) && row.servo_safe_after_s.is_none());
            if !is_told && std::env::var_os("SHOW").is_some() {
                println!("{seed}: {plan:?}\n  {rows:?}");
            }
            is_told
        };
        println!("outputs {}: told in {} of {count}", word.word(), seeds().filter(told).count());
    }
}

const fn by_turns(seed: u64) -> Lost {
    if seed.is_multiple_of(2) { Lost::Handset } else { Lost::Radio }
}

/// Whether the time of detection, and of safe outputs, lies as near to the truth as the messages that show it come, and
/// the 50 ms that the meter allows for their way.
fn within_a_message(plan: &Plan, row: &FailsafeSummary) -> [bool; 2] {
    let lost_ms = row.input_lost_s * 1e3;
    [
        (row.detected_after_s, plan.noticed_after, word_ms(plan)),
        (row.servo_safe_after_s, plan.safe_after, 1000.0 / plan.servo_hz),
    ]
    .map(|(told, after, spacing_ms)| {
        let truth = plan.lost_at + after - lost_ms;
        told.is_some_and(|told| (told * 1e3 - truth).abs() <= spacing_ms * 1.05 + 50.0)
    })
}

/// How often the message comes that told first: the health bit in SYS_STATUS, or mode or state in HEARTBEAT.
fn word_ms(plan: &Plan) -> f64 {
    let noticed = plan.lost_at + plan.noticed_after;
    let tells = |(at, _, telemetry): &(f64, _, Telemetry)| match telemetry {
        Telemetry::SystemStatus { healthy: 0, .. } if *at > noticed => Some(1000.0 / plan.status_hz),
        Telemetry::Heartbeat { custom_mode: 102, .. } | Telemetry::Heartbeat { system_status: 5, .. } => {
            Some(1000.0)
        }
        _ => None,
    };
    messages(plan).iter().find_map(tells).unwrap_or_default()
}
