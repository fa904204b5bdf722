//! Asks the kernel's wireless interface (nl80211) for a card's name and for the level of what it hears.
//!
//! It needs no right. Questions and answers: linux/genetlink.h, linux/nl80211.h; the kernel answers at once, so that
//! nothing here waits for a radio.

use std::io;
use std::os::fd::{AsRawFd as _, OwnedFd};

use netlink_packet_core::{
    DefaultNla, Emitable as _, ErrorBuffer, NLM_F_DUMP, NLM_F_REQUEST, NLMSG_DONE, NLMSG_ERROR, NetlinkBuffer,
};
use nix::net::if_::if_nametoindex;
use nix::sys::socket::{
    AddressFamily, MsgFlags, NetlinkAddr, SockFlag, SockProtocol, SockType, recv, sendto, setsockopt, socket,
    sockopt::ReceiveTimeout,
};
use nix::sys::time::{TimeVal, TimeValLike as _};

use crate::wire::nl80211::{GENERIC_HEADER, INDEX, command, find, messages};

/// GENL_ID_CTRL: who knows the numbers of the others.
const CONTROL: u16 = 16;
/// CTRL_CMD_GETFAMILY, and its attributes: CTRL_ATTR_FAMILY_ID, CTRL_ATTR_FAMILY_NAME.
const GET_FAMILY: u8 = 3;
const FAMILY_ID: u16 = 1;
const FAMILY_NAME: u16 = 2;
/// Bytes of a netlink header.
const HEADER: usize = 16;
/// More than the kernel puts into one answer (NLMSG_GOODSIZE is a page, or 8 kB at most; dumps take 32 kB).
const ANSWER: usize = 65_536;
/// Of a reading: 200 stations are some 100 kB, and none of them would give a level.
const MOST_BYTES: usize = 65_536;

/// A card that can be asked.
#[derive(Debug)]
pub(crate) struct Asked {
    socket: OwnedFd,
    family: u16,
    index: u32,
}

impl Asked {
    /// Makes ready to ask for a card.
    ///
    /// # Errors
    ///
    /// The kernel has no such interface, or no wireless card of this name.
    pub(super) fn open(name: &str) -> io::Result<Self> {
        let socket = open_socket()?;
        let family = family(&socket, "nl80211")?;
        let asked = Self { socket, family, index: if_nametoindex(name)? };
        asked.read().map(|_| asked)
    }

    /// The answers on the card's name and on its stations, as they came.
    pub(super) fn read(&self) -> io::Result<Vec<u8>> {
        let card = DefaultNla::new(INDEX, self.index.to_ne_bytes().to_vec());
        let mut reading = Vec::new();
        let name = ask(&self.socket, self.family, command::GET_INTERFACE, 0, &card)?;
        reading.extend(name);
        // A card that serves nobody, or cannot tell, still has its name.
        match ask(&self.socket, self.family, command::GET_STATION, NLM_F_DUMP, &card) {
            Ok(stations) => reading.extend(stations),
            Err(error) if error.raw_os_error() == Some(nix::libc::EOPNOTSUPP) => {}
            Err(error) => return Err(error),
        }
        reading.truncate(MOST_BYTES);
        Ok(reading)
    }
}

fn open_socket() -> io::Result<OwnedFd> {
    let protocol = SockProtocol::NetlinkGeneric;
    let socket = socket(AddressFamily::Netlink, SockType::Raw, SockFlag::SOCK_CLOEXEC, protocol)?;
    setsockopt(&socket, ReceiveTimeout, &TimeVal::milliseconds(100))?;
    Ok(socket)
}

/// The number that the kernel gave to a family of questions.
fn family(socket: &OwnedFd, name: &str) -> io::Result<u16> {
    let asked = DefaultNla::new(FAMILY_NAME, format!("{name}\0").into_bytes());
    let answer = ask(socket, CONTROL, GET_FAMILY, 0, &asked)?;
    let message = messages(&answer).next().flatten();
    let attributes = message.and_then(|message| message.payload().get(GENERIC_HEADER..));
    let id = attributes.and_then(|attributes| find(attributes, FAMILY_ID)?.try_into().ok());
    id.map(u16::from_ne_bytes).ok_or_else(|| io::Error::other("the kernel's answer holds no number"))
}

/// Sends a question; gives the answers to it, one behind the other.
fn ask(socket: &OwnedFd, family: u16, command: u8, flags: u16, about: &DefaultNla) -> io::Result<Vec<u8>> {
    let mut question = vec![0; HEADER + GENERIC_HEADER + about.buffer_len()];
    question[HEADER] = command;
    about.emit(&mut question[HEADER + GENERIC_HEADER..]);
    let mut header = NetlinkBuffer::new(&mut question);
    header.set_length((HEADER + GENERIC_HEADER + about.buffer_len()) as u32);
    header.set_message_type(family);
    header.set_flags(NLM_F_REQUEST | flags);
    sendto(socket.as_raw_fd(), &question, &NetlinkAddr::new(0, 0), MsgFlags::empty())?;
    let (mut answers, mut buffer) = (Vec::new(), vec![0; ANSWER]);
    loop {
        let length = recv(socket.as_raw_fd(), &mut buffer, MsgFlags::empty())?;
        for message in messages(&buffer[..length]) {
            let message = message.ok_or_else(|| io::Error::other("the kernel's answer is cut short"))?;
            match message.message_type() {
                NLMSG_DONE => return Ok(answers),
                NLMSG_ERROR => return failed(&message).map(|()| answers),
                _ => answers.extend(message.into_inner()),
            }
        }
        if flags & NLM_F_DUMP == 0 {
            return Ok(answers);
        }
    }
}

/// What the kernel refuses says why; number 0 is no refusal.
fn failed(message: &NetlinkBuffer<&[u8]>) -> io::Result<()> {
    let code = ErrorBuffer::new_checked(message.payload()).ok().and_then(|error| error.code());
    code.map_or(Ok(()), |code| Err(io::Error::from_raw_os_error(code.get().abs())))
}

#[cfg(test)]
#[expect(clippy::print_stderr, reason = "a test that cannot ask says so")]
mod tests {
    use crate::source::netlink::*;

    /// The kernel's own answers: its directory of families is itself number 16 (linux/genetlink.h, `GENL_ID_CTRL`), and
    /// what it does not know it refuses with ENOENT.
    #[test]
    fn the_kernel_answers() {
        let socket = match open_socket() {
            Ok(socket) => socket,
            Err(error) => return eprintln!("skipped: no generic netlink here: {error}"),
        };
        assert_eq!(family(&socket, "nlctrl").ok(), Some(CONTROL));
        let unknown = family(&socket, "no-such-family").unwrap_err();
        assert_eq!(unknown.raw_os_error(), Some(nix::libc::ENOENT));
    }

    /// All families: a dump of several messages, with an end of its own.
    #[test]
    fn a_dump_is_read_to_its_end() {
        let Ok(socket) = open_socket() else { return eprintln!("skipped: no generic netlink here") };
        let nothing = DefaultNla::new(FAMILY_NAME, b"nlctrl\0".to_vec());
        let answers = ask(&socket, CONTROL, GET_FAMILY, NLM_F_DUMP, &nothing).unwrap();
        let named = |message: NetlinkBuffer<&[u8]>| {
            find(&message.payload()[GENERIC_HEADER..], FAMILY_NAME).unwrap().to_vec()
        };
        let names: Vec<Vec<u8>> = messages(&answers).map(|message| named(message.unwrap())).collect();
        assert!(names.contains(&b"nlctrl\0".to_vec()), "{names:?}");
    }

    #[test]
    fn what_is_no_wireless_card_is_refused() {
        assert!(Asked::open("lo").is_err());
        assert!(Asked::open("no-such-card").is_err());
    }
}
