//! Reports out of a summary: JSON lines and plain text.
//!
//! They only format: every figure is finished in [`crate::summary::Summary`] or [`crate::judge::link_budget::Budget`].

pub mod budget_text;
pub mod histogram_log;
pub mod session_text;
pub mod threshold_text;
mod vibration_text;
mod wifi_text;

pub(crate) mod range_text;

use std::io;
use std::io::Write;

use serde::Serialize;

/// Writes one JSON object and a line feed.
pub fn write_json_to(out: &mut dyn Write, figures: &impl Serialize) -> io::Result<()> {
    serde_json::to_writer(&mut *out, figures).map_err(io::Error::from)?;
    out.write_all(b"\n")
}
