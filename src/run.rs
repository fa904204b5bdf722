//! Wiring: what each command does with sources, core, history, screens and reports.

mod analyse;
mod summary;

use std::io;
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;

use crate::cli::{Command, Common};
use crate::profile::Profile;

/// Exit code for wrong use or unreadable input.
pub const WRONG_USE: u8 = 2;

/// Runs a command; an error is one line for a person, and exit code 2.
pub fn run(command: Command) -> anyhow::Result<ExitCode> {
    match command {
        Command::Summary(args) => summary::run(&args),
        _ => anyhow::bail!("not wired yet"),
    }
}

/// Whether an error only says that nobody reads the output any more.
#[must_use]
pub fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .chain()
        .filter_map(|cause| cause.downcast_ref::<io::Error>())
        .any(|cause| cause.kind() == io::ErrorKind::BrokenPipe)
}

/// The profile that was named, with the command line's tags; an empty one where none was.
fn profile(common: &Common) -> anyhow::Result<Arc<Profile>> {
    let mut profile = match &common.profile {
        Some(path) => {
            let text = std::fs::read_to_string(path)
                .with_context(|| format!("cannot read the profile '{}'", path.display()))?;
            Profile::parse(&text).with_context(|| format!("profile '{}'", path.display()))?
        }
        None => Profile::default(),
    };
    profile.tags.extend(common.tags.iter().cloned());
    Ok(Arc::new(profile))
}
