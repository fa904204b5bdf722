//! CRC-16/MCRF4XX, the checksum of MAVLink frames, eight bytes at a step.
//!
//! Polynomial 0x1021 reflected (0x8408), initial value 0xFFFF, no final inversion;
//! check value of "123456789": 0x6F91. Source: the public MAVLink serialization guide.
//!
//! The polynomial has few terms, so a message is shortened with shifts alone before any table is
//! asked. Modulo P = x^16 + x^12 + x^5 + 1, x^16 equals x^12 + x^5 + 1; squaring both sides (in
//! GF(2) the mixed terms vanish) gives x^256 = x^192 + x^80 + 1, x^128 = x^96 + x^40 + 1 and
//! x^64 = x^48 + x^20 + 1. Bits come lowest first, so what a word stands for may be added 64, 176
//! and 256 bits further on instead, or 32, 88 and 128, or 16, 44 and 64.

/// Value before the first byte.
pub const INITIAL: u16 = 0xFFFF;

const WORD: usize = 8;

/// `TABLES[k][b]`: what byte `b` contributes when `k` more bytes follow it.
static TABLES: [[u16; 256]; WORD] = tables();

/// The byte whose table entry has this high byte: each occurs once.
static BYTE_OF_HIGH: [u8; 256] = byte_of_high();

const fn tables() -> [[u16; 256]; WORD] {
    let mut tables = [[0; 256]; WORD];
    let mut byte = 0;
    while byte < 256 {
        let mut value = byte as u16;
        let mut bit = 0;
        while bit < 8 {
            value = if value & 1 == 1 { (value >> 1) ^ 0x8408 } else { value >> 1 };
            bit += 1;
        }
        tables[0][byte] = value;
        byte += 1;
    }
    let mut depth = 1;
    while depth < WORD {
        let mut byte = 0;
        while byte < 256 {
            let before: u16 = tables[depth - 1][byte];
            tables[depth][byte] = (before >> 8) ^ tables[0][(before & 0xFF) as usize];
            byte += 1;
        }
        depth += 1;
    }
    tables
}

const fn byte_of_high() -> [u8; 256] {
    let tables = tables();
    let mut inverse = [0; 256];
    let mut byte = 0;
    while byte < 256 {
        inverse[(tables[0][byte] >> 8) as usize] = byte as u8;
        byte += 1;
    }
    inverse
}

/// The checksum after one more byte.
#[must_use]
#[inline]
pub fn step(crc: u16, byte: u8) -> u16 {
    (crc >> 8) ^ TABLES[0][usize::from((crc as u8) ^ byte)]
}

/// The checksum after more bytes.
///
/// What does not fill a word stands at the front: leading zeros leave a checksum of zero as it is,
/// so the first bytes, with the checksum so far added to them, make one word with zeros before them.
#[must_use]
#[inline]
pub fn update(crc: u16, bytes: &[u8]) -> u16 {
    let (crc, bytes) = match bytes {
        // The checksum so far is two bytes long: a single one at the front goes alone.
        [first, rest @ ..] if rest.len().is_multiple_of(WORD) => (step(crc, *first), rest),
        _ => (crc, bytes),
    };
    let Some(first) = bytes.first_chunk::<WORD>() else {
        return bytes.iter().fold(crc, |crc, &byte| step(crc, byte));
    };
    let head = (bytes.len() - 1) % WORD + 1;
    let first = (word(*first) ^ u64::from(crc)) << (8 * (WORD - head));
    let (mut four, rest) = match bytes[head..].as_chunks().0 {
        [one, two, three, rest @ ..] => ([first, word(*one), word(*two), word(*three)], rest),
        few => ([0, 0, 0, first], few),
    };
    for &next in rest {
        let [a, b, c, d] = four;
        four = [b ^ a, c ^ (a << 48), d ^ (a >> 16), word(next) ^ a];
    }
    last(shortened(four))
}

const fn word(bytes: [u8; WORD]) -> u64 {
    u64::from_le_bytes(bytes)
}

/// One word that has the checksum of four.
#[inline]
const fn shortened([a, b, c, d]: [u64; 4]) -> u64 {
    // The first term falls into the word itself once more, and so on until it leaves it.
    let a = a ^ (a << 32);
    let b = b ^ (a >> 32) ^ (a << 24);
    let c = c ^ (a >> 40) ^ a;
    let b = b ^ (b << 32);
    let c = c ^ (b >> 32) ^ (b << 24);
    let d = d ^ (b >> 40) ^ b;
    let twice = c ^ (c << 16);
    let c = twice ^ (twice << 32) ^ (c << 44);
    d ^ (c >> 48) ^ (c >> 20) ^ c
}

/// The checksum of one word.
#[inline]
fn last(word: u64) -> u16 {
    let bytes = word.to_le_bytes().into_iter().zip(TABLES.iter().rev());
    bytes.fold(0, |crc, (byte, table)| crc ^ table[usize::from(byte)])
}

/// The one byte that takes the checksum from `before` to `after`, if any does (1 chance in 256).
#[must_use]
pub fn byte_between(before: u16, after: u16) -> Option<u8> {
    let wanted = after ^ (before >> 8);
    let index = BYTE_OF_HIGH[usize::from(wanted >> 8)];
    (TABLES[0][usize::from(index)] == wanted).then_some(index ^ before as u8)
}

#[cfg(test)]
mod tests {
    use crate::wire::checksum::*;

    /// The byte step of the MAVLink serialization guide, written out.
    fn plain(bytes: &[u8]) -> u16 {
        bytes.iter().fold(INITIAL, |crc, &byte| {
            let mut t = byte ^ (crc & 0xFF) as u8;
            t ^= t << 4;
            let t = u16::from(t);
            (crc >> 8) ^ (t << 8) ^ (t << 3) ^ (t >> 4)
        })
    }

    /// Check values of CRC-16/MCRF4XX: the catalogue's, and two of an independent library.
    #[test]
    fn check_values() {
        assert_eq!(update(INITIAL, b"123456789"), 0x6F91);
        assert_eq!(update(INITIAL, b""), 0xFFFF);
        assert_eq!(update(INITIAL, &[0]), 0x0F87);
        assert_eq!(update(INITIAL, b"A"), 0x5C0A);
    }

    #[test]
    fn slices_agree_with_the_plain_step_at_every_length() {
        let bytes: Vec<u8> =
            (0..300_u32).map(|index| (index.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        for length in 0..bytes.len() {
            assert_eq!(update(INITIAL, &bytes[..length]), plain(&bytes[..length]), "{length} bytes");
        }
    }

    #[test]
    fn the_byte_between_is_found_and_is_rare() {
        for before in [0_u16, 0x1234, 0xFFFF, 0x8001] {
            for byte in 0..=255 {
                assert_eq!(byte_between(before, step(before, byte)), Some(byte));
            }
            let reachable = (0..=u16::MAX).filter(|&after| byte_between(before, after).is_some()).count();
            assert_eq!(reachable, 256);
        }
    }
}
