//! Wiring: what each command does with sources, core, history, screens and reports.

mod alarm_command;
mod analyse;
mod batch;
mod bench_command;
mod budget_command;
mod compare_command;
mod demo_command;
mod earlier_sessions;
mod explain_command;
mod export_command;
mod found_sources;
mod guided_bench;
mod history_command;
mod live_command;
mod man_command;
mod ports_command;
mod private_file;
mod profile_choice;
mod profile_command;
mod progress;
mod read_ahead;
mod recordings;
mod replay_command;
mod report_command;
mod screens;
mod service_command;
pub mod simulated_file;
mod source_urls;
mod start_command;
mod stopwatch_command;
mod stream_output;
mod summary_command;
mod tag_hint;

use std::io;
use std::io::{IsTerminal as _, Write as _};
use std::os::unix::fs::DirBuilderExt as _;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;

use clap::{CommandFactory as _, Parser as _};
use clap_complete::Shell;

use crate::cli::{Cli, Command, Common, ShellName, SimulateArgs};
use crate::profile::Profile;
use crate::report::PlainText;
use crate::simulate::{LiveTarget, Scenario};

pub use analyse::{Reading, analyse};

/// Exit code where a limit failed, or a check did.
pub const LIMIT_FAILED: u8 = 1;
/// Exit code for wrong use or unreadable input.
pub const WRONG_USE: u8 = 2;

/// Runs a command; an error is one line for a person, and exit code 2.
pub fn run(command: Command) -> anyhow::Result<ExitCode> {
    match command {
        Command::Summary(args) => summary_command::run(&args),
        Command::Live(args) => live_command::run(&args),
        Command::Replay(args) => replay_command::run(&args),
        Command::Simulate(args) => simulate(&args),
        Command::Ports => ports_command::run(),
        Command::Stopwatch(args) => stopwatch_command::run(&args),
        Command::History(args) => history_command::run(&args.action),
        Command::Bench(args) if args.from.is_empty() => guided_bench::run(&args),
        Command::Bench(args) => bench_command::run(&args),
        Command::Compare(args) => compare_command::run(&args),
        Command::Export(args) => export_command::run(&args),
        Command::Report(args) => report_command::run(&args),
        Command::Budget(args) => budget_command::run(&args),
        Command::Profile { action } => profile_command::run(&action),
        Command::Demo(args) => demo_command::run(&args),
        Command::Explain { figure } => explain_command::run(figure.as_deref()),
        Command::Service(args) => service_command::run(&args),
        Command::Completions(args) => completions(args.shell),
        Command::Man => man_command::run(),
    }
}

/// Parses the command line, runs what it asks for, and maps errors to exit codes.
pub fn start() -> ExitCode {
    let typed = Cli::parse();
    let ended = match typed.command {
        Some(command) => run(command),
        None => start_command::run(&typed.screen),
    };
    match ended {
        Ok(code) => code,
        Err(error) if is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            tell(format_args!("fadewatch: {error:#}"));
            ExitCode::from(WRONG_USE)
        }
    }
}

/// Refuses to overwrite what is there, unless that was asked for.
fn may_overwrite(path: &Path, yes: bool) -> anyhow::Result<()> {
    let is_there = path.symlink_metadata().is_ok();
    anyhow::ensure!(
        yes || !is_there,
        "'{}' is there already: name another file, or say --yes",
        path.display()
    );
    Ok(())
}

/// Makes a folder for this user alone; one that is there stays as it is.
fn make_private(folder: &Path) -> anyhow::Result<()> {
    let made = std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder);
    made.with_context(|| format!("cannot make the folder '{}'", folder.display()))
}

/// Where texts go.
fn out() -> PlainText<io::StdoutLock<'static>> {
    PlainText(io::stdout().lock())
}

/// One line for a person on standard error. Where nobody reads it any more (a terminal that was closed) it is lost, and
/// nothing else is.
fn tell(line: impl std::fmt::Display) {
    progress::Progress::clear();
    if crate::tui::is_stuck() && io::stderr().is_terminal() {
        return;
    }
    let _ = writeln!(PlainText(io::stderr()), "{line}");
}

/// Asks a question to be answered by y or n.
fn is_wanted(question: &str) -> anyhow::Result<bool> {
    write!(out(), "{question} y or n: ")?;
    out().flush()?;
    let mut answer = String::new();
    io::stdin().read_line(&mut answer).context("cannot read the answer")?;
    Ok(answer.trim().eq_ignore_ascii_case("y"))
}

/// Whether an error only says that nobody reads the output any more.
#[must_use]
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .chain()
        .filter_map(|cause| cause.downcast_ref::<io::Error>())
        .any(|cause| cause.kind() == io::ErrorKind::BrokenPipe)
}

/// The profile to use, with the command line's tags; says which, where it was not typed.
fn profile(common: &Common) -> anyhow::Result<Arc<Profile>> {
    let chosen = profile_choice::choose(common)?;
    if let Some(word) = chosen.word() {
        tell(format_args!("fadewatch: {word}"));
    }
    Ok(chosen.profile)
}

/// The folder for history and recordings.
fn data_folder() -> anyhow::Result<std::path::PathBuf> {
    let history = crate::history::History::default_path().context(
        "there is no home folder: set HOME or XDG_DATA_HOME, or name files with --history and --record",
    )?;
    history.parent().map(std::path::Path::to_owned).context("the data folder has no name")
}

fn simulate(args: &SimulateArgs) -> anyhow::Result<ExitCode> {
    let mut scenario = Scenario::load(&args.scenario)?;
    if let Some(seed) = args.seed {
        scenario.seed = seed;
    }
    if let Some(out) = &args.out {
        may_overwrite(out, args.yes)?;
        may_overwrite(&simulated_file::truth_path(out), args.yes)?;
        let truth = simulated_file::run_to_file(&scenario, out)
            .with_context(|| format!("cannot write the session to '{}'", out.display()))?;
        tell(format_args!("wrote {} and its truth {}", out.display(), truth.display()));
        return Ok(ExitCode::SUCCESS);
    }
    let target = LiveTarget {
        vehicle: args.vehicle.clone(),
        handset: args.handset.clone(),
        video: args.video.clone(),
        pty: args.pty.clone(),
        speed: Some(args.speed),
    };
    let goes_nowhere = target.vehicle.is_none()
        && target.handset.is_none()
        && target.video.is_none()
        && target.pty.is_none();
    if goes_nowhere {
        anyhow::bail!(
            "say where the session goes: --out FILE, --vehicle, --handset or --video URL, or --pty LINK"
        );
    }
    crate::simulate::run_live(&scenario, &target, &mut |line| tell(format_args!("{line}")))?;
    Ok(ExitCode::SUCCESS)
}

/// What a shell needs to complete what is typed.
fn completions(shell: ShellName) -> anyhow::Result<ExitCode> {
    let shell = match shell {
        ShellName::Bash => Shell::Bash,
        ShellName::Zsh => Shell::Zsh,
        ShellName::Fish => Shell::Fish,
    };
    // Made whole first: the generator takes a closed pipe for a fault of its own.
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut Cli::command(), "fadewatch", &mut text);
    io::stdout().write_all(&text)?;
    io::stdout().flush()?;
    Ok(ExitCode::SUCCESS)
}
