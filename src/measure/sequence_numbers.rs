//! Sequence numbers of one sender, unwrapped into one long count, and what is known of the newest of them.
//!
//! One tracker for all that is numbered: MAVLink (8 bits), 802.11 (12 bits) and RTP (16 bits). Unit: numbers. Window: the
//! newest `KEPT` numbers, each with what was put under it. Gap: numbers that nothing was put under. Wrap: the caller says
//! by how many numbers the count goes on, whole wraps among them. Duplicate and late arrival: what is kept of the number
//! tells them apart. Restart: the count goes on past all that is kept, so that no old number is taken for a new one.
//! Which arrival is lost, late, a copy or a restart is each protocol's own rule and stands with its meter.

#[derive(Clone, Copy, Debug)]
struct Slot<T> {
    number: u64,
    held: T,
}

/// Numbers of `BITS` bits; `KEPT`, a power of two, is at most four times what they can tell apart.
#[derive(Clone, Debug)]
pub(super) struct SequenceNumbers<T, const BITS: u32, const KEPT: usize> {
    newest: u64,
    slots: Box<[Slot<T>; KEPT]>,
}

impl<T: Copy + Default, const BITS: u32, const KEPT: usize> SequenceNumbers<T, BITS, KEPT> {
    const WRAP: u64 = 1 << BITS;
    /// Wraps between two counts: the numbers of one are never those of the other.
    const APART: u64 = 4;

    pub(super) fn begin(first: u16, held: T) -> Self {
        let empty = Slot { number: 0, held: T::default() };
        let mut numbers = Self { newest: 0, slots: Box::new([empty; KEPT]) };
        numbers.restart(first, held);
        numbers
    }

    /// Counts anew from a number on.
    pub(super) fn restart(&mut self, first: u16, held: T) {
        self.newest = (self.newest / Self::WRAP + Self::APART) * Self::WRAP + u64::from(first);
        self.put(self.newest, held);
    }

    #[inline]
    pub(super) const fn newest(&self) -> u64 {
        self.newest
    }

    /// How far behind the newest number a sequence number lies, less than a wrap; 0: it is the newest.
    #[inline]
    pub(super) const fn behind(&self, sequence: u16) -> u64 {
        self.newest.wrapping_sub(sequence as u64) % Self::WRAP
    }

    /// How far ahead of the newest number it lies, less than a wrap.
    #[inline]
    pub(super) const fn ahead(&self, sequence: u16) -> u64 {
        (sequence as u64).wrapping_sub(self.newest) % Self::WRAP
    }

    /// The newest number is now one so many steps on.
    #[inline]
    pub(super) fn go_on(&mut self, steps: u64, held: T) {
        self.newest += steps;
        self.slots[self.newest as usize % KEPT] = Slot { number: self.newest, held };
    }

    /// Keeps something under a number, unless a newer number has its place.
    pub(super) fn put(&mut self, number: u64, held: T) {
        let slot = &mut self.slots[number as usize % KEPT];
        if slot.number <= number {
            *slot = Slot { number, held };
        }
    }

    /// What is kept of a number.
    #[inline]
    pub(super) fn get(&self, number: u64) -> Option<T> {
        let slot = &self.slots[number as usize % KEPT];
        (slot.number == number).then_some(slot.held)
    }

    pub(super) fn get_mut(&mut self, number: u64) -> Option<&mut T> {
        let slot = &mut self.slots[number as usize % KEPT];
        (slot.number == number).then_some(&mut slot.held)
    }

    /// Bytes held beside the structure itself.
    pub(super) fn own_bytes(&self) -> usize {
        size_of_val(self.slots.as_slice())
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use crate::measure::sequence_numbers::*;

    /// The oracle is a map of all numbers that ever came, counted without a wrap.
    fn numbers_are_those_of_a_long_count<const BITS: u32, const KEPT: usize>(steps: &[(u64, bool)]) {
        let low = |number: u64| (number % (1 << BITS)) as u16;
        let mut numbers = SequenceNumbers::<u32, BITS, KEPT>::begin(7, 0);
        let apart = numbers.newest() - 7;
        let (mut newest, mut all) = (7_u64, BTreeMap::from([(7_u64, 0)]));
        for (index, &(step, is_late)) in steps.iter().enumerate() {
            let held = index as u32 + 1;
            if is_late {
                let number = newest.saturating_sub(step % KEPT as u64);
                let behind = numbers.behind(low(number));
                assert_eq!(behind, (newest - number) % (1 << BITS));
                numbers.put(number + apart, held);
                all.insert(number, held);
            } else {
                newest += step;
                assert_eq!(numbers.ahead(low(newest)), step % (1 << BITS));
                numbers.go_on(step, held);
                all.insert(newest, held);
            }
            for number in newest.saturating_sub(KEPT as u64 - 1)..=newest {
                assert_eq!(numbers.get(number + apart), all.get(&number).copied(), "{number}");
            }
        }
        numbers.restart(9, 1);
        let first = numbers.newest();
        assert_eq!((low(first), numbers.get(first)), (9, Some(1)));
        assert!((1..KEPT as u64).all(|back| numbers.get(first - back).is_none()));
    }

    proptest! {
        #[test]
        fn eight_twelve_and_sixteen_bits_count_alike(
            steps in prop::collection::vec((1_u64..300, any::<bool>()), 0..60)
        ) {
            numbers_are_those_of_a_long_count::<8, 256>(&steps);
            numbers_are_those_of_a_long_count::<12, 128>(&steps);
            numbers_are_those_of_a_long_count::<16, 1024>(&steps);
        }
    }
}
