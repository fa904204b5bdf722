//! A window that lies before the last day, read again from the recording to be drawn by the second.
//!
//! Older seconds are joined to spans (see `measure/series.rs`). Where a window of the replay shows such and has columns
//! for more, the core's state a little after its end is made once more, from the nearest saved state, on a thread of
//! its own: the window's rows are drawn from it, and figures stay those of the replay's instant. One such state is kept;
//! another is made when the window leaves what it covers. Meanwhile the spans are shown.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use crate::monitor::LinkMonitor;
use crate::session::player::Player;
use crate::snapshot::View;
use crate::units::Nanos;

use super::SLICE;

/// What comes this much later may still change a window: late packets, a gap that closes.
const LEAST_LATER_S: f64 = 60.0;
/// A state stands this much later than the window that it was asked for, so that it does for those after it.
const LATER_S: f64 = 600.0;

/// A state, and where it stands.
#[derive(Clone, Debug)]
struct Kept {
    at_s: f64,
    monitor: Arc<LinkMonitor>,
}

/// Whether a state at an instant draws a window as it stays up to the replay's.
fn covers(at_s: f64, view: View, now_s: f64) -> bool {
    at_s >= (view.to_s + LEAST_LATER_S).min(now_s) && !LinkMonitor::is_coarse(view, at_s)
}

/// A state that is being made.
#[derive(Debug)]
struct Making {
    at_s: f64,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<Option<Arc<LinkMonitor>>>,
}

/// The state that a window is drawn from.
#[derive(Debug, Default)]
pub(super) struct Reread {
    kept: Option<Kept>,
    making: Option<Making>,
    /// The last one that could not be made is not tried again.
    failed_at_s: Option<f64>,
}

impl Reread {
    /// The state to draw a window from; `None`: the replay's own, or there is no other yet.
    pub(super) fn look(&mut self, view: View, player: &Player) -> Option<Arc<LinkMonitor>> {
        let now_s = player.position_s();
        self.take();
        if !LinkMonitor::is_coarse(view, now_s) {
            return None;
        }
        if let Some(kept) = self.kept.as_ref().filter(|kept| covers(kept.at_s, view, now_s)) {
            return Some(Arc::clone(&kept.monitor));
        }
        let at_s = (view.to_s + LATER_S).min(now_s);
        let is_made = self.making.as_ref().is_some_and(|making| covers(making.at_s, view, now_s));
        if !is_made && covers(at_s, view, now_s) && self.failed_at_s != Some(at_s) {
            self.make(at_s, player.clone());
        }
        None
    }

    fn take(&mut self) {
        if let Some(made) = self.making.take_if(|making| making.thread.is_finished()) {
            match made.thread.join() {
                Ok(Some(monitor)) => self.kept = Some(Kept { at_s: made.at_s, monitor }),
                Ok(None) => {}
                Err(_) => self.failed_at_s = Some(made.at_s),
            }
        }
    }

    fn make(&mut self, at_s: f64, mut player: Player) {
        if let Some(making) = &self.making {
            making.stop.store(true, Ordering::Relaxed);
        }
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let read = move || {
            player.jump(at_s);
            while !player.advance(Nanos::from_secs_f64(at_s), SLICE) {
                if stopped.load(Ordering::Relaxed) {
                    return None;
                }
            }
            Some(Arc::new(player.monitor().clone()))
        };
        let thread = std::thread::Builder::new().name("replay-window".to_owned()).spawn(read);
        match thread {
            Ok(thread) => self.making = Some(Making { at_s, stop, thread }),
            Err(_) => self.failed_at_s = Some(at_s),
        }
    }
}

impl Drop for Reread {
    fn drop(&mut self) {
        if let Some(making) = self.making.take() {
            making.stop.store(true, Ordering::Relaxed);
            let _ = making.thread.join();
        }
    }
}
