//! Every sentence and quantity that a person reads, the same on screens and in reports.

pub mod caution;
pub mod explain;
pub mod failsafe_steps;
pub mod quantity;
