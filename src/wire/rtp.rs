//! RTP packets by their content (RFC 3550, section 5.1): header only, the payload is never copied.
//!
//! A datagram is plausible RTP when its version is 2, its payload type is none of those that
//! RTCP takes (RFC 5761, section 4: 64 to 95), and its contributing sources, extension and padding
//! fit in it. One packet proves nothing: a stream is recognised by two in sequence
//! (RFC 3550, appendix A.1), which is the video meter's to decide. MAVLink cannot be taken for
//! RTP: its start bytes 0xFD and 0xFE carry version 3.

pub mod payload;
mod recovery_point;

use payload::Contents;

/// Clock of RTP video, ticks a second (RFC 6184, RFC 7798).
pub const VIDEO_CLOCK_HZ: f64 = 90_000.0;

/// The fixed part of an RTP header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Video: the last packet of a frame.
    pub marker: bool,
    /// Payload type, 0 to 127.
    pub payload_type: u8,
    /// Counts packets, wraps.
    pub sequence: u16,
    /// Sampling time on the stream's clock, wraps.
    pub timestamp: u32,
    /// Names the sender's stream.
    pub ssrc: u32,
}

/// One plausible RTP packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packet {
    /// Its header.
    pub header: Header,
    /// Bytes of the whole datagram.
    pub size: u32,
    /// What its payload holds.
    pub contents: Contents,
}

impl Packet {
    /// Reads a datagram; `None` where it cannot be RTP.
    #[must_use]
    pub fn read(bytes: &[u8]) -> Option<Self> {
        let (header, payload) = parse(bytes)?;
        Some(Self { header, size: bytes.len() as u32, contents: payload::contents(payload) })
    }
}

impl Header {
    /// A payload type that is always audio (RFC 3551, section 6, table 4: static types 0 to 23).
    #[must_use]
    pub const fn is_audio(&self) -> bool {
        self.payload_type <= 23
    }
}

/// Whether the second byte is one that RTCP uses (RFC 5761, section 4).
const fn is_control_type(second: u8) -> bool {
    matches!(second & 0x7f, 64..=95)
}

/// The header of a datagram and its payload without padding; `None` where it cannot be RTP.
#[must_use]
pub fn parse(bytes: &[u8]) -> Option<(Header, &[u8])> {
    let fixed: &[u8; 12] = bytes.first_chunk()?;
    if fixed[0] >> 6 != 2 || is_control_type(fixed[1]) {
        return None;
    }
    let mut start = 12 + 4 * usize::from(fixed[0] & 0x0f);
    if fixed[0] & 0x10 != 0 {
        let words = bytes.get(start + 2..start + 4)?;
        start += 4 + 4 * usize::from(u16::from_be_bytes([words[0], words[1]]));
    }
    let mut payload = bytes.get(start..)?;
    if fixed[0] & 0x20 != 0 {
        let padding = usize::from(*payload.last()?);
        if padding == 0 {
            return None;
        }
        payload = payload.get(..payload.len().checked_sub(padding)?)?;
    }
    let header = Header {
        marker: fixed[1] & 0x80 != 0,
        payload_type: fixed[1] & 0x7f,
        sequence: u16::from_be_bytes([fixed[2], fixed[3]]),
        timestamp: u32::from_be_bytes([fixed[4], fixed[5], fixed[6], fixed[7]]),
        ssrc: u32::from_be_bytes([fixed[8], fixed[9], fixed[10], fixed[11]]),
    };
    Some((header, payload))
}

/// Whether a datagram is an RTCP report: version 2, types 200 to 204, a length that fits.
#[must_use]
pub fn is_control(bytes: &[u8]) -> bool {
    let Some(head) = bytes.first_chunk::<4>() else { return false };
    let words = usize::from(u16::from_be_bytes([head[2], head[3]]));
    head[0] >> 6 == 2 && matches!(head[1], 200..=204) && 4 * (words + 1) <= bytes.len()
}

#[cfg(test)]
mod tests {
    use crate::wire::rtp::*;

    fn bytes(first: u8, second: u8, rest: &[u8]) -> Vec<u8> {
        let mut packet = vec![first, second, 0x12, 0x34, 0, 0, 0x0b, 0xb8, 0xde, 0xad, 0xbe, 0xef];
        packet.extend_from_slice(rest);
        packet
    }

    /// Layout: RFC 3550, section 5.1, worked by hand.
    #[test]
    fn a_header_is_read_as_the_standard_lays_it_out() {
        let datagram = bytes(0x80, 0xe0, &[1, 2, 3]);
        let (header, payload) = parse(&datagram).expect("plausible");
        assert_eq!(
            header,
            Header { marker: true, payload_type: 96, sequence: 0x1234, timestamp: 3000, ssrc: 0xdead_beef }
        );
        assert_eq!(payload, [1, 2, 3]);
    }

    #[test]
    fn sources_extension_and_padding_must_fit() {
        // One contributing source, an extension of one word, then two bytes and two of padding.
        let mut rest = vec![0, 0, 0, 9, 0xbe, 0xde, 0, 1, 7, 7, 7, 7, 5, 6, 0, 2];
        let datagram = bytes(0xb1, 96, &rest);
        assert_eq!(parse(&datagram).map(|(_, payload)| payload.to_vec()), Some(vec![5, 6]));
        rest.truncate(9);
        assert_eq!(parse(&bytes(0xb1, 96, &rest)), None);
        assert_eq!(parse(&bytes(0xa0, 96, &[9, 9, 200])), None, "padding longer than the packet");
        assert_eq!(parse(&bytes(0xa0, 96, &[9, 9, 0])), None, "padding counts itself");
    }

    #[test]
    fn other_protocols_are_not_rtp() {
        assert_eq!(parse(&bytes(0xfd, 96, &[])), None);
        assert_eq!(parse(&bytes(0xfe, 96, &[])), None);
        assert_eq!(parse(&bytes(0x40, 96, &[])), None);
        assert_eq!(parse(&bytes(0x80, 200, &[])), None, "a sender report");
        assert_eq!(parse(&[0x80; 11]), None);
        assert!(is_control(&[0x80, 200, 0, 1, 0, 0, 0, 1]));
        assert!(!is_control(&[0x80, 200, 0, 9, 0, 0, 0, 1]));
    }
}
