//! The serial ports and joysticks of this computer, for people to choose from.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use tokio_serial::SerialPortType;

use crate::record::joystick_layout::JoystickLayout;

use super::health_files::word;

/// A serial port that was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PortFound {
    /// The device.
    pub path: PathBuf,
    /// What it is, where that is known.
    pub description: Option<String>,
    /// A name that stays with it, where there is one: by what it is, else by the socket it is in; else its path.
    pub stable: PathBuf,
}

/// The kernel's list of terminals, serial ports among them.
const SERIAL_CLASS: &str = "/sys/class/tty";
/// Links that name what is plugged in, as udev makes them: by what it is, and by where it is.
const SERIAL_LINKS: [&str; 2] = ["/dev/serial/by-id", "/dev/serial/by-path"];
const INPUT_LINKS: [&str; 2] = ["/dev/input/by-id", "/dev/input/by-path"];

/// The serial ports found, in the order of their names. On Linux those that the
/// system lists with hardware behind them; elsewhere what the platform tells.
#[must_use]
pub fn serial_ports() -> Vec<PortFound> {
    let mut found: BTreeMap<PathBuf, Option<String>> = BTreeMap::new();
    // A container may lack the folder, and the crate then panics.
    let told = Path::new(SERIAL_CLASS).is_dir().then(tokio_serial::available_ports);
    for port in told.and_then(Result::ok).unwrap_or_default() {
        let path = PathBuf::from(port.port_name.replace(&format!("{SERIAL_CLASS}/"), "/dev/"));
        found.insert(path, described(&port.port_type));
    }
    for (path, description) in listed_by_system(Path::new(SERIAL_CLASS)) {
        let known = found.entry(path).or_default();
        if description.is_some() {
            *known = description;
        }
    }
    let found: Vec<_> = found.into_iter().filter(|(path, _)| path.exists()).collect();
    with_stable_names(&found, SERIAL_LINKS.map(Path::new))
}

/// Two adapters that tell the same of themselves share one name, which is that of the one plugged in last: they are
/// named by their sockets.
fn with_stable_names(found: &[(PathBuf, Option<String>)], folders: [&Path; 2]) -> Vec<PortFound> {
    let [ids, places] = folders.map(links);
    let has_twin = |path: &Path, words: Option<&String>| {
        let is_twin = |(other, its): &(PathBuf, Option<String>)| {
            other != path && words.is_some() && its.as_ref() == words && !ids.contains_key(other)
        };
        found.iter().any(is_twin)
    };
    let named = found.iter().map(|(path, words)| {
        let target = path.canonicalize().unwrap_or_else(|_| path.clone());
        let id = ids.get(&target).filter(|_| !has_twin(path, words.as_ref()));
        let stable = id.or_else(|| places.get(&target)).unwrap_or(path).clone();
        PortFound { path: path.clone(), description: words.clone(), stable }
    });
    named.collect()
}

/// What each link of a folder leads to; of several to one device the first by name.
fn links(folder: &Path) -> BTreeMap<PathBuf, PathBuf> {
    let mut all: Vec<PathBuf> =
        std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    all.sort_by(|one, other| other.cmp(one));
    all.into_iter().filter_map(|link| Some((link.canonicalize().ok()?, link))).collect()
}

/// The joysticks found (Linux), in the order of their names: input devices with stick axes
/// that are no touch screens. Nothing is opened, so no right is needed.
#[must_use]
pub fn joysticks() -> Vec<PortFound> {
    with_stable_names(&listed_joysticks(Path::new("/sys/class/input")), INPUT_LINKS.map(Path::new))
}

fn listed_joysticks(class: &Path) -> Vec<(PathBuf, Option<String>)> {
    /// BTN_TOUCH of linux/input-event-codes.h.
    const TOUCH: u16 = 0x14A;
    let Ok(entries) = std::fs::read_dir(class) else { return Vec::new() };
    let mut found: Vec<(u32, (PathBuf, Option<String>))> = entries
        .filter_map(Result::ok)
        .filter_map(|entry| {
            let number = entry.file_name().to_str()?.strip_prefix("event")?.parse().ok()?;
            let device = entry.path().join("device");
            let axes = read_bits(&device.join("capabilities/abs"));
            let sticks = axes.iter().filter(|code| JoystickLayout::is_stick(**code)).count();
            if sticks == 0 || read_bits(&device.join("capabilities/key")).contains(&TOUCH) {
                return None;
            }
            let name = word(&device.join("name")).unwrap_or_default();
            let description = Some(format!("joystick with {sticks} axes  {name}").trim_end().to_owned());
            let path = Path::new("/dev/input").join(entry.file_name());
            Some((number, (path, description)))
        })
        .collect();
    found.sort_by_key(|(number, _)| *number);
    found.into_iter().map(|(_, port)| port).collect()
}

/// The bits that the kernel prints as hexadecimal words of a long each, the highest first.
fn read_bits(path: &Path) -> Vec<u16> {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    let words = text.split_ascii_whitespace().rev().map(|word| u64::from_str_radix(word, 16).unwrap_or(0));
    let bits = words.take(64).enumerate().flat_map(|(place, word)| {
        (0..u64::BITS.min(usize::BITS)).filter(move |bit| word >> bit & 1 == 1).map(move |bit| (place, bit))
    });
    bits.map(|(place, bit)| (place as u32 * usize::BITS + bit) as u16).collect()
}

fn described(kind: &SerialPortType) -> Option<String> {
    match kind {
        SerialPortType::UsbPort(usb) => {
            let words: Vec<&str> =
                [usb.manufacturer.as_deref(), usb.product.as_deref()].into_iter().flatten().collect();
            let ids = format!("USB {:04x}:{:04x}", usb.vid, usb.pid);
            Some(if words.is_empty() { ids } else { format!("{} ({ids})", words.join(" ")) })
        }
        SerialPortType::BluetoothPort => Some("Bluetooth".to_owned()),
        SerialPortType::PciPort | SerialPortType::Unknown => None,
    }
}

/// Ports under the kernel's list that have a device behind them; the many legacy
/// ports that exist in name only (type 0 of the 8250 driver) are left out.
fn listed_by_system(class: &Path) -> Vec<(PathBuf, Option<String>)> {
    let Ok(entries) = std::fs::read_dir(class) else { return Vec::new() };
    entries
        .filter_map(Result::ok)
        .filter(|entry| entry.path().join("device").exists())
        .filter(|entry| word(&entry.path().join("type")).is_none_or(|kind| kind != "0"))
        .map(|entry| (Path::new("/dev").join(entry.file_name()), usb_words(&entry.path().join("device"))))
        .collect()
}

/// Maker, product and ids of the USB device above a port.
fn usb_words(device: &Path) -> Option<String> {
    let device = device.canonicalize().ok()?;
    let usb = device.ancestors().take(4).find(|folder| folder.join("idVendor").exists())?;
    let ids = format!("USB {}:{}", word(&usb.join("idVendor"))?, word(&usb.join("idProduct"))?);
    let names: Vec<String> =
        ["manufacturer", "product"].iter().filter_map(|name| word(&usb.join(name))).collect();
    Some(if names.is_empty() { ids } else { format!("{} ({ids})", names.join(" ")) })
}

#[cfg(test)]
mod tests {
    use crate::source::ports::*;

    #[test]
    fn ports_with_a_device_are_listed_and_described() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        let usb = root.join("devices/usb1/1-1");
        let function = usb.join("1-1:1.0/ttyACM0");
        std::fs::create_dir_all(&function).unwrap();
        std::fs::write(usb.join("idVendor"), "1234\n").unwrap();
        std::fs::write(usb.join("idProduct"), "abcd\n").unwrap();
        std::fs::write(usb.join("product"), "Bench radio\n").unwrap();
        let class = root.join("class");
        for name in ["ttyACM0", "ttyS3"] {
            std::fs::create_dir_all(class.join(name)).unwrap();
            std::os::unix::fs::symlink(&function, class.join(name).join("device")).unwrap();
        }
        std::fs::write(class.join("ttyS3/type"), "0\n").unwrap();
        std::fs::create_dir_all(class.join("tty5")).unwrap();
        let ports = listed_by_system(&class);
        assert_eq!(ports, [("/dev/ttyACM0".into(), Some("Bench radio (USB 1234:abcd)".to_owned()))]);
    }

    /// Bitmaps as drivers/input/input.c prints them: words of a long, the highest first.
    #[cfg(target_pointer_width = "64")]
    #[test]
    fn joysticks_are_listed_and_keyboards_and_touch_screens_are_not() {
        let folder = tempfile::tempdir().unwrap();
        for (event, name, axes, keys) in [
            ("event10", "Bench sticks", "3003f", "ffff000000000000 0 0 0 0"),
            ("event2", "Throttle\u{7}", "40", "0"),
            ("event3", "Keys", "0", "fffffffffffffffe"),
            ("event4", "Touch", "260800000000003", "400 0 0 0 0 0"),
            ("mouse0", "Mouse", "3", "0"),
        ] {
            let capabilities = folder.path().join(event).join("device/capabilities");
            std::fs::create_dir_all(&capabilities).unwrap();
            std::fs::write(capabilities.join("abs"), axes).unwrap();
            std::fs::write(capabilities.join("key"), keys).unwrap();
            std::fs::write(folder.path().join(event).join("device/name"), format!("{name}\n")).unwrap();
        }
        let found: Vec<String> = listed_joysticks(folder.path())
            .into_iter()
            .map(|(path, description)| format!("{} {}", path.display(), description.unwrap()))
            .collect();
        let expected = [
            "/dev/input/event2 joystick with 1 axes  Throttle\u{fffd}",
            "/dev/input/event10 joystick with 6 axes  Bench sticks",
        ];
        assert_eq!(found, expected);
    }

    #[test]
    fn ports_are_named_by_what_they_are_and_twins_by_their_sockets() {
        use std::os::unix::fs::symlink;
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().canonicalize().unwrap();
        let device = |name: &str| root.join(name);
        let folders = ["by-id", "by-path"].map(|name| root.join(name));
        for folder in &folders {
            std::fs::create_dir(folder).unwrap();
        }
        for (name, id) in [
            ("ttyACM0", Some("usb-Radio-if00")),
            ("ttyACM1", None),
            ("ttyACM2", Some("usb-Gps-if00")),
            ("ttyS0", None),
        ] {
            std::fs::write(device(name), "").unwrap();
            if let Some(id) = id {
                symlink(device(name), folders[0].join(id)).unwrap();
            }
            if name != "ttyS0" {
                symlink(device(name), folders[1].join(format!("usb-{name}"))).unwrap();
            }
        }
        symlink(device("gone"), folders[0].join("usb-Gone")).unwrap();
        let words = |text: &str| Some(text.to_owned());
        let found = vec![
            (device("ttyACM0"), words("Radio")),
            (device("ttyACM1"), words("Radio")),
            (device("ttyACM2"), words("Gps")),
            (device("ttyS0"), None),
        ];
        let named = with_stable_names(&found, [&folders[0], &folders[1]]);
        let stable: Vec<&Path> = named.iter().map(|port| port.stable.strip_prefix(&root).unwrap()).collect();
        let expected = ["by-path/usb-ttyACM0", "by-path/usb-ttyACM1", "by-id/usb-Gps-if00", "ttyS0"];
        assert_eq!(stable, expected.map(Path::new));
    }

    #[test]
    fn listing_needs_no_rights() {
        for port in serial_ports() {
            assert!(port.path.starts_with("/dev"));
        }
    }
}
