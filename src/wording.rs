//! Every sentence and quantity that a person reads, the same on screens and in reports.

pub mod advice;
pub mod bench_words;
pub mod cause_words;
pub mod caution;
pub mod command_help;
pub mod comparison_words;
pub mod event;
pub mod explain;
pub mod failsafe_steps;
pub mod field_words;
pub mod glass_words;
pub mod guide_words;
pub mod health_words;
pub mod latency_advice;
pub mod limit;
pub mod link_sentence;
pub mod manual_words;
pub mod page_words;
pub mod port_words;
pub mod quantity;
pub mod reason;
pub mod regularity;
pub mod session_sentence;
pub mod spectrum_words;
pub mod start_words;
pub mod stick_words;
