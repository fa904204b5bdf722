//! The guided bench test. Its whole length in the time of a simulated session, without waiting: a person who presses
//! what the page asks for. And the real binary in a pseudo-terminal, against `simulate` on another.
//!
//! Truth: the scenario's numbers, as in `bench.rs`; the sheet of the recording, made by the binary; every byte that left,
//! read at the far side.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod binary;
mod pseudo_terminal;

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crossterm::event::KeyCode;
use fadewatch::capture::PcapngWriter;
use fadewatch::judge::bench::guide_steps::StepWord;
use fadewatch::monitor::RecordingFacts;
use fadewatch::record::{Body, Direction, InterfaceId, InterfaceKind, MarkKind, Note, Record};
use fadewatch::run::simulated_file;
use fadewatch::session::{Command, Feed, Mode};
use fadewatch::simulate::Scenario;
use fadewatch::snapshot::View;
use fadewatch::summary::{BenchStep, BenchWord, StepAnswer};
use fadewatch::tui::guide::guide_desk::{Before, GuideDesk};
use fadewatch::tui::guide::guide_page::GuidePage;
use fadewatch::tui::state::Effect;
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view::Glyphs;
use fadewatch::units::Nanos;
use fadewatch::{Entry, LinkMonitor, Profile, Recording};
use ratatui::buffer::Buffer;
use ratatui::layout::{Position, Rect};
use serde_json::Value;

const PROFILE: &str = "[vehicle.failsafe_servo_us]\n1 = 1000\n2 = 1000\n3 = 1000\n4 = 1000\n
[[link]]\nname = \"telemetry\"\nrole = \"telemetry\"\ninterface = \"vehicle\"\n";
/// Seconds of the session from one look of the person at the page to the next.
const LOOK_S: f64 = 4.0;

/// A person at the page, and the session under it.
struct Test {
    desk: GuideDesk,
    monitor: LinkMonitor,
    writer: PcapngWriter<File>,
    marks: InterfaceId,
    path: PathBuf,
    last: Nanos,
    revision: u64,
    /// What was asked to be sent.
    sent: usize,
    /// Steps that the person gives up once this late, seconds from the first record.
    patience_s: f64,
}

impl Test {
    fn new(path: PathBuf, profile: &Arc<Profile>, before: Vec<Before>) -> Self {
        Self {
            desk: GuideDesk::new(Arc::clone(profile), ThemeName::Dark, before),
            monitor: LinkMonitor::new(Arc::clone(profile), Arc::from([])).on_bench(),
            writer: PcapngWriter::new(File::create(&path).unwrap()),
            marks: InterfaceId(0),
            path,
            last: Nanos(0),
            revision: 0,
            sent: 0,
            patience_s: f64::INFINITY,
        }
    }

    fn take(&mut self, entry: &Entry<'_>) {
        if let Entry::Interface(id, info) = entry
            && info.kind == InterfaceKind::Marks
        {
            self.marks = *id;
        }
        if let Entry::Record(record) = entry {
            self.last = record.at;
        }
        self.writer.write(entry).unwrap();
        self.monitor.handle(entry);
    }

    fn look(&mut self) {
        self.revision += 1;
        let to_s = self.monitor.now_s();
        let name = self.path.file_name().unwrap().to_string_lossy().into_owned();
        let facts = RecordingFacts { file: name, ..RecordingFacts::default() };
        let summary = Arc::new(self.monitor.summary(&facts));
        let snapshot = self.monitor.snapshot(View { from_s: to_s - 60.0, to_s, columns: 80 }, summary);
        self.desk.observe(Arc::new(Feed {
            revision: self.revision,
            snapshot: Arc::new(snapshot),
            mode: Mode::Live,
            recorder: None,
            ended: false,
            message: None,
        }));
    }

    fn press(&mut self, key: KeyCode) {
        for effect in self.desk.key(key.into()) {
            match effect {
                Effect::Send(Command::Mark { kind, text }) => {
                    assert_eq!(kind, MarkKind::Remark);
                    let body = Body::Note(Note::Mark { kind, text });
                    let (at, interface) = (self.last, self.marks);
                    self.take(&Entry::Record(Record { at, interface, direction: Direction::Inbound, body }));
                }
                Effect::Send(Command::Transmit(_)) => self.sent += 1,
                _ => {}
            }
        }
    }

    /// Presses what the page asks for.
    fn answer(&mut self) {
        let word = self.desk.standing.as_ref().unwrap().word;
        match (self.desk.guide.step, word) {
            (BenchStep::Propellers, _) => self.press(KeyCode::Char('y')),
            (BenchStep::Drills, _) if !self.desk.guide.record.powered => self.press(KeyCode::Char('y')),
            (BenchStep::Far, _) => self.press(KeyCode::Char('s')),
            (BenchStep::Sheet, _) => {}
            (_, StepWord::Open) if self.monitor.now_s() > self.patience_s => self.press(KeyCode::Char('s')),
            (_, StepWord::Open) => {}
            _ => self.press(KeyCode::Enter),
        }
    }

    /// Goes through the recording from one instant to another.
    fn go(&mut self, session: &Recording, from_s: f64, to_s: f64) {
        let mut cursor = session.cursor();
        let (mut start, mut next_s) = (None, from_s);
        while let Some(entry) = session.next(&mut cursor) {
            if let Entry::Record(record) = &entry {
                let at_s = (record.at - *start.get_or_insert(record.at)).secs();
                if at_s < from_s || at_s >= to_s {
                    continue;
                }
                if at_s >= next_s {
                    next_s = at_s + LOOK_S;
                    self.look();
                    self.answer();
                }
            }
            self.take(&entry);
        }
    }

    /// At the sheet: ends the test as the person does, and closes its recording.
    fn finish(mut self, with_end: bool) -> (GuideDesk, PathBuf) {
        // Steps follow each other by one key each.
        for _ in BenchStep::ALL {
            self.look();
            self.answer();
        }
        self.look();
        if with_end {
            assert_eq!(self.desk.guide.step, BenchStep::Sheet);
            self.press(KeyCode::Enter);
            assert!(self.desk.guide.is_over);
            self.look();
        }
        self.writer.flush().unwrap();
        (self.desk, self.path)
    }
}

struct Folder(tempfile::TempDir);

impl Folder {
    fn new(profile: &str) -> (Self, Arc<Profile>) {
        let folder = Self(tempfile::tempdir().unwrap());
        fs::write(folder.path("p.toml"), profile).unwrap();
        (folder, Arc::new(Profile::parse(profile).unwrap()))
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// A simulated session.
    fn session(&self, change: impl Fn(String) -> String) -> Recording {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scenarios/bench_test.toml");
        let text = change(fs::read_to_string(&path).unwrap());
        let scenario = Scenario::parse(&text, &path).unwrap();
        let out = self.path("simulated.pcapng");
        simulated_file::run_to_file(&scenario, &out).unwrap();
        Recording::open(&out).unwrap()
    }

    /// Exit code and sheet that the binary gives of recordings.
    fn sheet(&self, files: &[&Path]) -> (Option<i32>, Value) {
        let mut command = binary::fadewatch(self.0.path(), &["bench", "--json", "--profile", "p.toml"]);
        for file in files {
            command.arg("--from").arg(file);
        }
        let output = command.output().unwrap();
        (output.status.code(), serde_json::from_slice(&output.stdout).unwrap())
    }
}

/// What a sheet says, without the names of its files.
fn said(sheet: &Value) -> Value {
    let keys = ["verdict", "items", "sticks", "failsafe"];
    keys.iter().map(|key| (*key).to_owned()).map(|key| (key.clone(), sheet[&key].clone())).collect()
}

/// The sheet on the page, as JSON.
fn on_page(desk: &GuideDesk) -> Value {
    serde_json::to_value(desk.sheet.as_ref().unwrap()).unwrap()
}

#[test]
fn a_good_test_passes_and_its_recording_gives_the_same_sheet() {
    let (folder, profile) = Folder::new(PROFILE);
    let session = folder.session(|text| text);
    let mut test = Test::new(folder.path("a.pcapng"), &profile, Vec::new());
    test.go(&session, 0.0, f64::INFINITY);
    let (desk, path) = test.finish(true);
    let answers = &desk.guide.record.answers;
    for step in [BenchStep::Links, BenchStep::Sticks, BenchStep::Latency, BenchStep::Loss, BenchStep::Drills]
    {
        assert_eq!(answers.get(&step), Some(&StepAnswer::Shown), "{step:?}");
    }
    for step in [BenchStep::Far, BenchStep::Supply, BenchStep::Glass] {
        assert_eq!(answers.get(&step), Some(&StepAnswer::Skipped), "{step:?}");
    }
    let (code, sheet) = folder.sheet(&[&path]);
    assert_eq!((code, desk.sheet.as_ref().unwrap().verdict), (Some(0), BenchWord::Passed), "{sheet:#}");
    assert_eq!(said(&sheet), said(&on_page(&desk)));
}
