//! The rows of the video streams, and the one account of those that carry the link's picture in turn.
//!
//! The account's counts are sums; its freezes are those of all, in order of time; its SSRC, codec and wait for a key
//! frame are the newest stream's. Jitter is the mean over all packets; the frame rate is weighted by the frames
//! delivered; the median spacing of key frames is that of the stream with the most of them.

use crate::measure::context::Context;
use crate::measure::signal::SignalMeter;
use crate::summary::{
    Course, Freeze, HostStrain, PictureCause, Reason, StoppedSpan, VideoSource, VideoSummary,
};
use crate::wire::rtp::payload::Codec;

use super::key_frames::KeyFrames;
use super::rtp_stream::Stream;
use super::{ALWAYS, FreezeSpan, VideoMeter};

/// What is judged of a freeze: whether it teaches the history, and why not; beside it, what strained this computer, and what
/// lay behind it.
pub(super) type Judged = (Option<bool>, Option<Reason>, Option<Vec<HostStrain>>, Option<Vec<PictureCause>>);

impl VideoMeter {
    /// Every stream, the video link's first (RTP streams; one of marks where no RTP is seen).
    /// `distance`: at a whole second, index 0 at 1 s. `judge` is asked about each freeze that is listed.
    #[must_use]
    pub fn summary(
        &self,
        context: &Context,
        signal: &SignalMeter,
        distance: &dyn Fn(usize) -> Option<f32>,
        judge: &dyn Fn(&FreezeSpan) -> Judged,
    ) -> Vec<VideoSummary> {
        let listed = |span: FreezeSpan| {
            let start_s = context.since_start_s(span.start);
            // Index 0 is at 1 s.
            let second = (start_s.floor() as usize).checked_sub(1);
            let (evidence, why_not, host_strain, causes) = judge(&span);
            Freeze {
                start_s,
                duration_s: (!span.by_mark).then(|| (span.end - span.start).secs()),
                ended: span.ended,
                signal: self.level_at_start(span.start, signal, context),
                distance_m: second.and_then(distance).map(f64::from),
                course: Some(span.course).filter(|course| *course != Course::Open),
                evidence,
                why_not,
                host_strain,
                causes,
            }
        };
        let stopped = self.sender.spans(context);
        let first = self.link_streams(context);
        let marks = (first.is_empty() && !self.marks.is_empty()).then(|| VideoSummary {
            source: VideoSource::Marks,
            freezes: self.marks.len() as u64,
            freeze_list: self.freezes(context).into_iter().map(listed).collect(),
            stopped_at_sender: stopped.clone(),
            ..VideoSummary::default()
        });
        let rest =
            self.video_streams().into_iter().filter(|stream| !first.iter().any(|one| one.key == stream.key));
        let rows = first.iter().copied().chain(rest);
        marks.into_iter().chain(rows.map(|stream| self.row(stream, context, &stopped, &listed))).collect()
    }

    fn row(
        &self,
        stream: &Stream,
        context: &Context,
        stopped: &[StoppedSpan],
        listed: &dyn Fn(FreezeSpan) -> Freeze,
    ) -> VideoSummary {
        let (freezes, total) = stream.freezes.totals(context.now);
        let spans: Vec<FreezeSpan> = self.stream_freezes(stream, context, ALWAYS).collect();
        let codec = stream.recognition.codec();
        let keys = codec.map(|index| stream.window.finished().keys[index].clone());
        let spacing = keys.as_ref().and_then(KeyFrames::spacing_s);
        let left_out = |span: &&FreezeSpan| span.course.is_counted() && span.course.is_not_the_radio();
        VideoSummary {
            source: VideoSource::Rtp,
            ssrc: Some(stream.key.ssrc),
            packets: Some(stream.packets),
            packets_lost: Some(stream.lost),
            jitter_ms: stream.clock.jitter_ms(),
            frames: Some(stream.frames),
            frames_delivered: Some(stream.delivered),
            fps: stream.clock.frame_rate_hz(),
            other_clock_hz: stream.clock.other_hz(),
            freezes,
            freeze_s: Some(total.secs()),
            freezes_left_out: spans.iter().filter(left_out).count() as u64,
            freeze_list: spans.into_iter().map(listed).collect(),
            stopped_at_sender: stopped.to_vec(),
            duplicates: Some(stream.duplicates),
            out_of_order: Some(stream.reordered),
            restarts: Some(stream.restarts),
            follows_ssrc: stream.follows,
            codec: codec.map(|index| Codec::ALL[index]),
            key_frames: keys.as_ref().map(|keys| keys.count),
            key_spacing_median_s: spacing.map(|(median, _)| median),
            key_spacing_max_s: spacing.map(|(_, longest)| longest),
            recovery_points: keys.as_ref().map(|keys| keys.recovery_points),
            frames_broken: keys.as_ref().and_then(KeyFrames::broken),
            frames_broken_why_not: keys
                .as_ref()
                .filter(|keys| keys.broken().is_none())
                .map(|_| Reason::RefreshUnseen),
            waits_for_key: keys.as_ref().and_then(KeyFrames::is_damaged),
        }
    }

    /// The video link's streams as one, made of their `rows` as [`VideoMeter::summary`] gives them.
    #[must_use]
    pub fn account(&self, context: &Context, rows: &[VideoSummary]) -> Option<VideoSummary> {
        let streams = self.link_streams(context);
        // By marks there is one row.
        let rows = rows.get(..streams.len().max(1))?;
        let newest = (0..streams.len()).max_by_key(|index| streams[*index].turn.since).unwrap_or(0);
        let newest = rows.get(newest)?;
        if rows.len() == 1 {
            return Some(newest.clone());
        }
        let sum = |of: fn(&VideoSummary) -> Option<u64>| rows.iter().filter_map(of).reduce(|a, b| a + b);
        let seconds = |of: fn(&VideoSummary) -> Option<f64>| rows.iter().filter_map(of).reduce(|a, b| a + b);
        let longest = rows.iter().filter_map(|row| row.key_spacing_max_s).reduce(f64::max);
        let most_keys = rows.iter().filter(|row| row.key_spacing_median_s.is_some());
        let mut freezes: Vec<Freeze> = rows.iter().flat_map(|row| row.freeze_list.iter().cloned()).collect();
        freezes.sort_by(|one, other| one.start_s.total_cmp(&other.start_s));
        let untold = rows.iter().find_map(|row| row.frames_broken_why_not);
        Some(VideoSummary {
            packets: sum(|row| row.packets),
            packets_lost: sum(|row| row.packets_lost),
            jitter_ms: weighted(rows, |row| Some((row.jitter_ms?, row.packets?))),
            frames: sum(|row| row.frames),
            frames_delivered: sum(|row| row.frames_delivered),
            fps: weighted(rows, |row| Some((row.fps?, row.frames_delivered?))),
            other_clock_hz: rows.iter().find_map(|row| row.other_clock_hz),
            freezes: rows.iter().map(|row| row.freezes).sum(),
            freeze_s: seconds(|row| row.freeze_s),
            freezes_left_out: rows.iter().map(|row| row.freezes_left_out).sum(),
            freeze_list: freezes.into(),
            duplicates: sum(|row| row.duplicates),
            out_of_order: sum(|row| row.out_of_order),
            restarts: sum(|row| row.restarts),
            codec: newest.codec.or_else(|| rows.iter().find_map(|row| row.codec)),
            key_frames: sum(|row| row.key_frames),
            key_spacing_median_s: most_keys
                .max_by_key(|row| row.key_frames)
                .and_then(|row| row.key_spacing_median_s),
            key_spacing_max_s: longest,
            recovery_points: sum(|row| row.recovery_points),
            // One that cannot be told leaves their sum untold.
            frames_broken: sum(|row| row.frames_broken).filter(|_| untold.is_none()),
            frames_broken_why_not: untold,
            ..newest.clone()
        })
    }
}

/// The mean of a figure, each weighted by a count.
fn weighted(rows: &[VideoSummary], of: fn(&VideoSummary) -> Option<(f64, u64)>) -> Option<f64> {
    let (sum, count) = rows
        .iter()
        .filter_map(of)
        .fold((0.0, 0), |(sum, count), (value, weight)| (sum + value * weight as f64, count + weight));
    (count > 0).then(|| sum / count as f64)
}
