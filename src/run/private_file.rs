//! Files that are whole or not there: on a full disk, an error or a power cut what was there before stays.

use std::fs::{File, OpenOptions, Permissions};
use std::io;
use std::io::{BufWriter, Write};
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::Path;

use anyhow::Context as _;

type Fill<'a> = &'a mut dyn FnMut(&mut dyn Write) -> io::Result<()>;

/// For its owner alone: what a handset did and where it stands is nobody else's business.
const PRIVATE: u32 = 0o600;

/// A new file of this user's alone; one that is there is an error, and stays.
pub(super) fn create(path: &Path, fill: Fill<'_>) -> io::Result<()> {
    let file = OpenOptions::new().write(true).create_new(true).mode(PRIVATE).open(path)?;
    filled(path, &file, fill)
}

/// A file of this user's alone; one that is there stays, unless it may be overwritten.
pub(super) fn write(path: &Path, may_overwrite: bool, fill: Fill<'_>) -> anyhow::Result<()> {
    let written = if may_overwrite { replace(path, fill) } else { create(path, fill) };
    written.with_context(|| format!("cannot write '{}'", path.display()))
}

/// A file of this user's alone, in the place of any that is there.
pub(super) fn replace(path: &Path, fill: Fill<'_>) -> io::Result<()> {
    beside(path, Permissions::from_mode(PRIVATE), fill)
}

/// Another content for a file that is there, which stays who may read it; a link keeps pointing to its file.
pub(super) fn rewrite(path: &Path, fill: Fill<'_>) -> io::Result<()> {
    let path = path.canonicalize()?;
    beside(&path, path.metadata()?.permissions(), fill)
}

/// Writes beside it, then renames.
fn beside(path: &Path, permissions: Permissions, fill: Fill<'_>) -> io::Result<()> {
    let mut new = path.to_owned().into_os_string();
    new.push(format!(".{}.new", std::process::id()));
    let new = Path::new(&new);
    create(new, fill)?;
    let renamed = std::fs::set_permissions(new, permissions).and_then(|()| std::fs::rename(new, path));
    renamed.inspect_err(|_| forget(new))
}

fn filled(path: &Path, file: &File, fill: Fill<'_>) -> io::Result<()> {
    let mut out = BufWriter::new(file);
    let written = fill(&mut out).and_then(|()| out.flush()).and_then(|()| file.sync_all());
    written.inspect_err(|_| forget(path))
}

/// What is half written helps nobody.
fn forget(path: &Path) {
    let _ = std::fs::remove_file(path);
}

#[cfg(test)]
mod tests {
    use crate::run::private_file::*;

    #[test]
    fn what_fails_leaves_what_was_there() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.toml");
        let full = |out: &mut dyn Write| {
            out.write_all(b"half")?;
            Err(io::ErrorKind::StorageFull.into())
        };
        let there = || std::fs::read_dir(folder.path()).unwrap().count();
        assert!(create(&path, &mut { full }).is_err());
        assert_eq!(there(), 0);
        std::fs::write(&path, "old").unwrap();
        std::fs::set_permissions(&path, Permissions::from_mode(0o640)).unwrap();
        for write in [create, replace, rewrite] {
            assert!(write(&path, &mut { full }).is_err());
            assert_eq!((std::fs::read_to_string(&path).unwrap().as_str(), there()), ("old", 1));
        }
        assert!(create(&path, &mut |out| out.write_all(b"new")).is_err(), "it is there");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "old");
    }

    #[test]
    fn a_rewritten_file_keeps_its_rights_and_its_links_and_another_is_its_owners_alone() {
        let folder = tempfile::tempdir().unwrap();
        let [path, link] = ["a.toml", "link.toml"].map(|name| folder.path().join(name));
        std::fs::write(&path, "old").unwrap();
        std::fs::set_permissions(&path, Permissions::from_mode(0o640)).unwrap();
        std::os::unix::fs::symlink(&path, &link).unwrap();
        let mode = |path: &Path| path.metadata().unwrap().permissions().mode() & 0o777;
        rewrite(&link, &mut |out| out.write_all(b"new")).unwrap();
        assert_eq!((std::fs::read_to_string(&path).unwrap().as_str(), mode(&path)), ("new", 0o640));
        // What is exported goes into its own folder, not where somebody's link leads.
        replace(&link, &mut |out| out.write_all(b"table")).unwrap();
        assert_eq!((std::fs::read_to_string(&path).unwrap().as_str(), mode(&link)), ("new", 0o600));
        assert!(!link.is_symlink());
    }
}
