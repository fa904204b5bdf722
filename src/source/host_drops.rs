//! What this computer itself lost: the kernel's counters for sockets and serial ports.

use std::os::fd::RawFd;
use std::path::PathBuf;
use std::time::Duration;

use tokio::time::{Interval, MissedTickBehavior, interval};

/// The pace at which the counters are read; the first time at once.
pub(crate) fn each_second() -> Interval {
    let mut seconds = interval(Duration::from_secs(1));
    seconds.set_missed_tick_behavior(MissedTickBehavior::Delay);
    seconds
}

/// A row that is not in so many readings of the table is not there.
const READINGS: usize = 3;

/// Datagrams that the kernel dropped because a socket's buffer was full.
#[derive(Debug)]
pub(crate) struct SocketDrops {
    table: PathBuf,
    inode: u64,
}

impl SocketDrops {
    /// The counter of an open UDP socket; `None` where the system has none.
    pub(crate) fn of(socket: RawFd, ipv6: bool) -> Option<Self> {
        let link = std::fs::read_link(format!("/proc/self/fd/{socket}")).ok()?;
        let inode = link.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?.parse().ok()?;
        let table = PathBuf::from(if ipv6 { "/proc/self/net/udp6" } else { "/proc/self/net/udp" });
        let counter = Self { table, inode };
        counter.read().map(|_| counter)
    }

    /// Dropped since the socket was opened.
    pub(crate) fn read(&self) -> Option<u64> {
        // The kernel gives the table in pieces: while other sockets come and go, a row may be passed over.
        (0..READINGS).find_map(|_| find_drops(&std::fs::read_to_string(&self.table).ok()?, self.inode))
    }
}

/// The last column of the row whose tenth column is the socket's inode.
fn find_drops(table: &str, inode: u64) -> Option<u64> {
    table.lines().skip(1).find_map(|row| {
        let mut columns = row.split_ascii_whitespace();
        (columns.nth(9)?.parse() == Ok(inode)).then(|| columns.next_back()?.parse().ok())?
    })
}

#[cfg(target_os = "linux")]
mod overruns {
    use std::os::fd::RawFd;

    /// The kernel's `serial_icounter_struct` (include/uapi/linux/serial.h).
    #[repr(C)]
    #[derive(Clone, Copy, Default)]
    pub(super) struct SerialCounters {
        lines: [i32; 4],
        received: i32,
        sent: i32,
        frame: i32,
        overrun: i32,
        parity: i32,
        breaks: i32,
        buffer_overrun: i32,
        reserved: [i32; 9],
    }

    nix::ioctl_read_bad!(read_counters, nix::libc::TIOCGICOUNT, SerialCounters);

    #[expect(unsafe_code, reason = "the driver's overrun counters can be read by this ioctl alone")]
    pub(super) fn read(port: RawFd) -> Option<u64> {
        let mut counters = SerialCounters::default();
        // SAFETY: the kernel writes one `serial_icounter_struct` to the pointer, which is valid
        // for that; a descriptor that is closed or no serial port only gives an error.
        unsafe { read_counters(port, &raw mut counters) }.ok()?;
        Some(u64::from(counters.overrun.unsigned_abs()) + u64::from(counters.buffer_overrun.unsigned_abs()))
    }
}

/// Overruns of a serial port since its driver was loaded; `None` where the driver does
/// not count them (pseudo-terminals).
#[cfg(target_os = "linux")]
pub(crate) fn serial_overruns(port: RawFd) -> Option<u64> {
    overruns::read(port)
}

/// Not counted on this platform.
#[cfg(not(target_os = "linux"))]
pub(crate) fn serial_overruns(_port: RawFd) -> Option<u64> {
    None
}

#[cfg(test)]
mod tests {
    use crate::source::host_drops::*;

    #[test]
    fn the_row_of_the_socket_gives_its_drops() {
        // Format: proc(5) and net/ipv4/udp.c of the kernel; inode is the tenth column, drops the last.
        let table = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode ref pointer drops\n \
             4421: 00000000:38D6 00000000:0000 07 00000000:00000000 00:00000000 00000000  1000        0 51234 2 0000000000000000 17\n \
             5000: 0100007F:0035 00000000:0000 07 00000000:00000000 00:00000000 00000000     0        0 51235 2 0000000000000000 0\n";
        assert_eq!(find_drops(table, 51234), Some(17));
        assert_eq!(find_drops(table, 51235), Some(0));
        assert_eq!(find_drops(table, 1), None);
        assert_eq!(find_drops("", 1), None);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_socket_is_counted() {
        use std::os::fd::AsRawFd;
        let receiver = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        nix::sys::socket::setsockopt(&receiver, nix::sys::socket::sockopt::RcvBuf, &4096).unwrap();
        let Some(counter) = SocketDrops::of(receiver.as_raw_fd(), false) else { return };
        assert_eq!(counter.read(), Some(0));
        let sender = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        for _ in 0..100 {
            sender.send_to(&[0; 1000], receiver.local_addr().unwrap()).unwrap();
        }
        receiver.set_nonblocking(true).unwrap();
        let mut buffer = [0; 2000];
        let mut received = 0;
        while receiver.recv(&mut buffer).is_ok() {
            received += 1;
        }
        assert!(received < 100);
        assert_eq!(counter.read(), Some(100 - received));
    }
}
