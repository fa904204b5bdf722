//! Sets of cells that observations allow, each distinct one kept once and numbered as it comes.
//!
//! A set is a union of ranges of cells (first, one past the last), in order and apart. Estimates from
//! interval-censored data then cost as much as there are distinct sets, not as there are observations. No unit.

use std::collections::BTreeMap;

/// Ranges of cells (first, one past the last), in order and apart.
pub type CellRanges = Vec<(u32, u32)>;

/// Numbered sets, one after the other.
#[derive(Clone, Debug)]
pub struct DistinctSets {
    ranges: CellRanges,
    /// Where each set's ranges begin in `ranges`; one longer than the sets.
    offsets: Vec<u32>,
    numbers: BTreeMap<CellRanges, u32>,
}

impl Default for DistinctSets {
    fn default() -> Self {
        Self { ranges: Vec::new(), offsets: vec![0], numbers: BTreeMap::new() }
    }
}

impl DistinctSets {
    /// How many there are.
    #[must_use]
    #[allow(clippy::len_without_is_empty, reason = "nobody asks")]
    pub const fn len(&self) -> usize {
        self.offsets.len() - 1
    }

    /// A set's number, a new one if need be.
    pub fn number(&mut self, set: CellRanges) -> u32 {
        if let Some(&number) = self.numbers.get(&set) {
            return number;
        }
        let number = self.len() as u32;
        self.ranges.extend_from_slice(&set);
        self.offsets.push(self.ranges.len() as u32);
        self.numbers.insert(set, number);
        number
    }

    /// The ranges of a set.
    #[must_use]
    pub fn set(&self, number: usize) -> &[(u32, u32)] {
        &self.ranges[self.offsets[number] as usize..self.offsets[number + 1] as usize]
    }
}

/// The union of ranges that begin in order; those that touch are one, empty ones fall out.
pub fn union(ranges: impl Iterator<Item = (u32, u32)>) -> CellRanges {
    let mut union: CellRanges = Vec::with_capacity(ranges.size_hint().0);
    for (first, end) in ranges {
        match union.last_mut() {
            Some(last) if last.1 >= first => last.1 = last.1.max(end),
            _ if first < end => union.push((first, end)),
            _ => {}
        }
    }
    union
}

#[cfg(test)]
mod tests {
    use crate::stats::censored::distinct_sets::*;

    #[test]
    fn equal_sets_have_one_number_and_ranges_that_touch_are_one() {
        let mut sets = DistinctSets::default();
        let joined = union([(0, 2), (2, 5), (7, 7), (8, 9)].into_iter());
        assert_eq!(joined, [(0, 5), (8, 9)]);
        assert_eq!([sets.number(joined.clone()), sets.number(vec![(1, 2)]), sets.number(joined)], [0, 1, 0]);
        assert_eq!((sets.len(), sets.set(0), sets.set(1)), (2, &[(0, 5), (8, 9)][..], &[(1, 2)][..]));
    }
}
