//! What the figures mean: range, what a freeze teaches, the freeze-level model, margins and alarms.

pub mod alarm_call;
pub mod bench;
pub mod comparison;
pub mod condition;
pub mod freeze_evidence;
pub mod freeze_level;
pub mod link_budget;
pub mod margin;
pub mod picture_cause;
pub mod range;
pub mod session_verdict;
