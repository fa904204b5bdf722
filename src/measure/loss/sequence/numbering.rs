//! A numbering begins anew: at a frame, among frames that came under numbers of earlier ones, or since the last boot stamp.
//!
//! A boot clock that fell shows a restart at some time since the stamp before it of its kind. What came since is kept as turns: the
//! frames that did not follow the one before, or only after a while. The numbering began anew at a turn that did not go on by
//! the next number, if there is one: at that after the longest silence, else (bare bytes, whose time stands still between stamps) at the one furthest from the number that
//! was due. What the turns from there on were counted as is taken back, and they are counted again in the new numbering.

use super::jump::NEAR_ZERO;
use super::{Arriving, Gap, Nanos, Passed, Sequence, Shown};

/// A silence that makes a turn; silences are told apart in steps of it.
const STILL: i64 = 250_000_000;
const MOST_TURNS: usize = 64;

/// A frame that did not follow the one before, since the clock last went on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Turn {
    arriving: Arriving,
    before: Nanos,
    /// Numbers on from the one before.
    step: u8,
    /// The newest number before it, and how many were received.
    newest: u64,
    received: u64,
    /// Counted as late, under this number.
    late: Option<u64>,
}

impl Turn {
    pub(super) const fn new(arriving: Arriving, before: Nanos, newest: u64, received: u64) -> Self {
        let step = arriving.sequence.wrapping_sub(newest as u8);
        Self { arriving, before, step, newest, received, late: None }
    }

    fn is_one(&self) -> bool {
        self.step != 1 || (self.arriving.at - self.before).0 >= STILL
    }

    /// How much it looks like a new numbering.
    fn weight(&self) -> (bool, i64, u8) {
        let off = self.step.wrapping_sub(1);
        (off > 0, (self.arriving.at - self.before).0 / STILL, off.min(off.wrapping_neg()))
    }
}

impl Sequence {
    /// A boot clock that went on shows that nothing began anew since the stamp before; one of another kind shows nothing.
    pub(super) fn clock_passed(&mut self, passed: Passed) {
        if matches!(passed, Passed::Went { .. }) {
            self.turns.clear();
        }
    }

    /// Keeps a frame whose stamp tells nothing, if it is a turn.
    pub(super) fn keep_turn(&mut self, mut turn: Turn, is_late: bool) {
        if turn.is_one() && self.turns.len() < MOST_TURNS {
            turn.late = is_late.then(|| self.newest() - self.numbers.behind(turn.arriving.number()));
            self.turns.push(turn);
        }
    }

    /// The boot clock fell: the numbering began anew since its last stamp.
    pub(super) fn restart_by_clock(&mut self, arriving: Arriving) -> Shown {
        let mut turns = std::mem::take(&mut self.turns);
        turns.push(Turn::new(arriving, self.last_at, self.newest(), self.received));
        let first = (0..turns.len()).rev().max_by_key(|&place| turns[place].weight()).unwrap_or(0);
        let Turn { arriving: begin, before, newest, .. } = turns[first];
        self.take_back_since(newest, &turns[first..]);
        self.begin_anew(begin);
        self.arrive(arriving.at);
        for pair in turns[first..].windows(2) {
            // What followed the turn one by one, and then the next turn.
            let followed = (pair[1].received - pair[0].received).saturating_sub(1);
            self.numbers.go_on(followed, pair[0].arriving.known());
            self.go_on_to(pair[1].arriving);
        }
        self.boot.take(arriving.at, arriving.boot);
        Shown { before, at: begin.at, by_clock: true }
    }

    /// Of the numbers after one nothing was lost, and nothing of those up to it came late with these turns.
    fn take_back_since(&mut self, newest: u64, turns: &[Turn]) {
        while let Some(index) = self.gaps.open().iter().position(|gap| gap.first > newest) {
            self.take_back(index);
        }
        for turn in turns {
            let Some(first) = turn.late else { continue };
            self.out_of_order -= 1;
            if first <= newest {
                let (before, after) = (turn.before, turn.arriving.at);
                self.lost += 1;
                self.seconds.add_lost(before, after, 1);
                self.gaps.put_back(Gap::new(first, 1, before, after));
            }
        }
    }

    /// The numbering begins anew, perhaps some frames ago: nothing is lost before it.
    pub(super) fn restart(&mut self, arriving: Arriving) -> Shown {
        let shown = if self.follows_echoes(arriving) {
            self.echoes.push(arriving);
            self.begin_among_echoes()
        } else {
            let before = self.newest_at;
            self.begin_anew(arriving);
            Shown { before, at: arriving.at, by_clock: false }
        };
        self.arrive(arriving.at);
        shown
    }

    /// The frames that came under earlier numbers, counted as they came, are a new numbering.
    pub(super) fn begin_among_echoes(&mut self) -> Shown {
        let before = self.newest_at;
        let mut echoes = std::mem::take(&mut self.echoes).into_iter();
        let Some(first) = echoes.next() else { return Shown { before, at: before, by_clock: false } };
        self.more += self.perhaps_lost(first, self.numbers.ahead(first.number()));
        if first.sequence > NEAR_ZERO {
            self.numberings.jumped(true);
        }
        self.begin_anew(first);
        for echo in echoes {
            self.go_on_to(echo);
        }
        Shown { before, at: first.at, by_clock: false }
    }

    /// A frame that was received already is the next of the new numbering; what is missing before it is lost.
    fn go_on_to(&mut self, arriving: Arriving) {
        let missing = self.numbers.ahead(arriving.number().wrapping_sub(1));
        if missing > super::HALF {
            let number = self.newest() - self.numbers.behind(arriving.number());
            if self.numbers.get(number).is_some_and(|known| known.hashes.is_none()) {
                self.late(number);
                self.out_of_order += 1;
                self.numbers.put(number, arriving.known());
            }
            return;
        }
        if missing > 0 {
            self.lose(Gap::new(self.newest() + 1, missing, self.newest_at, arriving.at));
        }
        self.numbers.go_on(missing + 1, arriving.known());
        self.newest_at = arriving.at;
        self.rate.observe(arriving.at, self.newest());
    }

    fn begin_anew(&mut self, first: Arriving) {
        let ended = self.newest();
        self.numbers.restart(first.number(), first.known());
        let next = self.newest();
        self.gaps.end(first.at, ended, next);
        self.restarts += 1;
        self.began_at = first.at;
        self.newest_at = first.at;
        self.epoch = next;
        self.doubt = None;
        self.jump = None;
        self.check = None;
        self.echoes.clear();
        self.turns.clear();
        self.rate.clear();
        self.rate.observe(first.at, next);
        self.boot.clear();
        self.boot.take(first.at, first.boot);
    }
}
