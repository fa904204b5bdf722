//! The vehicle's channels as text.

use std::io;
use std::io::Write;

use crate::summary::StickSummary;
use crate::wording::stick_words;

use super::section;

pub(super) fn write_to(out: &mut dyn Write, rows: &[StickSummary]) -> io::Result<()> {
    section(out, "Channels, as the vehicle reports them")?;
    if rows.is_empty() {
        return writeln!(out, "  not measured: the vehicle reports no RC channels (RC_CHANNELS)");
    }
    for row in rows {
        writeln!(out, "  {:>2}  {}", row.channel, stick_words::travel(row))?;
        if let Some(answers) = stick_words::answers(row) {
            writeln!(out, "      {answers}")?;
        }
    }
    Ok(())
}
