//! `profile new` and `profile check`, and which profile a command uses: the real binary, over pipes and in a
//! pseudo-terminal.
//!
//! Truth: of the bundled sessions their hand-written profile, which follows their scenarios; of the real ones the counts of
//! independent scripts (tests/data/README.md); of the captured video a script that reads the UDP headers.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod binary;
mod frames;

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};

use binary::fadewatch;
use fadewatch::capture::PcapngWriter;
use fadewatch::profile::{LevelScale, LinkProfile, Mounted, Profile};
use fadewatch::record::{
    Body, Direction, Entry, InterfaceId, InterfaceInfo, InterfaceKind, Record, SessionInfo,
};
use fadewatch::units::Nanos;

fn root(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name).display().to_string()
}

/// Runs it with these answers on its input.
fn answered(folder: &Path, arguments: &[&str], answers: &str) -> Output {
    let mut command = fadewatch(folder, arguments);
    let mut child = command.stdin(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(answers.as_bytes()).unwrap();
    child.wait_with_output().unwrap()
}

fn ran(folder: &Path, arguments: &[&str]) -> Output {
    fadewatch(folder, arguments).stderr(Stdio::piped()).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

fn printed(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{}", said(output));
    String::from_utf8(output.stdout.clone()).unwrap()
}

/// The profile that `profile new --yes` makes of a recording.
fn made_of(file: &str) -> (String, Profile) {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("p.toml");
    let arguments = ["profile", "new", "--from", file, "--out", out.to_str().unwrap(), "--yes"];
    printed(&ran(folder.path(), &arguments));
    let text = fs::read_to_string(&out).unwrap();
    assert_eq!(fs::metadata(&out).unwrap().permissions().mode() & 0o777, 0o600, "it may hold a place");
    let profile = Profile::parse(&text).unwrap_or_else(|error| panic!("{error}:\n{text}"));
    (text, profile)
}

fn senders(profile: &Profile) -> Vec<[u8; 2]> {
    profile.link.iter().filter_map(|link| link.senders.clone()).flatten().collect()
}

fn radios(profile: &Profile) -> Vec<(u8, u8, Option<Mounted>)> {
    let all = profile.link.iter().filter_map(|link| link.radio);
    all.map(|radio| (radio.system, radio.component, radio.mounted)).collect()
}

fn link<'a>(profile: &'a Profile, name: &str) -> &'a LinkProfile {
    profile.link_named(name).unwrap_or_else(|| panic!("no link {name}: {profile:?}"))
}

fn orchard() -> Profile {
    Profile::parse(include_str!("../recordings/orchard-profile.toml")).unwrap()
}

#[test]
fn what_is_evident_of_the_bundled_sessions_is_right_and_what_is_not_is_said() {
    for number in 1..=4 {
        let file = |ending: &str| root(&format!("recordings/orchard-{number}.{ending}"));
        let scenario: toml::Table = fs::read_to_string(file("toml")).unwrap().parse().unwrap();
        let truth = fs::read_to_string(file("truth.json")).unwrap();
        let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
        let (text, made) = made_of(&file("pcapng"));
        let of = |interface: &str| -> Vec<[u8; 2]> {
            let rows = truth["streams"].as_array().unwrap().iter();
            let id = |row: &serde_json::Value, key: &str| row[key].as_u64().unwrap() as u8;
            rows.filter(|row| row["interface"] == interface)
                .map(|row| [id(row, "system"), id(row, "component")])
                .collect()
        };
        let vehicle: Vec<[u8; 2]> = of("vehicle").into_iter().filter(|sender| sender[0] == 1).collect();
        assert_eq!((made.vehicle.system, senders(&made)), (Some(1), vehicle), "{text}");
        // All radios of the scenario report at the handset.
        let id = |radio: &toml::Value, key: &str| radio[key].as_integer().unwrap() as u8;
        let all = scenario["radio"].as_array().unwrap().iter();
        let all: Vec<_> =
            all.map(|radio| (id(radio, "system"), id(radio, "component"), Some(Mounted::Ground))).collect();
        assert_eq!(radios(&made), all, "{text}");
        assert_eq!(link(&made, "video").port, Some(5004));
        // Sticks are heard in the later sessions alone.
        let handset = of("handset").first().map(|sender| sender[0]);
        assert_eq!(made.handset.system, handset, "{text}");
        let control = made.link_named("control").and_then(|link| link.interface.as_deref());
        assert_eq!(control, handset.map(|_| "handset"), "{text}");
        // Three radios report, and nothing shows which is whose: none is given to a link that it may not be of.
        assert!(["video", "telemetry"].iter().all(|name| !link(&made, name).has_level()), "{text}");
        assert_eq!(text.matches("not evident which link it belongs to").count(), 3, "{text}");
        // Its position, tags and failsafe outputs are for its owner to give.
        assert!(made.handset.lat.is_none() && made.tags.is_empty(), "{text}");
        assert!(made.vehicle.failsafe_servo_us.is_empty(), "{text}");
    }
}

/// Senders of the telemetry, and radios.
type Truth = (Vec<[u8; 2]>, Vec<(u8, u8, Option<Mounted>)>);

#[test]
fn real_flights_give_their_vehicle_and_radio() {
    let whole = std::env::var("FADEWATCH_DATA").ok();
    let data = |cut: &str, file: &str| {
        let whole = whole.as_ref().map(|folder| format!("{folder}/{file}"));
        [Some(root(&format!("tests/data/{cut}"))), whole]
    };
    let ground = Some(Mounted::Ground);
    let quad: Truth = (vec![[1, 1]], vec![(51, 68, ground)]);
    let sub: Truth = (vec![[1, 1], [1, 100], [1, 194]], vec![]);
    for (files, (true_senders, true_radios)) in [
        (data("quad2013_a.raw", "quad2013_a.pcapng"), &quad),
        (data("field_rural_cut.pcapng", "field_rural.pcapng"), &quad),
        (data("sub_2023a_cut.raw", "sub_2023a.pcapng"), &sub),
    ] {
        for file in files.into_iter().flatten() {
            let (text, made) = made_of(&file);
            assert_eq!(made.vehicle.system, Some(1), "{file}: {text}");
            assert_eq!(&senders(&made), true_senders, "{file}: {text}");
            assert_eq!(&radios(&made), true_radios, "{file}: {text}");
            // The telemetry came by the one radio.
            assert_eq!(link(&made, "telemetry").radio.is_some(), !true_radios.is_empty(), "{file}");
            // No picture was there, and the ground station of such a log is not evidently the handset.
            assert!(made.video_link().is_none() && made.handset.system.is_none(), "{file}: {text}");
            assert!(made.sources.given().next().is_none(), "{file}: {text}");
        }
    }
}

#[test]
fn captured_video_and_air_give_their_port_and_transmitter() {
    // A script that reads the UDP headers: 407 packets to port 36486, all of one SSRC.
    let (text, made) = made_of(&root("tests/data/rtp_h265.pcap"));
    assert_eq!((made.link.len(), link(&made, "video").port), (1, Some(36_486)), "{text}");
    assert_eq!((link(&made, "video").ssrc, made.vehicle.system), (None, None));
    // tests/data/air/make.py: VIDEO ends in 1 and VEHICLE in 3; the town's and the house's are others.
    let (text, made) = made_of(&root("tests/data/air/air.pcap"));
    let by = |name: &str| link(&made, name).radiotap.map(|radiotap| radiotap.transmitter.0[5]);
    assert_eq!((by("video"), by("telemetry")), (Some(1), Some(3)), "{text}");
    assert_eq!(made.link.len(), 2, "{text}");
}

/// An invented session: what each sender sends once a second on interfaces `a`, `b` and `c`: message id, extra byte and
/// payload of the common message set.
fn invented(senders: &[(u16, (u8, u8), Said)]) -> Vec<u8> {
    let mut writer = PcapngWriter::new(Vec::new());
    writer.write(&Entry::Session(SessionInfo { tags: BTreeMap::new(), has_wall_clock: true })).unwrap();
    for (number, name) in ["a", "b", "c"].into_iter().enumerate() {
        let info = InterfaceInfo { name: name.to_owned(), kind: InterfaceKind::Stream, description: None };
        writer.write(&Entry::Interface(InterfaceId(number as u16), info)).unwrap();
    }
    for second in 0..20 {
        for (interface, sender, said) in senders {
            let bytes = said.frame(second, *sender);
            let at = Nanos::from_secs(1_900_000_000 + second as i64);
            let (interface, direction) = (InterfaceId(*interface), Direction::Inbound);
            let record = Record { at, interface, direction, body: Body::Stream(&bytes) };
            writer.write(&Entry::Record(record)).unwrap();
        }
    }
    writer.into_inner()
}

/// What a sender says.
#[derive(Clone, Copy)]
enum Said {
    /// HEARTBEAT with an autopilot.
    Autopilot,
    /// RADIO_STATUS.
    Radio,
    /// RC_CHANNELS with this level, or with one that changes.
    Input(Option<u8>),
}

impl Said {
    fn frame(self, second: u64, sender: (u8, u8)) -> Vec<u8> {
        match self {
            Self::Autopilot => frames::frame(second, sender, 0, 50, &[0, 0, 0, 0, 2, 3, 81, 4, 3]),
            Self::Radio => frames::frame(second, sender, 109, 185, &[0, 0, 0, 0, 150, 140, 90, 40, 40]),
            Self::Input(level) => {
                let mut payload = [0_u8; 42];
                payload[..4].copy_from_slice(&(1_000 * (second as u32 + 1)).to_le_bytes());
                payload[4..40].iter_mut().skip(1).step_by(2).for_each(|high| *high = 5);
                payload[40] = 8;
                payload[41] = level.unwrap_or(100 + second as u8);
                frames::frame(second, sender, 65, 118, &payload)
            }
        }
    }
}

fn made_of_invented(senders: &[(u16, (u8, u8), Said)]) -> (String, Profile) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("i.pcapng");
    fs::write(&path, invented(senders)).unwrap();
    made_of(path.to_str().unwrap())
}

#[test]
fn what_is_not_evident_is_not_taken() {
    use Said::{Autopilot, Input, Radio};
    let level_of = |made: &Profile, name: &str| made.link_named(name).is_some_and(LinkProfile::has_level);
    // A lone radio that reports where the vehicle is heard is the telemetry's; in the vehicle, by its system, it is
    // mounted there. Nothing is said of sticks.
    let (text, made) = made_of_invented(&[(0, (1, 1), Autopilot), (0, (51, 68), Radio)]);
    assert_eq!((radios(&made), made.link.len()), (vec![(51, 68, Some(Mounted::Ground))], 1), "{text}");
    assert!(level_of(&made, "telemetry"), "{text}");
    let (text, made) = made_of_invented(&[(0, (1, 1), Autopilot), (0, (1, 68), Radio)]);
    assert_eq!(radios(&made), [(1, 68, Some(Mounted::Vehicle))], "{text}");
    // Elsewhere, or one of two: not evident.
    for senders in [
        &[(0, (1, 1), Autopilot), (1, (51, 68), Radio)][..],
        &[(0, (1, 1), Autopilot), (0, (51, 68), Radio), (0, (52, 68), Radio)],
        &[(0, (51, 68), Radio)],
    ] {
        let (text, made) = made_of_invented(senders);
        assert!(!level_of(&made, "telemetry") && text.contains("not evident which link"), "{text}");
    }
    // A level in RC_CHANNELS that stands still may be none, and 0 is what a vehicle without one sends.
    for (input, taken, offered) in
        [(Input(None), true, false), (Input(Some(100)), false, true), (Input(Some(0)), false, false)]
    {
        let (text, made) = made_of_invented(&[(0, (1, 1), Autopilot), (0, (1, 1), input)]);
        assert_eq!(link(&made, "control").rc_rssi, taken, "{text}");
        assert_eq!(text.contains("# rc_rssi = true"), offered, "{text}");
    }
}

#[test]
fn a_vehicle_that_is_heard_on_two_ways_has_a_link_for_each() {
    use Said::{Autopilot, Radio};
    let senders = [(0, (1, 1), Autopilot), (1, (1, 1), Autopilot), (1, (51, 68), Radio)];
    let (text, made) = made_of_invented(&senders);
    let [first, second] = [link(&made, "telemetry"), link(&made, "telemetry 2")];
    assert_eq!((first.interface.as_deref(), second.interface.as_deref()), (Some("a"), Some("b")), "{text}");
    assert!(first.radio.is_none() && second.radio.is_some(), "the radio reports on b: {text}");
}

#[test]
fn of_two_vehicles_ones_own_is_asked_for() {
    use Said::{Autopilot, Radio};
    let senders = [
        (0, (1, 1), Autopilot),
        (0, (7, 1), Autopilot),
        (0, (7, 1), Said::Input(Some(9))),
        (0, (7, 100), Said::Input(Some(9))),
        (0, (7, 68), Radio),
    ];
    let (text, made) = made_of_invented(&senders);
    assert_eq!((made.vehicle.system, self::senders(&made)), (Some(1), vec![[1, 1]]), "{text}");
    assert!(text.contains("# another vehicle was heard too: system 7"), "{text}");
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("i.pcapng"), invented(&senders)).unwrap();
    // Vehicle 7; its radio is the telemetry's, in the vehicle by its system; nothing else is known.
    let arguments = ["profile", "new", "--from", "i.pcapng", "--out", "p.toml"];
    printed(&answered(folder.path(), &arguments, &format!("2\n{}", "\n".repeat(9))));
    let made = Profile::parse(&fs::read_to_string(folder.path().join("p.toml")).unwrap()).unwrap();
    assert_eq!((made.vehicle.system, self::senders(&made)), (Some(7), vec![[7, 1], [7, 100]]));
    assert_eq!(radios(&made), [(7, 68, Some(Mounted::Vehicle))]);
}

#[test]
fn one_radio_may_carry_both_ways() {
    use Said::{Autopilot, Input, Radio};
    let folder = tempfile::tempdir().unwrap();
    let senders = [(0, (1, 1), Autopilot), (0, (1, 1), Input(None)), (0, (51, 68), Radio)];
    fs::write(folder.path().join("i.pcapng"), invented(&senders)).unwrap();
    let arguments = ["profile", "new", "--from", "i.pcapng", "--out", "p.toml"];
    let text = printed(&answered(folder.path(), &arguments, &format!("4\n{}", "\n".repeat(9))));
    // What each link's own direction has, as RADIO_STATUS gives it: 150 here, 140 at the vehicle.
    assert!(text.contains("level of control comes in device units (about 140"), "{text}");
    assert!(text.contains("level of telemetry comes in device units (about 150"), "{text}");
    let made = Profile::parse(&fs::read_to_string(folder.path().join("p.toml")).unwrap()).unwrap();
    assert!(["control", "telemetry"].iter().all(|name| link(&made, name).radio.is_some()));
    assert!(!link(&made, "control").rc_rssi && made.link.len() == 2);
}

/// Answers of somebody who knows the rover: what comes out is what was written by hand.
fn answers() -> String {
    let mut lines = Vec::new();
    // 77/110 is the control's, 77/111 the video's, 77/112 the telemetry's; each is with the handset.
    lines.extend(["3", "", "2", "1", "1", ""]);
    // Scales in the order of the links: control as its maker says, video measured, telemetry left alone.
    lines.extend(["2", "0.5 -125"]);
    lines.extend(["3", "150 110 20", "-45"]);
    lines.extend(["9", "1"]);
    // Where it stands, wrong first; outputs in failsafe; tags.
    lines.extend(["540 8 12", "54.0 8.0 12", "1=1500 2=1500 3=1000", "antenna=patch mount=sprung"]);
    lines.push("");
    lines.join("\n")
}

fn check_answered(made: &Profile) {
    let truth = orchard();
    for name in ["control", "video", "telemetry"] {
        assert_eq!(link(made, name).radio, link(&truth, name).radio, "{name}");
    }
    let scale = |slope_db, offset_dbm| Some(LevelScale { slope_db, offset_dbm });
    assert_eq!(link(made, "control").level, scale(0.5, -125.0));
    // By hand: 40 units for 20 dB; -45 dBm at 150 units is -120 dBm at 0.
    assert_eq!(link(made, "video").level, scale(0.5, -120.0));
    assert_eq!(link(made, "telemetry").level, None);
    assert_eq!((made.handset.lat, made.handset.lon, made.handset.alt), (Some(54.0), Some(8.0), Some(12.0)));
    assert_eq!(made.vehicle.failsafe_servo_us, truth.vehicle.failsafe_servo_us);
    let tags = [("antenna", "patch"), ("mount", "sprung")].map(|(key, value)| (key.into(), value.into()));
    assert_eq!(made.tags, BTreeMap::from(tags));
    assert_eq!(made.link.len(), 3);
}

#[test]
fn questions_are_answered_through_a_pipe() {
    let folder = tempfile::tempdir().unwrap();
    let recording = root("recordings/orchard-4.pcapng");
    let arguments = ["profile", "new", "--from", &recording, "--out", "p.toml"];
    let output = answered(folder.path(), &arguments, &answers());
    let text = printed(&output);
    assert!(text.contains("radio 77/110 (receives") && text.contains("1 with the handset"), "{text}");
    assert!(text.contains("540 is no latitude") && text.contains("type a number from 1 to 3"), "{text}");
    assert!(text.contains("HEARTBEAT 1") && text.contains("port 5004"), "{text}");
    check_answered(&Profile::parse(&fs::read_to_string(folder.path().join("p.toml")).unwrap()).unwrap());
}

#[test]
fn an_input_that_ends_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let recording = root("tests/data/quad2013_a.raw");
    let output = answered(folder.path(), &["profile", "new", "--from", &recording, "--out", "p.toml"], "1\n");
    assert_eq!(output.status.code(), Some(2));
    assert!(
        said(&output).contains("the input ended") && said(&output).contains("--yes"),
        "{}",
        said(&output)
    );
    assert!(!folder.path().join("p.toml").exists());
}

/// Runs it in a pseudo-terminal: types this ahead, reads until the words come, types the rest, and waits for its end.
fn in_terminal(command: &mut std::process::Command, first: &str, words: &str, then: &str) -> Option<i32> {
    let size = nix::pty::Winsize { ws_row: 37, ws_col: 128, ws_xpixel: 0, ws_ypixel: 0 };
    let pty = nix::pty::openpty(&size, None).unwrap();
    let end = || Stdio::from(pty.slave.try_clone().unwrap());
    let command = command.env("TERM", "xterm-256color").stdin(end()).stdout(end()).stderr(end());
    let mut child = command.spawn().unwrap();
    let mut master = fs::File::from(pty.master);
    master.write_all(first.as_bytes()).unwrap();
    let (mut seen, mut chunk) = (Vec::new(), [0; 4_096]);
    while !String::from_utf8_lossy(&seen).contains(words) {
        let count = master.read(&mut chunk).unwrap();
        seen.extend_from_slice(&chunk[..count]);
    }
    master.write_all(then.as_bytes()).unwrap();
    // Nobody waits for a reader that is gone.
    std::thread::spawn(move || while master.read(&mut chunk).is_ok_and(|count| count > 0) {});
    child.wait().unwrap().code()
}

#[test]
fn questions_are_answered_in_a_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let recording = root("recordings/orchard-4.pcapng");
    let mut command = fadewatch(folder.path(), &["profile", "new", "--from", &recording, "--out", "p.toml"]);
    // The terminal keeps what is typed ahead.
    assert_eq!(in_terminal(&mut command, &answers(), "wrote ", ""), Some(0));
    check_answered(&Profile::parse(&fs::read_to_string(folder.path().join("p.toml")).unwrap()).unwrap());
}

#[test]
fn screens_say_which_profile_was_found() {
    let folder = tempfile::tempdir().unwrap();
    let video = root("tests/data/rtp_h265.pcap");
    fs::write(folder.path().join("p.toml"), "[vehicle]\nsystem = 1\n").unwrap();
    let mut command = fadewatch(folder.path(), &["replay", &video]);
    let command = command.env("FADEWATCH_PROFILE", "p.toml");
    assert_eq!(in_terminal(command, "", "profile p.toml (named by FADEWATCH_PROFILE", "q"), Some(0));
}

#[test]
fn nothing_is_overwritten_unasked() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("p.toml");
    fs::write(&path, "# by hand\n").unwrap();
    let recording = root("tests/data/rtp_h265.pcap");
    let arguments = ["profile", "new", "--from", &recording, "--out", "p.toml", "--yes"];
    let output = ran(folder.path(), &arguments);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("--overwrite"), "{}", said(&output));
    assert_eq!(fs::read_to_string(&path).unwrap(), "# by hand\n");
    printed(&ran(folder.path(), &[&arguments[..], &["--overwrite"]].concat()));
    assert!(fs::read_to_string(&path).unwrap().contains("port = "));
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left beside it");
}

#[test]
fn sources_that_end_are_listened_to_up_to_their_end_and_the_profile_has_them() {
    let folder = tempfile::tempdir().unwrap();
    let recording = root("tests/data/quad2013_a.raw");
    let arguments = ["profile", "new", "--vehicle", &recording, "--for", "600", "--yes"];
    let output = fadewatch(folder.path(), &arguments)
        .env("XDG_CONFIG_HOME", folder.path())
        .stderr(Stdio::piped())
        .output()
        .unwrap();
    assert!(printed(&output).contains("fadewatch live uses it"));
    let text = fs::read_to_string(folder.path().join("fadewatch/profile.toml")).unwrap();
    let made = Profile::parse(&text).unwrap();
    assert_eq!(made.sources.given().collect::<Vec<_>>(), [("vehicle", recording.as_str())]);
    assert_eq!((senders(&made), radios(&made)), (vec![[1, 1]], vec![(51, 68, Some(Mounted::Ground))]));
    // And `live` needs no more than that.
    let output = fadewatch(folder.path(), &["live", "--record", "a.pcapng", "--json"])
        .env("XDG_CONFIG_HOME", folder.path())
        .env_remove("FADEWATCH_PROFILE")
        .stderr(Stdio::piped())
        .output()
        .unwrap();
    let summary: serde_json::Value = serde_json::from_str(&printed(&output)).unwrap();
    assert_eq!(summary["signal"][0]["link"], "telemetry", "the profile in the config folder is used");
    let at = format!("profile {}", folder.path().join("fadewatch/profile.toml").display());
    assert!(said(&output).contains(&at), "{}", said(&output));
}

/// Text that would end a string, a comment or a table of TOML, and what a terminal obeys.
const HOSTILE: &str = "v\"]\n[[link]]\nname = \"x\"\u{1b}[2J\\\u{202e}#'''";

fn hostile_recording() -> Vec<u8> {
    let info = |name: &str, url: &str| InterfaceInfo {
        name: name.to_owned(),
        kind: InterfaceKind::Stream,
        description: Some(url.to_owned()),
    };
    let record = |second: i64, interface, bytes| {
        let at = Nanos::from_secs(1_900_000_000 + second);
        let (interface, direction) = (InterfaceId(interface), Direction::Inbound);
        Entry::Record(Record { at, interface, direction, body: Body::Stream(bytes) })
    };
    // HEARTBEAT (extra byte 50), RC_CHANNELS_OVERRIDE (124).
    let beats: Vec<Vec<u8>> =
        (0..4).map(|n| frames::frame(n, (1, 1), 0, 50, &[0, 0, 0, 0, 2, 3, 81, 4, 3])).collect();
    let sticks: Vec<Vec<u8>> = (0..4).map(|n| frames::frame(n, (255, 190), 70, 124, &[1; 18])).collect();
    let tags = BTreeMap::from([("a".to_owned(), HOSTILE.to_owned()), (HOSTILE.to_owned(), "b".to_owned())]);
    let mut writer = PcapngWriter::new(Vec::new());
    writer.write(&Entry::Session(SessionInfo { tags, has_wall_clock: true })).unwrap();
    // Sources of `live` come from such names: a file, and one that would run on into the next line.
    writer.write(&Entry::Interface(InterfaceId(0), info("vehicle", "/etc/passwd"))).unwrap();
    writer.write(&Entry::Interface(InterfaceId(1), info(HOSTILE, HOSTILE))).unwrap();
    writer.write(&Entry::Interface(InterfaceId(2), info("video", "udp://0.0.0.0:5004\"\nx = \"1"))).unwrap();
    for second in 0..4 {
        writer.write(&record(second, 0, &beats[second as usize])).unwrap();
        writer.write(&record(second, 1, &sticks[second as usize])).unwrap();
    }
    writer.into_inner()
}

#[test]
fn hostile_names_stay_text() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("h.pcapng");
    fs::write(&path, hostile_recording()).unwrap();
    let (text, made) = made_of(path.to_str().unwrap());
    assert!(text.chars().all(|letter| letter == '\n' || !letter.is_control() && letter != '\u{202e}'));
    let names: Vec<&str> = made.link.iter().map(|link| link.name.as_str()).collect();
    assert_eq!(names, ["control", "telemetry"], "{text}");
    let interface = link(&made, "control").interface.as_deref().unwrap();
    assert!(interface.starts_with("v\"]") && interface.contains("name = \"x\""), "{interface}");
    assert!(made.sources.given().next().is_none() && made.tags.is_empty(), "{text}");
    assert_eq!((made.vehicle.system, made.handset.system), (Some(1), Some(255)), "{text}");
    // The profile finds by that name what the recording holds.
    let profile = folder.path().join("p.toml");
    fs::write(&profile, &text).unwrap();
    printed(&ran(folder.path(), &["profile", "check", "p.toml", "--from", "h.pcapng"]));
}

#[test]
fn a_check_says_what_is_heard_what_is_missing_and_what_is_not_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let recording = root("recordings/orchard-4.pcapng");
    let whole = include_str!("../recordings/orchard-profile.toml");
    fs::write(folder.path().join("whole.toml"), whole).unwrap();
    let text = printed(&ran(folder.path(), &["profile", "check", "whole.toml", "--from", &recording]));
    assert!(text.contains("link video: radio 77/111") && text.contains("vehicle 1: autopilot 1/1"), "{text}");
    assert!(!text.contains("MISSING") && !text.contains("not in it"), "{text}");
    let wrong = whole
        .replace("component = 111", "component = 119")
        .replace("port = 5004", "port = 5600")
        .replace("[1, 100]", "[1, 154]")
        .replace("[vehicle]\nsystem = 1", "[vehicle]\nsystem = 7");
    fs::write(folder.path().join("wrong.toml"), wrong).unwrap();
    let output = ran(folder.path(), &["profile", "check", "wrong.toml", "--from", &recording]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let text = String::from_utf8(output.stdout).unwrap();
    for line in [
        "MISSING    vehicle 7",
        "MISSING    link video: radio 77/119",
        "MISSING    link video: RTP packets to port 5600",
        "MISSING    link telemetry: sender 1/154",
        "not in it  radio 77/111",
    ] {
        assert!(text.contains(line), "{line}: {text}");
    }
    assert_eq!(text.matches("MISSING").count(), 4, "{text}");
    for (file, from) in [("none.toml", recording.as_str()), ("whole.toml", "none.pcapng")] {
        let output = ran(folder.path(), &["profile", "check", file, "--from", from]);
        assert_eq!(output.status.code(), Some(2), "{file} {from}");
    }
}

#[test]
fn a_check_listens_to_the_sources_of_the_profile() {
    let folder = tempfile::tempdir().unwrap();
    let quad = root("tests/data/quad2013_a.raw");
    let text = format!("[sources]\nvehicle = {quad:?}\n[[link]]\nname = \"t\"\nrole = \"telemetry\"\n");
    let radio = |component| format!("{text}radio = {{ system = 51, component = {component} }}\n");
    fs::write(folder.path().join("right.toml"), radio(68)).unwrap();
    fs::write(folder.path().join("wrong.toml"), radio(69)).unwrap();
    fs::write(folder.path().join("none.toml"), "").unwrap();
    let check = |file: &str| ran(folder.path(), &["profile", "check", file, "--for", "600"]);
    let text = printed(&check("right.toml"));
    assert!(
        text.contains("heard      source vehicle") && text.contains("not in it  1/1 on vehicle"),
        "{text}"
    );
    assert_eq!(check("wrong.toml").status.code(), Some(1));
    let output = check("none.toml");
    assert_eq!(output.status.code(), Some(2));
    assert!(
        said(&output).contains("has no sources") && said(&output).contains("--from"),
        "{}",
        said(&output)
    );
}

/// The tag that a summary has says which profile was used.
fn profile_used(folder: &Path, arguments: &[&str], variable: Option<&str>) -> (String, String) {
    let mut command = fadewatch(folder, &["summary", "--json"]);
    command.args(arguments).arg(root("tests/data/rtp_h265.pcap")).env("XDG_CONFIG_HOME", folder);
    match variable {
        Some(value) => command.env("FADEWATCH_PROFILE", value),
        None => command.env_remove("FADEWATCH_PROFILE"),
    };
    let output = command.stderr(Stdio::piped()).output().unwrap();
    let summary: serde_json::Value = serde_json::from_str(&printed(&output)).unwrap();
    (summary["recording"]["tags"]["which"].as_str().unwrap_or("none").to_owned(), said(&output))
}

#[test]
fn a_profile_is_typed_else_named_else_in_its_place_and_said_where_it_was_not_typed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path();
    let tagged = |file: &str, which: &str| {
        fs::write(path.join(file), format!("[tags]\nwhich = \"{which}\"\n")).unwrap();
    };
    assert_eq!(profile_used(path, &[], None), ("none".to_owned(), String::new()));
    fs::create_dir(path.join("fadewatch")).unwrap();
    tagged("fadewatch/profile.toml", "default");
    tagged("named.toml", "named");
    tagged("typed.toml", "typed");
    let (which, said) = profile_used(path, &[], None);
    assert!(which == "default" && said.contains("fadewatch/profile.toml (the default;"), "{which}: {said}");
    assert_eq!(said.lines().count(), 1);
    let (which, said) = profile_used(path, &[], Some("named.toml"));
    assert!(which == "named" && said.contains("named.toml (named by FADEWATCH_PROFILE;"), "{which}: {said}");
    let typed = profile_used(path, &["--profile", "typed.toml"], Some("named.toml"));
    assert_eq!(typed, ("typed".to_owned(), String::new()));
    for (arguments, variable) in [(&["--profile", "none"][..], None), (&[], Some("none"))] {
        assert_eq!(profile_used(path, arguments, variable), ("none".to_owned(), String::new()));
    }
    // An empty variable says nothing.
    assert_eq!(profile_used(path, &[], Some("")).0, "default");
}

#[test]
fn a_default_profile_that_cannot_be_read_is_an_error_that_says_how_to_go_on() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("fadewatch")).unwrap();
    fs::write(folder.path().join("fadewatch/profile.toml"), "rubbish = 1\n").unwrap();
    let output = fadewatch(folder.path(), &["summary", &root("tests/data/rtp_h265.pcap")])
        .env("XDG_CONFIG_HOME", folder.path())
        .env_remove("FADEWATCH_PROFILE")
        .stderr(Stdio::piped())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let said = said(&output);
    assert!(
        ["the default", "profile.toml", "line 1", "rubbish", "--profile none"]
            .iter()
            .all(|word| said.contains(word)),
        "{said}"
    );
}

#[test]
fn broken_sources_of_a_profile_are_refused_with_key_and_line() {
    let folder = tempfile::tempdir().unwrap();
    for (text, words) in [
        ("[sources]\nvehicle = \"udp:14550\"\n", ["line 2", "sources.vehicle", "unknown source type"]),
        (
            "[vehicle]\nsystem = 1\n\n[sources]\nvideo = \"udp://0.0.0.0\"\n",
            ["line 5", "sources.video", "no port"],
        ),
        ("sources = { level = \"wifi:\" }\n", ["line 1", "sources.level", "no wireless card"]),
        ("[sources]\nvehcle = \"-\"\n", ["line 2", "vehcle", "unknown"]),
        ("[sources]\nvehicle = \"a\\u001b\"\n", ["line 2", "vehicle", "cannot be shown"]),
    ] {
        fs::write(folder.path().join("p.toml"), text).unwrap();
        let output = ran(folder.path(), &["live", "--no-record", "--profile", "p.toml"]);
        assert_eq!(output.status.code(), Some(2));
        assert!(words.iter().all(|word| said(&output).contains(word)), "{words:?}: {}", said(&output));
    }
}

/// The sources of a live session, as its recording names them.
fn sources_of(folder: &Path, arguments: &[&str]) -> Vec<(String, String)> {
    let output =
        ran(folder, &[&["live", "--record", "a.pcapng", "--json", "--for", "0"][..], arguments].concat());
    printed(&output);
    let recording = fadewatch::Recording::open(&folder.join("a.pcapng")).unwrap();
    let (mut cursor, mut found) = (recording.cursor(), Vec::new());
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Interface(_, info) = entry
            && let Some(url) = info.description
        {
            found.push((info.name, url));
        }
    }
    fs::remove_file(folder.join("a.pcapng")).unwrap();
    found
}

#[test]
fn typed_sources_go_before_the_profiles() {
    let folder = tempfile::tempdir().unwrap();
    let [vehicle, video, typed] = binary::free_udp_ports::<3>().map(|port| format!("udp://127.0.0.1:{port}"));
    let text = format!("[sources]\nvehicle = \"{vehicle}\"\nvideo = \"{video}\"\n");
    fs::write(folder.path().join("p.toml"), text).unwrap();
    let pair = |name: &str, url: &str| (name.to_owned(), url.to_owned());
    let of = |more: &[&str]| sources_of(folder.path(), &[&["--profile", "p.toml"][..], more].concat());
    assert_eq!(of(&[]), [pair("vehicle", &vehicle), pair("video", &video)]);
    assert_eq!(of(&["--vehicle", &typed]), [pair("vehicle", &typed), pair("video", &video)]);
    assert_eq!(of(&["--video", "none"]), [pair("vehicle", &vehicle)]);
    // With none left it says what to do; one that cannot be opened names the profile that it is from.
    let none = ["live", "--no-record", "--profile", "p.toml", "--vehicle", "none", "--video", "none"];
    let output = ran(folder.path(), &none);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        said(&output).contains("--vehicle URL") && said(&output).contains("profile new"),
        "{}",
        said(&output)
    );
    fs::write(folder.path().join("q.toml"), "[sources]\nvehicle = \"serial:/dev/no-such-port\"\n").unwrap();
    let output = ran(folder.path(), &["live", "--no-record", "--profile", "q.toml"]);
    assert!(said(&output).contains("with vehicle of the profile 'q.toml'"), "{}", said(&output));
}

#[test]
fn a_recording_of_live_gives_its_sources_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.pcapng");
    let [vehicle, video] = binary::free_udp_ports::<2>().map(|port| format!("udp://127.0.0.1:{port}"));
    let live =
        ["live", "--record", "a.pcapng", "--json", "--for", "0", "--vehicle", &vehicle, "--video", &video];
    printed(&ran(folder.path(), &live));
    let (text, made) = made_of(path.to_str().unwrap());
    let sources: Vec<_> = made.sources.given().collect();
    assert_eq!(sources, [("vehicle", vehicle.as_str()), ("video", video.as_str())], "{text}");
    assert!(made.link.is_empty() && made.vehicle.system.is_none(), "nothing was heard: {text}");
    // The sticks of a joystick are the control link's.
    let mut writer = PcapngWriter::new(Vec::new());
    writer.write(&Entry::Session(SessionInfo { tags: BTreeMap::new(), has_wall_clock: true })).unwrap();
    let url = "evdev:/dev/input/event3";
    let info = InterfaceInfo {
        name: "handset".to_owned(),
        kind: InterfaceKind::Joystick,
        description: Some(url.to_owned()),
    };
    writer.write(&Entry::Interface(InterfaceId(0), info)).unwrap();
    let (interface, direction) = (InterfaceId(0), Direction::Inbound);
    let body = Body::Note(fadewatch::record::Note::Tick);
    let record = Record { at: Nanos::from_secs(1_900_000_000), interface, direction, body };
    writer.write(&Entry::Record(record)).unwrap();
    fs::write(&path, writer.into_inner()).unwrap();
    let (text, made) = made_of(path.to_str().unwrap());
    assert_eq!(made.sources.given().collect::<Vec<_>>(), [("handset", url)], "{text}");
    assert!(made.control_link().is_some() && text.contains("by-id"), "{text}");
}

/// No test may read the profile of whoever runs it.
#[test]
fn every_test_that_starts_the_binary_says_which_profile_it_uses() {
    let mut files = vec![PathBuf::from(root("tests")), PathBuf::from(root("examples"))];
    let mut looked_at = 0;
    while let Some(path) = files.pop() {
        if path.is_dir() {
            files.extend(fs::read_dir(&path).unwrap().map(|entry| entry.unwrap().path()));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            let text = fs::read_to_string(&path).unwrap();
            let by = [
                "Command::new(env!(\"CARGO_BIN_EXE",
                "Process::new(env!(\"CARGO_BIN_EXE",
                concat!("Command::new", "(program)"),
            ];
            let starts = by.iter().map(|start| text.matches(start).count()).sum::<usize>();
            looked_at += starts;
            assert!(
                text.matches(".env(\"FADEWATCH_PROFILE\", \"none\")").count() >= starts,
                "{}",
                path.display()
            );
        }
    }
    assert!(looked_at > 8, "{looked_at}");
}
