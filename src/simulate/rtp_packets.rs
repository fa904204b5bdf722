//! RTP packets (RFC 3550, section 5.1) with H.264 payloads (RFC 6184) of any small size.

/// The payload type of every packet: the first dynamic one.
const PAYLOAD_TYPE: u8 = 96;

/// What the header says.
pub(crate) struct RtpHeader {
    pub(crate) marker: bool,
    pub(crate) sequence: u16,
    pub(crate) timestamp: u32,
    pub(crate) ssrc: u32,
}

/// One packet; a frame over several packets is sent in fragmentation units (type 28), one packet as it is.
pub(crate) fn packet(
    header: &RtpHeader,
    key_frame: bool,
    index: usize,
    count: usize,
    payload_bytes: usize,
) -> Vec<u8> {
    let mut bytes = vec![0x80, PAYLOAD_TYPE | if header.marker { 0x80 } else { 0 }];
    bytes.extend(header.sequence.to_be_bytes());
    bytes.extend(header.timestamp.to_be_bytes());
    bytes.extend(header.ssrc.to_be_bytes());
    let kind: u8 = if key_frame { 5 } else { 1 };
    let importance: u8 = if key_frame { 0x60 } else { 0x40 };
    if count == 1 {
        bytes.push(importance | kind);
    } else {
        let start = if index == 0 { 0x80 } else { 0 };
        let end = if index + 1 == count { 0x40 } else { 0 };
        bytes.push(importance | 0x1c);
        bytes.push(start | end | kind);
    }
    let filler = (header.timestamp as u8).wrapping_add(index as u8) | 1;
    bytes.resize(bytes.len() + payload_bytes, filler);
    bytes
}

#[cfg(test)]
mod tests {
    use crate::simulate::rtp_packets::*;

    #[test]
    fn the_header_is_laid_out_as_rfc_3550_figure_in_section_5_1() {
        let header = RtpHeader { marker: true, sequence: 0x0102, timestamp: 0x0304_0506, ssrc: 0x0708_090a };
        let bytes = packet(&header, true, 1, 2, 1);
        assert_eq!(bytes[..14], [0x80, 0xe0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 0x7c, 0x45]);
        assert_eq!(bytes.len(), 15);
    }
}
