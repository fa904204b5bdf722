//! From one captured packet to the UDP payload in it, without copying.
//!
//! Written by hand rather than with a general dissector: only the lengths, the two
//! addresses and the two ports of UDP are wanted, of every packet of a long video.
//! Ethernet (with VLAN tags), 802.11 (see [`air`]), RAW IP, Linux cooked v1 and v2 and loopback are read;
//! all else is [`Body::Other`], of which only the time counts. Of IP fragments the
//! first is given as far as it goes and the others are left out. A packet that was
//! cut when it was captured is given as far as it goes.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use super::frame_body;
use crate::record::packet::{LinkType, Packet};
use crate::record::{Body, Direction, Flow, InterfaceKind};

/// Private-use link type of stream bytes exactly as read.
pub(crate) const LINK_STREAM: u16 = 147;
/// Private-use link type of a joystick's events as the kernel gave them.
pub(crate) const LINK_JOYSTICK: u16 = 148;
/// Private-use link type of a wireless card's row in the kernel's table, as read.
pub(crate) const LINK_WIRELESS: u16 = 149;
/// RAW IP: an IPv4 or IPv6 packet without a link header.
pub(crate) const LINK_RAW_IP: u16 = 101;
const LINK_802_11: u16 = LinkType::IEEE802_11.0;
const LINK_RADIOTAP: u16 = LinkType::RADIOTAP.0;

const ETHERTYPE_IPV4: u16 = 0x0800;
const ETHERTYPE_IPV6: u16 = 0x86DD;
const PROTOCOL_UDP: u8 = 17;
/// Packet type of the cooked headers: sent by the computer that captured.
const COOKED_OUTGOING: u16 = 4;

/// What an interface of a link type carries.
pub(crate) const fn kind_of(link: u16) -> InterfaceKind {
    match link {
        LINK_STREAM => InterfaceKind::Stream,
        LINK_JOYSTICK => InterfaceKind::Joystick,
        LINK_WIRELESS => InterfaceKind::Wireless,
        _ if LinkType(link).is_on_air() => InterfaceKind::Captured(LinkType(link)),
        _ => InterfaceKind::Datagram,
    }
}

/// What a packet holds, and which way it went where its link header tells.
pub(crate) fn dissect(link: u16, packet: &[u8]) -> (Body<'_>, Option<Direction>) {
    match kind_of(link) {
        InterfaceKind::Stream | InterfaceKind::Joystick | InterfaceKind::Wireless => {
            (Body::Stream(packet), None)
        }
        InterfaceKind::Captured(link) => (Body::Packet(self::packet(link, packet)), None),
        InterfaceKind::Datagram | InterfaceKind::Marks => {
            let (datagram, direction) = inside(link, packet);
            (datagram.map_or(Body::Other, |(flow, bytes)| Body::Datagram { flow, bytes }), direction)
        }
    }
}

/// A packet with the datagram in it.
pub(crate) fn packet(link: LinkType, bytes: &[u8]) -> Packet<'_> {
    Packet::new(link, bytes, inside(link.0, bytes).0)
}

type Inside<'a> = (Option<(Flow, &'a [u8])>, Option<Direction>);

fn inside(link: u16, packet: &[u8]) -> Inside<'_> {
    match link {
        1 => (ethernet(packet), None),
        0 | 108 => (packet.get(4..).and_then(ip), None),
        12 | 14 | LINK_RAW_IP | 228 | 229 => (ip(packet), None),
        LINK_802_11 => (frame_body::in_frame(packet, false), None),
        LINK_RADIOTAP => (frame_body::behind_radiotap(packet), None),
        113 => (cooked(packet, 14, 16), cooked_direction(be16(packet, 0))),
        276 => {
            let kind = packet.get(10).map(|kind| u16::from(*kind));
            (cooked(packet, 0, 20), cooked_direction(kind))
        }
        _ => (None, None),
    }
}

fn cooked_direction(kind: Option<u16>) -> Option<Direction> {
    kind.map(|kind| if kind == COOKED_OUTGOING { Direction::Outbound } else { Direction::Inbound })
}

fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(*bytes.get(at..)?.first_chunk()?))
}

fn ethernet(packet: &[u8]) -> Option<(Flow, &[u8])> {
    tagged(packet.get(12..)?)
}

/// From an EtherType on: any number of VLAN tags up to four, then IP.
pub(super) fn tagged(mut rest: &[u8]) -> Option<(Flow, &[u8])> {
    for _ in 0..5 {
        match be16(rest, 0)? {
            ETHERTYPE_IPV4 => return ipv4(rest.get(2..)?),
            ETHERTYPE_IPV6 => return ipv6(rest.get(2..)?),
            0x8100 | 0x88A8 | 0x9100 => rest = rest.get(4..)?,
            _ => return None,
        }
    }
    None
}

fn cooked(packet: &[u8], protocol_at: usize, header: usize) -> Option<(Flow, &[u8])> {
    match be16(packet, protocol_at)? {
        ETHERTYPE_IPV4 => ipv4(packet.get(header..)?),
        ETHERTYPE_IPV6 => ipv6(packet.get(header..)?),
        0x8100 | 0x88A8 => tagged(packet.get(header + 2..)?),
        _ => None,
    }
}

fn ip(packet: &[u8]) -> Option<(Flow, &[u8])> {
    match packet.first()? >> 4 {
        4 => ipv4(packet),
        6 => ipv6(packet),
        _ => None,
    }
}

fn ipv4(packet: &[u8]) -> Option<(Flow, &[u8])> {
    let header: &[u8; 20] = packet.first_chunk()?;
    if header[0] >> 4 != 4 || header[9] != PROTOCOL_UDP {
        return None;
    }
    let later_fragment = u16::from_be_bytes([header[6], header[7]]) & 0x1FFF != 0;
    let header_len = usize::from(header[0] & 0x0F) * 4;
    if later_fragment || header_len < 20 {
        return None;
    }
    // 0 where the network card splits large packets itself; link padding follows a shorter one.
    let total = usize::from(u16::from_be_bytes([header[2], header[3]]));
    let packet = if total == 0 { packet } else { &packet[..total.min(packet.len())] };
    let source = Ipv4Addr::new(header[12], header[13], header[14], header[15]);
    let destination = Ipv4Addr::new(header[16], header[17], header[18], header[19]);
    udp(packet.get(header_len..)?, IpAddr::V4(source), IpAddr::V4(destination))
}

fn ipv6(packet: &[u8]) -> Option<(Flow, &[u8])> {
    let header: &[u8; 40] = packet.first_chunk()?;
    if header[0] >> 4 != 6 {
        return None;
    }
    let length = usize::from(u16::from_be_bytes([header[4], header[5]]));
    let mut rest = &packet[40..];
    if length != 0 && length < rest.len() {
        rest = &rest[..length];
    }
    let mut next = header[6];
    // Extension headers; more than eight is no packet that anybody sends.
    for _ in 0..8 {
        let skip = match next {
            PROTOCOL_UDP => {
                let source = Ipv6Addr::from(*header[8..].first_chunk::<16>()?);
                let destination = Ipv6Addr::from(*header[24..].first_chunk::<16>()?);
                return udp(rest, IpAddr::V6(source), IpAddr::V6(destination));
            }
            // Fragment header: only the first fragment holds the ports.
            44 if be16(rest, 2)? & 0xFFF8 == 0 => 8,
            // Hop-by-hop, routing, destination options.
            0 | 43 | 60 => (usize::from(*rest.get(1)?) + 1) * 8,
            // Authentication header.
            51 => (usize::from(*rest.get(1)?) + 2) * 4,
            _ => return None,
        };
        next = *rest.first()?;
        rest = rest.get(skip..)?;
    }
    None
}

fn udp(segment: &[u8], source: IpAddr, destination: IpAddr) -> Option<(Flow, &[u8])> {
    let header: &[u8; 8] = segment.first_chunk()?;
    let port = |at: usize| u16::from_be_bytes([header[at], header[at + 1]]);
    let end = match usize::from(port(4)) {
        0 => segment.len(),
        1..8 => return None,
        length => length.min(segment.len()),
    };
    let flow =
        Flow { source: SocketAddr::new(source, port(0)), destination: SocketAddr::new(destination, port(2)) };
    Some((flow, &segment[8..end]))
}
