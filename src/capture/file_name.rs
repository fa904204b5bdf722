//! What a new recording is called.
//!
//! By the time of its start, so that names are in the order of time. Another program may start at the same time: a number
//! follows then. A board without a battery clock starts in the same seconds of 1970 each day: a number says the order there.

use std::path::{Path, PathBuf};

use crate::record::text::utc_text;
use crate::units::Nanos;

/// How the name of a recording begins that was made before the clock was set.
const UNDATED: &str = "undated-";

/// Paths for a recording that starts at a time, the best one first; the first that nobody has is to be taken.
pub fn candidates(folder: &Path, start: Nanos) -> impl Iterator<Item = PathBuf> {
    let is_dated = start >= Nanos::OLDEST_DATE;
    let date: String =
        utc_text(start).chars().take(19).map(|letter| if letter == ':' { '-' } else { letter }).collect();
    let first = if is_dated { 1 } else { newest_undated(folder).saturating_add(1) };
    (first..).map(move |number| {
        folder.join(match number {
            1 if is_dated => format!("{date}.pcapng"),
            _ if is_dated => format!("{date}-{number}.pcapng"),
            _ => format!("{UNDATED}{number:04}.pcapng"),
        })
    })
}

/// The number of a recording that was made before the clock was set: later ones have larger ones.
#[must_use]
pub fn undated_number(path: &Path) -> Option<u64> {
    path.file_stem()?.to_str()?.strip_prefix(UNDATED)?.parse().ok()
}

fn newest_undated(folder: &Path) -> u64 {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries.filter_map(|entry| undated_number(&entry.path())).max().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use crate::capture::file_name::*;

    fn names(folder: &Path, start_s: i64) -> [String; 3] {
        let mut paths = candidates(folder, Nanos::from_secs(start_s));
        [(); 3].map(|()| paths.next().unwrap().file_name().unwrap().to_string_lossy().into_owned())
    }

    #[test]
    fn a_date_comes_first_and_then_a_number() {
        let folder = tempfile::tempdir().unwrap();
        let start = "2030-03-17T17-46-40";
        let expected = [format!("{start}.pcapng"), format!("{start}-2.pcapng"), format!("{start}-3.pcapng")];
        assert_eq!(names(folder.path(), 1_900_000_000), expected);
    }

    /// A board that is never set starts in the same seconds of 1970 each day, sooner or later after its start.
    #[test]
    fn without_a_clock_names_say_the_order() {
        let folder = tempfile::tempdir().unwrap();
        let first = |second| names(folder.path(), second)[0].clone();
        assert_eq!(first(30), "undated-0001.pcapng");
        std::fs::write(folder.path().join("undated-0012.pcapng"), "").unwrap();
        std::fs::write(folder.path().join("2030-03-17T17-46-40.pcapng"), "").unwrap();
        assert_eq!(first(9), "undated-0013.pcapng", "never before one that is there");
        assert_eq!(undated_number(Path::new("a/undated-0013.pcapng")), Some(13));
        assert_eq!(undated_number(Path::new("a/2030-03-17T17-46-40-2.pcapng")), None);
    }
}
