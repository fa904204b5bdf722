//! One step through a recording of any format.

use crate::record::Entry;

/// What stands at a place in a recording.
#[derive(Debug)]
pub(crate) enum Step<'a> {
    /// An entry, and how many bytes to go on by (0: more entries stand at this place).
    Entry(usize, Entry<'a>),
    /// Nothing to give; go on by so many bytes.
    Skip(usize),
    /// Nothing follows.
    End,
    /// The bytes end before the block does.
    Torn,
    /// What stands here cannot be a block.
    Corrupt,
}
