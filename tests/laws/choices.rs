//! Bytes read as choices: what to build, and out of what. Behind the last byte every choice is 0.

/// The bytes that are left.
#[derive(Clone, Copy, Debug)]
pub struct Choices<'a>(pub &'a [u8]);

impl<'a> Choices<'a> {
    pub fn is_over(&self) -> bool {
        self.0.is_empty()
    }

    pub fn byte(&mut self) -> u8 {
        self.array::<1>()[0]
    }

    /// One of so many, from 0.
    pub fn below(&mut self, count: usize) -> usize {
        usize::from(self.byte()) % count
    }

    pub fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())]
    }

    /// True once in so many.
    pub fn once_in(&mut self, count: u8) -> bool {
        self.byte() % count == count - 1
    }

    pub fn u16(&mut self) -> u16 {
        u16::from_le_bytes(self.array())
    }

    pub fn u32(&mut self) -> u32 {
        u32::from_le_bytes(self.array())
    }

    pub fn u64(&mut self) -> u64 {
        u64::from_le_bytes(self.array())
    }

    /// As many as are left, at most so many.
    pub fn take(&mut self, most: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(most.min(self.0.len()));
        self.0 = rest;
        taken
    }

    fn array<const N: usize>(&mut self) -> [u8; N] {
        let mut all = [0; N];
        let taken = self.take(N);
        all[..taken.len()].copy_from_slice(taken);
        all
    }
}
