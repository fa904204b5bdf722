//! Sessions held against each other, as text: the sentence, the tags that differ, every figure, every session.

use std::io;
use std::io::Write;

use crate::summary::{ComparedLinkRow, ComparedSessionRow, Comparison};
use crate::wording::comparison_words as words;
use crate::wording::quantity;

use super::{metres, section, with_unit};

/// Writes all of it.
pub fn write_to(out: &mut dyn Write, comparison: &Comparison) -> io::Result<()> {
    writeln!(out, "{}", words::sentence(comparison))?;
    for change in &comparison.changed_tags {
        writeln!(out, "  {}", words::tag_change(change))?;
    }
    for caution in &comparison.cautions {
        writeln!(out, "  note: {caution}")?;
    }
    if !comparison.figures.is_empty() {
        figures(out, comparison)?;
    }
    sessions(out, &comparison.sessions)
}

fn figures(out: &mut dyn Write, comparison: &Comparison) -> io::Result<()> {
    section(out, &words::figures_head(comparison))?;
    let [figure, before, after, difference, verdict] = words::COLUMNS;
    writeln!(out, "  {figure:<24} {before:>13} {after:>13}  {difference:<26} {verdict}")?;
    for row in &comparison.figures {
        writeln!(
            out,
            "  {:<24} {:>13} {:>13}  {:<26} {}",
            words::name(row),
            words::side(row, row.value_before),
            words::side(row, row.value_after),
            words::difference(row),
            words::word(row)
        )?;
    }
    if comparison.figures.iter().any(|row| row.tells_from.is_some()) {
        writeln!(out, "  {}", words::BRACKETS)?;
    }
    Ok(())
}

fn sessions(out: &mut dyn Write, rows: &[ComparedSessionRow]) -> io::Result<()> {
    section(out, words::SESSIONS)?;
    for row in rows {
        writeln!(out, "  {:<24} {}", row.session, session_line(row))?;
        for link in &row.link_rows {
            writeln!(out, "    {:<22} {}", link.link_name, link_line(link))?;
        }
    }
    Ok(())
}

/// A session without its name.
pub(super) fn session_line(row: &ComparedSessionRow) -> String {
    let began = row.began_utc.as_deref().map_or_else(|| "time unknown".to_owned(), quantity::date);
    let side = row.side.map_or_else(String::new, |side| format!("{side}; "));
    let tags: Vec<String> = row.session_tags.iter().map(|(key, value)| format!("{key}={value}")).collect();
    format!(
        "{began}  {side}farthest {}; stick to servo {}; {}",
        metres(row.farthest_m),
        with_unit(row.stick_to_servo_p50_ms, 0, "ms"),
        if tags.is_empty() { "no tags".to_owned() } else { tags.join(" ") }
    )
}

/// What a session shows of a link.
pub(super) fn link_line(link: &ComparedLinkRow) -> String {
    let unit = if link.level_unit == Some("db") { "dB" } else { "units" };
    let level = link.level_beside.map(|level| format!("level {level:+.1} {unit}"));
    let lost = link.lost_ratio.map(|ratio| format!("lost {}", quantity::percent(ratio)));
    let freezes = link.freeze_count.map(|count| quantity::counted(count, "freeze", "freezes"));
    [level.unwrap_or_else(|| "level not compared".to_owned())]
        .into_iter()
        .chain(lost)
        .chain(freezes)
        .collect::<Vec<_>>()
        .join("; ")
}
