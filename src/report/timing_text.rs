//! How regularly things come, in the text report: pictures, round trips, and each sender's lateness.
//!
//! The spacing of every kind of message is in the JSON alone: there are too many to read.

use std::io::{self, Write};

use crate::summary::{TimingSummary, TimingWhat};
use crate::wording::regularity;

/// Nothing where nothing is timed.
pub(super) fn write_to(out: &mut dyn Write, timing: &[TimingSummary]) -> io::Result<()> {
    let rows: Vec<_> = timing.iter().filter(|row| row.what != TimingWhat::Message).collect();
    if rows.is_empty() {
        return Ok(());
    }
    writeln!(out, "\nTiming")?;
    for row in rows {
        writeln!(out, "  {:<30} {}", regularity::name(row), regularity::parts(row).join(", "))?;
    }
    Ok(())
}
