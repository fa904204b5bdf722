//! Where bytes come from, for all commands that listen.

use clap::Args;

/// Sources. What is typed goes before the profile's.
#[derive(Clone, Debug, Default, Args)]
pub struct SourceArgs {
    /// Where the vehicle's telemetry comes from: `serial:/dev/ttyACM0?baud=115200`,
    /// `udp://0.0.0.0:14550` (listens), `tcp://host:port`, a file or named pipe, or - for
    /// standard input: bare bytes, or a packet tool's capture as it is made. What is typed of all sources goes before
    /// the profile's [sources]; none leaves one of those out.
    #[arg(long, value_name = "URL")]
    pub vehicle: Option<String>,
    /// Where the handset's sticks are heard: a URL of stick messages as above, or
    /// `evdev:/dev/input/eventN`, a joystick of this computer.
    #[arg(long, value_name = "URL")]
    pub handset: Option<String>,
    /// Where the video's RTP packets come from: a URL as above, or `capture:IFACE?port=N`
    /// to listen beside the player that holds the port.
    #[arg(long, value_name = "URL")]
    pub video: Option<String>,
    /// Where a level is read beside the telemetry: wifi:IFACE, the kernel's figure of a wireless
    /// card, or capture:IFACE, an interface in monitor mode. That hears others too: local law says what you may hear
    /// and keep, and recordings hold addresses and positions.
    #[arg(long, value_name = "URL")]
    pub level: Option<String>,
}

impl SourceArgs {
    /// What was typed of each, in this order.
    pub(crate) fn typed(&self) -> [Option<&str>; 4] {
        [&self.vehicle, &self.handset, &self.video, &self.level].map(Option::as_deref)
    }
}
