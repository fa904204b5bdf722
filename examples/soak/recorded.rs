//! Simulated hours as a recording, summed up by the real binary.

use std::fs::File;
use std::io::BufWriter;
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use fadewatch::capture::PcapngWriter;
use fadewatch::record::{
    Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, Note, Record, SessionInfo,
};
use fadewatch::units::Nanos;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};
use serde_json::Value;

use crate::faulty_sender::{FaultySender, IN_DATAGRAMS, Reach, frame, senders};

const START: Nanos = Nanos::from_secs(1_900_000_000);
const DATAGRAMS: InterfaceId = InterfaceId(0);
const STREAM: InterfaceId = InterfaceId(1);
const MARKS: InterfaceId = InterfaceId(2);
/// Seconds around what this computer lost itself in which nothing else is lost.
const QUIET: u64 = 4;

struct Session {
    writer: PcapngWriter<BufWriter<File>>,
    random: ChaCha8Rng,
    senders: Vec<FaultySender>,
    /// From when to when each interface is unplugged next, or was last; when this computer stands still.
    unplugged: [(u64, u64); 2],
    /// Seconds between two such times, on average.
    unplugged_every: f64,
    stalled: u64,
}

/// How often a source is unplugged in a long session, on average: once in so many seconds.
pub(crate) const SELDOM: f64 = 400.0;

/// Writes so many seconds by a seed; gives the senders with their truth.
pub(crate) fn write(
    path: &Path,
    seed: u64,
    seconds: u64,
    unplugged_every: f64,
) -> anyhow::Result<Vec<FaultySender>> {
    let writer = PcapngWriter::new(BufWriter::new(File::create(path)?));
    let random = ChaCha8Rng::seed_from_u64(seed);
    let (senders, unplugged) = (senders(seed), [(0, 0); 2]);
    let mut session = Session { writer, random, senders, unplugged, unplugged_every, stalled: 0 };
    let kinds = [InterfaceKind::Datagram, InterfaceKind::Stream, InterfaceKind::Marks];
    session.writer.write(&Entry::Session(SessionInfo { tags: [].into(), has_wall_clock: true }))?;
    for ((id, name), kind) in (0..).zip(["vehicle", "handset", "marks"]).zip(kinds) {
        let info = InterfaceInfo { name: name.to_owned(), kind, description: None };
        session.writer.write(&Entry::Interface(InterfaceId(id), info))?;
    }
    for second in 0..seconds {
        session.second(second)?;
    }
    session.note(seconds as f64, Note::End)?;
    session.writer.flush()?;
    Ok(session.senders)
}

impl Session {
    fn put(&mut self, at_s: f64, interface: InterfaceId, body: Body<'_>) -> anyhow::Result<()> {
        let at = START + Nanos::from_secs_f64(at_s);
        let record = Record { at, interface, direction: Direction::Inbound, body };
        Ok(self.writer.write(&Entry::Record(record))?)
    }

    fn note(&mut self, at_s: f64, note: Note) -> anyhow::Result<()> {
        self.put(at_s, MARKS, Body::Note(note))
    }

    fn second(&mut self, second: u64) -> anyhow::Result<()> {
        let from = second as f64;
        self.note(from, Note::Tick)?;
        self.faults(second)?;
        let mut reach = self.unplugged.map(|(from, to)| match second {
            _ if (from..to).contains(&second) => Reach::Unplugged,
            _ if (from.saturating_sub(QUIET)..to + QUIET).contains(&second) => Reach::Sure,
            _ => Reach::Faulty,
        });
        if reach[1] == Reach::Faulty && self.stalled.abs_diff(second) < QUIET {
            reach[1] = Reach::Sure;
        }
        let mut arrivals = Vec::new();
        for place in 0..self.senders.len() {
            let is_stream = place >= IN_DATAGRAMS;
            let mut own = Vec::new();
            self.senders[place].until(from + 1.0, reach[usize::from(is_stream)], &mut own);
            arrivals.extend(own.into_iter().map(|(at, bytes)| (at, place, bytes)));
        }
        // A stranger's lone frame, and a datagram of noise.
        let id = (self.random.random_range(50..=255), self.random.random());
        arrivals.push((
            from + self.random.random::<f64>(),
            1000,
            frame(self.random.random(), id, 25, 23, &[1; 2]),
        ));
        let noise: [u8; 40] = self.random.random();
        arrivals.push((from + self.random.random::<f64>(), 1000, noise.to_vec()));
        arrivals.sort_by(|one, other| one.0.total_cmp(&other.0));
        for (at, place, bytes) in arrivals {
            if (IN_DATAGRAMS..1000).contains(&place) {
                self.stream(at, bytes)?;
            } else {
                let port =
                    if place == 1000 { self.random.random_range(1000..60_000) } else { 100 + place as u16 };
                let host = if place == 1000 { self.random.random() } else { 7 };
                let source: SocketAddr = ([10, 0, u8::from(place == 1000), host], port).into();
                let flow = Flow { source, destination: ([10, 0, 0, 2], 14_550).into() };
                self.put(at, DATAGRAMS, Body::Datagram { flow, bytes: &bytes })?;
            }
        }
        Ok(())
    }

    /// Bytes of a serial port: in two portions, sometimes with noise before.
    fn stream(&mut self, at: f64, mut bytes: Vec<u8>) -> anyhow::Result<()> {
        if self.random.random::<f64>() < 0.02 {
            let noise: [u8; 32] = self.random.random();
            let length = self.random.random_range(1..=32);
            bytes.splice(0..0, noise[..length].iter().copied());
        }
        let (one, other) = bytes.split_at(self.random.random_range(0..bytes.len()));
        if !one.is_empty() {
            self.put(at, STREAM, Body::Stream(one))?;
        }
        self.put(at, STREAM, Body::Stream(other))
    }

    /// Sources that go and come back, a clock that is set, a computer that stands still for a moment.
    fn faults(&mut self, second: u64) -> anyhow::Result<()> {
        let at = second as f64;
        for place in 0..2 {
            let interface = InterfaceId(place as u16);
            let (from, to) = self.unplugged[place];
            if second == to && to > 0 {
                self.note(at, Note::SourceUp { interface })?;
            } else if second == from && to > 0 {
                self.note(at, Note::SourceDown { interface, reason: "unplugged".to_owned() })?;
            } else if second > to + QUIET && self.random.random::<f64>() < 1.0 / self.unplugged_every {
                let from = second + QUIET + 1;
                self.unplugged[place] = (from, from + self.random.random_range(1..=2));
            }
        }
        if self.random.random::<f64>() < 1.0 / 600.0 {
            let by = Nanos::from_secs(self.random.random_range(-7200..7200));
            self.note(at, Note::WallClockStep { by })?;
        }
        if second == self.stalled {
            let reach = -Nanos::from_millis(self.random.random_range(200..900));
            self.note(at, Note::Stalled { reach })?;
        } else if second > self.stalled + QUIET && self.random.random::<f64>() < 1.0 / 600.0 {
            self.stalled = second + QUIET + 1;
        }
        Ok(())
    }
}

/// The figures of a recording by the real binary, and the most anonymous memory that it held, in kB, as far as seen.
pub(crate) fn summary(program: &Path, recording: &Path) -> anyhow::Result<(Value, u64)> {
    let output = tempfile::NamedTempFile::new()?;
    let mut child = Command::new(program)
        .env("FADEWATCH_PROFILE", "none")
        .args(["summary", "--json"])
        .arg(recording)
        .stdin(Stdio::null())
        .stdout(output.reopen()?)
        .spawn()?;
    let mut most_kb = 0;
    while child.try_wait()?.is_none() {
        most_kb = most_kb.max(held_kb(child.id()).unwrap_or(0));
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok((serde_json::from_reader(File::open(output.path())?)?, most_kb))
}

/// Anonymous memory of a process, in kB.
pub(crate) fn held_kb(id: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:"))?;
    line.trim().trim_end_matches("kB").trim().parse().ok()
}
