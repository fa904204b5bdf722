//! One 802.11 sequence counter, as far as it is heard.
//!
//! Gap: up to half a wrap ahead is lost; a counter that was silent for over a second says nothing
//! of what it sent meanwhile (counted as a hole). Wrap: modulo 4096. Duplicate: a number that was heard within the last 128
//! is a copy, whatever its retry bit. Late: one of those that was not heard is taken off
//! the lost again. Restart: a jump back by more is a new beginning; where that is no rare thing (more than twice, and in
//! more than one in a hundred), or the number never goes on, the numbers tell no loss. Unit: frames.

use crate::measure::sequence_numbers::SequenceNumbers;
use crate::stats::time_series::loss_runs::Runs;
use crate::units::Nanos;

/// What numbers can tell apart.
const WRAP: u64 = 4096;
/// Numbers whose hearing is remembered.
const MEMORY: usize = 128;
/// A silence after which a counter starts anew.
const SILENCE: Nanos = Nanos::from_secs(1);
/// More jumps back than this, and than one in so many frames, are no restarts.
const RARE: u64 = 2;
const ONE_IN: u64 = 100;

/// Counts of one counter, or of several.
#[derive(Clone, Debug, Default)]
pub(super) struct Counts {
    pub(super) received: u64,
    pub(super) lost: u64,
    pub(super) copies: u64,
    pub(super) out_of_order: u64,
    pub(super) holes: u64,
    pub(super) runs: Runs,
}

impl Counts {
    pub(super) fn add(&mut self, other: &Self) {
        self.received += other.received;
        self.lost += other.lost;
        self.copies += other.copies;
        self.out_of_order += other.out_of_order;
        self.holes += other.holes;
        self.runs.merge(&other.runs);
    }
}

/// One counter.
#[derive(Clone, Debug)]
pub(super) struct Counter {
    /// Those that were heard.
    numbers: SequenceNumbers<(), 12, MEMORY>,
    /// The first number, or the first after the last hole.
    first: u64,
    last: Nanos,
    /// Heard in a row since the last loss.
    run: u64,
    /// Holes that no silence explains.
    jumps: u64,
    /// New numbers that did not follow the one before.
    pub(super) breaks: u64,
    pub(super) counts: Counts,
}

impl Counter {
    pub(super) fn begin(at: Nanos, number: u16) -> Self {
        let numbers = SequenceNumbers::begin(number, ());
        let first = numbers.newest();
        let counts = Counts { received: 1, ..Counts::default() };
        Self { numbers, first, last: at, run: 1, jumps: 0, breaks: 0, counts }
    }

    pub(super) fn take(&mut self, at: Nanos, number: u16) {
        let silent = at - self.last > SILENCE;
        self.last = at;
        let (ahead, behind) = (self.numbers.ahead(number), self.numbers.behind(number));
        let is_remembered = behind < MEMORY as u64;
        let begins_anew = if is_remembered { silent && ahead != 0 } else { silent || ahead >= WRAP / 2 };
        if begins_anew {
            self.jumps += u64::from(!silent);
            self.counts.holes += 1;
            self.counts.runs.add_received(std::mem::replace(&mut self.run, 1));
            self.numbers.restart(number, ());
            self.first = self.numbers.newest();
        } else if is_remembered {
            let number = self.numbers.newest() - behind;
            if self.numbers.get(number).is_some() {
                self.counts.copies += 1;
                return;
            }
            self.numbers.put(number, ());
            self.counts.out_of_order += 1;
            // Before the counter was heard first nothing was counted lost.
            if number >= self.first {
                self.counts.lost = self.counts.lost.saturating_sub(1);
            }
        } else {
            let lost = ahead - 1;
            self.counts.lost += lost;
            self.numbers.go_on(ahead, ());
            if lost == 0 {
                self.run += 1;
            } else {
                self.counts.runs.add_received(std::mem::replace(&mut self.run, 1));
                self.counts.runs.add_lost(lost);
            }
        }
        self.breaks += u64::from(begins_anew || ahead != 1);
        self.counts.received += 1;
    }

    /// Whether its numbers tell what was lost.
    pub(super) const fn tells(&self) -> bool {
        let counts = &self.counts;
        let jumps_about = self.jumps > RARE && self.jumps * ONE_IN > counts.received;
        let stands = counts.received == 1 && counts.copies > 0;
        !jumps_about && !stands
    }
}
