//! Changes one thing at a time in `src/measure` and `src/judge`, and tells which changes no test notices.
//!
//! `cargo run --example mutants -- SEED COUNT [TEST...]`: COUNT changes drawn by SEED from all that there are, each tried on a
//! copy of the tree under target/mutants with a target folder of its own. First the library's own tests run, then the
//! test binaries named (else all of `TESTS`), until one fails (caught) or all pass (survived). A change that does not compile is
//! replaced by the next. The tree must pass as it is: that is tried first. It takes some minutes a change, and needs
//! the commands `cargo` and `timeout`. `cargo run --example mutants -- list` prints all changes and tries none.

#![expect(clippy::print_stdout, reason = "its output is the point")]

mod sites;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::{env, fs, io};

use rand::SeedableRng as _;
use rand::rngs::ChaCha8Rng;
use rand::seq::SliceRandom as _;

use sites::Site;

/// What is changed.
const CHANGED: [&str; 2] = ["src/measure", "src/judge"];
/// What the build needs of the tree.
const COPIED: [&str; 12] = [
    "src",
    "tests",
    "examples",
    "benches",
    "recordings",
    "Cargo.toml",
    "Cargo.lock",
    "clippy.toml",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE-MIT",
    "LICENSE-APACHE",
];
/// Test binaries that look at figures, the quick ones first.
const TESTS: [&str; 19] = [
    "loss",
    "loss_links",
    "signal",
    "range",
    "failsafe",
    "stalls",
    "vibration",
    "threshold",
    "restarts",
    "joystick",
    "wireless",
    "video",
    "video_life",
    "numbers",
    "latency",
    "scenarios",
    "demo",
    "life",
    "real_recordings",
];
/// Seconds that one run of tests may take; an endless loop is noticed by it.
const LIMIT_S: &str = "900";

/// What became of a change.
enum Fate {
    /// It does not compile.
    NoProgram,
    /// By these tests.
    Caught(String),
    Survived,
}

fn main() -> io::Result<()> {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let words: Vec<String> = env::args().skip(1).collect();
    let mut sites = all_sites(&root)?;
    if words.first().is_some_and(|word| word == "list") {
        for site in &sites {
            println!("{site}");
        }
        println!("{} changes", sites.len());
        return Ok(());
    }
    let number = |index: usize, usual: u64| {
        words.get(index).and_then(|word| word.parse::<u64>().ok()).unwrap_or(usual)
    };
    let (seed, count) = (number(0, 1), number(1, 10));
    sites.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
    let copy = root.join("target/mutants/tree");
    renew(&root, &copy)?;
    let named: Vec<&str> = words.iter().skip(2).map(String::as_str).collect();
    let tests = if named.is_empty() { &TESTS[..] } else { &named };
    if !matches!(fate(&copy, tests)?, Fate::Survived) {
        return Err(io::Error::other("the tests must pass on the tree as it is"));
    }
    let (mut tried, mut caught) = (0, 0);
    for site in &sites {
        if tried == count {
            break;
        }
        let path = copy.join(&site.file);
        let text = fs::read_to_string(&path)?;
        fs::write(&path, site.changed(&text))?;
        let fate = fate(&copy, tests)?;
        fs::write(&path, text)?;
        match &fate {
            Fate::NoProgram => println!("no program  {site}"),
            Fate::Caught(by) => println!("caught      {site}  (by {by})"),
            Fate::Survived => println!("SURVIVED    {site}"),
        }
        tried += u64::from(!matches!(fate, Fate::NoProgram));
        caught += u64::from(matches!(fate, Fate::Caught(_)));
    }
    println!("{caught} of {tried} caught");
    Ok(())
}

/// Every change that can be made, in the order of files and lines.
fn all_sites(root: &Path) -> io::Result<Vec<Site>> {
    let mut files = Vec::new();
    for folder in CHANGED {
        list(&root.join(folder), &mut files)?;
        files.push(root.join(folder).with_extension("rs"));
    }
    files.sort();
    let mut sites = Vec::new();
    // A file of tests alone is named so.
    for path in files.iter().filter(|path| !path.ends_with("tests.rs") && path.exists()) {
        let file = path.strip_prefix(root).map_err(io::Error::other)?;
        sites.extend(sites::find(file, &fs::read_to_string(path)?));
    }
    Ok(sites)
}

/// All files under a folder that end in `.rs`.
fn list(folder: &Path, files: &mut Vec<PathBuf>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            list(&path, files)?;
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
    Ok(())
}

/// Makes the copy of the tree anew.
fn renew(root: &Path, copy: &Path) -> io::Result<()> {
    if copy.exists() {
        fs::remove_dir_all(copy)?;
    }
    fs::create_dir_all(copy)?;
    COPIED.iter().try_for_each(|name| copy_all(&root.join(name), &copy.join(name)))
}

fn copy_all(from: &Path, to: &Path) -> io::Result<()> {
    if !from.is_dir() {
        return fs::copy(from, to).map(|_| ());
    }
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from)? {
        let name = entry?.file_name();
        copy_all(&from.join(&name), &to.join(&name))?;
    }
    Ok(())
}

/// Builds and tests the copy as it stands now.
fn fate(copy: &Path, tests: &[&str]) -> io::Result<Fate> {
    if !cargo(copy, &["--lib", "--no-run"])? {
        return Ok(Fate::NoProgram);
    }
    if !tests_pass(copy, &["--lib"])? {
        return Ok(Fate::Caught("the library's own tests".to_owned()));
    }
    for name in tests {
        let only = ["--test", name];
        if !cargo(copy, &[&only[..], &["--no-run"]].concat())? {
            return Ok(Fate::NoProgram);
        }
        if !tests_pass(copy, &only)? {
            return Ok(Fate::Caught((*name).to_owned()));
        }
    }
    Ok(Fate::Survived)
}

fn tests_pass(copy: &Path, only: &[&str]) -> io::Result<bool> {
    let quiet = ["--", "--quiet"];
    quietly(Command::new("timeout").args([LIMIT_S, "cargo", "test"]).args(only).args(quiet), copy)
}

fn cargo(copy: &Path, words: &[&str]) -> io::Result<bool> {
    quietly(Command::new("cargo").arg("test").args(words), copy)
}

/// Runs without a word; whether it went well.
fn quietly(command: &mut Command, copy: &Path) -> io::Result<bool> {
    let target = copy.with_file_name("target");
    command.current_dir(copy).env("CARGO_TARGET_DIR", target).env("INSTA_UPDATE", "no");
    command.env_remove("FADEWATCH_DATA").stdout(Stdio::null()).stderr(Stdio::null());
    Ok(command.status()?.success())
}
