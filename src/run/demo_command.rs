//! `demo`: a bundled, invented session with its earlier sessions.
//!
//! The recordings are part of the program, made small by `build.rs`, and the history that the freeze limit
//! comes from is made in memory: nothing of the pilot's own is touched.

use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;
use flate2::read::GzDecoder;

use crate::capture::Recording;
use crate::cli::DemoArgs;
use crate::history::{Asking, History};
use crate::profile::Profile;
use crate::session::replay;
use crate::session::replay::ReplayConfig;
use crate::summary::Earlier;

use super::{Reading, analyse, earlier_sessions, screens};

const PROFILE: &str = include_str!("../../recordings/orchard-profile.toml");
const EARLIER: [(&str, &[u8]); 3] = [
    ("orchard-1.pcapng", include_bytes!(concat!(env!("OUT_DIR"), "/orchard-1.pcapng.gz"))),
    ("orchard-2.pcapng", include_bytes!(concat!(env!("OUT_DIR"), "/orchard-2.pcapng.gz"))),
    ("orchard-3.pcapng", include_bytes!(concat!(env!("OUT_DIR"), "/orchard-3.pcapng.gz"))),
];
const SHOWN: (&str, &[u8]) =
    ("orchard-4.pcapng", include_bytes!(concat!(env!("OUT_DIR"), "/orchard-4.pcapng.gz")));
/// The picture is about to freeze: seconds from the first record.
const WORTH_SEEING_S: f64 = 130.0;

/// Shows the bundled session on screen; without a terminal prints its summary.
pub(super) fn run(args: &DemoArgs) -> anyhow::Result<ExitCode> {
    let profile = Arc::new(Profile::parse(PROFILE).context("the bundled profile")?);
    let mut history = History::open(Path::new(":memory:"))?;
    let reading = Reading::of_files(1);
    for (name, packed) in EARLIER {
        let recording = Recording::read(name, GzDecoder::new(packed))?;
        let (monitor, facts) = analyse(&recording, &profile, Earlier::default(), reading, &|_| {});
        history.add(&earlier_sessions::row(
            name.to_owned(),
            &monitor.summary(&facts),
            monitor.session_evidence(),
        )?)?;
    }
    let (name, packed) = SHOWN;
    let recording = Recording::read(name, GzDecoder::new(packed))?;
    let opening = earlier_sessions::opening(&recording, &profile);
    let asking = Asking { hash: None, start_utc: opening.start_utc.as_deref() };
    let earlier = earlier_sessions::showed_in(&history, &profile, &opening.tags, Some(asking))?;
    if !screens::can_show() {
        let (monitor, facts) = analyse(&recording, &profile, earlier, reading, &|_| {});
        screens::print(&monitor.summary(&facts), args.json)?;
        return Ok(ExitCode::SUCCESS);
    }
    let handle = replay::start(ReplayConfig {
        recording: Arc::new(recording),
        profile,
        earlier,
        start_at: WORTH_SEEING_S,
        speed: 1.0,
        paused: false,
    })?;
    let shown = screens::show(&handle, &args.screen, None);
    handle.finish()?;
    shown?;
    Ok(ExitCode::SUCCESS)
}
