//! The options of `profile new` and `profile check`.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{SourceArgs, seconds};

/// What to do with a profile.
#[derive(Debug, Subcommand)]
pub enum ProfileAction {
    /// Listen, or read recordings; ask which is which; write a profile with comments. Sends nothing, records nothing.
    New(NewProfileArgs),
    /// What of a profile is heard, and what is heard and not in it. Exit code 1 where something is missing.
    Check(CheckProfileArgs),
}

/// Where to hear what a profile speaks of.
#[derive(Clone, Debug, Default, Args)]
pub struct HearArgs {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub sources: SourceArgs,
    /// Read this recording instead of listening; may be given several times.
    #[arg(long, value_name = "FILE")]
    pub from: Vec<PathBuf>,
    /// Listen for so many seconds.
    #[arg(long = "for", value_name = "SECONDS", value_parser = seconds, default_value_t = 10.0)]
    pub for_s: f64,
}

/// `profile new`.
#[derive(Debug, Args)]
pub struct NewProfileArgs {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub hear: HearArgs,
    /// Write it here [default: fadewatch/profile.toml in the XDG config folder].
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Ask nothing: take what is evident, and say in comments what is not.
    #[arg(long)]
    pub yes: bool,
    /// Overwrite that file if it is there.
    #[arg(long)]
    pub overwrite: bool,
}

/// `profile check`.
#[derive(Debug, Args)]
pub struct CheckProfileArgs {
    /// The profile [default: as for live].
    pub file: Option<PathBuf>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub hear: HearArgs,
}
