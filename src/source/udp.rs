//! UDP: a listening source, or the other program behind `--forward`.
//!
//! A listening source answers the vehicle (see `peer`). What comes is stamped by the kernel, what is sent just before it
//! goes.

use std::future::pending;
use std::net::{SocketAddr, ToSocketAddrs};
use std::os::fd::{AsFd, AsRawFd, OwnedFd};
use std::sync::{Mutex, PoisonError};

use nix::sys::socket::{AddressFamily, SockFlag, SockType, SockaddrStorage, setsockopt, socket, sockopt};
use tokio::io::Interest;
use tokio::net::UdpSocket;
use tokio::sync::{mpsc, watch};

use crate::record::Flow;

use super::byte_stream::{Refusal, plain};
use super::endpoint::{Line, Outgoing};
use super::host_drops::{SocketDrops, each_second};
use super::only_from::OnlyFrom;
use super::peer::Peer;
use super::receive;
use super::receive::Receiver;

/// Buffer asked of the kernel: 4 s of a 16 Mbit/s video.
const RECEIVE_BUFFER: usize = 8 << 20;

/// An open socket.
pub(crate) struct Socket {
    udp: UdpSocket,
    local: SocketAddr,
    /// The only one to talk with; `None`: whoever speaks.
    fixed: Option<SocketAddr>,
    /// The only one to listen to.
    from: Option<OnlyFrom>,
    /// Bound to an address that this computer did not have then.
    is_early: bool,
}

/// Listens on an address, to all or to one sender. An address that this computer does not have yet may come later.
pub(crate) fn listen(
    host: &str,
    port: u16,
    from: Option<OnlyFrom>,
    may_wait: bool,
) -> Result<Socket, Refusal> {
    let address = resolve(host, port)?;
    let bound = std::net::UdpSocket::bind(address);
    let is_missing = |error: &std::io::Error| error.kind() == std::io::ErrorKind::AddrNotAvailable;
    let is_early = may_wait && bound.as_ref().is_err_and(is_missing);
    let bound = if is_early { bind_ahead(address) } else { bound };
    Ok(Socket { from, is_early, ..ready(bound, address, None)? })
}

/// Binds to an address before this computer has it (ip(7), IP_FREEBIND).
fn bind_ahead(address: SocketAddr) -> std::io::Result<std::net::UdpSocket> {
    let family = if address.is_ipv6() { AddressFamily::Inet6 } else { AddressFamily::Inet };
    let fd = socket(family, SockType::Datagram, SockFlag::SOCK_CLOEXEC, None)?;
    setsockopt(&fd, sockopt::IpFreebind, &true)?;
    nix::sys::socket::bind(fd.as_raw_fd(), &SockaddrStorage::from(address))?;
    Ok(fd.into())
}

/// Talks with one address.
pub(crate) fn talk(host: &str, port: u16) -> Result<Socket, Refusal> {
    let peer = resolve(host, port)?;
    let any: SocketAddr = if peer.is_ipv6() { ([0u16; 8], 0).into() } else { ([0u8; 4], 0).into() };
    ready(std::net::UdpSocket::bind(any), any, Some(peer))
}

fn resolve(host: &str, port: u16) -> Result<SocketAddr, Refusal> {
    let advice = || "give an address of this network, e.g. 0.0.0.0".to_owned();
    (host, port)
        .to_socket_addrs()
        .map_err(|error| Refusal { reason: plain(&error), advice: advice() })?
        .next()
        .ok_or_else(|| Refusal { reason: format!("'{host}' has no address"), advice: advice() })
}

/// Makes a bound socket ready, or says why it is not bound.
fn ready(
    bound: std::io::Result<std::net::UdpSocket>,
    address: SocketAddr,
    fixed: Option<SocketAddr>,
) -> Result<Socket, Refusal> {
    let refuse = |error: &std::io::Error| match error.kind() {
        std::io::ErrorKind::AddrInUse => Refusal {
            reason: format!("port {} is busy: another program listens on it", address.port()),
            advice: "close that program, or have it listen elsewhere and reach it with --forward".to_owned(),
        },
        std::io::ErrorKind::AddrNotAvailable => Refusal {
            reason: format!("{} is no address of this computer", address.ip()),
            advice: "listen on 0.0.0.0 or [::] for all of its addresses".to_owned(),
        },
        _ => Refusal { reason: plain(error), advice: "choose another address or port".to_owned() },
    };
    let socket = bound.map_err(|error| refuse(&error))?;
    deepen(&socket);
    receive::stamp(&socket);
    let open = || {
        socket.set_nonblocking(true)?;
        if let Some(peer) = fixed {
            socket.connect(peer)?;
        }
        let udp = UdpSocket::from_std(socket)?;
        let local = udp.local_addr()?;
        Ok(Socket { udp, local, fixed, from: None, is_early: false })
    };
    open().map_err(|error| refuse(&error))
}

/// Asks the kernel for a larger buffer, beyond the usual limit where this user may.
pub(crate) fn deepen(socket: &impl AsFd) {
    if setsockopt(socket, sockopt::RcvBufForce, &RECEIVE_BUFFER).is_err() {
        let _ = setsockopt(socket, sockopt::RcvBuf, &RECEIVE_BUFFER);
    }
}

impl Socket {
    /// Whether its address was none of this computer's when it was bound.
    pub(crate) const fn is_early(&self) -> bool {
        self.is_early
    }

    /// The counter of what the kernel dropped.
    pub(crate) fn drops(&self) -> Option<SocketDrops> {
        SocketDrops::of(self.udp.as_raw_fd(), self.local.is_ipv6())
    }

    /// A second descriptor of it, to see whether something waits.
    pub(crate) fn watched(&self) -> Option<OwnedFd> {
        self.udp.as_fd().try_clone_to_owned().ok()
    }

    /// Serves it for the whole session; `vehicle` is the vehicle's system, once it is known.
    pub(crate) async fn run(
        self,
        line: Line,
        mut outgoing: mpsc::Receiver<Outgoing>,
        vehicle: watch::Receiver<Option<u8>>,
    ) {
        let peer = Mutex::new(Peer::default());
        tokio::select! {
            () = self.read(&line, &peer, &vehicle) => {}
            () = self.write(&line, &peer, &mut outgoing) => {}
            () = self.count(&line) => {}
        }
    }

    async fn read(&self, line: &Line, peer: &Mutex<Peer>, vehicle: &watch::Receiver<Option<u8>>) {
        let mut buffer = vec![0; 65_536];
        let mut receiver = Receiver::new(*line.clock());
        let mut left_out = 0;
        loop {
            let read = self
                .udp
                .async_io(Interest::READABLE, || receiver.read::<SockaddrStorage>(&self.udp, &mut buffer));
            // Errors tell of datagrams that could not be delivered to a peer; reading goes on.
            let Ok(received) = read.await else {
                tokio::task::yield_now().await;
                continue;
            };
            let Some(source) = received.sender.as_ref().and_then(address) else { continue };
            if let Some(from) = self.from.filter(|from| !from.takes(source)) {
                left_out += 1_u64;
                if left_out.is_power_of_two() {
                    line.leaves_out(left_out, &from.to_string());
                }
                continue;
            }
            let flow = Flow { source, destination: self.local };
            line.received_datagram(received.at, flow, &buffer[..received.length]).await;
            let (now, vehicle) = (line.clock().now(), *vehicle.borrow());
            let mut peer = peer.lock().unwrap_or_else(PoisonError::into_inner);
            let before = peer.address();
            if peer.observe(source, now, vehicle, &buffer[..received.length])
                && let Some(before) = before
            {
                line.answers(source, before);
            }
        }
    }

    async fn write(&self, line: &Line, peer: &Mutex<Peer>, outgoing: &mut mpsc::Receiver<Outgoing>) {
        while let Some(next) = outgoing.recv().await {
            let heard = peer.lock().unwrap_or_else(PoisonError::into_inner).address();
            let Some(destination) = self.fixed.or(heard) else { continue };
            let now = line.clock().now();
            let bytes = next.bytes(now);
            let result = match self.fixed {
                Some(_) => self.udp.send(&bytes).await,
                None => self.udp.send_to(&bytes, destination).await,
            };
            if result.is_ok() {
                line.sent_datagram(now, Flow { source: self.local, destination }, &bytes);
            }
        }
        pending::<()>().await;
    }

    async fn count(&self, line: &Line) {
        let Some(drops) = self.drops() else { return pending().await };
        let mut seconds = each_second();
        loop {
            seconds.tick().await;
            if let Some(total) = drops.read() {
                line.host_drops(total);
            }
        }
    }
}

fn address(storage: &SockaddrStorage) -> Option<SocketAddr> {
    let v4 = || storage.as_sockaddr_in().map(|address| SocketAddr::V4((*address).into()));
    let v6 = || storage.as_sockaddr_in6().map(|address| SocketAddr::V6((*address).into()));
    v4().or_else(v6)
}
