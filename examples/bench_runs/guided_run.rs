//! One guided bench test of the real binary, led by keys in a pseudo-terminal as a person would: the vehicle is `simulate`
//! on another pseudo-terminal, as a serial port, the handset comes over UDP. Invented data.
//!
//! The person presses what the page asks for, goes to no far place, and gives a step up once their patience is out. What
//! must come of it follows from the scenario's numbers alone.

#[path = "../../tests/free_ports/mod.rs"]
mod free_ports;
#[path = "../../tests/pseudo_terminal/mod.rs"]
mod pseudo_terminal;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use anyhow::Context as _;
use fadewatch::capture::Recording;
use fadewatch::clock::SessionClock;
use fadewatch::record::{Body, Entry, MarkKind, Note};
use fadewatch::units::Nanos;
use pseudo_terminal::Screen;

/// Columns and rows: the whole sheet stands on it after the test.
const SIZE: (u16, u16) = (120, 150);
/// Between two looks at a page that does not change.
const LOOK: Duration = Duration::from_millis(200);
/// A key that changed nothing for so long is pressed again, seconds.
const AGAIN_S: f64 = 5.0;
/// So long after the person gave everything up the test must be over, seconds.
const AT_MOST_S: f64 = 120.0;
/// The vehicle's failsafe values, and one link whose loss counts.
pub(crate) const PROFILE: &str = "[vehicle.failsafe_servo_us]\n1 = 1000\n2 = 1000\n3 = 1000\n4 = 1000\n
[[link]]\nname = \"telemetry\"\nrole = \"telemetry\"\ninterface = \"vehicle\"\n";

/// How a test is led.
#[derive(Clone, Debug)]
pub(crate) struct Run {
    /// The scenario's text.
    pub(crate) scenario: String,
    /// From then on the person gives every step up, seconds from the start of the test.
    pub(crate) patience_s: f64,
    /// The program is killed (SIGKILL) as soon as its recording says that this step is on, and so many seconds have passed;
    /// and gone on with.
    pub(crate) killed: Option<(&'static str, f64)>,
}

/// What came of it.
#[derive(Clone, Debug)]
pub(crate) struct Got {
    /// The guided test's exit code, and what stood in the terminal at its end.
    pub(crate) code: Option<i32>,
    pub(crate) shown: String,
    /// `bench --from` of its recordings: exit code, sheet.
    pub(crate) again: (Option<i32>, String),
    /// Steps of which the recordings hold an answer "begun", in their order.
    pub(crate) steps: Vec<String>,
    /// The last recording has its end; the killed one opens.
    pub(crate) is_whole: bool,
}

impl Got {
    /// Whether the terminal shows the sheet that `bench --from` prints, line by line.
    pub(crate) fn same_sheet(&self) -> bool {
        let mut shown = self.shown.lines().map(str::trim_end);
        let lines = self.again.1.lines().map(str::trim_end).filter(|line| !line.is_empty());
        lines.clone().count() > 10 && lines.into_iter().all(|line| shown.any(|other| other == line))
    }
}

/// Ends its child.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The program in this folder, with nothing of whoever runs it.
pub(crate) fn fadewatch(program: &Path, folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(program);
    command.args(arguments).current_dir(folder);
    command.env("XDG_DATA_HOME", folder).env("FADEWATCH_PROFILE", "none");
    command
}

/// Leads one test in an empty folder.
pub(crate) fn lead(program: &Path, folder: &Path, run: &Run) -> anyhow::Result<Got> {
    fs::write(folder.join("p.toml"), PROFILE)?;
    fs::write(folder.join("scenario.toml"), &run.scenario)?;
    let handset = format!("udp://127.0.0.1:{}", free_ports::free_udp_port());
    let vehicle = format!("serial:{}?baud=57600", folder.join("tty").display());
    let simulate = ["simulate", "scenario.toml", "--pty", "tty", "--handset", &handset];
    let mut simulate = fadewatch(program, folder, &simulate);
    simulate.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    let _vehicle = Ended(simulate.spawn().context("cannot start the simulated vehicle")?);
    let sources = ["bench", "--vehicle", &vehicle, "--handset", &handset, "--profile", "p.toml", "--record"];
    let clock = SessionClock::start();
    let recording = folder.join("a.pcapng");
    let mut person = Person { clock, began: clock.now(), run, was_killed: run.killed.is_none(), recording };
    let mut files = vec!["a.pcapng"];
    let mut screen =
        Screen::of(&mut fadewatch(program, folder, &[&sources[..], &files].concat()), SIZE.0, SIZE.1);
    if !person.was_killed {
        person.press_until_over(&mut screen)?;
        screen.child.kill()?;
        screen.end();
        files.push("b.pcapng");
        let more = ["b.pcapng", "--resume", "a.pcapng"];
        screen = Screen::of(&mut fadewatch(program, folder, &[&sources[..], &more].concat()), SIZE.0, SIZE.1);
    }
    person.press_until_over(&mut screen)?;
    let (status, _, shown) = screen.end();
    let from: Vec<&str> = files.iter().flat_map(|file| ["--from", *file]).collect();
    let again =
        fadewatch(program, folder, &[&["bench", "--profile", "p.toml"][..], &from].concat()).output()?;
    let mut got = Got {
        code: status.code(),
        shown,
        again: (again.status.code(), String::from_utf8_lossy(&again.stdout).into_owned()),
        steps: Vec::new(),
        is_whole: true,
    };
    for file in &files {
        let is_last = files.last() == Some(file);
        let (steps, has_end) = answers(&folder.join(file))?;
        got.steps.extend(steps);
        got.is_whole &= has_end == is_last;
    }
    Ok(got)
}

/// Steps that a recording says were begun, and whether it has its end.
fn answers(path: &Path) -> anyhow::Result<(Vec<String>, bool)> {
    let recording = Recording::open(path)?;
    let (mut cursor, mut steps, mut has_end) = (recording.cursor(), Vec::new(), false);
    while let Some(entry) = recording.next(&mut cursor) {
        let Entry::Record(record) = entry else { continue };
        match record.body {
            Body::Note(Note::Mark { kind: MarkKind::Remark, text }) => {
                let step = text.strip_prefix("bench: ").and_then(|text| text.strip_suffix(" begun"));
                steps.extend(step.map(str::to_owned));
            }
            Body::Note(Note::End) => has_end = true,
            _ => {}
        }
    }
    Ok((steps, has_end))
}

/// Who leads a test.
struct Person<'a> {
    clock: SessionClock,
    began: Nanos,
    run: &'a Run,
    was_killed: bool,
    recording: PathBuf,
}

impl Person<'_> {
    /// Presses what the page asks for, until the test is over or it is to be killed.
    fn press_until_over(&mut self, screen: &mut Screen) -> anyhow::Result<()> {
        let mut last = (String::new(), "", 0.0);
        loop {
            match screen.read(LOOK) {
                Err(_) if screen.child.try_wait()?.is_some() => return Ok(()),
                _ => {}
            }
            let now_s = (self.clock.now() - self.began).secs();
            let text = screen.text();
            anyhow::ensure!(now_s < self.run.patience_s + AT_MOST_S, "it is not over, but shows:\n{text}");
            let Some(title) = text.lines().next().filter(|line| line.contains("BENCH TEST")) else {
                continue;
            };
            if let Some((step, after_s)) = self.run.killed.filter(|_| !self.was_killed)
                && title.contains(step)
            {
                if now_s >= after_s && answers(&self.recording)?.0.iter().any(|begun| begun == step) {
                    self.was_killed = true;
                    return Ok(());
                }
                continue;
            }
            let is_given_up = now_s >= self.run.patience_s;
            let Some(key) = wanted(title, &text, is_given_up) else { continue };
            if (last.0.as_str(), last.1) == (title, key) && now_s - last.2 < AGAIN_S {
                continue;
            }
            last = (title.to_owned(), key, now_s);
            screen.press(key);
        }
    }
}

/// The key that a page asks for.
fn wanted(title: &str, text: &str, is_given_up: bool) -> Option<&'static str> {
    let asks = |words: &str| text.contains(words);
    if asks("y: yes, propellers are off") || asks("y: yes, this computer keeps its power") {
        Some("y")
    } else if title.contains("loss, far") {
        Some("s")
    } else if asks("Enter goes on") || title.contains("10/10") {
        Some("\r")
    } else {
        (is_given_up && asks("not enough yet")).then_some("s")
    }
}
