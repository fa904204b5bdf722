//! Recordings: pcapng and pcap in, pcapng out, bare MAVLink bytes in.

use std::path::{Path, PathBuf};

use crate::link::RecordingFacts;
use crate::record::Entry;

/// A recording that could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The file could not be read.
    #[error("cannot read '{path}': {source}")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Neither a capture nor MAVLink bytes.
    #[error("'{path}' holds no telemetry: {reason}; give a pcapng or pcap capture, or bare MAVLink bytes")]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// What was found instead.
        reason: String,
    },
}

/// An opened recording; entries borrow from it.
#[derive(Debug)]
pub struct Recording {}

impl Recording {
    /// Opens a file and finds out what it is.
    pub fn open(path: &Path) -> Result<Self, CaptureError> {
        Err(CaptureError::Unreadable { path: path.to_owned(), reason: "not written yet".to_owned() })
    }

    /// A cursor at the first entry.
    #[must_use]
    pub fn cursor(&self) -> Cursor {
        Cursor {}
    }

    /// The next entry; `None` at the end (a torn last record is left out).
    pub fn next<'a>(&'a self, cursor: &mut Cursor) -> Option<Entry<'a>> {
        let _ = cursor;
        None
    }

    /// Name and size, and whether the file ends inside a record (known once a cursor has reached the end).
    #[must_use]
    pub fn facts(&self, cursor: &Cursor) -> RecordingFacts {
        let _ = cursor;
        RecordingFacts::default()
    }

    /// How far a cursor is, 0 to 1, by bytes.
    #[must_use]
    pub fn progress(&self, cursor: &Cursor) -> f64 {
        let _ = cursor;
        0.0
    }
}

/// A place in a recording; a copy taken earlier goes on from there.
#[derive(Clone, Debug)]
pub struct Cursor {}
