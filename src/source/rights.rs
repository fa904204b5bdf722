//! Why this user may not open a device, and what to do about it: by the rights of its file and the groups of this login.
//!
//! The group is read from the file, never assumed. The classes are those of POSIX.1-2017, 4.5 File Access Permissions:
//! the owner's bits decide for the owner, else the group's for its members, else those of all others. A list of rights
//! beside them (acl(5)) is not looked at.

use std::os::unix::fs::MetadataExt as _;
use std::path::Path;

use nix::fcntl::{AT_FDCWD, AtFlags};
use nix::unistd::{AccessFlags, Gid, Group, Uid, User, faccessat, getegid, geteuid};

/// What opening a device asks for: a joystick is only read.
pub(crate) const READ: u32 = 0o4;
/// A serial port is written to, too.
pub(crate) const READ_AND_WRITE: u32 = 0o6;

/// Who may open a file.
#[derive(Clone, Debug, Default)]
struct FileRights {
    mode: u32,
    owner: u32,
    group: u32,
    /// The group's name, where it has one, and who is in it by the system's list.
    group_name: Option<String>,
    members: Vec<String>,
}

/// Who asks.
#[derive(Clone, Debug, Default)]
struct Login {
    user: u32,
    name: Option<String>,
    /// Groups of this login: what was joined since is not among them.
    groups: Vec<u32>,
}

/// Whether this user may open it.
pub(crate) fn may_open(path: &Path, needs: u32) -> bool {
    let flags = if needs == READ { AccessFlags::R_OK } else { AccessFlags::R_OK | AccessFlags::W_OK };
    faccessat(AT_FDCWD, path, flags, AtFlags::AT_EACCESS).is_ok()
}

/// What to do where the system says "permission denied".
pub(crate) fn advice(path: &Path, needs: u32) -> String {
    let Ok(metadata) = path.metadata() else {
        return "see that this user may enter its folder".to_owned();
    };
    let group = Group::from_gid(Gid::from_raw(metadata.gid())).ok().flatten();
    let (group_name, members) = group.map_or((None, Vec::new()), |group| (Some(group.name), group.mem));
    let file = FileRights {
        mode: metadata.mode() & 0o7777,
        owner: metadata.uid(),
        group: metadata.gid(),
        group_name,
        members,
    };
    advice_for(&file, &login(), needs)
}

fn login() -> Login {
    let user = geteuid();
    #[cfg(not(target_vendor = "apple"))]
    let groups = nix::unistd::getgroups().unwrap_or_default();
    #[cfg(target_vendor = "apple")]
    let groups = Vec::new();
    let groups = groups.into_iter().chain([getegid()]).map(Gid::as_raw).collect();
    let name = User::from_uid(Uid::from_raw(user.as_raw())).ok().flatten().map(|user| user.name);
    Login { user: user.as_raw(), name, groups }
}

fn advice_for(file: &FileRights, login: &Login, needs: u32) -> String {
    let rule = "a device rule does: fadewatch service rules";
    let allows = |shift: u32| file.mode >> shift & needs == needs;
    let mode = file.mode & 0o777;
    if login.user == file.owner && login.user != 0 && !allows(6) {
        return format!(
            "it is yours, but its mode {mode:04o} does not let you open it: sudo chmod u+rw does, until it is plugged in anew"
        );
    }
    let joined = login.groups.contains(&file.group);
    let Some(group) = file.group_name.as_ref().filter(|_| file.group != 0) else {
        let name = file.group_name.clone().unwrap_or_else(|| format!("number {}", file.group));
        return format!("its group, {name}, is none to join, and gives this user no right to it; {rule}");
    };
    if !allows(3) {
        return format!("its mode {mode:04o} does not let its group {group} open it; {rule}");
    }
    if login.user == 0 || joined || login.user == file.owner {
        return "its rights allow it, yet the system refuses: a container or a security policy forbids it"
            .to_owned();
    }
    if login.name.as_ref().is_some_and(|name| file.members.contains(name)) {
        return format!("you are in its group {group}, but not in this login: log out and in again");
    }
    format!("it belongs to the group {group}: sudo usermod -aG {group} \"$USER\", then log out and in again")
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use crate::source::rights::*;

    fn port(mode: u32) -> FileRights {
        let group_name = Some("radio".to_owned());
        FileRights { mode, owner: 0, group: 77, group_name, members: vec!["member".to_owned()] }
    }

    fn who(name: &str, user: u32, groups: &[u32]) -> Login {
        Login { user, name: Some(name.to_owned()), groups: groups.to_vec() }
    }

    /// Written from the classes of POSIX and from what usermod(8) and newgrp(1) say of groups and logins.
    #[test]
    fn each_way_of_being_refused_has_its_own_advice() {
        let join = "sudo usermod -aG radio \"$USER\", then log out";
        for (file, login, needs, says) in [
            (port(0o660), who("guest", 1000, &[1000]), READ_AND_WRITE, join),
            (port(0o660), who("member", 1000, &[1000]), READ_AND_WRITE, "not in this login: log out and in"),
            (
                port(0o640),
                who("guest", 1000, &[1000]),
                READ_AND_WRITE,
                "mode 0640 does not let its group radio",
            ),
            (port(0o640), who("guest", 1000, &[1000]), READ, join),
            (port(0o600), who("guest", 1000, &[77]), READ_AND_WRITE, "fadewatch service rules"),
            (port(0o660), who("guest", 1000, &[77]), READ_AND_WRITE, "security policy"),
            (port(0o660), who("root", 0, &[0]), READ_AND_WRITE, "security policy"),
            (
                FileRights { owner: 1000, ..port(0o060) },
                who("guest", 1000, &[77]),
                READ,
                "it is yours, but its mode 0060",
            ),
            // Nobody is told to join root, nor a group that does not exist.
            (
                FileRights { group: 0, group_name: Some("root".into()), ..port(0o660) },
                who("guest", 1000, &[1000]),
                READ,
                "none to join",
            ),
            (
                FileRights { group: 4321, group_name: None, ..port(0o660) },
                who("guest", 1000, &[1000]),
                READ,
                "number 4321",
            ),
        ] {
            let advice = advice_for(&file, &login, needs);
            assert!(advice.contains(says), "{file:?} {login:?}: {advice}");
            assert_eq!(advice.contains("usermod"), says == join, "{advice}");
            assert!(!advice.contains('\n') && !advice.contains("-aG root"));
        }
    }

    /// Odd modes of real files: whatever they are, something is said, in one line.
    #[test]
    fn every_mode_of_a_real_file_is_advised_on() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("port");
        std::fs::write(&path, "").unwrap();
        for mode in [0o000, 0o020, 0o060, 0o400, 0o600, 0o660, 0o666, 0o7777] {
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            assert!(!advice(&path, READ_AND_WRITE).is_empty());
        }
        assert!(advice(&folder.path().join("gone"), READ).contains("folder"));
        assert!(may_open(&folder.path().join("port"), READ) && !may_open(&folder.path().join("gone"), READ));
    }
}
