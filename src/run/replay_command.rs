//! `replay`: the same screens over a recording.

use std::process::ExitCode;
use std::sync::Arc;

use crate::capture::Recording;
use crate::cli::ReplayArgs;
use crate::session::Command;
use crate::session::replay;
use crate::session::replay::ReplayConfig;

use super::{Reading, analyse, earlier_sessions, profile_choice, screens, stream_output, tell};

/// Replays a recording on screen; without a terminal prints its summary, or what it tells as it goes.
pub(super) fn run(args: &ReplayArgs) -> anyhow::Result<ExitCode> {
    if args.stream.stream {
        stream_output::of_recording(&args.common, &args.file, args.stream.every.unwrap_or(0))?;
        return Ok(ExitCode::SUCCESS);
    }
    let chosen = profile_choice::choose(&args.common)?;
    let (word, profile) = (chosen.word(), chosen.profile);
    let recording = Recording::open(&args.file)?;
    let earlier = earlier_sessions::showed_before(&args.common, &profile, &recording)?;
    if !screens::can_show() {
        if let Some(word) = word {
            tell(format_args!("fadewatch: {word}"));
        }
        let (monitor, facts) = analyse(&recording, &profile, earlier, Reading::of_files(1), &|_| {});
        screens::print(&monitor.summary(&facts), false)?;
        return Ok(ExitCode::SUCCESS);
    }
    let handle = replay::start(ReplayConfig {
        recording: Arc::new(recording),
        profile,
        earlier,
        start_at: args.at,
        speed: args.speed,
        paused: args.paused,
    })?;
    word.map(|word| handle.send(Command::Notice(word)));
    let shown = screens::show(&handle, &args.screen, None);
    handle.finish()?;
    shown?;
    Ok(ExitCode::SUCCESS)
}
