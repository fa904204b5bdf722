//! Changes one thing at a time in `src/measure` and `src/judge`, and tells which changes no test notices.
//!
//! `cargo run --example mutants -- SEED COUNT [TEST...]`: COUNT changes drawn by SEED from all that there are. Each line
//! has a lot of its own, so that a change of the code alters the draw by little. They are tried on a copy of the tree
//! under target/mutants with a target folder of its own. First the library's own tests of these rooms run, then the test
//! binaries named (else all of `TESTS`), until one fails (caught) or all pass (survived). `mutants -- at FILE:LINE...`
//! tries all changes of these lines. A change that does not compile is replaced by the next.
//!
//! The changes go into one build, and a variable chooses one of them at run time (`planted_tree.rs`). What cannot be
//! chosen so, mostly constants that make up other constants, is built by itself. The tree must pass as it is: that is tried
//! first, and says how long a run may take. A change costs seconds, or a minute if it is built by itself; it needs the
//! commands `cargo` and `timeout`. `cargo run --example mutants -- list` prints all changes and tries none.

#![expect(clippy::print_stdout, reason = "its output is the point")]

mod planted_tree;
mod sites;
mod syntax;
mod test_runs;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::{env, fs, io};

use planted_tree::{PlantedTree, Tree};
use sites::Site;
use test_runs::{Fate, TestRuns};

/// What is changed.
const CHANGED: [&str; 2] = ["src/measure", "src/judge"];
/// What the build needs of the tree.
const COPIED: [&str; 13] = [
    "src",
    "tests",
    "examples",
    "benches",
    "recordings",
    "build.rs",
    "Cargo.toml",
    "Cargo.lock",
    "clippy.toml",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE-MIT",
    "LICENSE-APACHE",
];
/// Test binaries that look at figures.
const TESTS: [&str; 32] = [
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
    "long_silences",
    "levels",
    "sticks",
    "picture_cause",
    "video_refresh",
    "battery",
    "health",
    "situations",
    "unseen",
    "warnings",
    "faults",
    "compare",
    "bench",
];
/// What became of the changes so far.
#[derive(Default)]
struct Tally {
    tried: usize,
    caught: usize,
}

fn main() -> io::Result<()> {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let words: Vec<String> = env::args().skip(1).collect();
    let mut sites = all_sites(&root)?;
    let first = words.first().map_or("", String::as_str);
    if first == "list" {
        for site in &sites {
            println!("{site}");
        }
        println!("{} changes", sites.len());
        return Ok(());
    }
    let number = |index: usize, usual: u64| {
        words.get(index).and_then(|word| word.parse::<u64>().ok()).unwrap_or(usual)
    };
    let mut tests: Vec<String> = TESTS.map(str::to_owned).into();
    let count = if first == "at" {
        sites.retain(|site| words.contains(&site.place()));
        sites.len()
    } else {
        let seed = number(0, 1);
        sites.sort_by_cached_key(|site| site.lot(seed));
        sites.retain(|site| !site.counts_memory());
        if words.len() > 2 {
            tests = words[2..].to_vec();
        }
        usize::try_from(number(1, 10)).unwrap_or(usize::MAX)
    };
    let mut trial = Trial::new(&root, tests)?;
    let mut tally = Tally::default();
    let drawn: Vec<(usize, Site)> = (1..).zip(sites).collect();
    let mut next = 0;
    while tally.tried < count && next < drawn.len() {
        let batch = &drawn[next..drawn.len().min(next + count - tally.tried)];
        next += batch.len();
        trial.try_all(batch, &mut tally)?;
    }
    println!("{} of {} caught", tally.caught, tally.tried);
    Ok(())
}

/// The copy, and what it is a copy of.
struct Trial {
    root: PathBuf,
    copy: PathBuf,
    tree: Tree,
    runs: TestRuns,
}

impl Trial {
    fn new(root: &Path, tests: Vec<String>) -> io::Result<Self> {
        let mut files = Vec::new();
        for folder in ["src", "tests"] {
            list(&root.join(folder), &mut files)?;
        }
        let tree = Tree::read(root, &files)?;
        let copy = root.join("target/mutants/tree");
        renew(root, &copy)?;
        let runs = TestRuns::new(&copy, tests);
        Ok(Self { root: root.to_owned(), copy, tree, runs })
    }

    /// Tries changes by their numbers: first those that one build can hold.
    fn try_all(&mut self, batch: &[(usize, Site)], tally: &mut Tally) -> io::Result<()> {
        let mut sites: BTreeMap<usize, &Site> = batch.iter().map(|(number, site)| (*number, site)).collect();
        let planted = self.plant(&mut sites)?;
        println!("{} of {} in one build", sites.len(), batch.len());
        if self.runs.try_unchanged()? {
            println!("seconds that each may take: {}", self.runs.order());
        }
        for (number, site) in &sites {
            tally.say(*number, site, &self.runs.fate(*number, &site.file)?);
        }
        for (file, _) in planted.files() {
            fs::copy(self.root.join(file), self.copy.join(file))?;
        }
        for (number, site) in batch.iter().filter(|(number, _)| !sites.contains_key(number)) {
            let path = self.copy.join(&site.file);
            let text = fs::read_to_string(&path)?;
            fs::write(&path, site.changed(&text))?;
            let fate = self.runs.fate_of_a_build(&site.file);
            fs::write(&path, text)?;
            tally.say(*number, site, &fate?);
        }
        Ok(())
    }

    /// Builds one tree with as many of the changes as compile, and takes away the others.
    fn plant(&mut self, sites: &mut BTreeMap<usize, &Site>) -> io::Result<PlantedTree> {
        loop {
            let (planted, left) = self.tree.plant(sites);
            sites.retain(|number, _| !left.contains(number));
            for (file, text) in planted.files() {
                write_new(&self.copy.join(file), text.as_bytes())?;
            }
            let refusals = self.runs.build()?;
            let refused: Vec<usize> =
                refusals.iter().filter_map(|(file, at)| planted.change_at(file, *at)).collect();
            if refusals.is_empty() {
                return Ok(planted);
            }
            if refused.is_empty() {
                return Err(io::Error::other(format!("the build fails by itself: {refusals:?}")));
            }
            sites.retain(|number, _| !refused.contains(number));
            for (file, _) in planted.files() {
                write_new(&self.copy.join(file), &fs::read(self.root.join(file))?)?;
            }
        }
    }
}

impl Tally {
    /// Counts a change and prints its fate.
    fn say(&mut self, number: usize, site: &Site, fate: &Fate) {
        match fate {
            Fate::NoProgram => println!("{number:3} no program  {site}"),
            Fate::Caught(by) => println!("{number:3} caught      {site}  (by {by})"),
            Fate::Survived => println!("{number:3} SURVIVED    {site}"),
        }
        self.tried += usize::from(!matches!(fate, Fate::NoProgram));
        self.caught += usize::from(matches!(fate, Fate::Caught(_)));
    }
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

/// Makes the copy like the tree; what is the same already keeps its date.
fn renew(root: &Path, copy: &Path) -> io::Result<()> {
    fs::create_dir_all(copy)?;
    COPIED.iter().try_for_each(|name| copy_all(&root.join(name), &copy.join(name)))
}

fn copy_all(from: &Path, to: &Path) -> io::Result<()> {
    if !from.is_dir() {
        return write_new(to, &fs::read(from)?);
    }
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(to)? {
        let entry = entry?;
        let is_gone = !from.join(entry.file_name()).exists();
        match entry.path() {
            path if is_gone && path.is_dir() => fs::remove_dir_all(path)?,
            path if is_gone => fs::remove_file(path)?,
            _ => {}
        }
    }
    for entry in fs::read_dir(from)? {
        let name = entry?.file_name();
        copy_all(&from.join(&name), &to.join(&name))?;
    }
    Ok(())
}

/// Writes a file if it is not so already.
fn write_new(path: &Path, text: &[u8]) -> io::Result<()> {
    if fs::read(path).is_ok_and(|old| old == text) { Ok(()) } else { fs::write(path, text) }
}
