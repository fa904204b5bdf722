//! The newest picture of a session: when it is made again, and what it may cost.
//!
//! A picture is made at most five times a second, faster than anybody reads its numbers, and only when something
//! changed; another window at once. The
//! figures in it are heavier: at most once a second, and never for more than one part
//! in twenty of the time, however long the session is. What a page draws of the whole session
//! is as heavy, and made with them. The latency, heavier still, has a pace of its own (`latency`).

mod latency_estimate;

use std::sync::Arc;

use super::{Feed, FeedSlot, Mode, ViewRequest};
use crate::capture::RecorderStatus;
use crate::clock::SessionClock;
use crate::monitor::{LinkMonitor, RecordingFacts};
use crate::snapshot::Snapshot;
use crate::summary::Summary;
use crate::units::Nanos;

use latency_estimate::NewestLatency;

const BETWEEN_PICTURES: Nanos = Nanos::from_millis(200);
const BETWEEN_SUMMARIES: Nanos = Nanos::from_secs(1);
/// A summary that took a second is made again after twenty.
const COST_SHARE: i64 = 20;

/// What a feed holds besides the picture.
pub(crate) struct Status {
    pub(crate) facts: RecordingFacts,
    pub(crate) mode: Mode,
    pub(crate) recorder: Option<RecorderStatus>,
}

/// Publishes feeds.
#[derive(Debug)]
pub(crate) struct Publisher {
    feed: FeedSlot,
    clock: SessionClock,
    view: ViewRequest,
    revision: u64,
    message: Option<String>,
    summary: Arc<Summary>,
    latency: NewestLatency,
    /// The newest picture with these figures.
    shown: Option<Arc<Snapshot>>,
    summary_due: Nanos,
    /// Records came since the summary was made.
    summary_is_old: bool,
    picture_due: Nanos,
    changed: bool,
}

impl Publisher {
    pub(crate) fn new(feed: FeedSlot, clock: SessionClock) -> Self {
        Self {
            feed,
            clock,
            view: ViewRequest { span_s: 60.0, end_s: None, columns: 80 },
            revision: 0,
            message: None,
            summary: Arc::default(),
            latency: NewestLatency::default(),
            shown: None,
            summary_due: Nanos(i64::MIN),
            summary_is_old: true,
            picture_due: Nanos(i64::MIN),
            changed: true,
        }
    }

    /// The core took records.
    pub(crate) fn records_came(&mut self) {
        self.changed = true;
        self.summary_is_old = true;
    }

    /// Another window of time is wanted, at once.
    pub(crate) fn show(&mut self, view: ViewRequest) {
        self.view = view;
        self.changed = true;
        self.picture_due = Nanos(i64::MIN);
    }

    /// Something else than records changed.
    pub(crate) fn touch(&mut self) {
        self.changed = true;
    }

    /// One line for the pilot.
    pub(crate) fn say(&mut self, message: String) {
        self.message = Some(message);
        self.changed = true;
    }

    /// The next picture shows figures of now, whatever they cost: after a seek, or at rest.
    pub(crate) fn refresh(&mut self) {
        self.changed = true;
        self.summary_is_old = true;
        self.latency.forget();
        self.summary_due = Nanos(i64::MIN);
        self.picture_due = Nanos(i64::MIN);
    }

    /// Publishes, where something changed and it is time.
    pub(crate) fn offer(&mut self, monitor: &LinkMonitor, status: impl FnOnce() -> Status) {
        let now = self.clock.now();
        let is_old = self.summary_is_old || self.latency.has_news();
        let summary_due = is_old && now >= self.summary_due;
        if now >= self.picture_due && (self.changed || summary_due) {
            self.publish(monitor, status(), summary_due);
        }
    }

    fn publish(&mut self, monitor: &LinkMonitor, status: Status, with_summary: bool) {
        if with_summary {
            let before = self.clock.now();
            let latency = self.latency.get(monitor, self.clock);
            self.summary = Arc::new(monitor.summary_with(&status.facts, latency));
            self.shown = None;
            let after = self.clock.now();
            let rest = Nanos((after - before).0.saturating_mul(COST_SHARE)).max(BETWEEN_SUMMARIES);
            self.summary_due = after + rest;
            self.summary_is_old = false;
        }
        self.leave(monitor, status, false);
        self.picture_due = self.clock.now() + BETWEEN_PICTURES;
        self.changed = false;
    }

    /// The last feed of a session.
    pub(crate) fn end(&mut self, monitor: &LinkMonitor, status: Status, summary: Summary) {
        self.summary = Arc::new(summary);
        self.shown = None;
        self.leave(monitor, status, true);
    }

    fn leave(&mut self, monitor: &LinkMonitor, status: Status, ended: bool) {
        self.revision += 1;
        let view = self.view.at(monitor.now_s());
        let snapshot = match &self.shown {
            Some(shown) => monitor.snapshot_after(view, shown),
            None => monitor.snapshot(view, Arc::clone(&self.summary)),
        };
        let snapshot = Arc::new(snapshot);
        self.shown = Some(Arc::clone(&snapshot));
        self.feed.publish(Feed {
            revision: self.revision,
            snapshot,
            mode: status.mode,
            recorder: status.recorder,
            ended,
            message: self.message.clone(),
        });
    }
}

/// Tells the screens when the session's thread dies before its end.
pub(crate) struct DeathNotice(pub(crate) FeedSlot);

impl Drop for DeathNotice {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            return;
        }
        if let Some(last) = self.0.latest() {
            let mut feed = Feed::clone(&last);
            feed.revision += 1;
            feed.ended = true;
            feed.message =
                Some("the session stopped by a fault of this program; its recording is kept".into());
            self.0.publish(feed);
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::session::picture_pace::*;

    #[test]
    fn a_panic_ends_the_feed() {
        let feed = FeedSlot::default();
        let slot = feed.clone();
        let thread = std::thread::spawn(move || {
            let _notice = DeathNotice(slot.clone());
            let monitor = LinkMonitor::default();
            let mut publisher = Publisher::new(slot, SessionClock::start());
            let status = || Status { facts: RecordingFacts::default(), mode: Mode::Live, recorder: None };
            publisher.offer(&monitor, status);
            panic!("on purpose, to test what a fault leaves behind");
        });
        assert!(thread.join().is_err());
        let last = feed.latest().unwrap();
        assert!(last.ended);
        assert!(last.message.as_deref().unwrap().contains("fault"));
        assert_eq!(last.revision, 2);
    }
}
