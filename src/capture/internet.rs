//! IP and UDP headers around a datagram: read without copying, and written.
//!
//! Formats: RFC 791, RFC 8200, RFC 768; checksums RFC 1071; VLAN tags IEEE 802.1Q. Of fragments the first is given as far
//! as it goes and the others are left out.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use crate::record::Flow;

pub(super) const ETHERTYPE_IPV4: u16 = 0x0800;
pub(super) const ETHERTYPE_IPV6: u16 = 0x86DD;
const PROTOCOL_UDP: u8 = 17;
const HOPS: u8 = 64;

pub(super) fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(*bytes.get(at..)?.first_chunk()?))
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

pub(super) fn ip(packet: &[u8]) -> Option<(Flow, &[u8])> {
    match packet.first()? >> 4 {
        4 => ipv4(packet),
        6 => ipv6(packet),
        _ => None,
    }
}

pub(super) fn ipv4(packet: &[u8]) -> Option<(Flow, &[u8])> {
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

pub(super) fn ipv6(packet: &[u8]) -> Option<(Flow, &[u8])> {
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

/// Appends a payload behind the headers that carried it (as far as they are known); `None` where it is too long for them.
pub(super) fn write_udp(flow: Flow, payload: &[u8], out: &mut Vec<u8>) -> Option<()> {
    let length = u16::try_from(8 + payload.len()).ok()?;
    let ports = [flow.source.port(), flow.destination.port()];
    let begin = out.len();
    let addresses = match (flow.source.ip(), flow.destination.ip()) {
        (IpAddr::V4(source), IpAddr::V4(destination)) => {
            let total = length.checked_add(20)?;
            // Version, header length, service, length; number, "do not fragment"; lifetime, protocol, checksum.
            out.extend([0x45, 0]);
            out.extend(total.to_be_bytes());
            out.extend([0, 0, 0x40, 0, HOPS, PROTOCOL_UDP, 0, 0]);
            out.extend(source.octets().into_iter().chain(destination.octets()));
            let sum = checksum(0, &out[begin..]);
            out[begin + 10..begin + 12].copy_from_slice(&sum.to_be_bytes());
            begin + 12
        }
        (source, destination) => {
            out.extend([0x60, 0, 0, 0]);
            out.extend(length.to_be_bytes());
            out.extend([PROTOCOL_UDP, HOPS]);
            out.extend(mapped(source).octets().into_iter().chain(mapped(destination).octets()));
            begin + 8
        }
    };
    let segment = out.len();
    for word in [ports[0], ports[1], length, 0] {
        out.extend(word.to_be_bytes());
    }
    out.extend(payload);
    // The addresses stand right before the segment; with protocol and length they are the pseudo-header.
    let pseudo = u32::from(PROTOCOL_UDP) + u32::from(length);
    let sum = match checksum(pseudo, &out[addresses..]) {
        0 => 0xFFFF,
        sum => sum,
    };
    out[segment + 6..segment + 8].copy_from_slice(&sum.to_be_bytes());
    Some(())
}

fn mapped(address: IpAddr) -> Ipv6Addr {
    match address {
        IpAddr::V4(address) => address.to_ipv6_mapped(),
        IpAddr::V6(address) => address,
    }
}

/// The one's complement of the one's complement sum of all 16 bit words.
fn checksum(start: u32, bytes: &[u8]) -> u16 {
    let words =
        bytes.chunks(2).map(|pair| u32::from(pair[0]) << 8 | u32::from(pair.get(1).copied().unwrap_or(0)));
    let sum = words.fold(u64::from(start), |sum, word| sum + u64::from(word));
    let folded = (0..4).fold(sum, |sum, _| (sum & 0xFFFF) + (sum >> 16));
    !(folded as u16)
}

#[cfg(test)]
mod tests {
    use etherparse::PacketBuilder;

    use crate::capture::internet::*;

    proptest::proptest! {
        /// Against a packet library's builder.
        #[test]
        fn packets_are_those_of_a_library(ends: [u16; 2], v4: [[u8; 4]; 2], v6: [[u8; 16]; 2], payload: Vec<u8>) {
            for is_v4 in [true, false] {
                let addresses = [0, 1].map(|end| if is_v4 { IpAddr::from(v4[end]) } else { IpAddr::from(v6[end]) });
                let flow = Flow {
                    source: SocketAddr::new(addresses[0], ends[0]),
                    destination: SocketAddr::new(addresses[1], ends[1]),
                };
                let mut written = Vec::new();
                write_udp(flow, &payload, &mut written).unwrap();
                let mut expected = Vec::new();
                let builder = if is_v4 {
                    PacketBuilder::ipv4(v4[0], v4[1], HOPS)
                } else {
                    PacketBuilder::ipv6(v6[0], v6[1], HOPS)
                };
                builder.udp(ends[0], ends[1]).write(&mut expected, &payload).unwrap();
                assert_eq!(written, expected);
                assert_eq!(ip(&written), Some((flow, &payload[..])));
            }
        }
    }

    #[test]
    fn what_is_too_long_is_refused() {
        let end = |text: &str| SocketAddr::new(text.parse().unwrap(), 9);
        let four = Flow { source: end("10.0.0.1"), destination: end("10.0.0.2") };
        assert!(write_udp(four, &vec![0; 65_507], &mut Vec::new()).is_some());
        assert!(write_udp(four, &vec![0; 65_508], &mut Vec::new()).is_none());
    }
}
