//! Sessions straight from the law: a level a second, and a freeze by the chance at it.
//!
//! Path loss with exponent 2.7 from -22 dBm at 1 m, shadowing of 3 dB that stays alike for 3 s or 15 m, steps of 0.5 dB.

use fadewatch::judge::freeze_level;
use fadewatch::judge::freeze_level::LevelCount;
use fadewatch::judge::margin::EvidenceSecond;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// Level and whether a freeze began within the next second.
pub(crate) type Row = (f64, bool);

#[derive(Clone, Copy)]
pub(crate) struct Law {
    pub(crate) p50: f64,
    pub(crate) scale_db: f64,
    pub(crate) base: f64,
    /// Spread of the sessions' levels about the common one.
    pub(crate) apart_db: f64,
}

impl Default for Law {
    fn default() -> Self {
        Self { p50: -86.0, scale_db: 1.0 / 0.6, base: 0.0, apart_db: 0.0 }
    }
}

impl Law {
    pub(crate) fn p05(&self) -> f64 {
        self.p50 + self.scale_db * 19_f64.ln()
    }

    pub(crate) fn sessions(&self, seed: u64, count: u32, seconds: u32, reach_m: f64) -> Vec<Vec<Row>> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        (0..count).map(|_| session(self, &mut random, seconds, reach_m)).collect()
    }
}

fn normal(random: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (random.random::<f64>().max(1e-300), random.random());
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

fn session(law: &Law, random: &mut ChaCha8Rng, seconds: u32, reach_m: f64) -> Vec<Row> {
    let speed = 2.0 + 8.0 * random.random::<f64>();
    let apart = law.apart_db * normal(random);
    let keep = (-(1.0_f64 / 3.0).max(speed / 15.0)).exp();
    let mut shadow = 3.0 * normal(random);
    let (mut distance, mut outward, mut frozen_for) = (12.0, 1.0, 0_u32);
    let mut rows = Vec::new();
    for _ in 0..seconds {
        distance += outward * speed;
        if distance > reach_m || distance < 12.0 {
            outward = -outward;
            distance = distance.clamp(12.0, reach_m);
        }
        shadow = keep * shadow + (1.0 - keep * keep).sqrt() * 3.0 * normal(random);
        let level = (2.0 * (-22.0 - 27.0 * distance.log10() + shadow)).round() / 2.0;
        if frozen_for > 0 {
            frozen_for -= 1;
            continue;
        }
        let by_level = 1.0 / (1.0 + ((level - apart - law.p50) / law.scale_db).exp());
        let froze = random.random::<f64>() < law.base + (1.0 - law.base) * by_level;
        frozen_for = if froze { random.random_range(0..3) } else { 0 };
        rows.push((level, froze));
    }
    rows
}

/// As the history gives them: one count a level, in order.
pub(crate) fn counts(rows: &[Row]) -> Vec<LevelCount> {
    let mut rows = rows.to_vec();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    rows.chunk_by(|a, b| a.0 == b.0)
        .map(|same| LevelCount {
            level: same[0].0 as f32,
            seconds: same.len() as u32,
            freezes: same.iter().filter(|row| row.1).count() as u32,
        })
        .collect()
}

pub(crate) fn series(rows: &[Row]) -> Vec<EvidenceSecond> {
    let second = |(index, row): (usize, &Row)| EvidenceSecond {
        second: index as u32 + 1,
        level: row.0 as f32,
        distance_m: None,
        freeze_began: row.1,
    };
    rows.iter().enumerate().map(second).collect()
}

/// Sets with one to four freezes: the highest level at which one began, the isotonic estimate, and where that warns.
pub(crate) fn few(first: u64, sets: u64) {
    let usual = Law::default();
    for (name, law, reach_m) in [
        ("turned back early", usual, 110.0),
        ("turned back late", usual, 140.0),
        ("early, strays 1 in 500 s", Law { base: 0.002, ..usual }, 110.0),
        ("steep law, early", Law { scale_db: 0.8, ..usual }, 120.0),
        ("flat law, early", Law { scale_db: 3.0, ..usual }, 80.0),
    ] {
        for freezes in 1..=4 {
            let (mut highest, mut isotonic, mut warns) = (Vec::new(), Vec::new(), Vec::new());
            for seed in first..first + 4 * sets {
                let sessions = law.sessions(seed, 2, 200, reach_m);
                let began = || sessions.iter().flatten().filter(|row| row.1).map(|row| row.0);
                if began().count() != freezes {
                    continue;
                }
                highest.extend(began().reduce(f64::max).map(|level| level - law.p05()));
                let counts: Vec<Vec<LevelCount>> = sessions.iter().map(|rows| counts(rows)).collect();
                let found = freeze_level::estimate(&counts, None);
                isotonic.extend(found.iter().map(|found| found.level_p05 - law.p05()));
                warns.extend(found.iter().map(|found| found.warns_at - law.p05()));
            }
            println!("{name}, {freezes} freezes");
            for (name, errors) in [("highest", highest), ("isotonic", isotonic), ("warns at", warns)] {
                println!("  {name:<9} {}", told(&errors));
            }
        }
    }
}

fn told(errors: &[f64]) -> String {
    let count = errors.len() as f64;
    let mean = errors.iter().sum::<f64>() / count;
    let square = (errors.iter().map(|error| error * error).sum::<f64>() / count).sqrt();
    let share = |wanted: &dyn Fn(f64) -> bool| {
        100.0 * errors.iter().filter(|error| wanted(**error)).count() as f64 / count
    };
    format!(
        "{} sets {mean:+.1} dB, rms {square:.1}, under -2 dB {:.0} %, over 6 dB {:.0} %",
        errors.len(),
        share(&|error| error < -2.0),
        share(&|error| error > 6.0)
    )
}
