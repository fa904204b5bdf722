//! Older movements, as the ages that they allowed when they were the newest.
//!
//! The window stays the whole session: at most [`MOST`] are kept, thinned evenly (`thinning`). They lie packed in
//! blocks that copies of the core share; a thousand of 20 samples each take about 110 kB.

use std::sync::Arc;

use crate::summary::LeftOut;
use crate::units::Nanos;

use super::thinning::Thinning;
use super::{Reading, greater};
use crate::measure::latency::age_intervals::Path;
use crate::measure::latency::censoring::{AgeRange, MoveAges, PackedRange};

/// Older movements that are kept.
const MOST: u64 = 2048;
/// Movements of a block.
const BLOCK: usize = 64;

/// One movement, without its ranges.
#[derive(Clone, Copy, Debug)]
struct Kept {
    number: u64,
    start: Nanos,
    oldest_ms: f64,
    /// Where its ranges end among the block's.
    end: u32,
    stick: u8,
}

#[derive(Clone, Debug, Default)]
struct Block {
    kept: Vec<Kept>,
    ranges: Vec<PackedRange>,
}

impl Block {
    fn push(&mut self, ages: &MoveAges) {
        if self.kept.capacity() < BLOCK {
            self.kept.reserve_exact(BLOCK);
        }
        self.ranges.reserve_exact(ages.ages.len());
        self.ranges.extend(ages.ages.iter().map(|range| range.packed()));
        self.kept.push(Kept {
            number: ages.number,
            start: ages.start,
            oldest_ms: ages.oldest_ms,
            end: self.ranges.len() as u32,
            stick: ages.ages.first().map_or(0, |range| range.stick),
        });
    }

    fn iter(&self) -> impl Iterator<Item = MoveAges> + '_ {
        let mut from = 0;
        self.kept.iter().map(move |kept| {
            let own = &self.ranges[from..kept.end as usize];
            from = kept.end as usize;
            let ages = own.iter().map(|&range| AgeRange::unpacked(kept.stick, range)).collect();
            MoveAges { number: kept.number, start: kept.start, oldest_ms: kept.oldest_ms, ages }
        })
    }
}

/// The older movements of a stage.
#[derive(Clone, Debug, Default)]
pub(super) struct Older {
    pub(super) thinning: Thinning,
    /// How the sticks' path was read when the first of them came.
    pub(super) path: Option<Path>,
    pub(super) left_out: LeftOut,
    /// The largest lower end of any sample's age, of those that are not kept too.
    pub(super) oldest_ms: Option<f64>,
    blocks: Vec<Arc<Block>>,
}

impl Older {
    /// Makes room: so many movements came here in all, or are about to.
    pub(super) fn expect(&mut self, count: u64) {
        let thinning = Thinning::to_at_most(MOST, count);
        if thinning == self.thinning {
            return;
        }
        self.thinning = thinning;
        let blocks = std::mem::take(&mut self.blocks);
        for ages in blocks.iter().flat_map(|block| block.iter()) {
            if thinning.keeps(ages.number) {
                self.push(&ages);
            } else {
                self.left_out.thinned += 1;
            }
        }
    }

    /// Takes movements that were read for the last time; those that are not to be kept are not among them.
    pub(super) fn take(&mut self, reading: &Reading) {
        self.path.get_or_insert(reading.path);
        self.left_out += reading.left_out;
        self.oldest_ms = greater(self.oldest_ms, reading.oldest_ms);
        for ages in &reading.moves {
            self.push(ages);
        }
    }

    fn push(&mut self, ages: &MoveAges) {
        let has_room = self.blocks.last().is_some_and(|block| block.kept.len() < BLOCK);
        if !has_room {
            self.blocks.push(Arc::default());
        }
        if let Some(block) = self.blocks.last_mut() {
            Arc::make_mut(block).push(ages);
        }
    }

    /// In the order in which they came.
    pub(super) fn iter(&self) -> impl Iterator<Item = MoveAges> + '_ {
        self.blocks.iter().flat_map(|block| block.iter())
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::latency::stage::archive::*;

    /// What movement `number` says; three samples of two outputs.
    fn ages(number: u64) -> MoveAges {
        let low = (number % 1000) as u16;
        let ages = [(0, low), (0, low + 9), (4, low + 1)];
        MoveAges {
            number,
            start: Nanos::from_secs(number.cast_signed()),
            oldest_ms: f64::from(low),
            ages: ages.map(|(output, low)| AgeRange::closed(7, output, (low, low + 4))).into(),
        }
    }

    /// As a stage does it: so many blocks of movements, of which every tenth says nothing.
    fn after(blocks: u64) -> Older {
        let mut older = Older::default();
        for first in (0..blocks).map(|block| block * BLOCK as u64) {
            older.expect(first + BLOCK as u64);
            let mut reading = Reading::default();
            for number in first..first + BLOCK as u64 {
                match number % 10 {
                    9 => reading.left_out.gap += 1,
                    _ => reading.add(ages(number), older.thinning),
                }
            }
            older.take(&reading);
        }
        older
    }

    #[test]
    fn a_short_session_is_kept_as_it_is() {
        let older = after(MOST / BLOCK as u64);
        let (mut kept, mut count) = (older.iter(), 0);
        for wanted in (0..MOST).filter(|number| number % 10 != 9).map(ages) {
            let got = kept.next().unwrap();
            assert_eq!(
                (got.number, got.start, got.oldest_ms),
                (wanted.number, wanted.start, wanted.oldest_ms)
            );
            assert_eq!(got.ages, wanted.ages);
            count += 1;
        }
        assert!(kept.next().is_none());
        assert_eq!(older.left_out, LeftOut { gap: MOST - count, ..LeftOut::default() });
    }

    /// The bound holds at every length, counts stay true, and what was thinned out still says how old ages were.
    #[test]
    fn a_long_session_is_bounded_and_counted() {
        for blocks in [33, 51, 52, 53, 54, 200, 500, 1000] {
            let (older, all) = (after(blocks), blocks * BLOCK as u64);
            let kept: Vec<u64> = older.iter().map(|ages| ages.number).collect();
            let expected: Vec<u64> =
                (0..all).filter(|&number| older.thinning.keeps(number) && number % 10 != 9).collect();
            assert_eq!(kept, expected, "{all}");
            assert!(kept.len() as u64 <= MOST && kept.len() as u64 > MOST / 2, "{all}: {}", kept.len());
            let out = older.left_out;
            assert_eq!(kept.len() as u64 + out.gap + out.thinned, all);
            assert_eq!(older.oldest_ms, Some(998.0));
            let block_count = older.blocks.len() as u64;
            assert!(block_count <= MOST / BLOCK as u64 + 1, "{all}: {block_count} blocks");
        }
    }

    #[test]
    fn copies_share_what_is_full() {
        let older = after(9);
        let mut copy = older.clone();
        copy.take(&Reading { moves: vec![ages(9 * 64)], ..Reading::default() });
        let shared = older.blocks.iter().zip(&copy.blocks).filter(|(one, other)| Arc::ptr_eq(one, other));
        assert_eq!((shared.count(), older.blocks.len(), copy.blocks.len()), (8, 9, 9));
    }
}
