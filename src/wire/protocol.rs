//! What a datagram is: MAVLink or RTP, told by its content, once for everybody.
//!
//! A datagram that begins with a start byte of MAVLink is MAVLink, and makes its flow a MAVLink flow, unless two RTP
//! packets in sequence (RFC 3550, appendix A.1) came there before. Any other that is plausible RTP is RTP, but in a
//! MAVLink flow only where the profile's video link says so. All else goes to the framer, which counts what it is
//! not. Bounded: the last 32 flows of each kind.

use crate::profile::LinkProfile;
use crate::record::Flow;

use super::framer::is_start;
use super::rtp;

const MOST_FLOWS: usize = 32;

/// What a datagram is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Protocol {
    Mavlink,
    Rtp(rtp::Packet),
    RtpControl,
}

/// Which flows are whose.
#[derive(Clone, Debug, Default)]
pub(super) struct Protocols {
    /// The port and the source that the profile names.
    pin: Option<(Option<u16>, Option<u32>)>,
    mavlink: Vec<Flow>,
    rtp: Vec<RtpFlow>,
}

/// A flow that brings plausible RTP.
#[derive(Clone, Copy, Debug)]
struct RtpFlow {
    flow: Flow,
    newest: rtp::Header,
    in_sequence: bool,
}

impl Protocols {
    pub(super) fn new(video: Option<&LinkProfile>) -> Self {
        let pin = video.map(|link| (link.port, link.ssrc)).filter(|pin| *pin != (None, None));
        Self { pin, ..Self::default() }
    }

    pub(super) fn tell(&mut self, flow: Flow, bytes: &[u8]) -> Protocol {
        if bytes.first().is_some_and(|&byte| is_start(byte)) {
            self.note_mavlink(flow);
            return Protocol::Mavlink;
        }
        let Some(packet) = rtp::Packet::read(bytes) else {
            return if rtp::is_control(bytes) { Protocol::RtpControl } else { Protocol::Mavlink };
        };
        if !self.is_pinned(flow, packet.header) && self.mavlink.contains(&flow) {
            return Protocol::Mavlink;
        }
        self.note_rtp(flow, packet.header);
        Protocol::Rtp(packet)
    }

    fn is_pinned(&self, flow: Flow, header: rtp::Header) -> bool {
        self.pin.is_some_and(|(port, ssrc)| {
            ssrc.is_none_or(|pinned| pinned == header.ssrc)
                && port.is_none_or(|port| [flow.destination.port(), flow.source.port()].contains(&port))
        })
    }

    fn note_mavlink(&mut self, flow: Flow) {
        let is_rtp = || self.rtp.iter().any(|each| each.flow == flow && each.in_sequence);
        if self.mavlink.contains(&flow) || is_rtp() {
            return;
        }
        if self.mavlink.len() >= MOST_FLOWS {
            self.mavlink.remove(0);
        }
        self.mavlink.push(flow);
    }

    fn note_rtp(&mut self, flow: Flow, header: rtp::Header) {
        if let Some(known) = self.rtp.iter_mut().find(|each| each.flow == flow) {
            let is_next = header.sequence == known.newest.sequence.wrapping_add(1);
            known.in_sequence |= is_next && header.ssrc == known.newest.ssrc;
            known.newest = header;
            return;
        }
        if self.rtp.len() >= MOST_FLOWS {
            self.rtp.remove(0);
        }
        self.rtp.push(RtpFlow { flow, newest: header, in_sequence: false });
    }
}

#[cfg(test)]
mod tests {
    use std::net::SocketAddr;

    use crate::profile::Profile;
    use crate::wire::protocol::*;

    fn flow(port: u16) -> Flow {
        let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
        Flow { source: end(40_000), destination: end(port) }
    }

    /// RFC 3550, section 5.1: version 2, payload type 96.
    fn packet(sequence: u16) -> Vec<u8> {
        let [high, low] = sequence.to_be_bytes();
        [&[0x80, 96, high, low][..], &[0; 20]].concat()
    }

    fn is_rtp(told: Protocol) -> bool {
        matches!(told, Protocol::Rtp(_))
    }

    #[test]
    fn a_flow_is_what_it_brought_first() {
        let mut protocols = Protocols::default();
        assert!(is_rtp(protocols.tell(flow(1), &packet(1))));
        assert!(is_rtp(protocols.tell(flow(1), &packet(2))));
        assert_eq!(protocols.tell(flow(1), &[0xFD, 0, 0]), Protocol::Mavlink);
        assert!(is_rtp(protocols.tell(flow(1), &packet(3))), "two in sequence came before");
        assert_eq!(protocols.tell(flow(2), &[0xFE, 0, 0]), Protocol::Mavlink);
        assert_eq!(protocols.tell(flow(2), &packet(4)), Protocol::Mavlink);
        // One plausible packet, and two that are not in sequence, prove nothing.
        for (port, numbers) in [(3, &[1][..]), (4, &[1, 7])] {
            for &number in numbers {
                assert!(is_rtp(protocols.tell(flow(port), &packet(number))));
            }
            protocols.tell(flow(port), &[0xFD]);
            assert_eq!(protocols.tell(flow(port), &packet(9)), Protocol::Mavlink);
        }
    }

    #[test]
    fn the_profile_s_video_link_decides() {
        let text = "[[link]]\nname = \"video\"\nrole = \"video\"\nport = 5004\n";
        let profile = Profile::parse(text).unwrap();
        let mut protocols = Protocols::new(profile.video_link());
        for port in [5004, 5005] {
            protocols.tell(flow(port), &[0xFD]);
            assert_eq!(is_rtp(protocols.tell(flow(port), &packet(1))), port == 5004);
        }
    }

    #[test]
    fn reports_are_control_and_all_else_is_left_to_the_framer() {
        let mut protocols = Protocols::default();
        assert_eq!(protocols.tell(flow(1), &[0x80, 200, 0, 1, 0, 0, 0, 1]), Protocol::RtpControl);
        assert_eq!(protocols.tell(flow(1), b"hello, world"), Protocol::Mavlink);
        assert_eq!(protocols.tell(flow(1), &[]), Protocol::Mavlink);
    }

    #[test]
    fn strangers_do_not_grow_memory() {
        let mut protocols = Protocols::default();
        for port in 0..1000 {
            protocols.tell(flow(port), &packet(port));
            protocols.tell(flow(port), &[0xFD]);
        }
        assert_eq!((protocols.mavlink.len(), protocols.rtp.len()), (MOST_FLOWS, MOST_FLOWS));
    }
}
