//! `live`: monitors, records, warns.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;

use crate::cli::LiveArgs;
use crate::clock::SessionClock;
use crate::session::live;
use crate::session::live::LiveConfig;
use crate::source::SourceUrl;
use crate::wording::caution::{IN_THE_PATH, INSTRUMENT, TRANSMITS};

use super::alarm_command::AlarmCommand;
use super::{earlier_sessions, screens};

/// Runs a live session until the pilot leaves, then puts it into the history.
pub(super) fn run(args: &LiveArgs) -> anyhow::Result<ExitCode> {
    let profile = super::profile(&args.common)?;
    let url = |text: &Option<String>| text.as_deref().map(str::parse::<SourceUrl>).transpose();
    let vehicle: SourceUrl = args.vehicle.parse()?;
    let tags: BTreeMap<String, String> = args.common.tags.iter().cloned().collect();
    let mut all_tags = profile.tags.clone();
    all_tags.extend(tags.clone());
    let recording = if args.no_record { None } else { Some(recording_path(args.record.as_deref())?) };
    let recorded = match &recording {
        Some(path) => format!("recording to {}", path.display()),
        None => "recording nothing".to_owned(),
    };
    let begun = format!("{INSTRUMENT}\n{}; {recorded}", does(args));
    let sources = [Some(vehicle), url(&args.handset)?, url(&args.video)?, url(&args.level)?];
    let sources_end = all_end(&sources);
    let [vehicle, handset, video, level] = sources;
    let config = LiveConfig {
        vehicle,
        handset,
        video,
        level,
        forward: url(&args.forward)?,
        timesync: args.timesync,
        request_rates_hz: args.request_rates,
        wait_for_sources: args.wait,
        recording,
        tags,
        profile: Arc::clone(&profile),
        ..LiveConfig::default()
    };
    let handle =
        live::start(config, |start| earlier_sessions::showed_live(&args.common, &profile, &all_tags, start))?;
    let alarm_command = args.on_alarm.clone();
    let alarm_command =
        alarm_command.map(|command| AlarmCommand::start(command, handle.watcher())).transpose();
    let on_screen = screens::can_show() && args.vehicle != "-";
    let shown = if on_screen {
        screens::show(&handle, &args.screen, args.for_s)
    } else {
        let until = screens::Until { for_s: args.for_s, sources_end };
        screens::wait(&handle, until, &begun)
    };
    let alarm_command = alarm_command.map(drop);
    let end = handle.finish()?;
    shown?;
    alarm_command.context("cannot watch for alarms (--on-alarm)")?;
    earlier_sessions::keep(&args.common, &profile, &end);
    for path in end.recordings.iter().filter(|_| on_screen) {
        eprintln!("recorded to {}", path.display());
    }
    if !on_screen {
        screens::print(&end.summary, args.json)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// What the session does beside recording: it listens, and says what it sends where it was asked to.
fn does(args: &LiveArgs) -> String {
    let mut parts = Vec::new();
    if args.timesync {
        parts.push(format!("transmitting TIMESYNC requests ({TRANSMITS})"));
    }
    if args.request_rates.is_some() {
        parts.push(format!("transmitting requests for faster messages ({TRANSMITS})"));
    }
    if args.forward.is_some() {
        parts.push(format!("in the path ({IN_THE_PATH})"));
    }
    if parts.is_empty() { "listening".to_owned() } else { parts.join("; ") }
}

/// Whether every source is a file or a pipe, which end for good.
fn all_end(sources: &[Option<SourceUrl>]) -> bool {
    sources.iter().flatten().all(|url| matches!(url, SourceUrl::Stdin | SourceUrl::File(_)))
}

/// A file that does not exist yet: the one that was named, else one named by the time of the start.
fn recording_path(asked: Option<&Path>) -> anyhow::Result<PathBuf> {
    let folder = match asked {
        Some(path) if path.is_dir() => path.to_owned(),
        Some(path) => return Ok(path.to_owned()),
        None => super::data_folder()?.join("recordings"),
    };
    std::fs::create_dir_all(&folder)
        .with_context(|| format!("cannot make the folder for recordings '{}'", folder.display()))?;
    Ok(live::recording_in(&folder, SessionClock::start().now()))
}
