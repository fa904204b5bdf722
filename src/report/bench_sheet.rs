//! The bench sheet: for a terminal, or as Markdown to keep and to sign.
//!
//! Nothing is computed here.

use std::io;
use std::io::Write;

use crate::summary::{BenchRow, BenchSheet, BenchWord, Summary};
use crate::wording::caution::{DRILL, INSTRUMENT};
use crate::wording::latency_advice::Asked;
use crate::wording::{bench_words, failsafe_steps, quantity, stick_words};

const SIGNATURE: &str = "Tested by: ______________________   Date: ______________";
/// Nobody reads lines that are longer.
const COLUMNS: u16 = 100;
const INDENT: u16 = 14;

/// What stands above the items: verdict, recording, hash, tags.
fn heading(sheet: &BenchSheet) -> Vec<String> {
    let recording = &sheet.recording;
    let start = recording
        .start_utc
        .as_deref()
        .map_or_else(|| "start unknown".to_owned(), |utc| format!("{} UTC", quantity::date(utc)));
    let mut lines = vec![format!(
        "{}, {start}, {} long; fadewatch {}",
        recording.file,
        quantity::clock_tenths(recording.duration_s),
        sheet.version
    )];
    lines.extend(sheet.sha256.as_ref().map(|hash| format!("SHA-256 {hash}")));
    for part in &sheet.earlier_recordings {
        let length = quantity::clock_tenths(part.recording.duration_s);
        let hash = part.sha256.as_deref().unwrap_or("unknown");
        lines.push(format!("and {}, {length} long, SHA-256 {hash}", part.recording.file));
    }
    if recording.truncated {
        lines.push("the file ends inside a record: everything before it is counted".to_owned());
    }
    lines.extend(
        recording
            .host_drops
            .filter(|drops| *drops > 0)
            .map(|drops| format!("this computer lost data itself: {drops}")),
    );
    let tags: Vec<String> = recording.tags.iter().map(|(key, value)| format!("{key}={value}")).collect();
    lines.push(if tags.is_empty() {
        "no equipment tags: --tag antenna=panel says what was tested".to_owned()
    } else {
        tags.join(", ")
    });
    lines
}

pub(super) fn remarks(row: &BenchRow, summary: &Summary) -> Vec<String> {
    let missing = row.missing.map(|why| Asked::of_summary(summary).missing(why));
    bench_words::remarks(row, missing)
}

/// For a terminal; `wrapped` breaks a text into lines of so many columns.
pub fn write_text_to(
    out: &mut dyn Write,
    sheet: &BenchSheet,
    summary: &Summary,
    wrapped: fn(&str, u16) -> Vec<String>,
) -> io::Result<()> {
    let indent = usize::from(INDENT);
    writeln!(out, "Bench sheet\n{}\n", bench_words::verdict(sheet.verdict))?;
    for line in heading(sheet) {
        writeln!(out, "{line}")?;
    }
    writeln!(out, "\n{INSTRUMENT}\n{DRILL}\n")?;
    for row in &sheet.items {
        let interval = Some(bench_words::interval(row)).filter(|interval| !interval.is_empty());
        let interval = interval.map_or_else(String::new, |interval| format!(" ({interval})"));
        let text = format!(
            "{}: {}{interval}; {}",
            bench_words::title(row),
            bench_words::value(row),
            bench_words::limit(row)
        );
        let mut first = format!("{:<indent$}", row.word.word());
        for line in wrapped(&text, COLUMNS - INDENT) {
            writeln!(out, "{first}{line}")?;
            first = " ".repeat(indent);
        }
        for line in remarks(row, summary).iter().flat_map(|remark| wrapped(remark, COLUMNS - INDENT - 2)) {
            writeln!(out, "{:indent$}  {line}", "")?;
        }
    }
    super::stick_text::write_to(out, &sheet.sticks)?;
    super::section(out, "Losses of input")?;
    if sheet.failsafe.is_empty() {
        writeln!(out, "  {}", failsafe_steps::none(&sheet.sticks))?;
    }
    for line in sheet.failsafe.iter().flat_map(|row| wrapped(&failsafe_steps::line(row), COLUMNS - 2)) {
        writeln!(out, "  {line}")?;
    }
    writeln!(out, "\n{SIGNATURE}")
}

/// What Markdown would take for its own.
fn escaped(text: &str) -> String {
    let mut all = String::with_capacity(text.len());
    for letter in text.chars() {
        if "\\`*_{}[]<>#|~".contains(letter) {
            all.push('\\');
        }
        all.push(letter);
    }
    all
}

/// As Markdown.
pub fn write_markdown_to(out: &mut dyn Write, sheet: &BenchSheet, summary: &Summary) -> io::Result<()> {
    writeln!(out, "# Bench sheet\n\n**{}**\n", bench_words::verdict(sheet.verdict))?;
    for line in heading(sheet) {
        writeln!(out, "- {}", escaped(&line))?;
    }
    writeln!(out, "\n{INSTRUMENT}\n{DRILL}\n")?;
    writeln!(out, "| | item | figure | interval | limit | remark |\n| --- | --- | --- | --- | --- | --- |")?;
    for row in &sheet.items {
        let word = if row.word == BenchWord::Failed { "**failed**" } else { row.word.word() };
        let cells = [
            bench_words::title(row),
            bench_words::value(row),
            bench_words::interval(row),
            bench_words::limit(row),
            remarks(row, summary).join("; "),
        ];
        writeln!(out, "| {word} | {} |", cells.map(|cell| escaped(&cell)).join(" | "))?;
    }
    writeln!(out, "\n## Channels, as the vehicle reports them\n")?;
    if sheet.sticks.is_empty() {
        writeln!(out, "not measured: the vehicle reports no RC channels (RC\\_CHANNELS)")?;
    }
    for row in &sheet.sticks {
        let answers = stick_words::answers(row).map_or_else(String::new, |answers| format!("; {answers}"));
        writeln!(out, "- {}: {}", row.channel, escaped(&format!("{}{answers}", stick_words::travel(row))))?;
    }
    writeln!(out, "\n## Losses of input\n")?;
    if sheet.failsafe.is_empty() {
        writeln!(out, "{}", escaped(failsafe_steps::none(&sheet.sticks)))?;
    }
    for row in &sheet.failsafe {
        writeln!(out, "- {}", escaped(&failsafe_steps::line(row)))?;
    }
    writeln!(out, "\n{}", escaped(SIGNATURE))
}
