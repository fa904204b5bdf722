//! The video stream: frames in packets, lost singly and in freezes that follow the level.

use super::motion::{Bursts, Levels, logistic};
use super::rng::Dice;
use super::rtp_packets;
use super::rtp_packets::RtpHeader;
use super::scenario::{Carries, Numbering, Scenario, Source, Video, Who, is_on, starts};

/// One packet that arrives.
pub(crate) struct VideoPacket {
    pub(crate) at_s: f64,
    pub(crate) bytes: Vec<u8>,
}

/// A stretch without a new picture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Freeze {
    pub(crate) start_s: f64,
    pub(crate) duration_s: f64,
    pub(crate) ended: bool,
}

/// The stream as it arrives, and what is true of it.
pub(crate) struct VideoStream {
    pub(crate) packets: Vec<VideoPacket>,
    pub(crate) lost: u64,
    pub(crate) frames: u64,
    pub(crate) delivered_s: Vec<f64>,
    pub(crate) freezes: Vec<Freeze>,
}

/// Spans in which nothing gets through, by chance and level.
fn blackouts(scenario: &Scenario, video: &Video, levels: &Levels<'_>) -> Vec<[f64; 2]> {
    let mut dice = Dice::new(scenario.seed, "freezes");
    let mut spans = video.freezes.clone();
    for second in 0..scenario.duration_s as usize {
        let at_s = second as f64;
        let by_level = match (video.freeze_p50_dbm, scenario.radio_for(Carries::Video)) {
            (Some(p50), Some(radio)) => {
                logistic((p50 - levels.of_last_second(radio, at_s)) / video.freeze_scale_db)
            }
            _ => 0.0,
        };
        let chance = video.freeze_base + (1.0 - video.freeze_base) * by_level;
        let (begins, offset) = (dice.chance(chance), dice.unit());
        let length = video.freeze_least_s + dice.exponential(video.freeze_mean_s);
        let frozen = spans.iter().any(|span| (span[0]..span[1]).contains(&at_s));
        if begins && !frozen && at_s >= video.freezes_from_s {
            spans.push([at_s + offset, at_s + offset + length]);
        }
    }
    spans
}

/// Makes the stream.
pub(crate) fn stream(scenario: &Scenario, video: &Video, levels: &Levels<'_>) -> VideoStream {
    let blackouts = blackouts(scenario, video, levels);
    let within = |spans: &[[f64; 2]], at_s: f64| spans.iter().any(|span| (span[0]..span[1]).contains(&at_s));
    let mut bursts = Bursts::new(scenario.seed, "video loss");
    let mut dice = Dice::new(scenario.seed, "video jitter");
    let (mut packets, mut delivered_s) = (Vec::<VideoPacket>::new(), Vec::new());
    let (mut sequence, mut arrived, mut frames) = (7_u16, 0_u64, 0_u64);
    let (mut sent_upto_last, mut first, mut sent) = (0_u64, None, 0_u64);
    let (mut marker_before, mut last_s) = (true, 0.0_f64);
    let count = (scenario.duration_s * video.fps) as usize;
    let (mut boot, mut boot_frame, mut ssrc) = (0, 0, video.ssrc);
    for frame in 0..count {
        let shot_s = 0.05 + frame as f64 / video.fps;
        if within(&video.stops, shot_s) || !is_on(scenario.camera_power(), shot_s) {
            continue;
        }
        let started = starts(scenario.camera_power(), shot_s).0;
        let fresh = started > boot;
        if fresh {
            boot = started;
            if video.numbering != Numbering::On {
                (sequence, boot_frame) = (7, frame);
            }
            if video.numbering == Numbering::New {
                ssrc = ssrc.wrapping_add(0x0101_0101);
            }
        }
        let key = fresh || frame % video.gop == 0;
        let size = if key { video.key_packets } else { video.packets };
        let (mut here, mut marker_here) = (0, false);
        for index in 0..size {
            let at_s = (shot_s + (video.delay_ms + 0.4 * index as f64 + dice.unit() * video.jitter_ms) / 1e3)
                .max(last_s + 2e-5);
            let lost = bursts.lost(&video.loss, levels.received(Carries::Video, shot_s));
            let header = RtpHeader {
                marker: index + 1 == size,
                sequence,
                timestamp: ((frame - boot_frame) as f64 * 90_000.0 / video.fps).round() as u32,
                ssrc,
            };
            sequence = sequence.wrapping_add(1);
            sent += 1;
            if lost
                || within(&blackouts, at_s)
                || scenario.silent(Who::Video, at_s)
                || scenario.unplugged(Source::Video, at_s)
                || at_s >= scenario.duration_s
            {
                continue;
            }
            first.get_or_insert(sent);
            sent_upto_last = sent;
            last_s = at_s;
            arrived += 1;
            here += 1;
            marker_here |= header.marker;
            packets.push(VideoPacket {
                at_s,
                bytes: rtp_packets::packet(&header, key, index, size, video.payload_bytes),
            });
        }
        frames += u64::from(here > 0);
        // Before the first packet that arrives a marker is assumed.
        if here == size && (marker_before || frames == 1) {
            delivered_s.push(last_s);
        }
        marker_before = marker_here;
    }
    let lost = first.map_or(0, |first| sent_upto_last + 1 - first - arrived);
    let freezes = freezes(&delivered_s, scenario.duration_s);
    VideoStream { packets, lost, frames, delivered_s, freezes }
}

/// The W3C webrtc-stats rule on the delivered frames: an interval of at least
/// max(3 x mean, mean + 150 ms), the mean over the 5 to 30 intervals before it.
fn freezes(delivered_s: &[f64], end_s: f64) -> Vec<Freeze> {
    let mut found = Vec::new();
    for next in 6..=delivered_s.len() {
        let oldest = (next - 1).saturating_sub(30);
        let mean = (delivered_s[next - 1] - delivered_s[oldest]) / (next - 1 - oldest) as f64;
        let start_s = delivered_s[next - 1];
        let until_s = delivered_s.get(next).copied();
        let duration_s = until_s.unwrap_or(end_s) - start_s;
        if duration_s >= (3.0 * mean).max(mean + 0.15) {
            found.push(Freeze { start_s, duration_s, ended: until_s.is_some() });
        }
    }
    found
}
