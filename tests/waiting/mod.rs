//! Waiting for what another thread or program does.

use std::sync::mpsc::channel;
use std::time::Duration;

/// Looks again and again until a condition holds.
pub(crate) fn wait_for<T>(patience: Duration, what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let (_never, nothing) = channel::<()>();
    let step = Duration::from_millis(10);
    for _ in 0..patience.as_millis() / step.as_millis() {
        if let Some(found) = look() {
            return found;
        }
        let _ = nothing.recv_timeout(step);
    }
    panic!("waited in vain for {what}");
}
