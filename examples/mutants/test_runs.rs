//! Builds the tests of the copy, and runs them until one fails.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use fadewatch::clock::SessionClock;

use super::planted_tree::CHOSEN;

/// A run ends after so many times what it takes on the tree as it is, and this many seconds more: an endless loop is
/// noticed by it.
const LIMIT_RUNS: i64 = 4;
const LIMIT_MORE_S: i64 = 20;
/// Seconds for a run on the tree as it is.
const LONGEST_S: i64 = 900;
/// The library's own tests; those of what is changed.
const OWN: &str = "lib";
const OWN_ROOMS: [&str; 2] = ["measure::", "judge::"];

/// What the compiler refused: file and byte.
pub(crate) type Refusals = Vec<(PathBuf, usize)>;

/// What became of a change.
pub(crate) enum Fate {
    /// It does not compile.
    NoProgram,
    /// By this test.
    Caught(String),
    Survived,
}

/// Where the tests run, and which.
pub(crate) struct TestRuns {
    copy: PathBuf,
    tests: Vec<String>,
    /// Names of the tests with the seconds that each may take, in the order of running.
    limits: Vec<(String, i64)>,
    programs: BTreeMap<String, PathBuf>,
}

impl TestRuns {
    pub(crate) fn new(copy: &Path, tests: Vec<String>) -> Self {
        Self { copy: copy.to_owned(), tests, limits: Vec::new(), programs: BTreeMap::new() }
    }

    /// Builds all that runs. What the compiler refused, if anything.
    pub(crate) fn build(&mut self) -> io::Result<Refusals> {
        let tests = self.tests.clone();
        let mut words = vec!["--lib"];
        words.extend(tests.iter().flat_map(|name| ["--test", name]));
        self.cargo(&words)
    }

    /// The tests on the tree as it is, once: all must pass. The quick ones will run first from then on.
    pub(crate) fn try_unchanged(&mut self) -> io::Result<bool> {
        if !self.limits.is_empty() {
            return Ok(false);
        }
        let clock = SessionClock::start();
        let mut taken = Vec::new();
        for name in [OWN].into_iter().chain(self.tests.iter().map(String::as_str)) {
            let from = clock.now();
            if let Some(by) = self.run(name, LONGEST_S, None)? {
                return Err(io::Error::other(format!("{name} fails on the tree as it is: {by}")));
            }
            let took_s = (clock.now().0 - from.0) / 1_000_000_000;
            taken.push((name != OWN, took_s, name.to_owned()));
        }
        taken.sort();
        self.limits =
            taken.into_iter().map(|(_, took_s, name)| (name, took_s * LIMIT_RUNS + LIMIT_MORE_S)).collect();
        Ok(true)
    }

    /// The tests in their order, with the seconds that each may take.
    pub(crate) fn order(&self) -> String {
        let each: Vec<String> =
            self.limits.iter().map(|(name, limit_s)| format!("{name} {limit_s}")).collect();
        each.join(", ")
    }

    /// What becomes of a change of the planted tree, in this file.
    pub(crate) fn fate(&self, number: usize, file: &Path) -> io::Result<Fate> {
        for (name, limit_s) in self.order_for(file) {
            if let Some(by) = self.run(&name, limit_s, Some(number))? {
                return Ok(Fate::Caught(by));
            }
        }
        Ok(Fate::Survived)
    }

    /// What becomes of the change with which the copy stands now, built test by test.
    pub(crate) fn fate_of_a_build(&mut self, file: &Path) -> io::Result<Fate> {
        for (name, limit_s) in self.order_for(file) {
            let words = if name == OWN { vec!["--lib"] } else { vec!["--test", &name] };
            if !self.cargo(&words)?.is_empty() {
                return Ok(Fate::NoProgram);
            }
            if let Some(by) = self.run(&name, limit_s, None)? {
                return Ok(Fate::Caught(by));
            }
        }
        Ok(Fate::Survived)
    }

    /// The library's own tests first, then those that have their name of what the file is in: of `measure/video/` those
    /// of `video_life` too.
    fn order_for(&self, file: &Path) -> Vec<(String, i64)> {
        let mut order = self.limits.clone();
        let is_near = |name: &str| {
            let topic = name.split('_').next().unwrap_or(name);
            file.iter().any(|part| Path::new(part).file_stem().is_some_and(|stem| stem == topic))
        };
        order.sort_by_key(|(name, _)| (name != OWN, !is_near(name)));
        order
    }

    /// The failing test, or that it took too long.
    fn run(&self, name: &str, limit_s: i64, number: Option<usize>) -> io::Result<Option<String>> {
        let Some(program) = self.programs.get(name) else {
            return Err(io::Error::other(format!("cargo built no tests {name}")));
        };
        let mut command = Command::new("timeout");
        command.arg(limit_s.to_string()).arg(program).current_dir(&self.copy);
        command.env("INSTA_UPDATE", "no").env("CARGO_MANIFEST_DIR", &self.copy).env_remove("FADEWATCH_DATA");
        if let Some(number) = number {
            command.env(CHOSEN, number.to_string());
        }
        if name == OWN {
            command.args(OWN_ROOMS);
        }
        let Output { status, stdout, .. } = command.output()?;
        if status.success() {
            return Ok(None);
        }
        let said = String::from_utf8_lossy(&stdout);
        let failed = said.lines().find(|line| line.starts_with("test ") && line.ends_with(" FAILED"));
        let why = failed.and_then(|line| line.split(' ').nth(1)).unwrap_or("it ends or takes too long");
        Ok(Some(format!("{name}: {why}")))
    }

    fn cargo(&mut self, words: &[&str]) -> io::Result<Refusals> {
        let mut command = Command::new("cargo");
        command.args(["test", "--offline", "--locked", "--no-run", "--message-format=json"]).args(words);
        command.current_dir(&self.copy).env("CARGO_TARGET_DIR", self.copy.with_file_name("target"));
        command.env("CARGO_PROFILE_DEV_DEBUG", "false").env("CARGO_INCREMENTAL", "1");
        let Output { status, stdout, stderr } = command.output()?;
        let mut refusals = Vec::new();
        for line in String::from_utf8_lossy(&stdout).lines() {
            let Ok(said) = serde_json::from_str::<serde_json::Value>(line) else { continue };
            let mut kinds = said["target"]["kind"].as_array().into_iter().flatten();
            let kind = kinds.find_map(serde_json::Value::as_str).unwrap_or_default();
            if let (Some(program), true) = (said["executable"].as_str(), said["profile"]["test"] == true) {
                let name =
                    if kind == "lib" { OWN } else { said["target"]["name"].as_str().unwrap_or_default() };
                self.programs.insert(name.to_owned(), program.into());
            }
            if said["message"]["level"] == "error" {
                let spans = said["message"]["spans"].as_array().into_iter().flatten();
                refusals.extend(spans.filter_map(|span| {
                    let file = span["file_name"].as_str()?;
                    Some((PathBuf::from(file), usize::try_from(span["byte_start"].as_u64()?).ok()?))
                }));
            }
        }
        if !status.success() && refusals.is_empty() {
            return Err(io::Error::other(format!("cargo: {}", String::from_utf8_lossy(&stderr))));
        }
        Ok(refusals)
    }
}
