//! A row of cells in blocks that copies of the core share.
//!
//! A block holds [`BLOCK`] cells; where nothing was ever put there is none. A copy costs a pointer a
//! block, and the block that is written to next: saved states of a replay share all that lies behind them.
//! As soon as a second block is begun, the memory of all that may ever be kept is taken at once: what a
//! session of a day holds is known after its first minutes, and does not grow. Blocks that the row's owner
//! lets go at its front are used again at its end.

use std::sync::Arc;

/// Cells of a block; even, so that pairs lie in one.
pub(crate) const BLOCK: usize = 1024;

type Block<T> = Arc<[T; BLOCK]>;

/// A row of cells.
#[derive(Debug)]
pub(crate) struct Blocks<T> {
    /// What a cell says where nothing was put.
    empty: T,
    kept: Vec<Option<Block<T>>>,
    /// How many were let go before them.
    gone: usize,
    /// How many of them are there.
    present: usize,
    /// At most so many.
    most: usize,
    /// Taken, not used yet.
    spare: Vec<Block<T>>,
    len: usize,
    /// The newest cell stands apart, where writing to it is cheap.
    newest: T,
}

impl<T: Copy> Clone for Blocks<T> {
    /// The copy takes memory of its own only as it needs it.
    fn clone(&self) -> Self {
        Self { kept: self.kept.clone(), spare: Vec::new(), ..*self }
    }
}

impl<T: Copy> Blocks<T> {
    /// None yet; memory is taken for at most so many cells.
    pub(crate) const fn new(empty: T, most_cells: usize) -> Self {
        let most = most_cells.div_ceil(BLOCK);
        Self { empty, kept: Vec::new(), gone: 0, present: 0, most, spare: Vec::new(), len: 0, newest: empty }
    }

    /// None yet; memory is taken block by block.
    pub(crate) const fn growing(empty: T) -> Self {
        Self::new(empty, 0)
    }

    /// Bytes that a copy does not share once the session goes on: the block that is written to, and the pointers.
    pub(crate) fn own_bytes(&self) -> usize {
        let block = if self.present == 0 { 0 } else { size_of::<[T; BLOCK]>() };
        block + size_of_val(self.kept.as_slice())
    }

    /// How many cells there are, empty ones among them.
    pub(crate) const fn len(&self) -> usize {
        self.len
    }

    /// From now on at most so many cells.
    pub(crate) fn keep_at_most(&mut self, cells: usize) {
        let most = cells.div_ceil(BLOCK);
        if most != self.most {
            self.most = most;
            self.spare.truncate(most.saturating_sub(self.present));
        }
    }

    /// The first cell that was not let go.
    pub(crate) const fn first(&self) -> usize {
        self.gone * BLOCK
    }

    /// A cell; `None` beyond the newest and where it was let go.
    pub(crate) fn get(&self, index: usize) -> Option<T> {
        if index + 1 >= self.len {
            return (index + 1 == self.len).then_some(self.newest);
        }
        let block = self.kept.get((index / BLOCK).checked_sub(self.gone)?).and_then(Option::as_ref);
        Some(block.map_or(self.empty, |block| block[index % BLOCK]))
    }

    /// Cells of a range, cut at the first and the newest, with their numbers.
    pub(crate) fn range(
        &self,
        from: usize,
        to: usize,
    ) -> impl DoubleEndedIterator<Item = (usize, T)> + Clone + '_ {
        let range = from.max(self.first())..to.min(self.len);
        range.map(|index| (index, self.get(index).unwrap_or(self.empty)))
    }

    /// All cells.
    pub(crate) fn iter(&self) -> impl Iterator<Item = T> + Clone + '_ {
        self.range(0, self.len).map(|(_, cell)| cell)
    }

    /// The first cell for which something does not hold, of cells in an order in which it holds for those before it.
    pub(crate) fn partition_point(&self, holds: impl Fn(T) -> bool) -> usize {
        let (mut low, mut high) = (self.first(), self.len);
        while low < high {
            let middle = low.midpoint(high);
            if self.get(middle).is_some_and(&holds) { low = middle + 1 } else { high = middle }
        }
        low
    }

    /// The newest cell; `None` before the first.
    pub(crate) const fn newest_mut(&mut self) -> Option<&mut T> {
        if self.len == 0 { None } else { Some(&mut self.newest) }
    }

    /// A cell to write to; all up to it are there then. `None` where it was let go.
    pub(crate) fn cell_mut(&mut self, index: usize) -> Option<&mut T> {
        self.reach(index + 1);
        if index + 1 == self.len { Some(&mut self.newest) } else { self.in_block(index) }
    }

    /// At least so many cells are there then.
    pub(crate) fn reach(&mut self, len: usize) {
        if len <= self.len {
            return;
        }
        let newest = std::mem::replace(&mut self.newest, self.empty);
        if let Some(last) = self.len.checked_sub(1).and_then(|last| self.in_block(last)) {
            *last = newest;
        }
        self.len = len;
    }

    pub(crate) fn push(&mut self, cell: T) {
        self.reach(self.len + 1);
        self.newest = cell;
    }

    fn in_block(&mut self, index: usize) -> Option<&mut T> {
        let place = (index / BLOCK).checked_sub(self.gone)?;
        if self.kept.len() <= place {
            self.kept.resize(place + 1, None);
        }
        if self.kept[place].is_none() {
            self.present += 1;
            if self.present == 2 {
                let (empty, wanted) = (self.empty, self.most.saturating_sub(1));
                self.spare.resize_with(wanted, || Arc::new([empty; BLOCK]));
            }
        }
        let (spare, empty) = (&mut self.spare, self.empty);
        let block =
            self.kept[place].get_or_insert_with(|| spare.pop().unwrap_or_else(|| Arc::new([empty; BLOCK])));
        Some(&mut Arc::make_mut(block)[index % BLOCK])
    }

    /// Lets the blocks before a cell go, each after a last look at it and its first cell's number.
    pub(crate) fn let_go_before(&mut self, index: usize, mut look: impl FnMut(usize, &[T; BLOCK])) {
        let gone = (index / BLOCK).max(self.gone);
        let leaving = (gone - self.gone).min(self.kept.len());
        for (place, block) in (self.gone..).zip(self.kept.drain(..leaving)) {
            let Some(mut block) = block else { continue };
            look(place * BLOCK, &block);
            self.present -= 1;
            if self.present + self.spare.len() < self.most
                && let Some(cells) = Arc::get_mut(&mut block)
            {
                cells.fill(self.empty);
                self.spare.push(block);
            }
        }
        self.gone = gone;
    }

    /// Every two neighbouring cells become one; two empty ones an empty one. Of a row of which nothing was let go.
    pub(crate) fn join_pairs(&mut self, join: impl Fn(T, T) -> T) {
        let mut joined = Self::new(self.empty, self.most * BLOCK);
        for first in (0..self.len).step_by(2) {
            let is_there = self.kept.get(first / BLOCK).is_some_and(Option::is_some);
            if let Some(one) = self.get(first).filter(|_| is_there || first + 2 >= self.len)
                && let Some(cell) = joined.cell_mut(first / 2)
            {
                *cell = join(one, self.get(first + 1).unwrap_or(self.empty));
            }
        }
        *self = joined;
    }

    /// Bytes held, those taken beforehand included, and shared ones too.
    #[cfg(test)]
    pub(super) fn bytes(&self) -> usize {
        (self.present + self.spare.len()) * size_of::<[T; BLOCK]>()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::measure::series::blocks::*;

    const DAY: usize = 26 * 3600;

    fn cells(series: &Blocks<u32>) -> Vec<u32> {
        series.iter().collect()
    }

    proptest! {
        /// A plain vector is the oracle, whatever is written where, copied and joined.
        #[test]
        fn it_is_a_vector(
            steps in prop::collection::vec((0_usize..5000, any::<u32>(), 0_u8..8), 1..60),
        ) {
            let (mut series, mut plain) = (Blocks::new(0, DAY), Vec::<u32>::new());
            let mut copies = Vec::new();
            for (index, value, kind) in steps {
                match kind {
                    0 => {
                        series.join_pairs(u32::wrapping_add);
                        plain = plain.chunks(2).map(|pair| pair.iter().fold(0, |a, b| b.wrapping_add(a))).collect();
                    }
                    1 => copies.push((series.clone(), plain.clone())),
                    2 => {
                        series.push(value);
                        plain.push(value);
                    }
                    _ => {
                        plain.resize(plain.len().max(index + 1), 0);
                        plain[index] = value;
                        *series.cell_mut(index).unwrap() = value;
                    }
                }
                prop_assert_eq!(series.len(), plain.len());
                prop_assert_eq!(&cells(&series), &plain);
                prop_assert_eq!(series.get(plain.len()), None);
            }
            for (copy, plain) in copies {
                prop_assert_eq!(cells(&copy), plain);
            }
        }
    }

    /// What a session holds after twenty minutes is what it holds after a day.
    #[test]
    fn a_day_takes_no_more_than_the_first_minutes() {
        let mut series = Blocks::new([0_u8; 8], DAY);
        for second in 0..DAY {
            series.push([second as u8; 8]);
            match second {
                0..=1024 => assert!(series.bytes() <= BLOCK * 8, "{second}"),
                _ => assert_eq!(series.bytes(), DAY.div_ceil(BLOCK) * BLOCK * 8, "{second}"),
            }
        }
    }

    /// A copy holds nothing of its own but what it changes.
    #[test]
    fn copies_share_their_blocks() {
        let mut series = Blocks::new(0_u32, DAY);
        for second in 0..10_000 {
            series.push(second);
        }
        let mut copy = series.clone();
        *copy.cell_mut(5).unwrap() = 9;
        copy.push(3);
        let apart = |place: usize| {
            !Arc::ptr_eq(series.kept[place].as_ref().unwrap(), copy.kept[place].as_ref().unwrap())
        };
        assert_eq!((0..10).map(apart).filter(|apart| *apart).count(), 2);
        assert_eq!((series.get(5), copy.get(5)), (Some(5), Some(9)));
    }

    /// Seconds long apart do not fill what lies between them.
    #[test]
    fn what_is_empty_takes_nothing() {
        let mut series = Blocks::new(0_u32, 8 * BLOCK);
        *series.cell_mut(80_000).unwrap() = 1;
        *series.cell_mut(90_000).unwrap() = 1;
        assert!(series.bytes() <= BLOCK * 4);
        assert_eq!(series.iter().map(u64::from).sum::<u64>(), 2);
    }

    #[test]
    fn a_point_is_found_in_what_is_kept() {
        let mut series = Blocks::growing(0_usize);
        (0..5000).for_each(|cell| series.push(2 * cell));
        series.let_go_before(2 * BLOCK, |_, _| {});
        for (limit, expected) in [(0, 2 * BLOCK), (5001, 2501), (10_001, 5000)] {
            assert_eq!(series.partition_point(|cell| cell < limit), expected);
        }
    }

    /// What is let go at the front is looked at once and used again at the end, unless a copy has it.
    #[test]
    fn what_is_let_go_is_used_again() {
        let mut series = Blocks::new(0_u32, 4 * BLOCK);
        let mut looked = Vec::new();
        for cell in 0..20 * BLOCK {
            series.push(cell as u32);
            if cell % BLOCK == 0 {
                let first = (cell / BLOCK).saturating_sub(3) * BLOCK;
                series.let_go_before(first, |number, block| {
                    assert_eq!(block[5], number as u32 + 5);
                    looked.push(number);
                });
                assert_eq!(series.first(), first);
            }
            assert!(series.bytes() <= 4 * BLOCK * 4, "{cell}");
        }
        assert_eq!(looked, (0..16).map(|block| block * BLOCK).collect::<Vec<_>>());
        assert_eq!((series.get(16 * BLOCK - 1), series.get(16 * BLOCK)), (None, Some(16 * BLOCK as u32)));
        assert_eq!(series.cell_mut(0), None);
        let copy = series.clone();
        series.let_go_before(18 * BLOCK, |_, _| {});
        assert_eq!(copy.get(17 * BLOCK), Some(17 * BLOCK as u32));
    }
}
