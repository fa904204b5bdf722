//! `ports`: the serial ports and joysticks of this computer, who may open them, who holds them, and what to type.

use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

use crate::source::{Holders, PortFound, holders, joysticks, rights, serial_ports};
use crate::wording::port_words::{self, MayOpen};

/// How one kind is said.
type Said = fn(&PortFound, &MayOpen, &Holders) -> [String; 2];

/// Lists them; nothing is opened.
pub(super) fn run() -> anyhow::Result<ExitCode> {
    let mut out = super::out();
    let kinds: [(_, _, Said, _); 2] = [
        (serial_ports(), rights::READ_AND_WRITE, port_words::serial_port, port_words::NO_SERIAL_PORT),
        (joysticks(), rights::READ, port_words::joystick, port_words::NO_JOYSTICK),
    ];
    for (found, needs, said, none) in kinds {
        if found.is_empty() {
            writeln!(out, "{none}")?;
        }
        for port in found {
            for line in said(&port, &may_open(&port.path, needs), &holders(&port.path)) {
                writeln!(out, "{line}")?;
            }
        }
    }
    out.flush()?;
    Ok(ExitCode::SUCCESS)
}

fn may_open(path: &Path, needs: u32) -> MayOpen {
    if rights::may_open(path, needs) { Ok(()) } else { Err(rights::advice(path, needs)) }
}
