//! Reads a jump of the numbers: frames were lost, the sender paused, or it began anew.
//!
//! Definition: by time, `rate x silence` numbers should have passed; the numbers themselves tell it modulo 256, so that
//! whole rounds of them are inferred. That is done only where the sender's regular messages are missing too, over an hour
//! at most, at a rate that the last seconds and the last minute share, and where both counts fit within the sender's own
//! scatter. Else the least is lost that the numbers show, and the interval reaches to the most that the sender ever sent.
//! - The next numbers, three at most: it paused and went on, with that loss at most. Rounds that time has room for stand in
//!   the interval alone: a computer that stands still for as long as a round takes looks the same.
//! - A boot clock that goes on: a jump is loss. Without one, after a silence in which the sender may have been off (1 s,
//!   and three of its usual pauses), no fit, or numbers from 0 on: nothing is surely lost, and what may be stands in the
//!   interval. A fit closer than chance brings one restart in a hundred: surely lost. One within the scatter that the
//!   sender was seen to have: likely lost, or nothing is. Where its scatter is not known, or it paused before, the
//!   figure is the least: nothing.
//!
//! A jump tells a restart only of a sender whose rate was even over the last minute, and not a short one forward right
//! after frames that came. Another component of the system, whose boot clock fell, tells that this one began anew too (see `told`).

use super::rate_after::{Check, rounds_within};
use super::{Arriving, HALF, JUMP, Nanos, Outcome, Passed, SHORT, Sequence, Shown};
use crate::measure::loss::gaps::Gap;

/// A shorter silence is no restart, unless the numbers alone say so.
const LEAST_OFF: Nanos = Nanos::from_secs(1);
/// A sender that sends in bursts may have begun anew at 0 in a silence of this.
const SHORT_OFF: Nanos = Nanos::from_millis(250);
/// Nor is one of fewer usual pauses.
const PAUSES: f64 = 3.0;
/// Of 256 numbers drawn by chance one in a hundred, about, lies as close to the one expected.
const CLOSE: f64 = 1.0;
/// A count that begins no higher than this began anew.
pub(super) const NEAR_ZERO: u8 = 1;
/// Numbers so few on from the last are the next ones of a sender that paused, with a loss or two.
const NEXT: u64 = 3;
/// A count that begins anew after a short silence is further off than this.
const SOON: f64 = 8.0;
/// Over a longer silence a rate says nothing.
const LONGEST: Nanos = Nanos::from_secs(3600);
/// How far numbers may be from those expected, in standard deviations.
const SCATTER: f64 = 6.0;
/// Frames that come in smaller groups than this come one by one.
const SINGLY: f64 = 1.5;
/// A boot clock that lags by more over a silence stood still, or began anew.
const LAG: Nanos = Nanos::from_secs(1);
/// Components of one system go down within this of each other.
const TOGETHER: Nanos = Nanos::from_secs(1);
/// How long after a restart the other components of the system come back.
const AROUND: Nanos = Nanos::from_secs(10);

/// What the numbers say.
enum Reading {
    /// So many went by, perhaps less or more.
    Lost { advance: u64, less: u64, more: u64 },
    /// The least went by, or it began anew: nothing is surely lost, and so many more may be.
    Doubted { more: u64 },
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
    /// It went on by the next numbers, with a loss or two.
    goes_on: bool,
}

/// A silence over which the boot clock may have stood still.
#[derive(Clone, Copy, Debug)]
pub(super) struct Doubt {
    /// The first number of its gap.
    pub(super) first: u64,
    pub(super) silence: Nanos,
}

/// What a silence should have taken: numbers by the sender's rate, how far they may be off, and whole rounds of the
/// numbers behind those seen.
#[derive(Clone, Copy, Debug)]
struct Rounds {
    expected: f64,
    scatter: f64,
    spread: f64,
    /// At least, most likely, at most.
    few: u64,
    likely: u64,
    many: u64,
    /// At most if the sender sent all the time as fast as it ever did.
    utmost: u64,
    /// The distance of the likely count from what is expected.
    off: f64,
    /// Rounds may be counted: the regular messages are missing, and the rate is known for that long.
    are_evident: bool,
    has_paused: bool,
    /// The rate is steady enough for a jump to show a restart.
    is_even: bool,
}

impl Sequence {
    /// Numbers went by: none, some, or so many that only time can tell.
    pub(super) fn forward(&mut self, arriving: Arriving, least: u64, passed: Passed) -> Outcome {
        let (before, silence) = (self.newest_at, arriving.at - self.newest_at);
        if least == 1 && self.rate.is_short(silence, before, self.newest(), SHORT) {
            return self.step(arriving, 1, passed);
        }
        let goes_on = goes_on(least, arriving.sequence);
        let (advance, less, more, doubted) = match self.read(least, silence, arriving.sequence, passed) {
            Reading::Lost { advance, less, more } => (advance, less, more, false),
            Reading::Doubted { more } => (least, 0, more, true),
            Reading::Anew { told, more } => {
                self.more += more;
                if arriving.sequence > NEAR_ZERO {
                    self.numberings.jumped(told);
                }
                let shown = self.restart(arriving);
                if silence >= LEAST_OFF && !(told && more == 0) {
                    let (told, from) = ([1, 1 + more], (arriving.at, self.newest()));
                    let (expected, gap, is_spread) = (None, None, false);
                    self.check = Some(Check { silence, least, expected, gap, told, from, is_spread });
                }
                if told {
                    return Outcome::Restart(shown);
                }
                self.restarts -= 1;
                self.jump = Some(Jump { after: arriving.at, gap: None, more, goes_on });
                return Outcome::New;
            }
        };
        let expected = self.expected(arriving.at);
        let long = expected.is_some_and(|expected| expected >= 128.0);
        if least > NEXT && expected.is_some_and(|expected| (expected - advance as f64).abs() > JUMP) {
            self.numberings.jumped(false);
        }
        let first = self.newest() + 1;
        if advance > 1 {
            let length = advance - 1;
            self.lose(Gap { less, more, doubted, ..Gap::new(first, length, before, arriving.at) });
            if silence >= LEAST_OFF {
                self.jump = Some(Jump { after: arriving.at, gap: Some(first), more, goes_on });
            }
        } else {
            self.more += more;
        }
        if long {
            // What is inferred feeds no rate that infers the next, and a pause is not the sender's rate.
            let is_pause = advance == least && least <= NEXT;
            if is_pause {
                self.rate.pause(silence, advance, self.newest() + advance);
            } else if advance > least || more > 0 {
                self.rate.skip(silence, advance);
            }
        }
        if advance > 1 && (long || doubted || silence >= LEAST_OFF) {
            self.doubt = Some(Doubt { first, silence });
        }
        if silence >= LEAST_OFF {
            let low = if doubted { 1 } else { advance - less };
            let (told, from) = ([low, advance + more], (arriving.at, self.newest() + advance));
            self.check = Some(Check {
                silence,
                least,
                expected,
                gap: (advance > 1).then_some(first),
                told,
                from,
                is_spread: false,
            });
        }
        self.step(arriving, advance, passed)
    }

    fn rounds(&self, least: u64, silence: Nanos, expected: f64) -> Rounds {
        let wraps = |numbers: f64| rounds_behind(numbers, least);
        let spread = if expected > 64.0 { 3.0 * self.rate.relative_spread() * expected + 2.0 } else { 2.0 };
        let newest = self.rate.newest_per_second(self.newest_at, self.newest());
        let newest = newest.map_or(expected, |rate| rate * silence.secs());
        let (low, high) = (expected.min(newest), expected.max(newest));
        let likely = wraps(expected);
        let is_steady = high - low <= spread.max(2.0 * JUMP);
        let are_evident =
            is_steady && silence <= LONGEST && self.regular.are_missing(self.newest_at, silence);
        let has_paused = self.rate.has_paused();
        let utmost = rounds_within(self.utmost(silence), least).max(wraps(high + spread));
        Rounds {
            expected,
            scatter: self.scatter(silence, expected),
            spread,
            few: wraps(low - spread),
            likely,
            many: if are_evident && !has_paused { wraps(high + spread) } else { utmost },
            utmost,
            off: (expected - (least + 256 * likely) as f64).abs(),
            are_evident,
            has_paused,
            is_even: self.rate.is_even(self.newest_at, self.newest()),
        }
    }

    /// Numbers that a silence took if the sender sent as fast as it ever did.
    pub(super) fn utmost(&self, silence: Nanos) -> f64 {
        self.utmost_hz() * silence.secs()
    }

    /// The most numbers a second that it ever sent.
    pub(super) fn utmost_hz(&self) -> f64 {
        self.rate.highest_per_second(self.newest_at, self.newest())
    }

    /// What may be lost in a silence after which so many numbers are seen to have gone by, where nothing surely is; none
    /// before a count that begins at 0.
    pub(super) fn perhaps_lost(&self, arriving: Arriving, least: u64) -> u64 {
        if arriving.sequence <= NEAR_ZERO {
            return 0;
        }
        let rounds = rounds_within(self.utmost(arriving.at - self.newest_at), least);
        least.saturating_sub(1) + 256 * rounds
    }

    fn read(&self, least: u64, silence: Nanos, number: u8, passed: Passed) -> Reading {
        let is_clocked = self.boot.speaks(self.newest_at);
        let may_be_off = !is_clocked && self.may_be_off(silence);
        let Some(expected) = self.expected(self.newest_at + silence) else {
            // So low a number is not far for a sender that began anew, and so many too far for one that went on.
            let utmost = self.utmost(silence) + f64::from(NEAR_ZERO);
            let is_fresh = !is_clocked
                && silence >= SHORT_OFF
                && f64::from(number) <= utmost
                && least as f64 > utmost + SOON;
            let is_zero = !is_clocked && number == 0 && least > NEXT && silence >= SHORT_OFF;
            let is_anew = may_be_off && least > JUMP as u64 || is_zero || is_fresh;
            let more = if least > 1 { 256 * rounds_within(self.utmost(silence), least) } else { 0 };
            // As many as it sends in that time, up to a number that one that began anew would not have reached.
            let goes_on = least as f64 <= self.utmost(silence) + 1.0 && f64::from(number) > utmost;
            return if is_anew {
                Reading::Anew { told: false, more: least - 1 + more }
            } else if may_be_off && !goes_on {
                Reading::Doubted { more }
            } else {
                Reading::Lost { advance: least, less: 0, more }
            };
        };
        // A sender that began anew within the silence may have come as far as this number, until its clock says otherwise.
        let is_fresh = passed == Passed::Unknown
            && least > NEXT
            && silence >= SHORT_OFF
            && f64::from(number) <= expected + f64::from(NEAR_ZERO);
        let is_plain = least as f64 <= JUMP
            && number > NEAR_ZERO
            && !is_fresh
            && self.utmost(silence).max(expected) <= JUMP;
        if least == 1 && expected <= JUMP || is_plain && !may_be_off {
            return Reading::Lost { advance: least, less: 0, more: 0 };
        }
        let rounds = self.rounds(least, silence, expected);
        let Rounds { spread, scatter, likely, many, utmost, off, is_even, .. } = rounds;
        let is_zero = number <= NEAR_ZERO;
        // A count that goes on from 255 to 0 is as likely as one that began anew just then.
        let is_next = least <= NEXT && (likely > 0 || off > JUMP && (!is_zero || least == 1));
        if is_next {
            // By 255 to 1 it paused and went on, with a loss or two, or began anew a little further on.
            let more = if off <= scatter { 256 * many } else { 0 };
            return if may_be_off && least > 1 {
                Reading::Anew { told: false, more: least - 1 + more }
            } else {
                Reading::Lost { advance: least, less: 0, more }
            };
        }
        if !is_clocked && least > 1 {
            // Numbers that go on a little right after frames that came are no restart, whatever was expected.
            let furthest = if is_even { JUMP as u64 } else { HALF };
            let is_far = off > JUMP.max(if may_be_off { scatter } else { spread });
            let is_far = is_far && (may_be_off || least > furthest);
            if is_far || is_even && is_zero && !may_be_off && off > scatter + SOON {
                let more = if is_even && is_zero { 0 } else { least - 1 + 256 * utmost };
                return Reading::Anew { told: is_even, more };
            }
            if is_fresh && number == 0 && self.is_pause(silence, SHORT_OFF) {
                return Reading::Anew { told: false, more: least - 1 + 256 * utmost };
            }
        }
        let misfit = if is_zero { scatter.min(2.0 * CLOSE) } else { scatter.max(2.0 * CLOSE) };
        if is_fresh && !may_be_off && off > misfit {
            let more = 256 * utmost;
            return if is_clocked {
                Reading::Doubted { more }
            } else {
                Reading::Anew { told: false, more: least - 1 + more }
            };
        }
        let is_measured = self.rate.is_measured();
        if may_be_off { read_off(least, number, rounds, is_measured) } else { read_on(least, rounds) }
    }

    /// Whether a silence is long enough for the sender to have been off.
    fn may_be_off(&self, silence: Nanos) -> bool {
        self.is_pause(silence, LEAST_OFF)
    }

    /// Whether a silence is no shorter than this, and than some of the sender's usual pauses.
    fn is_pause(&self, silence: Nanos, least: Nanos) -> bool {
        silence >= least && silence.secs() >= PAUSES * self.silences.pause_s(silence)
    }

    /// How far the numbers after a silence may be from those expected. Frames come in groups, so that the
    /// count stands still in a usual pause and then takes all of it at once.
    fn scatter(&self, silence: Nanos, expected: f64) -> f64 {
        let group = expected / silence.secs().max(1e-3) * self.silences.pause_s(silence);
        let one_by_one = if group < SINGLY { 0.4 } else { group };
        one_by_one + SCATTER * self.rate.spread_over(silence) * expected
    }

    /// A boot clock that stood still over a silence shows that nothing was sent; over a part of it, or where the rest has
    /// room for what is missing, that nothing is surely lost; one that went on, that all of it is.
    pub(super) fn resolve_doubt(&mut self, passed: Passed) {
        let Passed::Went { sender_us, host } = passed else { return };
        let Some(Doubt { first, silence }) = self.doubt.take() else { return };
        let missing = host.secs() - sender_us as f64 / 1e6;
        let Some(index) = self.gaps.open().iter().position(|gap| gap.first == first) else { return };
        let doubted = missing > LAG.secs();
        let gap = self.gaps.open()[index];
        // What it sent before it stood still, or after, may be lost all the same.
        let sent = self.utmost(Nanos::from_secs_f64((silence.secs() - missing).max(0.0))) + NEXT as f64;
        if missing > 0.9 * silence.secs() && gap.length as f64 > sent {
            self.take_back(index);
            return;
        }
        let was_sure = !gap.doubted && gap.less < gap.length;
        if was_sure == doubted && self.take_back(index).is_some() {
            let gap = Gap { doubted, less: 0, ..gap };
            self.count_lost(&gap);
            self.gaps.put_back(gap);
        }
    }

    /// Another component of the system began anew in a silence: so did this one if its numbers jumped around
    /// then, by more than a loss or two, and it has no clock that says otherwise. If they did not so far, the next ones may.
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
        if jump.goes_on {
            return None;
        }
        match jump.gap {
            // Its numbers fit a loss as well.
            Some(first) => {
                let index = self.gaps.open().iter().position(|gap| gap.first == first)?;
                let gap = self.take_back(index)?;
                self.more += gap.length + gap.more;
            }
            None => self.more = self.more.saturating_sub(jump.more),
        }
        self.restarts += 1;
        Some(jump.after)
    }

    /// Whether a frame that does not follow the one before is the first since another component restarted.
    pub(super) fn is_awaited(&mut self, arriving: &Arriving) -> bool {
        let Some(told) = self.awaited.take() else { return false };
        let (silence, least) = (arriving.at - self.newest_at, self.numbers.ahead(arriving.number()));
        let is_anew = self.newest_at <= told
            && arriving.at - told <= AROUND
            && !goes_on(least, arriving.sequence)
            && !self.boot.known()
            && self.may_be_off(silence);
        if is_anew {
            self.more += self.perhaps_lost(*arriving, least);
        }
        is_anew
    }
}

/// Whether numbers went on by the next ones, with a loss or two, and not from 0.
fn goes_on(least: u64, number: u8) -> bool {
    least == 1 || least <= NEXT && number > NEAR_ZERO
}

/// Whole rounds of the numbers behind those seen, where so many went by.
fn rounds_behind(numbers: f64, least: u64) -> u64 {
    ((numbers - least as f64) / 256.0).round().max(0.0) as u64
}

/// A silence in which the sender went on: it is heard too soon after, or its clock ran on.
fn read_on(least: u64, rounds: Rounds) -> Reading {
    let Rounds { scatter, few, likely, many, utmost, off, are_evident, has_paused, .. } = rounds;
    if many == 0 {
        return Reading::Lost { advance: least, less: 0, more: 0 };
    }
    if !are_evident || off > scatter || scatter > JUMP {
        return Reading::Lost { advance: least, less: 0, more: 256 * utmost };
    }
    if has_paused {
        return Reading::Lost { advance: least, less: 0, more: 256 * many.max(likely) };
    }
    let less = likely - few.min(likely);
    Reading::Lost { advance: least + 256 * likely, less: 256 * less, more: 256 * (many - likely) }
}

/// A silence in which the sender may have been off. Where it was measured how its rate varies, a fit within that speaks
/// for a loss.
fn read_off(least: u64, number: u8, rounds: Rounds, is_measured: bool) -> Reading {
    let Rounds {
        expected, scatter, few, likely, many, utmost, off, are_evident, has_paused, is_even, ..
    } = rounds;
    let turns = if are_evident { likely } else { 0 };
    let advance = least + 256 * turns;
    let from_zero = number <= NEAR_ZERO && expected >= 128.0 || number == 0;
    let is_odd = off > scatter || scatter > JUMP;
    if is_odd || from_zero {
        return Reading::Anew { told: is_even && from_zero && off > scatter, more: least - 1 + 256 * utmost };
    }
    if has_paused || off > CLOSE && !is_measured {
        return Reading::Doubted { more: 256 * many.max(turns) };
    }
    let less = if off > CLOSE { advance - 1 } else { 256 * (turns - few.min(turns)) };
    Reading::Lost { advance, less, more: 256 * (many - turns) }
}
