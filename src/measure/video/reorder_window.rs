//! Sequence numbers of one stream: extended, counted, and kept for a while.
//!
//! Definition: RFC 3550, appendix A.1, but lost is counted from distinct numbers, so that
//! a duplicate hides no loss. Unit: packets. Window: the newest 1,024 numbers are kept; a packet
//! that is late by more is a stray. Gap: its numbers are lost; a late arrival is taken off
//! them again (RFC 4737 calls it reordered). Wrap: numbers are extended; a silence longer than
//! 65,536 packets is resolved by the stream's own rate and clock. Duplicate: same number and
//! timestamp within 2 s, or while newer numbers come; counted apart. Restart: a number that neither
//! window, rate, timestamp nor host time explains; two of them in sequence begin a new segment, of which
//! nothing before is lost. Bounded: one ring of slots.

use crate::stats::loss_runs::Runs;
use crate::units::Nanos;
use crate::wire::rtp::{Header, VIDEO_CLOCK_HZ};

use super::key_frames::KeyFrames;

/// Numbers kept.
const SLOTS: i64 = 1024;
/// A jump that is believed without knowing the stream's rate (RFC 3550, appendix A.1).
const MAX_DROPOUT: f64 = 3000.0;
/// Packets before the rate is believed.
const RATE_KNOWN: i64 = 200;
/// Time of a segment from which its rate serves where it is all that there is.
const RATE_GUESSED_S: f64 = 0.1;
/// Numbers before the first packet that may still come late.
const MOST_EARLY: i64 = 100;

/// A packet comes late, or again, within this time; a camera takes longer to start again.
const LATE_WITHIN: Nanos = Nanos::from_secs(2);
/// A sender whose numbers go on as they did has not begun anew.
const STOOD_STILL: Nanos = Nanos::from_millis(500);

/// What is kept of one number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Slot {
    pub(super) timestamp: u32,
    /// When it came, on the host's time; wraps after 49 days.
    at_ms: u32,
    pub(super) received: bool,
    /// The last packet of a frame of the video.
    pub(super) marker: bool,
    /// The frame that it ends was delivered.
    pub(super) delivered: bool,
    /// Part of a key picture, a bit a codec.
    pub(super) keys: u8,
}

/// What a packet was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Placed {
    /// The newest so far, with so many numbers missing before it.
    Next { number: i64, missing: u64 },
    /// Fills a gap.
    Late { number: i64 },
    /// Comes before the first, with so many numbers missing between them.
    Early { number: i64, missing: u64 },
    /// Seen before.
    Duplicate,
    /// Explained by nothing: a stray, or the first of a restart.
    Suspect,
}

const fn millis(at: Nanos) -> u32 {
    at.0.div_euclid(1_000_000) as u32
}

/// Runs of received and lost packets (RFC 3357), and the key frames among them.
#[derive(Clone, Debug, Default)]
pub(super) struct Settled {
    pub(super) received: u64,
    pub(super) lost: u64,
    pub(super) runs: Runs,
    /// Read as each codec.
    pub(super) keys: [KeyFrames; 2],
    /// The run that is not over: of lost ones, and of how many.
    run: (bool, u64),
}

impl Settled {
    fn end_run(&mut self) {
        match self.run {
            (true, length) => self.runs.add_lost(length),
            (false, length) => self.runs.add_received(length),
        }
        self.run.1 = 0;
    }

    fn go_on(&mut self, lost: bool, count: u64) {
        if self.run.0 != lost {
            self.end_run();
        }
        self.run = (lost, self.run.1 + count);
    }

    fn lose(&mut self, count: u64) {
        if count > 0 {
            self.go_on(true, count);
            self.lost += count;
            self.keys.iter_mut().for_each(KeyFrames::lose);
        }
    }

    fn push(&mut self, slot: Slot) {
        if slot.received {
            self.go_on(false, 1);
            self.received += 1;
            for (index, keys) in self.keys.iter_mut().enumerate() {
                keys.push(slot, 1 << index);
            }
        } else {
            self.lose(1);
        }
    }
}

/// The newest numbers of one stream.
#[derive(Clone, Debug)]
pub(super) struct Window {
    slots: Vec<Slot>,
    /// First number of the segment.
    base: i64,
    newest: i64,
    newest_at: Nanos,
    newest_timestamp: u32,
    /// Ticks a second of the sender's clock.
    clock_hz: f64,
    /// Clock ticks of the segment so far.
    ticks: i64,
    settled: Settled,
}

impl Window {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        size_of_val(self.slots.as_slice())
    }

    /// A segment that begins with this packet.
    pub(super) fn begin(at: Nanos, header: Header) -> Self {
        let number = i64::from(header.sequence) + 65_536;
        let mut window = Self {
            slots: vec![Slot::default(); SLOTS as usize],
            base: number,
            newest: number,
            newest_at: at,
            newest_timestamp: header.timestamp,
            clock_hz: VIDEO_CLOCK_HZ,
            ticks: 0,
            settled: Settled::default(),
        };
        window.fill(number, at, header.timestamp);
        window
    }

    /// Begins a new segment, keeping what was counted.
    pub(super) fn restart(&mut self, at: Nanos, header: Header) {
        let mut settled = self.finished();
        settled.keys.iter_mut().for_each(KeyFrames::restart);
        *self = Self { settled, clock_hz: self.clock_hz, ..Self::begin(at, header) };
    }

    /// The sender's clock runs at another rate than the format's.
    pub(super) const fn set_clock_hz(&mut self, clock_hz: f64) {
        self.clock_hz = clock_hz;
    }

    /// When the newest number came.
    pub(super) const fn newest_at(&self) -> Nanos {
        self.newest_at
    }

    /// The sender's clock from the newest number to a packet, in seconds.
    pub(super) fn clock_since_s(&self, header: Header) -> f64 {
        f64::from(header.timestamp.wrapping_sub(self.newest_timestamp) as i32) / self.clock_hz
    }

    /// Whether a packet goes on from the newest number, as far as rate, clock and host time tell.
    pub(super) fn goes_on(&self, at: Nanos, header: Header) -> bool {
        let forward = i64::from(header.sequence.wrapping_sub(self.newest as u16));
        let is_behind = forward == 0 || 65_536 - forward < SLOTS;
        let clock_s = self.clock_since_s(header);
        !is_behind && clock_s >= 0.0 && self.step(at, forward, clock_s).is_some()
    }

    pub(super) const fn base(&self) -> i64 {
        self.base
    }

    pub(super) const fn newest(&self) -> i64 {
        self.newest
    }

    /// The oldest number that is still kept.
    pub(super) fn oldest(&self) -> i64 {
        self.base.max(self.newest - SLOTS + 1)
    }

    pub(super) fn slot(&self, number: i64) -> Slot {
        self.slots[(number % SLOTS) as usize]
    }

    pub(super) fn slot_mut(&mut self, number: i64) -> &mut Slot {
        &mut self.slots[(number % SLOTS) as usize]
    }

    fn fill(&mut self, number: i64, at: Nanos, timestamp: u32) {
        *self.slot_mut(number) = Slot { timestamp, at_ms: millis(at), received: true, ..Slot::default() };
    }

    /// Takes a packet in.
    pub(super) fn place(&mut self, at: Nanos, header: Header) -> Placed {
        let forward = i64::from(header.sequence.wrapping_sub(self.newest as u16));
        let ticks = header.timestamp.wrapping_sub(self.newest_timestamp) as i32;
        let back = 65_536 - forward;
        if forward == 0 || (back < SLOTS && self.newest - back >= self.base - MOST_EARLY) {
            return self.place_behind(self.newest - back % 65_536, at, header);
        }
        let Some(step) = self.step(at, forward, self.clock_since_s(header)) else { return Placed::Suspect };
        self.go_on(step);
        self.ticks += i64::from(ticks).max(0);
        self.newest_at = at;
        self.newest_timestamp = header.timestamp;
        self.fill(self.newest, at, header.timestamp);
        Placed::Next { number: self.newest, missing: (step - 1) as u64 }
    }

    fn place_behind(&mut self, number: i64, at: Nanos, header: Header) -> Placed {
        let host_s = (at - self.newest_at).secs();
        if number >= self.base && self.slot(number).received {
            let slot = self.slot(number);
            let age_ms = millis(at).wrapping_sub(slot.at_ms);
            let again = f64::from(age_ms) > LATE_WITHIN.millis() && at - self.newest_at >= STOOD_STILL;
            let copy = slot.timestamp == header.timestamp && !again;
            return if copy { Placed::Duplicate } else { Placed::Suspect };
        }
        let behind_s = -self.clock_since_s(header);
        let explained = (-1.0..10.0).contains(&behind_s)
            && (host_s + behind_s < LATE_WITHIN.secs() || host_s < STOOD_STILL.secs());
        if !explained || (number < self.base && self.newest - number >= SLOTS / 2) {
            return Placed::Suspect;
        }
        if number < self.base {
            let missing = (self.base - number - 1) as u64;
            for between in number + 1..self.base {
                *self.slot_mut(between) = Slot::default();
            }
            self.base = number;
            self.fill(number, at, header.timestamp);
            return Placed::Early { number, missing };
        }
        self.fill(number, at, header.timestamp);
        Placed::Late { number }
    }

    /// How many numbers ahead a packet is; `None` where nothing explains the jump.
    fn step(&self, at: Nanos, forward: i64, clock_s: f64) -> Option<i64> {
        if forward == 1 {
            return Some(1);
        }
        let host_s = (at - self.newest_at).secs();
        if clock_s < -1.0 || clock_s > host_s + 10.0 {
            return None;
        }
        let segment_s = self.ticks as f64 / self.clock_hz;
        let known = self.newest - self.base >= RATE_KNOWN && segment_s > 0.5;
        if !known && forward as f64 <= MAX_DROPOUT {
            return Some(forward);
        }
        if segment_s < RATE_GUESSED_S {
            return None;
        }
        let expected = (self.newest - self.base) as f64 / segment_s * clock_s.max(0.0);
        let wraps = ((expected - forward as f64) / 65_536.0).round().max(0.0);
        let step = forward as f64 + 65_536.0 * wraps;
        (step <= 4.0 * expected + 1000.0).then_some(step as i64)
    }

    /// Moves the newest number on; what falls out of the window is settled.
    fn go_on(&mut self, step: i64) {
        let settled = self.newest + step - SLOTS;
        let kept = self.newest.min(settled);
        for number in self.oldest()..=kept {
            let slot = self.slot(number);
            self.settled.push(slot);
        }
        let never_kept = settled - self.newest.max(self.base - 1);
        if never_kept > 0 {
            self.settled.lose(never_kept as u64);
        }
        self.newest += step;
        for number in (self.newest - step + 1).max(self.newest - SLOTS + 1)..=self.newest {
            *self.slot_mut(number) = Slot::default();
        }
    }

    /// Everything up to the newest packet.
    pub(super) fn finished(&self) -> Settled {
        let mut settled = self.settled.clone();
        for number in self.oldest()..=self.newest {
            settled.push(self.slot(number));
        }
        settled.end_run();
        settled
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::video::reorder_window::*;

    fn header(sequence: u16, timestamp: u32) -> Header {
        Header { marker: false, payload_type: 96, sequence, timestamp, ssrc: 1 }
    }

    /// The trace of tests/vectors/rtp_jitter.json (RFC 3550, appendix A.1), with the two
    /// differences stated above: lost counts distinct numbers (so the second 5 hides nothing),
    /// and the first packet of a restart is the caller's to count.
    #[test]
    fn the_trace_of_the_standard_is_followed() {
        let vector: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/vectors/rtp_jitter.json")).unwrap();
        let trace = vector["update_seq_trace"].as_array().unwrap();
        let sequence = |row: &serde_json::Value| row["seq"].as_u64().unwrap() as u16;
        let mut window = Window::begin(Nanos::ZERO, header(sequence(&trace[0]), 0));
        let (mut received, mut duplicates) = (1, 0);
        for row in &trace[1..=9] {
            match window.place(Nanos::ZERO, header(sequence(row), 0)) {
                Placed::Duplicate => duplicates += 1,
                Placed::Suspect => panic!("{row}"),
                _ => received += 1,
            }
            assert_eq!(window.newest() % 65_536, row["max_seq"].as_i64().unwrap(), "{row}");
        }
        let settled = window.finished();
        assert_eq!((received, duplicates), (9, 1));
        // 65532 is counted too, and 4 stays lost.
        assert_eq!((settled.received, settled.lost, settled.runs.periods().count), (9, 1, 1));
        assert_eq!(window.place(Nanos::ZERO, header(40_000, 0)), Placed::Suspect);
        window.restart(Nanos::ZERO, header(40_000, 0));
        assert!(matches!(window.place(Nanos::ZERO, header(40_001, 0)), Placed::Next { missing: 0, .. }));
        assert_eq!(window.finished().lost, 1);
    }

    #[test]
    fn a_silence_longer_than_the_numbers_is_resolved_by_the_rate() {
        let mut window = Window::begin(Nanos::ZERO, header(0, 0));
        let at = |number: i64| Nanos::from_millis(number);
        for number in 1..5000_i64 {
            window.place(at(number), header(number as u16, (number * 90) as u32));
        }
        let after = 150_000_i64;
        let placed = window.place(at(after), header(after as u16, (after * 90) as u32));
        assert!(matches!(placed, Placed::Next { missing: 145_000, .. }), "{placed:?}");
        assert_eq!(window.finished().lost, 145_000);
    }
}
