//! RTP video against a truth that the test itself counts: the schedule of packets is made
//! here, and what must come out is counted from it with sets and sorted lists.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::sync::Arc;

use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::record::{
    Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, MarkKind, Note, Record,
};
use fadewatch::snapshot::View;
use fadewatch::summary::{Codec, Course, Judgement, LinkState, StateReason, Summary, VideoSummary};
use fadewatch::units::Nanos;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const START: Nanos = Nanos::from_secs(1_700_000_000);

fn monitor(profile: &str) -> LinkMonitor {
    let profile = Profile::parse(profile).unwrap();
    let mut monitor = LinkMonitor::new(Arc::new(profile), Arc::from([]));
    for (id, name, kind) in [(0, "video", InterfaceKind::Datagram), (1, "marks", InterfaceKind::Marks)] {
        let info = InterfaceInfo { name: name.to_owned(), kind, description: None };
        monitor.handle(&Entry::Interface(InterfaceId(id), info));
    }
    note(&mut monitor, Nanos::ZERO, Note::Tick);
    monitor
}

fn note(monitor: &mut LinkMonitor, at: Nanos, note: Note) {
    monitor.handle(&Entry::Record(Record {
        at: START + at,
        interface: InterfaceId(1),
        direction: Direction::Inbound,
        body: Body::Note(note),
    }));
}

fn datagram(monitor: &mut LinkMonitor, at: Nanos, port: u16, bytes: &[u8]) {
    let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
    let flow = Flow { source: end(40_000), destination: end(port) };
    monitor.handle(&Entry::Record(Record {
        at: START + at,
        interface: InterfaceId(0),
        direction: Direction::Inbound,
        body: Body::Datagram { flow, bytes },
    }));
}

/// One packet of the schedule; `number` counts without wrap.
#[derive(Clone, Copy, Debug)]
struct Planned {
    number: i64,
    frame: i64,
    marker: bool,
    at: Nanos,
    ssrc: u32,
}

impl Planned {
    fn bytes(&self) -> Vec<u8> {
        let mut bytes = vec![0x80, 96 + 128 * u8::from(self.marker)];
        bytes.extend_from_slice(&(self.number as u16).to_be_bytes());
        bytes.extend_from_slice(&((self.frame * 3000) as u32).to_be_bytes());
        bytes.extend_from_slice(&self.ssrc.to_be_bytes());
        bytes.extend_from_slice(&[0; 40]);
        bytes
    }
}

/// A slice of a key picture every 30 frames, else a plain one; H.264 as one unit, H.265 as a fragment.
fn with_slices(packet: &Planned, h265: bool) -> Vec<u8> {
    with_slice(packet, h265, packet.frame % 30 == 0)
}

fn with_slice(packet: &Planned, h265: bool, key: bool) -> Vec<u8> {
    let mut bytes = packet.bytes();
    bytes.truncate(12);
    match (h265, key) {
        (false, true) => bytes.extend([0x65, 1, 2, 3]),
        (false, false) => bytes.extend([0x41, 1, 2, 3]),
        (true, true) => bytes.extend([49 << 1, 1, 19, 1]),
        (true, false) => bytes.extend([49 << 1, 1, 1, 1]),
    }
    bytes
}

/// Key frames of which something came, and delivered frames after a frame that was not, up to the next key.
fn key_truth(sent: &[Planned], arrived: &[Planned]) -> (Vec<i64>, u64) {
    let came: BTreeSet<i64> = arrived.iter().map(|packet| packet.number).collect();
    let keys: BTreeSet<i64> =
        arrived.iter().map(|packet| packet.frame).filter(|frame| frame % 30 == 0).collect();
    let last = *came.last().unwrap();
    let (mut broken, mut sound, mut whole) = (0, None, true);
    for packet in sent.iter().take_while(|packet| packet.number <= last) {
        let here = came.contains(&packet.number);
        whole &= here;
        if !packet.marker {
            continue;
        }
        match (whole, packet.frame % 30 == 0) {
            (true, true) => sound = Some(true),
            (true, false) => broken += u64::from(sound == Some(false)),
            (false, _) => sound = sound.map(|_| false),
        }
        // The next frame's start is known only by this marker.
        whole = here;
    }
    (keys.into_iter().collect(), broken)
}

/// Frames at 30 a second with 1 to 12 packets, one every 0.5 ms.
fn plan(random: &mut ChaCha8Rng, frames: i64, first_number: i64) -> Vec<Planned> {
    let mut packets = Vec::new();
    let mut number = first_number;
    for frame in 0..frames {
        let count = random.random_range(1..=12);
        for index in 0..count {
            let at = Nanos(frame * 33_333_333 + index * 500_000 + 10_000_000);
            packets.push(Planned { number, frame, marker: index == count - 1, at, ssrc: 7 });
            number += 1;
        }
    }
    packets
}

struct Truth {
    packets: u64,
    lost: u64,
    frames: u64,
    delivered: u64,
    freezes: Vec<(i64, i64)>,
}

/// Counts what arrived against what was sent, from first to last number that arrived.
fn truth(sent: &[Planned], arrived: &[Planned]) -> Truth {
    let mut first_time: BTreeMap<i64, Nanos> = BTreeMap::new();
    for packet in arrived {
        first_time.entry(packet.number).or_insert(packet.at);
    }
    let (first, last) = (*first_time.keys().next().unwrap(), *first_time.keys().last().unwrap());
    let mut times = Vec::new();
    let mut needed: Vec<i64> = Vec::new();
    for packet in sent.iter().filter(|packet| (first..=last).contains(&packet.number)) {
        needed.push(packet.number);
        if packet.marker {
            if needed.iter().all(|number| first_time.contains_key(number)) {
                times.push(needed.iter().map(|number| first_time[number].0).max().unwrap());
            }
            needed = vec![packet.number];
        }
    }
    times.sort_unstable();
    let intervals: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let mut freezes = Vec::new();
    for (index, interval) in intervals.iter().enumerate().skip(5) {
        let before = &intervals[index.saturating_sub(30)..index];
        let mean = before.iter().sum::<i64>() as f64 / before.len() as f64;
        if *interval as f64 >= (3.0 * mean).max(mean + 150e6) {
            freezes.push((times[index], *interval));
        }
    }
    let frames: BTreeSet<i64> = arrived.iter().map(|packet| packet.frame).collect();
    Truth {
        packets: first_time.len() as u64,
        lost: (last - first + 1) as u64 - first_time.len() as u64,
        frames: frames.len() as u64,
        delivered: times.len() as u64,
        freezes,
    }
}

fn feed(arrived: &[Planned], profile: &str) -> Summary {
    let mut monitor = monitor(profile);
    for packet in arrived {
        datagram(&mut monitor, packet.at, 5004, &packet.bytes());
    }
    monitor.summary(&RecordingFacts::default())
}

fn check(video: &VideoSummary, truth: &Truth, what: &str) {
    assert_eq!(video.packets, Some(truth.packets), "packets, {what}");
    assert_eq!(video.packets_lost, Some(truth.lost), "lost, {what}");
    assert_eq!(video.frames, Some(truth.frames), "frames, {what}");
    assert_eq!(video.frames_delivered, Some(truth.delivered), "delivered, {what}");
    let ended: Vec<_> = video.freeze_list.iter().filter(|freeze| freeze.ended).collect();
    assert_eq!(ended.len(), truth.freezes.len(), "freezes, {what}");
    for (freeze, (start, duration)) in ended.iter().zip(&truth.freezes) {
        assert!((freeze.start_s - *start as f64 / 1e9).abs() < 1e-6, "{what}: {freeze:?}");
        assert!((freeze.duration_s.unwrap() - *duration as f64 / 1e9).abs() < 1e-6, "{what}: {freeze:?}");
    }
}

/// Keeps the first two packets, by which the stream is recognised.
fn lose(random: &mut ChaCha8Rng, sent: &[Planned], ratio: f64, mean_burst: f64) -> Vec<Planned> {
    let mut bad = false;
    let leave = 1.0 / mean_burst;
    let enter = (leave * ratio / (1.0 - ratio)).min(1.0);
    let mut kept = Vec::new();
    for (index, packet) in sent.iter().enumerate() {
        bad = if bad { random.random::<f64>() >= leave } else { random.random::<f64>() < enter };
        if index < 2 || !bad {
            kept.push(*packet);
        }
    }
    kept
}

#[test]
fn counts_are_exact_under_independent_loss_and_bursts() {
    for (seed, ratio, burst) in [
        (1, 0.0, 1.0),
        (2, 0.01, 1.0),
        (3, 0.1, 1.0),
        (4, 0.3, 1.5),
        (5, 0.6, 2.5),
        (6, 0.05, 30.0),
        (7, 0.2, 200.0),
    ] {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let sent = plan(&mut random, 1800, 64_000);
        let arrived = lose(&mut random, &sent, ratio, burst);
        let summary = feed(&arrived, "");
        let what = format!("seed {seed}, loss {ratio}, bursts of {burst}");
        check(&summary.video_streams[0], &truth(&sent, &arrived), &what);
        assert_eq!(summary.video_streams.len(), 1, "{what}");
    }
}

#[test]
fn key_frames_and_broken_frames_are_those_of_the_schedule() {
    for (seed, ratio, burst) in
        [(31, 0.0, 1.0), (32, 0.01, 2.0), (33, 0.1, 1.0), (34, 0.6, 2.5), (35, 0.2, 200.0)]
    {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let sent = plan(&mut random, 1800, 64_000);
        let arrived = lose(&mut random, &sent, ratio, burst);
        let (keys, broken) = key_truth(&sent, &arrived);
        for h265 in [false, true] {
            let mut monitor = monitor("");
            for packet in &arrived {
                datagram(&mut monitor, packet.at, 5004, &with_slices(packet, h265));
            }
            let video = monitor.summary(&RecordingFacts::default()).video_streams.remove(0);
            let what = format!("seed {seed}, loss {ratio}, H.265 {h265}");
            assert_eq!(video.codec.map(Codec::word), Some(if h265 { "h265" } else { "h264" }), "{what}");
            assert_eq!(video.key_frames, Some(keys.len() as u64), "{what}");
            assert_eq!(video.frames_broken, Some(broken), "{what}");
            let longest = keys.windows(2).map(|pair| pair[1] - pair[0]).max().unwrap();
            assert!((video.key_spacing_max_s.unwrap() - longest as f64 / 30.0).abs() < 1e-9, "{what}");
        }
    }
}

/// One packet in a second after a key frame is lost. Frames up to the next key frame depend on it; a picture that was
/// refreshed by none since the first may be refreshed bit by bit.
#[test]
fn pictures_that_depend_on_a_lost_one_are_damaged() {
    let damaged = |frames: i64, every: i64, lost: Option<i64>| {
        let sent = plan(&mut ChaCha8Rng::seed_from_u64(37), frames, 1);
        let mut monitor = monitor("[[link]]\nname = 'video'\nrole = 'video'\nport = 5004\n");
        for packet in sent.iter().filter(|packet| !(Some(packet.frame) == lost && packet.marker)) {
            datagram(&mut monitor, packet.at, 5004, &with_slice(packet, false, packet.frame % every == 0));
        }
        let verdicts = monitor.summary(&RecordingFacts::default()).verdicts;
        let video = verdicts.into_iter().find(|verdict| verdict.about == "video").unwrap();
        let is_told =
            matches!(&video.judgement, Judgement::Link(link) if link.reason == StateReason::Damaged);
        assert_eq!(is_told, video.state == LinkState::Warning, "{video:?}");
        is_told
    };
    // Key frames every 4 s, the last at 12 s.
    assert!(damaged(455, 120, Some(361)), "two and a half of three seconds");
    assert!(!damaged(395, 120, Some(361)), "one of three seconds");
    assert!(!damaged(455, 30, Some(361)), "one second, then whole again");
    assert!(!damaged(455, 120, None), "nothing lost");
    assert!(!damaged(455, 1000, Some(361)), "never seen to be refreshed");
}

/// Payloads that fit no codec (all zero here) leave its figures unmeasured.
#[test]
fn an_unknown_codec_is_not_guessed() {
    let mut random = ChaCha8Rng::seed_from_u64(36);
    let sent = plan(&mut random, 300, 1);
    let video = feed(&sent, "").video_streams.remove(0);
    assert_eq!((video.codec, video.key_frames, video.frames_broken), (None, None, None));
}

#[test]
fn reordering_and_duplicates_change_no_count() {
    for seed in 10..16 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let sent = plan(&mut random, 1500, 100);
        let mut arrived = lose(&mut random, &sent, 0.03, 2.0);
        let mut copies = Vec::new();
        for packet in arrived.iter_mut().skip(2) {
            if random.random::<f64>() < 0.01 {
                packet.at += Nanos::from_micros(random.random_range(300..9_000));
            }
            if random.random::<f64>() < 0.02 {
                let at = packet.at + Nanos::from_micros(random.random_range(1..20_000));
                copies.push(Planned { at, ..*packet });
            }
        }
        arrived.extend(copies);
        arrived.sort_by_key(|packet| packet.at);
        let summary = feed(&arrived, "");
        let video = &summary.video_streams[0];
        check(video, &truth(&sent, &arrived), &format!("seed {seed}"));
        // RFC 4737: a first arrival after one with a higher number.
        let (mut seen, mut newest, mut late) = (BTreeSet::new(), i64::MIN, 0);
        for packet in &arrived {
            late += u64::from(seen.insert(packet.number) && packet.number < newest);
            newest = newest.max(packet.number);
        }
        assert_eq!(video.out_of_order, Some(late), "seed {seed}");
        assert_eq!(video.duplicates, Some((arrived.len() - seen.len()) as u64), "seed {seed}");
    }
}

#[test]
fn a_silence_of_thousands_of_packets_is_lost_and_one_freeze() {
    let mut random = ChaCha8Rng::seed_from_u64(20);
    let sent = plan(&mut random, 3000, 5);
    let silent = Nanos::from_secs(30)..Nanos::from_secs(75);
    let arrived: Vec<Planned> = sent.iter().filter(|packet| !silent.contains(&packet.at)).copied().collect();
    let summary = feed(&arrived, "");
    check(&summary.video_streams[0], &truth(&sent, &arrived), "a long silence");
    assert_eq!(summary.video_streams[0].freezes, 1);
}

#[test]
fn a_restart_of_the_sequence_loses_nothing() {
    let mut random = ChaCha8Rng::seed_from_u64(21);
    for jump in [30_000, -2_000, 12_345] {
        let before = plan(&mut random, 300, 40_000);
        let last = before.last().unwrap().number;
        let after: Vec<Planned> = plan(&mut random, 300, last + jump)
            .into_iter()
            .map(|packet| Planned {
                frame: packet.frame + 90_300,
                at: packet.at + Nanos::from_secs(10),
                ..packet
            })
            .collect();
        let all: Vec<Planned> = before.iter().chain(&after).copied().collect();
        let video = &feed(&all, "").video_streams[0];
        assert_eq!(video.packets, Some(all.len() as u64), "{jump}");
        assert_eq!(video.packets_lost, Some(0), "{jump}");
        assert_eq!(video.frames_delivered, Some(600), "{jump}");
        assert_eq!(video.restarts, Some(1), "{jump}");
        assert_eq!(video.freezes, 0, "{jump}");
    }
}

#[test]
fn a_new_ssrc_is_a_new_stream_and_its_picture_goes_on() {
    let mut random = ChaCha8Rng::seed_from_u64(22);
    let before = plan(&mut random, 300, 10);
    let after: Vec<Planned> = plan(&mut random, 900, 70)
        .into_iter()
        .map(|packet| Planned { ssrc: 9, at: packet.at + Nanos::from_secs(10), ..packet })
        .collect();
    let all: Vec<Planned> = before.iter().chain(&after).copied().collect();
    let streams = feed(&all, "").video_streams;
    let of = |ssrc| streams.iter().find(|stream| stream.ssrc == Some(ssrc)).unwrap();
    assert_eq!(of(7).packets, Some(before.len() as u64));
    assert_eq!(of(9).packets, Some(after.len() as u64));
    assert_eq!((of(7).freezes, of(9).freezes), (0, 0));
    assert_eq!((of(7).follows_ssrc, of(9).follows_ssrc), (None, Some(7)));
}

#[test]
fn an_open_freeze_stands_at_the_last_record() {
    let mut random = ChaCha8Rng::seed_from_u64(23);
    let sent = plan(&mut random, 90, 10);
    let last = sent.last().unwrap().at;
    let mut monitor = monitor("");
    for packet in &sent {
        datagram(&mut monitor, packet.at, 5004, &packet.bytes());
    }
    note(&mut monitor, last + Nanos::from_millis(150), Note::Tick);
    assert_eq!(monitor.summary(&RecordingFacts::default()).video_streams[0].freezes, 0);
    note(&mut monitor, last + Nanos::from_secs(2), Note::Tick);
    let video = monitor.summary(&RecordingFacts::default()).video.unwrap();
    assert_eq!(video.freezes, 1);
    assert!(!video.freeze_list[0].ended);
    assert!((video.freeze_list[0].duration_s.unwrap() - 2.0).abs() < 1e-9);
}

/// Forward error correction: another payload type, in the video's numbers or in its own.
#[test]
fn error_correction_is_not_video() {
    for shared in [true, false] {
        let mut random = ChaCha8Rng::seed_from_u64(24);
        let sent = plan(&mut random, 300, 10);
        let mut monitor = monitor("");
        let mut extra = 0_i64;
        for packet in &sent {
            let moved = Planned { number: packet.number + if shared { extra } else { 0 }, ..*packet };
            datagram(&mut monitor, packet.at, 5004, &moved.bytes());
            if packet.marker {
                extra += 1;
                let number = if shared { moved.number + 1 } else { 30_000 + extra };
                let mut bytes = Planned { number, marker: false, ..*packet }.bytes();
                bytes[1] = 97;
                datagram(&mut monitor, packet.at, 5004, &bytes);
            }
        }
        let streams = monitor.summary(&RecordingFacts::default()).video_streams;
        assert_eq!(streams.len(), 1, "shared {shared}");
        assert_eq!(streams[0].packets, Some(sent.len() as u64), "shared {shared}");
        assert_eq!(streams[0].packets_lost, Some(0), "shared {shared}");
        assert_eq!(streams[0].frames_delivered, Some(300), "shared {shared}");
    }
}

/// A freeze of each kind: what its packets say is what was done to them.
#[test]
fn freezes_say_what_their_packets_show() {
    let mut random = ChaCha8Rng::seed_from_u64(40);
    let sent = plan(&mut random, 1200, 10);
    let spans =
        [5, 10, 15, 20].map(|second| Nanos::from_secs(second)..Nanos::from_millis(second * 1000 + 700));
    let (mut arrived, mut first_held) = (Vec::new(), None);
    for packet in &sent {
        let at = spans.iter().position(|span| span.contains(&packet.at));
        match at {
            // Lost on the way.
            Some(0) => {}
            // Held up, and then one after the other, 20 us apart.
            Some(1) => {
                let first = *first_held.get_or_insert(packet.number);
                let held = Nanos((packet.number - first) * 20_000);
                arrived.push(Planned { at: spans[1].end - Nanos::from_millis(10) + held, ..*packet });
            }
            // Handed on under one stamp.
            Some(2) => arrived.push(Planned { at: spans[2].end, ..*packet }),
            _ => arrived.push(*packet),
        }
    }
    arrived.sort_by_key(|packet| (packet.at, packet.number));
    // The sender makes no frames for a second: numbers go on, its clock too.
    let pause = Nanos::from_secs(25);
    for packet in arrived.iter_mut().filter(|packet| packet.at > pause) {
        packet.at += Nanos::from_secs(1);
        packet.frame += 30;
    }
    let video = feed(&arrived, "").video_streams.remove(0);
    let courses: Vec<&str> =
        video.freeze_list.iter().filter_map(|freeze| freeze.course.map(Course::word)).collect();
    assert_eq!(courses, ["lost", "late", "heap", "sender-paused"]);
    assert_eq!(video.freezes_left_out, 2);
}

/// Late packets of a source that told of heaps, or where this computer lost data, are not the radio's.
#[test]
fn what_was_not_the_radio_is_counted_apart() {
    let mut random = ChaCha8Rng::seed_from_u64(41);
    let sent = plan(&mut random, 1200, 10);
    for (told, dropped) in [(false, false), (true, false), (false, true)] {
        let mut monitor = monitor("[[link]]\nname = \"video\"\nrole = \"video\"\n");
        if told {
            let text = fadewatch::record::HEAPS_TEXT.to_owned();
            note(&mut monitor, Nanos::from_millis(1), Note::Foreign { text });
        }
        let mut arrived: Vec<Planned> = sent.clone();
        let is_held = |packet: &Planned| (10.0..11.0).contains(&packet.at.secs());
        let first = sent.iter().find(|packet| is_held(packet)).unwrap().number;
        for packet in &mut arrived {
            // Late from 10 s to 11 s, each by itself.
            if is_held(packet) {
                packet.at = Nanos::from_millis(11_001) + Nanos((packet.number - first) * 10_000);
            }
        }
        arrived.sort_by_key(|packet| (packet.at, packet.number));
        for packet in &arrived {
            if dropped && packet.at > Nanos::from_secs(11) && packet.at < Nanos::from_millis(11_002) {
                note(&mut monitor, packet.at, Note::HostDrops { interface: InterfaceId(0), total: 3 });
            }
            datagram(&mut monitor, packet.at, 5004, &packet.bytes());
        }
        let video = monitor.summary(&RecordingFacts::default()).video.unwrap();
        let expected = match (told, dropped) {
            (true, _) => "heap",
            (_, true) => "host-drops",
            _ => "late",
        };
        assert_eq!(video.freeze_list[0].course.map(Course::word), Some(expected));
        assert_eq!(video.freezes_left_out, u64::from(told || dropped));
    }
}

#[test]
fn the_profile_pins_the_stream_of_the_video_link() {
    let mut random = ChaCha8Rng::seed_from_u64(25);
    let large = plan(&mut random, 200, 10);
    let small = plan(&mut random, 50, 10);
    let mut monitor = monitor("[[link]]\nname = \"video\"\nrole = \"video\"\nport = 5006\n");
    for packet in &large {
        datagram(&mut monitor, packet.at, 5004, &packet.bytes());
    }
    for packet in &small {
        let packet = Planned { ssrc: 8, at: packet.at + Nanos::from_secs(7), ..*packet };
        datagram(&mut monitor, packet.at, 5006, &packet.bytes());
    }
    let summary = monitor.summary(&RecordingFacts::default());
    assert_eq!(summary.video.unwrap().ssrc, Some(8));
    assert_eq!(summary.video_streams.len(), 2);
}

/// A stream that the profile's port leaves out is listed, and neither figures nor screen take it for the link's.
#[test]
fn a_stream_on_another_port_is_not_the_links() {
    let mut random = ChaCha8Rng::seed_from_u64(27);
    let mut monitor = monitor("[[link]]\nname = \"video\"\nrole = \"video\"\nport = 5006\n");
    for packet in &plan(&mut random, 100, 10) {
        datagram(&mut monitor, packet.at, 5004, &packet.bytes());
    }
    let summary = monitor.summary(&RecordingFacts::default());
    let view = View { from_s: 0.0, to_s: 10.0, columns: 10 };
    assert_eq!(monitor.snapshot(view, summary.clone().into()).video.other_ports, [5004]);
    assert_eq!((summary.video, summary.video_streams.len()), (None, 1));
    let kind = MarkKind::PictureFroze;
    note(&mut monitor, Nanos::from_secs(90), Note::Mark { kind, text: String::new() });
    let summary = monitor.summary(&RecordingFacts::default());
    assert_eq!(summary.video.unwrap().source.word(), "marks");
    let sources: Vec<&str> = summary.video_streams.iter().map(|row| row.source.word()).collect();
    assert_eq!(sources, ["marks", "rtp"]);
}

#[test]
fn marks_speak_where_no_rtp_is_seen() {
    let mut monitor = monitor("[[link]]\nname = \"video\"\nrole = \"video\"\n");
    let kind = MarkKind::PictureFroze;
    note(&mut monitor, Nanos::from_secs(10), Note::Mark { kind, text: String::new() });
    let video = monitor.summary(&RecordingFacts::default()).video.unwrap();
    assert_eq!((video.source.word(), video.freezes, video.packets), ("marks", 1, None));
    assert_eq!((video.freeze_s, video.freeze_list[0].duration_s), (None, None));
    assert!((video.freeze_list[0].start_s - 7.0).abs() < 1e-9);
}

/// Noise of any content makes no stream and no error.
#[test]
fn strangers_make_no_stream() {
    // Nor where the profile has a video link that comes to another port, or names none.
    let link = "[[link]]\nname = \"video\"\nrole = \"video\"\n";
    for profile in [String::new(), link.to_owned(), format!("{link}port = 6000\n")] {
        let mut random = ChaCha8Rng::seed_from_u64(26);
        let mut monitor = monitor(&profile);
        for index in 0..5000 {
            let length = random.random_range(0..80);
            let bytes: Vec<u8> = (0..length).map(|_| random.random()).collect();
            datagram(&mut monitor, Nanos::from_millis(index), random.random_range(5000..5100), &bytes);
        }
        assert!(monitor.summary(&RecordingFacts::default()).video_streams.is_empty(), "{profile}");
    }
}

/// tests/data/README.md: RTP H.265 of a capture made by others; 407 packets, 276 of them with a marker
/// (counted from its bytes with an independent reader).
#[test]
fn a_recorded_stream_is_counted() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/rtp_h265.pcap");
    let recording = fadewatch::capture::Recording::open(&path).unwrap();
    let mut monitor = LinkMonitor::new(Arc::default(), Arc::from([]));
    let mut cursor = recording.cursor();
    while let Some(entry) = recording.next(&mut cursor) {
        monitor.handle(&entry);
    }
    let summary = monitor.summary(&recording.facts(&cursor));
    assert_eq!(summary.video_streams.len(), 1);
    let video = &summary.video_streams[0];
    assert_eq!((video.packets, video.packets_lost), (Some(407), Some(0)));
    // A script with RFC 7798's bit layout: 173 plain units, 229 fragments of type 1 and 4 of type 20 (one
    // frame), one aggregate of VPS, SPS, PPS and SEI.
    assert_eq!(
        (video.codec.map(Codec::word), video.key_frames, video.frames_broken),
        (Some("h265"), Some(1), Some(0))
    );
    assert_eq!(video.key_spacing_median_s, None);
    // The capture begins and ends where it likes: every marker but none beyond it ends a frame.
    assert_eq!(video.frames_delivered, Some(276));
}

/// VIDEO_STREAM_STATUS with rate 0: the silence is the sender's own, however it began; a later one is not.
#[test]
fn stopped_at_the_sender_is_no_freeze() {
    use fadewatch::measure::context::Context;
    use fadewatch::measure::signal::SignalMeter;
    use fadewatch::measure::video::VideoMeter;
    use fadewatch::wire::rtp::Packet;
    use fadewatch::wire::telemetry::Telemetry;

    let mut random = ChaCha8Rng::seed_from_u64(27);
    let sent = plan(&mut random, 1200, 10);
    let mut context = Context { start: Some(START), ..Context::default() };
    let mut meter = VideoMeter::default();
    let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
    let flow = Flow { source: end(40_000), destination: end(5004) };
    let mut next = sent.iter().peekable();
    for tenth in 0..400_i64 {
        let at = Nanos::from_millis(100 * tenth);
        while let Some(packet) = next.next_if(|packet| packet.at < at) {
            let second = packet.at.secs();
            // Stopped from 10 s to 15 s; the link fails from 30 s to 31 s.
            if !(10.0..15.0).contains(&second) && !(30.0..31.0).contains(&second) {
                context.now = START + packet.at;
                meter.advance(context.now);
                let packet = Packet::read(&packet.bytes()).expect("RTP");
                meter.observe_packet(context.now, InterfaceId(0), flow, &packet, &context);
            }
        }
        context.now = START + at;
        meter.advance(context.now);
        if tenth % 10 == 5 {
            let rate = if (100..150).contains(&tenth) { 0.0 } else { 30.0 };
            let status = Telemetry::VideoStreamStatus {
                stream: 1,
                frame_rate_hz: rate,
                bit_rate: (rate * 1e5) as u32,
            };
            meter.observe(context.now, &status);
        }
    }
    let video =
        meter.summary(&context, &SignalMeter::default(), &|_| None, &|_| (None, None, None, None)).remove(0);
    assert_eq!(video.freezes, 1, "{:?}", video.freeze_list);
    assert!((video.freeze_list[0].start_s - 30.0).abs() < 0.1, "{:?}", video.freeze_list);
    assert_eq!(video.stopped_at_sender.len(), 1);
    assert!((video.stopped_at_sender[0].start_s - 10.5).abs() < 1e-9);
    assert!((video.stopped_at_sender[0].duration_s - 5.0).abs() < 1e-9);
}
