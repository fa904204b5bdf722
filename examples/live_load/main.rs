//! What a live session costs while much comes in: the processor time of the real program on a terminal, memory, what
//! it writes, and how long it takes to its first picture.
//!
//! `cargo run --release --example live_load -- PROGRAM [SECONDS [KEYS]]`: starts PROGRAM (`target/release/fadewatch`)
//! in a pseudo-terminal of 200 x 60, types KEYS (a page's), sends it 1,000 messages and 1,500 video packets a second over
//! UDP for SECONDS (30; up to an hour), and leaves. The first ten seconds are not counted.
//!
//! `live_load -- --board PROGRAM [SECONDS [KEYS]]`: as on a handset's small computer. The program gets a quarter of one core
//! (as root), the terminal has 128 x 37, and 500 messages and 1,000 packets a second come in. The load is told as a share of
//! that quarter.

#[path = "../../benches/generated/mod.rs"]
mod generated;
mod quota;

use std::fs::File;
use std::io::{Read, Write};
use std::net::UdpSocket;
use std::process::{Child, Command};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use anyhow::Context as _;
use fadewatch::clock::SessionClock;
use fadewatch::record::{Body, Entry, Record};
use fadewatch::units::Nanos;
use nix::pty::{Winsize, openpty};

const WARM_UP: Nanos = Nanos::from_secs(10);
const LONGEST_S: i64 = 3600;
/// A word that every page shows at its foot.
const DRAWN: &[u8] = b"overview";

/// Processor time of a child so far, in seconds.
fn used_s(child: &Child) -> Option<f64> {
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", child.id())).ok()?;
    let fields: Vec<&str> = stat.rsplit(')').next()?.split_whitespace().collect();
    let ticks = fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?;
    Some(ticks / 100.0)
}

/// A figure of a child's file under /proc; of memory in kB, of writing in bytes.
fn told(child: &Child, file: &str, key: &str) -> Option<u64> {
    let text = std::fs::read_to_string(format!("/proc/{}/{file}", child.id())).ok()?;
    let line = text.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(':'))?;
    line.trim().trim_end_matches("kB").trim().parse().ok()
}

/// What is sent, what is drawn on, and what the program may use.
struct Load {
    rates: generated::Rates,
    rows: u16,
    columns: u16,
    /// Of one core.
    share: Option<f64>,
}

/// What the program wrote so far.
#[derive(Default)]
struct Shown {
    bytes: AtomicU64,
    /// When the first picture was whole, ns; 0: not yet.
    first: AtomicU64,
}

/// Takes what the program draws until it leaves.
fn watch(mut terminal: File, clock: SessionClock, begun: Nanos) -> Arc<Shown> {
    let shown = Arc::new(Shown::default());
    let seen = Arc::clone(&shown);
    std::thread::spawn(move || {
        let (mut text, mut buffer) = (Vec::new(), vec![0; 65_536]);
        while let Ok(count @ 1..) = terminal.read(&mut buffer) {
            seen.bytes.fetch_add(count as u64, Ordering::Relaxed);
            if seen.first.load(Ordering::Relaxed) == 0 {
                text.extend_from_slice(&buffer[..count]);
                if text.windows(DRAWN.len()).any(|window| window == DRAWN) {
                    seen.first.store((clock.now() - begun).0.unsigned_abs(), Ordering::Relaxed);
                }
            }
        }
    });
    shown
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn main() -> anyhow::Result<()> {
    let mut words: Vec<String> = std::env::args().skip(1).collect();
    let board = words.first().is_some_and(|word| word == "--board");
    let load = if board {
        words.remove(0);
        Load { rates: generated::BOARD, rows: 37, columns: 128, share: Some(0.25) }
    } else {
        Load { rates: generated::CROWDED, rows: 60, columns: 200, share: None }
    };
    let program = words.first().context("usage: live_load [--board] PROGRAM [SECONDS [KEYS]]")?;
    // It is started in a folder of its own.
    let program = std::fs::canonicalize(program).with_context(|| format!("no program at {program}"))?;
    let seconds: i64 = words.get(1).map_or(Ok(30), |word| word.parse())?;
    anyhow::ensure!((1..=LONGEST_S).contains(&seconds), "SECONDS is 1 to {LONGEST_S}, not {seconds}");
    let keys = words.get(2).map_or("", String::as_str);
    let folder = std::env::temp_dir().join(format!("live_load-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    std::fs::write(folder.join("profile.toml"), generated::PROFILE)?;
    let ports = [0; 3].map(|_: u16| UdpSocket::bind("127.0.0.1:0").and_then(|socket| socket.local_addr()));
    let [vehicle, handset, video] = ports;
    let ports = [vehicle?, handset?, video?];
    let size = Winsize { ws_row: load.rows, ws_col: load.columns, ws_xpixel: 0, ws_ypixel: 0 };
    let ends = openpty(Some(&size), None)?;
    let mut terminal = File::from(ends.master);
    let clock = SessionClock::start();
    let begun = clock.now();
    let shown = watch(terminal.try_clone()?, clock, begun);
    let mut command = Command::new(program);
    command.env("FADEWATCH_PROFILE", "none");
    command.args(["live", "--profile", "profile.toml", "--record", "session.pcapng"]);
    for (name, at) in ["--vehicle", "--handset", "--video"].into_iter().zip(&ports) {
        command.args([name, &format!("udp://{at}")]);
    }
    let slave = File::from(ends.slave);
    command.current_dir(&folder).env("XDG_DATA_HOME", &folder).env("TERM", "xterm-256color");
    let mut child =
        command.stdin(slave.try_clone()?).stdout(slave.try_clone()?).stderr(slave.try_clone()?).spawn()?;
    drop((command, slave));
    let quota = load.share.map(|share| quota::Quota::of(child.id(), share)).transpose()?;
    while shown.first.load(Ordering::Relaxed) == 0 && clock.now() - begun < WARM_UP {
        std::thread::sleep(Duration::from_millis(1));
    }
    println!("first picture after {:.1} ms", shown.first.load(Ordering::Relaxed) as f64 / 1e6);
    terminal.write_all(keys.as_bytes())?;
    let sockets = [(); 3].map(|()| UdpSocket::bind("127.0.0.1:0"));
    let [vehicle, handset, video] = sockets;
    let sockets = [vehicle?, handset?, video?];
    let mut flight = generated::Flight::new(load.rates);
    let (began, mut sent) = (clock.now(), 0_u64);
    let (mut counted, mut written) = (None, None);
    let length = || std::fs::metadata(folder.join("session.pcapng")).map(|file| file.len()).ok();
    while clock.now() - began < WARM_UP + Nanos::from_secs(seconds) {
        if counted.is_none() && clock.now() - began >= WARM_UP {
            let drawn = shown.bytes.load(Ordering::Relaxed);
            counted = Some((clock.now(), used_s(&child), sent, drawn, told(&child, "status", "RssAnon")));
            written = told(&child, "io", "write_bytes").zip(length());
        }
        while Nanos::from_millis(flight.now_ms() as i64) < clock.now() - began {
            generated::records(&mut flight, &mut |entry| {
                let Entry::Record(Record { interface, body: Body::Datagram { bytes, .. }, .. }) = entry
                else {
                    return;
                };
                let place = usize::from(interface.0);
                sent += u64::from(sockets[place].send_to(bytes, ports[place]).is_ok());
            });
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    let (since, used, before, drawn, held) = counted.context("nothing was counted")?;
    let over_s = (clock.now() - since).secs();
    let used = used_s(&child).zip(used).context("the system does not tell")?;
    let share = 100.0 * (used.0 - used.1) / over_s;
    println!(
        "{:.0} datagrams a second; {share:.2} % of one core; {:.0} bytes a second drawn",
        (sent - before) as f64 / over_s,
        (shown.bytes.load(Ordering::Relaxed) - drawn) as f64 / over_s,
    );
    if let Some((quota, given)) = quota.as_ref().zip(load.share) {
        let (periods, waited) = quota.periods().context("the system does not tell")?;
        println!(
            "{:.1} % of its share; it had to wait in {waited} of {periods} periods of 0.1 s",
            share / given
        );
    }
    let held = held.zip(told(&child, "status", "RssAnon")).context("the system does not tell")?;
    let whole = told(&child, "status", "VmHWM").context("the system does not tell")?;
    println!(
        "memory held: {} kB, at the end {} kB; at most {whole} kB with its own pages of code",
        held.0, held.1
    );
    let ends = written.zip(told(&child, "io", "write_bytes").zip(length()));
    let ((written, long), (to, longer)) = ends.context("the system does not tell")?;
    let minutes = over_s / 60.0;
    println!(
        "written: {:.2} MB a minute, {:.2} of it the recording",
        (to - written) as f64 / 1e6 / minutes,
        (longer - long) as f64 / 1e6 / minutes
    );
    child.kill()?;
    child.wait()?;
    drop(quota);
    std::fs::remove_dir_all(&folder)?;
    Ok(())
}
