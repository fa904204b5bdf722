//! Real recordings, against counts made by independent scripts (tests/data/README.md).
//!
//! The cuts in tests/data are always there; the whole files are read where the
//! environment variable FADEWATCH_DATA names a folder that holds them.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use fadewatch::capture::Recording;
use fadewatch::monitor::LinkMonitor;
use fadewatch::profile::Profile;
use fadewatch::summary::{Event, Phase, SessionWord, Stream, Summary, TimingWhat};

fn summary_of(path: &Path, profile: &str) -> Summary {
    let profile = Arc::new(Profile::parse(profile).expect("a profile"));
    let recording = Recording::open(path).expect("a recording");
    let mut monitor = LinkMonitor::new(profile, Arc::from([]));
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    monitor.summary(&recording.facts(&cursor))
}

fn cut(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

/// A whole file, where there is one.
fn whole(name: &str) -> Option<PathBuf> {
    let Some(folder) = std::env::var_os("FADEWATCH_DATA") else {
        eprintln!("{name} is not read: FADEWATCH_DATA names no folder");
        return None;
    };
    let path = Path::new(&folder).join(name);
    assert!(path.exists(), "FADEWATCH_DATA holds no {name}");
    Some(path)
}

fn stream(summary: &Summary, system: u8, component: u8) -> &Stream {
    summary
        .streams
        .iter()
        .find(|stream| stream.system == system && stream.component == component)
        .unwrap_or_else(|| panic!("no sender {system}/{component}"))
}

fn all_frames(stream: &Stream) -> u64 {
    stream.received + stream.duplicates
}

/// What is not there must not be told: no loss of input, freeze or restart, and no alarm.
fn tells_no_phantoms(summary: &Summary) {
    assert_eq!(summary.failsafe, []);
    assert_eq!(summary.video, None);
    let phantoms = [
        "failsafe",
        "freeze",
        "alarm",
        "warning",
        "restart",
        "restart-aloft",
        "lost-vehicle",
        "silent",
        "lost",
    ];
    let told: Vec<_> = summary.events.iter().filter(|event| phantoms.contains(&event.event.kind())).collect();
    assert!(told.is_empty(), "{told:?}");
}

/// Its phases, those of the way out and back as one trip.
fn life(summary: &Summary) -> Vec<Phase> {
    let is_way = |phase: Phase| matches!(phase, Phase::Out | Phase::Back);
    let words = summary.phases.iter().map(|row| if is_way(row.phase) { Phase::Out } else { row.phase });
    let mut words: Vec<Phase> = words.collect();
    words.dedup();
    words
}

/// How far the link is proven that has it.
fn proven(summary: &Summary) -> Option<f64> {
    summary.range.iter().find_map(|row| row.proven_m)
}

fn check_quad(summary: &Summary) {
    let vehicle = stream(summary, 1, 1);
    assert_eq!((vehicle.received, vehicle.lost.expect("followed"), vehicle.duplicates), (14_947, 56, 0));
    assert_eq!(
        (vehicle.loss_periods.expect("followed").count, vehicle.loss_periods.expect("followed").max_length),
        (21, 6)
    );
    assert!(vehicle.link_loss);
    let radio = stream(summary, 51, 68);
    assert_eq!((radio.received, radio.lost.expect("followed")), (570, 2));
    let ground = stream(summary, 255, 190);
    assert_eq!((ground.received, ground.lost.expect("followed"), ground.link_loss), (670, 0, false));
    // The older radio report counts; there is no VIBRATION, and that is not 0.
    let down = summary.signal.iter().find(|row| row.direction.word() == "down").expect("a level");
    assert_eq!((down.system, down.component, down.min), (Some(51), Some(68), Some(47.0)));
    assert_eq!(summary.vibration, None);
}

/// How a link did in the session's trips.
fn went(summary: &Summary, link: &str) -> Option<SessionWord> {
    summary.session_verdicts.iter().find(|verdict| verdict.about == link).map(|verdict| verdict.word)
}

#[test]
fn a_serial_modem_of_2013_from_bare_bytes() {
    let summary = summary_of(&cut("quad2013_a.raw"), "");
    check_quad(&summary);
    assert_eq!(summary.recording.start_utc, None);
    // For 6.2 s it sent heartbeats alone, all under the stamp after them: no silence has room for a round of the numbers.
    assert_eq!(stream(&summary, 1, 1).lost_ci95, Some([56, 56]));
    // The capture of the same flight has no such silence: none is told, and no link failed.
    tells_no_phantoms(&summary);
    assert!(summary.events.iter().all(|event| !matches!(event.event, Event::Lost | Event::Back { .. })));
    assert_eq!(went(&summary, "telemetry"), Some(SessionWord::Worked));
    // Such a file says when frames were sent, not when they came.
    let timed = |what| summary.timing.iter().filter(|row| row.what == what).count();
    assert_eq!((timed(TimingWhat::Lateness), timed(TimingWhat::Message) > 10), (0, true));
    // Channels 1 to 5 as an independent script reads them: lowest, highest. Channel 3 is a throttle: it hovers, and comes
    // back to no centre.
    let travel: Vec<_> =
        summary.sticks.iter().take(5).map(|row| (row.samples, row.low_us, row.high_us)).collect();
    let read = [(1126, 1916), (1131, 1753), (1126, 1910), (1127, 1919), (1127, 1921)];
    assert_eq!(travel, read.map(|(low, high)| (636, low, high)));
    assert_eq!(summary.sticks[2].centre_us, None);
    let never = summary.sticks.iter().filter(|row| !row.moved).map(|row| row.channel);
    assert_eq!((never.collect(), summary.sticks.len()), (vec![6, 7, 8], 8));
    // From the first boot stamp (60.314 s) to the last (560.075 s), as an independent script reads them.
    assert!((summary.recording.duration_s - 499.761).abs() < 1e-6, "{}", summary.recording.duration_s);
}

#[test]
fn a_serial_modem_of_2013_from_a_capture() {
    let Some(path) = whole("quad2013_a.pcapng") else { return };
    let summary = summary_of(&path, "");
    check_quad(&summary);
    assert_eq!(stream(&summary, 1, 1).lost_ci95, Some([56, 56]));
    let farthest = summary.range.iter().filter_map(|row| row.max_distance_m).fold(0.0, f64::max);
    // 130 m over ground and about 100 m up: the script's farthest fix is 160.7 m away along the line of sight.
    assert!((farthest - 160.7).abs() < 2.0, "farthest {farthest}");
    tells_no_phantoms(&summary);
    assert_eq!(went(&summary, "telemetry"), Some(SessionWord::Worked));
    // It flies, lands 13 m away, is carried home by hand at 2 m/s, and is switched off while the ground station goes on
    // for a minute, as its positions and its armed state show (an independent script's reading).
    let life = life(&summary);
    assert_eq!((life.first(), life.last()), (Some(&Phase::Waiting), Some(&Phase::Off)), "{life:?}");
    assert!(life.ends_with(&[Phase::Out, Phase::Ground, Phase::Out, Phase::Ground, Phase::Off]), "{life:?}");
    // It lost 56 of 14,947 on all of its way: proven as far as it flew.
    assert!(
        proven(&summary).is_some_and(|proven| farthest - 10.0 <= proven && proven <= farthest),
        "{:?}",
        proven(&summary)
    );
}

#[test]
fn damaged_frames_from_bare_bytes() {
    let summary = summary_of(&cut("sub_2023a_cut.raw"), "");
    let vehicle = stream(&summary, 1, 1);
    assert_eq!((vehicle.received, vehicle.lost.expect("followed"), vehicle.duplicates), (7_624, 0, 0));
    // Each of these counts for itself: 1/100 steps by one a heartbeat, whatever 1/194 does between.
    // What 1/194 lacks came damaged, and a damaged frame was not received.
    for (component, frames) in [(100, 68), (194, 182)] {
        assert_eq!(all_frames(stream(&summary, 1, component)), frames, "component {component}");
    }
    assert_eq!(all_frames(stream(&summary, 255, 190)), 1_165);
    assert!(!stream(&summary, 255, 190).link_loss);
    assert_eq!(summary.streams.len(), 4, "an accident made a sender");
}

#[test]
fn the_whole_dive() {
    let Some(path) = whole("sub_2023a.raw") else { return };
    let bare = summary_of(&path, "");
    assert_eq!((stream(&bare, 1, 1).received, stream(&bare, 1, 1).lost.expect("followed")), (40_736, 0));
    // The independent script counted 2,012 candidates, those inside a failed one among them; each
    // damaged frame counts once here, and there are 1,967 in the capture of one frame a datagram.
    assert_eq!((bare.framing.frames, bare.framing.crc_errors), (50_136, 1_967));
    let capture = summary_of(&whole("sub_2023a.pcapng").expect("the capture beside it"), "");
    assert_eq!(
        (stream(&capture, 1, 1).received, stream(&capture, 1, 1).lost.expect("followed")),
        (40_736, 0)
    );
    assert_eq!(capture.framing.crc_errors, 1_967);
    for summary in [&bare, &capture] {
        for (component, frames) in [(100, 335), (194, 1_232)] {
            assert_eq!(all_frames(stream(summary, 1, component)), frames, "component {component}");
        }
        assert_eq!(all_frames(stream(summary, 255, 190)), 7_832);
        assert!(!stream(summary, 255, 190).link_loss);
        tells_no_phantoms(summary);
    }
}

#[test]
fn every_frame_heard_twice() {
    let summary = summary_of(&cut("field_rural_cut.pcapng"), "");
    let vehicle = stream(&summary, 1, 1);
    // The script sets copies aside by bytes and time alone and finds 1,773; one of those is a copy by number.
    assert_eq!(all_frames(vehicle), 3_545);
    assert!((1_772..=1_773).contains(&vehicle.received), "{}", vehicle.received);
    assert_eq!(
        (
            vehicle.lost.expect("followed"),
            vehicle.loss_periods.expect("followed").count,
            vehicle.out_of_order
        ),
        (3, 1, 1)
    );
    let radio = stream(&summary, 51, 68);
    assert_eq!((radio.received, radio.lost.expect("followed"), radio.duplicates), (50, 0, 50));
}

#[test]
fn the_whole_field() {
    let Some(path) = whole("field_rural.pcapng") else { return };
    let summary = summary_of(&path, "");
    let vehicle = stream(&summary, 1, 1);
    assert_eq!((all_frames(vehicle), vehicle.received), (20_587, 10_294));
    assert_eq!((vehicle.lost.expect("followed"), vehicle.loss_periods.expect("followed").count), (65, 17));
    let radio = stream(&summary, 51, 68);
    assert_eq!((all_frames(radio), radio.received, radio.lost.expect("followed")), (608, 304, 0));
    // The vehicle is heard for the first 304 s only: silence to the end is no loss, but it is shown.
    assert!(vehicle.silent_at_end_s > 1_500.0);
    assert!((summary.recording.duration_s - 1_890.0).abs() < 2.0);
    tells_no_phantoms(&summary);
    let life = life(&summary);
    assert_eq!((life.first(), life.last()), (Some(&Phase::Waiting), Some(&Phase::Off)), "{life:?}");
    assert_eq!(life.iter().filter(|word| **word == Phase::Out).count(), 1, "{life:?}");
    let farthest = summary.range.iter().filter_map(|row| row.max_distance_m).fold(0.0, f64::max);
    assert!(
        proven(&summary).is_some_and(|proven| farthest - 10.0 <= proven && proven <= farthest),
        "{:?}",
        proven(&summary)
    );
}

#[test]
fn video_packets() {
    let summary = summary_of(&cut("rtp_h265.pcap"), "");
    assert_eq!(summary.video_streams.len(), 1);
    let video = &summary.video_streams[0];
    assert_eq!((video.packets, video.packets_lost), (Some(407), Some(0)));
    // 276 markers in 11.9 s are 23 frames a second, whatever the sender's stamps would make of it at 90 kHz.
    assert_eq!((video.fps, video.jitter_ms), (None, None), "{:?}", video.other_clock_hz);
    assert!(video.other_clock_hz.is_some_and(|hz| hz > 500e3), "{:?}", video.other_clock_hz);
    assert!(summary.streams.is_empty());
    assert_eq!(summary.framing.skipped_bytes, 0);
}
