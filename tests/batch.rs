//! Commands that take many recordings: all at once they say, to the byte, what they say of each alone; one that is bad costs
//! itself; a bar on a terminal and nowhere else.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod binary;
mod pseudo_terminal;

use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Command, Output, Stdio};

use binary::fadewatch;
use pseudo_terminal::Screen;

fn run(folder: &Path, arguments: &[&str]) -> (Option<i32>, String, String) {
    let Output { status, stdout, stderr } =
        fadewatch(folder, arguments).stderr(Stdio::piped()).output().unwrap();
    (status.code(), String::from_utf8(stdout).unwrap(), String::from_utf8(stderr).unwrap())
}

/// A folder with three bundled flights, of which the first is by far the longest to read, and what nobody can read.
fn flights() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let bundled = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings");
    for (number, name) in [(4, "a.pcapng"), (1, "b.pcapng"), (2, "c.pcapng")] {
        let flight = bundled.join(format!("orchard-{number}.pcapng"));
        let bytes = fs::read(flight).unwrap();
        // Whole records up to some length, so that the first is the longest.
        let kept = if name == "a.pcapng" { bytes.len() } else { bytes.len() / 8 };
        fs::write(folder.path().join(name), &bytes[..kept]).unwrap();
    }
    fs::write(folder.path().join("words.txt"), "a shopping list\nbread\nmilk\n".repeat(40)).unwrap();
    fs::create_dir(folder.path().join("folder")).unwrap();
    let pipe = folder.path().join("pipe");
    assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    folder
}

const GOOD: [&str; 3] = ["a.pcapng", "b.pcapng", "c.pcapng"];
const ALL: [&str; 7] = ["a.pcapng", "words.txt", "folder", "b.pcapng", "pipe", "missing.pcapng", "c.pcapng"];

/// Each bad one is named with what to do, once; the good ones are not.
fn names_the_bad(said: &str) {
    for (bad, what_to_do) in [
        ("'words.txt'", "give a pcapng or pcap capture"),
        ("'folder'", "it is a folder; give"),
        ("'pipe'", "name it alone"),
        ("'missing.pcapng'", "see that it is there"),
    ] {
        let lines: Vec<&str> = said.lines().filter(|line| line.contains(bad)).collect();
        assert!(lines.len() == 1 && lines[0].contains(what_to_do), "{bad}: {said}");
    }
}

#[test]
fn all_at_once_say_what_each_says_alone_and_bad_ones_cost_only_themselves() {
    let folder = flights();
    let folder = folder.path();
    let alone = |json: &[&str]| GOOD.map(|file| run(folder, &[&["summary", file], json].concat()).1);
    let (code, all, said) = run(folder, &[&["summary", "--json"], &ALL[..]].concat());
    assert_eq!(code, Some(2), "{said}");
    assert_eq!(all, alone(&["--json"]).concat());
    names_the_bad(&said);
    assert!(!said.contains('\u{1b}') && !said.contains("recordings"), "no bar without a terminal: {said:?}");

    let (code, all, _) = run(folder, &[&["summary"], &GOOD[..]].concat());
    assert_eq!((code, all), (Some(0), alone(&[]).join("\n")));
}

#[test]
fn what_is_good_is_in_the_history_and_exported_whatever_stands_beside_it() {
    let folder = flights();
    let folder = folder.path();
    let (code, _, said) = run(folder, &[&["history", "add", "--history", "h.sqlite"], &ALL[..]].concat());
    assert_eq!(code, Some(2), "{said}");
    names_the_bad(&said);
    let added: Vec<&str> = said.lines().filter_map(|line| line.strip_prefix("added ")).collect();
    assert_eq!(added, GOOD, "in the order in which they were named");
    let (_, listed, _) = run(folder, &["history", "list", "--json", "--history", "h.sqlite"]);
    assert_eq!(listed.lines().count(), GOOD.len());
    assert_eq!(run(folder, &[&["history", "add", "--history", "h.sqlite"], &GOOD[..]].concat()).0, Some(0));

    let (code, _, said) = run(folder, &[&["export", "--out", "all"], &ALL[..]].concat());
    assert_eq!(code, Some(2), "{said}");
    names_the_bad(&said);
    for file in GOOD {
        assert_eq!(run(folder, &["export", "--out", "alone", file]).0, Some(0));
        let stem = file.strip_suffix(".pcapng").unwrap();
        let [all, alone] = ["all", "alone"].map(|out| folder.join(out).join(stem));
        let names = fs::read_dir(&alone).unwrap().map(|file| file.unwrap().file_name());
        for name in names {
            assert_eq!(fs::read(all.join(&name)).unwrap(), fs::read(alone.join(&name)).unwrap(), "{name:?}");
        }
    }
}

/// Named alone, a pipe is read to its end.
#[test]
fn a_pipe_alone_is_read() {
    let folder = flights();
    let folder = folder.path();
    let bytes = fs::read(folder.join("b.pcapng")).unwrap();
    let pipe = folder.join("pipe");
    let writer =
        std::thread::spawn(move || fs::OpenOptions::new().write(true).open(pipe).unwrap().write_all(&bytes));
    let (code, all, said) = run(folder, &["summary", "--json", "pipe"]);
    writer.join().unwrap().unwrap();
    assert_eq!(code, Some(0), "{said}");
    let of_file = run(folder, &["summary", "--json", "b.pcapng"]).1;
    assert_eq!(all.replace("\"file\":\"pipe\"", "\"file\":\"b.pcapng\""), of_file);
}

#[test]
fn a_reader_that_goes_ends_it_without_a_word() {
    let folder = flights();
    let folder = folder.path();
    // Far more than a pipe holds.
    let files = ["b.pcapng", "c.pcapng"].repeat(20);
    let mut child = fadewatch(folder, &[&["summary", "--json"], &files[..]].concat())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    out.read_line(&mut line).unwrap();
    assert!(line.starts_with('{') && line.ends_with("}\n"), "{line}");
    drop(out);
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(!said.contains("fadewatch: ") || said.lines().all(|line| line.contains("ends inside")), "{said}");
}

#[test]
fn a_terminal_has_a_bar_that_leaves_nothing_behind() {
    let folder = flights();
    let mut command = fadewatch(folder.path(), &[&["history", "add"], &ALL[..]].concat());
    let Screen { mut child, master, slave, written, parser, .. } = Screen::of(&mut command, 120, 40);
    drop((slave, command));
    let mut bytes = Vec::new();
    while let Ok(chunk) = written.recv_timeout(binary::PATIENCE) {
        bytes.extend(chunk);
    }
    drop(master);
    assert_eq!(child.wait().unwrap().code(), Some(2));
    let all = String::from_utf8_lossy(&bytes);
    assert!(all.contains("[##############################] 100 %  7 of 7 recordings"), "{all:?}");
    parser.lock().unwrap().process(&bytes);
    let left = parser.lock().unwrap().screen().contents();
    names_the_bad(&left);
    let is_told = |line: &str| line.starts_with("added ") || line.starts_with("fadewatch: ");
    assert!(left.lines().all(is_told) && left.lines().count() == ALL.len(), "{left}");
}
