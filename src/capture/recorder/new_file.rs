//! A recording's file from its first byte on: what stands under its name opens, whenever the program is killed.
//!
//! The header is written into a hidden file of the same folder, which gets the recording's name when it is there. On Linux
//! one call does that (`renameat2` with RENAME_NOREPLACE), also on FAT and exFAT cards, which know no hard links; else a
//! hard link, after which the first name goes. Neither takes the place of a file that is there. A folder that knows neither,
//! and a disk that takes no header, gets the file under its name at once: it is empty until the first write.
//!
//! The maker holds a lock on the hidden file, which ends with its process. What a killed one left has none: the next start in
//! that folder removes it. Its name has no ending, so that nobody takes it for a recording.

use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::io::{ErrorKind, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use nix::fcntl::OFlag;

use super::storage::Storage as _;

/// Programs that start in one folder at the same instant.
const MOST_AT_ONCE: u32 = 8;

/// Makes the file, for this user alone; whether it holds the header. What is there already, a device or a pipe too, is
/// an error and stays.
pub(super) fn create(path: &Path, header: &[u8]) -> io::Result<(File, bool)> {
    if path.symlink_metadata().is_ok() {
        return Err(ErrorKind::AlreadyExists.into());
    }
    match begin_hidden(path, header) {
        Ok(file) => Ok((file, true)),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => Err(error),
        Err(_) => begin_at_once(path, header),
    }
}

fn begin_hidden(path: &Path, header: &[u8]) -> io::Result<File> {
    let (hidden, mut file) = hidden_file(path.parent().unwrap_or(Path::new("")))?;
    let begun = file.write_all(header).and_then(|()| give_name(&hidden, path));
    if begun.is_err() {
        forget(&hidden);
    }
    begun.map(|()| file)
}

fn begin_at_once(path: &Path, header: &[u8]) -> io::Result<(File, bool)> {
    let mut file = private().open(path)?;
    let is_written = file.write_all(header).is_ok();
    if !is_written {
        file.cut(0)?;
    }
    Ok((file, is_written))
}

/// A new file and nothing but that.
fn private() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true).mode(0o600);
    options
}

/// A hidden file that no other start takes for one that was left.
fn hidden_file(folder: &Path) -> io::Result<(PathBuf, File)> {
    for number in 1..=MOST_AT_ONCE {
        let path = folder.join(format!(".fadewatch-begun-{number}"));
        remove_left(&path);
        let file = match private().open(&path) {
            Err(error) if error.kind() == ErrorKind::AlreadyExists => continue,
            made => made?,
        };
        match file.try_lock() {
            // Another start may have removed it before it was locked.
            Ok(()) if file.is_at(&path, 0) => return Ok((path, file)),
            Ok(()) | Err(TryLockError::WouldBlock) => {}
            Err(TryLockError::Error(error)) => {
                forget(&path);
                return Err(error);
            }
        }
    }
    Err(ErrorKind::ResourceBusy.into())
}

/// Removes what a killed start left; not what another one is about to name.
fn remove_left(path: &Path) {
    // Whatever stands there under this name: a link is not followed, a pipe is not waited for.
    let flags = (OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK).bits();
    let Ok(file) = OpenOptions::new().read(true).custom_flags(flags).open(path) else { return };
    if file.try_lock().is_ok() && file.is_at(path, 0) {
        forget(path);
    }
}

/// Nothing can be done where it does not go.
fn forget(path: &Path) {
    let _ = std::fs::remove_file(path);
}

fn give_name(hidden: &Path, path: &Path) -> io::Result<()> {
    match rename(hidden, path) {
        Err(error) if error.kind() != ErrorKind::AlreadyExists => link(hidden, path),
        done => done,
    }
}

#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn rename(hidden: &Path, path: &Path) -> io::Result<()> {
    use nix::fcntl::{AT_FDCWD, RenameFlags, renameat2};
    Ok(renameat2(AT_FDCWD, hidden, AT_FDCWD, path, RenameFlags::RENAME_NOREPLACE)?)
}

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn rename(_hidden: &Path, _path: &Path) -> io::Result<()> {
    Err(ErrorKind::Unsupported.into())
}

fn link(hidden: &Path, path: &Path) -> io::Result<()> {
    std::fs::hard_link(hidden, path)?;
    forget(hidden);
    Ok(())
}

#[cfg(test)]
mod tests {
    use crate::capture::Recording;
    use crate::capture::recorder::Recorder;
    use crate::capture::recorder::new_file::*;
    use crate::record::{Entry, SessionInfo};

    /// A section header without options: the pcapng draft, 4.1; little-endian, its length not said.
    fn header() -> Vec<u8> {
        let words: [u32; 7] = [0x0A0D_0D0A, 28, 0x1A2B_3C4D, 1, u32::MAX, u32::MAX, 28];
        words.iter().flat_map(|word| word.to_le_bytes()).collect()
    }

    fn names(folder: &Path) -> Vec<String> {
        let there = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name());
        let mut names: Vec<_> = there.map(|name| name.into_string().unwrap()).collect();
        names.sort();
        names
    }

    fn opens(path: &Path) -> bool {
        Recording::open(path).is_ok()
    }

    /// Killed at any instant: either there is no file of this name, or it opens; and the next start leaves nothing of the
    /// one before.
    #[test]
    fn a_kill_at_any_step_leaves_no_file_or_one_that_opens() {
        type Steps = fn(&Path, &Path);
        let until: [(Steps, bool); 4] = [
            (|folder, _| drop(hidden_file(folder).unwrap()), false),
            (|folder, _| hidden_file(folder).unwrap().1.write_all(&header()[..9]).unwrap(), false),
            (
                |folder, path| {
                    let (hidden, mut file) = hidden_file(folder).unwrap();
                    file.write_all(&header()).unwrap();
                    // Linked, and the first name is still there.
                    std::fs::hard_link(hidden, path).unwrap();
                },
                true,
            ),
            (|_, path| drop(create(path, &header()).unwrap()), true),
        ];
        for (step, (steps, is_there)) in until.into_iter().enumerate() {
            let folder = tempfile::tempdir().unwrap();
            let [first, next] = ["a.pcapng", "b.pcapng"].map(|name| folder.path().join(name));
            steps(folder.path(), &first);
            assert_eq!((first.exists(), opens(&first)), (is_there, is_there), "step {step}");
            for name in names(folder.path()) {
                let is_recording = Path::new(&name).extension().is_some();
                assert_eq!(
                    is_recording,
                    name == "a.pcapng",
                    "step {step}: history rebuild would take {name}"
                );
            }
            assert!(create(&next, &header()).unwrap().1);
            let expected = if is_there { &["a.pcapng", "b.pcapng"][..] } else { &["b.pcapng"] };
            assert_eq!(names(folder.path()), expected, "step {step}");
            assert!(opens(&next) && first.exists() == is_there, "step {step}");
        }
    }

    /// Before the recorder's thread has written anything.
    #[test]
    fn a_recording_opens_as_soon_as_it_has_its_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.pcapng");
        let recorder = Recorder::create(&path, &[Entry::Session(SessionInfo::default())]).unwrap();
        assert!(opens(&path));
        assert_eq!(recorder.finish().0.bytes, path.metadata().unwrap().len());
        assert_eq!(names(folder.path()), ["a.pcapng"]);
    }

    #[test]
    fn another_start_takes_no_hidden_file_away_and_no_name() {
        let folder = tempfile::tempdir().unwrap();
        let [first, other] = ["a.pcapng", "b.pcapng"].map(|name| folder.path().join(name));
        let (hidden, mut file) = hidden_file(folder.path()).unwrap();
        file.write_all(&header()).unwrap();
        create(&other, &header()).unwrap();
        give_name(&hidden, &first).unwrap();
        assert_eq!(names(folder.path()), ["a.pcapng", "b.pcapng"]);
        std::fs::write(&first, "kept").unwrap();
        for give in [give_name, rename, link] {
            let (hidden, _file) = hidden_file(folder.path()).unwrap();
            let error = give(&hidden, &first).unwrap_err();
            assert!(matches!(error.kind(), ErrorKind::AlreadyExists | ErrorKind::Unsupported), "{error}");
        }
        assert_eq!(begin_hidden(&first, &header()).unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(create(&first, &header()).unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&first).unwrap(), b"kept");
        assert_eq!(names(folder.path()), ["a.pcapng", "b.pcapng"]);
    }

    /// A link and a folder under the hidden name stay, are not written to and hold nothing up.
    #[test]
    fn what_stands_under_the_hidden_name_is_not_touched() {
        let folder = tempfile::tempdir().unwrap();
        let [path, victim] = ["a.pcapng", "victim"].map(|name| folder.path().join(name));
        std::fs::write(&victim, "kept").unwrap();
        std::os::unix::fs::symlink(&victim, folder.path().join(".fadewatch-begun-1")).unwrap();
        std::fs::create_dir(folder.path().join(".fadewatch-begun-2")).unwrap();
        assert!(create(&path, &header()).unwrap().1);
        assert!(opens(&path));
        assert_eq!(std::fs::read(&victim).unwrap(), b"kept");
        assert_eq!(names(folder.path()), [".fadewatch-begun-1", ".fadewatch-begun-2", "a.pcapng", "victim"]);
    }
}
