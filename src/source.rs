//! Where bytes come from: URLs of sources, and the tasks that read them.
//!
//! Every source hands its chunks to one [`ingest_queue::Intake`], which stamps and orders
//! them. A source that goes away is tried again until it is back; what it had
//! received stays received. Nothing here looks into the bytes.

pub mod ingest_queue;

pub(crate) mod byte_stream;
pub(crate) mod endpoint;
pub(crate) mod evdev;
pub(crate) mod health_files;
pub(crate) mod holders;
pub(crate) mod host_drops;
mod netlink;
pub(crate) mod only_from;
pub(crate) mod packet_socket;
mod peer;
pub(crate) mod ports;
pub(crate) mod reader;
pub(crate) mod readiness;
pub(crate) mod receive;
pub(crate) mod rights;
pub(crate) mod stall_watch;
pub(crate) mod transmit;
pub(crate) mod udp;
pub(crate) mod wifi;

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

pub use only_from::OnlyFrom;

pub use holders::{Holders, holders};
pub use ports::{PortFound, joysticks, serial_ports};

/// Baud rate of a serial source that names none.
pub const DEFAULT_BAUD: u32 = 115_200;

/// Where a source reads from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SourceUrl {
    /// `serial:/dev/ttyACM0?baud=115200`.
    Serial {
        /// The device.
        path: PathBuf,
        /// Bits a second; `None` (`baud=auto`): found from what arrives.
        baud: Option<u32>,
    },
    /// `udp://0.0.0.0:14550?from=192.168.1.7`: where to listen, and to whom alone; for `--forward`, whom to send to.
    Udp {
        /// Name or address, without brackets.
        host: String,
        /// Port.
        port: u16,
        /// The one sender whose datagrams are taken; `None`: all.
        from: Option<OnlyFrom>,
    },
    /// `tcp://host:port`: whom to connect to.
    Tcp {
        /// Name or address, without brackets.
        host: String,
        /// Port.
        port: u16,
    },
    /// `evdev:/dev/input/event3`: a Linux joystick, as the handset.
    Joystick(PathBuf),
    /// `capture:wlan0?port=5004`: a network interface, beside the program that holds the port (Linux).
    Capture {
        /// The interface.
        interface: String,
        /// UDP ports, at either end; none: all.
        ports: Vec<u16>,
    },
    /// `wifi:wlan0`: the kernel's own signal figure of a wireless card (Linux).
    Wifi(String),
    /// `-`: standard input.
    Stdin,
    /// A file, a named pipe or a device, read from start to end.
    File(PathBuf),
}

/// A source URL that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("cannot use source '{url}': {reason}")]
pub struct SourceUrlError {
    url: String,
    reason: String,
}

/// A source that could not be opened.
#[derive(Debug, thiserror::Error)]
#[error("cannot open {what} '{url}': {reason}; {advice}")]
pub struct OpenError {
    /// What it is for, e.g. `vehicle source`.
    pub what: String,
    /// As typed.
    pub url: String,
    /// Why.
    pub reason: String,
    /// What to do.
    pub advice: String,
}

impl SourceUrl {
    /// Whether it listens on every address of this computer, to whoever sends.
    pub(crate) fn is_open_to_all(&self) -> bool {
        let Self::Udp { host, from: None, .. } = self else { return false };
        host.parse().is_ok_and(|address: std::net::IpAddr| address.is_unspecified())
    }
}

const FORMS: &str = "use serial:/dev/NAME?baud=115200, udp://0.0.0.0:14550, tcp://HOST:PORT, evdev:/dev/input/eventN, capture:IFACE?port=N, wifi:IFACE, a file's path, or - for standard input";

impl FromStr for SourceUrl {
    type Err = SourceUrlError;

    fn from_str(url: &str) -> Result<Self, SourceUrlError> {
        let wrong = |reason: String| SourceUrlError { url: url.to_owned(), reason };
        if url == "-" {
            return Ok(Self::Stdin);
        }
        if url.is_empty() {
            return Err(wrong(format!("it is empty; {FORMS}")));
        }
        if let Some(rest) = url.strip_prefix("serial:") {
            return parse_serial(rest).map_err(wrong);
        }
        if let Some(rest) = url.strip_prefix("evdev:") {
            let path = rest.strip_prefix("//").filter(|path| path.starts_with('/')).unwrap_or(rest);
            if path.is_empty() {
                let reason = "it names no device; use evdev:/dev/input/eventN ('ports' lists joysticks)";
                return Err(wrong(reason.to_owned()));
            }
            return Ok(Self::Joystick(PathBuf::from(path)));
        }
        if let Some(rest) = url.strip_prefix("capture:") {
            return parse_capture(rest).map_err(wrong);
        }
        if let Some(rest) = url.strip_prefix("wifi:") {
            return match rest.trim_start_matches("//") {
                card if is_interface(card) => Ok(Self::Wifi(card.to_owned())),
                _ => Err(wrong("it names no wireless card; use wifi:IFACE, e.g. wifi:wlan0".to_owned())),
            };
        }
        if let Some(rest) = url.strip_prefix("udp://") {
            return parse_udp(rest).map_err(wrong);
        }
        if let Some(rest) = url.strip_prefix("tcp://") {
            let (host, port) = parse_address(rest, "").map_err(wrong)?;
            return Ok(Self::Tcp { host, port });
        }
        match url.split_once(':') {
            Some((scheme, rest))
                if rest.starts_with("//")
                    || matches!(scheme, "udp" | "tcp" | "tty" | "com" | "usb" | "file") =>
            {
                Err(wrong(format!("unknown source type '{scheme}:'; {FORMS}")))
            }
            _ => Ok(Self::File(PathBuf::from(url))),
        }
    }
}

impl fmt::Display for SourceUrl {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serial { path, baud: Some(baud) } => write!(out, "serial:{}?baud={baud}", path.display()),
            Self::Serial { path, baud: None } => write!(out, "serial:{}?baud=auto", path.display()),
            Self::Udp { host, port, from: None } => write!(out, "udp://{}", joined(host, *port)),
            Self::Udp { host, port, from: Some(from) } => {
                write!(out, "udp://{}?from={from}", joined(host, *port))
            }
            Self::Tcp { host, port } => write!(out, "tcp://{}", joined(host, *port)),
            Self::Joystick(path) => write!(out, "evdev:{}", path.display()),
            Self::Capture { interface, ports } => {
                write!(out, "capture:{interface}")?;
                for (index, port) in ports.iter().enumerate() {
                    write!(out, "{}port={port}", if index == 0 { '?' } else { '&' })?;
                }
                Ok(())
            }
            Self::Wifi(card) => write!(out, "wifi:{card}"),
            Self::Stdin => out.write_str("-"),
            Self::File(path) => write!(out, "{}", path.display()),
        }
    }
}

/// Host and port as one word, with brackets where the host needs them.
pub(crate) fn joined(host: &str, port: u16) -> String {
    if host.contains(':') { format!("[{host}]:{port}") } else { format!("{host}:{port}") }
}

fn parse_serial(rest: &str) -> Result<SourceUrl, String> {
    let (path, query) = rest.split_once('?').map_or((rest, None), |(path, query)| (path, Some(query)));
    let path = path.strip_prefix("//").filter(|path| path.starts_with('/')).unwrap_or(path);
    if path.is_empty() {
        return Err(
            "it names no device; use serial:/dev/NAME?baud=115200 ('ports' lists what is there)".into()
        );
    }
    let mut baud = Some(DEFAULT_BAUD);
    for pair in query.into_iter().flat_map(|query| query.split('&')) {
        match pair.split_once('=') {
            Some(("baud", "auto")) => baud = None,
            Some(("baud", value)) => {
                let number = value.parse().ok().filter(|baud| *baud > 0);
                baud = Some(number.ok_or_else(|| {
                    format!(
                        "baud '{value}' is no number of bits a second; use e.g. baud=115200, or baud=auto"
                    )
                })?);
            }
            _ => {
                let reason = "is no option of a serial port; the only one is baud=NUMBER, or baud=auto";
                return Err(format!("'{pair}' {reason}"));
            }
        }
    }
    Ok(SourceUrl::Serial { path: PathBuf::from(path), baud })
}

/// Whether it can be a network interface's name, which becomes part of a path.
fn is_interface(name: &str) -> bool {
    !name.is_empty() && name.len() <= 15 && !name.contains(['/', ' ', ':']) && !matches!(name, "." | "..")
}

fn parse_capture(rest: &str) -> Result<SourceUrl, String> {
    let (interface, query) = rest.split_once('?').map_or((rest, None), |(name, query)| (name, Some(query)));
    let interface = interface.trim_start_matches("//");
    if !is_interface(interface) {
        return Err("it names no network interface; use capture:IFACE?port=N ('ip link' lists them)".into());
    }
    let mut ports = Vec::new();
    for pair in query.into_iter().flat_map(|query| query.split('&')) {
        match pair.split_once('=') {
            Some(("port", value)) => {
                let port = value.parse().ok().filter(|port| *port > 0);
                ports.push(port.ok_or_else(|| format!("'{value}' is no port from 1 to 65535"))?);
            }
            _ => return Err(format!("'{pair}' is no option of a capture; the only one is port=NUMBER")),
        }
    }
    Ok(SourceUrl::Capture { interface: interface.to_owned(), ports })
}

fn parse_udp(rest: &str) -> Result<SourceUrl, String> {
    let (address, query) =
        rest.split_once('?').map_or((rest, None), |(address, query)| (address, Some(query)));
    let (host, port) = parse_address(address, "0.0.0.0")?;
    let from = match query.map(|query| query.split_once('=')) {
        None => None,
        Some(Some(("from", sender))) => Some(sender.parse()?),
        Some(_) => {
            let query = query.unwrap_or_default();
            return Err(format!("'{query}' is no option of UDP; the only one is from=ADDRESS"));
        }
    };
    Ok(SourceUrl::Udp { host, port, from })
}

fn parse_address(rest: &str, default_host: &str) -> Result<(String, u16), String> {
    let example = "use HOST:PORT, e.g. 0.0.0.0:14550 or [::]:14550";
    let (host, port) = match rest.strip_prefix('[') {
        Some(bracketed) => bracketed
            .split_once("]:")
            .filter(|(host, _)| host.parse::<std::net::Ipv6Addr>().is_ok())
            .ok_or_else(|| format!("'{rest}' is no address with a port; {example}"))?,
        None => rest
            .rsplit_once(':')
            .filter(|(host, _)| !host.contains(':'))
            .ok_or_else(|| format!("'{rest}' has no port; {example}"))?,
    };
    let port = port
        .parse()
        .ok()
        .filter(|port| *port > 0)
        .ok_or_else(|| format!("'{port}' is no port from 1 to 65535; {example}"))?;
    let host = if host.is_empty() { default_host } else { host };
    if host.is_empty() || host.contains(['/', '?', ' ', '@']) {
        return Err(format!("'{rest}' names no host; {example}"));
    }
    Ok((host.to_owned(), port))
}

#[cfg(test)]
mod tests {
    use crate::source::*;

    fn parsed(url: &str) -> SourceUrl {
        url.parse().unwrap()
    }

    #[test]
    fn every_form_parses_and_prints_back() {
        for url in [
            "serial:/dev/ttyACM0?baud=57600",
            "serial:/dev/ttyACM0?baud=auto",
            "udp://0.0.0.0:14550",
            "udp://[::]:14550",
            "udp://0.0.0.0:14550?from=192.168.1.7",
            "udp://[::]:14550?from=[fe80::1]:14550",
            "tcp://radio.local:5760",
            "tcp://[fe80::1]:5760",
            "evdev:/dev/input/event3",
            "capture:wlan0?port=5004",
            "capture:eth0?port=5004&port=5600",
            "capture:mon0",
            "wifi:wlan0",
            "-",
            "logs/flight.bin",
        ] {
            assert_eq!(parsed(url).to_string(), url);
        }
        assert_eq!(
            parsed("serial:/dev/ttyUSB0"),
            SourceUrl::Serial { path: "/dev/ttyUSB0".into(), baud: Some(DEFAULT_BAUD) }
        );
        assert_eq!(
            parsed("udp://:14550"),
            SourceUrl::Udp { host: "0.0.0.0".into(), port: 14550, from: None }
        );
    }

    #[test]
    fn all_addresses_and_all_senders_are_open_to_all() {
        for (url, is_open) in [
            ("udp://0.0.0.0:14550", true),
            ("udp://[::]:14550", true),
            ("udp://127.0.0.1:14550", false),
            ("udp://0.0.0.0:14550?from=10.0.0.7", false),
            ("tcp://0.0.0.0:14550", false),
        ] {
            assert_eq!(parsed(url).is_open_to_all(), is_open, "{url}");
        }
    }

    #[test]
    fn wrong_urls_say_what_to_do_in_one_line() {
        for (url, part) in [
            ("", "empty"),
            ("serial:", "no device"),
            ("serial:/dev/ttyACM0?baud=fast", "baud=115200"),
            ("serial:/dev/ttyACM0?speed=9600", "baud=NUMBER"),
            ("udp://0.0.0.0", "no port"),
            ("udp://0.0.0.0:0", "1 to 65535"),
            ("udp://0.0.0.0:14550?from=radio", "no address"),
            ("udp://0.0.0.0:14550?to=10.0.0.7", "from=ADDRESS"),
            ("udp://0.0.0.0:99999", "1 to 65535"),
            ("udp://::1:14550", "no port"),
            ("tcp://:5760", "no host"),
            ("tcp://[nonsense]:5760", "no address"),
            ("http://example.org", "unknown source type"),
            ("udp:0.0.0.0:14550", "unknown source type"),
            ("evdev:", "no device"),
            ("capture:", "no network interface"),
            ("capture:../../etc", "no network interface"),
            ("capture:eth0?port=0", "1 to 65535"),
            ("capture:eth0?snaplen=9", "port=NUMBER"),
            ("wifi:", "no wireless card"),
            ("wifi:a/b", "no wireless card"),
        ] {
            let error = url.parse::<SourceUrl>().unwrap_err().to_string();
            assert!(error.contains(part), "{url}: {error}");
            assert!(!error.contains('\n'));
        }
    }
}
