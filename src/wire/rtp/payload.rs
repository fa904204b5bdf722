//! What a video payload carries, without decoding: NAL unit types of H.264 (RFC 6184) and H.265 (RFC 7798).
//!
//! Read are the unit headers and those of aggregation (STAP-A, AP) and fragmentation (FU-A, FU); a
//! fragment repeats its unit's type, so a key picture is seen even where its first packet was lost. Key
//! pictures: IDR slices (type 5); in H.265 the random access points 16 to 21. Recovery points (see `recovery_point`) are
//! read in single units, in aggregates and in first fragments. Interleaved packetisation
//! (STAP-B, MTAP, FU-B, decoding order numbers) does not fit. A payload *fits* a codec when every header
//! in it is one that the standards allow there. Nothing is copied.

use super::recovery_point;
pub use crate::summary::Codec;

impl Codec {
    /// Both, in the order of their index.
    pub const ALL: [Self; 2] = [Self::H264, Self::H265];
}

/// What one payload holds when it is read as one codec.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Content {
    /// Part of a key picture.
    pub key: bool,
    /// A parameter set.
    pub parameters: bool,
    /// Part of a picture that others may refer to, as far as the header says.
    pub reference: bool,
    /// A recovery point: so many frames on (H.264: that others refer to) the picture is whole.
    pub recovery: Option<u16>,
}

impl Content {
    fn join(self, other: Self) -> Self {
        Self {
            key: self.key || other.key,
            parameters: self.parameters || other.parameters,
            reference: self.reference || other.reference,
            recovery: self.recovery.or(other.recovery),
        }
    }
}

/// Reads a payload as one codec; `None`: it does not fit.
#[must_use]
pub fn read(codec: Codec, payload: &[u8]) -> Option<Content> {
    match codec {
        Codec::H264 => read_h264(payload),
        Codec::H265 => read_h265(payload),
    }
}

/// What one payload holds, read as each codec in the order of [`Codec::ALL`].
pub type Contents = [Option<Content>; 2];

/// Reads a payload as each codec.
#[must_use]
pub fn contents(payload: &[u8]) -> Contents {
    Codec::ALL.map(|codec| read(codec, payload))
}

/// The units of an aggregation packet: 16-bit sizes that fill it exactly.
fn aggregated(mut rest: &[u8], unit: impl Fn(&[u8]) -> Option<Content>) -> Option<Content> {
    let mut all = Content::default();
    if rest.is_empty() {
        return None;
    }
    while let Some((size, after)) = rest.split_first_chunk::<2>() {
        let size = usize::from(u16::from_be_bytes(*size));
        all = all.join(unit(after.get(..size)?)?);
        rest = &after[size..];
    }
    rest.is_empty().then_some(all)
}

/// RFC 6184, section 5.3 (unit header), 5.7.1 (STAP-A), 5.8 (FU-A).
fn read_h264(payload: &[u8]) -> Option<Content> {
    let (&header, rest) = payload.split_first()?;
    if header & 0x80 != 0 {
        return None;
    }
    let important = header & 0x60 != 0;
    match header & 0x1f {
        24 => aggregated(rest, |unit| {
            let (&header, rest) = unit.split_first()?;
            (header & 0x80 == 0 && !rest.is_empty()).then_some(())?;
            h264_unit(header & 0x1f, header & 0x60 != 0, rest)
        }),
        28 => {
            let (&fragment, rest) = rest.split_first()?;
            // Start and end never stand in one header; the reserved bit is 0.
            let whole = fragment & 0xc0 == 0xc0;
            (!whole && fragment & 0x20 == 0 && !rest.is_empty()).then_some(())?;
            // What follows the header stands in the first fragment.
            let first = if fragment & 0x80 == 0 { &[][..] } else { rest };
            h264_unit(fragment & 0x1f, important, first)
        }
        kind => h264_unit(kind, important, rest),
    }
}

/// ITU-T H.264, 7.4.1: `nal_ref_idc` is not 0 for IDR and parameter sets, and 0 for types 6 and 9 to 12.
fn h264_unit(kind: u8, important: bool, rest: &[u8]) -> Option<Content> {
    let fits = match kind {
        1 => true,
        5 | 7 | 8 => important,
        6 | 9..=12 => !important,
        _ => false,
    };
    fits.then(|| Content {
        key: kind == 5,
        parameters: matches!(kind, 7 | 8),
        reference: important && kind <= 5,
        recovery: if kind == 6 { recovery_point::read(rest, false) } else { None },
    })
}

/// RFC 7798, section 1.1.4 (unit header), 4.4.2 (AP), 4.4.3 (FU).
fn read_h265(payload: &[u8]) -> Option<Content> {
    let (kind, rest) = h265_header(payload)?;
    match kind {
        48 => aggregated(rest, |unit| {
            let (kind, rest) = h265_header(unit)?;
            (!rest.is_empty() || kind > 35).then_some(())?;
            h265_unit(kind, rest)
        }),
        49 => {
            let (&fragment, rest) = rest.split_first()?;
            (fragment & 0xc0 != 0xc0 && !rest.is_empty()).then_some(())?;
            let first = if fragment & 0x80 == 0 { &[][..] } else { rest };
            h265_unit(fragment & 0x3f, first)
        }
        kind => h265_unit(kind, rest),
    }
}

/// Type and what follows; the forbidden bit and the layer are 0, the temporal id plus 1 is not.
fn h265_header(unit: &[u8]) -> Option<(u8, &[u8])> {
    let (&[high, low], rest) = unit.split_first_chunk::<2>()?;
    let fits = high & 0x81 == 0 && low & 0xf8 == 0 && low & 0x07 != 0;
    fits.then_some(((high >> 1) & 0x3f, rest))
}

/// ITU-T H.265, table 7-1, without reserved types.
fn h265_unit(kind: u8, rest: &[u8]) -> Option<Content> {
    let fits = matches!(kind, 0..=9 | 16..=21 | 32..=40);
    fits.then(|| Content {
        key: matches!(kind, 16..=21),
        parameters: matches!(kind, 32..=34),
        // Recovery is counted in the order of display, in which every picture counts.
        reference: kind < 32,
        recovery: if kind == 39 { recovery_point::read(rest, true) } else { None },
    })
}

/// Which codec a stream's payloads are, and how sure.
///
/// Rule: at least 30 payloads, 99 in 100 of them fit the codec, at most half fit the other, and a key picture or
/// parameter set was among them. Anything else (encrypted, another codec, interleaved) stays
/// unknown. Random bytes fit H.264 in fewer than 1 in 5 payloads and H.265 in fewer than 1 in 100.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recognition {
    payloads: u64,
    fitting: [u64; 2],
    witnessed: [bool; 2],
}

impl Recognition {
    const LEAST: u64 = 30;

    /// Takes one payload in.
    pub fn observe(&mut self, contents: Contents) {
        self.payloads += 1;
        for (index, content) in contents.into_iter().enumerate() {
            if let Some(content) = content {
                self.fitting[index] += 1;
                self.witnessed[index] |= content.key || content.parameters;
            }
        }
    }

    /// Index into [`Codec::ALL`]; `None`: not told by these payloads.
    #[must_use]
    pub fn codec(&self) -> Option<usize> {
        (0..2).find(|&index| {
            self.payloads >= Self::LEAST
                && self.witnessed[index]
                && self.fitting[index] * 100 >= self.payloads * 99
                && self.fitting[1 - index] * 2 <= self.payloads
        })
    }
}

#[cfg(test)]
mod tests {
    use crate::wire::rtp::payload::*;

    const NOTHING: Content = Content { key: false, parameters: false, reference: false, recovery: None };
    const PLAIN: Content = Content { reference: true, ..NOTHING };
    const KEY: Content = Content { key: true, ..PLAIN };
    const PARAMETERS: Content = Content { parameters: true, ..NOTHING };

    const fn recovery(count: u16) -> Content {
        Content { recovery: Some(count), ..NOTHING }
    }

    /// RFC 6184, figures of section 5.3 (|F|NRI|Type|), 5.7.1 and 5.8, bits set by hand.
    #[test]
    #[expect(clippy::unusual_byte_groupings, reason = "grouped as the RFC's figure groups the bits")]
    fn h264_headers_are_read_as_laid_out() {
        let read = |bytes: &[u8]| read(Codec::H264, bytes);
        assert_eq!(read(&[0b0_10_00001, 9]), Some(PLAIN), "a slice");
        assert_eq!(read(&[0b0_11_00101, 9]), Some(KEY), "an IDR slice");
        assert_eq!(read(&[0b0_11_00111, 9]), Some(PARAMETERS), "a sequence parameter set");
        assert_eq!(read(&[0b1_11_00101, 9]), None, "the forbidden bit");
        assert_eq!(read(&[0b0_00_00101, 9]), None, "an IDR slice is always a reference");
        // STAP-A with SPS (2 bytes), PPS (2 bytes) and an IDR slice (3 bytes).
        let stap = [0x78, 0, 2, 0x67, 1, 0, 2, 0x68, 1, 0, 3, 0x65, 1, 2];
        assert_eq!(read(&stap), Some(Content { parameters: true, ..KEY }));
        assert_eq!(read(&stap[..13]), None, "sizes must fill it");
        // FU-A: indicator |F|NRI|28|, header |S|E|R|Type|; a middle fragment tells its type too.
        assert_eq!(read(&[0x7c, 0b1000_0101, 0]), Some(KEY));
        assert_eq!(read(&[0x7c, 0b0000_0101, 0]), Some(KEY));
        assert_eq!(read(&[0x5c, 0b0100_0001, 0]), Some(PLAIN));
        assert_eq!(read(&[0x7c, 0b1100_0101, 0]), None, "start and end in one");
        assert_eq!(read(&[0x79, 0, 2, 0x67, 1]), None, "STAP-B is interleaved");
        assert_eq!(read(&[]), None);
        assert_eq!(read(&[0b0_00_00001, 9]), Some(NOTHING), "a slice that none refers to");
        // SEI (type 6) with a recovery point after 30 frames: alone, in STAP-A, in the first and a later FU-A.
        let sei = [6, 2, 0b0000_1111, 0b1100_0100, 0x80];
        assert_eq!(read(&[&[0x06][..], &sei].concat()), Some(recovery(30)));
        let stap = [&[0x18, 0, 6, 0x06][..], &sei, &[0, 2, 0x41, 9]].concat();
        assert_eq!(read(&stap), Some(Content { recovery: Some(30), ..PLAIN }));
        assert_eq!(read(&[&[0x1c, 0b1000_0110][..], &sei].concat()), Some(recovery(30)));
        assert_eq!(read(&[&[0x1c, 0b0000_0110][..], &sei].concat()), Some(NOTHING));
        assert_eq!(read(&[0x06, 5, 2, 6, 1, 0x80]), Some(NOTHING), "user data that looks like one");
    }

    /// RFC 7798, figures of section 1.1.4 (|F|Type|LayerId|TID|), 4.4.2 and 4.4.3, bits set by hand.
    #[test]
    fn h265_headers_are_read_as_laid_out() {
        let read = |bytes: &[u8]| read(Codec::H265, bytes);
        let unit = |kind: u8| [kind << 1, 1, 9];
        assert_eq!(read(&unit(1)), Some(PLAIN), "TRAIL_R");
        assert_eq!(read(&unit(19)), Some(KEY), "IDR_W_RADL");
        assert_eq!(read(&unit(21)), Some(KEY), "CRA");
        assert_eq!(read(&unit(22)), None, "reserved");
        assert_eq!(read(&unit(33)), Some(PARAMETERS), "SPS");
        assert_eq!(read(&[2, 0, 9]), None, "no temporal id of -1");
        assert_eq!(read(&[2, 0b0000_1001, 9]), None, "another layer");
        let ap = [48 << 1, 1, 0, 3, 64, 1, 7, 0, 3, 38, 1, 7];
        assert_eq!(read(&ap), Some(Content { parameters: true, ..KEY }), "VPS and IDR");
        assert_eq!(read(&ap[..11]), None);
        assert_eq!(read(&[49 << 1, 1, 0b1001_0011, 0]), Some(KEY), "the first fragment of type 19");
        assert_eq!(read(&[49 << 1, 1, 0b0101_0011, 0]), Some(KEY), "the last one");
        assert_eq!(read(&[49 << 1, 1, 0b1101_0011, 0]), None);
        // SEI before a picture (type 39) with a recovery point after 15 pictures; type 40 follows one.
        let sei = [6, 2, 0b0000_1111, 0b0100_0000, 0x80];
        assert_eq!(read(&[&[39 << 1, 1][..], &sei].concat()), Some(recovery(15)));
        assert_eq!(read(&[&[40 << 1, 1][..], &sei].concat()), Some(NOTHING));
        assert_eq!(read(&[&[48 << 1, 1, 0, 7, 39 << 1, 1][..], &sei].concat()), Some(recovery(15)));
        assert_eq!(read(&[&[49 << 1, 1, 0b1010_0111][..], &sei].concat()), Some(recovery(15)));
        assert_eq!(read(&[&[49 << 1, 1, 0b0010_0111][..], &sei].concat()), Some(NOTHING));
    }

    #[test]
    fn a_codec_is_told_only_by_enough_that_fits_it_alone() {
        let mut seen = Recognition::default();
        for number in 0..30 {
            assert_eq!(seen.codec(), None, "{number}");
            seen.observe(contents(if number == 0 { &[0x65, 9] } else { &[0x41, 9] }));
        }
        assert_eq!(seen.codec().map(|index| Codec::ALL[index]), Some(Codec::H264));
        let mut no_key = Recognition::default();
        for _ in 0..100 {
            no_key.observe(contents(&[0x41, 9]));
        }
        assert_eq!(no_key.codec(), None, "nothing but plain slices");
        // Every byte pair as often as any other: what encryption leaves.
        let mut noise = Recognition::default();
        for high in 0..=255 {
            for low in 0..=255 {
                noise.observe(contents(&[high, low, 1, 2]));
            }
        }
        assert_eq!(noise.codec(), None);
        assert!(noise.fitting[0] * 5 < noise.payloads && noise.fitting[1] * 100 < noise.payloads);
    }
}
