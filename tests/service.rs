//! What `service` prints: by systemd's own checker, and by its rules of quoting read back; rules for udev.
//!
//! A tool that this computer lacks is said, and its part left out.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]
#![allow(clippy::print_stderr, reason = "what was left out is said")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// Names that a unit must not take for anything else: a space, a specifier, a variable, quotes.
const NAME: &str = "my 100% $HOME \"best\" pro\\file.toml";

fn service(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fadewatch"))
        .arg("service")
        .args(arguments)
        .current_dir(folder)
        .env("FADEWATCH_PROFILE", "none")
        .env("XDG_DATA_HOME", "/data of/50%")
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn printed(folder: &Path, arguments: &[&str]) -> String {
    let output = service(folder, arguments);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// A folder with a profile of that name.
fn profile(sources: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join(NAME), format!("[sources]\n{sources}\n")).unwrap();
    folder
}

const SOURCES: &str = "vehicle = \"serial:/dev/serial/by-id/usb-Bench_Radio_0001-if00-port0?baud=57600\"\n\
                       handset = \"evdev:/dev/input/event99\"\nvideo = \"udp://0.0.0.0:5004\"";

/// The words of a line of a unit, as systemd.syntax(7) "Quoting", systemd.unit(5) "Specifiers" (%% is one) and
/// systemd.service(5) "Command lines" ($$ is one) have them.
fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    let mut letters = line.chars().peekable();
    while let Some(first) = letters.find(|letter| *letter != ' ') {
        let mut word = String::new();
        let is_quoted = first == '"';
        if !is_quoted {
            word.push(first);
        }
        while let Some(letter) = letters.next() {
            match letter {
                '"' if is_quoted => break,
                ' ' if !is_quoted => break,
                '\\' => word.push(letters.next().unwrap()),
                '%' | '$' if letters.next_if_eq(&letter).is_some() => word.push(letter),
                '%' | '$' => panic!("{letter} alone in {line}"),
                letter => word.push(letter),
            }
        }
        words.push(word);
    }
    words
}

fn value<'a>(unit: &'a str, key: &str) -> &'a str {
    let line = unit.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix('='));
    line.unwrap_or_else(|| panic!("no {key} in {unit}"))
}

/// What systemd says of a unit by its own checker; nothing where it is not there.
fn verified(unit: &str, name: &str, mode: &str) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, unit).unwrap();
    let output = Command::new("systemd-analyze")
        .args([mode, "--man=no", "--generators=no", "verify"])
        .arg(&path)
        .env("XDG_RUNTIME_DIR", folder.path())
        .output();
    let Ok(output) = output else {
        eprintln!("left out: systemd-analyze is not there");
        return;
    };
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    // It reads all units of this computer besides: only what it says of this one counts.
    let own: Vec<&str> = said.lines().filter(|line| line.contains("fadewatch")).collect();
    assert!(own.is_empty(), "{}", own.join("\n"));
}

#[test]
fn the_unit_starts_what_was_meant_and_systemd_reads_it() {
    let folder = profile(SOURCES);
    let alarm = "say \"50% of $FADEWATCH_LINK\" \\ now";
    let unit = printed(folder.path(), &["unit", "--profile", NAME, "--on-alarm", alarm]);
    let program = PathBuf::from(env!("CARGO_BIN_EXE_fadewatch"));
    let absolute = folder.path().canonicalize().unwrap().join(NAME);
    let expected = [
        program.to_str().unwrap(),
        "live",
        "--wait",
        "--profile",
        absolute.to_str().unwrap(),
        "--on-alarm",
        alarm,
    ];
    assert_eq!(words(value(&unit, "ExecStart")), expected);
    assert_eq!(words(value(&unit, "Environment")), ["XDG_DATA_HOME=/data of/50%"]);
    // systemd.kill(5), systemd.service(5): fadewatch alone is told to end, wrong use is not tried for ever.
    for (key, expected) in
        [("KillMode", "mixed"), ("Restart", "on-failure"), ("RestartPreventExitStatus", "2")]
    {
        assert_eq!(value(&unit, key), expected);
    }
    verified(&unit, "fadewatch.service", "--user");
    let console = printed(folder.path(), &["console", "--profile", NAME, "--theme", "sunlight"]);
    let line = words(value(&console, "ExecStart"));
    assert!(line.ends_with(&["--ascii".to_owned(), "--theme".to_owned(), "sunlight".to_owned()]), "{line:?}");
    assert_eq!((value(&console, "TTYPath"), value(&console, "Environment")), ("/dev/tty1", "TERM=linux"));
    assert!(console.contains("\nEnvironment=\"XDG_DATA_HOME=/data of/50%%\"\n"), "{console}");
    assert!(!console.contains("Capabilities"), "nothing needs one");
    verified(&console, "fadewatch-console.service", "--system");
}

/// A directive that does not exist is seen by the checker, or its silence says nothing.
#[test]
fn the_checker_of_units_finds_what_is_wrong() {
    let there = Command::new("systemd-analyze").arg("--version").output().is_ok();
    let wrong = "[Service]\nExecStart=/bin/true fadewatch\nKillMode=fadewatch\n";
    let found = std::panic::catch_unwind(|| verified(wrong, "fadewatch.service", "--user")).is_err();
    assert_eq!(found, there);
}

#[test]
fn rules_name_each_device_of_the_profile_and_say_what_is_not_known() {
    let folder = profile(SOURCES);
    let rules = printed(folder.path(), &["rules", "--profile", NAME]);
    let lines: Vec<&str> = rules.lines().filter(|line| !line.starts_with('#')).collect();
    assert_eq!(lines.len(), 1, "{rules}");
    // systemd's 60-serial.rules: by-id holds ID_BUS, ID_SERIAL, the interface and the port.
    for part in [
        "SUBSYSTEM==\"tty\"",
        "ENV{ID_SERIAL}==\"Bench_Radio_0001\"",
        "ENV{ID_USB_INTERFACE_NUM}==\"00\"",
        "SYMLINK+=\"fadewatch-vehicle\"",
        "MODE=\"0660\"",
    ] {
        assert!(lines[0].split(", ").any(|own| own == part), "{part} in {rules}");
    }
    assert!(rules.contains("# handset, evdev:/dev/input/event99: not known"), "{rules}");
    assert!(!rules.contains("GROUP=\"root\""));
    let verify = Command::new("udevadm").args(["verify", "--help"]).output();
    if verify.is_ok_and(|output| output.status.success()) {
        let path = folder.path().join("70-fadewatch.rules");
        std::fs::write(&path, &rules).unwrap();
        let output = Command::new("udevadm").arg("verify").arg(&path).output().unwrap();
        assert!(output.status.success(), "{output:?}");
    } else {
        eprintln!("left out: udevadm has no verify here");
    }
    let network = profile("vehicle = \"udp://0.0.0.0:14550\"");
    let rules = printed(network.path(), &["rules", "--profile", NAME]);
    assert!(
        rules.lines().all(|line| line.starts_with('#')) && rules.contains("no rule is needed"),
        "{rules}"
    );
}

#[test]
fn all_of_it_says_where_each_goes_and_how_the_profile_uses_the_names() {
    let folder = profile(SOURCES);
    let text = printed(folder.path(), &["--profile", NAME, "--on-alarm", "say 'now'"]);
    for part in [
        "> ~/.config/systemd/user/fadewatch.service",
        "systemctl --user enable --now fadewatch",
        "loginctl enable-linger",
        "sudo tee /etc/systemd/system/fadewatch-console.service",
        "sudo udevadm control --reload",
        "    [Service]",
        "vehicle = \"serial:/dev/fadewatch-vehicle?baud=57600\"",
    ] {
        assert!(text.contains(part), "{part} in {text}");
    }
    // What was typed is typed again, and a shell reads it as it was.
    let step =
        text.lines().find_map(|line| line.trim().strip_prefix("fadewatch ")?.split_once(" > ")).unwrap().0;
    let shell = Command::new("sh").args(["-c", &format!("printf '%s\\n' {step}")]).output().unwrap();
    let words = String::from_utf8(shell.stdout).unwrap();
    assert_eq!(
        words.lines().collect::<Vec<_>>(),
        ["service", "unit", "--profile", NAME, "--on-alarm", "say 'now'"]
    );
    assert!(!text.contains("setcap") && !text.contains("handset = "), "{text}");
    let capture = profile("video = \"capture:wlan0?port=5004\"");
    assert!(printed(capture.path(), &["--profile", NAME]).contains("setcap cap_net_raw+ep"));
    for (kind, mode) in [("unit", "--user"), ("console", "--system")] {
        let unit = printed(capture.path(), &[kind, "--profile", NAME]);
        // Only a unit of the system can be given a right.
        assert_eq!(unit.contains("AmbientCapabilities=CAP_NET_RAW\n"), kind == "console");
        // It records at once: what is not there yet is waited for while it runs.
        assert!(!unit.contains("Wants="), "{unit}");
        verified(&unit, "fadewatch.service", mode);
    }
}

#[test]
fn without_a_profile_that_can_be_heard_it_says_what_to_do() {
    let folder = profile("");
    for (arguments, says) in
        [(&["unit"][..], "fadewatch profile new"), (&["unit", "--profile", NAME], "[sources]")]
    {
        let output = service(folder.path(), arguments);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0), "{said}");
        assert!(said.contains(says), "{said}");
    }
}
