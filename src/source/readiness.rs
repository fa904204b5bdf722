//! Descriptors that the async runtime has no type of its own for: devices and packet sockets.

use std::io;
use std::os::fd::{AsFd, AsRawFd, OwnedFd};

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use tokio::io::unix::AsyncFd;

/// What owns its descriptor for as long as it lives.
pub(crate) trait Owning: AsRawFd {}
impl Owning for std::fs::File {}
impl Owning for OwnedFd {}

/// Has the runtime say when a descriptor, which reads without waiting, has something to read.
#[expect(unsafe_code, reason = "the runtime cannot check that a descriptor stays open")]
pub(crate) fn watch<T: Owning>(owner: T) -> io::Result<AsyncFd<T>> {
    // SAFETY: the owner moves into the result and closes its descriptor only when that is dropped.
    Ok(unsafe { AsyncFd::register(owner) }?)
}

/// Whether a descriptor has something to read.
pub(crate) fn is_readable(owner: &impl AsFd) -> bool {
    let mut each = [PollFd::new(owner.as_fd(), PollFlags::POLLIN)];
    poll(&mut each, PollTimeout::ZERO).is_ok()
        && each[0].revents().is_some_and(|found| found.contains(PollFlags::POLLIN))
}
