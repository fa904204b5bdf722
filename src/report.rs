//! Reports out of a summary: JSON lines and plain text.
//!
//! They only format: every figure is finished in [`crate::summary::Summary`], [`crate::summary::BenchSheet`], [`crate::summary::Comparison`] or
//! [`crate::judge::link_budget::Budget`].

pub mod bench_sheet;
pub mod budget_text;
pub mod comparison_text;
mod escaped;
mod health_text;
pub mod histogram_log;
pub mod page;
#[cfg(feature = "parquet")]
pub mod parquet;
mod range_text;
pub mod session_tables;
pub mod session_text;
mod stick_text;
pub mod table;
pub mod table_database;
pub mod threshold_text;
mod timing_text;
mod vibration_text;
mod video_text;
pub mod way;
mod wifi_text;

use escaped::Escaped;
pub use escaped::PlainText;

use std::io;
use std::io::Write;

use serde::Serialize;

use crate::wording::quantity;
use crate::wording::quantity::NOT_MEASURED;

/// What every JSON object begins with that a command prints.
#[derive(Serialize)]
struct Printed<'a, T> {
    /// Keys may be added, none is renamed.
    pub schema: u32,
    /// Of the program that prints it.
    pub version: &'static str,
    #[serde(flatten)]
    figures: &'a T,
}

/// Writes one JSON object and a line feed. What a terminal would obey is escaped.
pub fn write_json_to(out: &mut dyn Write, figures: &impl Serialize) -> io::Result<()> {
    let mut json = serde_json::Serializer::with_formatter(&mut *out, Escaped);
    let printed = Printed { schema: 1, version: env!("CARGO_PKG_VERSION"), figures };
    printed.serialize(&mut json).map_err(io::Error::from)?;
    out.write_all(b"\n")
}

/// A figure, or that it was not measured.
fn number(value: Option<f64>, places: usize) -> String {
    value.map_or_else(|| NOT_MEASURED.to_owned(), |value| format!("{value:.places$}"))
}

fn section(out: &mut dyn Write, title: &str) -> io::Result<()> {
    writeln!(out, "\n{title}")
}

fn with_unit(value: Option<f64>, places: usize, unit: &str) -> String {
    value.map_or_else(|| NOT_MEASURED.to_owned(), |value| format!("{value:.places$} {unit}"))
}

fn metres(value: Option<f64>) -> String {
    value.map_or_else(|| NOT_MEASURED.to_owned(), quantity::metres)
}
