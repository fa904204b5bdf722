//! A session on screen, or in words where the output is no terminal.

use std::io;
use std::io::{IsTerminal, Write};
use std::time::Duration;

use crate::cli::{ScreenArgs, ThemeName};
use crate::clock::SessionClock;
use crate::report;
use crate::session::SessionHandle;
use crate::summary::Summary;
use crate::tui;

/// Whether screens can be shown: both ends are a terminal.
pub(super) fn can_show() -> bool {
    io::stdout().is_terminal() && io::stdin().is_terminal()
}

/// How screens look, from what was typed and the environment.
pub(super) fn options(args: &ScreenArgs) -> tui::Options {
    let theme = match args.theme {
        ThemeName::Dark => tui::theme::ThemeName::Dark,
        ThemeName::Light => tui::theme::ThemeName::Light,
        ThemeName::Sunlight => tui::theme::ThemeName::Sunlight,
    };
    // https://no-color.org: any value but an empty one.
    let no_color = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    // The plain console of Linux: its font has no dots and few blocks.
    let is_console = std::env::var_os("TERM").is_some_and(|name| name == "linux");
    tui::Options { theme, no_color, ascii: args.ascii || is_console, mouse: !args.no_mouse }
}

/// Shows a session until the pilot leaves, or for so many seconds.
pub(super) fn show(handle: &SessionHandle, args: &ScreenArgs, for_s: Option<f64>) -> anyhow::Result<()> {
    let clock = SessionClock::start();
    let begun = clock.now();
    let is_over = || for_s.is_some_and(|seconds| (clock.now() - begun).secs() >= seconds);
    tui::run(handle, options(args), &is_over)
}

/// What ends a session without screens, beside a signal.
#[derive(Clone, Copy, Debug)]
pub(super) struct Until {
    /// So many seconds.
    pub(super) for_s: Option<f64>,
    /// The end of every source.
    pub(super) sources_end: bool,
}

/// Waits for the session's end or for a signal; says on standard error when it has begun to.
pub(super) fn wait(handle: &SessionHandle, until: Until, begun: &str) -> anyhow::Result<()> {
    const LOOK_EVERY: Duration = Duration::from_millis(50);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        use tokio::signal::unix::{SignalKind, signal};
        let mut interrupted = signal(SignalKind::interrupt())?;
        let mut terminated = signal(SignalKind::terminate())?;
        let mut hung_up = signal(SignalKind::hangup())?;
        let _ = writeln!(io::stderr(), "{begun}");
        let over = async {
            match until.for_s {
                Some(seconds) => tokio::time::sleep(Duration::from_secs_f64(seconds)).await,
                None => std::future::pending().await,
            }
        };
        let mut told = None;
        let is_over = || handle.is_finished() || (until.sources_end && have_all_ended(handle));
        let ended = async {
            while !is_over() {
                if let Some(message) = handle.feed().and_then(|feed| feed.message.clone())
                    && told.as_ref() != Some(&message)
                {
                    let _ = writeln!(io::stderr(), "fadewatch: {message}");
                    told = Some(message);
                }
                tokio::time::sleep(LOOK_EVERY).await;
            }
        };
        tokio::select! {
            () = over => {}
            () = ended => {}
            _ = interrupted.recv() => {}
            _ = terminated.recv() => {}
            _ = hung_up.recv() => {}
        }
        anyhow::Ok(())
    })
}

pub(super) fn have_all_ended(handle: &SessionHandle) -> bool {
    handle.feed().is_some_and(|feed| feed.snapshot.sources.iter().all(|source| source.down.is_some()))
}

/// Prints a summary to standard output.
pub(super) fn print(summary: &Summary, json: bool) -> anyhow::Result<()> {
    let mut out = super::out();
    if json {
        report::write_json_to(&mut out, summary)?;
    } else {
        report::session_text::write_to(&mut out, summary)?;
    }
    out.flush()?;
    Ok(())
}
