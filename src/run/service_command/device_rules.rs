//! Rules for udev: a name that stays for each serial port and joystick of a profile, and a group that may open it.
//!
//! A device is told by what udev knows of it (its database in /run/udev/data, systemd's own format), or by the name that
//! the profile has it under (/dev/serial/by-id holds ID_SERIAL and the interface, by-path holds ID_PATH). One that tells
//! no serial number of its own shares its id with others of its make: it is told by the socket it is in. Rules: udev(7).
//! Values are patterns there: what could mean something else stands as `?`, any one character.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use nix::sys::stat::{major, minor};
use nix::unistd::{Gid, Group};

use crate::run::source_urls::SourceUrls;
use crate::source::SourceUrl;
use crate::wording::service_words;

/// Groups that such devices have on usual systems, if their own is none to join: common practice, no source.
const SERIAL_GROUPS: &[&str] = &["dialout", "uucp"];
const INPUT_GROUPS: &[&str] = &["input"];

/// One device of the profile.
struct Device {
    key: &'static str,
    url: SourceUrl,
    /// What it is told by; `None`: it is not known.
    told_by: Option<Vec<(&'static str, String)>>,
    group: Option<String>,
}

/// The rules.
pub(super) struct DeviceRules(Vec<Device>);

impl DeviceRules {
    /// For the devices among these sources.
    pub(super) fn of(urls: &SourceUrls) -> Self {
        let named =
            urls.named().into_iter().filter_map(|(key, url)| Some((key, url.clone(), path_of(url)?.clone())));
        let device = |(key, url, path): (&'static str, SourceUrl, PathBuf)| {
            let is_input = matches!(url, SourceUrl::Joystick(_));
            let known = properties(Path::new("/run/udev/data"), &path);
            let told_by =
                told_by(&path, &known).map(|told_by| (is_input, told_by)).map(|(is_input, mut told_by)| {
                    told_by.insert(0, ("SUBSYSTEM", if is_input { "input" } else { "tty" }.to_owned()));
                    if is_input {
                        told_by.insert(1, ("KERNEL", "event*".to_owned()));
                    }
                    told_by
                });
            let usual = if is_input { INPUT_GROUPS } else { SERIAL_GROUPS };
            Device { key, url, told_by, group: group(&path, usual) }
        };
        Self(named.map(device).collect())
    }

    /// As a file of rules.
    pub(super) fn text(&self) -> String {
        let mut text = format!("# {}\n", service_words::RULES);
        for device in &self.0 {
            text += &device.rule();
        }
        if self.0.is_empty() {
            text.extend(["# ", service_words::NO_DEVICE, "\n"]);
        }
        text
    }

    /// The sources of the profile under their new names.
    pub(super) fn renamed(&self) -> Vec<(&'static str, SourceUrl)> {
        let known = self.0.iter().filter(|device| device.told_by.is_some());
        let renamed = known.map(|device| {
            let path = PathBuf::from(format!("/dev/{}", link(device.key)));
            let url = match &device.url {
                SourceUrl::Serial { baud, .. } => SourceUrl::Serial { path, baud: *baud },
                _ => SourceUrl::Joystick(path),
            };
            (device.key, url)
        });
        renamed.collect()
    }
}

fn link(key: &str) -> String {
    format!("fadewatch-{key}")
}

fn path_of(url: &SourceUrl) -> Option<&PathBuf> {
    match url {
        SourceUrl::Serial { path, .. } | SourceUrl::Joystick(path) => Some(path),
        _ => None,
    }
}

impl Device {
    fn rule(&self) -> String {
        let Some(told_by) = &self.told_by else {
            return format!("# {}\n", service_words::unknown_device(self.key, &self.url));
        };
        let told_by = told_by.iter().map(|(key, value)| format!("{key}==\"{}\"", pattern(value)));
        let mut parts: Vec<String> = told_by.collect();
        parts.push(format!("SYMLINK+=\"{}\"", link(self.key)));
        parts.extend(self.group.as_ref().map(|group| format!("GROUP=\"{group}\"")));
        parts.push("MODE=\"0660\"".to_owned());
        parts.join(", ") + "\n"
    }
}

/// A value as a pattern that fits it.
fn pattern(value: &str) -> String {
    let is_plain = |letter: char| letter.is_ascii_alphanumeric() || "#+-.:=@_/".contains(letter);
    value.chars().map(|letter| if is_plain(letter) || value == "event*" { letter } else { '?' }).collect()
}

/// What udev knows of a device that is there.
fn properties(database: &Path, device: &Path) -> BTreeMap<String, String> {
    let Ok(metadata) = device.metadata() else { return BTreeMap::new() };
    let number = metadata.rdev();
    let file = database.join(format!("c{}:{}", major(number), minor(number)));
    let text = fs::read_to_string(file).unwrap_or_default();
    let pairs = text.lines().filter_map(|line| line.strip_prefix("E:")?.split_once('='));
    pairs.map(|(key, value)| (key.to_owned(), value.to_owned())).collect()
}

/// What tells a device from all others.
fn told_by(path: &Path, known: &BTreeMap<String, String>) -> Option<Vec<(&'static str, String)>> {
    let get = |key: &str| known.get(key).filter(|value| !value.is_empty()).cloned();
    let interface = get("ID_USB_INTERFACE_NUM").map(|number| ("ENV{ID_USB_INTERFACE_NUM}", number));
    let by = |key: &'static str, value: String| vec![(key, value)];
    let told_by = match (get("ID_SERIAL"), get("ID_SERIAL_SHORT"), get("ID_PATH")) {
        (Some(id), Some(_), _) | (Some(id), None, None) => Some(by("ENV{ID_SERIAL}", id)),
        (_, _, Some(place)) => Some(by("ENV{ID_PATH}", place)),
        _ => None,
    };
    if let Some(mut told_by) = told_by {
        // Several ports of one adapter.
        told_by.extend(interface);
        return Some(told_by);
    }
    let name = path.file_name()?.to_str()?;
    let is_in = |folder: &str| path.parent().is_some_and(|parent| parent.ends_with(folder));
    if is_in("serial/by-id") {
        let (id, rest) = name.split_once('-')?.1.rsplit_once("-if")?;
        let interface = rest.get(..2)?.to_owned();
        return Some(vec![("ENV{ID_SERIAL}", id.to_owned()), ("ENV{ID_USB_INTERFACE_NUM}", interface)]);
    }
    if is_in("serial/by-path") {
        let place = name.rsplit_once("-port").map_or(name, |(place, _)| place);
        return Some(by("ENV{ID_PATH}", place.to_owned()));
    }
    // A port of the board keeps its name; anything else that is not there is not known.
    let is_fixed = path.parent() == Some(Path::new("/dev"))
        && ["ttyS", "ttyAMA"].iter().any(|start| name.starts_with(start));
    is_fixed.then(|| by("KERNEL", name.to_owned()))
}

/// The group that shall open it: its own, if a user may join that, else a usual one of this system.
fn group(path: &Path, usual: &[&str]) -> Option<String> {
    let own = path.metadata().ok().map(|metadata| metadata.gid()).filter(|gid| *gid != 0);
    let own = own.and_then(|gid| Group::from_gid(Gid::from_raw(gid)).ok().flatten());
    let exists = |name: &&&str| Group::from_name(name).is_ok_and(|group| group.is_some());
    own.map(|group| group.name).or_else(|| usual.iter().find(exists).map(|name| (*name).to_owned()))
}

#[cfg(test)]
mod tests {
    use crate::run::service_command::device_rules::*;

    fn known(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
        pairs.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect()
    }

    /// Properties as udev's builtins usb_id and path_id set them (udev(7), systemd's 60-serial.rules).
    #[test]
    fn a_device_is_told_by_what_stays() {
        let path = Path::new("/dev/ttyUSB0");
        let id = ("ID_SERIAL", "Bench_Radio_0001");
        let place = ("ID_PATH", "platform-usb-0:1.2:1.0");
        let interface = ("ID_USB_INTERFACE_NUM", "00");
        let by = |pairs: &[(&str, &str)]| told_by(path, &known(pairs)).unwrap();
        assert_eq!(by(&[id, ("ID_SERIAL_SHORT", "0001"), place, interface])[0].0, "ENV{ID_SERIAL}");
        assert_eq!(by(&[id, ("ID_SERIAL_SHORT", "0001"), place, interface])[1].1, "00");
        // Without a number of its own another one of its make would be taken for it.
        assert_eq!(by(&[id, place]), [("ENV{ID_PATH}", place.1.to_owned())]);
        assert_eq!(by(&[id]), [("ENV{ID_SERIAL}", id.1.to_owned())]);
        assert_eq!(told_by(path, &known(&[])), None, "not there, and its name does not stay");
    }

    #[test]
    fn names_of_the_profile_tell_what_is_not_plugged_in() {
        let by = |path: &str| told_by(Path::new(path), &known(&[])).unwrap();
        let told = by("/dev/serial/by-id/usb-Bench-ifm_Radio_0001-if01-port0");
        assert_eq!(
            told,
            [
                ("ENV{ID_SERIAL}", "Bench-ifm_Radio_0001".to_owned()),
                ("ENV{ID_USB_INTERFACE_NUM}", "01".to_owned())
            ]
        );
        assert_eq!(by("/dev/serial/by-path/platform-usb-0:1.2:1.0-port0")[0].1, "platform-usb-0:1.2:1.0");
        assert_eq!(by("/dev/ttyAMA0"), [("KERNEL", "ttyAMA0".to_owned())]);
        assert!(told_by(Path::new("/dev/serial/by-id/odd"), &known(&[])).is_none());
    }

    #[test]
    fn nothing_of_a_name_ends_its_value_or_means_more_than_itself() {
        assert_eq!(pattern("a\"b*c[d]|e$f%g\\h i"), "a?b?c?d??e?f?g?h?i");
        assert_eq!(pattern("Bench_Radio#1:2.0"), "Bench_Radio#1:2.0");
    }

    #[test]
    fn the_database_of_udev_is_read_by_number() {
        let folder = tempfile::tempdir().unwrap();
        // 1:3 is /dev/null on every Linux (its devices.txt).
        fs::write(folder.path().join("c1:3"), "I:7\nE:ID_SERIAL=x=y\nE:ID_PATH=p\nG:tag\n").unwrap();
        let found = properties(folder.path(), Path::new("/dev/null"));
        assert_eq!(found, known(&[("ID_SERIAL", "x=y"), ("ID_PATH", "p")]));
        assert!(properties(folder.path(), Path::new("/dev/no-such-port")).is_empty());
    }
}
