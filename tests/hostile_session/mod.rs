//! A recording whose every name is a given text, for those who ask what becomes of it.

#[path = "../frames/mod.rs"]
mod frames;

use std::collections::BTreeMap;

use fadewatch::record::{Entry, InterfaceId, InterfaceInfo, InterfaceKind, SessionInfo};
use frames::frame;

/// Tags, a stream and the marks.
pub(crate) fn opening(text: &str) -> [Entry<'static>; 3] {
    let tags = BTreeMap::from([("antenna".to_owned(), text.to_owned()), (text.to_owned(), "b".to_owned())]);
    let info =
        |name: &str, kind| InterfaceInfo { name: name.to_owned(), kind, description: Some(text.to_owned()) };
    [
        Entry::Session(SessionInfo { tags, has_wall_clock: true }),
        Entry::Interface(InterfaceId(0), info(text, InterfaceKind::Stream)),
        Entry::Interface(InterfaceId(1), info("marks", InterfaceKind::Marks)),
    ]
}

/// HEARTBEAT of a quadrotor (extra byte 50 of the common message set).
pub(crate) fn heartbeat(number: u64) -> Vec<u8> {
    frame(number, (1, 1), 0, 50, &[0, 0, 0, 0, 2, 3, 81, 4, 3])
}

/// STATUSTEXT (extra byte 83).
pub(crate) fn status_text(number: u64, severity: u8, text: &str) -> Vec<u8> {
    let mut payload = [0; 51];
    payload[0] = severity;
    payload[1..=text.len()].copy_from_slice(text.as_bytes());
    frame(number, (1, 1), 253, 83, &payload)
}
