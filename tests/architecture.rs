//! The rules of the layout that a compiler does not check: what the pure core may name.

use std::fs;
use std::path::{Path, PathBuf};

fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a source folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
}

fn sources(parts: &[&str]) -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    for part in parts {
        let path = root.join(part);
        if path.is_dir() {
            rust_files(&path, &mut files);
        } else if path.exists() {
            files.push(path);
        }
    }
    files.sort();
    assert!(!files.is_empty());
    files.into_iter().map(|path| (path.clone(), fs::read_to_string(&path).expect("a source file"))).collect()
}

#[test]
fn the_core_knows_no_clock_no_terminal_no_file_and_no_network() {
    let forbidden = [
        "tokio",
        "crossterm",
        "ratatui",
        "rusqlite",
        "std::fs",
        "std::io",
        "std::time",
        "crate::clock",
        "crate::source",
        "crate::capture",
        "crate::history",
        "crate::tui",
        "crate::report",
        "crate::session",
        "crate::simulate",
        "crate::run",
        "crate::cli",
    ];
    for (path, text) in
        sources(&["link.rs", "link", "stats.rs", "stats", "snapshot.rs", "summary.rs", "record.rs", "record"])
    {
        let code: Vec<&str> = text.lines().filter(|line| !line.trim_start().starts_with("//")).collect();
        for word in forbidden {
            assert!(!code.iter().any(|line| line.contains(word)), "{} names {word}", path.display());
        }
        let network = code.iter().any(|line| line.contains("std::net") && !line.contains("Addr"));
        assert!(!network, "{} names std::net beyond addresses", path.display());
    }
}

#[test]
fn the_protocol_crate_is_named_in_one_file() {
    for (path, text) in sources(&["."]) {
        // The simulator has an encoder of its own, in a module of that name.
        if path.components().any(|part| part.as_os_str().to_string_lossy().starts_with("simulate")) {
            continue;
        }
        let named = text.lines().any(|line| line.contains("mavlink::") || line.contains("use mavlink"));
        assert_eq!(named, path.ends_with("link/codec.rs"), "{}", path.display());
    }
}

#[test]
fn the_simulator_shares_no_code_with_the_estimators() {
    for (path, text) in sources(&["simulate.rs", "simulate"]) {
        for word in ["crate::link", "crate::stats"] {
            assert!(!text.contains(word), "{} names {word}", path.display());
        }
    }
}

#[test]
fn screens_and_reports_only_read_what_the_core_gives() {
    for (path, text) in sources(&["tui.rs", "tui", "report.rs", "report"]) {
        for word in ["crate::stats", "crate::link::metrics", "crate::capture", "crate::source"] {
            assert!(!text.contains(word), "{} names {word}", path.display());
        }
    }
}
