//! `history` for other programs, through the real binary: JSON, what chooses sessions, and what is refused.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

fn run(folder: &Path, arguments: &[&str]) -> Output {
    started(folder, arguments).output().unwrap()
}

fn started(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fadewatch"));
    command.args(arguments).current_dir(folder).env("XDG_DATA_HOME", folder).env("FADEWATCH_PROFILE", "none");
    command
}

fn objects(folder: &Path, arguments: &[&str]) -> Vec<Value> {
    let output = run(folder, arguments);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let objects: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    for object in &objects {
        assert_eq!((&object["schema"], &object["version"]), (&1.into(), &env!("CARGO_PKG_VERSION").into()));
    }
    objects
}

fn refuses(folder: &Path, arguments: &[&str], says: &str) {
    let output = run(folder, arguments);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
    assert!(said.contains(says) && output.stdout.is_empty(), "{arguments:?}: {said}");
}

#[test]
fn sessions_are_listed_and_shown_by_their_tags() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let file = |name: &str| root.join(name).to_str().unwrap().to_owned();
    let (profile, first) = (file("recordings/orchard-profile.toml"), file("recordings/orchard-1.pcapng"));
    // Nothing yet: one object still says so.
    let none = objects(folder, &["history", "threshold", "--json"]);
    assert_eq!((none.len(), &none[0]["level_p05"]), (1, &Value::Null));
    assert!(none[0]["why_not"].as_str().unwrap().contains("--profile"), "{none:?}");
    let none = objects(folder, &["history", "threshold", "--json", "--profile", &profile]);
    assert!(none.iter().any(|row| row["link"] == "video" && row["level_p05"].is_null()), "{none:?}");
    assert_eq!(objects(folder, &["history", "list", "--json"]), Vec::<Value>::new());

    let other = file("tests/data/rtp_h265.pcap");
    assert!(run(folder, &["history", "add", "--profile", &profile, &first]).status.success());
    assert!(run(folder, &["history", "add", "--tag", "antenna=rod", &other]).status.success());
    let all = objects(folder, &["history", "list", "--json"]);
    assert_eq!(all.len(), 2);
    let rod = objects(folder, &["history", "list", "--json", "--tag", "antenna=rod"]);
    assert_eq!((rod.len(), &rod[0]["file"]), (1, &Value::from("rtp_h265.pcap")));
    assert_eq!(rod[0]["session"].as_str().unwrap().len(), 64);
    let text = String::from_utf8(run(folder, &["history", "list", "--tag", "antenna=rod"]).stdout).unwrap();
    assert!(text.contains("rtp_h265") && !text.contains("orchard"), "{text}");
    let output = run(folder, &["history", "list", "--tag", "antenna=yagi"]);
    assert!(String::from_utf8_lossy(&output.stderr).contains("no session has antenna=yagi"));

    let hash = all.iter().find(|row| row["file"] == "orchard-1.pcapng").unwrap()["session"].clone();
    let hash = hash.as_str().unwrap();
    let shown = objects(folder, &["history", "show", hash, "--json"]);
    // What the summary of the recording says, phases among it.
    let summary = objects(folder, &["summary", "--json", "--profile", &profile, &first]);
    for key in ["framing", "streams", "phases", "video", "events", "range"] {
        assert_eq!(shown[0][key], summary[0][key], "{key}");
    }
    let shown = objects(folder, &["history", "show", "--json", "--tag", "antenna=rod"]);
    assert_eq!((shown.len(), &shown[0]["recording"]["file"]), (1, &Value::from("rtp_h265.pcap")));

    refuses(folder, &["history", "show", hash, "--tag", "antenna=rod"], "the hash names the session");
    refuses(folder, &["history", "remove", hash, "--tag", "antenna=rod"], "the hash names the session");
    refuses(folder, &["history", "show"], "say which session");
    std::fs::write(folder.join("bare.toml"), "[vehicle]\nsystem = 1\n").unwrap();
    refuses(folder, &["history", "list", "--profile", "bare.toml"], "has no tags");
}

/// Only what is typed chooses sessions: a profile that is used unasked hides none of them, in whichever place it stands.
#[test]
fn a_profile_that_was_not_typed_chooses_no_sessions() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/rtp_h265.pcap");
    let add = ["history", "add", "--tag", "antenna=rod", data.to_str().unwrap()];
    assert!(run(folder, &add).status.success());
    let config = folder.join("config");
    std::fs::create_dir_all(config.join("fadewatch")).unwrap();
    for path in ["named.toml", "config/fadewatch/profile.toml"] {
        std::fs::write(folder.join(path), "[tags]\nantenna = \"yagi\"\n").unwrap();
    }
    let with = |arguments: &[&str], is_named: bool| {
        let mut command = started(folder, arguments);
        command.env("XDG_CONFIG_HOME", &config).env_remove("FADEWATCH_PROFILE");
        if is_named {
            command.env("FADEWATCH_PROFILE", "named.toml");
        }
        let output = command.output().unwrap();
        let [out, said] = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap());
        (output.status.code(), out, said)
    };
    for is_named in [true, false] {
        let (code, listed, said) = with(&["history", "list"], is_named);
        assert_eq!((code, said), (Some(0), String::new()));
        assert!(listed.contains("rtp_h265"), "{listed}");
        let (code, shown, said) = with(&["history", "show", "--tag", "antenna=rod", "--json"], is_named);
        assert!(code == Some(0) && shown.contains("rtp_h265"), "{shown} {said}");
        let (code, shown, said) = with(&["history", "show"], is_named);
        assert!(code == Some(2) && shown.is_empty() && said.contains("say which session"), "{said}");
        // One that is typed does choose.
        let (code, listed, said) = with(&["history", "list", "--profile", "named.toml"], is_named);
        assert!(
            code == Some(0) && listed.is_empty() && said.contains("no session has antenna=yagi"),
            "{said}"
        );
    }
}
