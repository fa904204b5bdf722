//! The rules of the layout that a compiler does not check: which room names which, and no circles.
//!
//! Imports are read with a parser. Test code is left out.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

mod imports;

use imports::{Tree, is_test};

/// Rooms from the outermost to the innermost; those of one line stand side by side. A room names what stands
/// below its own line, and itself.
const ROOMS: &[&[&str]] = &[
    &["cli", "run"],
    &["tui"],
    &["report"],
    &["wording"],
    &["session"],
    &["history"],
    &["source", "capture"],
    &["simulate"],
    &["monitor"],
    &["judge"],
    &["measure"],
    &["clocks"],
    &["wire"],
    &["stats"],
    &["summary", "snapshot"],
    &["profile", "record"],
    &["clock"],
    &["units"],
];

/// What stands side by side and may name each other all the same.
const SIDE_BY_SIDE: &[(&str, &str)] =
    &[("run", "cli"), ("source", "capture"), ("capture", "source"), ("snapshot", "summary")];

/// Arrows that point down and are wrong all the same.
const NEVER: &[(&str, &[&str])] = &[
    ("tui", &["report"]),
    ("history", &["measure", "monitor", "clocks"]),
    ("stats", &["summary", "snapshot", "profile", "record"]),
    ("profile", &["record"]),
    ("simulate", &["monitor", "judge", "measure", "clocks", "wire", "stats", "summary", "snapshot"]),
];

/// The pure core.
const CORE: &[&str] =
    &["wire", "clocks", "stats", "measure", "judge", "monitor", "wording", "summary", "snapshot", "record"];

/// What the core may not name. Addresses of `std::net` are values.
const OUTSIDE: &[&str] = &[
    "tokio",
    "tokio_serial",
    "ratatui",
    "crossterm",
    "rusqlite",
    "std::fs",
    "std::net",
    "std::time",
    "crate::clock",
];

fn depth(room: &str) -> usize {
    ROOMS
        .iter()
        .position(|line| line.contains(&room))
        .unwrap_or_else(|| panic!("{room} is no room: give it a place in the list"))
}

fn is_allowed(from: &str, to: &str) -> bool {
    let never = NEVER.iter().any(|(room, others)| *room == from && others.contains(&to));
    from == to || !never && (depth(from) < depth(to) || SIDE_BY_SIDE.contains(&(from, to)))
}

fn wrong_arrows(tree: &Tree) -> Vec<String> {
    let mut wrong = Vec::new();
    for (file, named) in &tree.files {
        let Some(from) = imports::room(file) else { continue };
        for (other, line) in named {
            if let Some(to) = imports::room(other)
                && !is_allowed(from, to)
            {
                wrong.push(format!("{file} names {other} ({line})"));
            }
        }
    }
    wrong
}

/// Circles between files of which none is another's parent.
fn circles(tree: &Tree) -> Vec<String> {
    let related = |one: &str, other: &str| {
        one.starts_with(&format!("{other}::")) || other.starts_with(&format!("{one}::"))
    };
    // An arrow to a parent or to a child closes no circle.
    let arrows: BTreeMap<&str, BTreeSet<&str>> = tree
        .files
        .iter()
        .map(|(file, named)| {
            let others = named.keys().map(String::as_str).filter(|other| !related(file, other));
            (file.as_str(), others.collect())
        })
        .collect();
    imports::strongly_connected(&arrows).into_iter().map(|group| group.join(", ")).collect()
}

fn listed(wrong: &[String]) -> String {
    format!("{} wrong:\n{}", wrong.len(), wrong.join("\n"))
}

#[test]
fn rooms_name_only_what_stands_below_them() {
    let wrong = wrong_arrows(&Tree::of_sources());
    assert!(wrong.is_empty(), "{}", listed(&wrong));
}

#[test]
fn no_files_stand_in_a_circle() {
    let wrong = circles(&Tree::of_sources());
    assert!(wrong.is_empty(), "{}", listed(&wrong));
}

/// Each arrow that was once there and wrong, put back, is found.
#[test]
fn wrong_arrows_are_found() {
    for (file, code) in [
        ("profile", "use crate::monitor::LinkMonitor;"),
        ("capture", "use crate::session::live::start;"),
        ("stats::time_series::loss_runs", "use crate::summary::RatioEstimate;"),
        ("history", "use crate::measure::vibration::VibrationMeter;"),
        ("tui::view", "use crate::report::session_text;"),
        ("measure::loss", "fn f() { crate::judge::margin::evidence(); }"),
        ("measure::loss", "use crate::{units::Nanos, judge::{margin, range}};"),
        ("wire::codec", "use super::super::measure;"),
        ("simulate::scene", "use crate::stats::space::geodesic;"),
        ("session::live", "use crate::wording::quantity;"),
    ] {
        let mut tree = Tree::of_sources();
        let before = wrong_arrows(&tree).len();
        tree.add(file, code);
        assert!(wrong_arrows(&tree).len() > before, "{code} in {file}");
    }
    let mut tree = Tree::default();
    for file in ["measure::loss::gaps", "measure::loss::rate", "measure::loss::flow", "measure::loss"] {
        tree.add(file, "");
    }
    tree.add("measure::loss::gaps", "use super::rate::Rate;");
    tree.add("measure::loss", "mod gaps; use gaps::Gaps;");
    tree.add("measure::loss::gaps", "use super::Loss;");
    assert_eq!(circles(&tree), Vec::<String>::new());
    tree.add("measure::loss::rate", "use super::flow::Flow;");
    tree.add("measure::loss::flow", "fn f() { super::gaps::go() }");
    assert_eq!(circles(&tree).len(), 1);
}

#[test]
fn the_core_knows_no_clock_no_terminal_no_file_and_no_network() {
    let tree = Tree::of_sources();
    let mut seen = 0;
    for (file, paths) in &tree.paths {
        if !imports::room(file).is_some_and(|room| CORE.contains(&room)) {
            continue;
        }
        seen += 1;
        for path in paths {
            let outside = OUTSIDE.iter().find(|word| path == *word || path.starts_with(&format!("{word}::")));
            let is_address = path.starts_with("std::net::") && path.contains("Addr");
            assert!(outside.is_none() || is_address, "{file} names {path}");
        }
    }
    assert!(seen > 80, "{seen} files of the core");
}

#[test]
fn the_protocol_crate_is_named_in_one_file() {
    let tree = Tree::of_sources();
    let naming: Vec<&String> = tree
        .paths
        .iter()
        // The simulator has an encoder of its own, in a module of that name.
        .filter(|(file, paths)| {
            !file.starts_with("simulate") && paths.iter().any(|path| path.starts_with("mavlink::"))
        })
        .map(|(file, _)| file)
        .collect();
    assert_eq!(naming, ["wire::codec"]);
}

/// A file's name means one thing in the whole tree.
#[test]
fn no_two_files_share_a_name() {
    let mut names: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let tree = Tree::of_sources();
    for file in tree.files.keys() {
        names.entry(file.rsplit("::").next().unwrap_or(file)).or_default().push(file);
    }
    let twice: Vec<_> = names.into_values().filter(|files| files.len() > 1).collect();
    assert!(twice.is_empty(), "{twice:?}");
}

/// Files of at most 500 lines, test modules aside.
#[test]
fn no_file_outgrows_its_idea() {
    let mut checked = 0;
    for path in rust_files(Path::new(env!("CARGO_MANIFEST_DIR")).join("src").as_path()) {
        if is_test(&path) {
            continue;
        }
        let text = fs::read_to_string(&path).expect("a source file");
        let lines = text.lines().take_while(|line| !line.starts_with("#[cfg(test)]")).count();
        assert!(lines <= 500, "{} has {lines} lines", path.display());
        checked += 1;
    }
    assert!(checked > 200, "{checked} files");
}

/// Rooms that hold numbers and enums: what they mean is said in `wording`.
const WORDLESS: &[&str] = &["wire", "clocks", "stats", "measure", "judge", "monitor", "summary", "snapshot"];

/// A string with two spaces between letters, or more.
fn is_sentence(text: &str) -> bool {
    let letters: Vec<char> = text.chars().collect();
    let within = |three: &&[char]| three[0].is_alphabetic() && three[1] == ' ' && three[2].is_alphabetic();
    letters.windows(3).filter(within).count() >= 2
}

#[test]
fn what_measures_and_judges_says_nothing_in_words() {
    let mut read = 0;
    let sentences: Vec<String> = Tree::of_sources()
        .strings
        .iter()
        .filter(|(file, _)| imports::room(file).is_some_and(|room| WORDLESS.contains(&room)))
        .inspect(|_| read += 1)
        .flat_map(|(file, texts)| texts.iter().map(move |text| (file, text)))
        // A fixed word of the budget's JSON since its first version.
        .filter(|(_, text)| is_sentence(text) && *text != "trend is watched")
        .map(|(file, text)| format!("{file}: {text}"))
        .collect();
    assert!(sentences.is_empty(), "{}", listed(&sentences));
    assert!(read > 8, "{read} files with strings");
}

/// A sentence in the core is found; in tests, attributes, comments and what `expect` says it is none of the program's.
#[test]
fn sentences_are_found() {
    let found = |code: &str| {
        let mut tree = Tree::default();
        tree.add("measure::loss", code);
        tree.strings.values().flatten().filter(|text| is_sentence(text)).count()
    };
    assert_eq!(found("fn f() -> &'static str { \"turn back now\" }"), 1);
    assert_eq!(found("fn f() { log(format!(\"the link {name} is silent\")); }"), 1);
    assert_eq!(found("const A: &str = \"unit of level\"; const B: &str = \"two words\";"), 1);
    for code in [
        "/// This says what it does.\nfn f() {}",
        "#[expect(dead_code, reason = \"serde gives a reference\")]\nfn f() {}",
        "fn f() { it.expect(\"there is always one\"); }",
        "#[cfg(test)] mod tests { fn f() { log(\"turn back now\"); } }",
    ] {
        assert_eq!(found(code), 0, "{code}");
    }
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("a source folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(rust_files(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
    found
}
