//! The recordings of a folder, the newest first.
//!
//! A board without a battery clock dates its files in 1970, each day anew. The numbers in their names say the order of those.
//! Nothing says whether one of them is newer than one with a date: a board that has no date now had none the last time.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use crate::capture::file_name::undated_number;
use crate::units::Nanos;

/// A recording, and when it was written last.
pub(super) struct Dated {
    pub(super) path: PathBuf,
    pub(super) bytes: u64,
    /// As a date and a time of day, UTC; `None`: the clock was not set.
    pub(super) written: Option<String>,
}

/// Those that are there, the one written last first; none of a folder that is not there. `now` by this computer's clock.
pub(super) fn newest_first(folder: &Path, now: Nanos) -> Vec<Dated> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let recordings =
        entries.filter(|entry| entry.path().extension().is_some_and(|ending| ending == "pcapng"));
    let mut found: Vec<_> = recordings
        .filter_map(|entry| {
            let (metadata, path) = (entry.metadata().ok()?, entry.path());
            let written = metadata.modified().ok()?.duration_since(UNIX_EPOCH).unwrap_or_default();
            let written = Nanos::from_secs(i64::try_from(written.as_secs()).ok()?);
            let number = if is_credible(written) { None } else { undated_number(&path) };
            let is_as_now = is_credible(written) == is_credible(now);
            Some((is_as_now, number, written, path, metadata.len()))
        })
        .collect();
    found.sort();
    let found = found.into_iter().rev();
    found.map(|(_, _, written, path, bytes)| Dated { path, bytes, written: date(written) }).collect()
}

fn is_credible(time: Nanos) -> bool {
    time >= Nanos::OLDEST_DATE
}

fn date(time: Nanos) -> Option<String> {
    let at = jiff::Timestamp::from_nanosecond(time.0.into()).ok()?;
    is_credible(time).then(|| at.strftime("%Y-%m-%d %H:%M UTC").to_string())
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use crate::run::recordings::*;
    use crate::wording::start_words;

    #[test]
    fn the_newest_comes_first_with_a_clock_and_without() {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, written_s: u64| {
            let file = fs::File::create(folder.path().join(name)).unwrap();
            file.set_modified(UNIX_EPOCH + Duration::from_secs(written_s)).unwrap();
        };
        write("undated-0009.pcapng", 400);
        write("undated-0010.pcapng", 60);
        // The clock was set before its end.
        write("undated-0004.pcapng", 1_900_000_500);
        write("2030-03-17T17-46-40.pcapng", 1_900_000_400);
        write("2030-03-17T18-46-40.pcapng", 1_900_004_000);
        write("notes.txt", 1_900_009_000);
        let listed = |now_s| {
            let dated = newest_first(folder.path(), Nanos::from_secs(now_s));
            let name = |one: &Dated| one.path.file_stem().unwrap().to_string_lossy().into_owned();
            let written = |one: &Dated| start_words::written(one.written.as_deref());
            dated.iter().map(|one| (name(one), written(one))).collect::<Vec<_>>()
        };
        let names = |now_s| listed(now_s).into_iter().map(|(name, _)| name).collect::<Vec<_>>();
        let (dated, undated) = (
            ["2030-03-17T18-46-40", "undated-0004", "2030-03-17T17-46-40"],
            ["undated-0010", "undated-0009"],
        );
        assert_eq!(names(1_900_100_000), [&dated[..], &undated[..]].concat());
        assert_eq!(names(20), [&undated[..], &dated[..]].concat());
        assert_eq!(listed(20)[0].1, "no date: the clock was not set");
        assert_eq!(listed(20)[3].1, "written 2030-03-17 17:55 UTC");
    }
}
