//! CRC-16/MCRF4XX, the checksum of MAVLink frames, sixteen bytes at a step.
//!
//! Polynomial 0x1021 reflected (0x8408), initial value 0xFFFF, no final inversion;
//! check value of "123456789": 0x6F91. Source: the public MAVLink serialization guide.
//! The sliced form looks up sixteen tables a step instead of one table sixteen times.

/// Value before the first byte.
pub const INITIAL: u16 = 0xFFFF;

/// `TABLES[k][b]`: what byte `b` contributes when `k` more bytes follow it.
static TABLES: [[u16; 256]; 16] = tables();

/// The byte whose table entry has this high byte: each occurs once.
static BYTE_OF_HIGH: [u8; 256] = byte_of_high();

const fn tables() -> [[u16; 256]; 16] {
    let mut tables = [[0; 256]; 16];
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
    while depth < 16 {
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
#[must_use]
#[inline]
pub fn update(mut crc: u16, bytes: &[u8]) -> u16 {
    let (blocks, rest) = bytes.as_chunks::<16>();
    for block in blocks {
        let mut next = TABLES[15][usize::from(block[0] ^ crc as u8)]
            ^ TABLES[14][usize::from(block[1] ^ (crc >> 8) as u8)];
        for (index, &byte) in block.iter().enumerate().skip(2) {
            next ^= TABLES[15 - index][usize::from(byte)];
        }
        crc = next;
    }
    let (quads, rest) = rest.as_chunks::<4>();
    for quad in quads {
        crc = TABLES[3][usize::from(quad[0] ^ crc as u8)]
            ^ TABLES[2][usize::from(quad[1] ^ (crc >> 8) as u8)]
            ^ TABLES[1][usize::from(quad[2])]
            ^ TABLES[0][usize::from(quad[3])];
    }
    for &byte in rest {
        crc = step(crc, byte);
    }
    crc
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
    use super::*;

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
