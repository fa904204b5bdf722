//! The options of `compare`: two sides of recordings, or recordings over time.

use std::path::PathBuf;

use clap::Args;

use super::key_value;

/// `compare`.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// Two recordings; or those of the first side, with -- before those of the second; or, without --, three or more over
    /// time.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Those of the second side.
    #[arg(last = true)]
    pub after: Vec<PathBuf>,
    /// One JSON object.
    #[arg(long)]
    pub json: bool,
    /// Write a page to this file besides.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Overwrite the page if it is there.
    #[arg(long, requires = "out")]
    pub yes: bool,
    /// Profile of vehicle, handset and links (TOML), or none [default: as for live].
    #[arg(long, value_name = "FILE")]
    pub profile: Option<PathBuf>,
    /// A tag for the sessions that do not have it, such as antenna=panel; may be given several times.
    #[arg(long = "tag", value_name = "KEY=VALUE", value_parser = key_value)]
    pub tags: Vec<(String, String)>,
}
