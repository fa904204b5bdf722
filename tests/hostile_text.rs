//! What a terminal would obey reaches no output: from names of files, interfaces, tags and links, from messages, and by way
//! of errors; and a profile holds no number that cannot be meant.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod binary;
mod hostile_session;

use std::fs;

use binary::fadewatch;
use fadewatch::capture::PcapngWriter;
use fadewatch::profile::Profile;
use fadewatch::record::{Body, Direction, Entry, InterfaceId, MarkKind, Note, Record};
use fadewatch::units::Nanos;
use hostile_session::{heartbeat, opening, status_text};

/// Escape sequences, a C1 introducer, and characters that turn or hide what stands beside them (Unicode 16, general
/// categories Cc, Cf, Zl).
const HOSTILE: &str = "x\u{1b}]0;y\u{7}\u{9b}2J\u{ad}\u{61c}\u{202e}\u{2028}\u{2066}z";

fn is_hostile(letter: char) -> bool {
    letter != '\n' && (letter.is_control() || "\u{ad}\u{61c}\u{202e}\u{2028}\u{2066}".contains(letter))
}

/// A recording whose every text is hostile.
fn recording() -> Vec<u8> {
    let frames = [heartbeat(0), status_text(1, 6, HOSTILE)];
    let record = |second: i64, interface, body| {
        let at = Nanos::from_secs(1_900_000_000 + second);
        Entry::Record(Record { at, interface: InterfaceId(interface), direction: Direction::Inbound, body })
    };
    let note = |second: i64, note| record(second, 1, Body::Note(note));
    let mut writer = PcapngWriter::new(Vec::new());
    for entry in opening(HOSTILE).into_iter().chain([
        record(0, 0, Body::Stream(&frames[0])),
        record(1, 0, Body::Stream(&frames[1])),
        note(2, Note::Mark { kind: MarkKind::Remark, text: HOSTILE.to_owned() }),
        note(2, Note::Foreign { text: HOSTILE.to_owned() }),
        note(3, Note::SourceDown { interface: InterfaceId(0), reason: HOSTILE.to_owned() }),
        note(4, Note::Transmits { what: HOSTILE.to_owned() }),
    ]) {
        writer.write(&entry).unwrap();
    }
    writer.into_inner()
}

#[test]
fn no_output_holds_what_a_terminal_obeys() {
    let folder = tempfile::tempdir().unwrap();
    let name = format!("{HOSTILE}.pcapng");
    fs::write(folder.path().join(&name), recording()).unwrap();
    fs::write(folder.path().join(format!("{HOSTILE}.toml")), "rubbish = 1\n").unwrap();
    let missing = format!("{HOSTILE}-none.pcapng");
    let runs: [&[&str]; 9] = [
        &["summary", &name],
        &["summary", "--json", &name],
        &["history", "add", &name],
        &["history", "list"],
        &["history", "add", &name, &missing],
        &["summary", &missing],
        &["summary", "--profile", &format!("{HOSTILE}.toml"), &name],
        &["replay", &name],
        &["history", "rebuild", ".", "--check"],
    ];
    let mut seen = 0;
    for arguments in runs {
        let output =
            fadewatch(folder.path(), arguments).stderr(std::process::Stdio::piped()).output().unwrap();
        for bytes in [output.stdout, output.stderr] {
            let text = String::from_utf8(bytes).unwrap();
            seen += usize::from(text.contains(']') || text.contains("2J"));
            let hostile: String = text.chars().filter(|letter| is_hostile(*letter)).collect();
            assert!(hostile.is_empty(), "{arguments:?}: {:?}", hostile.escape_unicode().to_string());
        }
    }
    assert!(seen >= 8, "what is left of the names was shown {seen} times");
}

#[test]
fn a_tag_on_the_command_line_that_cannot_be_shown_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let tag = format!("antenna={HOSTILE}");
    let output = fadewatch(folder.path(), &["history", "list", "--tag", &tag]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn a_profile_holds_nothing_that_cannot_be_meant() {
    let link = |rest: &str| format!("[[link]]\nname = \"v\"\nrole = \"video\"\n{rest}\n");
    let wrong = [
        ("level = { slope_db = nan, offset_dbm = -1 }", "slope_db"),
        ("level = { slope_db = inf, offset_dbm = -1 }", "slope_db"),
        ("level = { slope_db = 1e300, offset_dbm = -1 }", "slope_db"),
        ("level = { slope_db = 0.5, offset_dbm = nan }", "offset_dbm"),
        ("level = { slope_db = 0.5, offset_dbm = -1e9 }", "offset_dbm"),
        ("limits = { alarm_margin = nan }", "no number"),
        ("limits = { warning_s = inf }", "no number"),
        ("limits = { clear_s = nan }", "no number"),
        ("claimed_range_m = inf", "range"),
        ("reduced_power_db = nan", "power"),
    ];
    for (text, says) in wrong {
        let error = Profile::parse(&link(text)).unwrap_err().to_string();
        assert!(error.contains(says) && error.contains("line 4"), "{text}: {error}");
    }
    for name in ["v\\u001b[2J", "v\\u202e", "", "  "] {
        let error = Profile::parse(&link("").replace("\"v\"", &format!("\"{name}\""))).unwrap_err();
        assert!(error.to_string().contains("line 2"), "{name}: {error}");
    }
    let error = Profile::parse("[tags]\nantenna = \"a\\u009b2J\"\n").unwrap_err().to_string();
    assert!(error.contains("tag") && error.contains("line"), "{error}");
}
