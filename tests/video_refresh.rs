//! Pictures that are refreshed without key frames, shown out of order, or no pictures at all: from packets whose schedule
//! is made here, against a truth that is counted from it.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::sync::Arc;

use fadewatch::record::{Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, Record};
use fadewatch::summary::{Summary, VideoSummary};
use fadewatch::units::Nanos;
use fadewatch::{LinkMonitor, Profile, RecordingFacts};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const FRAME_NS: i64 = 33_333_333;

/// A packet: when it comes, its number, its frame on the clock (30 a second), whether it ends one, and its payload.
#[derive(Clone, Debug)]
struct Sent {
    at: Nanos,
    number: u16,
    shown: i64,
    marker: bool,
    kind: u8,
    payload: Vec<u8>,
}

impl Sent {
    fn one(place: i64, shown: i64, payload: &[u8]) -> Self {
        let (at, number) = (Nanos(place * FRAME_NS), place as u16);
        Self { at, number, shown, marker: true, kind: 96, payload: payload.to_vec() }
    }
}

fn summary<'a>(sent: impl IntoIterator<Item = &'a Sent>, profile: &str) -> Summary {
    let mut monitor = LinkMonitor::new(Arc::new(Profile::parse(profile).unwrap()), Arc::from([]));
    let info = InterfaceInfo { name: "video".to_owned(), kind: InterfaceKind::Datagram, description: None };
    monitor.handle(&Entry::Interface(InterfaceId(0), info));
    for packet in sent {
        let mut bytes = vec![0x80, packet.kind + 128 * u8::from(packet.marker)];
        bytes.extend(packet.number.to_be_bytes());
        bytes.extend(((packet.shown * 3000) as u32).to_be_bytes());
        bytes.extend([0, 0, 0, packet.kind]);
        bytes.extend(&packet.payload);
        let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
        let flow = Flow { source: end(40_000), destination: end(5000 + u16::from(packet.kind)) };
        monitor.handle(&Entry::Record(Record {
            at: Nanos::from_secs(1_700_000_000) + packet.at,
            interface: InterfaceId(0),
            direction: Direction::Inbound,
            body: Body::Datagram { flow, bytes: &bytes },
        }));
    }
    monitor.summary(&RecordingFacts::default())
}

fn video<'a>(sent: impl IntoIterator<Item = &'a Sent>) -> VideoSummary {
    summary(sent, "").video_streams.remove(0)
}

/// Exp-Golomb (ITU-T H.264, 9.1), then ones to the end of the byte.
fn exp_golomb(code: u32) -> Vec<u8> {
    let digits = format!("{:b}", code + 1);
    let mut bits = format!("{}{digits}", "0".repeat(digits.len() - 1));
    while bits.len() % 8 != 0 {
        bits.push('1');
    }
    bits.as_bytes()
        .chunks(8)
        .map(|byte| u8::from_str_radix(std::str::from_utf8(byte).unwrap(), 2).unwrap())
        .collect()
}

/// How the packets carry their units.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Form {
    Single,
    Aggregate,
    Fragment,
}

/// An SEI unit with a recovery point: the picture is whole so many frames later.
fn recovery(h265: bool, count: u32) -> Vec<u8> {
    // H.265 has signed codes: 1, 2, 3 for 1, -1, 2.
    let code = exp_golomb(if h265 { 2 * count - 1 } else { count });
    let head: &[u8] = if h265 { &[39 << 1, 1] } else { &[0x06] };
    [head, &[1, 2, 7, 7, 6, code.len() as u8], &code, &[0x80]].concat()
}

/// The packets of one frame: an SEI unit where one is given, then a slice.
fn packets(h265: bool, form: Form, sei: Option<Vec<u8>>) -> Vec<Vec<u8>> {
    let slice: &[u8] = if h265 { &[2, 1, 9, 9] } else { &[0x41, 9, 9, 9] };
    let Some(sei) = sei else { return vec![slice.to_vec(), slice.to_vec()] };
    let sized = |unit: &[u8]| [&(unit.len() as u16).to_be_bytes(), unit].concat();
    match form {
        Form::Single => vec![sei, slice.to_vec()],
        Form::Aggregate => {
            let head: &[u8] = if h265 { &[48 << 1, 1] } else { &[0x18] };
            vec![[head, &sized(&sei), &sized(slice)].concat(), slice.to_vec()]
        }
        Form::Fragment => {
            let (head, kind, rest): (&[u8], u8, &[u8]) =
                if h265 { (&[49 << 1, 1], 39, &sei[2..]) } else { (&[0x1c], 6, &sei[1..]) };
            let split = rest.len() - 1;
            let first = [head, &[0x80 | kind], &rest[..split]].concat();
            vec![first, [head, &[0x40 | kind], &rest[split..]].concat(), slice.to_vec()]
        }
    }
}

const CYCLE: i64 = 30;
const COUNT: i64 = 20;

/// A parameter set once, a recovery point every second, and no key picture ever.
fn refreshed(h265: bool, form: Form, frames: i64) -> (Vec<Sent>, Vec<i64>) {
    let mut sent = Vec::new();
    let mut frame_of = Vec::new();
    for frame in 0..frames {
        let sei = (frame % CYCLE == 3).then(|| recovery(h265, COUNT as u32));
        let mut payloads = packets(h265, form, sei);
        if frame == 0 {
            payloads.insert(0, if h265 { vec![33 << 1, 1, 9] } else { vec![0x67, 9] });
        }
        let count = payloads.len();
        for (index, payload) in payloads.into_iter().enumerate() {
            let at = Nanos(frame * FRAME_NS + index as i64 * 500_000);
            let (number, marker) = (sent.len() as u16, index + 1 == count);
            sent.push(Sent { at, number, shown: frame, marker, kind: 96, payload });
            frame_of.push(frame);
        }
    }
    (sent, frame_of)
}

/// By the definition alone: which frames were delivered, and of those which are not whole though the picture once was.
fn broken(sent: &[Sent], came: &BTreeSet<usize>, frame_of: &[i64], frames: i64) -> u64 {
    let mut delivered = Vec::new();
    for frame in 0..frames {
        let own = (0..sent.len()).filter(|&index| frame_of[index] == frame);
        let first = own.clone().next().unwrap();
        delivered.push(own.chain(first.checked_sub(1)).all(|index| came.contains(&index)));
    }
    let is_refresh = |from: i64| from % CYCLE == 3;
    // Whole: all from a recovery point to as many frames after it came, and none was missing since.
    let whole_by = |frame: i64, from: i64| (from..=frame).all(|one| delivered[one as usize]);
    let is_whole = |frame: i64| (0..=frame - COUNT).any(|from| is_refresh(from) && whole_by(frame, from));
    let last = frame_of[*came.last().unwrap()];
    let ever = (0..=last).find(|&frame| is_whole(frame));
    (ever.unwrap_or(last)..=last).filter(|&frame| delivered[frame as usize] && !is_whole(frame)).count()
        as u64
}

#[test]
fn recovery_points_make_the_picture_whole() {
    for (seed, h265, form) in [
        (1, false, Form::Single),
        (2, true, Form::Single),
        (3, false, Form::Aggregate),
        (4, true, Form::Aggregate),
        (5, false, Form::Fragment),
        (6, true, Form::Fragment),
    ] {
        let frames = 1800;
        let (sent, frame_of) = refreshed(h265, form, frames);
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let came: BTreeSet<usize> =
            (0..sent.len()).filter(|&index| index < 3 || random.random::<f64>() > 0.004).collect();
        let found = video(came.iter().map(|&index| &sent[index]));
        let expected = broken(&sent, &came, &frame_of, frames);
        assert!(expected > 100, "{expected}");
        assert_eq!(found.frames_broken, Some(expected), "{form:?}, H.265 {h265}");
        assert_eq!(found.key_frames, Some(0));
        assert!((55..=60).contains(&found.recovery_points.unwrap()), "{:?}", found.recovery_points);
    }
}

/// H.264 counts frames that others refer to: with a frame between that none does, it takes twice as long.
#[test]
fn frames_that_none_refers_to_do_not_count() {
    let mut sent = vec![Sent::one(0, 0, &[0x67, 9]), Sent::one(1, 1, &[0x65, 9])];
    for place in 2..400 {
        // A STAP-A with a recovery point of 10 at 100; else slices, every other one with nal_ref_idc 0.
        let slice: &[u8] = if place % 2 == 0 { &[0x41, 9] } else { &[0x01, 9] };
        let sei = recovery(false, 10);
        let both = [&[0x18, 0, sei.len() as u8][..], &sei, &[0, 2, 0x41, 9]].concat();
        sent.push(Sent::one(place, place, if place == 100 { &both } else { slice }));
    }
    // 50 is lost, 51 has no known start; frames 52 to 119 are broken, 120 is the tenth reference after 100.
    let found = video(sent.iter().filter(|packet| packet.number != 50));
    assert_eq!((found.frames_broken, found.recovery_points), (Some(68), Some(1)));
}

/// One key picture, then a picture that is refreshed in a way that nobody sees.
#[test]
fn what_is_refreshed_unseen_is_not_called_broken() {
    let plain = |place| Sent::one(place, place, if place == 1 { &[0x65, 9] } else { &[0x41, 9] });
    let sent: Vec<Sent> = (1..2200).map(plain).collect();
    let untold = video(sent.iter().filter(|packet| packet.number != 180));
    assert_eq!((untold.codec.is_some(), untold.key_frames), (true, Some(1)));
    assert_eq!((untold.frames_broken, untold.waits_for_key), (None, None));
    let why = untold.frames_broken_why_not.unwrap().to_string();
    assert!(why.contains("cannot be told"), "{why}");
    // Nothing was lost: nothing is broken. Lost lately: the next key picture may still come.
    assert_eq!(video(&sent).frames_broken, Some(0));
    let soon = video(sent[..250].iter().filter(|packet| packet.number != 180));
    assert_eq!((soon.frames_broken, soon.waits_for_key), (Some(250 - 181), Some(true)));
}

/// A key picture every 15 s is seldom, and regular: what was lost stays broken up to the next one.
#[test]
fn seldom_key_pictures_are_still_told() {
    let plain = |place: i64| Sent::one(place, place, if place % 450 == 1 { &[0x65, 9] } else { &[0x41, 9] });
    let sent: Vec<Sent> = (1..2200).map(plain).collect();
    let found = video(sent.iter().filter(|packet| packet.number != 500));
    // 501 has no known start; 502 to 900.
    assert_eq!((found.key_frames, found.frames_broken), (Some(5), Some(399)));
}

/// Frames sent as they are decoded: each shown three later comes before the two that are shown before it.
fn out_of_order(groups: i64) -> Vec<Sent> {
    let mut shown = vec![0];
    for group in 0..groups {
        shown.extend([3, 1, 2].map(|step| 3 * group + step));
    }
    (0..).zip(shown).map(|(place, shown)| Sent::one(place, shown, &[0x41, 9])).collect()
}

#[test]
fn frames_out_of_display_order_have_their_rate_and_jitter() {
    let sent = out_of_order(600);
    let whole = video(&sent);
    assert_eq!((whole.other_clock_hz, whole.freezes), (None, 0));
    assert!((whole.fps.unwrap() / 30.0 - 1.0).abs() < 0.003, "{:?}", whole.fps);
    assert!(whole.jitter_ms.unwrap() < 0.5, "{:?}", whole.jitter_ms);
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let lossy = video(sent.iter().filter(|packet| packet.number < 3 || random.random::<f64>() > 0.05));
    assert_eq!(lossy.other_clock_hz, None);
    assert!((lossy.fps.unwrap() / 30.0 - 1.0).abs() < 0.03, "{:?}", lossy.fps);
    // Packets that come up to 10 ms late still jitter: for uniform delays the mean change is a third of the span.
    let shaken: Vec<Sent> = sent
        .iter()
        .map(|packet| Sent { at: packet.at + Nanos(random.random_range(0..10_000_000)), ..packet.clone() })
        .collect();
    let jitter = video(&shaken).jitter_ms.unwrap();
    assert!((2.5..4.2).contains(&jitter), "{jitter}");
}

/// A clock of 226 kHz that goes on steadily is another one, and is still said.
#[test]
fn another_clock_is_still_told() {
    let sent: Vec<Sent> = (0..600).map(|place| Sent::one(place, place * 5 / 2, &[0x41, 9])).collect();
    let found = video(&sent);
    assert!((found.other_clock_hz.unwrap() / 225_000.0 - 1.0).abs() < 0.02, "{:?}", found.other_clock_hz);
    assert_eq!((found.fps, found.jitter_ms), (None, None));
}

/// RFC 3551, table 4: static payload types 0 to 23 are audio, 26 and 31 to 34 are video.
#[test]
fn audio_is_no_picture() {
    let of = |kind: u8| (0..500).map(move |place| Sent { kind, ..Sent::one(place, place, &[9; 40]) });
    for audio in [0, 8, 18, 23] {
        let sent: Vec<Sent> = of(audio).collect();
        let link =
            format!("[[link]]\nname = \"video\"\nrole = \"video\"\nport = {}\n", 5000 + u16::from(audio));
        for profile in ["", link.as_str()] {
            let summary = summary(&sent, profile);
            assert!(summary.video.is_none() && summary.video_streams.is_empty(), "{audio}");
            assert_eq!(summary.framing.skipped_bytes, 0, "nor is it damaged telemetry");
        }
        let mut both: Vec<Sent> = of(audio).chain(of(96)).collect();
        both.sort_by_key(|packet| packet.at);
        let both = summary(&both, "");
        assert_eq!(both.video_streams.iter().map(|row| row.ssrc).collect::<Vec<_>>(), [Some(96)]);
    }
    for picture in [26, 31, 33, 34, 96] {
        assert_eq!(summary(&of(picture).collect::<Vec<_>>(), "").video_streams.len(), 1, "{picture}");
    }
}
