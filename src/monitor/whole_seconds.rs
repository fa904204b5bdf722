//! The whole seconds of a session, as time passes through them.
//!
//! Soon after the last record everything has come to rest: facts count for five seconds, trends look ten back, silences
//! are told within ten. So a longer time without a record is walked for [`AT_REST`] seconds, and its last one stands for the others.

/// Twice as long as anything takes to come to rest.
const AT_REST: i64 = 20;

/// How far it is.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct WholeSeconds {
    done: i64,
    /// Where everything is at rest.
    rest: i64,
    walked: u64,
    /// Tests walk through all of them.
    #[cfg(test)]
    every: bool,
}

impl WholeSeconds {
    /// Those that were walked through, one by one.
    pub(super) const fn walked(&self) -> u64 {
        self.walked
    }

    /// A record comes: time passes up to it.
    pub(super) const fn begin(&mut self) {
        self.rest = self.done.saturating_add(AT_REST);
    }

    /// The next one to walk through, of those up to the last.
    pub(super) fn next(&mut self, last: i64) -> Option<i64> {
        if self.done >= last {
            return None;
        }
        let is_at_rest = self.done >= self.rest;
        #[cfg(test)]
        let is_at_rest = is_at_rest && !self.every;
        self.done = if is_at_rest { last } else { self.done + 1 };
        self.walked += 1;
        Some(self.done)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use crate::capture::Recording;
    use crate::monitor::{LinkMonitor, RecordingFacts};
    use crate::profile::Profile;
    use crate::record::{Body, Entry, Note, Record};
    use crate::snapshot::View;
    use crate::units::Nanos;

    const ORCHARD: &[u8] = include_bytes!("../../recordings/orchard-2.pcapng");

    /// The figures and the picture of a recording with a hole in it.
    fn figures(every: bool, cut_s: i64, hole: Nanos, has_ticks: bool) -> (String, String, u64) {
        let recording = Recording::read("a.pcapng", ORCHARD).unwrap();
        let profile = Profile::parse(include_str!("../../recordings/orchard-profile.toml")).unwrap();
        let mut monitor = LinkMonitor::new(Arc::new(profile), Arc::from([]));
        monitor.seconds.every = every;
        let (mut cursor, mut start) = (recording.cursor(), None);
        while let Some(entry) = recording.next(&mut cursor) {
            match entry {
                Entry::Record(Record { body: Body::Note(Note::Tick), .. }) if !has_ticks => {}
                Entry::Record(record) => {
                    let start = *start.get_or_insert(record.at);
                    let is_behind = record.at - start > Nanos::from_secs(cut_s);
                    let at = if is_behind { record.at + hole } else { record.at };
                    if at - start - hole < Nanos::from_secs(cut_s + 40) {
                        monitor.handle(&Entry::Record(Record { at, ..record }));
                    }
                }
                other => monitor.handle(&other),
            }
        }
        let summary = monitor.summary(&RecordingFacts::default());
        let json = serde_json::to_string(&summary).unwrap();
        let view = View { from_s: 0.0, to_s: monitor.now_s(), columns: 200 };
        let picture = format!("{:?}", monitor.snapshot(view, Arc::new(summary)));
        (json, picture, monitor.seconds_walked())
    }

    /// Walking through all seconds of a hole is the oracle.
    #[test]
    fn what_is_at_rest_stays_so() {
        for (cut_s, hole_s) in [(20, 21), (45, 600), (70, 2 * 3600), (95, 3600)] {
            for has_ticks in [true, false] {
                let of = |every| figures(every, cut_s, Nanos::from_secs(hole_s), has_ticks);
                let (all, quick) = (of(true), of(false));
                assert!(quick.2 <= (cut_s + 40 + 22) as u64 && all.2 as i64 >= cut_s + hole_s, "{cut_s}");
                assert!(all.0 == quick.0, "{cut_s}: {}\n{}", all.0, quick.0);
                assert!(all.1 == quick.1, "{cut_s}: the picture");
            }
        }
    }
}
