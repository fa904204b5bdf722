//! What there is to listen to on this computer, for a person to choose from: each a URL and its words.

use crate::source::{PortFound, joysticks, serial_ports};

/// The usual ports of telemetry and of video on the network: common practice, no source.
const TELEMETRY: &str = "udp://0.0.0.0:14550";
const VIDEO: &str = "udp://0.0.0.0:5004";

/// Where the vehicle's telemetry may come from.
pub(super) fn vehicle() -> Vec<(String, String)> {
    let serial = serial_ports().into_iter().map(|port| {
        let url = format!("serial:{}?baud=auto", port.stable.display());
        (url, shown(&port))
    });
    [(TELEMETRY.to_owned(), "UDP port 14550".to_owned())].into_iter().chain(serial).collect()
}

/// Where sticks may be heard.
pub(super) fn sticks() -> Vec<(String, String)> {
    joysticks().iter().map(|found| (format!("evdev:{}", found.stable.display()), shown(found))).collect()
}

/// Where the video's packets may come from.
pub(super) fn video() -> Vec<(String, String)> {
    vec![(VIDEO.to_owned(), "UDP port 5004".to_owned())]
}

fn shown(found: &PortFound) -> String {
    let words = found.description.as_deref().unwrap_or_default();
    format!("{}  {words}", found.path.display()).trim_end().to_owned()
}
