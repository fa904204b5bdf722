//! Minutes at true speed: datagrams and a pseudo-terminal into the real binary.
//!
//! Besides the senders' own faults: the terminal goes away for 3 s and comes back as another one under the same link, lone
//! frames and noise of strangers come from addresses of their own, and the program is stopped for a second now and then.

use std::fs::File;
use std::io::{Read, Write};
use std::net::UdpSocket;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use fadewatch::capture::Recording;
use fadewatch::clock::SessionClock;
use fadewatch::record::{Body, Entry, Note, Record};
use fadewatch::units::Nanos;
use nix::fcntl::{FcntlArg, FdFlag, fcntl};
use nix::sys::signal::{Signal, kill};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::unistd::Pid;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};
use serde_json::Value;

use crate::faulty_sender::{FaultySender, IN_DATAGRAMS, Reach, frame, senders};
use crate::recorded::held_kb;

const TICK: Duration = Duration::from_millis(4);

/// A raw pseudo-terminal behind a link.
struct Terminal {
    near: File,
    #[expect(dead_code, reason = "it is held")]
    far: OwnedFd,
    link: PathBuf,
}

/// Unplugged, its name is gone first: the number of the device may be another terminal's a moment later.
impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.link);
    }
}

impl Terminal {
    fn at(link: &Path) -> anyhow::Result<Self> {
        let pair = nix::pty::openpty(None, None)?;
        let mut settings = tcgetattr(&pair.slave)?;
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings)?;
        // The program must not inherit it: an end that is open somewhere is never gone.
        fcntl(&pair.master, FcntlArg::F_SETFD(FdFlag::FD_CLOEXEC))?;
        fcntl(&pair.slave, FcntlArg::F_SETFD(FdFlag::FD_CLOEXEC))?;
        std::os::unix::fs::symlink(nix::unistd::ttyname(&pair.slave)?, link)?;
        Ok(Self { near: File::from(pair.master), far: pair.slave, link: link.to_owned() })
    }
}

/// Descriptors that a process has open.
fn descriptors(id: u32) -> usize {
    std::fs::read_dir(format!("/proc/{id}/fd")).map_or(0, Iterator::count)
}

fn start(program: &Path, folder: &Path, port: u16) -> anyhow::Result<Child> {
    let url = format!("serial:{}?baud=57600", folder.join("tty").display());
    let ways = ["live", "--vehicle", &format!("udp://127.0.0.1:{port}"), "--handset", &url];
    let child = Command::new(program)
        .env("FADEWATCH_PROFILE", "none")
        .args(ways)
        .args(["--record", "a.pcapng", "--json"])
        .current_dir(folder)
        .env("XDG_DATA_HOME", folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()?;
    // It opens its sources within this; what comes before would count as lost.
    std::thread::sleep(Duration::from_secs(3));
    Ok(child)
}

/// The senders with their truth, what the program printed at its end, and the stalls that it noted (see [`stalls`]).
type Outcome = (Vec<FaultySender>, Value, Vec<(f64, f64)>);

/// From when to when a gap may touch a stall that the recording tells of: whole seconds around it, a gap of up to 2 s
/// that reaches into them, and a second for two clocks that were not started at once.
fn stalls(recording: &Path, begun: Nanos) -> anyhow::Result<Vec<(f64, f64)>> {
    const AROUND_S: f64 = 5.0;
    let recording = Recording::open(recording)?;
    let (mut cursor, mut stalls) = (recording.cursor(), Vec::new());
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(Record { at, body: Body::Note(Note::Stalled { reach }), .. }) = entry {
            let (one, other) = ((at - begun).secs(), (at - reach - begun).secs());
            stalls.push((one.min(other) - AROUND_S, one.max(other) + AROUND_S));
        }
    }
    Ok(stalls)
}

/// Runs it for so many seconds.
#[expect(clippy::print_stdout, reason = "its output is the point")]
pub(crate) fn run(program: &Path, seed: u64, seconds: u64) -> anyhow::Result<Outcome> {
    let folder = tempfile::tempdir()?;
    let link = folder.path().join("tty");
    let mut terminal = Some(Terminal::at(&link)?);
    let port = UdpSocket::bind("127.0.0.1:0")?.local_addr()?.port();
    let mut child = start(program, folder.path(), port)?;
    let pid = Pid::from_raw(i32::try_from(child.id())?);
    let sockets = (0..IN_DATAGRAMS).map(|_| UdpSocket::bind("127.0.0.1:0")).collect::<Result<Vec<_>, _>>()?;
    let (mut senders, mut random) = (senders(seed), ChaCha8Rng::seed_from_u64(seed));
    let clock = SessionClock::start();
    let begun = clock.now();
    let (mut next_second, mut gone_at, mut sure_until, mut refused) = (1_u32, f64::MAX, 0.0, 0);
    loop {
        let now = (clock.now() - begun).secs();
        if now >= seconds as f64 {
            break;
        }
        for (place, sender) in senders.iter_mut().enumerate() {
            let mut arrivals = Vec::new();
            let reach = match place {
                IN_DATAGRAMS.. if (gone_at..gone_at + 3.5).contains(&now) => Reach::Unplugged,
                IN_DATAGRAMS.. if now >= gone_at - 4.0 && now < gone_at + 8.0 || now < sure_until => {
                    Reach::Sure
                }
                _ => Reach::Faulty,
            };
            sender.until(now, reach, &mut arrivals);
            for (_, bytes) in arrivals {
                let sent = match (sockets.get(place), &mut terminal) {
                    (Some(socket), _) => socket.send_to(&bytes, ("127.0.0.1", port)).is_ok(),
                    (None, Some(terminal)) => terminal.near.write_all(&bytes).is_ok(),
                    (None, None) => false,
                };
                refused += u64::from(!sent);
            }
        }
        // Half a second after its last bytes the terminal goes; 2 s later another is there; 1 s later bytes come again.
        if now > gone_at + 2.5 && terminal.is_none() {
            terminal = Some(Terminal::at(&link)?);
        } else if (gone_at + 0.5..gone_at + 2.5).contains(&now) {
            terminal = None;
        }
        if now >= f64::from(next_second) {
            if next_second % 97 == 90 {
                gone_at = now + 4.0;
            }
            if next_second % 131 == 66 {
                sure_until = now + 9.0;
            }
            if next_second % 131 == 70 {
                kill(pid, Signal::SIGSTOP)?;
                std::thread::sleep(Duration::from_secs(1));
                kill(pid, Signal::SIGCONT)?;
            }
            let host: [u8; 2] = random.random();
            let stranger = UdpSocket::bind((std::net::Ipv4Addr::new(127, 9, host[0], host[1]), 0))?;
            let id = (random.random_range(50..=255), random.random());
            stranger.send_to(&frame(random.random(), id, 25, 23, &[1; 2]), ("127.0.0.1", port))?;
            stranger.send_to(&random.random::<[u8; 40]>(), ("127.0.0.1", port))?;
            if next_second % 60 == 30 {
                let (held, open) = (held_kb(child.id()).unwrap_or(0), descriptors(child.id()));
                println!(
                    "after {next_second} s: {held} kB held, {open} descriptors, {refused} sends refused"
                );
            }
            next_second += 1;
        }
        std::thread::sleep(TICK);
    }
    std::thread::sleep(Duration::from_secs(1));
    kill(pid, Signal::SIGTERM)?;
    let mut text = String::new();
    if let Some(output) = &mut child.stdout {
        output.read_to_string(&mut text)?;
    }
    anyhow::ensure!(child.wait()?.success(), "the program ended badly");
    let summary: Value = serde_json::from_str(&text)?;
    println!(
        "host drops {}, stalled {} s",
        summary["recording"]["host_drops"], summary["recording"]["stalled_s"]
    );
    let stalls = stalls(&folder.path().join("a.pcapng"), begun)?;
    Ok((senders, summary, stalls))
}
