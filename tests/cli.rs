//! The binary from the outside: broken input, exit codes, one clear line.

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn fadewatch(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fadewatch"))
        .args(arguments)
        .current_dir(folder)
        .env("XDG_DATA_HOME", folder)
        .env("FADEWATCH_PROFILE", "none")
        .env("RUST_BACKTRACE", "1")
        .stdin(Stdio::null())
        .output()
        .expect("the binary starts")
}

/// One line on standard error that names what it was tried on, exit code 2, no backtrace.
fn refuses(folder: &Path, arguments: &[&str], names: &str) {
    let output = fadewatch(folder, arguments);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
    assert!(said.contains(names), "{arguments:?} does not name '{names}': {said}");
    assert!(!said.contains("backtrace") && !said.contains("panicked"), "{said}");
    assert_eq!(said.trim_end().lines().count(), 1, "{arguments:?}: more than one line: {said}");
}

#[test]
fn broken_recordings_are_refused_in_one_line() {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("empty.pcapng"), b"").expect("written");
    fs::write(folder.path().join("words.txt"), "a shopping list\nbread\nmilk\n".repeat(40)).expect("written");
    fs::write(
        folder.path().join("noise.bin"),
        (0..4096u32).map(|i| ((i * 7919) >> 3) as u8).collect::<Vec<_>>(),
    )
    .expect("written");
    refuses(folder.path(), &["summary", "empty.pcapng"], "empty.pcapng");
    refuses(folder.path(), &["summary", "words.txt"], "words.txt");
    refuses(folder.path(), &["summary", "noise.bin"], "noise.bin");
    refuses(folder.path(), &["summary", "missing.pcapng"], "missing.pcapng");
    // The reason once, then what to do.
    refuses(folder.path(), &["summary", "missing.pcapng"], "cannot read 'missing.pcapng': No such file");
    refuses(folder.path(), &["summary", "missing.pcapng"], "(os error 2); see that it is there");
    refuses(folder.path(), &["summary", "."], "'.'");
    refuses(folder.path(), &["summary", "."], "it is a folder; give a pcapng or pcap capture");
    refuses(folder.path(), &["replay", "missing.pcapng"], "missing.pcapng");
}

#[test]
fn broken_profiles_are_refused_with_key_and_line() {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("p.toml"), "[vehicle]\nsystem = 1\nantena = 3\n").expect("written");
    let output = fadewatch(folder.path(), &["summary", "--profile", "p.toml", "x.pcapng"]);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("antena") && said.contains("line 3") && said.contains("p.toml"), "{said}");
    refuses(folder.path(), &["summary", "--profile", "none.toml", "x.pcapng"], "none.toml");
    let link = "[[link]]\nname = \"a\"\nrole = \"video\"\n";
    let budget = "budget = { frequency_mhz = 5.8, tx_power_dbm = 20, tx_gain_dbi = 0, rx_gain_dbi = 0 }\n";
    for (text, names) in [
        (format!("{link}\n{link}"), ["line 6", "'a'"]),
        ("[handset]\nsystem = 3\nlat = 54.0\n".to_owned(), ["line 3", "lon"]),
        ("[vehicle]\nfailsafe_servo_us = { 1 = 1000, 17 = 1500 }\n".to_owned(), ["line 2", "'17'"]),
        (format!("{link}{budget}"), ["line 4", "frequency_mhz"]),
        (format!("{link}port = 5004\n{}port = 5004\n", link.replace("\"a\"", "\"b\"")), ["line 6", "port"]),
        (format!("{link}claimed_range_m = -5\n"), ["line 4", "-5 is no range"]),
        (
            format!("{link}limits = {{ warning_margin = 2.0, alarm_margin = 5.0 }}\n"),
            ["line 4", "alarm_margin"],
        ),
        ("[handset]\nlat = 540.0\nlon = 8.0\n".to_owned(), ["line 2", "540 is no latitude"]),
        ("[battery]\ncapacity_mah = -3\n".to_owned(), ["line 2", "-3 is no capacity"]),
        ("glass_to_glass_ms = -5\n".to_owned(), ["line 1", "-5 is no delay"]),
    ] {
        fs::write(folder.path().join("p.toml"), text).expect("written");
        let output = fadewatch(folder.path(), &["summary", "--profile", "p.toml", "x.pcapng"]);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2));
        assert!(names.iter().all(|name| said.contains(name)), "{names:?}: {said}");
    }
}

/// The example computed apart with scipy (tests/vectors/pathloss.json, `link_budget`): 1837 m in free space, and
/// a tenth of it with 20 dB less.
#[test]
fn a_budget_comes_from_the_profile_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let link = "[[link]]\nname = \"video\"\nrole = \"video\"\nreduced_power_db = 20\n";
    let table = "[link.budget]\nfrequency_mhz = 5800\ntx_power_dbm = 20\ntx_gain_dbi = 2\nrx_gain_dbi = 2\n\
                 losses_db = 1\nsensitivity_dbm = -90\n";
    fs::write(folder.path().join("p.toml"), format!("{link}{table}")).expect("written");
    let output = fadewatch(folder.path(), &["budget", "--profile", "p.toml", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let budget: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let range = &budget["links"][0]["ranges"][0];
    assert!((range["free_space_m"].as_f64().expect("a number") - 1_837.311_720).abs() < 1e-6);
    assert!((range["reduced_free_space_m"].as_f64().expect("a number") - 183.731_172).abs() < 1e-6);
    assert!(range["two_ray_m"].is_null(), "no heights, no two rays");
    let output = fadewatch(folder.path(), &["budget", "--profile", "p.toml"]);
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(
        said.contains("what theory predicts") && said.contains("1.84 km") && said.contains("184 m"),
        "{said}"
    );
    fs::write(folder.path().join("none.toml"), link).expect("written");
    refuses(folder.path(), &["budget", "--profile", "none.toml"], "none.toml");
}

#[test]
fn broken_sources_are_refused_in_one_line() {
    let folder = tempfile::tempdir().expect("a folder");
    for (url, names) in [
        ("serial:/dev/no-such-port?baud=57600", "/dev/no-such-port"),
        ("serial:/dev/no-such-port?baud=fast", "fast"),
        ("carrier-pigeon://loft", "carrier-pigeon"),
        ("udp://0.0.0.0", "udp://0.0.0.0"),
        ("udp://0.0.0.0:99999", "99999"),
    ] {
        refuses(folder.path(), &["live", "--no-record", "--vehicle", url], names);
    }
    let taken = std::net::UdpSocket::bind("127.0.0.1:0").expect("a port");
    let port = taken.local_addr().expect("its address").port().to_string();
    refuses(folder.path(), &["live", "--no-record", "--vehicle", &format!("udp://127.0.0.1:{port}")], &port);
}

#[test]
fn wrong_use_exits_with_two() {
    let folder = tempfile::tempdir().expect("a folder");
    for arguments in
        [&["summary"][..], &["flight"], &["replay", "a.pcapng", "--speed", "100"], &["live", "--tag", "x"]]
    {
        let output = fadewatch(folder.path(), arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
    }
    assert_eq!(fadewatch(folder.path(), &["--help"]).status.code(), Some(0));
    assert_eq!(fadewatch(folder.path(), &["--version"]).status.code(), Some(0));
}

#[test]
fn a_truncated_capture_is_a_warning_and_its_figures_are_given() {
    let folder = tempfile::tempdir().expect("a folder");
    let whole = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/rtp_h265.pcap"))
        .expect("the capture");
    fs::write(folder.path().join("torn.pcap"), &whole[..whole.len() - 100]).expect("written");
    let output = fadewatch(folder.path(), &["summary", "--json", "torn.pcap"]);
    assert_eq!(output.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&output.stderr).contains("torn.pcap"));
    let summary: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(summary["recording"]["truncated"], true);
    assert_eq!(summary["video_streams"][0]["packets"], 406);
}

#[test]
fn an_unreadable_file_does_not_keep_the_others_from_being_reported() {
    let folder = tempfile::tempdir().expect("a folder");
    fs::copy(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/quad2013_a.raw"),
        folder.path().join("good.raw"),
    )
    .expect("copied");
    let output = fadewatch(folder.path(), &["summary", "--json", "missing.raw", "good.raw"]);
    assert_eq!(output.status.code(), Some(2));
    let lines: Vec<&[u8]> =
        output.stdout.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()).collect();
    assert_eq!(lines.len(), 1);
    let summary: serde_json::Value = serde_json::from_slice(lines[0]).expect("JSON");
    assert_eq!(summary["recording"]["file"], "good.raw");
}

#[test]
fn nobody_reading_the_output_is_no_error() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/quad2013_a.raw");
    let mut child = Command::new(env!("CARGO_BIN_EXE_fadewatch"))
        .arg("summary")
        .arg(data)
        .env("XDG_DATA_HOME", folder.path())
        .env("FADEWATCH_PROFILE", "none")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
}

/// By hand: the mean of 111, 89 and 100 ms.
#[test]
fn the_stopwatch_takes_what_was_read_off_and_keeps_it_when_told() {
    let folder = tempfile::tempdir().unwrap();
    let profile = folder.path().join("rover.toml");
    std::fs::write(&profile, "[vehicle]\nsystem = 1\n").unwrap();
    let read = ["--read", "83.412,83.301", "--read", "91.100,91.011", "--read", "95.300,95.200"];
    let keep = ["--profile", profile.to_str().unwrap()];
    let output = fadewatch(folder.path(), &[&["stopwatch", "--json"], &read[..], &keep].concat());
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!((json["glass_to_glass_ms"].as_f64().unwrap() - 100.0).abs() < 1e-6, "{json}");
    assert_eq!(json["photographs"], 3);
    assert!(!std::fs::read_to_string(&profile).unwrap().contains("glass"), "nobody was asked");
    let output = fadewatch(folder.path(), &[&["stopwatch", "--yes"], &read[..], &keep].concat());
    assert!(output.status.success());
    let kept = std::fs::read_to_string(&profile).unwrap();
    assert!(kept.starts_with("glass_to_glass_ms = 100.0\nglass_to_glass_ci95_ms = ["), "{kept}");
    assert!(kept.ends_with("[vehicle]\nsystem = 1\n"));
    // Too few, swapped, and no photograph at all.
    let few = fadewatch(folder.path(), &["stopwatch", "--read", "83.412,83.301"]);
    assert_eq!((few.status.code(), few.stdout.len()), (Some(1), 0));
    assert!(String::from_utf8_lossy(&few.stderr).contains("three photographs at least"));
    let swapped = fadewatch(
        folder.path(),
        &["stopwatch", "--read", "83.301,83.412", "--read", "9,8.9", "--read", "7,6.9"],
    );
    assert!(String::from_utf8_lossy(&swapped.stderr).contains("photograph 1"), "{swapped:?}");
    assert_eq!(fadewatch(folder.path(), &["stopwatch", "--read", "83.412"]).status.code(), Some(2));
    assert_eq!(fadewatch(folder.path(), &["stopwatch"]).status.code(), Some(2), "no terminal");
}
