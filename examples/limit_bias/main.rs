//! On which side of the truth the freeze limit errs, and what it costs to warn at the safe end of its interval.
//!
//! An invented, seeded study. `laws`: sessions straight from the law that the limit estimates, of few and many freezes.
//! `few`: sets of one to four freezes, and the rules for them. `orchard`: the three bundled earlier sessions with other
//! seeds, through the simulator and the core; once with what the core saw, once with the simulator's own levels and freezes,
//! so that a bias of the fit is told from one of what is measured. `cargo run --release --example limit_bias --
//! [laws|few|orchard] FIRST_SEED SETS` (10001; 1000 sets, 200 of the orchard). Truth: the study's own numbers.
#![expect(clippy::print_stdout, reason = "a study prints its findings")]
#![expect(clippy::unwrap_used, reason = "a study that cannot go on stops")]

mod law;
mod orchard;

use fadewatch::judge::freeze_level;
use fadewatch::judge::freeze_level::{Estimate, LevelCount};

use law::{Law, few};

/// Errors of a figure over the sets.
#[derive(Default)]
pub(crate) struct Errors {
    all: Vec<f64>,
    held: usize,
    above: usize,
    intervals: usize,
    warned_low: usize,
    warns: f64,
}

impl Errors {
    pub(crate) fn take(&mut self, found: &Estimate, truth: f64) {
        self.all.push(found.level_p05 - truth);
        if let Some([low, high]) = found.level_p05_ci95 {
            self.intervals += 1;
            self.held += usize::from(low <= truth && truth <= high);
            self.above += usize::from(truth > high);
        }
        let warns_at = found.warns_at;
        self.warned_low += usize::from(warns_at < truth - 1.0);
        self.warns += warns_at - truth;
    }

    pub(crate) fn print(&self, title: &str, sets: u64) {
        let count = self.all.len() as f64;
        let mean = self.all.iter().sum::<f64>() / count;
        let spread = (self.all.iter().map(|error| (error - mean).powi(2)).sum::<f64>() / count).sqrt();
        let percent = |part: usize, of: f64| 100.0 * part as f64 / of;
        let below = self.all.iter().filter(|error| **error < -1.0).count();
        let above = self.all.iter().filter(|error| **error > 1.0).count();
        println!(
            "{title:<44} {:>4} of {sets}: error {mean:+.2} +- {spread:.2} dB; under -1 dB {:>4.1} %, over 1 dB {:>4.1} %; \
             interval holds {:>5.1} %, truth above it {:>4.1} %; warns at {:+.2} dB, under -1 dB {:>4.1} %",
            self.all.len(),
            percent(below, count),
            percent(above, count),
            percent(self.held, self.intervals as f64),
            percent(self.above, self.intervals as f64),
            self.warns / count,
            percent(self.warned_low, count),
        );
    }
}

fn laws(first: u64, sets: u64) {
    println!("error of level_p05, by sessions and seconds each; out and back to 210 m");
    let usual = Law::default();
    for (name, law) in [
        ("usual", usual),
        ("steep", Law { scale_db: 0.8, ..usual }),
        ("flat", Law { scale_db: 3.0, ..usual }),
        ("strays: 1 in 500 s", Law { base: 0.002, ..usual }),
        ("sessions differ by 1.5 dB", Law { apart_db: 1.5, ..usual }),
    ] {
        for (sessions, seconds, reach_m) in [
            (1, 240, 160.0),
            (2, 240, 160.0),
            (3, 170, 165.0),
            (4, 240, 160.0),
            (3, 420, 210.0),
            (8, 420, 210.0),
        ] {
            let mut errors = Errors::default();
            let mut freezes = 0;
            for seed in first..first + sets {
                let rows = law.sessions(seed, sessions, seconds, reach_m);
                let counts: Vec<Vec<LevelCount>> = rows.iter().map(|rows| law::counts(rows)).collect();
                let series = law::series(&rows[0]);
                let Some(found) = freeze_level::estimate(&counts, (sessions == 1).then_some(&series[..]))
                else {
                    continue;
                };
                freezes += found.freezes;
                errors.take(&found, law.p05());
            }
            let each = f64::from(freezes) / errors.all.len() as f64;
            errors.print(&format!("{name}: {sessions} x {seconds} s, {each:.0} freezes"), sets);
        }
    }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let only = words.first().map(String::as_str);
    let number = |index: usize| words.get(index).and_then(|word| word.parse::<u64>().ok());
    let first = number(1).unwrap_or(10_001);
    let sets = |without: u64| number(2).unwrap_or(without);
    if only.is_none_or(|only| only == "laws") {
        laws(first, sets(1000));
    }
    if only.is_none_or(|only| only == "few") {
        few(first, sets(1000));
    }
    if only.is_none_or(|only| only == "orchard") {
        orchard::study(first, sets(200));
    }
}
