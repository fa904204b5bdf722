//! Radiotap headers: what a receiver in monitor mode says of each frame that it heard.
//!
//! Layout: radiotap.org and the kernel's Documentation/networking/radiotap-headers.rst: little
//! endian; a bitmap says which fields follow, in the order of their bits, each aligned from the
//! header's first byte; bit 31 continues the bitmap, bit 29 begins the standard fields anew (a
//! group for each antenna), bit 30 begins a vendor's, whose length it states. Reading ends at a
//! field whose size is not known; what was read until then counts. Nothing is ever read beyond
//! the length that the header states.

/// Groups kept: the frame's own values, then one a antenna.
const MOST_GROUPS: usize = 9;

const FLAGS: u32 = 1;
const RATE: u32 = 2;
const SIGNAL: u32 = 5;
const NOISE: u32 = 6;
const ANTENNA: u32 = 11;
const MCS: u32 = 19;
const NAMESPACE: u32 = 29;
const VENDOR: u32 = 30;
const MORE: u32 = 31;

/// Alignment and size of each standard field, by its bit (net/wireless/radiotap.c; radiotap.org for
/// those that are newer); size 0: not known.
const FIELDS: [(u8, u8); 29] = [
    (8, 8),  // 0 TSFT
    (1, 1),  // 1 flags
    (1, 1),  // 2 rate
    (2, 4),  // 3 channel
    (2, 2),  // 4 FHSS
    (1, 1),  // 5 dBm antenna signal
    (1, 1),  // 6 dBm antenna noise
    (2, 2),  // 7 lock quality
    (2, 2),  // 8 TX attenuation
    (2, 2),  // 9 dB TX attenuation
    (1, 1),  // 10 dBm TX power
    (1, 1),  // 11 antenna
    (1, 1),  // 12 dB antenna signal
    (1, 1),  // 13 dB antenna noise
    (2, 2),  // 14 RX flags
    (2, 2),  // 15 TX flags
    (1, 1),  // 16 RTS retries
    (1, 1),  // 17 data retries
    (4, 8),  // 18 XChannel
    (1, 3),  // 19 MCS
    (4, 8),  // 20 A-MPDU status
    (2, 12), // 21 VHT
    (8, 12), // 22 timestamp
    (2, 12), // 23 HE
    (2, 12), // 24 HE-MU
    (2, 6),  // 25 HE-MU other user
    (1, 1),  // 26 zero-length PSDU
    (2, 4),  // 27 L-SIG
    (1, 0),  // 28 TLVs
];

/// What one group of fields says of a receiver's antenna.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Group {
    /// Level.
    pub signal_dbm: Option<i8>,
    /// Noise.
    pub noise_dbm: Option<i8>,
    /// Its number.
    pub antenna: Option<u8>,
}

/// A header, as far as it could be read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Header {
    /// Where the frame begins.
    pub length: usize,
    /// Field 1: bits for padding, a check sequence, and one that failed.
    pub flags: u8,
    /// Of the frame's payload, kilobits a second; `None` where only a scheme of newer standards is given.
    pub rate_kbps: Option<u32>,
    groups: [Group; MOST_GROUPS],
    count: usize,
}

impl Header {
    /// The frame ends with its check sequence.
    pub(crate) const fn has_check(&self) -> bool {
        self.flags & 0x10 != 0
    }

    /// Its check sequence did not fit: nothing in it can be trusted.
    pub(crate) const fn is_damaged(&self) -> bool {
        self.flags & 0x40 != 0
    }

    /// Padding stands between its header and its body, to a multiple of 4.
    pub(crate) const fn is_padded(&self) -> bool {
        self.flags & 0x20 != 0
    }

    /// The frame's own level and noise: those of the first group.
    pub(crate) const fn whole(&self) -> Group {
        self.groups[0]
    }

    /// What single antennas say, those of the groups behind the first, where they name an antenna.
    pub(crate) fn antennas(&self) -> impl Iterator<Item = (u8, Group)> + '_ {
        let further = self.groups[..self.count].get(1..).unwrap_or_default();
        further.iter().filter_map(|group| Some((group.antenna?, *group)))
    }
}

/// Reads the header at the start of a packet; `None` where there is none, or it is cut.
pub(crate) fn parse(packet: &[u8]) -> Option<Header> {
    let head: &[u8; 8] = packet.first_chunk()?;
    let length = usize::from(u16::from_le_bytes([head[2], head[3]]));
    if head[0] != 0 || length < 8 {
        return None;
    }
    let bytes = packet.get(..length)?;
    let mut words = 1;
    while word(bytes, words)? & (1 << MORE) != 0 {
        words += 1;
    }
    let mut header = Header { length, count: 1, ..Header::default() };
    let mut reader = Reader { bytes, at: 4 + 4 * words };
    // What the next bitmap continues: `None` inside a vendor's fields.
    let mut first_bit = Some(0);
    for place in 1..=words {
        let present = word(bytes, place)?;
        let ends_here = match first_bit {
            Some(0) => reader.fields(present, &mut header).is_none(),
            // Standard fields beyond the 32nd do not exist.
            Some(_) => present & !(1 << NAMESPACE | 1 << VENDOR | 1 << MORE) != 0,
            None => false,
        };
        if ends_here {
            break;
        }
        if present & 1 << NAMESPACE != 0 {
            first_bit = Some(0);
            if header.count >= MOST_GROUPS {
                break;
            }
            header.count += 1;
        } else if present & 1 << VENDOR != 0 {
            first_bit = None;
            if reader.vendor().is_none() {
                break;
            }
        } else {
            first_bit = first_bit.map(|bit: u32| bit + 32);
        }
    }
    Some(header)
}

/// The bitmap's word at a place, counted from 1.
fn word(bytes: &[u8], place: usize) -> Option<u32> {
    bytes.get(4 * place..)?.first_chunk().map(|word| u32::from_le_bytes(*word))
}

struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Reader<'_> {
    fn take(&mut self, align: usize, size: usize) -> Option<&[u8]> {
        let from = self.at.next_multiple_of(align);
        let field = self.bytes.get(from..from + size)?;
        self.at = from + size;
        Some(field)
    }

    /// The standard fields of one word; `None` where one could not be read.
    fn fields(&mut self, present: u32, header: &mut Header) -> Option<()> {
        for (bit, (align, size)) in FIELDS.into_iter().enumerate() {
            let bit = bit as u32;
            if present & 1 << bit == 0 {
                continue;
            }
            if size == 0 {
                return None;
            }
            let field = self.take(usize::from(align), usize::from(size))?;
            let group = &mut header.groups[header.count - 1];
            match bit {
                FLAGS => header.flags = field[0],
                RATE => header.rate_kbps = Some(u32::from(field[0]) * 500),
                SIGNAL => group.signal_dbm = Some(field[0] as i8),
                NOISE => group.noise_dbm = Some(field[0] as i8),
                ANTENNA => group.antenna = Some(field[0]),
                MCS => header.rate_kbps = modulation_kbps(field[0], field[1], field[2]).or(header.rate_kbps),
                _ => {}
            }
        }
        Some(())
    }

    /// A vendor's fields: passed over by the length that they state.
    fn vendor(&mut self) -> Option<()> {
        let head = self.take(2, 6)?;
        let length = usize::from(u16::from_le_bytes([head[4], head[5]]));
        self.take(1, length).map(drop)
    }
}

/// Rate of an HT modulation and coding scheme (IEEE 802.11, HT PHY: subcarriers x bits x streams
/// over the symbol's length), where scheme, bandwidth and guard interval are known.
fn modulation_kbps(known: u8, flags: u8, index: u8) -> Option<u32> {
    /// Data bits a subcarrier and symbol, in halves, of schemes 0 to 7.
    const HALF_BITS: [u32; 8] = [1, 2, 3, 4, 6, 8, 9, 10];
    if known & 0x07 != 0x07 || index > 31 {
        return None;
    }
    let subcarriers = if flags & 0x03 == 1 { 108 } else { 52 };
    let streams = u32::from(index / 8) + 1;
    let bits = subcarriers * HALF_BITS[usize::from(index % 8)] * streams / 2;
    // A symbol takes 4 us, 3.6 us with the short guard interval.
    Some(if flags & 0x04 != 0 { bits * 10_000 / 36 } else { bits * 250 })
}

#[cfg(test)]
mod tests {
    use crate::wire::radiotap::*;

    #[test]
    fn fields_stand_where_the_description_puts_them() {
        // radiotap.org's rules, worked by hand: flags, rate, channel, signal, noise, antenna after TSFT.
        let mut packet = vec![0, 0, 0, 0];
        packet.extend(0b1000_0110_1111_u32.to_le_bytes());
        packet.extend(7_u64.to_le_bytes());
        packet.extend([0x10, 108]);
        packet.extend(5825_u16.to_le_bytes());
        packet.extend([0x40, 0x01, 0xB5, 0xA1, 2]);
        packet[2] = packet.len() as u8;
        let header = parse(&packet).unwrap();
        assert_eq!((header.length, header.rate_kbps), (25, Some(54_000)));
        let whole = Group { signal_dbm: Some(-75), noise_dbm: Some(-95), antenna: Some(2) };
        assert_eq!(header.whole(), whole);
        assert!(header.has_check() && !header.is_damaged() && !header.is_padded());
        assert_eq!(header.antennas().count(), 0);
    }

    #[test]
    fn groups_vendors_and_alignment() {
        // Three words: signal; then a vendor's five bytes; then signal and antenna of one chain.
        let words: [u32; 3] = [1 << 5 | 1 << 30 | 1 << 31, 1 << 29 | 1 << 31 | 0x3F, 1 << 5 | 1 << 11];
        let mut packet = vec![0, 0, 0, 0];
        packet.extend(words.iter().flat_map(|word| word.to_le_bytes()));
        packet.push(0xB0);
        packet.push(0xEE);
        packet.extend([1, 2, 3, 0, 5, 0, 9, 9, 9, 9, 9]);
        packet.extend([0xAE, 1]);
        packet[2] = packet.len() as u8;
        let header = parse(&packet).unwrap();
        assert_eq!(header.whole().signal_dbm, Some(-80));
        let chains: Vec<(u8, Option<i8>)> =
            header.antennas().map(|(antenna, group)| (antenna, group.signal_dbm)).collect();
        assert_eq!(chains, [(1, Some(-82))]);
    }

    #[test]
    fn modulation_schemes_give_their_tabled_rates() {
        // IEEE 802.11n, tables 20-29 to 20-38: MCS 7 and 15 at 20 and 40 MHz.
        assert_eq!(modulation_kbps(7, 0, 7), Some(65_000));
        assert_eq!(modulation_kbps(7, 4, 7), Some(72_222));
        assert_eq!(modulation_kbps(7, 1, 7), Some(135_000));
        assert_eq!(modulation_kbps(7, 5, 15), Some(300_000));
        assert_eq!(modulation_kbps(7, 0, 0), Some(6_500));
        assert_eq!(modulation_kbps(3, 0, 0), None);
        assert_eq!(modulation_kbps(7, 0, 32), None);
    }

    #[test]
    fn nothing_is_read_beyond_what_is_there() {
        let mut packet = vec![0, 0, 12, 0, 0x20, 0, 0, 0, 0xB0, 0, 0, 0];
        assert_eq!(parse(&packet).unwrap().whole().signal_dbm, Some(-80));
        packet[2] = 13;
        assert_eq!(parse(&packet), None, "longer than the packet");
        packet[2] = 8;
        assert_eq!(parse(&packet).unwrap().whole().signal_dbm, None, "the field lies beyond the header");
        packet[2] = 7;
        assert_eq!(parse(&packet), None);
        packet[..3].copy_from_slice(&[1, 0, 12]);
        assert_eq!(parse(&packet), None, "a later version");
        assert_eq!(parse(&[0, 0, 8, 0, 0, 0, 0, 0x80]), None, "the bitmap goes on beyond it");
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(mut bytes: Vec<u8>) {
            if bytes.len() > 3 {
                bytes[0] = 0;
                bytes[2] = bytes.len() as u8;
                bytes[3] = 0;
            }
            let header = parse(&bytes);
            proptest::prop_assert!(header.is_none_or(|header| header.length <= bytes.len()));
        }
    }
}
