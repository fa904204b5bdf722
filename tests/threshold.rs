//! A short seeded study of the freeze threshold: the truth is the study's own.
//! `examples/threshold_coverage.rs` is the long one.

use fadewatch::judge::freeze_level;
use fadewatch::judge::freeze_level::LevelCount;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const MIDDLE: f64 = -86.0;
const SLOPE: f64 = -0.6;
/// logit(0.05) / slope above the middle.
const TRUE_P05: f64 = MIDDLE + 2.944_438_979_166_440_5 / 0.6;

/// Seconds at levels from -92 to -60 dBm, freezes by the true chance, and strays at any level.
fn session(random: &mut ChaCha8Rng, seconds: u32, strays: u32) -> Vec<LevelCount> {
    let mut rows: Vec<LevelCount> = (0..seconds)
        .map(|_| {
            let level = (-60.0 - 28.0 * random.random::<f64>()).round();
            let chance = 1.0 / (1.0 + (-SLOPE * (level - MIDDLE)).exp());
            let freezes = u32::from(random.random::<f64>() < chance);
            LevelCount { level: level as f32, seconds: 1, freezes }
        })
        .collect();
    for _ in 0..strays {
        let index = random.random_range(0..rows.len());
        rows[index].freezes = 1;
    }
    rows
}

/// Of 30 sets, at least 27 within the tolerance and 27 intervals that hold the truth: with a true
/// coverage of 95 %, fewer would come in 2 of 1000 studies (binomial); this one is seeded.
fn study(seconds: u32, strays: u32, tolerance: f64) {
    let (mut near, mut held) = (0, 0);
    for seed in 0..30 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let sessions: Vec<Vec<LevelCount>> = (0..4).map(|_| session(&mut random, seconds, strays)).collect();
        let Some(found) = freeze_level::estimate(&sessions, None) else { continue };
        near += u32::from((found.level_p05 - TRUE_P05).abs() <= tolerance);
        let holds = |ci95: [f64; 2]| ci95[0] <= TRUE_P05 && TRUE_P05 <= ci95[1];
        held += u32::from(found.level_p05_ci95.is_some_and(holds));
    }
    assert!(near >= 27, "{near} of 30 within {tolerance} dB");
    assert!(held >= 27, "{held} of 30 intervals hold the truth");
}

#[test]
fn a_hundred_freezes() {
    study(400, 0, 0.7);
}

#[test]
fn freezes_of_other_causes_do_not_bend_it() {
    study(400, 3, 0.9);
}

#[test]
fn few_freezes() {
    study(90, 0, 1.5);
}
