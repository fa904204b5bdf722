//! `udp://...?from=ADDRESS`: the one sender that a listening port takes datagrams of.

use std::fmt;
use std::net::{IpAddr, SocketAddr};
use std::str::FromStr;

/// An address, with a port or with any.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OnlyFrom {
    ip: IpAddr,
    port: Option<u16>,
}

impl OnlyFrom {
    /// Whether a datagram of this sender is taken.
    #[must_use]
    pub fn takes(self, sender: SocketAddr) -> bool {
        // A port that listens for both versions gives version 4 inside version 6.
        sender.ip().to_canonical() == self.ip && self.port.is_none_or(|port| port == sender.port())
    }
}

impl FromStr for OnlyFrom {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let bare = text.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(text);
        if let Ok(ip) = bare.parse::<IpAddr>() {
            return Ok(Self { ip: ip.to_canonical(), port: None });
        }
        let pinned = text.parse::<SocketAddr>().ok().filter(|address| address.port() > 0);
        pinned
            .map(|address| Self { ip: address.ip().to_canonical(), port: Some(address.port()) })
            .ok_or_else(|| format!("'{text}' is no address; use from=192.168.1.7 or from=192.168.1.7:14550"))
    }
}

impl fmt::Display for OnlyFrom {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.port {
            Some(port) => SocketAddr::new(self.ip, port).fmt(out),
            None => self.ip.fmt(out),
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::source::only_from::*;

    #[test]
    fn it_takes_its_own_alone() {
        let takes =
            |only: &str, sender: &str| only.parse::<OnlyFrom>().unwrap().takes(sender.parse().unwrap());
        assert!(takes("10.0.0.7", "10.0.0.7:14550") && takes("10.0.0.7", "10.0.0.7:1"));
        assert!(takes("10.0.0.7", "[::ffff:10.0.0.7]:9") && !takes("10.0.0.7", "10.0.0.66:14550"));
        assert!(takes("10.0.0.7:14550", "10.0.0.7:14550") && !takes("10.0.0.7:14550", "10.0.0.7:14551"));
        assert!(takes("fe80::1", "[fe80::1]:5") && takes("[fe80::1]", "[fe80::1]:5"));
        assert!(!takes("[fe80::1]:6", "[fe80::1]:5"));
    }

    #[test]
    fn it_prints_as_it_parses() {
        for text in ["10.0.0.7", "10.0.0.7:14550", "fe80::1", "[fe80::1]:6"] {
            assert_eq!(text.parse::<OnlyFrom>().unwrap().to_string(), text);
        }
        for text in ["", "radio.local", "10.0.0.7:0", "10.0.0", "10.0.0.7:x"] {
            assert!(text.parse::<OnlyFrom>().unwrap_err().contains("from=192.168.1.7"), "{text}");
        }
    }
}
