//! The push framer: bytes in, MAVLink 1 and 2 frames out, damage counted.
//!
//! - A candidate whose checksum fails counts once; the hunt goes on from its second
//!   byte, and what looks like a frame inside it does not count again.
//! - A message id that the dialect lacks has an unknown CRC extra byte. In a byte stream
//!   such a frame is a witness when some extra byte satisfies its checksum (1 chance in
//!   256), and accepted when a second, apart from it, implies the same byte (1 in 65,536);
//!   the first is then recalled and counted too. In a datagram the bounds are certain: it
//!   is accepted when the datagram is laid out as whole frames and some extra byte fits.
//! - A datagram of another protocol counts nowhere: it needs an accepted frame, or a start
//!   byte in a flow that has brought accepted frames before (earlier damage is then added).
//! - Bytes in = framed + skipped + pending + those of other protocols, always; any split
//!   of a stream gives the same frames and counts.
//!
//! Bounded: at most one frame's length of pending bytes, 64 witnesses, 256 accepted unknown
//! ids. A frame that lies whole within a chunk is not copied. Source of the frame layout:
//! the public MAVLink serialization guide. A signature is not verified: no key is known.

use crate::summary::Framing;

mod candidate;

use candidate::{Chance, Verdict, judge, layout};
pub(crate) use candidate::{intact, is_start};

/// The longest frame: version 2, full payload, signed.
pub const LONGEST_FRAME: usize = 280;
const MOST_WITNESSES: usize = 64;
const MOST_UNKNOWN_IDS: usize = 256;

/// How sure a frame is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// Accepted.
    Accepted,
    /// Perhaps a frame: an unknown id in a byte stream that no second one bears out yet.
    /// It is not counted; a later frame with [`Standing::Recalled`] repeats it if it was one.
    Witness,
    /// A witness that is borne out now: it arrived earlier, and is accepted and counted now.
    Recalled,
}

/// The header of an accepted frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FrameHeader {
    /// 1 or 2.
    pub version: u8,
    /// Sequence number.
    pub sequence: u8,
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// Message id.
    pub message: u32,
    /// Carries a signature (which is not verified: no key is known).
    pub signed: bool,
    /// The dialect has this message id.
    pub known: bool,
    /// Accepted, or a witness; anything but `Accepted` is of an unknown id.
    pub standing: Standing,
}

/// One accepted frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// Its header.
    pub header: FrameHeader,
    /// Its payload as sent, trailing zeros cut in version 2.
    pub payload: &'a [u8],
    /// The whole frame.
    pub bytes: &'a [u8],
}

impl Frame<'_> {
    /// Tells frames of one number apart; no part of any output.
    ///
    /// Its first and last eight bytes and the payload's first eight: length, id and numbers, the first
    /// fields (mostly a clock), and the checksum or signature over all the rest.
    #[must_use]
    #[inline]
    pub fn fingerprint(&self) -> u64 {
        const FACTOR: u64 = 0x9E37_79B9_7F4A_7C15;
        let bytes = self.bytes;
        let word = |bytes: Option<&[u8; 8]>| bytes.map_or(0, |bytes| u64::from_le_bytes(*bytes));
        let middle = self.payload.first_chunk::<8>();
        let mixed = (word(bytes.first_chunk::<8>()).wrapping_mul(FACTOR) ^ word(middle)).wrapping_mul(FACTOR);
        (mixed.rotate_left(29) ^ word(bytes.last_chunk::<8>())).wrapping_mul(FACTOR)
    }
}

/// Where the bytes went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// In accepted frames.
    pub framed: u64,
    /// In none.
    pub skipped: u64,
    /// Not decided: what may be the start of a frame.
    pub pending: u64,
    /// In datagrams of other protocols.
    pub other: u64,
}

/// A frame of unknown id that waits for a second.
#[derive(Clone, Debug)]
struct Witness {
    message: u32,
    extra: u8,
    end: u64,
    bytes: Box<[u8]>,
}

/// Frames one byte stream, or the datagrams of one flow.
#[derive(Clone, Debug, Default)]
pub struct Framer {
    datagrams: bool,
    counts: Framing,
    tally: Tally,
    /// Bytes of an unfinished candidate at the end of a stream's chunk.
    carry: Vec<u8>,
    /// Stream position of the next byte to look at.
    position: u64,
    /// Candidates that start before this lie inside a failed one.
    quiet_until: u64,
    /// Chances of 1 in 65,536 that a checksum had to hold by accident.
    chances: u64,
    witnesses: Vec<Witness>,
    unknown: Vec<(u32, u8)>,
    /// Damage of a flow that has brought no accepted frame yet.
    unproven: (Framing, u64),
}

impl Framer {
    /// For a byte stream: chunk borders mean nothing.
    #[must_use]
    pub fn stream() -> Self {
        Self::default()
    }

    /// For datagrams: a frame never spans two.
    #[must_use]
    pub fn datagrams() -> Self {
        Self { datagrams: true, ..Self::default() }
    }

    /// Takes the next chunk (or one datagram) and gives every frame that it completes to
    /// `sink`, in order; see [`Standing`] for frames of unknown ids.
    pub fn push(&mut self, bytes: &[u8], sink: &mut impl FnMut(&Frame<'_>)) {
        if self.datagrams {
            self.push_datagram(bytes, sink);
            return;
        }
        let mut from = 0;
        if !self.carry.is_empty() {
            // Enough of the chunk to decide every candidate that starts in the carried bytes.
            let mut carry = std::mem::take(&mut self.carry);
            let carried = carry.len();
            carry.extend_from_slice(&bytes[..bytes.len().min(LONGEST_FRAME)]);
            let consumed = self.scan(&carry, carried, false, sink);
            if consumed < carried {
                carry.drain(..consumed);
                self.carry = carry;
                return;
            }
            from = consumed - carried;
            carry.clear();
            self.carry = carry;
        }
        let rest = &bytes[from..];
        let consumed = self.scan(rest, rest.len(), false, sink);
        self.carry.extend_from_slice(&rest[consumed..]);
    }

    /// What has been counted, pending bytes left out.
    #[must_use]
    pub fn counts(&self) -> Framing {
        Framing { skipped_bytes: self.tally.skipped, ..self.counts }
    }

    /// Where the bytes went.
    #[cfg(feature = "internals")]
    #[must_use]
    pub fn tally(&self) -> Tally {
        Tally { pending: self.carry.len() as u64, ..self.tally }
    }

    /// How many refused candidates there were, each of which had 1 chance in 65,536 to be accepted by
    /// accident; of an unknown id as many as there were frames of that id to agree with.
    #[must_use]
    pub const fn chances(&self) -> u64 {
        self.chances
    }

    /// What would be counted if the stream ended here, and whether it would end inside a frame.
    #[must_use]
    pub fn finished(&self) -> (Framing, bool) {
        if self.carry.is_empty() {
            return (self.counts(), false);
        }
        let mut end = self.clone();
        let carry = std::mem::take(&mut end.carry);
        end.scan(&carry, carry.len(), true, &mut |_| {});
        (end.counts(), true)
    }

    /// Decides candidates that start before `stop`; gives how many bytes are decided.
    fn scan(&mut self, buffer: &[u8], stop: usize, at_end: bool, sink: &mut impl FnMut(&Frame<'_>)) -> usize {
        let mut at = 0;
        let mut is_damaged = false;
        while at < stop {
            if !is_damaged {
                at += self.scan_intact(&buffer[at..], stop - at, sink);
                if at >= stop {
                    break;
                }
            }
            if !candidate::is_start(buffer[at]) {
                let start = buffer[at..stop].iter().position(|&byte| candidate::is_start(byte));
                let noise = start.unwrap_or(stop - at);
                self.skip(noise);
                at += noise;
                continue;
            }
            let taken = match judge(&buffer[at..]) {
                Verdict::Incomplete if !at_end => return at,
                Verdict::Failed(length, chance) => {
                    self.fail(length);
                    self.count_chance(chance);
                    0
                }
                Verdict::Frame(frame) => self.accept(&frame, sink),
                Verdict::Fits(frame, extra) if !self.datagrams => self.consider(&frame, extra, sink),
                Verdict::Incomplete | Verdict::Foreign | Verdict::Fits(..) => 0,
            };
            if taken == 0 {
                self.skip(1);
            }
            is_damaged = taken == 0;
            at += taken.max(1);
        }
        at
    }

    /// Takes frames of known ids for as long as they stand one behind the other; gives their bytes.
    #[inline]
    fn scan_intact(&mut self, buffer: &[u8], stop: usize, sink: &mut impl FnMut(&Frame<'_>)) -> usize {
        let (mut at, mut frames) = (0, 0);
        while at < stop
            && let Some(frame) = intact(&buffer[at..])
        {
            sink(&frame);
            frames += 1;
            at += frame.bytes.len();
        }
        if frames > 0 {
            self.drop_witnesses();
            self.counts.frames += frames;
            self.tally.framed += at as u64;
            self.position += at as u64;
        }
        at
    }

    /// A frame is accepted here: a witness that reaches into it was none.
    fn drop_witnesses(&mut self) {
        if !self.witnesses.is_empty() {
            let start = self.position;
            self.witnesses.retain(|witness| witness.end <= start);
        }
    }

    fn skip(&mut self, bytes: usize) {
        self.tally.skipped += bytes as u64;
        self.position += bytes as u64;
    }

    fn fail(&mut self, length: usize) {
        if self.position >= self.quiet_until {
            self.counts.crc_errors += 1;
            self.quiet_until = self.position + length as u64;
        }
    }

    fn count_chance(&mut self, chance: Chance) {
        self.chances += match chance {
            Chance::None => 0,
            Chance::Known => 1,
            Chance::Unknown(id) => {
                let start = self.position;
                let waiting = |witness: &&Witness| witness.message == id && witness.end <= start;
                let waiting = self.witnesses.iter().filter(waiting).count();
                let accepted = self.unknown.iter().filter(|(message, _)| *message == id).count();
                (waiting + accepted) as u64
            }
        };
    }

    fn accept(&mut self, frame: &Frame<'_>, sink: &mut impl FnMut(&Frame<'_>)) -> usize {
        self.drop_witnesses();
        self.counts.frames += 1;
        self.counts.unknown_ids += u64::from(!frame.header.known);
        self.tally.framed += frame.bytes.len() as u64;
        self.position += frame.bytes.len() as u64;
        sink(frame);
        frame.bytes.len()
    }

    /// A frame of unknown id in a byte stream, whose checksum some extra byte satisfies.
    fn consider(&mut self, frame: &Frame<'_>, extra: u8, sink: &mut impl FnMut(&Frame<'_>)) -> usize {
        let message = frame.header.message;
        if self.unknown.contains(&(message, extra)) {
            return self.accept(frame, sink);
        }
        let start = self.position;
        let first = self
            .witnesses
            .iter()
            .position(|witness| witness.message == message && witness.extra == extra && witness.end <= start);
        if let Some(first) = first {
            let first = self.witnesses.remove(first);
            self.recall(&first, sink);
            if self.unknown.len() >= MOST_UNKNOWN_IDS {
                self.unknown.remove(0);
            }
            self.unknown.push((message, extra));
            return self.accept(frame, sink);
        }
        if self.witnesses.len() >= MOST_WITNESSES {
            self.witnesses.remove(0);
        }
        let end = start + frame.bytes.len() as u64;
        self.witnesses.push(Witness { message, extra, end, bytes: frame.bytes.into() });
        self.quiet_until = self.quiet_until.max(end);
        sink(&Frame { header: FrameHeader { standing: Standing::Witness, ..frame.header }, ..*frame });
        0
    }

    fn recall(&mut self, witness: &Witness, sink: &mut impl FnMut(&Frame<'_>)) {
        let Verdict::Fits(frame, _) = judge(&witness.bytes) else { return };
        self.counts.frames += 1;
        self.counts.unknown_ids += 1;
        self.tally.framed += frame.bytes.len() as u64;
        self.tally.skipped -= frame.bytes.len() as u64;
        sink(&Frame { header: FrameHeader { standing: Standing::Recalled, ..frame.header }, ..frame });
    }

    fn push_datagram(&mut self, bytes: &[u8], sink: &mut impl FnMut(&Frame<'_>)) {
        let before = (self.counts, self.tally);
        let whole = layout(bytes);
        self.quiet_until = self.position;
        if whole {
            self.scan_laid_out(bytes, sink);
        } else {
            self.scan(bytes, bytes.len(), true, sink);
        }
        let accepted = self.counts.frames > before.0.frames;
        let starts = bytes.first().is_some_and(|&byte| candidate::is_start(byte));
        if accepted {
            // The flow is MAVLink: what it damaged before counts too.
            let (damage, skipped) = std::mem::take(&mut self.unproven);
            self.counts.crc_errors += damage.crc_errors;
            self.tally.skipped += skipped;
            self.tally.other -= skipped;
        } else if self.counts.frames == 0 || !starts {
            if whole && !bytes.is_empty() {
                self.unproven.0.crc_errors += self.counts.crc_errors - before.0.crc_errors;
                self.unproven.1 += bytes.len() as u64;
            }
            (self.counts, self.tally) = before;
            self.tally.other += bytes.len() as u64;
        }
    }

    /// A datagram that is laid out as whole frames: the bounds of each are certain.
    fn scan_laid_out(&mut self, bytes: &[u8], sink: &mut impl FnMut(&Frame<'_>)) {
        let mut rest = bytes;
        loop {
            let taken = self.scan_intact(rest, rest.len(), sink);
            rest = &rest[taken..];
            let Some(length) = candidate::length(rest) else { break };
            let (one, behind) = rest.split_at(length.min(rest.len()));
            match judge(one) {
                Verdict::Frame(frame) | Verdict::Fits(frame, _) => {
                    self.accept(&frame, sink);
                }
                _ => {
                    self.scan(one, one.len(), true, sink);
                }
            }
            rest = behind;
        }
    }
}
