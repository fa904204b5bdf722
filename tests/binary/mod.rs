//! The real binary as a child: started, listened to, told to end; and its recordings while it writes them.

#![allow(dead_code, reason = "each test binary uses its own part")]

#[path = "../free_ports/mod.rs"]
mod free_ports;
#[path = "../waiting/mod.rs"]
mod waiting;

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use fadewatch::capture::Recording;
use fadewatch::record::{Body, Direction, Entry};
use serde_json::Value;

/// Far more than anything here takes.
pub(crate) const PATIENCE: Duration = Duration::from_mins(1);

/// Looks again and again until a condition holds.
pub(crate) fn wait_for<T>(what: &str, look: impl FnMut() -> Option<T>) -> T {
    waiting::wait_for(PATIENCE, what, look)
}

/// A child; killed where a test leaves it behind.
pub(crate) struct Running {
    child: Option<Child>,
    /// What it writes to standard error, a line at a time.
    lines: Receiver<String>,
}

impl Running {
    pub(crate) fn start(command: &mut Command) -> Self {
        let mut child = command.stderr(Stdio::piped()).spawn().expect("it starts");
        let lines = lines_of(child.stderr.take().expect("its errors"));
        Self { child: Some(child), lines }
    }

    /// `fadewatch` with these arguments, its data in this folder, its output kept.
    pub(crate) fn fadewatch(folder: &Path, arguments: &[&str]) -> Self {
        Self::start(&mut fadewatch(folder, arguments))
    }

    /// Waits for a line on standard error that holds these words.
    pub(crate) fn says(&self, words: &str) {
        assert!(self.says_or_ends(words), "'{words}' was never said");
    }

    /// The same; false where it ends without.
    pub(crate) fn says_or_ends(&self, words: &str) -> bool {
        while let Ok(line) = self.lines.recv_timeout(PATIENCE) {
            if line.contains(words) {
                return true;
            }
            eprintln!("it says: {line}");
        }
        false
    }

    pub(crate) fn id(&self) -> u32 {
        self.child.as_ref().expect("it runs").id()
    }

    pub(crate) fn signal(&self, name: &str) {
        let id = self.id();
        let told = Command::new("sh").args(["-c", &format!("kill -{name} {id}")]).status();
        assert!(told.expect("a shell").success());
    }

    /// Whether it has ended by itself.
    pub(crate) fn has_ended(&mut self) -> bool {
        self.child.as_mut().is_some_and(|child| matches!(child.try_wait(), Ok(Some(_))))
    }

    /// Reads its output to the end.
    pub(crate) fn end(mut self) -> (ExitStatus, String) {
        let mut child = self.child.take().expect("it runs");
        let mut text = String::new();
        if let Some(mut out) = child.stdout.take() {
            out.read_to_string(&mut text).expect("its output");
        }
        (child.wait().expect("it ends"), text)
    }

    /// Ends it as a person or a service would; gives the JSON that it printed.
    pub(crate) fn terminate(self) -> Value {
        self.signal("TERM");
        self.summary()
    }

    /// The JSON that it prints as it ends in good order.
    pub(crate) fn summary(self) -> Value {
        let (status, text) = self.end();
        assert_eq!(status.code(), Some(0));
        serde_json::from_str(&text).expect("JSON")
    }

    pub(crate) fn stdout(&mut self) -> Stdio {
        self.child.as_mut().and_then(|child| child.stdout.take()).expect("its output").into()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

fn lines_of(from: ChildStderr) -> Receiver<String> {
    let (sender, lines) = channel();
    std::thread::spawn(move || {
        for line in BufReader::new(from).lines().map_while(Result::ok) {
            let _ = sender.send(line);
        }
    });
    lines
}

pub(crate) fn fadewatch(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fadewatch"));
    command
        .args(arguments)
        .current_dir(folder)
        .env("XDG_DATA_HOME", folder)
        // Nothing of the developer's own.
        .env("FADEWATCH_PROFILE", "none")
        .stdin(Stdio::null())
        .stdout(Stdio::piped());
    command
}

/// What `fadewatch summary --json` prints of a recording.
pub(crate) fn summary_of(folder: &Path, file: &str) -> Value {
    Running::fadewatch(folder, &["summary", "--json", file]).summary()
}

pub(crate) fn scenario(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scenarios").join(name)
}

/// Ports that nobody uses, all different.
pub(crate) fn free_udp_ports<const COUNT: usize>() -> [u16; COUNT] {
    [(); COUNT].map(|()| free_ports::free_udp_port())
}

/// What a recording holds so far of bytes that were received: records, and bytes in them. Only
/// datagrams to one of the ports count, where ports are given.
pub(crate) fn received_in(path: &Path, ports: &[u16]) -> (usize, usize) {
    let (mut records, mut size) = (0, 0);
    let Ok(recording) = Recording::open(path) else { return (0, 0) };
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        let Entry::Record(record) = entry else { continue };
        let bytes = match record.body {
            _ if record.direction == Direction::Outbound => continue,
            Body::Stream(bytes) => bytes,
            Body::Datagram { flow, bytes }
                if ports.is_empty() || ports.contains(&flow.destination.port()) =>
            {
                bytes
            }
            _ => continue,
        };
        records += 1;
        size += bytes.len();
    }
    (records, size)
}

/// What was counted of each stream: which, received, lost, copies; video: packets, lost, frames.
pub(crate) fn counts(summary: &Value) -> Vec<String> {
    let list = |key: &str| summary[key].as_array().expect("a list").clone();
    let mut counts: Vec<String> = list("streams")
        .iter()
        .map(|stream| {
            let [system, component, received, lost, copies, late] =
                ["system", "component", "received", "lost", "duplicates", "out_of_order"]
                    .map(|key| stream[key].clone());
            format!(
                "sender {system}/{component}: {received} received, {lost} lost, {copies} copies, {late} late"
            )
        })
        .chain(list("video_streams").iter().map(|video| {
            let [source, packets, lost, frames] =
                ["ssrc", "packets", "packets_lost", "frames"].map(|key| video[key].clone());
            format!("video {source}: {packets} packets, {lost} lost, {frames} frames")
        }))
        .collect();
    counts.sort();
    counts
}
