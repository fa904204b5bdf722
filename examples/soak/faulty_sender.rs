//! A MAVLink sender with faults of all kinds, and what is true of it. Invented data.
//!
//! It loses frames in bursts, sends copies and late ones, stands still (with a boot clock that goes on or stands still, or
//! without one) and goes on with the next number, and, where it has a clock, restarts. Truth: per numbering, the numbers
//! between its first and its last received one that did not arrive, but for those sent while its source was unplugged here:
//! these were not lost on the way. Around such times, and around stalls of this computer, it loses nothing besides: the
//! program lays to this computer what is missing in the whole seconds that they touch, so that a loss on the way there has
//! no exact truth. What was lost on the way in a stall that nobody planned may count or not. A sender without a clock whose numbers jump by four and more over a pause, and by over 64 others than its
//! rate times the time, looks by definition as if it had restarted: each such jump may be told as one, or as none.

use fadewatch::wire::checksum;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};
use serde_json::Value;

/// Bursts are no longer than this.
const LONGEST_BURST: u32 = 60;

/// How its frames reach the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reach {
    Faulty,
    /// None is lost or late.
    Sure,
    Unplugged,
}

/// How its boot clock goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum BootClock {
    None,
    GoesOn,
    StandsStill,
}

/// What is true of a sender.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Truth {
    pub(crate) received: u64,
    pub(crate) lost: u64,
    /// Of those, sent while its source was unplugged.
    pub(crate) lost_here: u64,
    pub(crate) duplicates: u64,
    pub(crate) late: u64,
    pub(crate) restarts: u64,
    /// Besides: jumps that may be told as one.
    pub(crate) seeming: u64,
    pub(crate) stalls: u64,
}

#[derive(Debug)]
pub(crate) struct FaultySender {
    pub(crate) id: (u8, u8),
    pub(crate) clock: BootClock,
    random: ChaCha8Rng,
    rate: f64,
    next_s: f64,
    heartbeat_s: f64,
    still_until: f64,
    boots_again: bool,
    booted_s: f64,
    stood_s: f64,
    number: u64,
    /// First and last received of the present numbering, and how many.
    span: Option<(u64, u64, u64)>,
    last_s: f64,
    burst: u32,
    late: Option<(f64, u64, Vec<u8>)>,
    /// Sent while unplugged since the last one that was received.
    unplugged: u64,
    /// When those were sent that were lost on the way.
    lost_at: Vec<f64>,
    truth: Truth,
}

impl FaultySender {
    pub(crate) fn new(seed: u64, id: (u8, u8), clock: BootClock) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed.wrapping_mul(1_000_003) + u64::from(id.0));
        let (rate, number) = (random.random_range(8.0..40.0), random.random_range(0..256));
        Self {
            id,
            clock,
            random,
            rate,
            next_s: 0.1,
            heartbeat_s: 0.0,
            still_until: 0.0,
            boots_again: false,
            booted_s: -60.0,
            stood_s: 0.0,
            number,
            span: None,
            last_s: 0.0,
            burst: 0,
            late: None,
            unplugged: 0,
            lost_at: Vec::new(),
            truth: Truth::default(),
        }
    }

    /// What arrives of what is sent before an instant, in order.
    pub(crate) fn until(&mut self, to_s: f64, reach: Reach, arrivals: &mut Vec<(f64, Vec<u8>)>) {
        while self.next_s < to_s {
            let at = self.next_s;
            self.next_s += self.random.random_range(0.9..1.1) / self.rate;
            if at < self.still_until || self.stops(at) {
                continue;
            }
            if std::mem::take(&mut self.boots_again) {
                self.end_numbering();
                self.truth.restarts += 1;
                (self.number, self.booted_s, self.stood_s) =
                    (self.random.random_range(0..256), at - 1.0, 0.0);
            }
            let is_beat = at >= self.heartbeat_s;
            if is_beat {
                self.heartbeat_s = at + 1.0;
            }
            let bytes = self.frame(at, is_beat);
            match reach {
                Reach::Unplugged => self.unplugged += 1,
                Reach::Faulty if self.is_lost() => self.lost_at.push(at),
                _ => self.arrive(at, bytes, reach, arrivals),
            }
            self.number += 1;
        }
    }

    /// Whether it stands still, or is switched off, from here on.
    fn stops(&mut self, at: f64) -> bool {
        let drawn = self.random.random::<f64>() * self.rate;
        if at > 60.0 && drawn < 1.0 / 200.0 {
            let still_s = self.random.random_range(1.0..6.0);
            self.still_until = at + still_s;
            self.truth.stalls += 1;
            self.stood_s += if self.clock == BootClock::StandsStill { still_s } else { 0.0 };
        } else if at > 60.0 && self.clock != BootClock::None && drawn > self.rate - 1.0 / 1500.0 {
            self.still_until = at + self.random.random_range(3.0..10.0);
            self.boots_again = true;
        }
        at < self.still_until
    }

    fn is_lost(&mut self) -> bool {
        let goes_on = self.burst > 0 && self.burst < LONGEST_BURST && self.random.random::<f64>() < 0.7;
        let is_lost = goes_on || self.random.random::<f64>() < 0.003;
        self.burst = if is_lost { self.burst + 1 } else { 0 };
        is_lost
    }

    fn arrive(&mut self, at: f64, bytes: Vec<u8>, reach: Reach, arrivals: &mut Vec<(f64, Vec<u8>)>) {
        let may_be_late = self.span.is_some() && self.late.is_none() && reach == Reach::Faulty;
        if may_be_late && self.random.random::<f64>() < 0.002 {
            self.late = Some((at, self.number, bytes));
            return;
        }
        if self.clock == BootClock::None && self.seems_anew(at) {
            self.truth.seeming += 1;
        }
        self.last_s = at;
        self.receive(self.number);
        let is_copied = self.random.random::<f64>() < 0.003;
        arrivals.push((at, bytes.clone()));
        // One that waited for too long cannot be told from a loss, and is one here.
        if let Some((_, number, late)) = self.late.take().filter(|late| at - late.0 < 0.3) {
            self.receive(number);
            self.truth.late += 1;
            arrivals.push((at + 1e-4, late));
        }
        if is_copied {
            self.truth.duplicates += 1;
            arrivals.push((at + 2e-4, bytes));
        }
    }

    /// Whether the numbers that passed since the last received one disagree with rate and time.
    fn seems_anew(&self, at: f64) -> bool {
        let passed = self.span.map_or(1, |(_, last, _)| (self.number - last) % 256);
        passed > 3 && (self.rate * (at - self.last_s) - passed as f64).abs() > 64.0
    }

    fn receive(&mut self, number: u64) {
        self.truth.received += 1;
        let unplugged = std::mem::take(&mut self.unplugged);
        // What was sent before a numbering's first received one is lost to nobody's knowledge.
        self.truth.lost_here += if self.span.is_some() { unplugged } else { 0 };
        let (first, last, count) = self.span.unwrap_or((number, number, 0));
        self.span = Some((first, last.max(number), count + 1));
    }

    fn end_numbering(&mut self) {
        self.truth = self.truth();
        (self.late, self.span, self.unplugged) = (None, None, 0);
    }

    /// ATTITUDE with a boot clock, VFR_HUD without one, or a heartbeat: the public message set's ids, lengths and CRC extras.
    fn frame(&mut self, at: f64, is_beat: bool) -> Vec<u8> {
        let random: [u8; 24] = self.random.random();
        let boot_ms = ((at - self.booted_s - self.stood_s) * 1e3) as u32;
        let (message, extra, payload) = match (is_beat, self.clock) {
            (true, _) => (0_u32, 50, vec![0, 0, 0, 0, 2, 3, 0, 4, 3]),
            (false, BootClock::None) => (74, 20, [&random[..19], &[1]].concat()),
            (false, _) => (30, 39, [&boot_ms.to_le_bytes()[..], &random[..23], &[1]].concat()),
        };
        frame(self.number, self.id, message, extra, &payload)
    }

    /// What is true so far.
    pub(crate) fn truth(&self) -> Truth {
        let missing = self.span.map_or(0, |(first, last, count)| last + 1 - first - count);
        Truth { lost: self.truth.lost + missing, ..self.truth }
    }

    /// What its row of the program's figures says otherwise, in words; whether its figure of the lost is exact. `stalls`:
    /// from when to when a loss on the way may have been laid to this computer.
    pub(crate) fn compare(&self, summary: &Value, stalls: &[(f64, f64)]) -> (Vec<String>, bool) {
        let truth = self.truth();
        let rows = summary["streams"].as_array().map(Vec::as_slice).unwrap_or_default();
        let row = rows.iter().find(|row| row["system"] == self.id.0 && row["component"] == self.id.1);
        let Some(row) = row else { return (vec![format!("{:?} has no row", self.id)], false) };
        let mut wrong = Vec::new();
        let counts =
            [("received", truth.received), ("duplicates", truth.duplicates), ("out_of_order", truth.late)];
        for (key, expected) in counts {
            if row[key] != expected {
                wrong.push(format!("{:?}: {key} {}, in truth {expected}", self.id, row[key]));
            }
        }
        let told = row["restarts"].as_u64().unwrap_or(u64::MAX);
        if !(truth.restarts..=truth.restarts + truth.seeming).contains(&told) {
            wrong.push(format!("{:?}: restarts {told}, in truth {}", self.id, truth.restarts));
        }
        let end = |place: usize| row["lost_ci95"][place].as_u64().unwrap_or(u64::MAX);
        let lost = truth.lost - truth.lost_here;
        let is_open = |at: &&f64| stalls.iter().any(|(from, to)| (from..=to).contains(at));
        let open = self.lost_at.iter().filter(is_open).count() as u64;
        if end(0) > lost || end(1) < lost.saturating_sub(open) {
            let told = format!("lost {} {}", row["lost"], row["lost_ci95"]);
            wrong.push(format!("{:?}: {told}, in truth {lost}, {open} of them in stalls", self.id));
        }
        (wrong, row["lost"] == lost)
    }
}

/// A version 2 frame with any payload.
pub(crate) fn frame(number: u64, sender: (u8, u8), message: u32, extra: u8, payload: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0xFD, payload.len() as u8, 0, 0, number as u8, sender.0, sender.1];
    bytes.extend_from_slice(&message.to_le_bytes()[..3]);
    bytes.extend_from_slice(payload);
    let sum = checksum::step(checksum::update(checksum::INITIAL, &bytes[1..]), extra);
    bytes.extend_from_slice(&sum.to_le_bytes());
    bytes
}

/// Six senders: the first four in datagrams, the others over a byte stream.
pub(crate) fn senders(seed: u64) -> Vec<FaultySender> {
    let clocks = [BootClock::GoesOn, BootClock::StandsStill, BootClock::None];
    (1..=6).map(|system| FaultySender::new(seed, (system, 1), clocks[usize::from(system) % 3])).collect()
}

/// Of these senders, the first that come in datagrams.
pub(crate) const IN_DATAGRAMS: usize = 4;
