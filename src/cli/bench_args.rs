//! The options of `bench`: a guided test, or the sheet of its recordings.

use std::path::PathBuf;

use clap::Args;

use super::{Common, ScreenArgs, SourceArgs};

/// In place of a recording: the newest one.
pub const NEWEST: &str = "newest";

/// `bench`.
#[derive(Debug, Args)]
pub struct BenchArgs {
    /// The sheet of this recording, without a test; several of one test that was interrupted, in their order.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["vehicle", "handset", "video", "level", "resume"])]
    pub from: Vec<PathBuf>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub sources: SourceArgs,
    /// Go on with the test of this recording, several in their order; without a name, with
    /// the newest one.
    #[arg(long, value_name = "RECORDING", num_args = 0..=1, default_missing_value = NEWEST)]
    pub resume: Option<Vec<PathBuf>>,
    /// Where to record to, a file or a folder [default: as for live].
    #[arg(long, value_name = "PATH", conflicts_with = "from")]
    pub record: Option<PathBuf>,
    /// Send TIMESYNC requests from the start. This transmits: to your own vehicle only.
    #[arg(long, conflicts_with = "from")]
    pub timesync: bool,
    /// Ask the vehicle for faster RC and servo messages from the start, this many a second. This transmits: to your own
    /// vehicle only.
    #[arg(long, value_name = "HZ", num_args = 0..=1, default_missing_value = "25", conflicts_with = "from")]
    pub request_rates: Option<f64>,
    /// One JSON object.
    #[arg(long, conflicts_with = "markdown")]
    pub json: bool,
    /// As Markdown, to keep and to sign.
    #[arg(long)]
    pub markdown: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub screen: ScreenArgs,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}
