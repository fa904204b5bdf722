//! What `ports` says of each port and joystick.

use std::path::Path;

use crate::source::{Holders, PortFound};

/// Whether this user may open it; else what to do.
pub type MayOpen = Result<(), String>;

/// Where there is no serial port.
pub const NO_SERIAL_PORT: &str = "No serial port found. Plug the adapter in, by a cable that carries data, not only power; what the kernel \
     said of it: sudo dmesg | tail. A board's own serial pins must be switched on in its settings. Over the network \
     none is needed: --vehicle udp://0.0.0.0:14550";
/// Where there is no joystick.
pub const NO_JOYSTICK: &str = "No joystick found. Sticks can also be heard as messages: --handset udp://0.0.0.0:14552, or through --forward.";

/// A serial port, and what to type for it.
#[must_use]
pub fn serial_port(port: &PortFound, may_open: &MayOpen, holders: &Holders) -> [String; 2] {
    let what = match &port.description {
        Some(words) => format!("a serial port, {words}"),
        None => "a serial port of this computer itself".to_owned(),
    };
    let held = if holders.seen.is_empty() {
        nobody(holders)
    } else {
        format!("{} it: close that, or stand in the path with --forward.", holding(holders, "hold"))
    };
    let url = format!("--vehicle 'serial:{}?baud=auto'", port.stable.display());
    [format!("{}: {what}. {} {held}", port.path.display(), opening(may_open)), typed(&url, port)]
}

/// A joystick, and what to type for it.
#[must_use]
pub fn joystick(port: &PortFound, may_open: &MayOpen, holders: &Holders) -> [String; 2] {
    let what = port.description.as_deref().unwrap_or("joystick");
    let held = if holders.seen.is_empty() {
        nobody(holders)
    } else {
        format!("{} it too, which does no harm.", holding(holders, "read"))
    };
    let url = format!("--handset 'evdev:{}'", port.stable.display());
    [format!("{}: a {what}. {} {held}", port.path.display(), opening(may_open)), typed(&url, port)]
}

fn opening(may_open: &MayOpen) -> String {
    match may_open {
        Ok(()) => "You may open it.".to_owned(),
        Err(advice) => format!("You may not open it: {advice}."),
    }
}

fn nobody(holders: &Holders) -> String {
    let whose = if holders.is_partial { " of yours" } else { "" };
    format!("No program{whose} holds it.")
}

/// Who, in words that end with what they do.
fn holding(holders: &Holders, verb: &str) -> String {
    let named = holders.seen.iter().map(|holder| format!("{} (process {})", holder.name, holder.process));
    let named: Vec<String> = named.collect();
    match named.as_slice() {
        [one] => format!("The program {one} {verb}s"),
        several => format!("The programs {} {verb}", several.join(", ")),
    }
}

/// What to type; how long its name holds.
fn typed(url: &str, port: &PortFound) -> String {
    let is_in = |folder: &str| port.stable.parent().is_some_and(|parent| parent.ends_with(folder));
    let holds = if is_in("by-id") {
        ""
    } else if is_in("by-path") {
        "  (the name of the socket it is in)"
    } else if is_fixed(&port.path) {
        ""
    } else {
        "  (may have another name after the next start)"
    };
    format!("  {url}{holds}")
}

/// Ports of the board itself keep their names.
fn is_fixed(path: &Path) -> bool {
    let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
    !["ttyUSB", "ttyACM", "event", "rfcomm"].iter().any(|start| name.starts_with(start))
}

#[cfg(test)]
mod tests {
    use crate::source::holders::Holder;
    use crate::wording::port_words::*;

    fn found(path: &str, stable: &str) -> PortFound {
        PortFound {
            path: path.into(),
            description: Some("Bench radio (USB 1234:abcd)".to_owned()),
            stable: stable.into(),
        }
    }

    fn held(names: &[&str]) -> Holders {
        let seen = names
            .iter()
            .zip(7..)
            .map(|(name, process)| Holder { name: (*name).to_owned(), process })
            .collect();
        Holders { seen, is_partial: false }
    }

    #[test]
    fn a_port_says_what_it_is_who_holds_it_and_what_to_type() {
        let [said, typed] = serial_port(
            &found("/dev/ttyACM0", "/dev/serial/by-id/usb-Bench-if00"),
            &Ok(()),
            &held(&["radiod"]),
        );
        assert_eq!(
            said,
            "/dev/ttyACM0: a serial port, Bench radio (USB 1234:abcd). You may open it. The program radiod (process 7) \
             holds it: close that, or stand in the path with --forward."
        );
        assert_eq!(typed, "  --vehicle 'serial:/dev/serial/by-id/usb-Bench-if00?baud=auto'");
        let [said, typed] = joystick(
            &found("/dev/input/event3", "/dev/input/event3"),
            &Err("join radio".to_owned()),
            &held(&["a", "b"]),
        );
        assert!(
            said.contains(
                "You may not open it: join radio. The programs a (process 7), b (process 8) read it too"
            ),
            "{said}"
        );
        assert!(
            typed.ends_with("'evdev:/dev/input/event3'  (may have another name after the next start)"),
            "{typed}"
        );
        // Nobody is called absent who could not be seen.
        let unseen = Holders { is_partial: true, ..Holders::default() };
        let [said, typed] = serial_port(&found("/dev/ttyS0", "/dev/ttyS0"), &Ok(()), &unseen);
        assert!(said.ends_with("No program of yours holds it.") && typed.ends_with("baud=auto'"), "{said}");
        assert!(
            serial_port(&found("/dev/ttyS0", "/dev/ttyS0"), &Ok(()), &held(&[]))[0]
                .ends_with("No program holds it.")
        );
    }
}
