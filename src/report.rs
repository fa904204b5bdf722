//! Reports out of a summary: JSON lines and plain text.
//!
//! They only format: every figure is finished in [`crate::summary::Summary`].

pub mod text;

use std::io::{self, Write};

use crate::summary::Summary;

/// Writes one JSON object and a line feed.
pub fn write_json_to(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    serde_json::to_writer(&mut *out, summary).map_err(io::Error::from)?;
    out.write_all(b"\n")
}
