//! The options of `report`.

use std::path::PathBuf;

use clap::Args;

use super::Common;

/// `report`.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("written").args(["out", "svg"]).required(true).multiple(true)))]
pub struct ReportArgs {
    /// The recordings; all go on one page.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Write the page to this file.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Write the pictures alone into this folder, a file each, named after the recording.
    #[arg(long, value_name = "DIR")]
    pub svg: Option<PathBuf>,
    /// Overwrite files that are there.
    #[arg(long)]
    pub yes: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}
