//! A table of who was heard, of bounded size: the longest silent makes room for somebody new.
//!
//! Definition: an entry that was heard fewer than 50 times makes room after 2 s of silence, any other after 10 s; for one
//! that counts for more, at once. What is ours never makes room, and what belongs to ours makes room for a stranger only while it is small.
//! Of those that may go, those that count for least go first, then the small ones, then the longest silent. Unit: ns. What
//! finds no room is left out. A flood of new names keeps other strangers out while it lasts and for 2 s after; never what is
//! ours, nor who was in before and goes on. Common practice, no source.

use std::collections::BTreeMap;

use crate::units::Nanos;

/// An entry that was heard less often is small.
pub(crate) const SMALL: u64 = 50;
/// A small entry makes room after so long, any other after `LONG_SILENT`.
pub(crate) const SILENT: Nanos = Nanos::from_secs(2);
pub(crate) const LONG_SILENT: Nanos = Nanos::from_secs(10);

/// How much somebody counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rank {
    /// Nobody named it.
    Stranger,
    /// It says that it belongs to ours, as anybody may.
    Kin,
    /// Ours, by its whole name.
    Own,
}

impl Rank {
    /// Whether one of this rank that was silent for so long makes room for another.
    pub(crate) fn makes_room(self, is_small: bool, silent: Nanos, other: Self) -> bool {
        let is_long = silent > if is_small { SILENT } else { LONG_SILENT };
        match self {
            Self::Own => false,
            _ if other > self => true,
            _ => is_long && (other == self || is_small),
        }
    }
}

#[derive(Clone, Debug, Default)]
struct Heard<V> {
    last: Nanos,
    times: u64,
    value: V,
}

/// At most `MOST` entries.
#[derive(Clone, Debug)]
pub(crate) struct HeardTable<K, V, const MOST: usize>(BTreeMap<K, Heard<V>>);

impl<K, V, const MOST: usize> Default for HeardTable<K, V, MOST> {
    fn default() -> Self {
        Self(BTreeMap::new())
    }
}

impl<K: Ord + Copy, V: Default, const MOST: usize> HeardTable<K, V, MOST> {
    /// The entry of one that is heard now; `None` where it finds no room.
    pub(crate) fn hear(&mut self, at: Nanos, key: K, rank: impl Fn(K) -> Rank) -> Option<&mut V> {
        if self.0.len() >= MOST && !self.0.contains_key(&key) && !self.make_room(at, rank(key), rank) {
            return None;
        }
        let heard = self.0.entry(key).or_default();
        heard.last = heard.last.max(at);
        heard.times += 1;
        Some(&mut heard.value)
    }

    fn make_room(&mut self, at: Nanos, new: Rank, rank: impl Fn(K) -> Rank) -> bool {
        let may_go = self
            .0
            .iter()
            .filter(|(key, heard)| rank(**key).makes_room(heard.times < SMALL, at - heard.last, new));
        let first = may_go.min_by_key(|(key, heard)| (rank(**key), heard.times >= SMALL, heard.last));
        let first = first.map(|(key, _)| *key);
        first.and_then(|key| self.0.remove(&key)).is_some()
    }

    pub(crate) fn get(&self, key: K) -> Option<&V> {
        self.0.get(&key).map(|heard| &heard.value)
    }

    pub(crate) fn values_mut(&mut self) -> impl Iterator<Item = &mut V> {
        self.0.values_mut().map(|heard| &mut heard.value)
    }

    /// All entries, in the order of their keys.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (K, &V)> {
        self.0.iter().map(|(key, heard)| (*key, &heard.value))
    }
}

#[cfg(test)]
mod tests {
    use crate::stats::heard_table::*;

    fn at(seconds: f64) -> Nanos {
        Nanos::from_secs_f64(seconds)
    }

    /// Keys under 10 are ours, under 20 say that they belong to ours.
    fn rank(key: u8) -> Rank {
        match key {
            0..10 => Rank::Own,
            10..20 => Rank::Kin,
            _ => Rank::Stranger,
        }
    }

    /// A table of four, each heard so often at a time; which of them stay as another comes at 20 s.
    fn left(entries: [(u8, u64, f64); 4], new: u8) -> Vec<u8> {
        let mut table: HeardTable<u8, u64, 4> = HeardTable::default();
        for (key, times, last) in entries {
            for _ in 0..times {
                *table.hear(at(last), key, rank).expect("there is room") += 1;
            }
        }
        table.hear(at(20.0), new, rank);
        table.iter().map(|(key, _)| key).collect()
    }

    #[test]
    fn those_that_count_for_least_make_room_and_the_longest_silent_first() {
        // Silent for 2.5 s: the small one goes, not the one that was heard often.
        assert_eq!(left([(21, 1, 17.5), (22, 60, 17.5), (23, 60, 19.0), (1, 1, 0.0)], 30), [1, 22, 23, 30]);
        // Nobody has been silent for long enough: the stranger finds no room, one of ours does.
        let full = [(21, 1, 18.5), (22, 60, 12.0), (23, 60, 19.0), (11, 60, 12.0)];
        assert_eq!(left(full, 30), [11, 21, 22, 23]);
        assert_eq!(left(full, 2), [2, 11, 22, 23]);
        assert_eq!(left(full, 12), [11, 12, 22, 23]);
        // What is ours stays, however long it is silent.
        assert_eq!(left([(1, 1, 0.0), (2, 1, 0.0), (3, 1, 0.0), (4, 1, 0.0)], 5), [1, 2, 3, 4]);
        // A flood under a name that belongs to ours keeps ours out no longer than strangers.
        let kin = [(11, 60, 19.9), (12, 60, 19.9), (13, 60, 19.8), (14, 60, 19.9)];
        assert_eq!(left(kin, 1), [1, 11, 12, 14]);
        assert_eq!(left(kin, 30), [11, 12, 13, 14]);
    }

    /// 10,000 strangers, 300 a second, of whom none comes back: who was in before stays, what is ours comes in at once, and
    /// another stranger within 2 s of the end.
    #[test]
    fn a_flood_keeps_nobody_out_for_good() {
        let mut table: HeardTable<u32, u64, 16> = HeardTable::default();
        let rank = |key: u32| if key == 1 { Rank::Own } else { Rank::Stranger };
        for step in 0..10_700_u32 {
            let now = at(f64::from(step) / 300.0);
            if step < 10_000 {
                table.hear(now, 1000 + step, rank);
            }
            for (key, from) in [(8, 0), (1, 5_000), (7, 10_000)] {
                if step % 30 == 7
                    && step >= from
                    && let Some(times) = table.hear(now, key, rank)
                {
                    *times += 1;
                }
            }
        }
        let times = |key: u32| *table.get(key).expect("it is there");
        // Ten a second: of 357 all, of 190 all, of the last 24 those after 2 s.
        assert_eq!((times(8), times(1)), (357, 190));
        assert!((3..=24).contains(&times(7)), "{}", times(7));
    }
}
