//! How often the burst-aware interval of the loss ratio holds the truth, beside the plain
//! binomial one: `cargo run --release --example loss_coverage`.
//!
//! Gilbert's two-state channel, 500 seeds (1 to 500, never chosen) for each setting.

#![expect(clippy::print_stdout, reason = "its output is the point")]

use fadewatch::stats::sample::proportion::{Z975, wilson};
use fadewatch::stats::time_series::loss_runs::Runs;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

const SEEDS: u64 = 500;

fn main() {
    println!("packets   loss  mean burst   burst-aware   plain binomial");
    for packets in [3_000, 10_000, 40_000] {
        for (loss, burst) in
            [(0.01, 3.0), (0.05, 1.5), (0.05, 5.0), (0.05, 15.0), (0.2, 4.0), (0.2, 20.0), (0.6, 8.0)]
        {
            let (mut aware, mut plain) = (0, 0);
            for seed in 1..=SEEDS {
                let (runs, received, lost) = channel(seed, packets, loss, burst);
                let holds = |interval: [f64; 2]| interval[0] <= loss && loss <= interval[1];
                aware += u32::from(runs.ratio(received, lost).is_some_and(|found| holds(found.ci95)));
                plain += u32::from(wilson(lost as f64, (received + lost) as f64, Z975).is_some_and(holds));
            }
            let share = |count: u32| 100.0 * f64::from(count) / SEEDS as f64;
            println!("{packets:7} {loss:6.2} {burst:11.1} {:11.1} % {:14.1} %", share(aware), share(plain));
        }
    }
}

/// Runs, received and lost of one seed.
fn channel(seed: u64, packets: u32, loss: f64, burst: f64) -> (Runs, u64, u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let leave = 1.0 / burst;
    let enter = leave * loss / (1.0 - loss);
    let mut bad = random.random::<f64>() < loss;
    let (mut runs, mut received, mut lost, mut length) = (Runs::default(), 0, 0, 0_u64);
    for _ in 0..packets {
        if bad {
            lost += 1;
        } else {
            received += 1;
        }
        length += 1;
        let flips = random.random::<f64>() < if bad { leave } else { enter };
        if flips {
            if bad {
                runs.add_lost(length);
            } else {
                runs.add_received(length);
            }
            length = 0;
            bad = !bad;
        }
    }
    if bad {
        runs.add_lost(length);
    } else {
        runs.add_received(length);
    }
    (runs, received, lost)
}
