//! The guided bench test. Its whole length in the time of a simulated session, without waiting: a person who presses
//! what the page asks for. The real binary in a pseudo-terminal: `bench_runs.rs`.
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
use fadewatch::capture::recorder::RecorderStatus;
use fadewatch::judge::bench::guide_steps::StepWord;
use fadewatch::monitor::RecordingFacts;
use fadewatch::record::{Body, Direction, InterfaceId, InterfaceKind, MarkKind, Note, Record};
use fadewatch::run::simulated_file;
use fadewatch::session::{Command, Feed, Mode};
use fadewatch::simulate::Scenario;
use fadewatch::snapshot::{Snapshot, View};
use fadewatch::summary::{BenchStep, BenchWord, GuideNote, GuideRecord, Phase, StepAnswer};
use fadewatch::tui::guide::guide_desk::{Before, GuideDesk};
use fadewatch::tui::guide::guide_page::GuidePage;
use fadewatch::tui::state::Effect;
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view::Glyphs;
use fadewatch::units::Nanos;
use fadewatch::wording::caution::TRANSMITS;
use fadewatch::{Entry, LinkMonitor, Profile, Recording};
use ratatui::buffer::Buffer;
use ratatui::layout::{Position, Rect};
use serde_json::Value;

const PROFILE: &str = "[vehicle.failsafe_servo_us]\n1 = 1000\n2 = 1000\n3 = 1000\n4 = 1000\n
[[link]]\nname = \"telemetry\"\nrole = \"telemetry\"\ninterface = \"vehicle\"\n";
/// Seconds of the session from one look of the person at the page to the next.
const LOOK_S: f64 = 30.0;

const SIZES: [(u16, u16); 3] = [(80, 24), (128, 37), (200, 60)];
/// A step, the size of the screen, what was on it.
type Pages = Vec<(BenchStep, (u16, u16), String)>;

/// What a test leaves.
struct Ended {
    desk: GuideDesk,
    path: PathBuf,
    pages: Pages,
}

fn drawn(desk: &GuideDesk, (columns, rows): (u16, u16)) -> String {
    let area = Rect::new(0, 0, columns, rows);
    let mut buffer = Buffer::empty(area);
    let page = GuidePage { desk, theme: Theme::named(ThemeName::Dark), glyphs: Glyphs::Full };
    page.render(area, &mut buffer);
    let row =
        |y| (0..columns).map(|x| buffer[(x, y)].symbol()).collect::<String>().trim_end().to_owned() + "\n";
    (0..rows).map(row).collect()
}

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
    pages: Pages,
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
            pages: Vec::new(),
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
                self.take(&entry);
                if at_s >= next_s {
                    next_s = at_s + LOOK_S;
                    self.answer_all();
                }
                continue;
            }
            self.take(&entry);
        }
    }

    /// Looks once, and presses until the page asks for nothing more.
    fn answer_all(&mut self) {
        self.look();
        for _ in BenchStep::ALL {
            let before = self.desk.guide.clone();
            self.draw();
            self.answer();
            if self.desk.guide == before {
                return;
            }
        }
    }

    /// Keeps the first page of each step.
    fn draw(&mut self) {
        let step = self.desk.guide.step;
        if self.pages.iter().any(|(drawn, ..)| *drawn == step) {
            return;
        }
        for size in SIZES {
            let page = drawn(&self.desk, size);
            self.pages.push((step, size, page));
        }
    }

    /// At the sheet: ends the test as the person does, and closes its recording.
    fn finish(mut self) -> Ended {
        self.patience_s = 0.0;
        self.answer_all();
        self.look();
        assert_eq!(self.desk.guide.step, BenchStep::Sheet);
        self.press(KeyCode::Enter);
        assert!(self.desk.guide.is_over);
        self.look();
        self.killed()
    }

    /// Leaves it as it is.
    fn killed(mut self) -> Ended {
        self.writer.flush().unwrap();
        assert_eq!(self.sent, 0, "nothing is sent that was not asked for");
        Ended { desk: self.desk, path: self.path, pages: self.pages }
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

/// The sheet on the page, through the same text that the binary prints.
fn on_page(desk: &GuideDesk) -> Value {
    serde_json::from_str(&serde_json::to_string(desk.sheet.as_ref().unwrap()).unwrap()).unwrap()
}

#[test]
fn a_good_test_passes_and_its_recording_gives_the_same_sheet() {
    let (folder, profile) = Folder::new(PROFILE);
    let session = folder.session(|text| text);
    let mut test = Test::new(folder.path("a.pcapng"), &profile, Vec::new());
    test.go(&session, 0.0, f64::INFINITY);
    let Ended { desk, path, pages } = test.finish();
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
    for (step, (columns, rows), page) in pages {
        let name = format!("guide_{step:?}_{columns}x{rows}").to_lowercase();
        insta::with_settings!({omit_expression => true, prepend_module_to_snapshot => false}, {
            insta::assert_snapshot!(name, page);
        });
    }
}

#[test]
fn a_reversed_channel_fails_and_two_drills_prove_too_little() {
    for (change, exit, word) in [
        (("", "\n[[control.channel]]\nnumber = 2\nscale = -1.0\n", "270"), 1, BenchWord::Failed),
        (("", "", "240"), 3, BenchWord::NotProven),
    ] {
        let (folder, profile) = Folder::new(PROFILE);
        let (_, more, length) = change;
        let session =
            folder.session(|text| text.replace("duration_s = 270", &format!("duration_s = {length}")) + more);
        let mut test = Test::new(folder.path("a.pcapng"), &profile, Vec::new());
        test.go(&session, 0.0, f64::INFINITY);
        let Ended { desk, path, .. } = test.finish();
        let (code, sheet) = folder.sheet(&[&path]);
        assert_eq!((code, desk.sheet.as_ref().unwrap().verdict), (Some(exit), word), "{sheet:#}");
        assert_eq!(said(&sheet), said(&on_page(&desk)));
        let drills = desk.guide.record.answers[&BenchStep::Drills];
        let expected = if exit == 3 { StepAnswer::Skipped } else { StepAnswer::Shown };
        assert_eq!(drills, expected, "{word:?}");
    }
}

/// Killed after the second step of four: neither recording proves all of it, and both together do.
#[test]
fn an_interrupted_test_goes_on_where_it_was_and_both_recordings_give_its_sheet() {
    let (folder, profile) = Folder::new(PROFILE);
    let session = folder.session(|text| text);
    let mut test = Test::new(folder.path("a.pcapng"), &profile, Vec::new());
    test.go(&session, 0.0, 160.0);
    let first = test.killed();
    let on = first.desk.guide.step;
    assert!(on > BenchStep::Sticks && on < BenchStep::Drills, "{on:?}");
    let mut monitor = LinkMonitor::new(Arc::clone(&profile), Arc::from([])).on_bench();
    let recording = Recording::open(&first.path).unwrap();
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    let before = Before { summary: monitor.summary(&recording.facts(&cursor)), sha256: recording.hash() };
    let mut test = Test::new(folder.path("b.pcapng"), &profile, vec![before]);
    // Propellers may be on again.
    assert_eq!(test.desk.guide.step, BenchStep::Propellers);
    test.go(&session, 180.0, f64::INFINITY);
    let Ended { desk, path, pages } = test.finish();
    assert_eq!(pages[SIZES.len()].0, on, "it goes on where it was");
    let (code, sheet) = folder.sheet(&[&first.path, &path]);
    assert_eq!((code, desk.sheet.as_ref().unwrap().verdict), (Some(0), BenchWord::Passed), "{sheet:#}");
    assert_eq!(said(&sheet), said(&on_page(&desk)));
    assert_eq!(sheet["earlier_recordings"][0]["recording"]["file"], "a.pcapng");
    for alone in [&first.path, &path] {
        assert_eq!(folder.sheet(&[alone]).0, Some(3), "{}", alone.display());
    }
}

/// A bundled flight, invented, that goes out when it is armed: with the mark of a bench test it stays on the ground, as
/// the test itself has it. So `history rebuild` makes of a recording what the test put there.
#[test]
fn a_recording_of_a_guided_test_says_itself_that_it_is_one() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/orchard-1.pcapng");
    let session = Recording::open(&path).unwrap();
    let phases = |says: bool, on_bench: bool| {
        let mut monitor = LinkMonitor::new(Arc::default(), Arc::from([]));
        if on_bench {
            monitor = monitor.on_bench();
        }
        let (mut cursor, mut marks, mut said) = (session.cursor(), InterfaceId(0), !says);
        while let Some(entry) = session.next(&mut cursor).filter(|_| monitor.now_s() < 30.0) {
            monitor.handle(&entry);
            match entry {
                Entry::Interface(id, info) if info.kind == InterfaceKind::Marks => marks = id,
                Entry::Record(record) if !said => {
                    said = true;
                    let text = GuideNote::Step(BenchStep::Propellers, StepAnswer::Begun).text();
                    let body = Body::Note(Note::Mark { kind: MarkKind::Remark, text });
                    monitor.handle(&Entry::Record(Record { interface: marks, body, ..record }));
                }
                _ => {}
            }
        }
        let summary = monitor.summary(&RecordingFacts::default());
        summary.phases.iter().map(|phase| phase.phase).collect::<Vec<Phase>>()
    };
    let on_bench = phases(false, true);
    assert!(!on_bench.contains(&Phase::Out) && on_bench.contains(&Phase::Ground), "{on_bench:?}");
    assert_eq!(phases(true, false), on_bench);
    assert!(phases(false, false).contains(&Phase::Out), "any other session of it is a flight");
}

/// A desk without a session.
fn desk() -> GuideDesk {
    GuideDesk::new(Arc::default(), ThemeName::Dark, Vec::new())
}

#[test]
fn nothing_begins_or_is_sent_before_propellers_are_off() {
    let mut desk = desk();
    for key in ['n', 's', 'r', 'b', 'f', 'c'].map(KeyCode::Char).into_iter().chain([KeyCode::Enter]) {
        assert_eq!(desk.key(key.into()), [], "{key:?}");
        assert_eq!(desk.guide.step, BenchStep::Propellers);
        assert!(desk.reply.as_deref().unwrap().contains("propellers off first"));
    }
    assert_eq!(desk.key(KeyCode::Char('y').into()).len(), 2);
    assert_eq!(desk.guide.step, BenchStep::Links);
}

/// A message that stands for the whole session (here of the profile that was found) hides neither.
#[test]
fn what_is_transmitted_and_not_recorded_stands_there_whatever_else_is_said() {
    let (folder, profile) = Folder::new(PROFILE);
    let mut test = Test::new(folder.path("a.pcapng"), &profile, Vec::new());
    test.look();
    let mut feed = Feed::clone(test.desk.feed.as_ref().unwrap());
    let mut snapshot = Snapshot::clone(&feed.snapshot);
    snapshot.transmits = vec!["transmits: requests for the time once a second".to_owned()];
    feed.snapshot = Arc::new(snapshot);
    feed.message = Some("the profile: rover.toml".to_owned());
    let recorder = |error: Option<&str>, refused, is_gone| {
        let error = error.map(str::to_owned);
        Some(RecorderStatus { path: PathBuf::from("a.pcapng"), bytes: 20, error, refused, is_gone })
    };
    for (recorder, said) in [
        (recorder(Some("disk full"), 0, false), "NOT RECORDING: disk full"),
        (recorder(None, 0, true), "NOT RECORDING"),
        (recorder(None, 2_000, false), "could not be recorded"),
    ] {
        (feed.recorder, feed.revision) = (recorder, feed.revision + 1);
        test.desk.observe(Arc::new(feed.clone()));
        for (key, answer) in [('x', "rover.toml"), ('n', "propellers off first"), ('q', "Leave the test?")] {
            test.desk.key(KeyCode::Char(key).into());
            for size in SIZES {
                let page = drawn(&test.desk, size);
                let shown = [TRANSMITS, said, answer, "once a second"];
                // On a narrow screen what is not recorded comes before the answer, and what is sent is said in capitals.
                let narrow = [TRANSMITS, said, "TRANSMITS"];
                let wanted = if size.0 == 80 { &narrow[..] } else { &shown[..] };
                assert!(wanted.iter().all(|text| page.contains(text)), "{wanted:?}:\n{page}");
            }
        }
        test.desk.key(KeyCode::Esc.into());
    }
    test.desk.key(KeyCode::Char('y').into());
    // The session says what it transmits, or why not.
    assert_eq!(test.desk.key(KeyCode::Char('f').into()).len(), 1);
    assert_eq!(test.desk.reply, None);
}

#[test]
fn photographs_are_typed_on_the_page_and_their_interval_is_kept() {
    let mut desk = desk();
    desk.key(KeyCode::Char('y').into());
    while desk.guide.step != BenchStep::Glass {
        desk.key(KeyCode::Char('s').into());
    }
    let mut notes = Vec::new();
    for picture in [".310", ".312", ".314", ".316"] {
        for letter in format!("83.412\n83{picture}\n").chars() {
            let key = if letter == '\n' { KeyCode::Enter } else { KeyCode::Char(letter) };
            notes.extend(desk.key(key.into()));
        }
    }
    // The mean of 102, 100, 98 and 96.
    let (delay, [low, high]) = desk.guide.record.glass.unwrap();
    assert!((delay - 99.0).abs() < 0.051 && low < 96.0 && high > 102.0, "{delay} {low} {high}");
    assert_eq!(notes.len(), 2, "three photographs are the least: {notes:?}");
    // Taken back: of three there is a figure, of two there is none, and the recording says so.
    notes.extend(desk.key(KeyCode::Char('u').into()));
    let (delay, _) = desk.guide.record.glass.unwrap();
    assert!((delay - 100.0).abs() < 0.051, "the mean of 102, 100 and 98: {delay}");
    notes.extend(desk.key(KeyCode::Char('u').into()));
    assert_eq!((desk.guide.record.glass, notes.len()), (None, 4));
    let mut kept = GuideRecord::default();
    for note in notes {
        let Effect::Send(Command::Mark { text, .. }) = note else { panic!("{note:?}") };
        kept.observe(0.0, GuideNote::parse(&text).unwrap());
    }
    assert_eq!(kept.glass, None);
    desk.key(KeyCode::Char('b').into());
    assert_eq!(desk.guide.step, BenchStep::Supply, "letters that are no times go on working");
}

#[test]
fn every_key_at_the_foot_takes_a_tap_and_small_screens_do_not_panic() {
    let mut desk = desk();
    desk.key(KeyCode::Char('y').into());
    for (columns, rows) in SIZES {
        let area = Rect::new(0, 0, columns, rows);
        let text = drawn(&desk, (columns, rows));
        let foot = text.lines().last().unwrap().to_owned();
        let page = GuidePage { desk: &desk, theme: Theme::named(ThemeName::Dark), glyphs: Glyphs::Ascii };
        for (words, key) in [
            ("Enter next", KeyCode::Enter),
            ("b back", KeyCode::Char('b')),
            ("s skip", KeyCode::Char('s')),
            ("r repeat", KeyCode::Char('r')),
            ("f faster", KeyCode::Char('f')),
            ("q quit", KeyCode::Char('q')),
        ] {
            let x = foot.find(words).unwrap_or_else(|| panic!("{words}: {foot}")) as u16;
            assert_eq!(page.touched(area, Position::new(x, rows - 1)), Some(key), "{words}");
            assert_eq!(page.touched(area, Position::new(x, rows - 2)), None);
        }
    }
    for step in BenchStep::ALL {
        for size in [(0, 0), (1, 1), (7, 2), (20, 5), (79, 3)] {
            desk.guide.step = step;
            drawn(&desk, size);
        }
    }
}
