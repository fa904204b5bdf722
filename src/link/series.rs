//! Cells of equal spans of time since the first record, in blocks that copies of the core share.
//!
//! A block holds [`BLOCK`] cells; where nothing was ever put there is none. A copy costs a pointer a
//! block, and the block that is written to next: saved states of a replay share all that lies behind them.
//! As soon as a second block is begun, the memory of all that may ever be kept is taken at once: what a
//! session of a day holds is known after its first minutes, and does not grow.

use std::sync::Arc;

/// Whole seconds that are kept one by one: a day and what hangs over.
pub(crate) const MOST_SECONDS: usize = 26 * 3600;

/// Cells of a block; even, so that pairs lie in one.
pub(crate) const BLOCK: usize = 1024;

type Block<T> = Arc<[T; BLOCK]>;

/// One cell a span of time.
#[derive(Debug)]
pub(crate) struct Series<T> {
    /// What a cell says where nothing was put.
    empty: T,
    blocks: Vec<Option<Block<T>>>,
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

impl<T: Copy> Clone for Series<T> {
    /// The copy takes memory of its own only as it needs it.
    fn clone(&self) -> Self {
        Self { blocks: self.blocks.clone(), spare: Vec::new(), ..*self }
    }
}

impl<T: Copy> Series<T> {
    /// None yet; memory is taken for at most so many cells.
    pub(crate) const fn new(empty: T, most_cells: usize) -> Self {
        let most = most_cells.div_ceil(BLOCK);
        Self { empty, blocks: Vec::new(), present: 0, most, spare: Vec::new(), len: 0, newest: empty }
    }

    /// Bytes that a copy does not share once the session goes on: the block that is written to, and the pointers.
    pub(crate) fn own_bytes(&self) -> usize {
        let block = if self.present == 0 { 0 } else { size_of::<[T; BLOCK]>() };
        block + size_of_val(self.blocks.as_slice())
    }

    /// How many cells there are, empty ones among them.
    pub(crate) const fn len(&self) -> usize {
        self.len
    }

    /// Whether more is kept than was to be; the owner joins pairs then.
    pub(crate) const fn is_over_full(&self) -> bool {
        self.present > self.most
    }

    /// From now on at most so many cells.
    pub(crate) fn keep_at_most(&mut self, cells: usize) {
        let most = cells.div_ceil(BLOCK);
        if most != self.most {
            self.most = most;
            self.spare.truncate(most.saturating_sub(self.present));
        }
    }

    /// A cell; `None` beyond the newest.
    pub(crate) fn get(&self, index: usize) -> Option<T> {
        if index + 1 >= self.len {
            return (index + 1 == self.len).then_some(self.newest);
        }
        let block = self.blocks.get(index / BLOCK).and_then(Option::as_ref);
        Some(block.map_or(self.empty, |block| block[index % BLOCK]))
    }

    /// Cells of a range, cut at the newest, with their numbers.
    pub(crate) fn range(&self, from: usize, to: usize) -> impl DoubleEndedIterator<Item = (usize, T)> + '_ {
        (from..to.min(self.len)).map(|index| (index, self.get(index).unwrap_or(self.empty)))
    }

    /// All cells.
    pub(crate) fn iter(&self) -> impl Iterator<Item = T> + '_ {
        self.range(0, self.len).map(|(_, cell)| cell)
    }

    /// The newest cell; `None` before the first.
    pub(crate) const fn newest_mut(&mut self) -> Option<&mut T> {
        if self.len == 0 { None } else { Some(&mut self.newest) }
    }

    /// A cell to write to; all up to it are there then.
    pub(crate) fn cell_mut(&mut self, index: usize) -> &mut T {
        if index >= self.len {
            if let Some(last) = self.len.checked_sub(1) {
                *self.in_block(last) = self.newest;
            }
            self.newest = self.empty;
            self.len = index + 1;
        }
        if index + 1 == self.len { &mut self.newest } else { self.in_block(index) }
    }

    pub(crate) fn push(&mut self, cell: T) {
        *self.cell_mut(self.len) = cell;
    }

    fn in_block(&mut self, index: usize) -> &mut T {
        let place = index / BLOCK;
        if self.blocks.len() <= place {
            self.blocks.resize(place + 1, None);
        }
        if self.blocks[place].is_none() {
            self.present += 1;
            if self.present == 2 {
                let (empty, wanted) = (self.empty, self.most.saturating_sub(1));
                self.spare.resize_with(wanted, || Arc::new([empty; BLOCK]));
            }
        }
        let (spare, empty) = (&mut self.spare, self.empty);
        let block =
            self.blocks[place].get_or_insert_with(|| spare.pop().unwrap_or_else(|| Arc::new([empty; BLOCK])));
        &mut Arc::make_mut(block)[index % BLOCK]
    }

    /// Every two neighbouring cells become one; two empty ones an empty one.
    pub(crate) fn join_pairs(&mut self, join: impl Fn(T, T) -> T) {
        let mut joined = Self::new(self.empty, self.most * BLOCK);
        for first in (0..self.len).step_by(2) {
            let is_there = self.blocks.get(first / BLOCK).is_some_and(Option::is_some);
            if let Some(one) = self.get(first).filter(|_| is_there || first + 2 >= self.len) {
                *joined.cell_mut(first / 2) = join(one, self.get(first + 1).unwrap_or(self.empty));
            }
        }
        *self = joined;
    }

    /// Bytes held, those taken beforehand included, and shared ones too.
    #[cfg(test)]
    fn bytes(&self) -> usize {
        (self.present + self.spare.len()) * size_of::<[T; BLOCK]>()
    }
}

impl Series<f32> {
    /// Of numbers that may be absent.
    pub(crate) const fn of_numbers(most_cells: usize) -> Self {
        Self::new(f32::NAN, most_cells)
    }

    pub(crate) fn push_number(&mut self, number: Option<f32>) {
        self.push(number.unwrap_or(f32::NAN));
    }

    /// The number of a cell; `None` where there is none.
    pub(crate) fn number(&self, index: usize) -> Option<f32> {
        self.get(index).filter(|number| !number.is_nan())
    }

    /// Those of a range, absent ones among them.
    pub(crate) fn numbers(
        &self,
        from: usize,
        to: usize,
    ) -> impl DoubleEndedIterator<Item = Option<f32>> + '_ {
        self.range(from, to).map(|(_, number)| (!number.is_nan()).then_some(number))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const DAY: usize = MOST_SECONDS;

    fn cells(series: &Series<u32>) -> Vec<u32> {
        series.iter().collect()
    }

    proptest! {
        /// A plain vector is the oracle, whatever is written where, copied and joined.
        #[test]
        fn it_is_a_vector(
            steps in prop::collection::vec((0_usize..5000, any::<u32>(), 0_u8..8), 1..60),
        ) {
            let (mut series, mut plain) = (Series::new(0, DAY), Vec::<u32>::new());
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
                        *series.cell_mut(index) = value;
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
        let mut series = Series::new([0_u8; 8], DAY);
        for second in 0..DAY {
            series.push([second as u8; 8]);
            match second {
                0..=1024 => assert!(series.bytes() <= BLOCK * 8, "{second}"),
                _ => assert_eq!(series.bytes(), DAY.div_ceil(BLOCK) * BLOCK * 8, "{second}"),
            }
            assert!(!series.is_over_full());
        }
    }

    /// A copy holds nothing of its own but what it changes.
    #[test]
    fn copies_share_their_blocks() {
        let mut series = Series::new(0_u32, DAY);
        for second in 0..10_000 {
            series.push(second);
        }
        let mut copy = series.clone();
        *copy.cell_mut(5) = 9;
        copy.push(3);
        let apart = |place: usize| {
            !Arc::ptr_eq(series.blocks[place].as_ref().unwrap(), copy.blocks[place].as_ref().unwrap())
        };
        assert_eq!((0..10).map(apart).filter(|apart| *apart).count(), 2);
        assert_eq!((series.get(5), copy.get(5)), (Some(5), Some(9)));
    }

    /// Seconds long apart do not fill what lies between them.
    #[test]
    fn what_is_empty_takes_nothing() {
        let mut series = Series::new(0_u32, 8 * BLOCK);
        *series.cell_mut(80_000) = 1;
        *series.cell_mut(90_000) = 1;
        assert!(series.bytes() <= BLOCK * 4);
        assert_eq!(series.iter().map(u64::from).sum::<u64>(), 2);
        series.keep_at_most(BLOCK);
        *series.cell_mut(95_000) = 1;
        assert!(series.is_over_full());
    }
}
