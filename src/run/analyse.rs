//! A whole recording through the core, without a screen.

use std::sync::Arc;

use crate::capture::Recording;
use crate::link::context::Earlier;
use crate::link::{LinkMonitor, RecordingFacts};
use crate::profile::Profile;

/// Pushes every entry of a recording through a new core; `progress` hears a share from 0 to 1 now and then.
pub(super) fn analyse(
    recording: &Recording,
    profile: &Arc<Profile>,
    earlier: Earlier,
    progress: &dyn Fn(f64),
) -> (LinkMonitor, RecordingFacts) {
    const EVERY: u32 = 16_384;
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(profile), earlier);
    let mut cursor = recording.cursor();
    let mut until_report = EVERY;
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
        until_report -= 1;
        if until_report == 0 {
            until_report = EVERY;
            progress(recording.progress(&cursor));
        }
    }
    let facts = recording.facts(&cursor);
    (monitor, facts)
}
