//! One datagram or packet read from a socket, with the kernel's receive stamp (SO_TIMESTAMPNS, socket(7)).
//!
//! So that what waited while this computer stood still has the time at which it came. Where the kernel gives
//! no stamp, or one that cannot be believed (see [`ReceiveClock`]), it was received when it was read.

use std::io;
use std::io::IoSliceMut;
use std::os::fd::{AsFd, AsRawFd};
use std::time::Duration;

use nix::libc::timespec;
use nix::sys::socket::{ControlMessageOwned, MsgFlags, SockaddrLike, recvmsg, setsockopt, sockopt};

use crate::clock::{ReceiveClock, SessionClock};
use crate::units::Nanos;

/// Has the kernel stamp what a socket receives.
pub(crate) fn stamp(socket: &impl AsFd) {
    // Without them arrival is when it is read, as before.
    let _ = setsockopt(socket, sockopt::ReceiveTimestampns, &true);
}

/// What was read.
pub(crate) struct Received<A> {
    pub(crate) length: usize,
    pub(crate) sender: Option<A>,
    pub(crate) at: Nanos,
}

/// Reads from one socket.
pub(crate) struct Receiver {
    clock: ReceiveClock,
    control: Vec<u8>,
}

impl Receiver {
    pub(crate) fn new(clock: SessionClock) -> Self {
        Self { clock: ReceiveClock::new(clock), control: nix::cmsg_space!(timespec) }
    }

    /// Reads once from a socket that does not wait.
    pub(crate) fn read<A: SockaddrLike>(
        &mut self,
        socket: &impl AsRawFd,
        buffer: &mut [u8],
    ) -> io::Result<Received<A>> {
        let mut slices = [IoSliceMut::new(buffer)];
        let control = Some(&mut self.control[..]);
        let message = recvmsg::<A>(socket.as_raw_fd(), &mut slices, control, MsgFlags::empty())?;
        let stamp = message.cmsgs().ok().and_then(|mut all| all.find_map(|control| nanos(&control)));
        let at = self.clock.place(stamp);
        Ok(Received { length: message.bytes, sender: message.address, at })
    }
}

fn nanos(control: &ControlMessageOwned) -> Option<Nanos> {
    let ControlMessageOwned::ScmTimestampns(stamp) = control else { return None };
    // Its parts have 32 bits on a small board.
    Some(Nanos(i64::try_from(Duration::from(*stamp).as_nanos()).ok()?))
}

#[cfg(test)]
mod tests {
    use std::net::UdpSocket;

    use nix::sys::socket::SockaddrStorage;

    use crate::source::receive::*;

    /// Whatever the machine does between: each was received after it was sent and before the next was.
    #[test]
    fn what_waits_has_the_time_at_which_it_came() {
        let clock = SessionClock::start();
        let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
        stamp(&socket);
        let mut receiver = Receiver::new(clock);
        let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
        let mut sent = Vec::new();
        for number in 0..20_u8 {
            let before = clock.now();
            sender.send_to(&[number; 9], socket.local_addr().unwrap()).unwrap();
            sent.push((before, clock.now()));
        }
        let mut buffer = [0; 100];
        // Two readings of two clocks lie between.
        let slack = Nanos::from_micros(200);
        for (number, (before, after)) in sent.into_iter().enumerate() {
            let received = receiver.read::<SockaddrStorage>(&socket, &mut buffer).unwrap();
            assert_eq!(buffer[..received.length], [number as u8; 9]);
            assert!((before - slack..=after + slack).contains(&received.at), "{number}");
        }
    }
}
