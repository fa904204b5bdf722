//! Recovery points: the message by which an encoder that sends no key pictures says from where on the picture is whole.
//!
//! Layout: ITU-T H.264 and H.265, annex D, supplemental enhancement information (SEI) of payload type 6; messages one
//! after another, type and size each in bytes of 255 and a last one (7.3.2.3.1, 7.3.5); a 3 after two zeros is no
//! part of it (7.3.1). The count is Exp-Golomb (9.1): H.264 counts reference frames, H.265 pictures in the order of
//! display, where a negative one lies behind. Read up to the end of what a packet holds.

/// `recovery_point`.
const RECOVERY_POINT: u32 = 6;
/// No picture is refreshed over more frames; longer counts are nonsense.
const MOST_BITS: u32 = 15;

/// Bytes of a unit without those that only keep start codes apart.
struct Unescaped<'a> {
    bytes: std::slice::Iter<'a, u8>,
    zeros: u8,
}

impl Iterator for Unescaped<'_> {
    type Item = u8;

    fn next(&mut self) -> Option<u8> {
        let mut byte = *self.bytes.next()?;
        if self.zeros >= 2 && byte == 3 {
            self.zeros = 0;
            byte = *self.bytes.next()?;
        }
        self.zeros = if byte == 0 { self.zeros.saturating_add(1) } else { 0 };
        Some(byte)
    }
}

/// How many frames after this one the picture is whole, where the messages that follow a unit's header say so; `signed`:
/// H.265.
pub(super) fn read(messages: &[u8], signed: bool) -> Option<u16> {
    let mut bytes = Unescaped { bytes: messages.iter(), zeros: 0 };
    loop {
        let (kind, size) = (number(&mut bytes)?, number(&mut bytes)?);
        if kind == RECOVERY_POINT {
            return count(&mut bytes.take(size as usize), signed);
        }
        for _ in 0..size {
            bytes.next()?;
        }
    }
}

/// A type or size: bytes of 255, and one more.
fn number(bytes: &mut impl Iterator<Item = u8>) -> Option<u32> {
    let mut sum = 0_u32;
    loop {
        let byte = bytes.next()?;
        sum = sum.saturating_add(u32::from(byte));
        if byte != 255 {
            return Some(sum);
        }
    }
}

/// The first Exp-Golomb code.
fn count(bytes: &mut impl Iterator<Item = u8>, signed: bool) -> Option<u16> {
    let mut bits = bytes.flat_map(|byte| (0..8).rev().map(move |bit| byte >> bit & 1));
    let mut zeros = 0;
    while bits.next()? == 0 {
        zeros += 1;
        if zeros > MOST_BITS {
            return None;
        }
    }
    let mut code = 1_u32;
    for _ in 0..zeros {
        code = code << 1 | u32::from(bits.next()?);
    }
    let code = code - 1;
    // Codes 1, 2, 3, 4 are 1, -1, 2, -2.
    let value = match (signed, code % 2) {
        (false, _) => code,
        (true, 1) => code / 2 + 1,
        (true, _) => 0,
    };
    u16::try_from(value).ok()
}

#[cfg(test)]
mod tests {
    use crate::wire::rtp::recovery_point::*;

    /// Bits by hand: ue(0) is 1, ue(1) 010, ue(30) 000011111; se(1) 010, se(-1) 011, se(15) 000011110.
    #[test]
    fn counts_are_read_as_laid_out() {
        assert_eq!(read(&[6, 1, 0b1100_0100, 0x80], false), Some(0));
        assert_eq!(read(&[6, 1, 0b0101_0000, 0x80], false), Some(1));
        assert_eq!(read(&[6, 2, 0b0000_1111, 0b1100_0100, 0x80], false), Some(30));
        assert_eq!(read(&[6, 1, 0b0101_0000, 0x80], true), Some(1));
        assert_eq!(read(&[6, 1, 0b0111_0000, 0x80], true), Some(0));
        assert_eq!(read(&[6, 2, 0b0000_1111, 0b0100_0000, 0x80], true), Some(15));
    }

    #[test]
    fn it_may_follow_other_messages_and_be_cut_off() {
        // Buffering period of 2 bytes, then user data of 255 + 1, then the recovery point.
        let mut messages = vec![0, 2, 9, 9, 5, 255, 1];
        messages.extend([7; 256]);
        messages.extend([6, 1, 0b0101_0000, 0x80]);
        assert_eq!(read(&messages, false), Some(1));
        assert_eq!(read(&messages[..100], false), None);
        // The second zero of two is followed by a 3 that is no byte of the message.
        assert_eq!(read(&[1, 3, 0, 0, 3, 1, 6, 1, 0x80], false), Some(0));
        assert_eq!(read(&[6, 0, 0x80], false), None);
        assert_eq!(read(&[6, 4, 0, 0, 0, 0], false), None);
        assert_eq!(read(&[1, 1, 0x80, 0x80], false), None, "no such message");
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(bytes: Vec<u8>, signed: bool) {
            let _ = read(&bytes, signed);
        }
    }
}
