//! `explain`: what a figure means, its source, and what to do; and whose work the program contains.

use std::io;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use flate2::read::GzDecoder;

use crate::tui::widget::pen;
use crate::wording::command_help;
use crate::wording::explain;
use crate::wording::explain::Explanation;

/// Columns without a terminal, and at most on one: longer lines read badly.
const COLUMNS: u16 = 100;
/// Columns of the names in the list.
const NAMES: usize = 16;
/// The notices of the crates that are linked in, made by the example `notices` and small by `build.rs`.
const NOTICES: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/notices.txt.gz"));

/// Prints the explanation that was asked for; without a name, the list of all.
pub(super) fn run(figure: Option<&str>) -> anyhow::Result<ExitCode> {
    let columns = match crossterm::terminal::size() {
        Ok((columns, _)) if io::stdout().is_terminal() => columns.clamp(40, COLUMNS),
        _ => COLUMNS,
    };
    let mut out = super::out();
    let asked: Vec<&Explanation> = match figure {
        None => {
            list(&mut out, columns)?;
            return Ok(ExitCode::SUCCESS);
        }
        Some("notices") => {
            io::copy(&mut GzDecoder::new(NOTICES), &mut out)?;
            return Ok(ExitCode::SUCCESS);
        }
        Some("all") => explain::ALL.iter().collect(),
        Some(figure) => explain::find(figure),
    };
    for (index, one) in asked.into_iter().enumerate() {
        if index > 0 {
            writeln!(out, "\n{}\n", "-".repeat(usize::from(columns)))?;
        }
        let more = if one.name == "commands" { command_help::lines() } else { Vec::new() };
        let lines = one.lines(true).map(str::to_owned).chain(more);
        for line in lines.flat_map(|line| explain::wrapped(&line, columns, pen::wrapped)) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn list(out: &mut impl Write, columns: u16) -> io::Result<()> {
    for one in explain::ALL {
        let lines = pen::wrapped(one.meaning(), columns.saturating_sub(NAMES as u16));
        for (index, line) in lines.iter().enumerate() {
            writeln!(out, "{:NAMES$}{line}", if index == 0 { one.name } else { "" })?;
        }
    }
    writeln!(
        out,
        "\nfadewatch explain NAME explains one, explain KEY that of a JSON key, explain all everything.\n\
         fadewatch explain notices names what others wrote in this program, and the licences."
    )
}
