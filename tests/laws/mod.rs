//! What must hold of any input, however damaged: laws that ordinary tests, fuzzing and the study of mutated captures share.
//!
//! Each takes bytes alone and panics where a law is broken. Some read the bytes as they are, others as choices of what
//! to build ([`choices`]), so that what is built is nearly right and reaches far.

#![allow(dead_code, reason = "no target holds all laws")]
#![allow(unreachable_pub, reason = "the targets see them from outside")]
#![allow(missing_docs, reason = "shared by targets, no face")]

pub mod captures;
pub mod choices;
pub mod figures;
pub mod frames;
pub mod history;
pub mod sessions;
pub mod settings;

/// A law, of bytes.
pub type Law = fn(&[u8]);

/// Each law with the name of its folder in `tests/corpus/`.
pub const LAWS: [(&str, Law); 9] = [
    ("framer", frames::framer),
    ("rtp", frames::rtp),
    ("radio", frames::radio),
    ("pcap", captures::pcap),
    ("pcapng", captures::pcapng),
    ("profile", settings::profile),
    ("scenario", settings::scenario),
    ("history", history::history),
    ("session", sessions::session),
];
