//! `demo`: a bundled, invented session with its earlier sessions.

use std::path::Path;
use std::process::ExitCode;

use crate::cli::DemoArgs;

pub(super) fn run(args: &DemoArgs) -> anyhow::Result<ExitCode> {
    let _ = (args, Path::new(""));
    anyhow::bail!("the demo's recordings are not bundled yet")
}
