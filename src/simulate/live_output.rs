//! A scenario in real time: to UDP addresses, or to a pseudo-terminal that stands for a serial port.
//!
//! Bytes leave at the scenario's instants; when they arrive is the real network's matter.
//! Stamps of the vehicle come from the scenario. TIMESYNC requests that arrive are
//! answered with the vehicle's clock, within its sequence numbers. A link that nobody reads
//! loses its bytes, as a serial port does.

use std::net::{SocketAddr, ToSocketAddrs};
use std::path::PathBuf;
use std::time::Duration;

use tokio::net::UdpSocket;
use tokio::time::Instant;

use super::mavlink;
use super::scenario::Scenario;
use super::scene;
use super::scene::SimulatedSession;
use crate::record::{Direction, InterfaceId, OwnedBody};

/// Where a live session goes; URLs are `udp://host:port`.
#[derive(Clone, Debug, Default)]
pub struct LiveTarget {
    /// The vehicle's telemetry.
    pub vehicle: Option<String>,
    /// The handset's stick messages.
    pub handset: Option<String>,
    /// The video.
    pub video: Option<String>,
    /// Offers the vehicle's telemetry on a pseudo-terminal, reachable under this name.
    pub pty: Option<PathBuf>,
    /// Scenario seconds a second; `None`: 1.
    pub speed: Option<f64>,
}

/// A live session that could not go on.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// Not `udp://host:port`.
    #[error("'{0}' is no place to send to, give it as udp://host:port")]
    Url(String),
    /// The network or the terminal refused.
    #[error("cannot {what}: {cause}")]
    Io {
        /// What was tried.
        what: String,
        /// Why not.
        cause: std::io::Error,
    },
    /// Speed out of bounds.
    #[error("speed must lie between 0.1 and 100")]
    Speed,
    /// Nothing to send to.
    #[error("nowhere to send to: give --vehicle, --handset, --video or --pty")]
    Nowhere,
}

fn io(what: impl Into<String>) -> impl FnOnce(std::io::Error) -> LiveError {
    let what = what.into();
    move |cause| LiveError::Io { what, cause }
}

/// One way out.
enum Outlet {
    Udp { socket: UdpSocket, to: SocketAddr },
    Terminal(terminal::Terminal),
}

impl Outlet {
    async fn udp(url: &str) -> Result<Self, LiveError> {
        let wrong = || LiveError::Url(url.to_owned());
        let place = url.strip_prefix("udp://").ok_or_else(wrong)?.trim_end_matches('/');
        let to = place.to_socket_addrs().ok().and_then(|mut all| all.next()).ok_or_else(wrong)?;
        let own = if to.is_ipv4() { "0.0.0.0:0" } else { "[::]:0" };
        let socket = UdpSocket::bind(own).await.map_err(io(format!("open a socket for {url}")))?;
        Ok(Self::Udp { socket, to })
    }

    /// What is not taken is lost.
    async fn send(&mut self, bytes: &[u8]) {
        match self {
            Self::Udp { socket, to } => {
                let _ = socket.send_to(bytes, *to).await;
            }
            Self::Terminal(terminal) => terminal.write(bytes),
        }
    }

    /// What has come back, if anything.
    fn receive(&mut self) -> Vec<u8> {
        let mut buffer = [0; 2048];
        let count = match self {
            Self::Udp { socket, .. } => socket.try_recv(&mut buffer).ok(),
            Self::Terminal(terminal) => terminal.read(&mut buffer),
        };
        buffer[..count.unwrap_or(0)].to_vec()
    }
}

/// Plays a scenario to live targets until its end or an interrupt; `announce` hears where it goes.
/// Gives the truth of what was sent.
pub fn run_live(
    scenario: &Scenario,
    target: &LiveTarget,
    announce: &mut dyn FnMut(&str),
) -> Result<serde_json::Value, LiveError> {
    let speed = target.speed.unwrap_or(1.0);
    if !(0.1..=100.0).contains(&speed) {
        return Err(LiveError::Speed);
    }
    let mut scenario = scenario.clone();
    // Requests come from whoever listens.
    scenario.vehicle.timesync_hz = 0.0;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(io("start the network"))?;
    runtime.block_on(async {
        let session = scene::run(&scenario);
        let mut outlets = outlets(&session, target, announce).await?;
        tokio::select! {
            () = play(&session, &scenario, &mut outlets, speed) => {}
            _ = tokio::signal::ctrl_c() => {}
        }
        Ok(session.truth)
    })
}

async fn outlets(
    session: &SimulatedSession,
    target: &LiveTarget,
    announce: &mut dyn FnMut(&str),
) -> Result<Vec<(InterfaceId, Outlet)>, LiveError> {
    let mut outlets = Vec::new();
    let wanted = [("vehicle", &target.vehicle), ("handset", &target.handset), ("video", &target.video)];
    for (name, url) in wanted {
        let Some(url) = url else { continue };
        let outlet = Outlet::udp(url).await?;
        match session.interface(name) {
            Some(id) => {
                announce(&format!("{name} goes to {url}"));
                outlets.push((id, outlet));
            }
            None => announce(&format!("the scenario has no {name}, nothing goes to {url}")),
        }
    }
    if let Some(link) = &target.pty {
        let terminal = terminal::Terminal::open(link).map_err(io("open a pseudo-terminal"))?;
        announce(&format!("vehicle is at serial:{} ({})", link.display(), terminal.name.display()));
        outlets.push((InterfaceId(0), Outlet::Terminal(terminal)));
    }
    if outlets.is_empty() { Err(LiveError::Nowhere) } else { Ok(outlets) }
}

async fn play(
    session: &SimulatedSession,
    scenario: &Scenario,
    outlets: &mut [(InterfaceId, Outlet)],
    speed: f64,
) {
    let began = Instant::now();
    let first = session.records.first().map_or(0, |record| record.at.0);
    let mut answered = 0_u8;
    for record in &session.records {
        let due_s = (record.at.0 - first) as f64 / 1e9 / speed;
        tokio::time::sleep_until(began + Duration::from_secs_f64(due_s)).await;
        let bytes = match &record.body {
            OwnedBody::Stream(bytes) | OwnedBody::Datagram { bytes, .. } => bytes,
            OwnedBody::Note(_) | OwnedBody::Packet(_) | OwnedBody::Other => continue,
        };
        if record.direction == Direction::Outbound {
            continue;
        }
        let Some((id, outlet)) = outlets.iter_mut().find(|(id, _)| *id == record.interface) else { continue };
        if *id != InterfaceId(0) {
            outlet.send(bytes).await;
            continue;
        }
        let own = (scenario.vehicle.system, 1);
        let mut bytes = bytes.to_vec();
        let last = mavlink::renumber(&mut bytes, own, answered);
        outlet.send(&bytes).await;
        // An answer takes the next number, so it can only follow a frame of the vehicle's own.
        let Some(mut last) = last else { continue };
        for ts1 in mavlink::timesync_requests(&outlet.receive()) {
            let elapsed_s = began.elapsed().as_secs_f64() * speed;
            let rate = 1.0 + scenario.vehicle.skew_ppm * 1e-6;
            let boot_ns = session.boot_ns + (elapsed_s * rate * 1e9) as i64;
            let epoch_ns = (scenario.vehicle.timesync_epoch_s * 1e9) as i64;
            last = last.wrapping_add(1);
            answered = answered.wrapping_add(1);
            outlet.send(&mavlink::timesync(boot_ns + epoch_ns, ts1).frame(own.0, own.1, last)).await;
        }
    }
}

#[cfg(unix)]
mod terminal {
    //! The master side of a pseudo-terminal.

    use std::os::fd::OwnedFd;
    use std::path::{Path, PathBuf};

    use nix::fcntl::{FcntlArg, OFlag, fcntl};
    use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};

    /// A pseudo-terminal with a name of its own and a link to it.
    pub(super) struct Terminal {
        master: OwnedFd,
        pub(super) name: PathBuf,
        link: PathBuf,
    }

    impl Terminal {
        pub(super) fn open(link: &Path) -> std::io::Result<Self> {
            let pair = nix::pty::openpty(None, None)?;
            let mut settings = tcgetattr(&pair.slave)?;
            cfmakeraw(&mut settings);
            tcsetattr(&pair.slave, SetArg::TCSANOW, &settings)?;
            let name = nix::unistd::ttyname(&pair.slave)?;
            fcntl(&pair.master, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))?;
            // An older link is replaced, anything else is left alone.
            if std::fs::symlink_metadata(link).is_ok_and(|found| found.file_type().is_symlink()) {
                std::fs::remove_file(link)?;
            }
            std::os::unix::fs::symlink(&name, link)?;
            Ok(Self { master: pair.master, name, link: link.to_owned() })
        }

        /// Nothing is kept for a reader that is not there.
        pub(super) fn write(&self, bytes: &[u8]) {
            let _ = nix::unistd::write(&self.master, bytes);
        }

        pub(super) fn read(&self, buffer: &mut [u8]) -> Option<usize> {
            nix::unistd::read(&self.master, buffer).ok()
        }
    }

    impl Drop for Terminal {
        fn drop(&mut self) {
            let _ = std::fs::remove_file(&self.link);
        }
    }
}

#[cfg(not(unix))]
mod terminal {
    //! No pseudo-terminals here.

    use std::path::{Path, PathBuf};

    pub(super) struct Terminal {
        pub(super) name: PathBuf,
    }

    impl Terminal {
        pub(super) fn open(_: &Path) -> std::io::Result<Self> {
            Err(std::io::ErrorKind::Unsupported.into())
        }

        pub(super) fn write(&self, _: &[u8]) {}

        pub(super) fn read(&self, _: &mut [u8]) -> Option<usize> {
            None
        }
    }
}
