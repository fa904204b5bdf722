//! The bundled earlier sessions with other seeds, through simulator and core.

use std::path::Path;
use std::sync::Arc;

use fadewatch::judge::freeze_level;
use fadewatch::judge::freeze_level::{Estimate, LevelCount};
use fadewatch::monitor::LinkMonitor;
use fadewatch::profile::Profile;
use fadewatch::simulate;
use fadewatch::simulate::Scenario;
use fadewatch::summary::Earlier;
use serde_json::Value;

use crate::{Errors, law};

const PROFILE: &str = include_str!("../../recordings/orchard-profile.toml");
const SESSIONS: [&str; 3] = [
    include_str!("../../recordings/orchard-1.toml"),
    include_str!("../../recordings/orchard-2.toml"),
    include_str!("../../recordings/orchard-3.toml"),
];

/// What one set shows: by the core, and by the simulator's own levels and freezes.
struct Set {
    truth: f64,
    core: Option<Estimate>,
    simulator: Option<Estimate>,
}

fn set(seed: u64) -> Set {
    let profile = Arc::new(Profile::parse(PROFILE).unwrap());
    let (mut core, mut simulator, mut truth) = (Vec::new(), Vec::new(), f64::NAN);
    for (number, text) in SESSIONS.iter().enumerate() {
        let mut scenario = Scenario::parse(text, Path::new("orchard.toml")).unwrap();
        scenario.seed = 3 * seed + number as u64;
        let simulated = simulate::run(&scenario);
        truth = simulated.truth["freeze_threshold"]["level_p05"].as_f64().unwrap();
        let mut monitor = LinkMonitor::with_earlier(Arc::clone(&profile), Earlier::default());
        for entry in simulated.entries() {
            monitor.handle(&entry);
        }
        let evidence = monitor.freeze_evidence();
        let video = evidence.iter().find(|evidence| evidence.link == "video").unwrap();
        let rows = video.seconds.iter().map(|row| (f64::from(row.level), row.freeze_began));
        core.push(law::counts(&rows.collect::<Vec<_>>()));
        let last = video.seconds.last().map_or(0, |row| row.second as usize);
        simulator.push(true_counts(&simulated.truth, &simulated.video_levels[..=last]));
    }
    Set {
        truth,
        core: freeze_level::estimate(&core, None),
        simulator: freeze_level::estimate(&simulator, None),
    }
}

/// Seconds that were not frozen, by the simulator's levels and freezes.
fn true_counts(truth: &Value, levels: &[f64]) -> Vec<LevelCount> {
    let freezes = truth["video"]["freeze_list"].as_array().unwrap();
    let spans: Vec<[f64; 2]> = freezes
        .iter()
        .map(|row| {
            let start_s = row["start_s"].as_f64().unwrap();
            [start_s, start_s + row["duration_s"].as_f64().unwrap()]
        })
        .collect();
    let rows = levels.iter().enumerate().skip(1).filter_map(|(second, level)| {
        let at_s = second as f64;
        let frozen = spans.iter().any(|span| span[0] <= at_s && at_s < span[1]);
        let begins = spans.iter().any(|span| at_s < span[0] && span[0] <= at_s + 1.0);
        (!frozen).then_some(((level * 10.0).round() / 10.0, begins))
    });
    law::counts(&rows.collect::<Vec<_>>())
}

pub(crate) fn study(first: u64, sets: u64) {
    let half = |parity: u64| (first..first + sets).filter(move |seed| seed % 2 == parity).map(set);
    let all: Vec<Set> = std::thread::scope(|scope| {
        let odd = scope.spawn(move || half(1).collect::<Vec<Set>>());
        let mut all: Vec<Set> = half(0).collect();
        all.extend(odd.join().unwrap());
        all
    });
    let (mut core, mut simulator, mut apart) = (Errors::default(), Errors::default(), Vec::new());
    for set in &all {
        if let Some(found) = &set.core {
            core.take(found, set.truth);
        }
        if let Some(found) = &set.simulator {
            simulator.take(found, set.truth);
        }
        apart.extend(set.core.as_ref().zip(set.simulator.as_ref()).map(|(a, b)| a.level_p05 - b.level_p05));
    }
    core.print("orchard, by the core", sets);
    simulator.print("orchard, by the simulator's own levels", sets);
    println!("core less simulator: {:+.2} dB", apart.iter().sum::<f64>() / apart.len() as f64);
}
