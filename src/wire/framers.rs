//! A framer for each byte stream and each flow of datagrams.
//!
//! Bounded: 64 framers. A flow of datagrams that has brought no frame so far makes room, else any other one; of each kind the
//! one that has been silent for longest. Nothing is lost by that: a frame never spans two datagrams, and its counts are kept.

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
pub(super) struct Framers {
    followers: Vec<Follower>,
    /// What those counted that made room.
    gone: Framing,
    gone_chances: u64,
}

impl Framers {
    /// The framer of a stream or flow that brings bytes now; `None` where it finds no room.
    pub(super) fn of(&mut self, key: FramerKey, now: Nanos) -> Option<&mut Framer> {
        let known = self.followers.iter().position(|each| each.key == key);
        let place = known.or_else(|| {
            self.make_room().then(|| {
                let framer = if key.flow.is_none() { Framer::stream() } else { Framer::datagrams() };
                self.followers.push(Follower { key, framer, last: now });
                self.followers.len() - 1
            })
        })?;
        let follower = self.followers.get_mut(place)?;
        follower.last = now;
        Some(&mut follower.framer)
    }

    fn make_room(&mut self) -> bool {
        if self.followers.len() < MOST_FRAMERS {
            return true;
        }
        let flows = (0..self.followers.len()).filter(|&place| self.followers[place].key.flow.is_some());
        let longest = flows.min_by_key(|&place| {
            let follower = &self.followers[place];
            (follower.framer.counts().frames > 0, follower.last, follower.key)
        });
        if let Some(place) = longest {
            let Follower { framer, .. } = self.followers.swap_remove(place);
            self.gone_chances += framer.chances();
            add(&mut self.gone, framer.finished().0);
        }
        longest.is_some()
    }

    /// What all of them counted, and whether a stream ends inside a frame.
    pub(super) fn counts(&self) -> (Framing, bool) {
        let mut total = self.gone;
        let mut inside = false;
        for each in &self.followers {
            let (counts, open) = each.framer.finished();
            add(&mut total, counts);
            inside |= open;
        }
        (total, inside)
    }

    pub(super) fn chances(&self) -> u64 {
        self.gone_chances + self.followers.iter().map(|each| each.framer.chances()).sum::<u64>()
    }
}

const fn add(total: &mut Framing, counts: Framing) {
    total.frames += counts.frames;
    total.crc_errors += counts.crc_errors;
    total.skipped_bytes += counts.skipped_bytes;
    total.unknown_ids += counts.unknown_ids;
}
