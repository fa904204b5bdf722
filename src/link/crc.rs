//! CRC-16/MCRF4XX, the checksum of MAVLink frames, sixteen bytes at a step.
//!
//! Polynomial 0x1021 reflected (0x8408), initial value 0xFFFF, no final inversion;
//! check value of "123456789": 0x6F91. Source: the public MAVLink serialization guide.
//! The sliced form looks up sixteen tables a step instead of one table sixteen times.

/// Value before the first byte.
pub const INITIAL: u16 = 0xFFFF;

const BLOCK: usize = 16;

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
///
/// What does not fill a block stands at the front: leading zeros leave a checksum of zero as it
/// is, so the first bytes, with the checksum so far folded into them, make one block with zeros
/// before them, and no byte goes alone.
#[must_use]
#[inline]
pub fn update(crc: u16, bytes: &[u8]) -> u16 {
    let head = bytes.len() % BLOCK;
    let (mut crc, blocks) = match bytes.first_chunk::<BLOCK>() {
        Some(first) if head >= 2 => {
            let folded = u128::from_le_bytes(*first) ^ u128::from(crc);
            (block(0, folded << (8 * (BLOCK - head))), &bytes[head..])
        }
        Some(first) if head == 1 => (step(crc, first[0]), &bytes[1..]),
        Some(_) => (crc, bytes),
        None => return bytes.iter().fold(crc, |crc, &byte| step(crc, byte)),
    };
    for bytes in blocks.as_chunks::<BLOCK>().0 {
        crc = block(crc, u128::from_le_bytes(*bytes));
    }
    crc
}

/// The checksum after one block. What waits for the checksum before it comes last, so that the
/// look-ups of one block overlap with those of the next.
#[inline]
fn block(crc: u16, bytes: u128) -> u16 {
    let (low, high) = (bytes as u64, (bytes >> 64) as u64);
    let byte = |word: u64, index: usize| usize::from((word >> (8 * index)) as u8);
    let (mut one, mut other) = (0, 0);
    for index in 0..8 {
        one ^= TABLES[7 - index][byte(high, index)];
    }
    for index in 2..8 {
        other ^= TABLES[15 - index][byte(low, index)];
    }
    let first = low as u16 ^ crc;
    let rest = one ^ other;
    rest ^ TABLES[15][usize::from(first as u8)] ^ TABLES[14][usize::from((first >> 8) as u8)]
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
