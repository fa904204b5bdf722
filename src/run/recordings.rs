//! The recordings of a folder, the newest first.

use std::fs;
use std::path::{Path, PathBuf};

/// A recording, and when it was written last.
pub(super) struct Dated {
    pub(super) path: PathBuf,
    pub(super) bytes: u64,
    /// As a date and a time of day, UTC.
    pub(super) written: String,
}

/// Those that are there, the one written last first; none of a folder that is not there.
pub(super) fn newest_first(folder: &Path) -> Vec<Dated> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let recordings =
        entries.filter(|entry| entry.path().extension().is_some_and(|ending| ending == "pcapng"));
    let mut dated: Vec<_> = recordings
        .filter_map(|entry| {
            let metadata = entry.metadata().ok()?;
            Some((metadata.modified().ok()?, entry.path(), metadata.len()))
        })
        .collect();
    dated.sort();
    let said = |time| {
        let time = jiff::Timestamp::try_from(time).ok();
        time.map_or_else(String::new, |time| format!("written {}", time.strftime("%Y-%m-%d %H:%M UTC")))
    };
    let dated = dated.into_iter().rev();
    dated.map(|(time, path, bytes)| Dated { path, bytes, written: said(time) }).collect()
}
