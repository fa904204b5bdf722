//! From one captured packet to the UDP payload in it, without copying.
//!
//! Written by hand rather than with a general dissector: only the lengths, the two
//! addresses and the two ports of UDP are wanted, of every packet of a long video.
//! Ethernet (with VLAN tags), 802.11 (see [`air`]), RAW IP, Linux cooked v1 and v2 and loopback are read;
//! all else is [`Body::Other`], of which only the time counts. Of IP fragments the
//! first is given as far as it goes and the others are left out. A packet that was
//! cut when it was captured is given as far as it goes.

use super::frame_body;
use super::internet::{ETHERTYPE_IPV4, ETHERTYPE_IPV6, be16, ip, ipv4, ipv6, tagged};
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

fn ethernet(packet: &[u8]) -> Option<(Flow, &[u8])> {
    tagged(packet.get(12..)?)
}

fn cooked(packet: &[u8], protocol_at: usize, header: usize) -> Option<(Flow, &[u8])> {
    match be16(packet, protocol_at)? {
        ETHERTYPE_IPV4 => ipv4(packet.get(header..)?),
        ETHERTYPE_IPV6 => ipv6(packet.get(header..)?),
        0x8100 | 0x88A8 => tagged(packet.get(header + 2..)?),
        _ => None,
    }
}
