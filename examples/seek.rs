//! How long a seek in a recording takes until every figure of its instant is there.
//!
//! `cargo run --release --example seek -- FILE [PROFILE]`: goes through the recording once, as a replay does
//! beside its screens, then seeks to 40 instants spread over it and asks for the figures and a picture of each.

use std::path::Path;
use std::sync::Arc;

use fadewatch::capture::Recording;
use fadewatch::clock::SessionClock;
use fadewatch::profile::Profile;
use fadewatch::session::player::Player;
use fadewatch::snapshot::View;
use fadewatch::summary::Earlier;
use fadewatch::units::Nanos;

fn held_kb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:"))?;
    line.trim().trim_end_matches("kB").trim().parse().ok()
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn main() -> anyhow::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [file, rest @ ..] = words.as_slice() else { anyhow::bail!("usage: seek FILE [PROFILE]") };
    let profile = match rest.first() {
        Some(path) => Profile::parse(&std::fs::read_to_string(path)?)?,
        None => Profile::default(),
    };
    let clock = SessionClock::start();
    let begun = clock.now();
    let recording = Arc::new(Recording::open(Path::new(file))?);
    let mut player = Player::new(recording, Arc::new(profile), Earlier::default());
    assert!(player.advance(Nanos::MAX, usize::MAX));
    let length_s = player.position_s();
    println!(
        "{length_s:.0} s read through in {:.0} ms; {:?} kB held in all, saved states among them",
        (clock.now() - begun).millis(),
        held_kb(),
    );
    let (mut moves, mut figures) = (Vec::new(), Vec::new());
    for step in 0..40_u32 {
        let to_s = length_s * f64::from(step * 17 % 40) / 40.0;
        let before = clock.now();
        player.jump(to_s);
        assert!(player.advance(Nanos::from_secs_f64(to_s), usize::MAX));
        let there = clock.now();
        let view = View { from_s: to_s - 120.0, to_s, columns: 180 };
        std::hint::black_box(player.monitor().snapshot(view, Arc::new(player.summary())));
        moves.push((there - before).millis());
        figures.push((clock.now() - there).millis());
    }
    for (what, times) in [("to the instant", &mut moves), ("its figures and picture", &mut figures)] {
        times.sort_by(f64::total_cmp);
        println!("{what}: median {:.1} ms, longest {:.1} ms", times[times.len() / 2], times[times.len() - 1]);
    }
    Ok(())
}
