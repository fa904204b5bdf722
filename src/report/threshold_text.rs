//! Thresholds from earlier sessions as plain text: the level, each session's own, and whether they agree.

use std::io;
use std::io::Write;

use crate::summary::{Threshold, ThresholdSession};

use crate::wording::{limit, quantity};

/// Writes thresholds and what is behind them.
pub fn write_to(out: &mut dyn Write, rows: &[Threshold]) -> io::Result<()> {
    writeln!(out, "\nLimits, from earlier sessions with the same tags")?;
    if rows.is_empty() {
        return writeln!(
            out,
            "  not known: no earlier session of the same link and equipment in the history saw one begin"
        );
    }
    for row in rows {
        let interval =
            row.level_p05_ci95.map_or_else(String::new, |[low, high]| format!(" ({low:.1} to {high:.1})"));
        writeln!(
            out,
            "  {:<12} {} {:.1} {}{interval}; {} in {}, {}",
            row.link,
            limit::name(row.event),
            row.level_p05,
            row.unit.label(),
            limit::counted(row),
            quantity::counted(row.sessions, "session", "sessions"),
            row.method
        )?;
        if let Some(warns) = limit::warns_from(row) {
            writeln!(out, "               {warns}")?;
        }
        if row.left_out > 0 {
            writeln!(out, "               {} more left out: not the radio", row.left_out)?;
        }
        if let Some(note) = &row.note {
            writeln!(out, "               {note}")?;
        }
        if let Some(agreement) = &row.agreement {
            writeln!(out, "               {} ({})", agreement.text, quantity::by_chance(agreement.p))?;
        }
        for session in row.each.iter().filter(|_| row.sessions > 1) {
            writeln!(out, "               {}", session_line(row, session))?;
        }
    }
    Ok(())
}

fn session_line(row: &Threshold, session: &ThresholdSession) -> String {
    let start = session.start_utc.as_deref().map_or_else(|| "start unknown   ".to_owned(), quantity::date);
    let level = match (session.level_p05, session.error) {
        (Some(level), Some(error)) => format!("{level:>7.1} {} ±{error:.1}", row.unit.label()),
        (Some(level), None) => format!("{level:>7.1} {}", row.unit.label()),
        (None, _) => "none seen".to_owned(),
    };
    let outlier = if session.outlier { "  <- apart from the others" } else { "" };
    format!("{:<10}  {start}  {:>4} seen  {level}{outlier}", session.session, session.freezes)
}
