//! A long live session at speed: what the core and the recorder's encoder take of memory and time.
//!
//! `cargo run --release --example long_session [-- HOURS]` (24 by default): a usual flight over and over
//! (85 messages, 50 stick messages and 240 video packets a second), the figures and a hundred pictures every
//! quarter of an hour; each hour's line is what the process holds then.

#[path = "../benches/generated/mod.rs"]
mod generated;

use std::sync::Arc;

use fadewatch::capture::PcapngWriter;
use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::snapshot::View;

/// Pictures of one state, so that a clock of 10 ms can time them.
const PICTURES: u32 = 100;

/// Anonymous memory held now, in kB; `None` where the system does not tell.
fn held_kb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:"))?;
    line.trim().trim_end_matches("kB").trim().parse().ok()
}

/// Processor time used so far, in seconds, in steps of 10 ms.
fn used_s() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let fields: Vec<&str> = stat.rsplit(')').next()?.split_whitespace().collect();
    let ticks = fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?;
    Some(ticks / 100.0)
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn main() -> anyhow::Result<()> {
    let hours: u64 = std::env::args().nth(1).and_then(|word| word.parse().ok()).unwrap_or(24);
    let profile = Arc::new(Profile::parse(generated::PROFILE)?);
    let mut monitor = LinkMonitor::new(profile, Arc::default());
    let mut writer = PcapngWriter::new(std::io::sink());
    for entry in generated::opening() {
        monitor.handle(&entry);
        writer.write(&entry)?;
    }
    let mut flight = generated::Flight::new(generated::USUAL);
    let mut records = 0_u64;
    println!("hour   memory kB   records/s of processor time   figures, ms   picture after, ms");
    for hour in 1..=hours {
        let (before, count_before) = (used_s().unwrap_or(0.0), records);
        let (mut figures_s, mut pictures_s, mut asked) = (0.0, 0.0, 0.0);
        for second in 0..3600_u64 {
            for _ in 0..1000 {
                generated::records(&mut flight, &mut |entry| {
                    records += 1;
                    monitor.handle(entry);
                    let _ = writer.write(entry);
                });
            }
            if second % 900 == 899 {
                let from = used_s().unwrap_or(0.0);
                // On a thread of its own, as a session does.
                let parts = monitor.latency_parts();
                let latency = std::thread::spawn(move || parts.summary()).join();
                let latency = latency.map_err(|_| anyhow::anyhow!("the estimate failed"))?;
                let summary = Arc::new(monitor.summary_with(&RecordingFacts::default(), latency));
                let now_s = monitor.now_s();
                let view = View { from_s: now_s - 120.0, to_s: now_s, columns: 180 };
                let mut picture = monitor.snapshot(view, summary);
                let first = used_s().unwrap_or(0.0);
                for _ in 0..PICTURES {
                    picture = monitor.snapshot_after(view, &picture);
                }
                figures_s += first - from;
                pictures_s += (used_s().unwrap_or(0.0) - first) / f64::from(PICTURES);
                asked += 1.0;
            }
        }
        let used = used_s().unwrap_or(0.0) - before - figures_s - f64::from(PICTURES) * pictures_s;
        println!(
            "{hour:>4} {:>11} {:>29.0} {:>13.1} {:>13.2}",
            held_kb().map_or_else(|| "-".to_owned(), |kb| kb.to_string()),
            (records - count_before) as f64 / used.max(0.01),
            1e3 * figures_s / asked,
            1e3 * pictures_s / asked,
        );
    }
    Ok(())
}
