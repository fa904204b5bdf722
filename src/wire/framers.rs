//! A framer for each byte stream and each flow of datagrams.
//!
//! Bounded: 64 framers; a flow that has brought no frame so far, the one that has been silent for longest, makes room.

use crate::record::{Direction, Flow, InterfaceId};
use crate::summary::Framing;
use crate::units::Nanos;

use super::framer::Framer;

/// Framers kept: strangers on the network must not grow memory.
const MOST_FRAMERS: usize = 64;

/// What one framer follows: a byte stream, or the datagrams of one flow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct FramerKey {
    pub(super) interface: InterfaceId,
    pub(super) direction: Direction,
    pub(super) flow: Option<Flow>,
}

/// A framer, and when it last got bytes.
#[derive(Clone, Debug)]
struct Follower {
    key: FramerKey,
    framer: Framer,
    last: Nanos,
}

/// All framers.
#[derive(Clone, Debug, Default)]
pub(super) struct Framers(Vec<Follower>);

impl Framers {
    /// The framer of a stream or flow that brings bytes now; `None` where it finds no room.
    pub(super) fn of(&mut self, key: FramerKey, now: Nanos) -> Option<&mut Framer> {
        let known = self.0.iter().position(|each| each.key == key);
        let place = known.or_else(|| {
            self.make_room().then(|| {
                let framer = if key.flow.is_none() { Framer::stream() } else { Framer::datagrams() };
                self.0.push(Follower { key, framer, last: now });
                self.0.len() - 1
            })
        })?;
        let follower = self.0.get_mut(place)?;
        follower.last = now;
        Some(&mut follower.framer)
    }

    fn make_room(&mut self) -> bool {
        if self.0.len() < MOST_FRAMERS {
            return true;
        }
        let idle = (0..self.0.len())
            .filter(|&place| self.0[place].key.flow.is_some() && self.0[place].framer.counts().frames == 0)
            .min_by_key(|&place| (self.0[place].last, self.0[place].key));
        if let Some(place) = idle {
            self.0.swap_remove(place);
        }
        idle.is_some()
    }

    /// What all of them counted, and whether a stream ends inside a frame.
    pub(super) fn counts(&self) -> (Framing, bool) {
        let mut total = Framing::default();
        let mut inside = false;
        for each in &self.0 {
            let (counts, open) = each.framer.finished();
            total.frames += counts.frames;
            total.crc_errors += counts.crc_errors;
            total.skipped_bytes += counts.skipped_bytes;
            total.unknown_ids += counts.unknown_ids;
            inside |= open;
        }
        (total, inside)
    }

    pub(super) fn chances(&self) -> u64 {
        self.0.iter().map(|each| each.framer.chances()).sum()
    }
}
