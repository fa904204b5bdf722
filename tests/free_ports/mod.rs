//! Ports for programs that open them a moment later.
//!
//! A port that the kernel chooses may be given to another socket of the same test before the program opens it:
//! senders ask for ports too. These lie below the range that the kernel chooses from (32,768 on, `ip(7)`), and no
//! two calls give the same one.

use std::net::UdpSocket;
use std::sync::atomic::{AtomicU32, Ordering};

const FIRST: u32 = 10_000;
const COUNT: u32 = 20_000;

/// A UDP port that nobody uses and that nobody else is given.
pub(crate) fn free_udp_port() -> u16 {
    static GIVEN: AtomicU32 = AtomicU32::new(0);
    // Two test programs at once begin far apart.
    let first = std::process::id().wrapping_mul(97);
    (0..COUNT)
        .map(|_| first.wrapping_add(GIVEN.fetch_add(1, Ordering::Relaxed)) % COUNT + FIRST)
        .filter_map(|port| u16::try_from(port).ok())
        .find(|port| UdpSocket::bind(("127.0.0.1", *port)).is_ok())
        .expect("a free port")
}
