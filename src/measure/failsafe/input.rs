//! The RC input as the vehicle reports it: live or dead.
//!
//! One sender's input is one state, read from one message kind over one interface: RC_CHANNELS once it comes
//! with channels, else RC_CHANNELS_RAW; another only after 5 s without. Dead: no channels (count 0), or channels that
//! stand still for 1 s with level 0, or the receiver's health bit; each only as a fall from what was held for 10 s in this
//! boot (or came back less than 10 s ago), and twice on end. Unit: ns. Source: the public MAVLink message set. A gap
//! changes nothing; a restart of the vehicle begins all of it anew.

use crate::record::InterfaceId;
use crate::units::Nanos;

const HELD: Nanos = Nanos::from_secs(10);
const STILL: Nanos = Nanos::from_secs(1);
const OTHER_AFTER: Nanos = Nanos::from_secs(5);
/// Pieces of evidence on end.
const ON_END: u32 = 2;
/// A channel that changes by more is moved, us.
const MOVES_US: u16 = 5;

/// A sign of life that falls.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Fall {
    /// The last good sample.
    pub(super) live: Nanos,
    /// The first bad one.
    pub(super) dead: Nanos,
}

/// What a sample changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Change {
    Fell(Fall),
    /// It fell before, and this sample says so again.
    StaysDown,
    Back,
}

/// One sign of life.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sign {
    since: Option<Nanos>,
    live: Option<Nanos>,
    first_bad: Option<Nanos>,
    bad: u32,
    back: Option<Nanos>,
    pub(super) fallen: bool,
}

impl Sign {
    pub(super) fn good(&mut self, at: Nanos) -> Option<Change> {
        if self.since.is_none() || self.bad >= ON_END {
            self.since = Some(at);
        }
        (self.live, self.first_bad, self.bad) = (Some(at), None, 0);
        let back = std::mem::take(&mut self.fallen);
        if back {
            self.back = Some(at);
        }
        back.then_some(Change::Back)
    }

    /// `still`: how long nothing may have been live before.
    pub(super) fn bad(&mut self, at: Nanos, still: Nanos) -> Option<Change> {
        if self.fallen {
            return Some(Change::StaysDown);
        }
        self.bad += 1;
        let dead = *self.first_bad.get_or_insert(at);
        let (since, live) = self.since.zip(self.live)?;
        let held = live - since >= HELD || self.back.is_some_and(|back| at - back < HELD);
        if self.bad < ON_END || at - live < still || !held {
            return None;
        }
        self.fallen = true;
        Some(Change::Fell(Fall { live, dead }))
    }
}

/// What one message says.
#[derive(Clone, Copy, Debug)]
pub(super) struct Report<'a> {
    pub(super) interface: InterfaceId,
    pub(super) older: bool,
    pub(super) channels: &'a [Option<u16>; 18],
    pub(super) count: Option<u8>,
    pub(super) rssi: Option<u8>,
}

/// The RC input.
#[derive(Clone, Debug, Default)]
pub(super) struct Input {
    /// Over which interface, and whether the older message.
    source: Option<(InterfaceId, bool)>,
    last: Option<Nanos>,
    channels: Option<[Option<u16>; 18]>,
    count: Sign,
    level: Sign,
    /// The newest sample moved a channel.
    pub(super) moved: bool,
}

impl Input {
    pub(super) const fn is_dead(&self) -> bool {
        self.count.fallen || self.level.fallen
    }

    /// Whether the report is of the source that is read.
    fn reads(&mut self, at: Nanos, report: &Report<'_>) -> bool {
        let own = (report.interface, report.older);
        if self.source == Some(own) {
            return true;
        }
        let silent = self.last.is_none_or(|last| at - last > OTHER_AFTER);
        let better = self.source.is_some_and(|(_, older)| older) && !report.older;
        if report.count == Some(0) || !(silent || better) {
            return false;
        }
        *self = Self { source: Some(own), ..Self::default() };
        true
    }

    /// Takes a report.
    pub(super) fn observe(&mut self, at: Nanos, report: &Report<'_>) -> Option<Change> {
        self.moved = false;
        if !self.reads(at, report) {
            return None;
        }
        self.last = Some(at);
        let before = self.channels.replace(*report.channels);
        let changed = before.is_some_and(|before| before != *report.channels);
        self.moved = report.count != Some(0) && before.is_some_and(|before| moves(&before, report.channels));
        let was_dead = self.is_dead();
        let count = match report.count {
            Some(0) => self.count.bad(at, Nanos::ZERO),
            Some(_) => self.count.good(at),
            None => None,
        };
        let level = match report.rssi {
            Some(0) if !changed => self.level.bad(at, STILL),
            // Moving channels are live, whatever the level says; they do not make it one that was held.
            Some(0) if !self.level.fallen => {
                self.level.live = self.level.live.map(|_| at);
                (self.level.first_bad, self.level.bad) = (None, 0);
                None
            }
            Some(_) => self.level.good(at),
            None => None,
        };
        match (count, level) {
            (Some(fell @ Change::Fell(_)), _) | (_, Some(fell @ Change::Fell(_))) if !was_dead => Some(fell),
            _ if self.is_dead() => Some(Change::StaysDown),
            _ if was_dead => Some(Change::Back),
            _ => None,
        }
    }
}

fn moves(before: &[Option<u16>; 18], now: &[Option<u16>; 18]) -> bool {
    let pairs = before.iter().zip(now).filter_map(|(before, now)| before.zip(*now));
    pairs.into_iter().any(|(before, now)| before.abs_diff(now) > MOVES_US)
}
