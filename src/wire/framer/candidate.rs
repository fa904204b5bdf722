//! One candidate frame: its length, and whether its checksum holds.
//!
//! A version 1 frame of a known id has one lawful payload length (nothing is cut there); a
//! version 2 payload may be shorter (cut zeros) or longer (newer extensions) than ours.

use super::{Frame, FrameHeader, Standing};
use crate::wire::checksum;
use crate::wire::codec;
use crate::wire::codec::Definition;

const START_V1: u8 = 0xFE;
const START_V2: u8 = 0xFD;
const SIGNED: u8 = 0x01;
const SIGNATURE: usize = 13;

/// What a candidate turns out to be.
#[derive(Clone, Copy, Debug)]
pub(super) enum Verdict<'a> {
    /// More bytes are needed to tell.
    Incomplete,
    /// Not ours to read: it asks for features that nobody here knows.
    Foreign,
    /// Its checksum fails; its length, and what chance it had to hold by accident.
    Failed(usize, Chance),
    /// A frame of a known id.
    Frame(Frame<'a>),
    /// An unknown id, whose checksum this extra byte would satisfy.
    Fits(Frame<'a>, u8),
}

/// What would have had to agree by accident.
#[derive(Clone, Copy, Debug)]
pub(super) enum Chance {
    /// Nothing: it was refused for its length.
    None,
    /// Both bytes of the checksum.
    Known,
    /// The checksum's second byte, and the extra byte with that of another frame of this id.
    Unknown(u32),
}

#[inline]
pub(crate) const fn is_start(byte: u8) -> bool {
    byte == START_V1 || byte == START_V2
}

/// The length that a candidate says it has; `None` while too little of it is there, or it is none.
#[inline]
pub(super) fn length(bytes: &[u8]) -> Option<usize> {
    let payload = usize::from(*bytes.get(1)?);
    match bytes[0] {
        START_V1 => Some(payload + 8),
        START_V2 => Some(payload + 12 + if bytes.get(2)? & SIGNED == 0 { 0 } else { SIGNATURE }),
        _ => None,
    }
}

/// Whether the bytes are laid out as frames, one behind the other, with nothing over.
pub(super) fn layout(mut bytes: &[u8]) -> bool {
    while let Some(length) = length(bytes) {
        match bytes.get(length..) {
            Some([]) => return true,
            Some(behind) => bytes = behind,
            None => return false,
        }
    }
    false
}

/// A candidate that is there as a whole.
struct Whole<'a> {
    frame: Frame<'a>,
    /// The checksum that was sent, and that of its bytes without the extra one.
    sent: u16,
    computed: u16,
}

#[expect(clippy::inline_always, reason = "a frame that is copied costs as much as its checksum")]
#[inline(always)]
fn whole(bytes: &[u8]) -> Option<Whole<'_>> {
    let bytes = bytes.get(..length(bytes)?)?;
    let (start, header) = if bytes[0] == START_V1 {
        (6, header(1, bytes[2], bytes[3], bytes[4], u32::from(bytes[5])))
    } else {
        let message = u32::from_le_bytes([bytes[7], bytes[8], bytes[9], 0]);
        let signed = bytes[2] & SIGNED != 0;
        (10, FrameHeader { signed, ..header(2, bytes[4], bytes[5], bytes[6], message) })
    };
    let end = start + usize::from(bytes[1]);
    let sent = u16::from_le_bytes([bytes[end], bytes[end + 1]]);
    let computed = checksum::update(checksum::INITIAL, &bytes[1..end]);
    Some(Whole { frame: Frame { header, payload: &bytes[start..end], bytes }, sent, computed })
}

impl Whole<'_> {
    /// A payload length that a known id may have.
    #[inline]
    fn is_lawful(&self, definition: Definition) -> bool {
        self.frame.header.version == 2 || self.frame.payload.len() == usize::from(definition.v1_length)
    }

    #[inline]
    fn holds(&self, definition: Definition) -> bool {
        checksum::step(self.computed, definition.crc_extra) == self.sent
    }

    /// Incompatibility flags that nobody here knows: the layout behind them is unknown.
    #[inline]
    fn is_foreign(&self) -> bool {
        self.frame.header.version == 2 && self.frame.bytes[2] & !SIGNED != 0
    }
}

/// The frame of a known id that the bytes begin with, if they do: what nearly all of them are.
#[expect(clippy::inline_always, reason = "a frame that is copied costs as much as its checksum")]
#[inline(always)]
pub(crate) fn intact(bytes: &[u8]) -> Option<Frame<'_>> {
    let whole = whole(bytes)?;
    let definition = codec::definition(whole.frame.header.message)?;
    let is_good = whole.holds(definition) && whole.is_lawful(definition) && !whole.is_foreign();
    is_good.then_some(Frame { header: FrameHeader { known: true, ..whole.frame.header }, ..whole.frame })
}

/// Judges the candidate that the bytes begin with.
pub(super) fn judge(bytes: &[u8]) -> Verdict<'_> {
    let Some(whole) = whole(bytes) else { return Verdict::Incomplete };
    let (frame, length) = (whole.frame, whole.frame.bytes.len());
    if let Some(definition) = codec::definition(frame.header.message) {
        return if !whole.is_lawful(definition) {
            Verdict::Failed(length, Chance::None)
        } else if !whole.holds(definition) {
            Verdict::Failed(length, Chance::Known)
        } else if whole.is_foreign() {
            Verdict::Foreign
        } else {
            Verdict::Frame(Frame { header: FrameHeader { known: true, ..frame.header }, ..frame })
        };
    }
    match checksum::byte_between(whole.computed, whole.sent) {
        None => Verdict::Failed(length, Chance::Unknown(frame.header.message)),
        Some(_) if whole.is_foreign() => Verdict::Foreign,
        Some(extra) => Verdict::Fits(frame, extra),
    }
}

const fn header(version: u8, sequence: u8, system: u8, component: u8, message: u32) -> FrameHeader {
    FrameHeader {
        version,
        sequence,
        system,
        component,
        message,
        signed: false,
        known: false,
        standing: Standing::Accepted,
    }
}
