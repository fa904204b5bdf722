//! What is kept of every second of a session: one cell a second, in blocks that copies share.
//!
//! Cell 0 is the first second since the first record. A block holds [`BLOCK`] cells (17 minutes), and there is none
//! where nothing was put: a hole in the stamps takes nothing, however long it is. A copy costs a pointer a block, and
//! a block as soon as one is written to: the saved states of a replay share what lies behind them. The newest
//! [`MOST_BLOCKS`] blocks are kept, which is a month of seconds; before them nothing is known any more.
//!
//! A day costs 9 MB in all stores of a usual flight, and so does each further day (measured with
//! `examples/long_session.rs`: the process holds 17 MB after 24 h and 25 MB after 48 h). A second in which nothing was
//! measured, a gap among them, has an empty cell.

use std::ops::Range;
use std::sync::Arc;

/// Cells of a block.
pub(crate) const BLOCK: usize = 1024;
/// Blocks of a day.
pub(crate) const DAY: usize = 86_400_usize.div_ceil(BLOCK);
/// Blocks that are kept.
const MOST_BLOCKS: usize = 31 * DAY;

/// What a store keeps of one second.
pub trait Cell: Copy {
    /// A second without anything.
    const EMPTY: Self;
}

impl Cell for f32 {
    const EMPTY: Self = Self::NAN;
}

type Block<T> = Arc<[T; BLOCK]>;

/// What one store keeps of all seconds; copies share it.
#[derive(Clone, Debug)]
pub struct Series<T> {
    /// Each with its number, in their order.
    blocks: Vec<(usize, Block<T>)>,
    /// At most so many.
    most: usize,
    len: usize,
    /// The first cell that was not let go.
    first: usize,
}

impl<T: Cell> Default for Series<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T: Cell> Series<T> {
    pub(crate) const fn new() -> Self {
        Self::of_blocks(MOST_BLOCKS)
    }

    /// One that keeps the newest so many blocks.
    pub(crate) const fn of_blocks(most: usize) -> Self {
        Self { blocks: Vec::new(), most, len: 0, first: 0 }
    }

    /// From now on at most so many blocks.
    pub(crate) fn keep_blocks(&mut self, most: usize) {
        self.most = most;
        self.let_go();
    }

    /// Bytes that a copy does not share once the session goes on: the block that is written to, and the pointers.
    pub fn own_bytes(&self) -> usize {
        let block = if self.blocks.is_empty() { 0 } else { size_of::<[T; BLOCK]>() };
        block + size_of_val(self.blocks.as_slice())
    }

    /// How many seconds there are, empty ones among them.
    #[allow(clippy::len_without_is_empty, reason = "nobody asks")]
    pub const fn len(&self) -> usize {
        self.len
    }

    /// The first second that is kept.
    pub(crate) const fn first(&self) -> usize {
        self.first
    }

    fn place(&self, block: usize) -> Result<usize, usize> {
        match self.blocks.last() {
            Some((newest, _)) if *newest == block => Ok(self.blocks.len() - 1),
            _ => self.blocks.binary_search_by_key(&block, |(number, _)| *number),
        }
    }

    /// A second; `None` beyond the newest, and of those that are no longer kept.
    pub(crate) fn get(&self, second: usize) -> Option<T> {
        let place = (self.first..self.len).contains(&second).then(|| self.place(second / BLOCK))?;
        Some(place.map_or(T::EMPTY, |place| self.blocks[place].1[second % BLOCK]))
    }

    /// Seconds of a range with their numbers, those apart of which nothing near is kept.
    pub(crate) fn range(
        &self,
        from: usize,
        to: usize,
    ) -> impl DoubleEndedIterator<Item = (usize, T)> + Clone + '_ {
        let (from, to) = (from.max(self.first), to.min(self.len));
        let first = self.blocks.partition_point(|(number, _)| (number + 1) * BLOCK <= from);
        let count = self.blocks[first..].partition_point(|(number, _)| number * BLOCK < to);
        self.blocks[first..first + count].iter().flat_map(move |(number, cells)| {
            let start = number * BLOCK;
            let within = from.max(start) - start..to.min(start + BLOCK) - start;
            within.map(move |place| (start + place, cells[place]))
        })
    }

    /// All cells.
    pub(crate) fn iter(&self) -> impl Iterator<Item = T> + Clone + '_ {
        self.range(0, self.len).map(|(_, cell)| cell)
    }

    /// The first cell for which something does not hold, of cells in an order in which it holds for those before it.
    pub(crate) fn partition_point(&self, holds: impl Fn(T) -> bool) -> usize {
        let (mut low, mut high) = (self.first, self.len);
        while low < high {
            let middle = low.midpoint(high);
            if self.get(middle).is_some_and(&holds) { low = middle + 1 } else { high = middle }
        }
        low
    }

    /// The newest second; `None` before the first.
    pub(crate) fn newest(&self) -> Option<T> {
        self.get(self.len.checked_sub(1)?)
    }

    /// The same to write to.
    pub(crate) fn newest_mut(&mut self) -> Option<&mut T> {
        self.cell_mut(self.len.checked_sub(1)?)
    }

    /// A second to write to; all up to it are there then. `None` where it is no longer kept.
    pub(crate) fn cell_mut(&mut self, second: usize) -> Option<&mut T> {
        if second < self.first {
            return None;
        }
        self.len = self.len.max(second + 1);
        let number = second / BLOCK;
        let place = match self.place(number) {
            Ok(place) => place,
            Err(place) => {
                self.blocks.insert(place, (number, Arc::new([T::EMPTY; BLOCK])));
                self.let_go();
                self.place(number).ok()?
            }
        };
        Some(&mut Arc::make_mut(&mut self.blocks[place].1)[second % BLOCK])
    }

    /// Says what a second brought, unless it is no longer kept.
    pub(crate) fn set(&mut self, second: usize, cell: T) {
        if let Some(kept) = self.cell_mut(second) {
            *kept = cell;
        }
    }

    pub(crate) fn push(&mut self, cell: T) {
        self.set(self.len, cell);
    }

    /// Lets the oldest blocks go where there are too many.
    fn let_go(&mut self) {
        let leaving = self.blocks.len().saturating_sub(self.most);
        if let Some((last, _)) = self.blocks.drain(..leaving).next_back() {
            self.first = (last + 1) * BLOCK;
        }
    }
}

impl Series<f32> {
    /// The number of a second; `None` where there is none.
    pub fn number(&self, second: usize) -> Option<f32> {
        self.get(second).filter(|number| !number.is_nan())
    }

    /// The numbers of a range of seconds, those apart that have none.
    pub fn known(
        &self,
        from: usize,
        to: usize,
    ) -> impl DoubleEndedIterator<Item = (usize, f32)> + Clone + '_ {
        self.range(from, to).filter(|(_, number)| !number.is_nan())
    }

    /// Forgets the numbers of seconds.
    pub(crate) fn blank(&mut self, seconds: Range<usize>) {
        let known: Vec<usize> = self.known(seconds.start, seconds.end).map(|(second, _)| second).collect();
        for second in known {
            self.set(second, f32::EMPTY);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use crate::measure::series::*;

    impl Cell for u32 {
        const EMPTY: Self = 0;
    }

    impl<T> Series<T> {
        fn bytes(&self) -> usize {
            self.blocks.len() * size_of::<[T; BLOCK]>()
        }
    }

    proptest! {
        /// A map of what was written is the oracle, whatever is written where, copied and let go.
        #[test]
        fn it_is_a_row_of_cells(
            most in 1_usize..6,
            steps in prop::collection::vec((0_usize..9000, 1..u32::MAX, 0_u8..8), 1..60),
        ) {
            let (mut series, mut plain, mut len) = (Series::of_blocks(most), BTreeMap::<usize, u32>::new(), 0);
            let mut copies = Vec::new();
            for (index, value, kind) in steps {
                let index = match kind {
                    0 => {
                        copies.push((series.clone(), plain.clone()));
                        continue;
                    }
                    1..4 => len,
                    _ => index,
                };
                let is_kept = index >= series.first();
                series.set(index, value);
                if is_kept {
                    plain.insert(index, value);
                    len = len.max(index + 1);
                }
                plain.retain(|index, _| *index >= series.first());
                let blocks: std::collections::BTreeSet<usize> = plain.keys().map(|index| index / BLOCK).collect();
                prop_assert!(blocks.len() <= most && series.bytes() == blocks.len() * BLOCK * 4);
                prop_assert_eq!(series.len(), len);
                prop_assert_eq!(series.get(len), None);
                for index in (series.first()..len).step_by(7).chain(plain.keys().copied()) {
                    prop_assert_eq!(series.get(index), Some(plain.get(&index).copied().unwrap_or(0)));
                }
            }
            copies.push((series, plain));
            for (copy, plain) in copies {
                for (from, to) in [(0, usize::MAX), (500, 1500), (1024, 2048), (3000, 100)] {
                    let put = copy.range(from, to).filter(|(_, cell)| *cell > 0);
                    prop_assert!(put.clone().eq(plain.iter().map(|(index, cell)| (*index, *cell)).filter(|(index, _)| (from..to).contains(index))));
                    let mut backward: Vec<_> = put.clone().rev().collect();
                    backward.reverse();
                    prop_assert!(put.eq(backward));
                }
            }
        }
    }

    /// A copy holds nothing of its own but what it changes.
    #[test]
    fn copies_share_their_blocks() {
        let mut series = Series::<u32>::new();
        (0..10_000).for_each(|second| series.push(second));
        let mut copy = series.clone();
        copy.set(5, 9);
        copy.push(3);
        let apart =
            series.blocks.iter().zip(&copy.blocks).filter(|(one, other)| !Arc::ptr_eq(&one.1, &other.1));
        assert_eq!(apart.count(), 2);
        assert_eq!((series.get(5), copy.get(5)), (Some(5), Some(9)));
        assert_eq!((series.newest(), copy.newest()), (Some(9999), Some(3)));
    }

    /// A stamp that jumps by 290 years takes a block, and what lies before it stays.
    #[test]
    fn a_hole_takes_nothing() {
        let mut series = Series::<f32>::new();
        (0..3000).for_each(|second| series.set(second, 1.0));
        series.set(9_000_000_000, 2.0);
        series.set(9_000_000_001, 3.0);
        assert_eq!(series.bytes(), 4 * BLOCK * 4);
        assert_eq!(series.known(0, usize::MAX).count(), 3002);
        let last: Vec<_> = series.known(3000, usize::MAX).collect();
        assert_eq!(last, [(9_000_000_000, 2.0), (9_000_000_001, 3.0)]);
        series.blank(1000..9_000_000_001);
        assert_eq!(series.known(0, usize::MAX).count(), 1001);
        assert_eq!((series.number(999), series.number(1000), series.len()), (Some(1.0), None, 9_000_000_002));
    }

    /// Whatever comes, a month of seconds is the most; the oldest go.
    #[test]
    fn a_month_is_kept() {
        let mut series = Series::<f32>::new();
        // One second in each block of a hundred days.
        for block in 0..100 * 86_400 / BLOCK {
            series.set(block * BLOCK, block as f32);
        }
        assert!(series.bytes() <= 32 * 86_400 * 4);
        let (first, _) = series.known(0, usize::MAX).next().unwrap();
        assert!((31 * 86_400..32 * 86_400).contains(&(series.len() - first)));
        assert_eq!((series.first(), series.get(first - 1), series.cell_mut(first - 1)), (first, None, None));
    }

    #[test]
    fn a_point_is_found_in_what_is_kept() {
        let mut series = Series::<u32>::of_blocks(3);
        (0..5000).for_each(|cell| series.push(2 * cell));
        for (limit, expected) in [(0, 2 * BLOCK), (5001, 2501), (10_001, 5000)] {
            assert_eq!(series.partition_point(|cell| cell < limit), expected);
        }
    }
}
