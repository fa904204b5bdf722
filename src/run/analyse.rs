//! A whole recording through the core, without a screen.

use std::mem::take;
use std::num::NonZero;
use std::sync::Arc;
use std::thread::available_parallelism;

use crate::capture::Recording;
use crate::monitor::{LinkMonitor, RecordingFacts};
use crate::profile::Profile;
use crate::summary::Earlier;

use super::read_ahead::read_ahead;

/// Entries between two words on the progress in turn.
const EVERY: u32 = 16_384;
/// Entries, or messages, read ahead at a time: enough that waking the other thread costs little beside them, few enough to
/// stay in a cache (measured: 128 are slower by a twelfth, 8,192 no quicker).
const BATCH: usize = 2048;

/// Where a recording is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reading {
    /// On a thread of its own, ahead of the core.
    Ahead,
    /// In turn with the core, on its thread.
    InTurn,
}

impl Reading {
    /// What suits so many recordings that are analysed at once, as far as there are cores: ahead where
    /// every recording has two of them.
    #[must_use]
    pub fn of_files(files: usize) -> Self {
        let cores = available_parallelism().map_or(1, NonZero::get);
        if cores >= 2 * files { Self::Ahead } else { Self::InTurn }
    }
}

/// Pushes every entry of a recording through a new core, with the same figures wherever it is read;
/// `progress` hears a share from 0 to 1 now and then.
pub fn analyse(
    recording: &Recording,
    profile: &Arc<Profile>,
    earlier: Earlier,
    reading: Reading,
    progress: &dyn Fn(f64),
) -> (LinkMonitor, RecordingFacts) {
    let mut monitor = LinkMonitor::with_earlier(Arc::clone(profile), earlier);
    let facts = feed(recording, &mut monitor, reading, progress);
    (monitor, facts)
}

/// The same into a core that is there.
pub(super) fn feed(
    recording: &Recording,
    monitor: &mut LinkMonitor,
    reading: Reading,
    progress: &dyn Fn(f64),
) -> RecordingFacts {
    match reading {
        Reading::Ahead => {
            let wire = take(monitor.wire_mut());
            let (facts, wire) = read_ahead(
                recording,
                wire,
                BATCH,
                &mut |entry, messages| {
                    monitor.take(entry, messages);
                },
                progress,
            );
            *monitor.wire_mut() = wire;
            facts
        }
        Reading::InTurn => in_turn(recording, monitor, progress),
    }
}

fn in_turn(recording: &Recording, monitor: &mut LinkMonitor, progress: &dyn Fn(f64)) -> RecordingFacts {
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
    recording.facts(&cursor)
}

#[cfg(test)]
mod tests {
    use crate::run::analyse::*;

    #[test]
    fn figures_are_the_same_wherever_it_is_read() {
        let orchard: &[u8] = include_bytes!("../../recordings/orchard-2.pcapng");
        let bare: &[u8] = include_bytes!("../../tests/data/quad2013_a.raw");
        let text = include_str!("../../recordings/orchard-profile.toml");
        let profile = Profile::parse(text).unwrap();
        for (name, bytes, profile) in [
            ("a.pcapng", orchard, profile),
            ("b.raw", bare, Profile::default()),
            ("c.pcapng", orchard, Profile::default()),
        ] {
            let recording = Recording::read(name, bytes).unwrap();
            let profile = Arc::new(profile);
            let summary = |reading| {
                let (monitor, facts) = analyse(&recording, &profile, Earlier::default(), reading, &|_| {});
                serde_json::to_string(&monitor.summary(&facts)).unwrap()
            };
            assert_eq!(summary(Reading::Ahead), summary(Reading::InTurn), "{name}");
        }
    }
}
