//! Numbers lost in a row: those that may still change, and the runs that are final.
//!
//! A gap stays open for 3 s and while it is among the last 64, so that a late frame can close it,
//! a restart take it back, and a loss that this computer made itself be told from the radio's:
//! such numbers leave the lost, and their runs never count. Of a gap of over 2 s that such a loss covers in part, the
//! share of the time is this computer's; from how few to how many they may be, the highest rate tells. Nor do those of a gap behind which the sender may have begun
//! anew: they may be lost. Bounds: 1,024 open gaps; 16,384 final
//! ones for windows of time, 16 spans of this computer's own losses for gaps to come.

use std::collections::VecDeque;

use crate::stats::time_series::loss_runs::Runs;
use crate::units::Nanos;

const FEWEST_OPEN: usize = 64;
const MOST_OPEN: usize = 1024;
const OPEN_FOR: Nanos = Nanos::from_secs(3);
const MOST_PAST: usize = 16_384;
const MOST_SPANS: usize = 16;
/// A gap no longer than this that touches a loss of this computer's own is all of it.
const SHORT: Nanos = Nanos::from_secs(2);

/// Lost numbers in a row.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gap {
    pub(super) first: u64,
    pub(super) length: u64,
    pub(super) before: Nanos,
    pub(super) after: Nanos,
    /// How much less, or more, may be lost: a silence too long to tell.
    pub(super) less: u64,
    pub(super) more: u64,
    /// How much of its time is in losses of this computer's own; `None`: none of them touches it.
    pub(super) covered: Option<Nanos>,
    /// How many of them this computer lost itself.
    pub(super) own: Own,
    /// The sender may have begun anew: none of them is surely lost.
    pub(super) doubted: bool,
}

impl Gap {
    /// Between two numbers that came, the newer of them after a silence; all of it surely lost.
    pub(super) const fn new(first: u64, length: u64, before: Nanos, after: Nanos) -> Self {
        Self { first, length, before, after, less: 0, more: 0, covered: None, own: Own::NONE, doubted: false }
    }

    /// Takes in a loss of this computer's own, in place of others that it holds.
    fn cover(&mut self, span: (Nanos, Nanos), instead_of: &[(Nanos, Nanos)]) {
        if self.before < span.1 && span.0 < self.after {
            let gap = (self.before, self.after);
            let known = instead_of.iter().fold(Nanos::ZERO, |sum, old| sum + overlap(gap, *old));
            let covered = self.covered.unwrap_or(Nanos::ZERO) + overlap(gap, span) - known;
            self.covered = Some(covered.min(self.after - self.before));
        }
    }

    /// How many of its numbers this computer lost itself.
    fn own_share(&self, utmost_hz: f64) -> Own {
        let Some(covered) = self.covered else { return Own::NONE };
        let width = self.after - self.before;
        if width <= SHORT {
            return Own::all(self.length);
        }
        let share = covered.0 as f64 / width.0 as f64;
        let likely = ((self.length as f64 * share).round() as u64).min(self.length);
        // A sender may have stood still in the rest of the time, or in this part of it.
        let sent = |time: Nanos| if time.0 > 0 { (utmost_hz * time.secs()).ceil() as u64 + 1 } else { 0 };
        Own {
            likely,
            least: self.length.saturating_sub(sent(width - covered)).min(likely),
            most: sent(covered).clamp(likely, self.length),
        }
    }
}

/// How long two spans overlap.
fn overlap(one: (Nanos, Nanos), other: (Nanos, Nanos)) -> Nanos {
    (one.1.min(other.1) - one.0.max(other.0)).max(Nanos::ZERO)
}

/// Numbers that this computer lost itself: most likely, and at least and at most.
#[derive(Clone, Copy, Debug)]
pub(super) struct Own {
    pub(super) likely: u64,
    pub(super) least: u64,
    pub(super) most: u64,
}

impl Own {
    const NONE: Self = Self { likely: 0, least: 0, most: 0 };

    const fn all(length: u64) -> Self {
        Self { likely: length, least: length, most: length }
    }

    const fn plus(self, other: Self) -> Self {
        Self {
            likely: self.likely + other.likely,
            least: self.least + other.least,
            most: self.most + other.most,
        }
    }

    /// Of no more numbers than these.
    fn within(self, length: u64) -> Self {
        Self { likely: self.likely.min(length), least: self.least.min(length), most: self.most.min(length) }
    }
}

/// A final gap, or (nothing lost) the end of a numbering.
#[derive(Clone, Copy, Debug)]
struct Past {
    after: Nanos,
    received_before: u32,
    lost: u32,
}

/// All gaps of one numbering.
#[derive(Clone, Debug)]
pub(super) struct Gaps {
    open: VecDeque<Gap>,
    past: VecDeque<Past>,
    /// Windows that begin before this are no longer kept.
    forgotten: Option<Nanos>,
    /// Runs are final up to this number.
    settled: u64,
    /// Received in a row before it that no final run holds yet.
    carried: u64,
    runs: Runs,
    /// Numbers of final gaps that this computer lost itself.
    own: Own,
    spans: VecDeque<(Nanos, Nanos)>,
}

impl Gaps {
    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        let (open, past) = (self.open.len() * size_of::<Gap>(), self.past.len() * size_of::<Past>());
        open + past + self.spans.len() * size_of::<(Nanos, Nanos)>()
    }

    pub(super) fn new(first: u64) -> Self {
        Self {
            open: VecDeque::new(),
            past: VecDeque::new(),
            forgotten: None,
            settled: first,
            carried: 0,
            runs: Runs::default(),
            own: Own::NONE,
            spans: VecDeque::new(),
        }
    }

    pub(super) const fn open(&self) -> &VecDeque<Gap> {
        &self.open
    }

    /// Numbers that this computer lost itself.
    pub(super) fn own(&self) -> Own {
        let open = self.open.iter().filter(|gap| !gap.doubted);
        open.fold(self.own, |own, gap| own.plus(gap.own))
    }

    /// A sender that sends so many a second at most lost numbers in a row.
    pub(super) fn push(&mut self, mut gap: Gap, utmost_hz: f64) {
        for span in &self.spans {
            gap.cover(*span, &[]);
        }
        gap.own = gap.own_share(utmost_hz);
        let now = gap.after;
        self.open.push_back(gap);
        while self.open.len() > MOST_OPEN
            || self.open.len() > FEWEST_OPEN
                && self.open.front().is_some_and(|oldest| now - oldest.after > OPEN_FOR)
        {
            self.settle_oldest();
        }
    }

    /// Marks what this computer lost itself between two stamps.
    pub(super) fn mark_own(&mut self, from: Nanos, to: Nanos, utmost_hz: f64) {
        // Those that touch it become one with it.
        let (mut span, mut joined) = ((from, to), Vec::new());
        self.spans.retain(|old| {
            let is_apart = old.1 < span.0 || span.1 < old.0;
            if !is_apart {
                span = (span.0.min(old.0), span.1.max(old.1));
                joined.push(*old);
            }
            is_apart
        });
        if self.spans.len() >= MOST_SPANS {
            self.spans.pop_front();
        }
        self.spans.push_back(span);
        // A gap keeps what it knows of a span that is forgotten.
        for gap in &mut self.open {
            gap.cover(span, &joined);
            gap.own = gap.own_share(utmost_hz);
        }
    }

    /// The open gap that a number is lost in.
    pub(super) fn find(&self, number: u64) -> Option<usize> {
        let place = self.open.partition_point(|gap| gap.first + gap.length <= number);
        self.open.get(place).is_some_and(|gap| gap.first <= number).then_some(place)
    }

    /// Takes one number out of an open gap, which falls in two.
    pub(super) fn split(&mut self, index: usize, number: u64) -> Gap {
        let gap = self.open[index];
        let head = number - gap.first;
        let tail = Gap { first: number + 1, length: gap.length - head - 1, less: 0, more: 0, ..gap };
        self.open[index].length = head;
        self.open[index].own = gap.own.within(head);
        if tail.length > 0 {
            self.open.insert(index + 1, Gap { own: gap.own.within(tail.length), ..tail });
        }
        if head == 0 {
            self.open.remove(index);
        }
        gap
    }

    /// Puts a gap among those that are open.
    pub(super) fn put_back(&mut self, gap: Gap) {
        let place = self.open.partition_point(|other| other.first < gap.first);
        self.open.insert(place, gap);
    }

    /// So much less, or more, may be lost in a gap, if it is open.
    pub(super) fn widen(&mut self, first: u64, less: u64, more: u64) {
        if let Some(gap) = self.open.iter_mut().find(|gap| gap.first == first) {
            gap.less += less;
            gap.more += more;
        }
    }

    /// So many of a gap's may not be lost after all, if it is open.
    pub(super) fn narrow(&mut self, first: u64, more: u64) {
        if let Some(gap) = self.open.iter_mut().find(|gap| gap.first == first) {
            gap.more = gap.more.saturating_sub(more);
        }
    }

    pub(super) fn remove(&mut self, index: usize) -> Option<Gap> {
        self.open.remove(index)
    }

    /// The numbering ends: everything is final, and the next begins at a number.
    pub(super) fn end(&mut self, at: Nanos, newest: u64, next: u64) {
        while !self.open.is_empty() {
            self.settle_oldest();
        }
        let received = (newest + 1).saturating_sub(self.settled) + self.carried;
        self.runs.add_received(received);
        self.runs.end();
        self.keep(Past { after: at, received_before: clamped(received), lost: 0 });
        self.settled = next;
        self.carried = 0;
    }

    fn settle_oldest(&mut self) {
        let Some(gap) = self.open.pop_front() else { return };
        let (received, lost) = runs_before(&gap, self.settled, self.carried);
        self.settled = gap.first + gap.length;
        if !gap.doubted {
            self.own = self.own.plus(gap.own);
        }
        self.carried = if lost == 0 { received } else { 0 };
        if lost > 0 {
            self.runs.add_received(received);
            self.runs.add_lost(lost);
            self.keep(Past { after: gap.after, received_before: clamped(received), lost: clamped(lost) });
        }
    }

    fn keep(&mut self, past: Past) {
        if self.past.len() >= MOST_PAST {
            self.forgotten = self.past.pop_front().map(|oldest| oldest.after);
        }
        self.past.push_back(past);
    }

    /// Runs of received and lost, those that may still change included.
    pub(super) fn runs(&self) -> Runs {
        let mut runs = self.runs.clone();
        self.open_runs(|received, lost, _| {
            runs.add_received(received);
            runs.add_lost(lost);
        });
        runs
    }

    /// What was lost in a row: how much, and when the next frame came; of final ones the newest 16,384.
    pub(super) fn lost_runs(&self) -> Vec<(Nanos, u64)> {
        let mut rows: Vec<_> = self.past.iter().map(|past| (past.after, u64::from(past.lost))).collect();
        self.open_runs(|_, lost, after| rows.push((after, lost)));
        rows.retain(|(_, lost)| *lost > 0);
        rows
    }

    fn open_runs(&self, mut each: impl FnMut(u64, u64, Nanos)) {
        let (mut settled, mut carried) = (self.settled, self.carried);
        for gap in &self.open {
            let (received, lost) = runs_before(gap, settled, carried);
            settled = gap.first + gap.length;
            carried = if lost == 0 { received } else { 0 };
            if lost > 0 {
                each(received, lost, gap.after);
            }
        }
    }

    /// Runs whose loss ended within a window; `None` where it begins before what is kept.
    pub(super) fn window(&self, from: Nanos, to: Nanos) -> Option<Runs> {
        if self.forgotten.is_some_and(|forgotten| from <= forgotten) {
            return None;
        }
        let mut runs = Runs::default();
        let mut is_first = true;
        let mut add = |received: u64, lost: u64, after: Nanos| {
            if from <= after && after < to {
                // What came before the window's first loss began before the window.
                if !is_first {
                    runs.add_received(received);
                }
                is_first = lost == 0;
                runs.add_lost(lost);
            }
        };
        let begin = self.past.partition_point(|past| past.after < from);
        for past in self.past.iter().skip(begin) {
            add(u64::from(past.received_before), u64::from(past.lost), past.after);
        }
        self.open_runs(&mut add);
        Some(runs)
    }
}

/// What was received in a row before a gap, and what the link lost in it.
fn runs_before(gap: &Gap, settled: u64, carried: u64) -> (u64, u64) {
    let lost = if gap.doubted { 0 } else { gap.length - gap.own.likely.min(gap.length) };
    (gap.first.saturating_sub(settled) + carried, lost)
}

fn clamped(count: u64) -> u32 {
    count.min(u64::from(u32::MAX)) as u32
}

#[cfg(test)]
mod tests {
    use crate::measure::loss::gaps::*;
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt as _, SeedableRng as _};

    /// Spans that overlap, touch, lie apart, before the gap is known and after it; the oracle counts milliseconds.
    #[test]
    fn the_time_that_spans_cover_counts_once() {
        const LENGTH: u64 = 1000;
        for seed in 10_001..10_201 {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let (mut gaps, mut is_covered) = (Gaps::new(0), vec![false; 20_000]);
            let (count, known_from) = (random.random_range(0..=16), random.random_range(0..=16));
            let gap = Gap::new(1, LENGTH, Nanos::from_secs(100), Nanos::from_secs(120));
            for place in 0..=16 {
                if place == known_from {
                    gaps.push(gap, 50.0);
                }
                if place >= count {
                    continue;
                }
                let from = random.random_range(-5000..24_000_i64);
                let to = from + random.random_range(1..4000);
                let at = |milli: i64| Nanos::from_secs(100) + Nanos::from_millis(milli);
                gaps.mark_own(at(from), at(to), 50.0);
                (from.max(0)..to.min(20_000)).for_each(|milli| is_covered[milli as usize] = true);
            }
            let covered = is_covered.iter().filter(|each| **each).count() as f64;
            let expected = (LENGTH as f64 * covered / 20_000.0).round() as u64;
            assert_eq!(gaps.own().likely, expected, "seed {seed}");
        }
    }
}
