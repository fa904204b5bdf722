//! Which programs hold a device: those whose open files, as the kernel lists them (proc(5), /proc/PID/fd), lead to it.
//!
//! Programs of other users cannot be looked into without their rights: then it is known that some were not seen.

use std::fs;
use std::path::Path;

use super::health_files::word;

/// A program that has a device open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Holder {
    /// The program's name, as the kernel has it.
    pub name: String,
    /// Its process.
    pub process: u32,
}

/// Who holds a device.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Holders {
    /// Those that were seen, by their process.
    pub seen: Vec<Holder>,
    /// Some programs could not be looked into.
    pub is_partial: bool,
}

/// Who holds this device, this program apart.
#[must_use]
pub fn holders(device: &Path) -> Holders {
    listed(Path::new("/proc"), device, std::process::id())
}

fn listed(proc: &Path, device: &Path, own: u32) -> Holders {
    let mut found = Holders::default();
    let Ok(device) = device.canonicalize() else { return found };
    let Ok(entries) = fs::read_dir(proc) else { return Holders { is_partial: true, ..found } };
    for entry in entries.flatten() {
        let Some(process) = entry.file_name().to_str().and_then(|name| name.parse::<u32>().ok()) else {
            continue;
        };
        let Ok(files) = fs::read_dir(entry.path().join("fd")) else {
            // One that has ended meanwhile holds nothing.
            found.is_partial |= entry.path().exists();
            continue;
        };
        let leads_there = |file: fs::DirEntry| fs::read_link(file.path()).is_ok_and(|path| path == device);
        if process != own && files.flatten().any(leads_there) {
            let name = word(&entry.path().join("comm")).unwrap_or_else(|| "a program".to_owned());
            found.seen.push(Holder { name, process });
        }
    }
    found.seen.sort_by_key(|holder| holder.process);
    found
}

#[cfg(test)]
mod tests {
    use crate::source::holders::*;
    use std::os::unix::fs::symlink;

    /// A tree as proc(5) describes it.
    #[test]
    fn programs_with_the_device_open_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let (device, other) = (folder.path().join("ttyACM0"), folder.path().join("ttyACM1"));
        fs::write(&device, "").unwrap();
        fs::write(&other, "").unwrap();
        let proc = folder.path().join("proc");
        for (process, name, open) in [
            ("812", "radiod\n", &device),
            ("7", "logger\n", &device),
            ("9", "idle\n", &other),
            ("5", "own\n", &device),
        ] {
            fs::create_dir_all(proc.join(process).join("fd")).unwrap();
            fs::write(proc.join(process).join("comm"), name).unwrap();
            symlink(open.canonicalize().unwrap(), proc.join(process).join("fd/3")).unwrap();
        }
        fs::create_dir_all(proc.join("sys")).unwrap();
        let by_link = folder.path().join("stable");
        symlink(&device, &by_link).unwrap();
        let holders = listed(&proc, &by_link, 5);
        let named: Vec<(&str, u32)> =
            holders.seen.iter().map(|one| (one.name.as_str(), one.process)).collect();
        assert_eq!((named, holders.is_partial), (vec![("logger", 7), ("radiod", 812)], false));
        fs::create_dir_all(proc.join("33")).unwrap();
        assert!(listed(&proc, &device, 5).is_partial, "its open files cannot be read");
        assert_eq!(listed(&proc, &folder.path().join("gone"), 5), Holders::default());
    }

    #[test]
    fn a_file_that_this_program_holds_itself_is_held_by_nobody_else() {
        let file = tempfile::NamedTempFile::new().unwrap();
        assert!(holders(file.path()).seen.is_empty());
    }
}
