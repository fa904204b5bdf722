//! Who sent a message, and where it was heard.

use crate::record::{Direction, InterfaceId};

/// One MAVLink sender as heard on one interface.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Sender {
    /// Where it is heard.
    pub interface: InterfaceId,
    /// Whether its frames come in or go out.
    pub direction: Direction,
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
}

impl Sender {
    /// The sender in one word, quick to compare.
    #[must_use]
    pub(crate) const fn key(self) -> u64 {
        let Self { interface, direction, system, component } = self;
        (interface.0 as u64) << 24 | (direction as u64) << 16 | (system as u64) << 8 | component as u64
    }
}
