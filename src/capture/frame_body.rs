//! From an 802.11 frame to the datagram in it, where there is one that can be read.
//!
//! IP behind LLC and SNAP (RFC 1042), or a bare body that by its looks is MAVLink or RTP, as
//! links send it that inject frames themselves: its two ends are then the link-local addresses
//! made of the frame's own (RFC 4291, appendix A), without ports.

use std::net::{Ipv6Addr, SocketAddr};

use super::internet::tagged;
use crate::record::Flow;
use crate::record::packet::LinkType;
use crate::units::hardware_address::Address;
use crate::wire::ieee80211;
use crate::wire::{radiotap, rtp};

const CHECK_SEQUENCE: usize = 4;

/// Behind a radiotap header.
pub(super) fn behind_radiotap(packet: &[u8]) -> Option<(Flow, &[u8])> {
    let header = radiotap::parse(packet)?;
    if header.is_damaged() {
        return None;
    }
    let bytes = packet.get(header.length..)?;
    let check = if header.has_check() { CHECK_SEQUENCE } else { 0 };
    in_frame(bytes.get(..bytes.len().checked_sub(check)?)?, header.is_padded())
}

/// Without a radio's header.
pub(super) fn in_frame(bytes: &[u8], padded: bool) -> Option<(Flow, &[u8])> {
    let frame = ieee80211::parse(bytes, padded)?;
    let body = frame.body?;
    if let Some(rest) = body.strip_prefix(&[0xAA, 0xAA, 3, 0, 0, 0]) {
        return tagged(rest);
    }
    if !matches!(body.first(), Some(0xFD | 0xFE)) && rtp::parse(body).is_none() {
        return None;
    }
    let end = |address| SocketAddr::new(link_local(address).into(), 0);
    Some((Flow { source: end(frame.header.transmitter), destination: end(frame.header.receiver) }, body))
}

/// Where the body of a frame on the air begins; `None` where it has none that can be opened.
pub(crate) fn before_body(link: LinkType, packet: &[u8]) -> Option<usize> {
    let header = match link {
        LinkType::RADIOTAP => radiotap::parse(packet)?,
        LinkType::IEEE802_11 => radiotap::Header::default(),
        _ => return None,
    };
    let frame = ieee80211::parse(packet.get(header.length..)?, header.is_padded())?;
    // It goes to the packet's end, with a check sequence where there is one.
    Some(packet.len() - frame.body?.len())
}

fn link_local([a, b, c, d, e, f]: Address) -> Ipv6Addr {
    let word = |high: u8, low: u8| u16::from_be_bytes([high, low]);
    Ipv6Addr::new(0xFE80, 0, 0, 0, word(a ^ 2, b), word(c, 0xFF), word(0xFE, d), word(e, f))
}

#[cfg(test)]
mod tests {
    use crate::capture::frame_body::*;

    #[test]
    fn a_bare_body_has_the_ends_that_the_addresses_make() {
        // RFC 4291, appendix A: 34-56-78-9A-BC-DE becomes 3656:78FF:FE9A:BCDE.
        let address = [0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE];
        assert_eq!(link_local(address).to_string(), "fe80::3656:78ff:fe9a:bcde");
    }
}
