//! What a copy of the core holds by itself, so that saved states can be bounded.

use super::LinkMonitor;

/// Whatever is not counted one by one: blocks of places, poses and vibration that are written to, incidents.
const ALL_ELSE: usize = 256 << 10;

impl LinkMonitor {
    /// About how many bytes a copy holds that neither later copies share nor an earlier one of the same session.
    pub(crate) fn own_bytes(&self, before: Option<&Self>) -> usize {
        let latency = self.latency.own_bytes(before.map(|before| &before.latency));
        let meters = latency
            + self.loss.own_bytes()
            + self.claims.own_bytes()
            + self.signal.own_bytes()
            + self.video.own_bytes()
            + self.timing.own_bytes()
            + self.health.own_bytes()
            + self.vibration.own_bytes()
            + self.events.own_bytes();
        size_of::<Self>() + meters + ALL_ELSE
    }
}
