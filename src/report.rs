//! Reports out of a summary: JSON lines and plain text.
//!
//! They only format: every figure is finished in [`crate::summary::Summary`] or [`crate::budget::Budget`].

mod air;
pub mod budget;
pub mod failsafe;
pub mod text;
pub mod thresholds;
mod vibration;

pub(crate) mod range;

use std::io::{self, Write};

use serde::Serialize;

/// Writes one JSON object and a line feed.
pub fn write_json_to(out: &mut dyn Write, figures: &impl Serialize) -> io::Result<()> {
    serde_json::to_writer(&mut *out, figures).map_err(io::Error::from)?;
    out.write_all(b"\n")
}
