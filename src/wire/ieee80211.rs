//! The headers of 802.11 frames: who sent it to whom, its number, whether it was sent again,
//! and where the body of a data frame stands.
//!
//! Layout: IEEE 802.11-2016, 9.2.4 (frame control, addresses, sequence control, QoS and HT
//! control); bodies: LLC with SNAP (IEEE 802, RFC 1042). Frames without a transmitter's address
//! (acknowledgements, clear to send) give nothing. Bodies that are encrypted, fragments, or several
//! packets in one frame (A-MSDU) are not opened.

use crate::units::hardware_address::Address;

/// What kind of frame it is, as far as transmitters number their frames apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FrameKind {
    /// A beacon: cards often send it by themselves.
    Beacon,
    /// Other management.
    Management,
    /// Data without a traffic identifier.
    Data,
    /// The same without a body.
    Null,
    /// QoS data, with its traffic identifier.
    Quality(u8),
}

/// What a frame's header says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FrameHeader {
    /// Who sent it.
    pub transmitter: Address,
    /// To whom.
    pub receiver: Address,
    /// Data, not management or control.
    pub is_data: bool,
    /// Its kind; of control frames it says nothing.
    pub kind: FrameKind,
    /// Sent again.
    pub retry: bool,
    /// Its number, modulo 4096, and that of the fragment; control frames and QoS frames without data have none that says
    /// anything (IEEE 802.11-2020, 10.3.2.14, from memory).
    pub sequence: Option<(u16, u8)>,
}

/// A frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Frame<'a> {
    pub(crate) header: FrameHeader,
    /// What a data frame carries, where it can be opened.
    pub(crate) body: Option<&'a [u8]>,
}

fn address(bytes: &[u8], at: usize) -> Option<Address> {
    bytes.get(at..)?.first_chunk().copied()
}

/// Reads a frame; `padded`: the receiver pads the header to a multiple of 4.
pub(crate) fn parse(bytes: &[u8], padded: bool) -> Option<Frame<'_>> {
    let control: [u8; 2] = *bytes.first_chunk()?;
    let (kind, subtype) = (control[0] >> 2 & 3, control[0] >> 4);
    let flags = control[1];
    if control[0] & 3 != 0 || kind == 3 {
        return None;
    }
    let (receiver, transmitter) = (address(bytes, 4)?, address(bytes, 10)?);
    let retry = flags & 0x08 != 0;
    let kind_of = if subtype == 8 { FrameKind::Beacon } else { FrameKind::Management };
    let base = FrameHeader { transmitter, receiver, is_data: false, kind: kind_of, retry, sequence: None };
    if kind == 1 {
        // Those with a second address: block acknowledgements, PS-Poll, RTS, CF-End.
        return matches!(subtype, 8..=11 | 14 | 15).then_some(Frame { header: base, body: None });
    }
    let number = bytes.get(22..)?.first_chunk().map(|bytes| u16::from_le_bytes(*bytes))?;
    let sequence = Some((number >> 4, (number & 0x0F) as u8));
    if kind == 0 {
        return Some(Frame { header: FrameHeader { sequence, ..base }, body: None });
    }
    let mut length = if flags & 0x03 == 0x03 { 30 } else { 24 };
    let quality = if subtype & 8 == 0 { None } else { Some(*bytes.get(length)?) };
    if quality.is_some() {
        length += if flags & 0x80 != 0 { 6 } else { 2 };
    }
    if padded {
        length = length.next_multiple_of(4);
    }
    let in_parts = flags & 0x04 != 0 || number & 0x0F != 0;
    let closed = flags & 0x40 != 0 || subtype & 4 != 0 || quality.is_some_and(|quality| quality & 0x80 != 0);
    let body = if in_parts || closed { None } else { bytes.get(length..).filter(|body| !body.is_empty()) };
    let is_empty = subtype & 4 != 0;
    let kind = match quality {
        Some(quality) => FrameKind::Quality(quality & 0x0F),
        None if is_empty => FrameKind::Null,
        None => FrameKind::Data,
    };
    let sequence = sequence.filter(|_| quality.is_none() || !is_empty);
    Some(Frame { header: FrameHeader { is_data: true, kind, sequence, ..base }, body })
}

#[cfg(test)]
mod tests {
    use crate::wire::ieee80211::*;

    const A: Address = [2, 0, 0, 0, 0, 0x0A];
    const B: Address = [2, 0, 0, 0, 0, 0x0B];

    fn frame(control: [u8; 2], number: u16, rest: &[u8]) -> Vec<u8> {
        [&control[..], &[0, 0], &A, &B, &[9; 6], &number.to_le_bytes(), rest].concat()
    }

    #[test]
    fn data_management_and_control() {
        // Data from the access point, sent again, number 291.
        let bytes = frame([0x08, 0x0A], 291 << 4, &[0xAA, 1, 2]);
        let Frame { header: data, body } = parse(&bytes, false).unwrap();
        assert_eq!((data.transmitter, data.receiver, data.retry), (B, A, true));
        assert_eq!((data.sequence, data.kind), (Some((291, 0)), FrameKind::Data));
        assert_eq!(body, Some(&[0xAA, 1, 2][..]));
        // QoS data, traffic identifier 5: its header is two bytes longer, padded four.
        let bytes = frame([0x88, 0x02], 7 << 4, &[5, 0, 0xAA, 1, 2]);
        let quality = parse(&bytes, false).unwrap();
        assert_eq!((quality.header.kind, quality.body), (FrameKind::Quality(5), Some(&[0xAA, 1, 2][..])));
        assert_eq!(parse(&bytes, true).unwrap().body, Some(&[2][..]));
        // A beacon.
        let bytes = frame([0x80, 0], 16, &[1; 20]);
        let beacon = parse(&bytes, false).map(|beacon| (beacon.header.is_data, beacon.body));
        assert_eq!(beacon, Some((false, None)));
        let kind = |control, rest: &[u8]| {
            let header = parse(&frame(control, 16, rest), false).unwrap().header;
            (header.kind, header.sequence.is_some())
        };
        assert_eq!(kind([0x80, 0], &[]), (FrameKind::Beacon, true));
        assert_eq!(kind([0x50, 0], &[]), (FrameKind::Management, true), "a probe response");
        assert_eq!(kind([0x48, 0], &[]), (FrameKind::Null, true));
        assert_eq!(kind([0xC8, 0], &[5, 0]), (FrameKind::Quality(5), false), "QoS without data");
        // An acknowledgement has one address only.
        assert_eq!(parse(&[0xD4, 0, 0, 0, 2, 0, 0, 0, 0, 1], false), None);
        assert!(parse(&frame([0xB4, 0], 0, &[]), false).is_some_and(|rts| rts.header.sequence.is_none()));
    }

    #[test]
    fn what_cannot_be_opened_is_not() {
        let body = |control: [u8; 2], number: u16, rest: &[u8]| {
            parse(&frame(control, number, rest), false).unwrap().body.map(<[u8]>::to_vec)
        };
        assert_eq!(body([0x08, 0x42], 16, &[1, 2]), None, "encrypted");
        assert_eq!(body([0x08, 0x06], 16, &[1, 2]), None, "more fragments");
        assert_eq!(body([0x08, 0x02], 17, &[1, 2]), None, "a later fragment");
        assert_eq!(body([0x48, 0x02], 16, &[1, 2]), None, "null data");
        assert_eq!(body([0x88, 0x02], 16, &[0x80, 0, 1]), None, "several packets");
        assert_eq!(body([0x88, 0x82], 16, &[0, 0, 7, 7, 7, 7, 1]), Some(vec![1]), "with HT control");
        assert_eq!(body([0x08, 0x03], 16, &[1, 1, 1, 1, 1, 1, 9]), Some(vec![9]), "four addresses");
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(bytes: Vec<u8>, padded: bool) {
            let _ = parse(&bytes, padded);
        }
    }
}
