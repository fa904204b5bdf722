//! Reads a jump of the numbers: frames were lost, the sender paused, or it began anew.
//!
//! Definition: by time, `rate x silence` numbers should have passed; the numbers themselves tell it modulo 256. Both
//! fit where they differ by no more than the sender's own scatter over such a time allows. A boot clock settles it: then
//! a jump is loss unless the clock fell. Without one, after a silence in which the sender may have been off (1 s, and
//! three of its usual pauses):
//! - no fit: it began anew, or it cannot be told. Nothing is surely lost; what may be stands in the interval;
//! - a fit: lost. Closer than chance brings one restart in a hundred: surely; else nothing may be lost too;
//! - numbers from 0 on after half a wrap or more fit a restart as well: nothing is surely lost.
//!
//! Another component of the system, whose boot clock fell, tells that this one began anew too (see `told`).

use super::{Arriving, JUMP, Nanos, Outcome, PAUSE, Passed, SHORT, Sequence, Shown};
use crate::measure::loss::gaps::Gap;

/// A shorter silence is no restart, unless the numbers alone say so.
const LEAST_OFF: Nanos = Nanos::from_secs(1);
/// Nor is one of fewer usual pauses.
const PAUSES: f64 = 3.0;
/// Of 256 numbers drawn by chance one in a hundred, about, lies as close to the one expected.
const CLOSE: f64 = 1.0;
/// A count that begins no higher than this began anew.
const NEAR_ZERO: u8 = 1;
/// How far numbers may be from those expected, in standard deviations.
const SCATTER: f64 = 6.0;
/// Frames that come in smaller groups than this come one by one.
const SINGLY: f64 = 1.5;
/// Components of one system go down within this of each other.
const TOGETHER: Nanos = Nanos::from_secs(1);
/// How long after a restart the other components of the system come back.
const AROUND: Nanos = Nanos::from_secs(10);

/// What the numbers say.
enum Reading {
    /// So many went by, perhaps less or more.
    Lost { advance: u64, less: u64, more: u64 },
    /// A new numbering; so many may be lost nevertheless.
    Anew { told: bool, more: u64 },
}

/// The last jump behind which the sender may have been off.
#[derive(Clone, Copy, Debug)]
pub(super) struct Jump {
    after: Nanos,
    /// The first number of its gap; `None` where nothing was counted lost.
    gap: Option<u64>,
    /// How many may be lost nevertheless.
    more: u64,
}

impl Sequence {
    /// Numbers went by: none, some, or so many that only time can tell.
    pub(super) fn forward(&mut self, arriving: Arriving, least: u64, passed: Passed) -> Outcome {
        let (before, silence) = (self.newest_at, arriving.at - self.newest_at);
        if least == 1 && self.rate.is_short(silence, before, self.newest(), SHORT) {
            return self.step(arriving, 1, passed);
        }
        let (advance, less, more) = match self.read(least, silence, arriving.sequence) {
            Reading::Lost { advance, less, more } => (advance, less, more),
            Reading::Anew { told: true, .. } => {
                return Outcome::Restart(self.restart(arriving));
            }
            Reading::Anew { told: false, more } => {
                self.restart(arriving);
                self.restarts -= 1;
                self.more += more;
                self.jump = Some(Jump { after: arriving.at, gap: None, more });
                return Outcome::New;
            }
        };
        let long = self.expected(arriving.at).is_some_and(|expected| expected >= 128.0);
        let first = self.newest() + 1;
        if advance > 1 {
            let length = advance - 1;
            self.lose(Gap { first, length, before, after: arriving.at, less, more, own: 0 });
            if silence >= LEAST_OFF {
                self.jump = Some(Jump { after: arriving.at, gap: Some(first), more });
            }
        }
        if long {
            // What is inferred feeds no rate that infers the next.
            self.rate.skip(silence, advance);
            self.doubt = (advance > 1).then_some((first, silence));
        }
        self.step(arriving, advance, passed)
    }

    fn read(&self, least: u64, silence: Nanos, number: u8) -> Reading {
        let is_clocked = self.boot.known();
        let may_be_off = !is_clocked && self.may_be_off(silence);
        let Some(expected) = self.expected(self.newest_at + silence) else {
            return if may_be_off && least > JUMP as u64 {
                Reading::Anew { told: false, more: least - 1 }
            } else {
                Reading::Lost { advance: least, less: if may_be_off { least - 1 } else { 0 }, more: 0 }
            };
        };
        if least == 1 && expected <= 64.0 {
            return Reading::Lost { advance: 1, less: 0, more: 0 };
        }
        let wraps = |numbers: f64| ((numbers - least as f64) / 256.0).round().max(0.0) as u64;
        let spread = if expected > 64.0 { 3.0 * self.rate.relative_spread() * expected + 2.0 } else { 2.0 };
        let turns = wraps(expected);
        let advance = least + 256 * turns;
        let less = 256 * (turns - wraps(expected - spread).min(turns));
        let more = 256 * (wraps(expected + spread).max(turns) - turns);
        let off = (expected - advance as f64).abs();
        let scatter = if may_be_off { self.scatter(silence, expected) } else { JUMP };
        let is_next = least == 1 && turns > 0;
        if is_next && off > if may_be_off { scatter } else { 2.0 + PAUSE * expected } {
            // The very next number after a silence: by 255 to 1 it paused and went on, unless time bears
            // out a multiple of 256 closely.
            return Reading::Lost { advance: 1, less: 0, more: 0 };
        }
        let is_far = off > JUMP.max(if may_be_off { scatter } else { spread });
        if least > 1 && is_far && !is_clocked {
            return Reading::Anew { told: true, more: 0 };
        }
        let from_zero = number <= NEAR_ZERO && expected >= 128.0;
        if may_be_off && (off > scatter || scatter > JUMP || from_zero) {
            let more = advance - 1 + more;
            return Reading::Anew { told: from_zero && off > scatter, more };
        }
        let less = if may_be_off && off > CLOSE { advance - 1 } else { less };
        Reading::Lost { advance, less, more }
    }

    /// Whether a silence is long enough for the sender to have been off.
    fn may_be_off(&self, silence: Nanos) -> bool {
        silence >= LEAST_OFF && silence.secs() >= PAUSES * self.silences.pause_s(silence)
    }

    /// How far the numbers after a silence may be from those expected. Frames come in groups, so that the
    /// count stands still in a usual pause and then takes all of it at once.
    fn scatter(&self, silence: Nanos, expected: f64) -> f64 {
        let group = expected / silence.secs() * self.silences.pause_s(silence);
        let one_by_one = if group < SINGLY { 0.4 } else { group };
        one_by_one + SCATTER * self.rate.spread_over(silence) * expected
    }

    /// Another component of the system began anew in a silence: so did this one if its numbers jumped around
    /// then and it has no clock that says otherwise. If they did not so far, the next ones may.
    pub(in crate::measure::loss) fn told(&mut self, shown: Shown) -> Option<Nanos> {
        if self.boot.known() {
            return None;
        }
        self.disturb();
        // Until its last frame before it, the other one had not restarted either.
        let since = shown.before - TOGETHER;
        if self.restarts > 0 && self.jump.is_none() && self.began_at >= since {
            // Its own numbers have shown it already.
            return None;
        }
        if self.echoes.first().is_some_and(|first| first.at >= since) {
            return Some(self.begin_among_echoes().at);
        }
        let Some(jump) = self.jump.take().filter(|jump| jump.after >= since) else {
            self.awaited = Some(shown.at);
            return None;
        };
        match jump.gap {
            // Its numbers fit a loss as well.
            Some(first) => {
                let index = self.gaps.open().iter().position(|gap| gap.first == first)?;
                self.more += self.gaps.open()[index].length + jump.more;
                self.take_back(index);
            }
            None => self.more = self.more.saturating_sub(jump.more),
        }
        self.restarts += 1;
        Some(jump.after)
    }

    /// Whether a frame that does not follow the one before is the first since another component restarted.
    pub(super) fn is_awaited(&mut self, arriving: &Arriving) -> bool {
        let Some(told) = self.awaited.take() else { return false };
        let silence = arriving.at - self.newest_at;
        self.newest_at <= told
            && arriving.at - told <= AROUND
            && arriving.sequence != (self.newest() as u8).wrapping_add(1)
            && !self.boot.known()
            && self.may_be_off(silence)
    }

    /// The silence in which a sender restarted whose clock is seen to have fallen: the longest since a stamp of before.
    pub(super) fn restarted_in(&self, at: Nanos, since: Nanos) -> (Nanos, Nanos) {
        let later = self.silences.kept().iter().rev().take_while(|(_, to)| *to > since);
        later.fold(
            (self.last_at, at),
            |longest, &(from, to)| {
                if to - from > longest.1 - longest.0 { (from, to) } else { longest }
            },
        )
    }
}
