//! One sender's numbering: each arrival is new, a copy, late, or after a restart.
//!
//! Numbers are unwrapped into one long count. The last 256 are kept with their state and
//! the last 64 gaps with their times, so that a late frame is taken off the lost again and
//! a jump that turns out to be a restart is taken back; older gaps are final.

use std::collections::VecDeque;

use crate::link::metrics::loss::boot::{BootClock, Passed};
use crate::link::metrics::loss::rate::Rate;
use crate::link::metrics::loss::seconds::Seconds;
use crate::link::metrics::loss::silence::Silences;
use crate::link::telemetry::BootStamp;
use crate::stats::loss_runs::Runs;
use crate::units::Nanos;

/// Copies and late frames come within this time, and within 127 numbers.
const RECENT: Nanos = Nanos::from_millis(500);
const HALF: u64 = 127;
/// A jump without a boot clock may disagree with rate times time by this many.
const JUMP: f64 = 64.0;
/// How closely rate times time must bear out lost numbers that nothing else shows.
const PAUSE: f64 = 0.01;
const MOST_GAPS: usize = 64;

/// What an arrival turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Outcome {
    New,
    Duplicate,
    Restart,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Received,
    Lost,
}

#[derive(Clone, Copy, Debug)]
struct Slot {
    number: u64,
    at: Nanos,
    /// Of the frame, and of a second one under the same number.
    hashes: [u64; 2],
    state: State,
}

/// Lost numbers in a row.
#[derive(Clone, Copy, Debug)]
struct Gap {
    first: u64,
    length: u64,
    before: Nanos,
    after: Nanos,
    /// How much less, or more, may be lost: a silence too long to tell.
    less: u64,
    more: u64,
}

/// One arrival.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arriving {
    pub(super) at: Nanos,
    pub(super) sequence: u8,
    pub(super) hash: u64,
    pub(super) boot: Option<BootStamp>,
}

/// One sender's sequence accounting.
#[derive(Clone, Debug)]
pub(super) struct Sequence {
    pub(super) first_at: Nanos,
    pub(super) last_at: Nanos,
    pub(super) received: u64,
    pub(super) lost: u64,
    pub(super) duplicates: u64,
    pub(super) out_of_order: u64,
    pub(super) restarts: u64,
    pub(super) seconds: Seconds,
    pub(super) silences: Silences,
    less: u64,
    more: u64,
    /// The newest number, and when it came.
    newest: u64,
    newest_at: Nanos,
    /// The first number since the start or the last restart.
    epoch: u64,
    slots: Vec<Slot>,
    gaps: VecDeque<Gap>,
    /// Runs are final up to this number.
    settled: u64,
    runs: Runs,
    rate: Rate,
    boot: BootClock,
    /// A silence over which the boot clock may have stood still: its gap's first number, and its length.
    doubt: Option<(u64, Nanos)>,
}

impl Sequence {
    pub(super) fn new(first: Arriving, base: Nanos) -> Self {
        // Room below, so that a number before the first can be told.
        let newest = 1024 + u64::from(first.sequence);
        let empty = Slot { number: 0, at: first.at, hashes: [0; 2], state: State::Lost };
        let mut sequence = Self {
            first_at: first.at,
            last_at: first.at,
            received: 0,
            lost: 0,
            duplicates: 0,
            out_of_order: 0,
            restarts: 0,
            seconds: Seconds::new(base),
            silences: Silences::default(),
            less: 0,
            more: 0,
            newest,
            newest_at: first.at,
            epoch: newest,
            slots: vec![empty; 256],
            gaps: VecDeque::new(),
            settled: newest,
            runs: Runs::default(),
            rate: Rate::default(),
            boot: BootClock::default(),
            doubt: None,
        };
        sequence.receive(first, newest);
        sequence.rate.observe(first.at, newest);
        sequence.boot.take(first.at, first.boot);
        sequence
    }

    /// Range of the lost where silences were too long to tell.
    pub(super) const fn lost_range(&self) -> [u64; 2] {
        [self.lost.saturating_sub(self.less), self.lost.saturating_add(self.more)]
    }

    /// Runs of received and lost, those that may still change included.
    pub(super) fn runs(&self) -> Runs {
        let mut runs = self.runs.clone();
        let mut settled = self.settled;
        for gap in &self.gaps {
            runs.add_received(gap.first.saturating_sub(settled));
            runs.add_lost(gap.length);
            settled = gap.first + gap.length;
        }
        runs
    }

    pub(super) fn observe(&mut self, arriving: Arriving) -> Outcome {
        let back = u64::from((self.newest as u8).wrapping_sub(arriving.sequence));
        let number = self.newest - back;
        let slot = self.slots[number as usize % 256];
        let kept = slot.number == number && back <= HALF;
        let age = arriving.at - slot.at;
        if kept && slot.state == State::Received && age <= RECENT && slot.hashes.contains(&arriving.hash) {
            self.duplicates += 1;
            return Outcome::Duplicate;
        }
        let (passed, stamped) = self.boot.compare(arriving.at, arriving.boot);
        if passed == Passed::Restarted {
            self.take_back_jump(arriving.at, stamped);
            self.restart(arriving);
            return Outcome::Restart;
        }
        if kept && slot.state == State::Received && age.secs() < self.half_wrap_s() {
            // Two frames under one number: both are there.
            self.slots[number as usize % 256].hashes[1] = arriving.hash;
            self.arrive(arriving.at);
            self.boot.take(arriving.at, arriving.boot.filter(|_| back == 0));
            return Outcome::New;
        }
        let ahead = self.expected(arriving.at).unwrap_or(0.0);
        let is_behind = ahead < (256 - back) as f64 / 2.0;
        if kept && slot.state == State::Lost && age <= RECENT && is_behind {
            self.late(number);
            self.out_of_order += 1;
            self.receive(arriving, number);
            return Outcome::New;
        }
        if (1..=HALF).contains(&back)
            && number < self.epoch
            && arriving.at - self.newest_at <= RECENT
            && is_behind
        {
            self.out_of_order += 1;
            self.receive(arriving, number);
            return Outcome::New;
        }
        self.forward(arriving, 256 - back, passed)
    }

    /// A frame of unknown id that turned out to be one later: it was counted lost.
    pub(super) fn recall(&mut self, arriving: Arriving) {
        let found = self.gaps.iter().rev().find_map(|gap| {
            let offset = u64::from(arriving.sequence.wrapping_sub(gap.first as u8));
            let within = gap.before <= arriving.at && arriving.at <= gap.after;
            (within && offset < gap.length).then_some(gap.first + offset)
        });
        if let Some(number) = found {
            self.late(number);
            self.receive(arriving, number);
        } else if arriving.at >= self.newest_at {
            self.observe(arriving);
        }
    }

    /// Time in which half of the numbers are used.
    fn half_wrap_s(&self) -> f64 {
        let rate = self.rate.per_second(self.newest_at, self.newest);
        rate.map_or(RECENT.secs(), |rate| 128.0 / rate)
    }

    /// Numbers that should have passed since the newest.
    fn expected(&self, at: Nanos) -> Option<f64> {
        let rate = self.rate.per_second(self.newest_at, self.newest)?;
        Some(rate * (at - self.newest_at).secs())
    }

    /// Counts a frame that came under a number.
    fn receive(&mut self, arriving: Arriving, number: u64) {
        let slot = Slot { number, at: arriving.at, hashes: [arriving.hash; 2], state: State::Received };
        let place = &mut self.slots[number as usize % 256];
        if place.number <= number {
            *place = slot;
        }
        self.arrive(arriving.at);
    }

    fn arrive(&mut self, at: Nanos) {
        if self.received > 0 && at >= self.last_at {
            self.silences.observe(self.last_at, at);
        }
        self.received += 1;
        self.last_at = self.last_at.max(at);
        self.seconds.add_received(at);
    }

    /// Takes a number off the lost again.
    fn late(&mut self, number: u64) {
        let found = self.gaps.iter().position(|gap| gap.first <= number && number < gap.first + gap.length);
        let Some(index) = found else {
            self.lost = self.lost.saturating_sub(1);
            return;
        };
        let gap = self.gaps[index];
        self.lost -= 1;
        self.seconds.take_lost(gap.before, gap.after, 1);
        let head = number - gap.first;
        let tail = Gap { first: number + 1, length: gap.length - head - 1, less: 0, more: 0, ..gap };
        self.gaps[index].length = head;
        if tail.length > 0 {
            self.gaps.insert(index + 1, tail);
        }
        if head == 0 {
            self.gaps.remove(index);
        }
    }

    /// Numbers went by: none, some, or so many that only time can tell.
    fn forward(&mut self, arriving: Arriving, least: u64, passed: Passed) -> Outcome {
        let silence = arriving.at - self.newest_at;
        let (mut advance, mut less, mut more) = (least, 0, 0);
        if let Some(expected) = self.expected(arriving.at).filter(|&expected| least > 1 || expected > 64.0) {
            let wraps = |numbers: f64| ((numbers - least as f64) / 256.0).round().max(0.0) as u64;
            let spread =
                if expected > 64.0 { 3.0 * self.rate.relative_spread() * expected + 2.0 } else { 2.0 };
            let turns = wraps(expected);
            advance += 256 * turns;
            less = 256 * (turns - wraps(expected - spread).min(turns));
            more = 256 * (wraps(expected + spread).max(turns) - turns);
            let off = (expected - advance as f64).abs();
            if least == 1 && turns > 0 && off > 2.0 + PAUSE * expected {
                // The very next number after a silence: by 255 to 1 it paused and went on,
                // unless time bears out a multiple of 256 closely.
                (advance, less, more) = (1, 0, 0);
            } else if least > 1 && off > JUMP.max(spread) && !self.boot.known() {
                self.restart(arriving);
                return Outcome::Restart;
            }
        }
        let long = self.expected(arriving.at).is_some_and(|expected| expected >= 128.0);
        let first = self.newest + 1;
        if advance > 1 {
            self.lose(Gap {
                first,
                length: advance - 1,
                before: self.newest_at,
                after: arriving.at,
                less,
                more,
            });
        }
        if long {
            self.rate.skip(silence, advance);
            self.doubt = (advance > 1).then_some((first, silence));
        }
        self.newest += advance;
        self.newest_at = arriving.at;
        self.receive(arriving, self.newest);
        self.resolve_doubt(passed);
        self.rate.observe(arriving.at, self.newest);
        self.boot.take(arriving.at, arriving.boot);
        Outcome::New
    }

    /// A boot clock that stood still over a silence shows that nothing was sent.
    fn resolve_doubt(&mut self, passed: Passed) {
        let (Some((first, silence)), Passed::Went { sender_us, host }) = (self.doubt, passed) else { return };
        self.doubt = None;
        let missing = host.secs() - sender_us as f64 / 1e6;
        if missing > 0.9 * silence.secs()
            && let Some(index) = self.gaps.iter().position(|gap| gap.first == first)
        {
            self.take_back(index);
        }
    }

    fn lose(&mut self, gap: Gap) {
        self.lost += gap.length;
        self.less += gap.less;
        self.more += gap.more;
        self.seconds.add_lost(gap.before, gap.after, gap.length);
        let end = gap.first + gap.length;
        for number in end.saturating_sub(gap.length.min(255))..end {
            self.slots[number as usize % 256] =
                Slot { number, at: gap.after, hashes: [0; 2], state: State::Lost };
        }
        self.gaps.push_back(gap);
        if self.gaps.len() > MOST_GAPS {
            self.settle_oldest();
        }
    }

    fn settle_oldest(&mut self) {
        if let Some(gap) = self.gaps.pop_front() {
            self.runs.add_received(gap.first.saturating_sub(self.settled));
            self.runs.add_lost(gap.length);
            self.settled = gap.first + gap.length;
        }
    }

    /// Takes a gap back: nothing was lost there.
    fn take_back(&mut self, index: usize) {
        if let Some(gap) = self.gaps.remove(index) {
            self.lost -= gap.length;
            self.less -= gap.less;
            self.more -= gap.more;
            self.seconds.take_lost(gap.before, gap.after, gap.length);
        }
    }

    /// The boot clock shows a restart since a stamp: the jump at the longest silence since was it.
    fn take_back_jump(&mut self, at: Nanos, since: Nanos) {
        let longest = (0..self.gaps.len())
            .filter(|&index| self.gaps[index].after > since)
            .max_by_key(|&index| self.gaps[index].after - self.gaps[index].before);
        if let Some(index) = longest
            && self.gaps[index].after - self.gaps[index].before >= at - self.newest_at
        {
            self.take_back(index);
        }
    }

    /// The numbering begins anew: nothing is lost.
    fn restart(&mut self, arriving: Arriving) {
        while !self.gaps.is_empty() {
            self.settle_oldest();
        }
        self.runs.add_received((self.newest + 1).saturating_sub(self.settled));
        self.restarts += 1;
        // Past every kept number, so that none of them is taken for one of the new count.
        self.newest = (self.newest / 256 + 4) * 256 + u64::from(arriving.sequence);
        self.newest_at = arriving.at;
        self.epoch = self.newest;
        self.settled = self.newest;
        self.doubt = None;
        self.rate.clear();
        self.rate.observe(arriving.at, self.newest);
        self.boot.clear();
        self.boot.take(arriving.at, arriving.boot);
        self.receive(arriving, self.newest);
    }
}
