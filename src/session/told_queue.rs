//! From the session's thread to whoever reads a stream: bounded, and never waited for.
//!
//! What finds no room is counted, and told as one object as soon as there is room again. A reader that is gone ends the
//! queue and nothing else.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};

use crate::monitor::LinkMonitor;
use crate::summary::{Dropped, Told};

/// What a session tells: to whom, and how often its figures.
#[derive(Clone, Debug)]
pub struct ToldQueue {
    sender: Option<SyncSender<Told>>,
    /// Dropped since something was last told.
    dropped: u64,
    /// Dropped in all.
    total: Arc<AtomicU64>,
    /// Figures of every so many-th second; 0: none.
    pub every_s: u32,
}

impl ToldQueue {
    /// A queue for so many objects, its other end, and the count of what was dropped.
    #[must_use]
    pub fn new(room: usize, every_s: u32) -> (Self, Receiver<Told>, Arc<AtomicU64>) {
        let (sender, receiver) = sync_channel(room);
        let total = Arc::new(AtomicU64::new(0));
        (Self { sender: Some(sender), dropped: 0, total: Arc::clone(&total), every_s }, receiver, total)
    }

    /// Passes on what a session told since.
    pub(super) fn pass_on(&mut self, monitor: &mut LinkMonitor) {
        for told in monitor.take_told() {
            self.send(told);
        }
    }

    fn send(&mut self, told: Told) {
        if self.dropped > 0 && self.offer(Told::Dropped(Dropped { dropped: self.dropped })) {
            self.dropped = 0;
        }
        if self.dropped > 0 || !self.offer(told) {
            self.dropped += 1;
            self.total.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// False where there is no room.
    fn offer(&mut self, told: Told) -> bool {
        let Some(sender) = &self.sender else { return true };
        match sender.try_send(told) {
            Ok(()) => true,
            Err(TrySendError::Full(_)) => false,
            Err(TrySendError::Disconnected(_)) => {
                self.sender = None;
                true
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::session::told_queue::*;
    use crate::summary::SessionBegin;

    fn told(number: u32) -> Told {
        Told::Begin(SessionBegin { start_utc: Some(number.to_string()), ..SessionBegin::default() })
    }

    /// Every object is read once or counted once, and the count stands where the gap is.
    #[test]
    fn what_finds_no_room_is_counted_where_it_is_missing() {
        let (mut queue, reader, total) = ToldQueue::new(3, 0);
        (0..5).for_each(|number| queue.send(told(number)));
        let read: Vec<Told> = reader.try_iter().collect();
        assert_eq!(read, [told(0), told(1), told(2)]);
        (5..7).for_each(|number| queue.send(told(number)));
        let read: Vec<Told> = reader.try_iter().collect();
        assert_eq!(read, [Told::Dropped(Dropped { dropped: 2 }), told(5), told(6)]);
        assert_eq!(total.load(Ordering::Relaxed), 2);
        drop(reader);
        (0..9).for_each(|number| queue.send(told(number)));
        assert_eq!(total.load(Ordering::Relaxed), 2, "nobody misses what nobody reads");
    }
}
