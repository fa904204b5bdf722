//! Live sessions that know of no earlier one.

use fadewatch::session::SessionHandle;
use fadewatch::session::live;
use fadewatch::session::live::{Known, LiveConfig};

pub(crate) fn start(config: LiveConfig) -> anyhow::Result<SessionHandle> {
    live::start(config, |_| Known::default())
}
