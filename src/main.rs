//! The command line's way in.

use std::process::ExitCode;

fn main() -> ExitCode {
    fadewatch::start()
}
