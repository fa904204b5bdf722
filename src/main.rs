//! The command line's way in: parse, run, map errors to exit codes.

use std::process::ExitCode;

use clap::Parser;
use fadewatch::cli::Cli;
use fadewatch::run;

fn main() -> ExitCode {
    let cli = Cli::parse();
    match run::run(cli.command) {
        Ok(code) => code,
        Err(error) if run::is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("fadewatch: {error:#}");
            ExitCode::from(run::WRONG_USE)
        }
    }
}
