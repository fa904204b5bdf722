//! Which messages of a sender come regularly, and how far apart the slowest of them come.
//!
//! Definition: the spacing of a message is the mean of its intervals, each weighted with its own length, so that frames
//! in groups count as one; it is regular where over 70 % of the time lies in intervals within half of that. Unit:
//! seconds. Window: the last 8 to 16 spacings. A gap counts as four spacings at most. Bounded: 16 messages a sender;
//! one that was silent for 5 s makes room.

use crate::units::Nanos;

const MOST: usize = 16;
/// Share of the time that makes a message regular, and the fewest intervals.
const SHARE: f64 = 0.7;
const FEWEST: u8 = 4;
/// Longer intervals, in spacings, count as this.
const LONGEST: f64 = 4.0;
/// Spacings that are remembered.
const WINDOW: f64 = 16.0;
/// What comes less often than this is not waited for.
const SLOWEST: Nanos = Nanos::from_secs(5);
/// So many intervals without it show that a message is missing.
const MISSING: f64 = 1.5;

#[derive(Clone, Copy, Debug, Default)]
struct Kind {
    message: u32,
    last: Nanos,
    intervals: u8,
    /// How many came under its newest stamp, and under the one before.
    heap: u8,
    usual: u8,
    /// Sums over the window: of the intervals, of their squares, of those near the spacing.
    time: f64,
    squares: f64,
    near: f64,
}

/// The messages of one sender.
#[derive(Clone, Debug, Default)]
pub(super) struct RegularMessages([Option<Kind>; MOST]);

impl RegularMessages {
    #[inline]
    pub(super) fn observe(&mut self, at: Nanos, message: u32) {
        let place = (message.wrapping_mul(0x9E37_79B9) >> 28) as usize;
        let kind = &mut self.0[place];
        match kind {
            Some(kind) if kind.message == message => kind.observe(at),
            Some(other) if (at - other.last) <= SLOWEST => {}
            _ => *kind = Some(Kind { message, last: at, heap: 1, usual: 1, ..Kind::default() }),
        }
    }

    /// Whether every regular message is missing in a silence, the slowest too; false where none is regular.
    pub(super) fn are_missing(&self, from: Nanos, silence: Nanos) -> bool {
        let spacings = self.0.iter().flatten().filter(|kind| kind.is_regular()).filter_map(|kind| {
            let spacing = kind.squares / kind.time;
            let is_active = (from - kind.last).secs() <= 2.0 * spacing;
            (is_active && spacing <= SLOWEST.secs()).then_some(spacing)
        });
        let slowest = spacings.reduce(f64::max);
        slowest.is_some_and(|slowest| silence.secs() > MISSING * slowest)
    }

    /// How much of the time before a stamp the regular messages cover that came in one heap under it.
    pub(super) fn covered(&self, at: Nanos) -> Nanos {
        let regular = self.0.iter().flatten().filter(|kind| kind.last == at && kind.is_regular());
        let covered =
            regular.map(|kind| f64::from(kind.heap.saturating_sub(kind.usual)) * (kind.squares / kind.time));
        Nanos::from_secs_f64(covered.fold(0.0, f64::max))
    }
}

impl Kind {
    #[inline]
    fn observe(&mut self, at: Nanos) {
        if at == self.last {
            self.heap = self.heap.saturating_add(1);
        } else {
            (self.usual, self.heap) = (self.heap, 1);
        }
        let mut interval = (at - self.last).0.max(0) as f64 * 1e-9;
        self.last = at;
        let (own, spacing) = (interval * self.time, self.squares);
        if self.time > 0.0 && own > LONGEST * spacing {
            interval = LONGEST * spacing / self.time;
        }
        if 0.5 * spacing <= own && own <= 1.5 * spacing {
            self.near += interval;
        }
        self.intervals = self.intervals.saturating_add(1);
        self.time += interval;
        self.squares += interval * interval;
        if self.time * self.time > WINDOW * self.squares {
            self.time *= 0.5;
            self.squares *= 0.5;
            self.near *= 0.5;
        }
    }

    fn is_regular(&self) -> bool {
        self.intervals >= FEWEST && self.near >= SHARE * self.time && self.time > 0.0
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::loss::regular::*;

    fn at(seconds: f64) -> Nanos {
        Nanos::from_secs_f64(seconds)
    }

    #[test]
    fn the_slowest_regular_message_must_be_missing_too() {
        let mut messages = RegularMessages::default();
        for step in 0..500 {
            messages.observe(at(f64::from(step) * 0.02), 30);
            if step % 50 == 0 {
                messages.observe(at(f64::from(step) * 0.02), 0);
            }
        }
        let from = at(499.0 * 0.02);
        assert!(!messages.are_missing(from, at(1.2)), "a heartbeat a second is not due twice");
        assert!(messages.are_missing(from, at(1.6)));
    }

    #[test]
    fn what_comes_at_odd_times_is_not_waited_for_and_alone_shows_nothing() {
        let mut messages = RegularMessages::default();
        for seconds in [0.0, 0.1, 5.0, 5.1, 5.2, 14.0, 14.5, 30.0, 30.1] {
            messages.observe(at(seconds), 253);
        }
        assert!(!messages.are_missing(at(30.1), at(100.0)));
        for step in 0..20 {
            messages.observe(at(30.1 + f64::from(step) * 0.1), 30);
        }
        assert!(messages.are_missing(at(32.0), at(0.5)));
    }
    /// Three under one stamp where one is usual stand for the time of the two before.
    #[test]
    fn a_heap_covers_the_time_of_its_own_messages_alone() {
        let mut messages = RegularMessages::default();
        for step in 0..10 {
            (0..10).for_each(|part| messages.observe(at(f64::from(step) + 0.1 * f64::from(part)), 30));
            messages.observe(at(f64::from(step)), 0);
        }
        // A heap of another message that came earlier covers nothing now, nor does one that is not regular.
        (0..4).for_each(|_| messages.observe(at(9.0), 0));
        (0..3).for_each(|_| messages.observe(at(10.0), 30));
        (0..5).for_each(|_| messages.observe(at(10.0), 253));
        let covered = messages.covered(at(10.0)).secs();
        assert!((covered - 0.2).abs() < 1e-3, "{covered}");
        assert_eq!(messages.covered(at(10.5)), Nanos::ZERO);
    }

    #[test]
    fn what_comes_less_often_than_every_five_seconds_is_not_waited_for() {
        let every = |spacing: f64| {
            let mut messages = RegularMessages::default();
            for step in 0..12 {
                messages.observe(at(spacing * f64::from(step)), 0);
            }
            // Longer than any 1.5 spacings.
            messages.are_missing(at(spacing * 11.0), at(20.0))
        };
        assert!(every(4.9) && !every(5.1));
    }

    #[test]
    fn three_even_intervals_are_no_regular_message_and_four_are() {
        let are_missing_after = |intervals: i32| {
            let mut messages = RegularMessages::default();
            for step in 0..=intervals {
                messages.observe(at(0.5 * f64::from(step)), 30);
            }
            messages.are_missing(at(0.5 * f64::from(intervals)), at(2.0))
        };
        assert!(!are_missing_after(3) && are_missing_after(4));
    }
}
