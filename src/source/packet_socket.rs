//! `capture:IFACE?port=N`: packets of an interface, listened to beside the program that holds the port.
//!
//! A Linux packet socket (packet(7)) bound to one interface gets a copy of every packet, which is
//! recorded as it came, with the interface's own link header (Ethernet; on an interface in monitor
//! mode radiotap and 802.11; Linux cooked where there is no header that could be named). Only UDP
//! to or from the ports that were named is kept; on a monitor interface all other frames are kept
//! too, without their bodies, for their levels and numbers. What the kernel could not hand over is
//! read from the socket's own counter. Nothing is ever sent.

use std::io;
use std::os::fd::{AsRawFd, OwnedFd};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use nix::errno::Errno;
use nix::libc;
use nix::sys::socket::{AddressFamily, LinkAddr, SockFlag, SockType, getsockopt, socket, sockopt};
use tokio::io::unix::AsyncFd;

use crate::capture;
use crate::record::Direction;
use crate::record::packet::{LinkType, OwnedPacket};
use crate::units::Nanos;

use super::byte_stream::{RETRY, Refusal, plain, reopened};
use super::endpoint::Line;
use super::host_drops::each_second;
use super::readiness;
use super::receive;
use super::receive::{Received, Receiver};
use super::udp;

/// More than the largest packet of any interface (the loopback's are 64 KiB and a header).
const LARGEST: usize = 128 << 10;
/// Most of a frame that is kept for its level alone: a radiotap header and an 802.11 one fit.
const HEADERS: usize = 160;
/// The header that stands for one that could not be named, up to the address (LINKTYPE_LINUX_SLL).
const COOKED: usize = 16;

/// What the socket hands over, and what it could not (linux/if_packet.h).
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Statistics {
    packets: u32,
    drops: u32,
}

/// Counters since they were read last.
#[expect(unsafe_code, reason = "no safe call reads the counters of a packet socket")]
fn statistics(socket: &OwnedFd) -> nix::Result<Statistics> {
    let mut read = Statistics::default();
    let mut length = size_of::<Statistics>() as libc::socklen_t;
    // SAFETY: the kernel writes at most `length` bytes to the structure, which is that long.
    let result = unsafe {
        libc::getsockopt(
            socket.as_raw_fd(),
            libc::SOL_PACKET,
            libc::PACKET_STATISTICS,
            (&raw mut read).cast(),
            &raw mut length,
        )
    };
    Errno::result(result).map(|_| read)
}

/// Packets that the kernel dropped because the socket's buffer was full, over all of its lives.
#[derive(Clone, Debug, Default)]
pub(crate) struct PacketDrops {
    total: Arc<AtomicU64>,
    socket: Arc<std::sync::Mutex<Option<OwnedFd>>>,
}

impl PacketDrops {
    /// The counter starts anew whenever it is read, and with each socket.
    pub(crate) fn read(&self) -> u64 {
        let socket = self.socket.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let new = socket.as_ref().and_then(|socket| statistics(socket).ok());
        let new = new.map_or(0, |statistics| u64::from(statistics.drops));
        self.total.fetch_add(new, Ordering::Relaxed) + new
    }

    /// Whether a packet waits to be read.
    pub(crate) fn has_more(&self) -> bool {
        let socket = self.socket.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        socket.as_ref().is_some_and(readiness::is_readable)
    }

    fn follow(&self, socket: &OwnedFd) {
        *self.socket.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = socket.try_clone().ok();
    }
}

/// An open packet socket.
pub(crate) struct Socket {
    fd: AsyncFd<OwnedFd>,
    link: LinkType,
    hardware: u16,
    ports: Vec<u16>,
}

/// Listens on an interface, or says why not and what to do.
pub(crate) fn open(interface: &str, ports: &[u16]) -> Result<Socket, Refusal> {
    let hardware = hardware(interface)?;
    open_as(interface, ports, own_link(hardware), hardware)
}

/// Listens on an interface whose packets are known already to be recorded as of this link type.
pub(crate) fn open_again(interface: &str, ports: &[u16], link: LinkType) -> Result<Socket, Refusal> {
    let hardware = hardware(interface)?;
    let own = own_link(hardware);
    if own != link && (own.is_on_air() || link != LinkType::COOKED) {
        return Err(Refusal {
            reason: "the interface has other packets now (is it in another mode?)".to_owned(),
            advice: "start again".to_owned(),
        });
    }
    open_as(interface, ports, link, hardware)
}

/// The link type of an interface that is not there yet: one without ports is listened to for its levels, in monitor mode;
/// what has ports has a cooked header, which fits all others.
pub(crate) const fn link_to_come(ports: &[u16]) -> LinkType {
    if ports.is_empty() { LinkType::RADIOTAP } else { LinkType::COOKED }
}

/// The kernel's number of the interface's kind (ARPHRD_*), as it says it of each interface that there is.
fn hardware(interface: &str) -> Result<u16, Refusal> {
    let mut all = nix::ifaddrs::getifaddrs().map_err(refusal)?;
    let own = |one: nix::ifaddrs::InterfaceAddress| {
        let address = one.address.filter(|_| one.interface_name == interface)?;
        Some(address.as_link_addr()?.hatype())
    };
    all.find_map(own).ok_or_else(missing)
}

const fn own_link(hardware: u16) -> LinkType {
    match hardware {
        libc::ARPHRD_ETHER | libc::ARPHRD_LOOPBACK => LinkType::ETHERNET,
        libc::ARPHRD_IEEE80211_RADIOTAP => LinkType::RADIOTAP,
        libc::ARPHRD_IEEE80211 => LinkType::IEEE802_11,
        _ => LinkType::COOKED,
    }
}

fn open_as(interface: &str, ports: &[u16], link: LinkType, hardware: u16) -> Result<Socket, Refusal> {
    let kind = if link == LinkType::COOKED { SockType::Datagram } else { SockType::Raw };
    let fd = listen(interface, kind).map_err(refusal)?;
    let fd = readiness::watch(fd)
        .map_err(|error| Refusal { reason: plain(&error), advice: "try again".to_owned() })?;
    Ok(Socket { fd, link, hardware, ports: ports.to_vec() })
}

fn listen(interface: &str, kind: SockType) -> nix::Result<OwnedFd> {
    let index = nix::net::if_::if_nametoindex(interface)?;
    let flags = SockFlag::SOCK_NONBLOCK | SockFlag::SOCK_CLOEXEC;
    // Without a protocol it hears nothing before it is bound to the one interface.
    let fd = socket(AddressFamily::Packet, kind, flags, None)?;
    udp::deepen(&fd);
    receive::stamp(&fd);
    bind(&fd, index)?;
    match getsockopt(&fd, sockopt::SocketError)? {
        0 => Ok(fd),
        error => Err(Errno::from_raw(error)),
    }
}

#[expect(unsafe_code, reason = "no safe call binds to an interface by its number")]
fn bind(fd: &OwnedFd, index: u32) -> nix::Result<()> {
    let address = libc::sockaddr_ll {
        sll_family: libc::AF_PACKET as u16,
        sll_protocol: (libc::ETH_P_ALL as u16).to_be(),
        sll_ifindex: index as i32,
        sll_hatype: 0,
        sll_pkttype: 0,
        sll_halen: 0,
        sll_addr: [0; 8],
    };
    let length = size_of::<libc::sockaddr_ll>() as libc::socklen_t;
    // SAFETY: the address is a whole `sockaddr_ll` of that length and is only read.
    let result = unsafe { libc::bind(fd.as_raw_fd(), (&raw const address).cast(), length) };
    Errno::result(result).map(drop)
}

fn missing() -> Refusal {
    let advice = "give one that 'ip link' lists".to_owned();
    Refusal { reason: "there is no such interface".to_owned(), advice }
}

fn refusal(error: Errno) -> Refusal {
    match error {
        Errno::EPERM | Errno::EACCES => Refusal {
            reason: "listening beside other programs needs the capability CAP_NET_RAW".to_owned(),
            advice: "give it once (sudo setcap cap_net_raw+ep \"$(command -v fadewatch)\"), or run as root"
                .to_owned(),
        },
        Errno::ENODEV | Errno::ENXIO => missing(),
        Errno::ENETDOWN => Refusal {
            reason: "the interface is down".to_owned(),
            advice: "bring it up (sudo ip link set IFACE up)".to_owned(),
        },
        other => Refusal { reason: plain(&other.into()), advice: "try another interface".to_owned() },
    }
}

impl Socket {
    /// The link type of what it hands over.
    pub(crate) const fn link(&self) -> LinkType {
        self.link
    }

    /// Reads until the interface fails; gives the reason.
    async fn serve(&self, line: &Line) -> String {
        let mut buffer = vec![0; LARGEST];
        let mut receiver = Receiver::new(*line.clock());
        loop {
            let mut ready = match self.fd.readable().await {
                Ok(ready) => ready,
                Err(error) => return plain(&error),
            };
            // A cooked header is put before what has none.
            let from = if self.link == LinkType::COOKED { COOKED } else { 0 };
            let read = ready.try_io(|fd| receiver.read::<LinkAddr>(fd, &mut buffer[from..]));
            match read {
                Ok(Ok(Received { length, sender: Some(sender), at })) => {
                    self.take(line, at, &mut buffer[..from + length], &sender);
                }
                Ok(Ok(_)) | Err(_) => {}
                Ok(Err(error)) if error.kind() == io::ErrorKind::Interrupted => {}
                Ok(Err(error)) => return plain(&error),
            }
        }
    }

    fn take(&self, line: &Line, at: Nanos, packet: &mut [u8], sender: &LinkAddr) {
        let outgoing = sender.pkttype() == libc::PACKET_OUTGOING;
        // What goes out on the loopback comes in on it as well.
        if outgoing && self.hardware == libc::ARPHRD_LOOPBACK {
            return;
        }
        if self.link == LinkType::COOKED {
            packet[..COOKED].copy_from_slice(&cooked(sender, self.hardware));
        }
        let direction = if outgoing { Direction::Outbound } else { Direction::Inbound };
        match wanted(self.link, packet, &self.ports) {
            Some(packet) => line.packet(at, direction, packet),
            None => line.passed_over(at),
        }
    }
}

/// What is kept of a packet; `None`: nothing.
fn wanted(link: LinkType, bytes: &[u8], ports: &[u16]) -> Option<OwnedPacket> {
    let packet = capture::packet(link, bytes);
    let named = |flow: crate::record::Flow| {
        ports.is_empty() || ports.contains(&flow.source.port()) || ports.contains(&flow.destination.port())
    };
    if packet.flow.is_some_and(named) {
        return Some(packet.to_owned());
    }
    link.is_on_air().then(|| {
        // Without its body: a replay, which looks for a datagram anew, must find none in it either.
        let length = capture::before_body(link, bytes).map_or(HEADERS, |at| at.min(HEADERS));
        packet.cut(length).to_owned()
    })
}

/// LINKTYPE_LINUX_SLL: packet type, hardware type, address, protocol, in network order.
fn cooked(sender: &LinkAddr, hardware: u16) -> [u8; COOKED] {
    let mut header = [0; COOKED];
    header[..2].copy_from_slice(&u16::from(sender.pkttype()).to_be_bytes());
    header[2..4].copy_from_slice(&hardware.to_be_bytes());
    header[4..6].copy_from_slice(&(sender.halen().min(6) as u16).to_be_bytes());
    header[6..12].copy_from_slice(&sender.addr().unwrap_or_default());
    // As the kernel has it, in network order already.
    header[14..].copy_from_slice(&sender.protocol().to_ne_bytes());
    header
}

/// Serves an interface for the whole session; `None`: it has yet to be opened.
pub(crate) async fn run(
    mut socket: Option<Socket>,
    line: Line,
    drops: PacketDrops,
    reopen: impl Fn() -> Result<Socket, Refusal> + Send + Sync,
) {
    loop {
        if let Some(open) = socket.take() {
            drops.follow(open.fd.get_ref());
            let reason = tokio::select! {
                reason = open.serve(&line) => reason,
                never = count(&line, &drops) => match never {},
            };
            // What the socket still knows is lost with it otherwise.
            line.host_drops(drops.read());
            line.down(&reason);
        }
        socket = Some(reopened(RETRY, &reopen).await);
        line.up();
    }
}

async fn count(line: &Line, drops: &PacketDrops) -> std::convert::Infallible {
    let mut seconds = each_second();
    loop {
        seconds.tick().await;
        line.host_drops(drops.read());
    }
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;
    use std::net::UdpSocket;

    use nix::sys::socket::setsockopt;

    use super::super::endpoint::Notices;
    use super::super::ingest_queue::{Intake, IntakeLimits};
    use crate::clock::SessionClock;
    use crate::record::{Body, InterfaceId};
    use crate::source::packet_socket::*;

    /// On the loopback, to a port of ours; `None`: this user may not.
    fn listening(link: LinkType) -> Option<(Socket, UdpSocket)> {
        let player = UdpSocket::bind("127.0.0.1:0").unwrap();
        let port = player.local_addr().unwrap().port();
        match open_as("lo", &[port], link, libc::ARPHRD_LOOPBACK) {
            Ok(socket) => Some((socket, player)),
            Err(refusal) => {
                assert!(refusal.reason.contains("CAP_NET_RAW"), "{}", refusal.reason);
                None
            }
        }
    }

    /// Ten packets of different lengths: what was taken of them.
    async fn taken(link: LinkType) -> Option<Vec<(LinkType, Vec<u8>)>> {
        let (socket, player) = listening(link)?;
        let intake = Intake::new(SessionClock::start(), IntakeLimits::default());
        let (name, notices) = ("video".to_owned(), Notices::default());
        let line =
            Line::Source { interface: InterfaceId(0), name, intake: intake.clone(), passing: None, notices };
        let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
        for length in 1..=10_u8 {
            sender.send_to(&vec![length; length.into()], player.local_addr().unwrap()).unwrap();
        }
        let mut records = Vec::new();
        let look = async {
            let mut batch = VecDeque::new();
            while records.len() < 10 {
                intake.take(&mut batch);
                records.extend(batch.drain(..));
                tokio::task::yield_now().await;
            }
        };
        tokio::select! { reason = socket.serve(&line) => panic!("{reason}"), () = look => {} }
        let payload = |record: &crate::record::OwnedRecord| match record.as_record().body {
            Body::Packet(packet) => Some((packet.link, packet.datagram()?.1.to_vec())),
            _ => None,
        };
        records.iter().map(payload).collect()
    }

    #[tokio::test]
    async fn packets_come_with_the_interfaces_header_or_a_cooked_one() {
        for link in [LinkType::ETHERNET, LinkType::COOKED] {
            let Some(packets) = taken(link).await else { return };
            let expected: Vec<_> = (1..=10_u8).map(|length| (link, vec![length; length.into()])).collect();
            assert_eq!(packets, expected);
        }
    }

    #[tokio::test]
    async fn what_the_kernel_dropped_is_counted() {
        let Some((socket, player)) = listening(LinkType::ETHERNET) else { return };
        setsockopt(socket.fd.get_ref(), sockopt::RcvBuf, &4096).unwrap();
        let drops = PacketDrops::default();
        drops.follow(socket.fd.get_ref());
        assert_eq!(drops.read(), 0);
        let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
        for _ in 0..100 {
            sender.send_to(&[0; 1000], player.local_addr().unwrap()).unwrap();
        }
        let lost = drops.read();
        assert!(lost > 90, "{lost}");
        assert!(drops.read() >= lost, "the kernel's counter starts anew, ours does not");
    }

    /// An 802.11 frame with a datagram: 24 bytes of header, then LLC with SNAP, IPv4 and UDP.
    fn frame_to(port: u16, payload: &[u8]) -> Vec<u8> {
        let length = payload.len() as u8;
        let mut frame = vec![0x08, 0x02, 0, 0];
        frame.extend([[2_u8; 6], [4; 6], [6; 6]].concat());
        frame.extend([0x10, 0, 0xAA, 0xAA, 3, 0, 0, 0, 8, 0]);
        frame.extend([0x45, 0, 0, 28 + length, 0, 0, 0, 0, 64, 17, 0, 0, 10, 0, 0, 1, 10, 0, 0, 2]);
        frame.extend([0x36, 0xB0]);
        frame.extend(port.to_be_bytes());
        frame.extend([0, 8 + length, 0, 0]);
        frame.extend(payload);
        frame
    }

    /// What is kept is dissected anew by a replay, which must find no more in it than the session did.
    #[test]
    fn a_frame_to_another_port_is_kept_without_its_body() {
        let payload = [0xFD, 1, 2, 3];
        let plain = frame_to(14_550, &payload);
        let radio = [&[0_u8, 0, 8, 0, 0, 0, 0, 0][..], &plain[..]].concat();
        // Its flags say that a check sequence ends the frame.
        let checked = [&[0_u8, 0, 9, 0, 2, 0, 0, 0, 0x10][..], &plain[..], &[1, 2, 3, 4][..]].concat();
        for (link, bytes, headers) in [
            (LinkType::IEEE802_11, &plain, 24),
            (LinkType::RADIOTAP, &radio, 32),
            (LinkType::RADIOTAP, &checked, 33),
        ] {
            let whole = wanted(link, bytes, &[14_550]).unwrap();
            assert_eq!(whole.as_packet().datagram().map(|(_, payload)| payload), Some(&payload[..]));
            let kept = wanted(link, bytes, &[5004]).unwrap();
            assert_eq!(kept.as_packet().bytes, &bytes[..headers]);
            let again = capture::packet(link, kept.as_packet().bytes);
            assert_eq!((again.flow, again.datagram()), (None, None));
        }
    }

    #[test]
    fn refusals_say_what_to_do() {
        assert!(refusal(Errno::EPERM).advice.contains("setcap cap_net_raw+ep"));
        assert!(refusal(Errno::ENETDOWN).advice.contains("ip link set"));
        assert!(open("no-such-if", &[]).err().unwrap().reason.contains("no such interface"));
    }
}
