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

use crate::stats::time_series::loss_runs::Runs;
use crate::units::Nanos;
use crate::wire::rtp::{Header, VIDEO_CLOCK_HZ};

use super::key_frames::KeyFrames;
use super::rtp_arrival::KeptPacket;
use crate::measure::sequence_numbers::SequenceNumbers;

/// Numbers kept.
const KEPT: u64 = 1024;
/// A jump that is believed without knowing the stream's rate (RFC 3550, appendix A.1).
const MAX_DROPOUT: f64 = 3000.0;
/// Packets before the rate is believed.
const RATE_KNOWN: u64 = 200;
/// Time of a segment from which its rate serves where it is all that there is.
const RATE_GUESSED_S: f64 = 0.1;
/// Numbers before the first packet that may still come late.
const MOST_EARLY: u64 = 100;

/// A packet comes late, or again, within this time; a camera takes longer to start again.
const LATE_WITHIN: Nanos = Nanos::from_secs(2);
/// A sender whose numbers go on as they did has not begun anew.
const STOOD_STILL: Nanos = Nanos::from_millis(500);

/// What a packet was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Placement {
    /// The newest so far, with so many numbers missing before it.
    Next { number: u64, missing: u64 },
    /// Fills a gap.
    Late { number: u64 },
    /// Comes before the first, with so many numbers missing between them.
    Early { number: u64, missing: u64 },
    /// Seen before.
    Duplicate,
    /// Explained by nothing: a stray, or the first of a restart.
    Suspect,
}

const fn kept(at: Nanos, timestamp: u32) -> KeptPacket {
    KeptPacket { timestamp, at_ms: millis(at), marker: false, delivered: false, contents: [None; 2] }
}

const fn millis(at: Nanos) -> u32 {
    at.0.div_euclid(1_000_000) as u32
}

/// Runs of received and lost packets (RFC 3357), and the key frames among them.
#[derive(Clone, Debug, Default)]
pub(super) struct PacketRuns {
    pub(super) received: u64,
    pub(super) lost: u64,
    pub(super) runs: Runs,
    /// Read as each codec.
    pub(super) keys: [KeyFrames; 2],
    /// The run that is not over: of lost ones, and of how many.
    run: (bool, u64),
}

impl PacketRuns {
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
            self.keys.iter_mut().for_each(|keys| keys.lose(count));
        }
    }

    fn push(&mut self, packet: Option<KeptPacket>) {
        let Some(packet) = packet else { return self.lose(1) };
        self.go_on(false, 1);
        self.received += 1;
        for (index, keys) in self.keys.iter_mut().enumerate() {
            keys.push(packet, packet.contents[index].unwrap_or_default());
        }
    }
}

/// The newest numbers of one stream.
#[derive(Clone, Debug)]
pub(super) struct Window {
    numbers: SequenceNumbers<KeptPacket, 16, { KEPT as usize }>,
    /// First number of the segment.
    base: u64,
    newest_at: Nanos,
    newest_timestamp: u32,
    /// Ticks a second of the sender's clock.
    clock_hz: f64,
    /// Clock ticks of the segment so far.
    ticks: i64,
    settled: PacketRuns,
}

impl Window {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        self.numbers.own_bytes()
    }

    /// A segment that begins with this packet.
    pub(super) fn begin(at: Nanos, header: Header) -> Self {
        let numbers = SequenceNumbers::begin(header.sequence, kept(at, header.timestamp));
        Self {
            base: numbers.newest(),
            numbers,
            newest_at: at,
            newest_timestamp: header.timestamp,
            clock_hz: VIDEO_CLOCK_HZ,
            ticks: 0,
            settled: PacketRuns::default(),
        }
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
        let is_behind = self.numbers.behind(header.sequence) < KEPT;
        let clock_s = self.clock_since_s(header);
        !is_behind && clock_s >= 0.0 && self.step(at, self.numbers.ahead(header.sequence), clock_s).is_some()
    }

    pub(super) const fn base(&self) -> u64 {
        self.base
    }

    pub(super) const fn newest(&self) -> u64 {
        self.numbers.newest()
    }

    /// The oldest number that is still kept.
    pub(super) fn oldest(&self) -> u64 {
        self.base.max(self.newest() - KEPT + 1)
    }

    /// What came under a number; `None`: nothing.
    pub(super) fn packet(&self, number: u64) -> Option<KeptPacket> {
        self.numbers.get(number)
    }

    pub(super) fn packet_mut(&mut self, number: u64) -> Option<&mut KeptPacket> {
        self.numbers.get_mut(number)
    }

    pub(super) fn has_marker(&self, number: u64) -> bool {
        self.packet(number).is_some_and(|packet| packet.marker)
    }

    /// Takes a packet in.
    pub(super) fn place(&mut self, at: Nanos, header: Header) -> Placement {
        let ticks = header.timestamp.wrapping_sub(self.newest_timestamp) as i32;
        let (ahead, behind) = (self.numbers.ahead(header.sequence), self.numbers.behind(header.sequence));
        if behind == 0 || (behind < KEPT && self.newest() - behind >= self.base - MOST_EARLY) {
            return self.place_behind(self.newest() - behind, at, header);
        }
        let Some(step) = self.step(at, ahead, self.clock_since_s(header)) else { return Placement::Suspect };
        self.settle(step);
        self.numbers.go_on(step, kept(at, header.timestamp));
        self.ticks += i64::from(ticks).max(0);
        self.newest_at = at;
        self.newest_timestamp = header.timestamp;
        Placement::Next { number: self.newest(), missing: step - 1 }
    }

    fn place_behind(&mut self, number: u64, at: Nanos, header: Header) -> Placement {
        let host_s = (at - self.newest_at).secs();
        if let Some(packet) = self.packet(number) {
            let age_ms = millis(at).wrapping_sub(packet.at_ms);
            let again = f64::from(age_ms) > LATE_WITHIN.millis() && at - self.newest_at >= STOOD_STILL;
            let copy = packet.timestamp == header.timestamp && !again;
            return if copy { Placement::Duplicate } else { Placement::Suspect };
        }
        let behind_s = -self.clock_since_s(header);
        let explained = (-1.0..10.0).contains(&behind_s)
            && (host_s + behind_s < LATE_WITHIN.secs() || host_s < STOOD_STILL.secs());
        if !explained || (number < self.base && self.newest() - number >= KEPT / 2) {
            return Placement::Suspect;
        }
        self.numbers.put(number, kept(at, header.timestamp));
        if number >= self.base {
            return Placement::Late { number };
        }
        let missing = self.base - number - 1;
        self.base = number;
        Placement::Early { number, missing }
    }

    /// How many numbers ahead a packet is; `None` where nothing explains the jump.
    fn step(&self, at: Nanos, forward: u64, clock_s: f64) -> Option<u64> {
        if forward == 1 {
            return Some(1);
        }
        let host_s = (at - self.newest_at).secs();
        if clock_s < -1.0 || clock_s > host_s + 10.0 {
            return None;
        }
        let segment_s = self.ticks as f64 / self.clock_hz;
        let known = self.newest() - self.base >= RATE_KNOWN && segment_s > 0.5;
        if !known && forward as f64 <= MAX_DROPOUT {
            return Some(forward);
        }
        if segment_s < RATE_GUESSED_S {
            return None;
        }
        let expected = (self.newest() - self.base) as f64 / segment_s * clock_s.max(0.0);
        let wraps = ((expected - forward as f64) / 65_536.0).round().max(0.0);
        let step = forward as f64 + 65_536.0 * wraps;
        (step <= 4.0 * expected + 1000.0).then_some(step as u64)
    }

    /// What falls out of the window when the newest number goes on is settled.
    fn settle(&mut self, step: u64) {
        let newest = self.newest();
        let last = newest + step - KEPT;
        for number in self.oldest()..=newest.min(last) {
            self.settled.push(self.numbers.get(number));
        }
        // These fall out before anything could come under them.
        self.settled.lose(last.saturating_sub(newest.max(self.base - 1)));
    }

    /// Everything up to the newest packet.
    pub(super) fn finished(&self) -> PacketRuns {
        let mut settled = self.settled.clone();
        for number in self.oldest()..=self.newest() {
            settled.push(self.packet(number));
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
                Placement::Duplicate => duplicates += 1,
                Placement::Suspect => panic!("{row}"),
                _ => received += 1,
            }
            assert_eq!(window.newest() % 65_536, row["max_seq"].as_u64().unwrap(), "{row}");
        }
        let settled = window.finished();
        assert_eq!((received, duplicates), (9, 1));
        // 65532 is counted too, and 4 stays lost.
        assert_eq!((settled.received, settled.lost, settled.runs.periods().count), (9, 1, 1));
        assert_eq!(window.place(Nanos::ZERO, header(40_000, 0)), Placement::Suspect);
        window.restart(Nanos::ZERO, header(40_000, 0));
        assert!(matches!(window.place(Nanos::ZERO, header(40_001, 0)), Placement::Next { missing: 0, .. }));
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
        assert!(matches!(placed, Placement::Next { missing: 145_000, .. }), "{placed:?}");
        assert_eq!(window.finished().lost, 145_000);
    }
}
