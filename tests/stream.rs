//! What a session tells as it goes, through the real binary: against the truth of the bundled flights, live as in its
//! replay, and with readers that stop or go away.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod binary;
mod frames;

use std::collections::BTreeSet;
use std::net::UdpSocket;
use std::path::Path;
use std::sync::Arc;

use binary::{Running, free_udp_ports, received_in, scenario, wait_for};
use fadewatch::summary::{EventSummary, Told};
use fadewatch::{LinkMonitor, Profile, Recording};
use frames::frame;
use serde_json::Value;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

fn objects(text: &str) -> Vec<Value> {
    let objects: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    for object in &objects {
        assert_eq!(object["schema"], 1, "{object}");
        assert_eq!(object["version"], env!("CARGO_PKG_VERSION"), "{object}");
    }
    objects
}

fn of_kind<'a>(objects: &'a [Value], what: &str) -> Vec<&'a Value> {
    objects.iter().filter(|object| object["what"] == what).collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

/// What a bundled flight tells, and its truth.
fn flight(index: usize) -> (Vec<Value>, Value) {
    let folder = tempfile::tempdir().unwrap();
    let recording = format!("{ROOT}/recordings/orchard-{index}.pcapng");
    let profile = format!("{ROOT}/recordings/orchard-profile.toml");
    let run = ["replay", &recording, "--profile", &profile, "--stream", "--every", "1"];
    let (status, text) = Running::fadewatch(folder.path(), &run).end();
    assert_eq!(status.code(), Some(0));
    let truth = std::fs::read_to_string(format!("{ROOT}/recordings/orchard-{index}.truth.json")).unwrap();
    (objects(&text), serde_json::from_str(&truth).unwrap())
}

/// Each true freeze is a state within a second of its beginning, and an event as it begins and as it ends; nothing else is
/// told as a freeze. The truth is the simulator's own (`src/simulate/truth.rs`).
#[test]
fn a_picture_that_stands_is_told_within_a_second() {
    for index in [2, 4] {
        let (told, truth) = flight(index);
        let all = truth["video"]["freeze_list"].as_array().unwrap();
        let freezes: Vec<&Value> = all.iter().filter(|freeze| freeze["off"] != true).collect();
        let states = of_kind(&told, "state");
        let events: Vec<&Value> =
            of_kind(&told, "event").into_iter().filter(|event| event["kind"] == "freeze").collect();
        for freeze in &freezes {
            let (start, length) = (number(&freeze["start_s"]), number(&freeze["duration_s"]));
            let is_of = |state: &&&Value| {
                let at_s = number(&state["at_s"]);
                state["link"] == "video" && (start..=start + 1.0).contains(&at_s)
            };
            let fails = states.iter().filter(is_of).any(|state| state["state"] == "failing");
            // A milder state is told after 3 s: one that fails again meanwhile fails still.
            let before = states
                .iter()
                .rfind(|state| state["link"] == "video" && number(&state["at_s"]) < start)
                .map(|state| state["state"].clone());
            assert!(fails || before == Some("failing".into()), "{index}: {freeze}: {before:?}");
            let own: Vec<&&Value> =
                events.iter().filter(|event| (number(&event["at_s"]) - start).abs() < 1e-3).collect();
            assert!((1..=2).contains(&own.len()), "{index}: {freeze}: {own:?}");
            assert!(own[0]["told_s"].as_f64() < Some(start + 1.5), "{own:?}");
            assert!(own[own.len() - 1]["told_s"].as_f64() <= Some(start + length + 1.0), "{own:?}");
        }
        let mut starts: Vec<i64> = events.iter().map(|event| (number(&event["at_s"]) * 1e3) as i64).collect();
        starts.dedup();
        // The last picture before the battery came off may be told as a freeze before anything shows that it was off.
        let off = all.len() - freezes.len();
        assert!((freezes.len()..=freezes.len() + off).contains(&starts.len()), "{index}: {starts:?}");
    }
}

/// Every whole second once, in order; what came in them is what the summary counts, but for the last part of a second.
#[test]
fn each_second_is_told_once() {
    let (told, truth) = flight(1);
    assert_eq!(told[0]["what"], "begin");
    assert!(told[0]["start_utc"].as_str().is_some_and(|at| at.starts_with("20")), "{}", told[0]);
    let seconds = of_kind(&told, "second");
    let expected = number(&truth["recording"]["duration_s"]).floor() as usize;
    assert_eq!(seconds.len(), expected);
    let (mut packets, mut lost) = (0, 0);
    for (index, second) in seconds.iter().enumerate() {
        assert_eq!(number(&second["at_s"]), (index + 1) as f64);
        let video = second["links"].as_array().unwrap().iter().find(|link| link["link"] == "video").unwrap();
        packets += video["received"].as_u64().unwrap_or(0);
        lost += video["lost"].as_u64().unwrap_or(0);
    }
    let (true_packets, true_lost) =
        (truth["video"]["packets"].as_u64().unwrap(), truth["video"]["packets_lost"].as_u64().unwrap());
    // A second's packets, at 30 frames a second of a few packets; a gap's numbers are known when it ends.
    let second = true_packets / expected as u64;
    assert!((true_packets - 2 * second..=true_packets).contains(&packets), "{packets} of {true_packets}");
    assert!(lost <= true_lost, "{lost} of {true_lost}");
    let last = told.last().unwrap();
    assert_eq!(last["what"], "end");
    assert_eq!(last["session_verdicts"][0]["about"], "session");
}

/// Whoever listens changes no figure; in these flights nothing was judged otherwise later, so that all events were told.
#[test]
fn to_listen_changes_nothing_and_every_event_is_told() {
    let text = std::fs::read_to_string(format!("{ROOT}/recordings/orchard-profile.toml")).unwrap();
    let profile = Arc::new(Profile::parse(&text).unwrap());
    for file in ["recordings/orchard-3.pcapng", "recordings/orchard-4.pcapng", "tests/data/quad2013_a.raw"] {
        let recording = Recording::open(&Path::new(ROOT).join(file)).unwrap();
        let mut alone = LinkMonitor::new(Arc::clone(&profile), [].into());
        let mut heard = alone.clone().telling(1);
        let (mut told, mut cursor) = (Vec::new(), recording.cursor());
        while let Some(entry) = recording.next(&mut cursor) {
            alone.handle(&entry);
            heard.handle(&entry);
            told.extend(heard.take_told());
            assert!(alone.take_told().is_empty());
        }
        let facts = recording.facts(&cursor);
        let summary = alone.summary(&facts);
        assert_eq!(heard.summary(&facts), summary);
        heard.tell_end(&summary);
        told.extend(heard.take_told());
        let place = |event: &EventSummary| {
            let at_ms = (event.at_s * 1e3).round() as i64;
            (event.event.kind().to_owned(), at_ms, event.link.clone())
        };
        let events: BTreeSet<_> = told
            .iter()
            .filter_map(|told| if let Told::Event(told) = told { Some(place(&told.event)) } else { None })
            .collect();
        assert_eq!(events, summary.events.iter().map(place).collect(), "{file}");
    }
}

#[test]
fn a_replay_tells_what_the_live_session_told() {
    let folder = tempfile::tempdir().unwrap();
    let urls = free_udp_ports::<3>().map(|port| format!("udp://127.0.0.1:{port}"));
    let ways = ["--vehicle", &urls[0], "--handset", &urls[1], "--video", &urls[2]];
    let stream = ["--stream", "--every", "1"];
    let run = [&["live", "--record", "a.pcapng", "--tag", "antenna=panel"][..], &stream, &ways].concat();
    let live = Running::fadewatch(folder.path(), &run);
    live.says("listening; recording to a.pcapng");
    let hover = scenario("three_sources.toml");
    let run = [&["simulate", hover.to_str().unwrap(), "--speed", "40"][..], &ways].concat();
    assert_eq!(Running::fadewatch(folder.path(), &run).end().0.code(), Some(0));
    live.signal("TERM");
    let (status, told) = live.end();
    assert_eq!(status.code(), Some(0));
    let (status, again) =
        Running::fadewatch(folder.path(), &[&["replay", "a.pcapng"], &stream[..]].concat()).end();
    assert_eq!(status.code(), Some(0));
    for (one, other) in told.lines().zip(again.lines()) {
        assert_eq!(one, other);
    }
    assert_eq!(told.lines().count(), again.lines().count());
    let told = objects(&told);
    assert_eq!(told[0]["tags"]["antenna"], "panel");
    assert!(of_kind(&told, "state").len() >= 2, "{told:?}");
}

/// STATUSTEXT (id 253): a severity and 50 letters; each is an event.
fn speak(socket: &UdpSocket, port: u16, number: u64) {
    let mut payload = vec![4];
    payload.extend(format!("invented word {number:<36}").bytes());
    let _ = socket.send_to(&frame(number, (1, 1), 253, 83, &payload), ("127.0.0.1", port));
}

fn speak_until_recorded(folder: &Path, port: u16, count: u64) {
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    // HEARTBEAT (id 0) of a multicopter's autopilot: who speaks is the vehicle.
    let heartbeat = frame(0, (1, 1), 0, 50, &[0, 0, 0, 0, 2, 3, 1, 4, 3]);
    let _ = socket.send_to(&heartbeat, ("127.0.0.1", port));
    for number in 0..count {
        speak(&socket, port, number);
        // No more on the way than a socket's buffer holds.
        if number % 100 == 99 || number + 1 == count {
            let expected = number as usize;
            wait_for("the recording", || {
                (received_in(&folder.join("a.pcapng"), &[]).0 >= expected * 9 / 10).then_some(())
            });
        }
    }
}

#[test]
fn a_reader_that_stops_reading_stops_nothing_and_one_that_goes_ends_the_stream_alone() {
    let folder = tempfile::tempdir().unwrap();
    let [port] = free_udp_ports();
    let url = format!("udp://127.0.0.1:{port}");
    let run = ["live", "--vehicle", &url, "--record", "a.pcapng", "--stream"];
    let mut live = Running::fadewatch(folder.path(), &run);
    live.says("listening; recording to a.pcapng");
    // A pipe holds 64 KiB, and 4096 objects wait; these are more than both.
    let unread = live.stdout();
    speak_until_recorded(folder.path(), port, 6_000);
    live.signal("TERM");
    live.says("the stream is not whole, its reader did not keep up");
    assert_eq!(live.end().0.code(), Some(0));
    drop(unread);

    std::fs::remove_file(folder.path().join("a.pcapng")).unwrap();
    let mut live = Running::fadewatch(folder.path(), &run);
    live.says("listening; recording to a.pcapng");
    drop(live.stdout());
    speak_until_recorded(folder.path(), port, 300);
    assert!(!live.has_ended());
    live.signal("TERM");
    assert_eq!(live.end().0.code(), Some(0));

    let recording = format!("{ROOT}/recordings/orchard-1.pcapng");
    let mut replay = Running::fadewatch(folder.path(), &["replay", &recording, "--stream", "--every", "1"]);
    drop(replay.stdout());
    assert_eq!(replay.end().0.code(), Some(0));
}

#[test]
fn what_a_stream_cannot_use_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    for wrong in [
        &["replay", "a.pcapng", "--every", "1"][..],
        &["replay", "a.pcapng", "--stream", "--every", "0"],
        &["replay", "a.pcapng", "--stream", "--speed", "2"],
        &["live", "--vehicle", "-", "--stream", "--json"],
    ] {
        assert_eq!(Running::fadewatch(folder.path(), wrong).end().0.code(), Some(2), "{wrong:?}");
    }
}
