//! A tag that no earlier session has is told where a recording is opened, and nothing where all is as before.

use std::path::{Path, PathBuf};
use std::process::Command;

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// What it says beside its figures.
fn says(folder: &Path, arguments: &[&str]) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fadewatch"));
    command.args(arguments).current_dir(folder).env("XDG_DATA_HOME", folder).env("FADEWATCH_PROFILE", "none");
    let output = command.output().expect("it runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn a_mistyped_tag_is_told_with_what_is_there() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| root(name).display().to_string();
    let (first, second) = (path("recordings/orchard-1.pcapng"), path("recordings/orchard-2.pcapng"));
    let profile = path("recordings/orchard-profile.toml");
    let common = ["--history", "h.sqlite", "--profile", &profile];
    says(folder.path(), &[&["history", "add"][..], &common, &[&first]].concat());
    let replay =
        |file: &str, more: &[&str]| says(folder.path(), &[&["replay"][..], &common, more, &[file]].concat());
    let known = replay(&second, &[]);
    assert!(!known.contains("no earlier session") && !known.contains("--tag"), "{known}");
    // A foreign recording has no tags of its own.
    let foreign = path("tests/data/rtp_h265.pcap");
    let told = replay(&foreign, &["--tag", "antenna=pach"]);
    assert!(told.contains("no earlier session has antenna=pach; there is antenna=patch"), "{told}");
    let told = replay(&foreign, &["--tag", "antena=patch"]);
    assert!(told.contains("no earlier session has a tag antena; there is antenna"), "{told}");
    // One that has its own keeps it, which is told.
    let told = replay(&second, &["--tag", "antenna=panel"]);
    assert!(
        told.contains("--tag antenna=panel is not used: the recording itself has antenna=patch"),
        "{told}"
    );
}
