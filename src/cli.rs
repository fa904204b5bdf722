//! What was typed on the command line, before it is looked at.
//!
//! What each command's help ends with, examples and exit codes, stands in `wording/command_help`.

mod bench_args;
mod compare_args;
mod help_args;
mod profile_args;
mod report_args;
mod service_args;
mod source_args;
mod stopwatch_args;

use std::path::PathBuf;

use crate::record::text::is_printable;
use clap::builder::{PossibleValue, PossibleValuesParser};
use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::wording::explain;
use crate::wording::explain::Explanation;

pub use bench_args::{BenchArgs, NEWEST};
pub use compare_args::CompareArgs;
pub use help_args::{CompletionsArgs, ShellName};
pub use profile_args::{CheckProfileArgs, NewProfileArgs, ProfileAction};
pub use report_args::ReportArgs;
pub use service_args::{ServiceArgs, ServiceText};
pub use source_args::SourceArgs;
pub use stopwatch_args::StopwatchArgs;

/// Measures how far a self-built control handset and its video link can be relied on.
///
/// It listens to MAVLink telemetry and RTP video on a serial port, the network or in
/// a recording, and gives figures you can act on. It is an instrument, not a safety device:
/// propellers off on the bench, the vehicle in sight, local aviation and radio rules first.
#[derive(Debug, Parser)]
#[command(name = "fadewatch", version, max_term_width = 100, after_help = help_args::top())]
#[command(mut_subcommands(help_args::with_ends), args_conflicts_with_subcommands = true)]
pub struct Cli {
    /// What to do; without it, live with the default profile, or an offer of what to do.
    #[command(subcommand)]
    pub command: Option<Command>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub screen: ScreenArgs,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Monitor, record and warn, beside the handset's own software. Listens only, unless asked.
    Live(LiveArgs),
    /// The same screens over a recording, with pause, speed and seek.
    Replay(ReplayArgs),
    /// The figures of recordings, without a screen.
    Summary(SummaryArgs),
    /// A bench test, propellers off: leads through it, or gives its sheet from a recording.
    Bench(BenchArgs),
    /// What differs between recordings, at equal distance, and whether it is more than luck.
    Compare(CompareArgs),
    /// Earlier sessions: what the freeze limit comes from.
    History(HistoryArgs),
    /// A page of sessions to read, to print and to show to others: one HTML file, without network or scripts.
    Report(ReportArgs),
    /// Tables, maps and cuts of recordings, for spreadsheets, SQL and your own tools.
    Export(ExportArgs),
    /// What theory predicts for each link, from the profile alone, before the first flight.
    Budget(BudgetArgs),
    /// Make a profile from what is heard, or check one against it.
    Profile {
        /// What to do with it.
        #[command(subcommand)]
        action: ProfileAction,
    },
    /// Make a session with a known truth: to a file, to the network, or to a pseudo-terminal.
    Simulate(SimulateArgs),
    /// Look at a bundled, invented session with its earlier sessions.
    Demo(DemoArgs),
    /// List the serial ports and joysticks of this computer.
    Ports,
    /// A running time to film: the delay of the picture from lens to screen, from photographs of it.
    Stopwatch(StopwatchArgs),
    /// What a figure means, its source, and what to do; profile keys, messages, sources, recordings.
    Explain {
        /// A figure, a key of the JSON summary, or all; without it, the list of figures.
        #[arg(value_parser = figures(), hide_possible_values = true)]
        figure: Option<String>,
    },
    /// What starts it with the computer, and keeps names of devices: units for systemd, rules for udev.
    Service(ServiceArgs),
    /// What a shell needs to complete commands and options, to standard output.
    Completions(CompletionsArgs),
    /// The manual page, to standard output.
    Man,
}

/// Options that every command takes that reads telemetry.
#[derive(Clone, Debug, Default, Args)]
pub struct Common {
    /// Profile of vehicle, handset and links (TOML), or none [default: what FADEWATCH_PROFILE names, else
    /// fadewatch/profile.toml in the XDG config folder, if it is there].
    #[arg(long, value_name = "FILE")]
    pub profile: Option<PathBuf>,
    /// History of earlier sessions [default: fadewatch/history.sqlite in the XDG data folder].
    #[arg(long, value_name = "FILE")]
    pub history: Option<PathBuf>,
    /// A tag of the session, such as antenna=panel; may be given several times.
    #[arg(long = "tag", value_name = "KEY=VALUE", value_parser = key_value)]
    pub tags: Vec<(String, String)>,
}

/// A session without screens, for other programs.
#[derive(Clone, Debug, Default, Args)]
pub struct StreamArgs {
    /// Without screens: one JSON object a line as things happen (see `explain stream`).
    #[arg(long)]
    pub stream: bool,
    /// With --stream: also the figures of every so many-th second.
    #[arg(long, value_name = "SECONDS", requires = "stream", value_parser = clap::value_parser!(u32).range(1..))]
    pub every: Option<u32>,
}

/// How screens look.
#[derive(Clone, Debug, Default, Args)]
pub struct ScreenArgs {
    /// Colours of the screens; NO_COLOR in the environment turns them off.
    #[arg(long, value_enum, default_value_t)]
    pub theme: ThemeName,
    /// Draw with ASCII characters alone, for consoles whose font has no others; TERM=linux does so by itself.
    #[arg(long)]
    pub ascii: bool,
    /// Leave taps and the wheel to the terminal, so that its own selection works.
    #[arg(long)]
    pub no_mouse: bool,
}

/// The themes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum ThemeName {
    /// Light on dark.
    #[default]
    Dark,
    /// Dark on light.
    Light,
    /// For bright sunlight: few colours, bold, high contrast.
    Sunlight,
}

/// `live`.
#[derive(Debug, Default, Args)]
#[expect(clippy::struct_excessive_bools, reason = "each is a switch of its own on the command line")]
pub struct LiveArgs {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub sources: SourceArgs,
    /// Pass every byte on, both ways, to another program: fadewatch is then in the path, and a failure here cuts the
    /// link. Try it on the bench first.
    #[arg(long, value_name = "URL")]
    pub forward: Option<String>,
    /// Send TIMESYNC requests to the vehicle, to align its clock two-way. This transmits: to your own vehicle only,
    /// and on the bench first.
    #[arg(long)]
    pub timesync: bool,
    /// Ask the vehicle for faster RC and servo messages, this many a second. This transmits: to your own vehicle
    /// only, and on the bench first.
    #[arg(long, value_name = "HZ", num_args = 0..=1, default_missing_value = "25")]
    pub request_rates: Option<f64>,
    /// Where to record to, a file or a folder [default: fadewatch/recordings in the XDG data folder].
    #[arg(long, value_name = "PATH", conflicts_with = "no_record")]
    pub record: Option<PathBuf>,
    /// Record nothing.
    #[arg(long)]
    pub no_record: bool,
    /// Run this by the shell as a link's alarm begins, changes, is acknowledged or ends: a buzzer, a light. One at a
    /// time, its output discarded; in its environment FADEWATCH_LINK, FADEWATCH_STATE, FADEWATCH_SECONDS and
    /// FADEWATCH_TEXT (see `explain alarms`).
    #[arg(long, value_name = "COMMAND")]
    pub on_alarm: Option<String>,
    /// Wait for sources that are not there yet (ports, interfaces, addresses) instead of giving up.
    #[arg(long)]
    pub wait: bool,
    /// End after this many seconds.
    #[arg(long = "for", value_name = "SECONDS", value_parser = seconds, allow_negative_numbers = true)]
    pub for_s: Option<f64>,
    /// Without a terminal: print the summary as JSON.
    #[arg(long, conflicts_with = "stream")]
    pub json: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub stream: StreamArgs,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub screen: ScreenArgs,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// `replay`.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// The recording.
    pub file: PathBuf,
    /// Playback speed: recorded seconds in one second, 0.25 to 64.
    #[arg(long, default_value_t = 1.0, value_parser = speed, conflicts_with = "stream")]
    pub speed: f64,
    /// Begin here, seconds from the first record.
    #[arg(
        long, value_name = "SECONDS", default_value_t = 0.0, value_parser = seconds, allow_negative_numbers = true,
        conflicts_with = "stream"
    )]
    pub at: f64,
    /// Begin with the clock stopped.
    #[arg(long, conflicts_with = "stream")]
    pub paused: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub stream: StreamArgs,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub screen: ScreenArgs,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// `summary`.
#[derive(Debug, Args)]
pub struct SummaryArgs {
    /// The recordings; - reads standard input.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// One JSON object a line for each file.
    #[arg(long)]
    pub json: bool,
    /// Also write the histograms of one recording (spacings, lateness, round trips, latency) to this file, in the open
    /// log format of HdrHistogram.
    #[arg(long, value_name = "FILE")]
    pub histograms: Option<PathBuf>,
    /// Overwrite that file if it is there.
    #[arg(long)]
    pub yes: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// `history`.
#[derive(Debug, Args)]
pub struct HistoryArgs {
    /// What to do with it.
    #[command(subcommand)]
    pub action: HistoryAction,
}

/// What to do with the history.
#[derive(Debug, Subcommand)]
pub enum HistoryAction {
    /// Add recordings; adding one again changes nothing.
    Add {
        /// The recordings.
        #[arg(required = true)]
        files: Vec<PathBuf>,
        #[command(flatten)]
        #[allow(missing_docs)]
        common: Common,
    },
    /// List the sessions; with --tag or --profile those that have all of its tags.
    List {
        /// One JSON object a line for each session.
        #[arg(long)]
        json: bool,
        #[command(flatten)]
        #[allow(missing_docs)]
        common: Common,
    },
    /// Show a session's summary, by the first characters of its hash, or of all that have the tags of --tag or --profile.
    Show {
        /// The hash, or its first characters.
        hash: Option<String>,
        /// One JSON object a line for each session.
        #[arg(long)]
        json: bool,
        #[command(flatten)]
        #[allow(missing_docs)]
        common: Common,
    },
    /// Forget one session; its recording stays.
    Remove {
        /// The hash, or its first characters.
        hash: String,
        #[command(flatten)]
        #[allow(missing_docs)]
        common: Common,
    },
    /// Make the history again from the recordings in a folder.
    Rebuild {
        /// The folder.
        dir: PathBuf,
        /// Change nothing: compare, and exit with 1 where the history does not say what the recordings say.
        #[arg(long)]
        check: bool,
        /// Also forget sessions that have no recording in the folder.
        #[arg(long, conflicts_with = "check")]
        yes: bool,
        #[command(flatten)]
        #[allow(missing_docs)]
        common: Common,
    },
    /// The limit of each link of the profile, each session's own, and whether they agree.
    Threshold {
        /// Only sessions with this tag, such as antenna=panel; may be given several times.
        #[arg(long, value_name = "KEY=VALUE", value_parser = key_value)]
        like: Vec<(String, String)>,
        /// One JSON object a line for each link.
        #[arg(long)]
        json: bool,
        #[command(flatten)]
        #[allow(missing_docs)]
        common: Common,
    },
}

/// `export`.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("where").args(["out", "sqlite"]).required(true).multiple(true)))]
pub struct ExportArgs {
    /// The recordings.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Write a folder for each recording into this one: tables as CSV, its way as GeoJSON and GPX.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Tables as one JSON object a line instead of CSV.
    #[arg(long, requires = "out")]
    pub ndjson: bool,
    /// Tables as Parquet instead of CSV.
    #[cfg(feature = "parquet")]
    #[arg(long, requires = "out", conflicts_with = "ndjson")]
    pub parquet: bool,
    /// Add the tables to this SQLite database; a recording that is in it already changes nothing.
    #[arg(long, value_name = "FILE")]
    pub sqlite: Option<PathBuf>,
    /// Instead of tables: the records between two instants, in seconds from the first, as a capture of its own.
    #[arg(long, value_name = "FROM..TO", value_parser = span, requires = "out", conflicts_with_all = ["sqlite", "ndjson"])]
    pub cut: Option<(f64, f64)>,
    /// Overwrite files that are there.
    #[arg(long)]
    pub yes: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// `budget`.
#[derive(Debug, Args)]
pub struct BudgetArgs {
    /// Profile with a budget table in its links (TOML) [default: as for live].
    #[arg(long, value_name = "FILE")]
    pub profile: Option<PathBuf>,
    /// One JSON object.
    #[arg(long)]
    pub json: bool,
}

/// `simulate`.
#[derive(Debug, Args)]
pub struct SimulateArgs {
    /// The scenario (TOML).
    pub scenario: PathBuf,
    /// Write the session here (pcapng), and its truth beside it (.truth.json).
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Overwrite those files if they are there.
    #[arg(long)]
    pub yes: bool,
    /// Send the vehicle's telemetry here in real time (udp://host:port). It is invented: never send it where a real
    /// vehicle or its handset listens.
    #[arg(long, value_name = "URL")]
    pub vehicle: Option<String>,
    /// Send the handset's stick messages here in real time; never to a real vehicle.
    #[arg(long, value_name = "URL")]
    pub handset: Option<String>,
    /// Send the video here in real time.
    #[arg(long, value_name = "URL")]
    pub video: Option<String>,
    /// Offer the vehicle's telemetry on a pseudo-terminal, reachable under this name.
    #[arg(long, value_name = "LINK", conflicts_with = "vehicle")]
    pub pty: Option<PathBuf>,
    /// Speed: scenario seconds in one second, where it is sent in real time.
    #[arg(long, default_value_t = 1.0)]
    pub speed: f64,
    /// Another seed than the scenario's.
    #[arg(long)]
    pub seed: Option<u64>,
}

/// `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Without a terminal: print the summary as JSON.
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub screen: ScreenArgs,
}

/// What can be explained: names, and every JSON key as another name.
fn figures() -> PossibleValuesParser {
    let keys = |one: &Explanation| PossibleValue::new(one.name).aliases(one.keys().map(|(_, key)| key));
    PossibleValuesParser::new(explain::ALL.iter().map(keys).chain(["all", "notices"].map(PossibleValue::new)))
}

pub(crate) fn key_value(text: &str) -> Result<(String, String), String> {
    match text.split_once('=') {
        Some(_) if !text.chars().all(is_printable) => {
            Err("it holds characters that cannot be shown".to_owned())
        }
        Some((key, value)) if !key.is_empty() && !value.is_empty() => Ok((key.to_owned(), value.to_owned())),
        _ => Err("give it as key=value, such as antenna=panel".to_owned()),
    }
}

fn seconds(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(seconds) if seconds.is_finite() && seconds >= 0.0 => Ok(seconds),
        _ => Err("give seconds, 0 or more".to_owned()),
    }
}

fn span(text: &str) -> Result<(f64, f64), String> {
    let ends = text.split_once("..").map(|(from, to)| (seconds(from), seconds(to)));
    match ends {
        Some((Ok(from_s), Ok(to_s))) if from_s < to_s => Ok((from_s, to_s)),
        _ => Err("give two instants in seconds, the earlier first, such as 60..90".to_owned()),
    }
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (0.25..=64.0).contains(&speed) => Ok(speed),
        _ => Err("give a number from 0.25 to 64".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use crate::cli::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn tags_are_key_and_value() {
        assert_eq!(key_value("antenna=panel"), Ok(("antenna".to_owned(), "panel".to_owned())));
        assert!(key_value("antenna").is_err());
        assert!(key_value("=panel").is_err());
    }
}
