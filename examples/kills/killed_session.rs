//! One session of the real binary that is killed while it records, and what its file holds of what was sent.
//!
//! Truth: the sender notes the number of each frame and when it was sent. A frame counts as sent to the program from the
//! instant on at which it said that it listens. Invented data.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::net::UdpSocket;
use std::os::fd::OwnedFd;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

use fadewatch::capture::Recording;
use fadewatch::clock::SessionClock;
use fadewatch::record::{Body, Entry};
use fadewatch::units::Nanos;
use fadewatch::wire::checksum;
use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};

/// How a session is run.
#[derive(Clone, Debug)]
pub(crate) struct Kill {
    pub(crate) over_serial: bool,
    /// From the start of the program on.
    pub(crate) after: Duration,
    /// Each sync takes 3 s longer, by `strace`.
    pub(crate) slow_syncs: bool,
}

/// What a killed session left.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Left {
    /// There is a file, and it opens.
    pub(crate) is_there: bool,
    pub(crate) opens: bool,
    /// Frames that were sent while it listened, and those of them in the file.
    pub(crate) sent: usize,
    pub(crate) kept: usize,
    /// From the first missing frame to the kill.
    pub(crate) missing: Nanos,
    /// A frame is missing before one that is there.
    pub(crate) has_holes: bool,
}

/// Numbers of frames and when they were sent.
type Sent = Vec<(Nanos, u32)>;

const SPACING: Duration = Duration::from_millis(5);
/// HEARTBEAT: its length, its id, its CRC extra byte in the public message set.
const HEAD: [u8; 2] = [0xFD, 9];
const LENGTH: usize = 21;
const EXTRA: u8 = 50;

/// HEARTBEAT whose custom mode is the frame's number.
fn frame(number: u32) -> Vec<u8> {
    let mut bytes = vec![HEAD[0], HEAD[1], 0, 0, number as u8, 1, 1, 0, 0, 0];
    bytes.extend(number.to_le_bytes());
    bytes.extend([2, 3, 0, 4, 3]);
    let sum = checksum::step(checksum::update(checksum::INITIAL, &bytes[1..]), EXTRA);
    bytes.extend(sum.to_le_bytes());
    bytes
}

/// The numbers of all whole frames in these bytes.
fn numbers(bytes: &[u8]) -> BTreeSet<u32> {
    let is_frame = |window: &&[u8]| {
        let sum = checksum::step(checksum::update(checksum::INITIAL, &window[1..LENGTH - 2]), EXTRA);
        window.starts_with(&HEAD) && window.ends_with(&sum.to_le_bytes())
    };
    let number = |window: &[u8]| window[10..].first_chunk().map(|bytes| u32::from_le_bytes(*bytes));
    bytes.windows(LENGTH).filter(is_frame).filter_map(number).collect()
}

/// Where frames go.
enum Way {
    Udp(UdpSocket, u16),
    /// The far end is kept open until somebody else opens it.
    Serial(File, #[expect(dead_code, reason = "it is held")] OwnedFd),
}

impl Way {
    fn open(over_serial: bool, link: &Path) -> anyhow::Result<(Self, String)> {
        if !over_serial {
            let port = UdpSocket::bind("127.0.0.1:0")?.local_addr()?.port();
            let socket = UdpSocket::bind("127.0.0.1:0")?;
            return Ok((Self::Udp(socket, port), format!("udp://127.0.0.1:{port}")));
        }
        let pair = nix::pty::openpty(None, None)?;
        let mut settings = tcgetattr(&pair.slave)?;
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings)?;
        std::os::unix::fs::symlink(nix::unistd::ttyname(&pair.slave)?, link)?;
        fcntl(&pair.master, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))?;
        let url = format!("serial:{}?baud=57600", link.display());
        Ok((Self::Serial(File::from(pair.master), pair.slave), url))
    }

    /// Whether the system took it whole.
    fn send(&mut self, bytes: &[u8]) -> bool {
        match self {
            Self::Udp(socket, port) => socket.send_to(bytes, ("127.0.0.1", *port)).is_ok(),
            Self::Serial(master, _) => master.write(bytes).is_ok_and(|length| length == bytes.len()),
        }
    }
}

/// Starts the program, sends, kills it, and reads what it left in an empty folder.
pub(crate) fn run(program: &Path, folder: &Path, kill: &Kill) -> anyhow::Result<Left> {
    let (mut way, url) = Way::open(kill.over_serial, &folder.join("tty"))?;
    let clock = SessionClock::start();
    let mut command = if kill.slow_syncs {
        let mut command = Command::new("strace");
        // The tracer stands aside: the child is the program itself.
        command.args(["-D", "-f", "-qq", "--seccomp-bpf", "-o", "/dev/null", "-e", "trace=fdatasync,fsync"]);
        command.args(["-e", "inject=fdatasync,fsync:delay_exit=3000000"]).arg(program);
        command
    } else {
        Command::new(program)
    };
    command.args(["live", "--vehicle", &url, "--record", "a.pcapng"]).current_dir(folder);
    command.env("FADEWATCH_PROFILE", "none");
    command.env("XDG_DATA_HOME", folder).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped());
    let mut child = command.spawn()?;
    let (say, said) = channel();
    let errors = child.stderr.take();
    std::thread::spawn(move || {
        let lines = errors.map(|errors| BufReader::new(errors).lines()).into_iter().flatten();
        if lines.map_while(Result::ok).any(|line| line.contains("listening")) {
            let _ = say.send(clock.now());
        }
    });
    let stop = Arc::new(AtomicBool::new(false));
    let stopped = Arc::clone(&stop);
    let sender = std::thread::spawn(move || {
        let mut sent: Sent = Vec::new();
        let mut number = 0;
        while !stopped.load(Ordering::Relaxed) {
            let at = clock.now();
            if way.send(&frame(number)) {
                sent.push((at, number));
                number += 1;
            }
            std::thread::sleep(SPACING);
        }
        sent
    });
    std::thread::sleep(kill.after);
    let killed = clock.now();
    child.kill()?;
    child.wait()?;
    stop.store(true, Ordering::Relaxed);
    let sent = sender.join().map_err(|_| anyhow::anyhow!("the sender failed"))?;
    let listening = match said.recv_timeout(Duration::from_secs(5)) {
        Ok(at) => at,
        Err(RecvTimeoutError::Disconnected | RecvTimeoutError::Timeout) => Nanos::MAX,
    };
    Ok(left(&folder.join("a.pcapng"), &sent, (listening, killed)))
}

fn left(path: &Path, sent: &Sent, (listening, killed): (Nanos, Nanos)) -> Left {
    let mut left = Left { is_there: path.exists(), ..Left::default() };
    let mut bytes = Vec::new();
    if let Ok(recording) = Recording::open(path) {
        left.opens = true;
        let mut cursor = recording.cursor();
        while let Some(entry) = recording.next(&mut cursor) {
            if let Entry::Record(record) = entry
                && let Body::Stream(more) | Body::Datagram { bytes: more, .. } = record.body
            {
                bytes.extend_from_slice(more);
            }
        }
    }
    let kept = numbers(&bytes);
    let while_it_listened = sent.iter().filter(|(at, _)| (listening..killed).contains(at));
    let (mut last_kept, mut first_missing) = (Nanos::ZERO, None);
    for (at, number) in while_it_listened {
        left.sent += 1;
        if kept.contains(number) {
            left.kept += 1;
            last_kept = *at;
        } else {
            first_missing.get_or_insert(*at);
        }
    }
    left.missing = first_missing.map_or(Nanos::ZERO, |at| killed - at);
    left.has_holes = first_missing.is_some_and(|at| at < last_kept);
    left
}
