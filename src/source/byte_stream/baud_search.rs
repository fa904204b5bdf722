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
pub(super) const RATES: [u32; 8] = [57_600, 115_200, 9_600, 19_200, 38_400, 230_400, 460_800, 921_600];
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
pub(super) enum Next {
    /// Go on reading.
    Stay,
    /// Try this rate.
    Try(u32),
    /// This is the rate.
    Found(u32),
}

/// The search.
pub(super) struct BaudSearch {
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
    pub(super) fn new(before: Option<u32>) -> Self {
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
    pub(super) fn rate(&self) -> u32 {
        self.rates[self.place]
    }

    /// Takes what came at this rate.
    pub(super) fn take(&mut self, at: Nanos, bytes: &[u8]) -> Next {
        let gap = self.last.replace(at).map_or(Nanos::ZERO, |last| (at - last).min(LONGEST_GAP));
        self.active += gap;
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

#[cfg(test)]
mod tests {
    use crate::source::byte_stream::baud_search::*;

    /// HEARTBEAT of version 1, its checksum as the public serialization guide counts it (X.25, then the CRC extra 50).
    fn heartbeat(number: u8) -> Vec<u8> {
        let mut frame = vec![0xFE, 9, number, 1, 1, 0, 0, 0, 0, 0, 2, 3, 0, 4, 3];
        let crc = frame[1..].iter().chain(&[50]).fold(0xFFFF_u16, |crc, byte| {
            let mixed = byte ^ crc as u8;
            let mixed = mixed ^ (mixed << 4);
            let wide = u16::from(mixed);
            (crc >> 8) ^ (wide << 8) ^ (wide << 3) ^ (wide >> 4)
        });
        frame.extend(crc.to_le_bytes());
        frame
    }

    /// What another rate makes of a line: bytes without a frame.
    fn noise(length: usize, seed: u32) -> Vec<u8> {
        let mut state = seed | 1;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 24) as u8
        };
        (0..length).map(|_| next()).collect()
    }

    /// A line whose sender sends at one rate, in chunks: what is found, when, and which rates were tried.
    fn search(rate: u32, from: Option<u32>, chunks: &[(f64, Vec<u8>)]) -> (Option<(f64, u32)>, Vec<u32>) {
        let mut search = BaudSearch::new(from);
        let mut tried = vec![search.rate()];
        for (number, (at_s, bytes)) in chunks.iter().enumerate() {
            let garbled = noise(bytes.len(), number as u32);
            let seen = if search.rate() == rate { bytes } else { &garbled };
            match search.take(Nanos::from_secs_f64(*at_s), seen) {
                Next::Stay => {}
                Next::Try(rate) => tried.push(rate),
                Next::Found(rate) => return (Some((*at_s, rate)), tried),
            }
        }
        (None, tried)
    }

    /// So many heartbeats in a chunk, a chunk every so often.
    fn sender(every_s: f64, frames: u8, seconds: f64) -> Vec<(f64, Vec<u8>)> {
        let chunks = (seconds / every_s) as u32;
        let chunk = |number: u32| (0..frames).flat_map(|frame| heartbeat(number as u8 ^ frame)).collect();
        (0..chunks).map(|number| (f64::from(number) * every_s, chunk(number))).collect()
    }

    #[test]
    fn every_usual_rate_is_found_of_a_sender_that_sends_much() {
        for (place, rate) in RATES.into_iter().enumerate() {
            let (found, tried) = search(rate, None, &sender(0.02, 6, 30.0));
            let (at_s, found) = found.unwrap_or_else(|| panic!("{rate}: {tried:?}"));
            assert_eq!((found, tried.len()), (rate, place + 1), "{tried:?}");
            assert!(at_s <= 0.8 * place as f64 + 0.1, "{rate}: {at_s} s");
        }
        // A rate that is none of these is never found, and the search goes round and round.
        let (found, tried) = search(100_000, None, &sender(0.02, 6, 30.0));
        assert!(found.is_none() && tried[8] == RATES[0] && tried.len() > 30, "{tried:?}");
    }

    #[test]
    fn a_heartbeat_a_second_is_enough() {
        for (place, rate) in RATES.into_iter().enumerate() {
            let (found, tried) = search(rate, None, &sender(1.0, 1, 60.0));
            let (at_s, found) = found.unwrap_or_else(|| panic!("{rate}: {tried:?}"));
            assert_eq!(found, rate);
            assert!(at_s <= 5.0 * (place + 1) as f64, "{rate}: {at_s} s");
            assert_eq!(tried.len(), place + 1, "the right rate is not left: {tried:?}");
        }
    }

    #[test]
    fn silence_and_a_glitch_move_nothing() {
        let mut search = BaudSearch::new(None);
        // A plug's glitch, an hour of silence, and half a heartbeat.
        assert_eq!(search.take(Nanos::from_secs(1), &[0, 0xFF]), Next::Stay);
        assert_eq!(search.take(Nanos::from_secs(3601), &heartbeat(0)[..9]), Next::Stay);
        assert_eq!(search.take(Nanos::from_secs(3602), &heartbeat(1)), Next::Stay);
        assert_eq!(search.take(Nanos::from_secs(3603), &heartbeat(2)), Next::Found(57_600));
    }

    #[test]
    fn noise_alone_is_no_rate_and_one_frame_is_not_enough() {
        for seed in 0..50 {
            let chunks: Vec<(f64, Vec<u8>)> =
                (0..500).map(|number| (f64::from(number) / 50.0, noise(200, seed * 1000 + number))).collect();
            let (found, tried) = search(57_600, None, &chunks);
            assert!(found.is_none() && tried.len() > 10, "{seed}: {found:?}");
        }
        let mut search = BaudSearch::new(None);
        assert_eq!(search.take(Nanos::ZERO, &heartbeat(0)), Next::Stay);
        let mut at = Nanos::ZERO;
        while search.take(at, &noise(100, 7)) == Next::Stay {
            at += Nanos::from_millis(100);
        }
        assert!(at < Nanos::from_secs(5), "{at:?}");
    }

    #[test]
    fn what_was_right_before_is_tried_first() {
        let (found, tried) = search(38_400, Some(38_400), &sender(0.1, 2, 5.0));
        assert_eq!((found.map(|(_, rate)| rate), tried), (Some(38_400), vec![38_400]));
        let (found, tried) = search(57_600, Some(38_400), &sender(0.02, 6, 5.0));
        assert_eq!((found.map(|(_, rate)| rate), tried), (Some(57_600), vec![38_400, 57_600]));
    }
}
