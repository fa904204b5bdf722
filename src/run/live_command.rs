//! `live`: monitors, records, warns.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;

use crate::cli::LiveArgs;
use crate::report;
use crate::session::live;
use crate::session::live::LiveConfig;
use crate::session::{Command, Missing, SessionEnd};
use crate::tui;
use crate::wording::caution::{IN_THE_PATH, INSTRUMENT, TRANSMITS};
use crate::wording::quantity;

use super::alarm_command::AlarmCommand;
use super::source_urls::SourceUrls;
use super::stream_output::StreamOutput;
use super::{earlier_sessions, profile_choice, screens, tell};

/// Runs a live session until the pilot leaves, then puts it into the history.
pub(super) fn run(args: &LiveArgs) -> anyhow::Result<ExitCode> {
    let chosen = profile_choice::choose(&args.common)?;
    let profile = Arc::clone(&chosen.profile);
    let sources = SourceUrls::new(&args.sources, args.forward.as_deref(), &profile.sources)?;
    let recording = if args.no_record { None } else { Some(recording_path(args.record.as_deref())?) };
    let (stream, told) = StreamOutput::start(&args.stream)?.unzip();
    let config = LiveConfig {
        timesync: args.timesync,
        request_rates_hz: args.request_rates,
        wait_for_sources: args.wait,
        recording,
        tags: args.common.tags.iter().cloned().collect(),
        profile: Arc::clone(&profile),
        told,
        ..sources.session()
    };
    let known = |start| earlier_sessions::showed_live(&args.common, &profile, &profile.tags, start);
    let handle = sources.blamed(live::start(config, known), chosen.path.as_deref())?;
    let recorded = match handle.recording() {
        Some(path) => format!("recording to {}", path.display()),
        None => "recording nothing".to_owned(),
    };
    let word = chosen.word();
    let said = word.as_ref().map_or_else(String::new, |word| format!("; {word}"));
    let begun = format!("{INSTRUMENT}\n{}; {recorded}{said}", does(args, &sources));
    let alarm_command = args.on_alarm.clone();
    let alarm_command =
        alarm_command.map(|command| AlarmCommand::start(command, handle.watcher())).transpose();
    let on_screen = screens::can_show() && !sources.take_input() && stream.is_none();
    let shown = if on_screen {
        word.map(|word| handle.send(Command::Notice(word)));
        screens::show(&handle, &args.screen, args.for_s)
    } else {
        let until = screens::Until { for_s: args.for_s, sources_end: sources.all_end() };
        screens::wait(&handle, until, &begun)
    };
    let alarm_command = alarm_command.map(drop);
    let end = handle.finish()?;
    // Whatever became of the terminal, the session is kept.
    let history = earlier_sessions::keep(&args.common, &profile, &end);
    shown?;
    alarm_command.context("cannot watch for alarms (--on-alarm)")?;
    if on_screen && !tui::is_stuck() {
        leave(&mut super::out(), &end, history.as_deref())?;
    } else if let Some(stream) = stream {
        stream.end();
    } else if !on_screen {
        screens::print(&end.summary, args.json)?;
    }
    Ok(told_missing(end.missing.as_ref()).unwrap_or(ExitCode::SUCCESS))
}

/// Says what a recording lacks; the exit code then.
pub(super) fn told_missing(missing: Option<&Missing>) -> Option<ExitCode> {
    tell(format_args!("fadewatch: the recording is not whole: {}", lacks(missing?)));
    Some(ExitCode::from(super::LIMIT_FAILED))
}

fn lacks(missing: &Missing) -> String {
    let error = missing.error.as_ref().map_or_else(String::new, |error| format!(" ({error})"));
    let written = format!("{} could not be written{error}", quantity::bytes(missing.bytes));
    let taken = "one of its files was deleted, moved or cut while it was written".to_owned();
    let parts = [(missing.bytes > 0).then_some(written), missing.was_taken.then_some(taken)];
    parts.into_iter().flatten().collect::<Vec<_>>().join("; ")
}

/// The last words: how it went, where it is recorded, and what the history holds now.
fn leave(out: &mut dyn Write, end: &SessionEnd, history: Option<&str>) -> anyhow::Result<()> {
    report::session_text::session(out, &end.summary)?;
    for path in &end.recordings {
        writeln!(out, "recorded to {}", path.display())?;
    }
    if let Some(history) = history {
        writeln!(out, "{history}")?;
    }
    writeln!(out, "{INSTRUMENT}")?;
    Ok(())
}

/// What the session does beside recording: it listens, and says what it sends where it was asked to.
fn does(args: &LiveArgs, sources: &SourceUrls) -> String {
    let mut parts = Vec::new();
    if args.timesync {
        parts.push(format!("transmitting TIMESYNC requests ({TRANSMITS})"));
    }
    if args.request_rates.is_some() {
        parts.push(format!("transmitting requests for faster messages ({TRANSMITS})"));
    }
    if sources.forward.is_some() {
        parts.push(format!("in the path ({IN_THE_PATH})"));
    }
    if parts.is_empty() { "listening".to_owned() } else { parts.join("; ") }
}

/// The file that was named, or the folder for one.
pub(super) fn recording_path(asked: Option<&Path>) -> anyhow::Result<PathBuf> {
    if let Some(path) = asked {
        return Ok(path.to_owned());
    }
    let folder = super::data_folder()?.join("recordings");
    super::make_private(&folder)?;
    Ok(folder)
}

#[cfg(test)]
mod tests {
    use crate::monitor::SessionEvidence;
    use crate::run::live_command::*;
    use crate::summary::{SessionVerdict, SessionWord, Summary};

    #[test]
    fn the_last_words_say_how_it_went_where_it_is_and_what_the_history_holds() {
        let verdict = |about: &str, said: &str| SessionVerdict {
            about: about.to_owned(),
            word: SessionWord::Failed,
            written: Some(said.to_owned()),
            ..SessionVerdict::default()
        };
        let session_verdicts = vec![
            verdict("session", "video failed; control worked"),
            verdict("video", "video failed once, for 0.8 s"),
            verdict("control", "control worked for 3 min in 1 trip"),
        ];
        let end = SessionEnd {
            summary: Summary { session_verdicts, ..Summary::default() },
            recordings: vec![PathBuf::from("flights/one.pcapng")],
            missing: None,
            evidence: SessionEvidence::default(),
            heard: None,
        };
        let mut out = Vec::new();
        leave(&mut out, &end, Some("the history holds 3 sessions, 2 with this equipment")).unwrap();
        let text = String::from_utf8(out).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "  failed      video failed; control worked");
        assert_eq!(lines[1], "  failed      video failed once, for 0.8 s");
        let rest = ["recorded to flights/one.pcapng", "the history holds 3 sessions, 2 with this equipment"];
        assert_eq!(lines[lines.len() - 3..lines.len() - 1], rest);
        assert_eq!(lines[lines.len() - 1], INSTRUMENT);
    }
}
