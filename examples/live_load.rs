//! What a live session costs while much comes in: the processor time of the real program on a terminal of
//! 200 x 60, and how long it takes to its first picture.
//!
//! `cargo run --release --example live_load -- PROGRAM [SECONDS [KEYS]]`: starts PROGRAM (`target/release/fadewatch`)
//! in a pseudo-terminal, types KEYS (a page's), sends it 1,000 messages and 1,500 video packets a second over UDP for
//! SECONDS (30; up to an hour), and leaves. The first ten seconds are not counted; what it holds of memory is said
//! after them and at the end.

#[path = "../benches/generated/mod.rs"]
mod generated;

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

/// Anonymous memory of a child, in kB.
fn held_kb(child: &Child) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:"))?;
    line.trim().trim_end_matches("kB").trim().parse().ok()
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
    let words: Vec<String> = std::env::args().skip(1).collect();
    let program = words.first().context("usage: live_load PROGRAM [SECONDS [KEYS]]")?;
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
    let size = Winsize { ws_row: 60, ws_col: 200, ws_xpixel: 0, ws_ypixel: 0 };
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
    while shown.first.load(Ordering::Relaxed) == 0 && clock.now() - begun < WARM_UP {
        std::thread::sleep(Duration::from_millis(1));
    }
    println!("first picture after {:.1} ms", shown.first.load(Ordering::Relaxed) as f64 / 1e6);
    terminal.write_all(keys.as_bytes())?;
    let sockets = [(); 3].map(|()| UdpSocket::bind("127.0.0.1:0"));
    let [vehicle, handset, video] = sockets;
    let sockets = [vehicle?, handset?, video?];
    let mut flight = generated::Flight::new(generated::CROWDED);
    let (began, mut sent) = (clock.now(), 0_u64);
    let mut counted = None;
    while clock.now() - began < WARM_UP + Nanos::from_secs(seconds) {
        if counted.is_none() && clock.now() - began >= WARM_UP {
            let drawn = shown.bytes.load(Ordering::Relaxed);
            counted = Some((clock.now(), used_s(&child), sent, drawn, held_kb(&child)));
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
    println!(
        "{:.0} datagrams a second; {:.2} % of one core; {:.0} bytes a second drawn",
        (sent - before) as f64 / over_s,
        100.0 * (used.0 - used.1) / over_s,
        (shown.bytes.load(Ordering::Relaxed) - drawn) as f64 / over_s,
    );
    let held = held.zip(held_kb(&child)).context("the system does not tell")?;
    println!("memory held: {} kB, at the end {} kB", held.0, held.1);
    child.kill()?;
    child.wait()?;
    std::fs::remove_dir_all(&folder)?;
    Ok(())
}
