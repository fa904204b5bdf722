//! Cameras that start again, pause, are switched off, and stand beside others: packets made here, truth counted here.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;

use fadewatch::measure::context::{Context, Stall};
use fadewatch::measure::signal::SignalMeter;
use fadewatch::measure::video::{Course, VideoMeter};
use fadewatch::record::{Flow, InterfaceId};
use fadewatch::summary::VideoSummary;
use fadewatch::units::Nanos;
use fadewatch::wire::rtp;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

const START: Nanos = Nanos::from_secs(1_700_000_000);
const FRAME_MS: i64 = 33;
const TICKS_A_MS: i64 = 90;

/// What a camera puts in its packets from one start to its end.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Camera {
    source: u16,
    ssrc: u32,
    payload: u8,
    number: i64,
    /// The clock's ticks at its first frame.
    ticks: i64,
}

const CAMERA: Camera = Camera { source: 40_000, ssrc: 7, payload: 96, number: 100, ticks: 5000 };

#[derive(Clone, Copy, Debug)]
struct Packet {
    /// Which start of the camera it belongs to.
    run: usize,
    camera: Camera,
    /// Counted from the start's first packet.
    index: i64,
    ticks: i64,
    marker: bool,
    at: Nanos,
}

impl Packet {
    fn bytes(&self) -> Vec<u8> {
        let mut bytes = vec![0x80, self.camera.payload + 128 * u8::from(self.marker)];
        bytes.extend_from_slice(&((self.camera.number + self.index) as u16).to_be_bytes());
        bytes.extend_from_slice(&(self.ticks as u32).to_be_bytes());
        bytes.extend_from_slice(&self.camera.ssrc.to_be_bytes());
        bytes.extend_from_slice(&[0; 40]);
        bytes
    }
}

/// One start of a camera: a frame each `frame_ms`, of 1 to `most` packets, each 1 ms after the other.
fn run(
    random: &mut ChaCha8Rng,
    (run, camera): (usize, Camera),
    (from_ms, to_ms): (i64, i64),
    frame_ms: i64,
    most: i64,
) -> Vec<Packet> {
    let (mut packets, mut index) = (Vec::new(), 0);
    for ms in (from_ms..to_ms).step_by(frame_ms as usize) {
        let count = random.random_range(1..=most);
        for part in 0..count {
            packets.push(Packet {
                run,
                camera,
                index,
                ticks: camera.ticks + (ms - from_ms) * TICKS_A_MS,
                marker: part == count - 1,
                at: Nanos::from_millis(ms + part),
            });
            index += 1;
        }
    }
    packets
}

fn seeded(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

struct Told {
    meter: VideoMeter,
    context: Context,
}

impl Told {
    fn new() -> Self {
        let context = Context { start: Some(START), now: START, ..Context::default() };
        Self { meter: VideoMeter::default(), context }
    }

    fn take(&mut self, packet: &Packet) {
        let end = |port| SocketAddr::from(([192, 0, 2, 7], port));
        let flow = Flow { source: end(packet.camera.source), destination: end(5004) };
        self.until(packet.at);
        let bytes = packet.bytes();
        let read = rtp::Packet::read(&bytes).expect("RTP");
        self.meter.observe_packet(self.context.now, InterfaceId(0), flow, &read, &self.context);
        assert!(self.meter.last_packet().is_none_or(|at| at <= self.context.now));
    }

    /// While packets keep coming, the link has been heard.
    fn take_all(&mut self, packets: &[Packet]) {
        for (index, packet) in packets.iter().enumerate() {
            self.take(packet);
            let steady = index >= 12 && packet.at - packets[index - 12].at < Nanos::from_millis(500);
            if steady {
                let silent = self.context.now - self.meter.last_heard(&self.context).unwrap();
                assert!(silent < Nanos::from_millis(1500), "{silent:?} without video at {packet:?}");
            }
        }
    }

    fn until(&mut self, at: Nanos) {
        self.context.now = self.context.now.max(START + at);
        self.meter.advance(self.context.now);
    }

    fn rows(&self) -> Vec<VideoSummary> {
        self.meter.summary(&self.context, &SignalMeter::default(), &|_| None, &|_| (None, None, None, None))
    }

    fn account(&self) -> VideoSummary {
        self.meter.account(&self.context, &self.rows()).unwrap()
    }

    fn courses(&self) -> Vec<(Course, bool)> {
        self.meter.freezes(&self.context).iter().map(|span| (span.course, span.ended)).collect()
    }
}

fn told(packets: &[Packet]) -> Told {
    let mut told = Told::new();
    told.take_all(packets);
    told
}

/// Of several at once, each of which may end.
fn told_of_several(packets: &[Packet]) -> Told {
    let mut told = Told::new();
    for packet in packets {
        told.take(packet);
    }
    told
}

fn sorted(mut packets: Vec<Packet>) -> Vec<Packet> {
    packets.sort_by_key(|packet| (packet.at, packet.run, packet.index));
    packets
}

fn within(packet: &Packet, from_ms: i64, to_ms: i64) -> bool {
    (Nanos::from_millis(from_ms)..Nanos::from_millis(to_ms)).contains(&packet.at)
}

fn distinct(packets: &[Packet]) -> u64 {
    packets.iter().map(|packet| (packet.run, packet.index)).collect::<BTreeSet<_>>().len() as u64
}

/// Per start: numbers between the first and last that came, that did not.
fn lost(packets: &[Packet]) -> u64 {
    let mut came: BTreeMap<usize, BTreeSet<i64>> = BTreeMap::new();
    for packet in packets {
        came.entry(packet.run).or_default().insert(packet.index);
    }
    let missing = |set: &BTreeSet<i64>| set.last().unwrap() - set.first().unwrap() + 1 - set.len() as i64;
    came.values().map(missing).sum::<i64>() as u64
}

/// When each frame of a start was delivered: all from the last marker before it to its own.
fn delivered(sent: &[Packet], arrived: &[Packet], of_run: usize) -> Vec<Nanos> {
    let mut came: BTreeMap<i64, Nanos> = BTreeMap::new();
    for packet in arrived.iter().filter(|packet| packet.run == of_run) {
        came.entry(packet.index).or_insert(packet.at);
    }
    let first = *came.keys().next().unwrap();
    let (mut times, mut needed) = (Vec::new(), Vec::new());
    for packet in sent.iter().filter(|packet| packet.run == of_run && packet.index >= first) {
        needed.push(packet.index);
        if packet.marker {
            if needed.iter().all(|index| came.contains_key(index)) {
                times.push(needed.iter().map(|index| came[index]).max().unwrap());
            }
            needed = vec![packet.index];
        }
    }
    times.sort_unstable();
    times
}

/// The same numbers and timestamps from the start: 500 packets that all were seen before.
#[test]
fn a_camera_that_repeats_all_its_numbers_has_begun_anew() {
    let mut random = seeded(1);
    for (from_elsewhere, pause_ms) in [(false, 5000), (false, 2100), (true, 5000), (true, 2100)] {
        let again = Camera { source: CAMERA.source + u16::from(from_elsewhere), ..CAMERA };
        let first = run(&mut random, (0, CAMERA), (0, 30_000), 60, 1);
        let second = run(&mut random, (1, again), (30_000 + pause_ms, 80_000), 60, 1);
        let packets = [first, second].concat();
        let told = told(&packets);
        let video = told.account();
        assert_eq!(video.packets, Some(packets.len() as u64));
        assert_eq!((video.packets_lost, video.duplicates), (Some(0), Some(0)));
        assert_eq!(video.frames_delivered, Some(packets.len() as u64));
        assert_eq!(told.courses(), [(Course::SenderRestarted, true)]);
        assert_eq!((video.freezes, video.freezes_left_out), (1, 1));
        let length_s = video.freeze_list[0].duration_s.unwrap();
        assert!((length_s - (pause_ms + 60) as f64 / 1e3).abs() < 0.07, "{length_s}");
    }
}

/// A second path repeats every packet 3 s later, for as long as the first goes on.
#[test]
fn late_copies_are_copies() {
    let mut random = seeded(2);
    let sent = run(&mut random, (0, CAMERA), (0, 20_000), FRAME_MS, 3);
    let copies = sent.iter().filter(|packet| within(packet, 0, 16_000));
    let copies: Vec<Packet> =
        copies.map(|packet| Packet { at: packet.at + Nanos::from_millis(3010), ..*packet }).collect();
    let told = told(&sorted([sent.clone(), copies.clone()].concat()));
    let video = told.account();
    assert_eq!((video.packets, video.restarts), (Some(sent.len() as u64), Some(0)));
    assert_eq!((video.duplicates, video.freezes), (Some(copies.len() as u64), 0));
}

/// Two cameras to one port, alike but for SSRC and source: after an outage of both, after the end of one.
#[test]
fn cameras_at_once_are_not_in_turn() {
    let mut random = seeded(3);
    for same_ssrc in [false, true] {
        let small = Camera { source: 40_001, ssrc: if same_ssrc { 7 } else { 8 }, number: 9000, ..CAMERA };
        let large = run(&mut random, (0, CAMERA), (0, 40_000), FRAME_MS, 4);
        let beside = run(&mut random, (1, small), (7010, 60_000), FRAME_MS, 1);
        let mut packets = sorted([large.clone(), beside].concat());
        packets.retain(|packet| !within(packet, 20_000, 23_000));
        let told = told_of_several(&packets);
        let video = told.account();
        let of_large = packets.iter().filter(|packet| packet.run == 0).count() as u64;
        assert_eq!((video.packets, told.rows().len()), (Some(of_large), 2), "{same_ssrc}");
        // The outage, and its end; the small one goes on and is not its picture.
        assert_eq!(told.courses(), [(Course::Lost, true), (Course::Open, false)]);
    }
}

/// The second camera begins in an outage of the first, and takes its place until the first comes back.
#[test]
fn cameras_that_were_taken_to_be_in_turn_are_parted() {
    let mut random = seeded(4);
    let other = Camera { source: 40_001, ssrc: 8, number: 9000, ..CAMERA };
    let mut large = run(&mut random, (0, CAMERA), (0, 40_000), FRAME_MS, 4);
    large.retain(|packet| !within(packet, 20_000, 22_000));
    let beside = run(&mut random, (1, other), (21_000, 40_000), FRAME_MS, 1);
    let told = told(&sorted([large.clone(), beside].concat()));
    assert_eq!(told.account().packets, Some(large.len() as u64));
    let spans = told.meter.freezes(&told.context);
    assert_eq!(spans.len(), 1, "{spans:?}");
    assert!(!spans[0].course.is_not_the_radio(), "{spans:?}");
    assert!((spans[0].end - spans[0].start - Nanos::from_secs(2)).0.abs() < 100_000_000, "{spans:?}");
}

/// The first one loses 0.4 s just as another camera speaks for half a second: nobody followed anybody, and the gap is
/// the first one's freeze.
#[test]
fn a_stream_that_is_silent_for_less_than_half_a_second_is_not_followed() {
    let mut random = seeded(31);
    let other = Camera { source: 40_001, ssrc: 8, number: 9000, ..CAMERA };
    let mut first = run(&mut random, (0, CAMERA), (0, 9000), FRAME_MS, 2);
    first.retain(|packet| !within(packet, 5000, 5400));
    let beside = run(&mut random, (1, other), (5030, 5560), FRAME_MS, 1);
    let told = told(&sorted([first.clone(), beside].concat()));
    assert_eq!((told.account().packets, told.rows().len()), (Some(first.len() as u64), 2));
    let spans = told.meter.freezes(&told.context);
    let lasted: Vec<f64> = spans.iter().map(|span| (span.end - span.start).secs()).collect();
    assert!(lasted.len() == 1 && (0.35..0.5).contains(&lasted[0]), "{spans:?}");
}

#[test]
fn a_silence_that_is_open_counts() {
    let packets = run(&mut seeded(32), (0, CAMERA), (0, 5000), FRAME_MS, 3);
    let mut told = told(&packets);
    told.until(Nanos::from_secs(9));
    let steadiness = told.meter.steadiness(&told.context).unwrap();
    let open = Nanos::from_secs(9) - packets.last().unwrap().at;
    assert_eq!(steadiness.longest_silence_s, Some(open.secs()));
    assert_eq!(steadiness.availability_ratio, Some(5.0 / 9.0));
}

/// Sound of another payload type to the same port; both begin anew under new SSRCs, the sound first.
#[test]
fn sound_is_no_turn_of_the_picture() {
    let mut random = seeded(5);
    let sound = Camera { ssrc: 50, payload: 97, number: 3, ..CAMERA };
    let (again, sound_again) = (Camera { ssrc: 9, ..CAMERA }, Camera { ssrc: 51, ..sound });
    let picture = run(&mut random, (0, CAMERA), (0, 20_000), FRAME_MS, 3);
    let picture_again = run(&mut random, (1, again), (25_000, 50_000), FRAME_MS, 3);
    for from_ms in [3, 21_000] {
        let sounds = [
            run(&mut random, (2, sound), (from_ms, 20_000), 20, 1),
            run(&mut random, (3, sound_again), (24_000, 50_000), 20, 1),
        ];
        let sounds = sounds.concat().into_iter().map(|packet| Packet { marker: packet.index == 0, ..packet });
        let all = [picture.clone(), picture_again.clone(), sounds.collect()].concat();
        let told = told_of_several(&sorted(all));
        let video = told.account();
        assert_eq!(
            (video.packets, video.ssrc),
            (Some((picture.len() + picture_again.len()) as u64), Some(9))
        );
        assert_eq!(told.courses(), [(Course::SenderRestarted, true)]);
    }
}

/// The vehicle gets a new address in an outage: the SSRC and the numbers go on, so the radio lost them.
#[test]
fn the_same_numbers_from_a_new_address_are_the_same_stream() {
    let mut random = seeded(6);
    let sent = run(&mut random, (0, CAMERA), (0, 40_000), FRAME_MS, 3);
    let mut arrived = sent.clone();
    arrived.retain(|packet| !within(packet, 20_000, 24_000));
    for packet in arrived.iter_mut().filter(|packet| within(packet, 24_000, 99_000)) {
        packet.camera.source = 41_000;
    }
    let told = told(&arrived);
    let video = told.account();
    assert_eq!((told.rows().len(), video.restarts), (1, Some(0)));
    assert_eq!((video.packets, video.packets_lost), (Some(arrived.len() as u64), Some(lost(&arrived))));
    assert_eq!(told.courses(), [(Course::Lost, true)]);
}

/// More starts than there are rows, each under an SSRC of its own.
#[test]
fn every_start_is_in_the_account() {
    let mut random = seeded(7);
    let mut packets = Vec::new();
    for start in 0..24 {
        let camera = Camera { ssrc: 100 + start as u32, source: 40_000 + start as u16, ..CAMERA };
        let from_ms = 8000 * start as i64;
        packets.extend(run(&mut random, (start, camera), (from_ms, from_ms + 6000), FRAME_MS, 2));
    }
    let told = told(&packets);
    let video = told.account();
    assert_eq!((video.packets, video.ssrc), (Some(packets.len() as u64), Some(123)));
    assert_eq!((video.packets_lost, video.freezes), (Some(0), 23));
    assert!(told.courses().iter().all(|course| *course == (Course::SenderRestarted, true)));
}

/// Two senders take turns, and the first comes back with its own numbers.
#[test]
fn a_stream_that_comes_back_has_its_turn_again() {
    let mut random = seeded(8);
    for gap_ms in [0, 2000] {
        let other = Camera { source: 40_001, ssrc: 8, ..CAMERA };
        let first = run(&mut random, (0, CAMERA), (0, 60_000), FRAME_MS, 2);
        let (before, back): (Vec<Packet>, Vec<Packet>) = first
            .into_iter()
            .filter(|packet| !within(packet, 20_000, 40_000))
            .partition(|packet| within(packet, 0, 30_000));
        let between = run(&mut random, (1, other), (20_000 + gap_ms, 40_000 - gap_ms), FRAME_MS, 2);
        let all = [before, between, back].concat();
        let told = told(&all);
        let video = told.account();
        assert_eq!(video.packets, Some(all.len() as u64), "{gap_ms}");
        let courses = told.courses();
        let expected = if gap_ms > 0 { 2 } else { 0 };
        assert_eq!(courses, vec![(Course::SenderRestarted, true); expected], "{gap_ms}");
    }
}

/// Moves all from an instant on: the sender makes nothing for a while, its numbers go on, and its clock.
fn pause(packets: &mut [Packet], from_ms: i64, length_ms: i64) {
    for packet in packets.iter_mut().filter(|packet| packet.at >= Nanos::from_millis(from_ms)) {
        packet.at += Nanos::from_millis(length_ms);
        packet.ticks += length_ms * TICKS_A_MS;
    }
}

/// A pause at random instants beside 2 % of loss is the sender's; an outage is the radio's; at 30, 8 and 2 frames a second.
#[test]
fn pauses_and_outages_are_told_apart() {
    for seed in 10_001..10_061 {
        let mut random = seeded(seed);
        let frame_ms = [33, 120, 500][seed as usize % 3];
        let mut sent = run(&mut random, (0, CAMERA), (0, 120_000), frame_ms, 4);
        let paused_ms = random.random_range(30_000..40_000);
        let length_ms = random.random_range(4000..6000);
        pause(&mut sent, paused_ms, length_ms);
        let outage_ms = random.random_range(80_000..90_000);
        let mut arrived = sent.clone();
        arrived.retain(|packet| {
            packet.index < 4
                || !(within(packet, outage_ms, outage_ms + 3500) || random.random::<f64>() < 0.02)
        });
        let told = told(&arrived);
        for span in told.meter.freezes(&told.context) {
            let has = |ms: i64| (span.start..span.end).contains(&(START + Nanos::from_millis(ms)));
            let expected = if has(paused_ms + length_ms / 2) { Course::SenderPaused } else { Course::Lost };
            assert_eq!(span.course, expected, "{seed}: {span:?}");
        }
        let long = told.courses().len();
        assert!(long >= 2, "{seed}: {:?}", told.courses());
    }
}

/// A camera whose frame rate varies: its own slow frames are pauses, what the radio loses among them is lost.
#[test]
fn a_varying_frame_rate_excuses_no_loss() {
    let mut random = seeded(11);
    let mut sent = run(&mut random, (0, CAMERA), (0, 60_000), FRAME_MS, 4);
    for second in 0..20 {
        pause(&mut sent, 3000 * second + 2000, 400);
    }
    let mut arrived = sent.clone();
    arrived.retain(|packet| !within(packet, 30_500, 31_100) && !within(packet, 50_900, 51_500));
    let told = told(&arrived);
    let spans = told.meter.freezes(&told.context);
    let of = |course: Course| spans.iter().filter(|span| span.course == course).count();
    assert_eq!(of(Course::Lost), 2, "{spans:?}");
    assert_eq!(of(Course::Lost) + of(Course::SenderPaused), spans.len(), "{spans:?}");
    assert!(of(Course::SenderPaused) >= 15, "{spans:?}");
}

/// A key picture that takes 400 ms over a thin radio came late; nobody paused.
#[test]
fn a_large_key_picture_is_no_pause() {
    let mut random = seeded(12);
    let mut sent = run(&mut random, (0, CAMERA), (0, 20_000), FRAME_MS, 1);
    let key = sent.iter().position(|packet| within(packet, 10_000, 99_000)).unwrap();
    for (index, packet) in sent[key..key + 12].iter_mut().enumerate() {
        packet.at = Nanos::from_millis(10_400 + index as i64);
    }
    let told = told(&sent);
    assert_eq!(told.courses(), [(Course::Late, true)]);
}

/// An outage of 20 s soon after the first packets, where numbers tell little of the rate: still the radio's.
#[test]
fn an_early_outage_is_no_restart() {
    let mut random = seeded(13);
    let mut arrived = run(&mut random, (0, CAMERA), (0, 60_000), FRAME_MS, 12);
    arrived.retain(|packet| !within(packet, 800, 25_800));
    let told = told(&arrived);
    let video = told.account();
    assert_eq!((video.restarts, video.packets_lost), (Some(0), Some(lost(&arrived))));
    assert_eq!(told.courses(), [(Course::Lost, true)]);
}

/// Switched off on the ground, camera first or all at once: listed as off, in no total; the next start is no freeze.
#[test]
fn switched_off_on_the_ground_is_no_freeze() {
    let mut random = seeded(14);
    for (off_ms, new_ssrc) in [(20_000, false), (20_000, true), (39_000, false)] {
        let mut told = told(&run(&mut random, (0, CAMERA), (0, off_ms), FRAME_MS, 3));
        told.until(Nanos::from_secs(45));
        assert_eq!(told.courses(), [(Course::Open, false)]);
        let at = |second| START + Nanos::from_secs(second);
        told.meter.switch_off(at(40), at(45), at(10));
        told.until(Nanos::from_secs(100));
        let again = Camera { ssrc: if new_ssrc { 9 } else { 7 }, ..CAMERA };
        for rest in [vec![], run(&mut random, (1, again), (100_000, 130_000), FRAME_MS, 3)] {
            told.take_all(&rest);
            let video = told.account();
            assert_eq!((video.freezes, video.freezes_left_out), (0, 0), "{:?}", video.freeze_list);
            assert_eq!((video.freeze_s, told.courses()), (Some(0.0), vec![]));
            let [freeze] = &*video.freeze_list else { panic!("{:?}", video.freeze_list) };
            assert_eq!((freeze.course.map(Course::word), freeze.ended), (Some("off"), false));
            assert!((freeze.start_s + freeze.duration_s.unwrap() - 45.0).abs() < 1e-9);
        }
    }
}

/// What froze in a trip stays a freeze, which never ended; a camera that goes on is not switched off.
#[test]
fn a_freeze_of_a_trip_is_not_switched_off() {
    let mut random = seeded(15);
    let at = |second| START + Nanos::from_secs(second);
    let mut frozen = told(&run(&mut random, (0, CAMERA), (0, 20_000), FRAME_MS, 3));
    frozen.until(Nanos::from_secs(45));
    frozen.meter.switch_off(at(40), at(45), at(30));
    frozen.until(Nanos::from_secs(60));
    assert_eq!(frozen.courses(), [(Course::Open, false)]);
    let video = frozen.account();
    assert_eq!(video.freezes, 1);
    assert!((video.freeze_s.unwrap() - 25.0).abs() < 0.1, "{video:?}");
    let sent = run(&mut random, (0, CAMERA), (0, 60_000), FRAME_MS, 3);
    let (before, after): (Vec<Packet>, Vec<Packet>) = sent
        .into_iter()
        .filter(|packet| !within(packet, 44_000, 46_000))
        .partition(|packet| within(packet, 0, 45_000));
    let mut alive = told(&before);
    alive.until(Nanos::from_secs(45));
    alive.meter.switch_off(at(40), at(45), at(10));
    alive.take_all(&after);
    assert_eq!(alive.courses(), [(Course::Lost, true)]);
}

/// A freeze within a stall of this computer says nothing of the link; a long one that a short stall touches does.
#[test]
fn a_stall_explains_only_what_it_covers() {
    let mut random = seeded(16);
    let sent = run(&mut random, (0, CAMERA), (0, 60_000), FRAME_MS, 3);
    let mut arrived = sent.clone();
    arrived.retain(|packet| !within(packet, 10_000, 11_000) && !within(packet, 30_000, 36_000));
    let mut told = told(&arrived);
    let stall = |from_ms, to_ms| Stall {
        from: START + Nanos::from_millis(from_ms),
        to: START + Nanos::from_millis(to_ms),
    };
    told.context.stalls = vec![stall(5000, 5600), stall(10_000, 10_900), stall(33_000, 33_300)];
    assert_eq!(told.courses(), [(Course::Stalled, true), (Course::Lost, true)]);
    assert_eq!(told.account().freezes_left_out, 1);
}

/// How a camera starts again: here or from elsewhere, under the same SSRC or a new one.
fn next_camera(random: &mut ChaCha8Rng, start: usize, before: Camera, ran_ms: i64) -> Camera {
    let mut camera = before;
    match random.random_range(0..4) {
        0 => {}
        1 => camera.source += 1,
        2 => camera.ssrc = 1000 + start as u32,
        _ => (camera.source, camera.ssrc) = (before.source + 1, 1000 + start as u32),
    }
    match random.random_range(0..3) {
        // From the start, whatever it was; or on.
        0 => camera.ticks = CAMERA.ticks,
        1 => camera.ticks = random.random_range(0..1 << 32),
        _ => camera.ticks = before.ticks + (ran_ms + 1000) * TICKS_A_MS,
    }
    camera
}

/// Starts of one camera with gaps, outages of at least 600 ms, 0.5 % loss, reordering and copies.
#[test]
fn random_restarts_are_one_account() {
    for seed in 10_001..10_201 {
        let mut random = seeded(seed);
        let (mut sent, mut camera, mut from_ms) = (Vec::new(), CAMERA, 0);
        let (mut gaps, mut outages) = (Vec::new(), Vec::new());
        let starts = random.random_range(2..=4);
        for start in 0..starts {
            let to_ms = from_ms + random.random_range(12_000..20_000);
            sent.extend(run(&mut random, (start, camera), (from_ms, to_ms), FRAME_MS, 4));
            let outage_ms = from_ms + random.random_range(4000..8000);
            outages.push((outage_ms, outage_ms + random.random_range(600..2500)));
            let length_ms = to_ms - from_ms;
            let before = camera;
            camera = next_camera(&mut random, start + 1, before, length_ms);
            // What says nothing of itself needs its time to start again.
            let here = (camera.source, camera.ssrc) == (before.source, before.ssrc);
            let gap_ms = random.random_range(if here { 2200 } else { 700 }..6000);
            from_ms = to_ms + gap_ms;
            gaps.push((start, to_ms));
        }
        gaps.pop();
        let mut arrived = Vec::new();
        for packet in &sent {
            let out = outages.iter().any(|(from, to)| within(packet, *from, *to));
            if out || random.random::<f64>() < 0.005 {
                continue;
            }
            let late = if random.random::<f64>() < 0.01 { random.random_range(1_000..15_000) } else { 0 };
            let at = packet.at + Nanos::from_micros(late);
            arrived.push(Packet { at, ..*packet });
            if random.random::<f64>() < 0.01 {
                arrived
                    .push(Packet { at: at + Nanos::from_micros(random.random_range(1..20_000)), ..*packet });
            }
        }
        let arrived = sorted(arrived);
        let told = told(&arrived);
        let video = told.account();
        let what = format!("seed {seed}, {gaps:?}");
        assert_eq!(video.packets, Some(distinct(&arrived)), "packets, {what}");
        assert_eq!(video.packets_lost, Some(lost(&arrived)), "lost, {what}");
        assert_eq!(video.duplicates, Some(arrived.len() as u64 - distinct(&arrived)), "duplicates, {what}");
        let spans = told.meter.freezes(&told.context);
        let near = |one: Nanos, other: Nanos| (one - START).abs_diff(other) < Nanos::from_millis(50);
        let mut explained = 0;
        for (start, to_ms) in &gaps {
            let (last, first) = (
                *delivered(&sent, &arrived, *start).last().unwrap(),
                delivered(&sent, &arrived, start + 1)[0],
            );
            let middle = START + Nanos::from_millis(to_ms + 300);
            let of_gap: Vec<_> =
                spans.iter().filter(|span| span.start < middle && span.end > middle).collect();
            assert_eq!(of_gap.len(), 1, "{what}: {spans:?}");
            assert!(near(of_gap[0].start, last) && near(of_gap[0].end, first), "{what}: {of_gap:?}");
            assert_eq!(of_gap[0].course, Course::SenderRestarted, "{what}: {of_gap:?}");
            explained += 1;
        }
        for (from_ms, to_ms) in &outages {
            let middle = START + Nanos::from_millis(i64::midpoint(*from_ms, *to_ms));
            let of_it: Vec<_> =
                spans.iter().filter(|span| span.start < middle && span.end > middle).collect();
            assert_eq!(of_it.len(), 1, "{what}: {spans:?}");
            assert_eq!(of_it[0].course, Course::Lost, "{what}: {of_it:?}");
            explained += 1;
        }
        let others = spans.iter().filter(|span| span.course != Course::Lost).count();
        assert_eq!(others, gaps.len(), "{what}: {spans:?}");
        assert!(spans.len() >= explained, "{what}");
    }
}
