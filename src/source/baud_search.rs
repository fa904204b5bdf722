//! Finds the baud rate of a serial port from what arrives at each: `baud=auto`.
//!
//! The usual rates are tried, the likeliest first, round and round. A rate is right once two whole frames came at it: a
//! checksum of 16 bits fits by chance once in 65,536 candidates. It is wrong once bytes came and no frame: 1,200 bytes
//! in at least 0.7 s, else 3.5 s of a sender that is slow, since a heartbeat alone comes once a second. One frame gives
//! it as long again. Silence moves nothing: time counts while bytes come, a gap as 1.5 s at most.
//!
//! Unit: bits a second. Bounded: one frame's length of bytes.

use crate::units::Nanos;
use crate::wire::framer::Framer;

/// The usual rates, the likeliest first.
pub(crate) const RATES: [u32; 8] = [57_600, 115_200, 9_600, 19_200, 38_400, 230_400, 460_800, 921_600];
/// So many frames at a rate are no chance.
const FRAMES: u64 = 2;
/// Bytes in which a sender that sends much would have sent a whole frame, twice over.
const MUCH_BYTES: u64 = 1_200;
const MUCH_TIME: Nanos = Nanos::from_millis(700);
/// The time in which one that sends once a second has sent three times.
const SLOW_TIME: Nanos = Nanos::from_millis(3_500);
const LONGEST_GAP: Nanos = Nanos::from_millis(1_500);

/// What to do after a chunk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Next {
    /// Go on reading.
    Stay,
    /// Try this rate.
    Try(u32),
    /// This is the rate.
    Found(u32),
}

/// The search.
pub(crate) struct BaudSearch {
    rates: Vec<u32>,
    place: usize,
    framer: Framer,
    bytes: u64,
    frames: u64,
    active: Nanos,
    last: Option<Nanos>,
}

impl BaudSearch {
    /// Begins with the rate that was right before, where one was.
    pub(crate) fn new(before: Option<u32>) -> Self {
        let others = RATES.into_iter().filter(|rate| Some(*rate) != before);
        let rates = before.into_iter().chain(others).collect();
        Self {
            rates,
            place: 0,
            framer: Framer::stream(),
            bytes: 0,
            frames: 0,
            active: Nanos::ZERO,
            last: None,
        }
    }

    /// The rate that is tried.
    pub(crate) fn rate(&self) -> u32 {
        self.rates[self.place]
    }

    /// Takes what came at this rate.
    pub(crate) fn take(&mut self, at: Nanos, bytes: &[u8]) -> Next {
        let gap = self.last.replace(at).map_or(Nanos::ZERO, |last| (at - last).min(LONGEST_GAP));
        self.active = self.active + gap;
        self.bytes += bytes.len() as u64;
        let frames_before = self.frames;
        let frames = &mut self.frames;
        self.framer.push(bytes, &mut |frame| {
            *frames += u64::from(frame.header.known);
        });
        if self.frames >= FRAMES {
            return Next::Found(self.rate());
        }
        if self.frames > frames_before {
            self.active = Nanos::ZERO;
            self.bytes = 0;
        }
        let is_wrong = (self.bytes >= MUCH_BYTES && self.active >= MUCH_TIME) || self.active >= SLOW_TIME;
        if !is_wrong {
            return Next::Stay;
        }
        let rates = std::mem::take(&mut self.rates);
        let place = (self.place + 1) % rates.len();
        *self = Self { rates, place, ..Self::new(None) };
        Next::Try(self.rate())
    }
}
