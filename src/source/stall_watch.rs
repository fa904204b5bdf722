//! The sources' thread watches itself: whether it stood still, and up to when all that waited was read.
//!
//! It looks 40 times a second. A look that comes over 0.15 s after the one before was kept waiting: this
//! computer stood still, or was too busy. The stall lasts until the next look in time, since what waited is
//! read in between; it is noted at its beginning, before all that came during it. After a look in time what
//! every socket received up to then is in the queue, but for a socket from which more is to be read: that
//! one is known up to the newest stamp read. The session's thread takes no record that is newer.

use std::os::fd::OwnedFd;
use std::time::Duration;

use tokio::time::{MissedTickBehavior, interval};

use crate::record::InterfaceId;
use crate::units::Nanos;

use super::ingest_queue::Intake;
use super::packet_socket::PacketDrops;
use super::readiness::is_readable;

const LOOK: Duration = Duration::from_millis(25);
/// Looks further apart than this were late. It is the least time that makes a freeze (W3C webrtc-stats).
const LATE: Nanos = Nanos::from_millis(150);

/// A socket whose datagrams the kernel stamps.
#[derive(Debug)]
pub(crate) enum Watched {
    Socket(OwnedFd),
    /// The one of a packet source, which may be opened anew.
    Packets(PacketDrops),
}

impl Watched {
    /// Whether something waits to be read.
    fn has_more(&self) -> bool {
        match self {
            Self::Socket(socket) => is_readable(socket),
            Self::Packets(packets) => packets.has_more(),
        }
    }
}

/// Tells looks in time from late ones.
#[derive(Clone, Copy, Debug)]
struct Pace {
    last: Nanos,
    stalled_from: Option<Nanos>,
}

/// What a look shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Look {
    /// This thread was kept waiting; things are still to be read.
    Late,
    /// It is at work; where it was not before: since when.
    InTime(Option<Nanos>),
}

impl Pace {
    const fn new(now: Nanos) -> Self {
        Self { last: now, stalled_from: None }
    }

    fn look(&mut self, now: Nanos) -> Look {
        let last = std::mem::replace(&mut self.last, now);
        if now - last > LATE {
            self.stalled_from.get_or_insert(last);
            return Look::Late;
        }
        Look::InTime(self.stalled_from.take())
    }
}

/// Watches for the whole session. `marks`: where a stall is noted.
pub(crate) async fn run(intake: Intake, marks: InterfaceId, sockets: Vec<(InterfaceId, Watched)>) {
    let mut pace = Pace::new(intake.begin_watch());
    let mut looks = interval(LOOK);
    looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        looks.tick().await;
        let now = intake.clock().now();
        let Look::InTime(stalled_from) = pace.look(now) else { continue };
        if let Some(from) = stalled_from {
            intake.stalled(marks, from, now);
        }
        let unread = sockets.iter().filter(|(_, socket)| socket.has_more()).map(|(interface, _)| *interface);
        intake.read_up_to(now, unread);
    }
}

#[cfg(test)]
mod tests {
    use std::os::fd::AsFd as _;

    use crate::source::stall_watch::*;

    #[test]
    fn a_stall_lasts_from_the_last_look_in_time_to_the_next() {
        let ms = Nanos::from_millis;
        let mut pace = Pace::new(ms(0));
        assert_eq!(pace.look(ms(25)), Look::InTime(None));
        assert_eq!(pace.look(ms(175)), Look::InTime(None));
        assert_eq!(pace.look(ms(400)), Look::Late);
        // Kept waiting again while what waited is read: one stall.
        assert_eq!(pace.look(ms(600)), Look::Late);
        assert_eq!(pace.look(ms(625)), Look::InTime(Some(ms(175))));
        assert_eq!(pace.look(ms(650)), Look::InTime(None));
    }

    #[test]
    fn a_socket_says_whether_something_waits() {
        let socket = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        socket.set_nonblocking(true).unwrap();
        let watched = Watched::Socket(socket.as_fd().try_clone_to_owned().unwrap());
        assert!(!watched.has_more());
        let sender = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        sender.send_to(&[1], socket.local_addr().unwrap()).unwrap();
        assert!(watched.has_more());
        socket.recv(&mut [0; 9]).unwrap();
        assert!(!watched.has_more());
    }
}
