//! The numbering of one sender: each arrival is new, a copy, late, or after a restart.
//!
//! Numbers are unwrapped into one long count. The last 256 are kept with their state, and
//! gaps with their times, so that a late frame is taken off the lost again and a jump that
//! turns out to be a restart is taken back; older gaps are final (see `gaps`).
//!
//! Without a boot clock a restart may begin within numbers that were just used: three frames
//! in a row whose numbers rise among those of earlier frames are a new numbering, from the
//! first of them on; single ones are second frames under one number.

mod jump;
mod late_frame;
mod numbering;
mod plain_frame;
mod rate_after;

use super::gaps::{Gap, Gaps, Own};
use super::numberings::Numberings;
use super::rate::Rate;
use super::regular::RegularMessages;
use super::seconds::Seconds;
use super::silence::Silences;
use crate::clocks::{BootClock, Passed};
use crate::measure::sequence_numbers::SequenceNumbers;
use crate::stats::time_series::loss_runs::Runs;
use crate::units::Nanos;
use crate::wire::telemetry::BootStamp;

use jump::{Doubt, Jump};
use numbering::Turn;
use plain_frame::PlainFrame;
use rate_after::Check;

/// Copies and late frames come within this time, and within 127 numbers.
const RECENT: Nanos = Nanos::from_millis(500);
const HALF: u64 = 127;
/// A jump without a boot clock may disagree with rate times time by this many.
const JUMP: f64 = 64.0;
/// So far back a second frame under a number may come after a silence.
const FEW_BACK: u64 = 3;
/// Frames in a row among earlier numbers that are a new numbering.
const ECHOES: usize = 3;
/// A silence in which fewer numbers than this should have passed needs no reckoning.
const SHORT: u64 = 60;

/// What an arrival turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Outcome {
    New,
    Duplicate,
    Restart(Shown),
}

/// A restart: the last frame before it, the first one after it, and whether the boot clock shows it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shown {
    pub(super) before: Nanos,
    pub(super) at: Nanos,
    pub(super) by_clock: bool,
}

/// What is kept of a number.
#[derive(Clone, Copy, Debug, Default)]
struct Known {
    at: Nanos,
    /// Of the frame, and of a second one under the same number; `None`: lost.
    hashes: Option<[u64; 2]>,
}

/// One arrival.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arriving {
    pub(super) at: Nanos,
    pub(super) sequence: u8,
    pub(super) message: u32,
    pub(super) hash: u64,
    pub(super) boot: Option<BootStamp>,
}

impl Arriving {
    const fn known(&self) -> Known {
        Known { at: self.at, hashes: Some([self.hash; 2]) }
    }

    fn number(&self) -> u16 {
        u16::from(self.sequence)
    }
}

/// One sender's sequence accounting.
#[derive(Clone, Debug)]
pub(super) struct Sequence {
    pub(super) first_at: Nanos,
    /// First frame of the present numbering.
    began_at: Nanos,
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
    numbers: SequenceNumbers<Known, 8, 256>,
    /// When the newest number came.
    newest_at: Nanos,
    /// The first number since the start or the last restart.
    epoch: u64,
    gaps: Gaps,
    /// Frames in a row, the newest last, that came under numbers of earlier frames.
    echoes: Vec<Arriving>,
    /// Copies and late frames come within this time.
    recent: Nanos,
    /// It goes on from another numbering, whose frames count nowhere here.
    is_joined: bool,
    rate: Rate,
    regular: RegularMessages,
    numberings: Numberings,
    /// Frames that the numberings know of.
    noted: u64,
    /// Several counters interleave: no number says what is lost.
    is_followed: bool,
    boot: BootClock,
    doubt: Option<Doubt>,
    /// Since a boot stamp last showed that the clock went on.
    turns: Vec<Turn>,
    jump: Option<Jump>,
    check: Option<Check>,
    /// Another component of the system restarted then: a jump soon after is one too.
    awaited: Option<Nanos>,
    plain: PlainFrame,
}

impl Sequence {
    /// Bytes held that copies do not share, beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        let kept = self.gaps.own_bytes() + self.silences.own_bytes() + self.seconds.own_bytes();
        self.numbers.own_bytes()
            + size_of_val(self.echoes.as_slice())
            + size_of_val(self.turns.as_slice())
            + kept
    }

    pub(super) fn new(first: Arriving, base: Nanos) -> Self {
        let numbers = SequenceNumbers::begin(first.number(), first.known());
        let newest = numbers.newest();
        let mut sequence = Self {
            first_at: first.at,
            began_at: first.at,
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
            numbers,
            newest_at: first.at,
            epoch: newest,
            gaps: Gaps::new(newest),
            echoes: Vec::new(),
            recent: RECENT,
            is_joined: false,
            rate: Rate::default(),
            regular: RegularMessages::default(),
            numberings: Numberings::begin(first.sequence),
            noted: 1,
            is_followed: true,
            boot: BootClock::default(),
            doubt: None,
            turns: Vec::new(),
            jump: None,
            check: None,
            awaited: None,
            plain: PlainFrame::NONE,
        };
        sequence.arrive(first.at);
        sequence.rate.observe(first.at, newest);
        sequence.regular.observe(first.at, first.message);
        sequence.boot.take(first.at, first.boot);
        sequence
    }

    /// A numbering of its own that goes on from the newest frame, in which copies and late frames may
    /// come later than usual; frames from before it count nowhere.
    pub(super) fn joined(&self, recent: Nanos, base: Nanos) -> Self {
        let Known { at, hashes } = self.numbers.get(self.newest()).unwrap_or_default();
        let hash = hashes.map_or(0, |hashes| hashes[0]);
        let first = Arriving { at, sequence: self.newest() as u8, hash, boot: None, message: 0 };
        Self { recent, is_joined: true, ..Self::new(first, base) }
    }

    const fn newest(&self) -> u64 {
        self.numbers.newest()
    }

    /// Received a second, from the first to the last; `None` with fewer than two.
    pub(super) fn rate_hz(&self) -> Option<f64> {
        let span_s = (self.last_at - self.first_at).secs();
        (self.received > 1 && span_s > 0.0).then(|| (self.received - 1) as f64 / span_s)
    }

    /// Range of the lost where silences were too long to tell.
    pub(super) fn lost_range(&self) -> [u64; 2] {
        let [less, more] = self.by_rate_after();
        [self.lost.saturating_sub(self.less + less), self.lost.saturating_add(self.more + more)]
    }

    /// Runs of received and lost, those that may still change included.
    pub(super) fn runs(&self) -> Runs {
        self.gaps.runs()
    }

    /// What was lost in a row, and when the next frame came.
    pub(super) fn lost_runs(&self) -> Vec<(Nanos, u64)> {
        if self.is_followed() { self.gaps.lost_runs() } else { Vec::new() }
    }

    /// Runs within a window, if they are kept that far back.
    pub(super) fn window(&self, from: Nanos, to: Nanos) -> Option<Runs> {
        self.gaps.window(from, to)
    }

    /// Lost numbers that this computer lost itself.
    pub(super) fn own_lost(&self) -> Own {
        self.gaps.own()
    }

    /// This computer lost data itself between two stamps.
    pub(super) fn mark_own(&mut self, from: Nanos, to: Nanos) {
        self.gaps.mark_own(from, to, self.utmost_hz());
    }

    /// Whether the numbers say what is lost; not where several counters interleave.
    pub(super) const fn is_followed(&self) -> bool {
        self.is_followed
    }

    /// Whether a frame has the number after the newest.
    pub(super) fn is_next(&self, arriving: &Arriving) -> bool {
        self.numbers.ahead(arriving.number()) == 1
    }

    pub(super) fn observe(&mut self, arriving: Arriving) -> Outcome {
        self.disturb();
        if !self.is_followed {
            return self.count_alone(arriving);
        }
        self.numberings.went_on(self.received - self.noted, self.newest() as u8);
        let late = self.out_of_order;
        let turn = Turn::new(arriving, self.last_at, self.newest(), self.received);
        let passed = self.boot.compare(arriving.at, arriving.boot);
        let may_turn = self.boot.known() && passed == Passed::Unknown;
        let outcome = self.place(arriving, passed);
        let is_late = self.out_of_order > late;
        self.noted = self.received;
        if outcome == Outcome::Duplicate {
            return outcome;
        }
        self.regular.observe(arriving.at, arriving.message);
        if outcome == Outcome::New && may_turn {
            self.keep_turn(turn, is_late);
        }
        if !is_late && !self.is_joined && self.numberings.observe(arriving.sequence) {
            self.give_up();
        }
        outcome
    }

    fn place(&mut self, arriving: Arriving, passed: Passed) -> Outcome {
        let back = self.numbers.behind(arriving.number());
        if back <= HALF && self.is_copy(arriving, back) {
            self.duplicates += 1;
            return Outcome::Duplicate;
        }
        if passed == Passed::Restarted {
            return Outcome::Restart(self.restart_by_clock(arriving));
        }
        self.clock_passed(passed);
        if self.is_awaited(&arriving) {
            return Outcome::Restart(self.restart(arriving));
        }
        if back <= HALF && self.is_behind(arriving, back) {
            if self.echoes.len() < ECHOES {
                return Outcome::New;
            }
            return Outcome::Restart(self.begin_among_echoes());
        }
        if self.echoes.len() + 1 >= ECHOES && self.follows_echoes(arriving) {
            return Outcome::Restart(self.restart(arriving));
        }
        self.forward(arriving, 256 - back, passed)
    }

    /// Counts a frame that no number tells anything of.
    fn count_alone(&mut self, arriving: Arriving) -> Outcome {
        let back = self.numbers.behind(arriving.number());
        if self.is_copy(arriving, back) {
            self.duplicates += 1;
            return Outcome::Duplicate;
        }
        self.receive(arriving, self.newest() - back);
        Outcome::New
    }

    /// Several counters interleave: what was counted lost never was, and what was told as a restart was none.
    fn give_up(&mut self) {
        self.is_followed = false;
        (self.lost, self.less, self.more, self.restarts) = (0, 0, 0, 0);
        self.gaps = Gaps::new(self.newest());
        self.seconds.forget_lost();
        self.echoes.clear();
        (self.doubt, self.jump, self.check, self.awaited) = (None, None, None, None);
        self.disturb();
    }

    fn is_copy(&self, arriving: Arriving, back: u64) -> bool {
        self.numbers.get(self.newest() - back).is_some_and(|known| {
            arriving.at - known.at <= self.recent
                && known.hashes.is_some_and(|hashes| hashes.contains(&arriving.hash))
        })
    }

    /// A frame of unknown id that turned out to be one later: it was counted lost.
    pub(super) fn recall(&mut self, arriving: Arriving) {
        let found = self.gaps.open().iter().rev().find_map(|gap| {
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
        // The numbers as they came do not know of it.
        self.disturb();
    }

    /// Time in which half of the numbers are used.
    fn half_wrap_s(&self) -> f64 {
        let rate = self.rate.per_second(self.newest_at, self.newest());
        rate.map_or(RECENT.secs(), |rate| 128.0 / rate)
    }

    /// Numbers that should have passed since the newest.
    fn expected(&self, at: Nanos) -> Option<f64> {
        let rate = self.rate.per_second(self.newest_at, self.newest())?;
        Some(rate * (at - self.newest_at).secs())
    }

    /// Counts a frame that came under a number.
    fn receive(&mut self, arriving: Arriving, number: u64) {
        self.numbers.put(number, arriving.known());
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

    fn step(&mut self, arriving: Arriving, advance: u64, passed: Passed) -> Outcome {
        self.numbers.go_on(advance, arriving.known());
        self.newest_at = arriving.at;
        self.arrive(arriving.at);
        if !self.echoes.is_empty() {
            self.echoes.clear();
        }
        if self.doubt.is_some() {
            self.resolve_doubt(passed);
        }
        self.rate.observe(arriving.at, self.newest());
        self.check_rate();
        self.boot.take(arriving.at, arriving.boot);
        self.expect_plain();
        Outcome::New
    }

    fn lose(&mut self, gap: Gap) {
        self.mark_lost(&gap);
        self.gaps.push(gap, self.utmost_hz());
    }

    fn mark_lost(&mut self, gap: &Gap) {
        self.count_lost(gap);
        let end = gap.first + gap.length;
        for number in end.saturating_sub(gap.length.min(255))..end {
            self.numbers.put(number, Known { at: gap.after, hashes: None });
        }
    }

    fn count_lost(&mut self, gap: &Gap) {
        self.more += gap.more;
        if gap.doubted {
            self.more += gap.length;
            return;
        }
        self.lost += gap.length;
        self.less += gap.less;
        self.seconds.add_lost(gap.before, gap.after, gap.length);
    }

    /// Takes a gap back: nothing was lost there.
    fn take_back(&mut self, index: usize) -> Option<Gap> {
        let gap = self.gaps.remove(index)?;
        self.more = self.more.saturating_sub(gap.more);
        if gap.doubted {
            self.more = self.more.saturating_sub(gap.length);
        } else {
            self.lost = self.lost.saturating_sub(gap.length);
            self.less = self.less.saturating_sub(gap.less);
            self.seconds.take_lost(gap.before, gap.after, gap.length);
        }
        Some(gap)
    }

    /// Keeps a second frame under one number: several of them that rise may be a new numbering.
    fn echo(&mut self, arriving: Arriving) {
        if self.boot.known() {
            return;
        }
        if !self.follows_echoes(arriving) {
            self.echoes.clear();
        }
        self.echoes.push(arriving);
    }

    /// Whether a frame goes on from the last of those that came under earlier numbers.
    fn follows_echoes(&self, arriving: Arriving) -> bool {
        self.echoes
            .last()
            .is_some_and(|last| (1..=JUMP as u8).contains(&arriving.sequence.wrapping_sub(last.sequence)))
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::loss::sequence::*;

    pub(super) const BEGIN: Nanos = Nanos::from_secs(100);

    pub(super) fn frame(at: Nanos, number: u64) -> Arriving {
        Arriving { at, sequence: number as u8, message: 30, hash: number, boot: None }
    }

    #[test]
    fn the_rate_is_the_intervals_by_the_time_from_the_first_to_the_last() {
        let mut sequence = Sequence::new(frame(BEGIN, 0), BEGIN);
        assert_eq!(sequence.rate_hz(), None);
        for number in 1..=10_u64 {
            sequence.observe(frame(BEGIN + Nanos::from_millis(500 * number as i64), number));
        }
        assert_eq!(sequence.rate_hz(), Some(2.0));
    }

    /// 40 a second for 20 s, a silence, the next number, and 160 a second for 8 s: from how few to how many are lost.
    fn lost_where_the_rate_rises(silence_ms: i64) -> [u64; 2] {
        let mut at = BEGIN;
        let mut sequence = Sequence::new(frame(at, 0), BEGIN);
        for number in 1..=800 {
            at += Nanos::from_millis(25);
            sequence.observe(frame(at, number));
        }
        at += Nanos::from_millis(silence_ms);
        for number in 801..=801 + 8 * 160 {
            sequence.observe(frame(at, number));
            at += Nanos(6_250_000);
        }
        sequence.lost_range()
    }

    /// By the rate before it 64 numbers passed in 1.6 s, by that after it 256: a round may be lost. 56 and 224 in 1.4 s:
    /// a silence in which fewer than 60 should have passed is none to reckon with.
    #[test]
    fn a_silence_that_should_have_taken_sixty_numbers_is_looked_at_by_the_rate_after_it() {
        assert_eq!(lost_where_the_rate_rises(1600), [0, 256]);
        assert_eq!(lost_where_the_rate_rises(1400), [0, 0]);
    }
}
