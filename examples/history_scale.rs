//! What a history of a thousand sessions costs: opening it, and the thresholds from all of it.
//!
//! `cargo run --release --example history_scale` makes one of invented 10-minute sessions in a temporary
//! folder, prints medians of 9 runs, and removes it. Start-up of `live` waits for the second row.
#![expect(clippy::print_stdout, reason = "a study prints its findings")]
#![expect(clippy::unwrap_used, reason = "a study that cannot go on stops")]

use std::path::Path;

use fadewatch::clock::SessionClock;
use fadewatch::history::{Asking, Choice, History, SessionRow};
use fadewatch::judge::margin::{EvidenceSecond, FreezeEvidence};
use fadewatch::profile::Profile;
use fadewatch::units::LevelUnit;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const SESSIONS: u64 = 1000;
const SECONDS: u32 = 600;
const RUNS: usize = 9;
const LINKS: [&str; 3] = ["video", "telemetry", "control"];

fn session(number: u64) -> SessionRow {
    let mut random = ChaCha8Rng::seed_from_u64(number);
    let evidence = LINKS.iter().zip(["rtp", "sequence", "holds"]).map(|(link, source)| {
        let seconds = (1..=SECONDS).map(|second| {
            let level = (-120.0 + 0.5 * f64::from(random.random_range(60_u32..140))) as f32;
            let chance = 1.0 / (1.0 + (0.6 * (f64::from(level) + 86.0)).exp());
            let freeze_began = random.random::<f64>() < chance;
            EvidenceSecond { second, level, distance_m: Some(second as f32), freeze_began }
        });
        FreezeEvidence {
            link: (*link).to_owned(),
            unit: LevelUnit::Dbm,
            source: source.to_owned(),
            seconds: seconds.collect(),
            left_out: 0,
        }
    });
    SessionRow {
        hash: format!("{number:064x}"),
        file: format!("session-{number}.pcapng"),
        start_utc: Some(format!(
            "20{:02}-0{}-{:02}T09:00:00Z",
            number / 243,
            1 + number / 27 % 9,
            1 + number % 27
        )),
        tags: [("antenna".to_owned(), "panel".to_owned())].into(),
        summary: "{}".repeat(4000),
        evidence: evidence.collect(),
        vibration: (0..80).map(|level| (level as f32 / 2.0, 7)).collect(),
    }
}

/// Median of some runs in milliseconds.
fn median_ms(mut run: impl FnMut()) -> f64 {
    let clock = SessionClock::start();
    let mut times: Vec<f64> = (0..RUNS)
        .map(|_| {
            let before = clock.now();
            run();
            (clock.now() - before).secs() * 1000.0
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[RUNS / 2]
}

fn main() {
    let folder = std::env::temp_dir().join(format!("fadewatch-history-scale-{}", std::process::id()));
    let path = folder.join("history.sqlite");
    let link = |name: &&str| {
        format!(
            "[[link]]\nname = \"{name}\"\nrole = \"{name}\"\nlevel = {{ slope_db = 0.5, offset_dbm = -120.0 }}\n"
        )
    };
    let links = LINKS.iter().map(link).collect::<Vec<_>>().concat();
    let profile = Profile::parse(&links).unwrap();
    let rows: Vec<SessionRow> = (0..SESSIONS).map(session).collect();
    History::open(&path).unwrap().replace_all(&rows).unwrap();
    let size = std::fs::metadata(&path).unwrap().len() / 1_000_000;
    println!("{SESSIONS} sessions of {SECONDS} s, {} links, {size} MB", LINKS.len());
    study(&path, &profile);
    std::fs::remove_dir_all(&folder).unwrap();
}

fn study(path: &Path, profile: &Profile) {
    let asking = Asking { hash: None, start_utc: Some("2099-01-01T00:00:00Z") };
    let choice = Choice { earlier_than: Some(asking), ..Choice::default() };
    let open = median_ms(|| drop(History::open(path).unwrap()));
    let history = History::open(path).unwrap();
    let tags = [("antenna".to_owned(), "panel".to_owned())].into();
    let all = median_ms(|| {
        let history = History::open(path).unwrap();
        drop(history.earlier(profile, &choice).unwrap());
        assert_eq!(history.dated_later(&tags, "2099-01-01T00:00:00Z").unwrap(), 0);
    });
    let video = Profile { link: profile.link[..1].to_vec(), ..profile.clone() };
    let one = median_ms(|| drop(history.earlier(&video, &choice).unwrap()));
    println!("open and check the file       {open:>7.1} ms");
    println!("all that a start-up asks      {all:>7.1} ms");
    println!("of one link, and vibration     {one:>7.1} ms");
}
