//! `explain` and its key on every page: each key of a real summary has an explanation, every profile key and default
//! stands in the reference, and names that are near are named.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod support;

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use fadewatch::profile::{BenchLimits, Limits, Profile};
use fadewatch::tui::page_figures;
use fadewatch::tui::state::{Dialog, Screen, UiState};
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view;
use fadewatch::tui::view::{Glyphs, Scene};
use fadewatch::wording::explain;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use serde_json::Value;
use support::Data;

const PROFILE: &str = "recordings/orchard-profile.toml";

fn run(arguments: &[&str]) -> Output {
    let folder = tempfile::tempdir().unwrap();
    Command::new(env!("CARGO_BIN_EXE_fadewatch"))
        .args(arguments)
        .env("XDG_DATA_HOME", folder.path())
        .env("FADEWATCH_PROFILE", "none")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap()
}

fn printed(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// A place of the JSON as explanations name it: what stands in several places with the same keys is named once.
fn place(path: &str) -> String {
    let mut path = path.replace("video_streams[]", "video").replace("freeze_threshold", "thresholds[]");
    for stage in ["stick_to_servo", "stick_to_input", "input_to_servo"] {
        path = path.replace(&format!("latency.{stage}"), "latency.*");
    }
    for axis in ["x", "y", "z"] {
        if path == format!("vibration.{axis}") {
            return "vibration.*".to_owned();
        }
    }
    if path.is_empty() { "top level".to_owned() } else { path }
}

fn collect(value: &Value, path: &str, found: &mut BTreeSet<(String, String)>) {
    match value {
        Value::Object(fields) => {
            for (key, value) in fields.iter().filter(|_| path != "recording.tags") {
                found.insert((place(path), key.clone()));
                let inner = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
                collect(value, &inner, found);
            }
        }
        Value::Array(rows) => rows.iter().for_each(|row| collect(row, &format!("{path}[]"), found)),
        _ => {}
    }
}

fn named() -> BTreeSet<(String, String)> {
    let all = explain::ALL.iter().flat_map(explain::Explanation::keys);
    all.map(|(place, key)| (place.to_owned(), key.to_owned())).collect()
}

#[test]
fn every_key_of_real_summaries_is_explained() {
    let mut found = BTreeSet::new();
    for arguments in [
        &["demo", "--json"][..],
        &["summary", "--json", "--profile", PROFILE, "recordings/orchard-1.pcapng"],
        &["summary", "--json", "tests/data/quad2013_a.raw", "tests/data/field_rural_cut.pcapng"],
        &["summary", "--json", "tests/data/air/air.pcap", "tests/data/rtp_h265.pcap"],
    ] {
        for line in printed(arguments).lines() {
            collect(&serde_json::from_str(line).unwrap(), "", &mut found);
        }
    }
    let mut budget = BTreeSet::new();
    let text = printed(&["budget", "--json", "--profile", PROFILE]);
    collect(&serde_json::from_str(&text).unwrap(), "", &mut budget);
    found.extend(budget.into_iter().map(|(place, key)| (format!("budget {place}"), key)));
    let mut bench = BTreeSet::new();
    let text =
        run(&["bench", "--json", "--profile", PROFILE, "--from", "recordings/orchard-1.pcapng"]).stdout;
    collect(&serde_json::from_slice(&text).unwrap(), "", &mut bench);
    // Rows of the summary are explained there.
    let own = |(place, _): &(String, String)| {
        place != "recording" && !place.starts_with("sticks") && !place.starts_with("failsafe")
    };
    found.extend(bench.into_iter().filter(own).map(|(place, key)| (format!("bench {place}"), key)));
    let mut compared = BTreeSet::new();
    let orchards = ["recordings/orchard-1.pcapng", "recordings/orchard-2.pcapng"];
    let text = printed(&["compare", "--json", "--profile", PROFILE, orchards[0], orchards[1]]);
    collect(&serde_json::from_str(&text).unwrap(), "", &mut compared);
    let compared = compared.into_iter().filter(|(place, _)| !place.ends_with("session_tags"));
    found.extend(compared.map(|(place, key)| (format!("compare {place}"), key)));
    let mut told = BTreeSet::new();
    for line in printed(&["replay", "--stream", "--every", "1", "recordings/orchard-1.pcapng"]).lines() {
        collect(&serde_json::from_str(line).unwrap(), "", &mut told);
    }
    let is_own = |row: &(String, String)| {
        let (place, key) = row;
        let is_verdict = place.starts_with("session_verdicts") || place == "tags";
        !is_verdict && !["schema", "version"].contains(&key.as_str())
    };
    let stream = |place: &str| format!("stream {place}").replace(" top level", "");
    found.extend(told.into_iter().filter(is_own).map(|(place, key)| (stream(&place), key)));
    assert!(found.len() > 300, "{}", found.len());
    let missing: Vec<_> = found.difference(&named()).cloned().collect();
    assert!(missing.is_empty(), "no explanation names: {missing:?}");
}

fn sources(folder: &Path, text: &mut String) {
    for entry in fs::read_dir(folder).unwrap().flatten() {
        if entry.path().is_dir() {
            sources(&entry.path(), text);
        } else {
            text.push_str(&fs::read_to_string(entry.path()).unwrap_or_default());
        }
    }
}

#[test]
fn every_key_that_is_explained_is_a_field() {
    let mut text = String::new();
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut text);
    for (place, key) in named() {
        assert!(text.contains(&format!("pub {key}: ")), "{place}: {key}");
    }
}

#[test]
fn each_explanation_has_its_parts() {
    // What is no figure: words, lists of what there is, and references.
    let others = ["statistics", "not-told"];
    let references = [
        "messages",
        "sources",
        "recording",
        "history",
        "profile",
        "commands",
        "troubleshooting",
        "service",
        "json",
        "stream",
        "export",
        "report",
        "changes",
    ];
    let mut names = BTreeSet::new();
    for one in explain::ALL {
        let lines: Vec<&str> = one.lines(true).collect();
        assert!(names.insert(one.name) && !lines[0].is_empty() && lines[2].is_empty(), "{}", one.name);
        assert!((10..=84).contains(&one.meaning().len()), "{}: {}", one.name, one.meaning());
        if others.contains(&one.name) || references.contains(&one.name) {
            continue;
        }
        for part in ["Definition", "Unit and window: ", "Source: ", "What to do: "] {
            assert!(lines.iter().any(|line| line.starts_with(part)), "{}: {part}", one.name);
        }
    }
    let files = fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/wording/explain")).unwrap();
    assert_eq!(files.count(), names.len(), "every text is listed");
}

#[test]
fn the_profile_reference_names_every_key_and_default_and_its_example_is_read() {
    let text = explain::find("profile")[0].lines(true).collect::<Vec<_>>().join("\n");
    let example: Vec<&str> = text.lines().filter_map(|line| line.strip_prefix("    ")).collect();
    let profile = Profile::parse(&example.join("\n")).unwrap();
    assert_eq!((profile.link.len(), profile.video_link().unwrap().port), (3, Some(5004)));
    // The reader itself says which keys it knows when it meets one that it does not.
    let link = "[[link]]\nname = \"a\"\nrole = \"video\"\n";
    let mut keys = 0;
    for table in [
        "zz = 1",
        "[sources]\nzz = 1",
        "[vehicle]\nzz = 1",
        "[handset]\nzz = 1",
        "[battery]\nzz = 1",
        "[vibration]\nzz = 1",
        "[limits]\nzz = 1",
        &format!("{link}zz = 1"),
        &format!("{link}radio = {{ zz = 1 }}"),
        &format!("{link}radiotap = {{ zz = 1 }}"),
        &format!("{link}level = {{ zz = 1 }}"),
        &format!("{link}limits = {{ zz = 1 }}"),
        &format!("{link}budget = {{ zz = 1 }}"),
    ] {
        let error = Profile::parse(table).unwrap_err().to_string();
        let expected = error.split("expected").nth(1).unwrap_or_else(|| panic!("{error}"));
        for key in expected.split('`').skip(1).step_by(2) {
            assert!(text.contains(key), "{table}: {key}");
            keys += 1;
        }
    }
    assert!(keys > 40, "{keys}");
    let limits = Limits::default();
    for (key, value) in [
        ("warning_margin", limits.warning_margin),
        ("warning_s", limits.warning_s),
        ("alarm_margin", limits.alarm_margin),
        ("alarm_s", limits.alarm_s),
        ("forecast_margin", limits.forecast_margin),
        ("clear_margin", limits.clear_margin),
        ("clear_s", limits.clear_s),
    ] {
        assert!(text.contains(&format!("{key} {value}")), "{key} {value}");
    }
    let limits = explain::find("limits")[0].lines(true).collect::<Vec<_>>().join("\n");
    for (key, value) in BenchLimits::DEFAULTS {
        assert!(limits.contains(&format!("{key} {value}")), "{key} {value}");
    }
}

#[test]
fn a_figure_is_found_by_its_name_and_by_its_keys() {
    let latency = printed(&["explain", "latency"]);
    assert!(
        latency.starts_with("Latency, stick to servo\n") && latency.contains("Turnbull 1976"),
        "{latency}"
    );
    assert!(latency.lines().all(|line| line.len() <= 100), "{latency}");
    assert!(printed(&["explain", "proven_m"]).starts_with("Worked to (proven_m)\n"));
    let both = printed(&["explain", "evidence"]);
    assert!(both.starts_with("Evidence\n") && !both.contains("\n---"), "{both}");
    let list = printed(&["explain"]);
    for one in explain::ALL {
        assert!(list.contains(one.name) && list.contains(one.meaning()), "{}", one.name);
    }
    let all = printed(&["explain", "all"]);
    assert_eq!(all.matches("\nDefinition").count(), explain::ALL.len() - 15);
}

#[test]
fn an_unknown_name_is_an_error_that_names_the_nearest() {
    for (wrong, near) in [("latncy", "latency"), ("freeze-limits", "freeze-limit"), ("los", "loss")] {
        let output = run(&["explain", wrong]);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2));
        let tip = said.lines().find(|line| line.contains("tip:")).unwrap_or_else(|| panic!("{said}"));
        assert!(tip.contains(&format!("'{near}'")), "{tip}");
    }
}

fn drawn(state: &UiState, (columns, rows): (u16, u16)) -> String {
    let area = Rect::new(0, 0, columns, rows);
    let feed = support::feed(Data::Empty, view::columns(state.screen, area));
    let mut buffer = Buffer::empty(area);
    let theme = Theme::named(ThemeName::Dark);
    view::render(&Scene { feed: Some(&feed), state, theme, glyphs: Glyphs::Full }, area, &mut buffer);
    let row = |y: u16| -> String { (0..columns).map(|x| buffer[(x, y)].symbol()).collect() };
    (0..rows).flat_map(|y| [row(y).trim_end().to_owned(), "\n".to_owned()]).collect()
}

fn on(screen: Screen, help_scroll: usize) -> UiState {
    UiState { screen, help_scroll, dialog: Some(Dialog::Explain), ..UiState::default() }
}

#[test]
fn the_page_of_the_picture_is_explained_at_every_size() {
    for (columns, rows) in [(80, 24), (128, 37), (200, 60)] {
        insta::with_settings!({omit_expression => true, prepend_module_to_snapshot => false}, {
            let name = format!("explain_video_{columns}x{rows}");
            insta::assert_snapshot!(name, drawn(&on(Screen::Video, 0), (columns, rows)));
        });
    }
}

#[test]
fn every_page_is_explained_up_to_the_last_word() {
    for screen in Screen::ALL {
        let lines: Vec<&str> = page_figures::explanations(screen).flat_map(|one| one.lines(false)).collect();
        assert!(lines.len() > 12, "{screen:?}");
        for size in [(80, 24), (128, 37), (200, 60)] {
            // As far as PageDown steps.
            let pages: Vec<String> =
                (0..lines.len()).step_by(4).map(|from| drawn(&on(screen, from), size)).collect();
            assert!(pages[0].contains(lines[0]), "{}", pages[0]);
            let words = pages.concat();
            for line in &lines {
                let last = line.split(' ').next_back().unwrap_or_default();
                assert!(words.contains(last), "{screen:?} {size:?}: {line}");
            }
            assert!(!pages[pages.len() - 1].contains("Down shows more"));
        }
        for one in page_figures::explanations(screen) {
            assert_eq!(one.lines(false).last(), Some(""), "{}: room before the next", one.name);
        }
    }
}
