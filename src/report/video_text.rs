//! The pictures and their freezes, as text.

use std::io;
use std::io::Write;

use super::{metres, section, with_unit};
use crate::profile::LinkRole;
use crate::summary::{StoppedSpan, Summary, VideoSummary};
use crate::units::LevelUnit;
use crate::wording::{cause_words, health_words, quantity};

/// Each stream with its freezes.
pub(super) fn write_to(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    section(out, "Video")?;
    if summary.video_streams.is_empty() {
        return writeln!(out, "  not measured: neither RTP packets nor marks were seen");
    }
    let unit = video_unit(summary);
    for stream in &summary.video_streams {
        writeln!(out, "  {}", video_line(stream))?;
        if stream.packets.is_some() {
            writeln!(out, "    {}", key_line(stream))?;
        }
        for freeze in stream.freeze_list.iter() {
            let length =
                freeze.duration_s.map_or_else(|| "marked".to_owned(), |length| format!("{length:.2} s"));
            let open = if freeze.ended { "" } else { ", not over" };
            writeln!(
                out,
                "    frozen at {:>8} for {length}{open}; level {}, distance {}{}{}",
                quantity::clock_tenths(freeze.start_s),
                with_unit(freeze.signal, 0, unit),
                metres(freeze.distance_m),
                freeze.course.map_or_else(String::new, |course| format!("; {}", quantity::course(course))),
                match freeze.host_strain.as_deref().map(health_words::meanwhile) {
                    Some(strain) if !strain.is_empty() => format!(";{strain}"),
                    _ => String::new(),
                }
            )?;
        }
        for span in &stream.stopped_at_sender {
            writeln!(out, "    {}", stopped_line(span))?;
        }
    }
    for causes in &summary.picture_causes {
        writeln!(out, "  {}", cause_words::verdict(causes))?;
        for line in cause_words::evidence(causes, unit) {
            writeln!(out, "    {line}")?;
        }
    }
    Ok(())
}

pub(super) fn stopped_line(span: &StoppedSpan) -> String {
    format!("stopped at the sender at {} for {:.1} s", quantity::clock_tenths(span.start_s), span.duration_s)
}

/// The unit of the video link's levels.
pub(super) fn video_unit(summary: &Summary) -> &'static str {
    let link = summary.links.iter().find(|link| link.role == LinkRole::Video);
    let row = link.and_then(|link| summary.range.iter().find(|row| row.link == link.link));
    row.and_then(|row| row.unit).unwrap_or(LevelUnit::Raw).label()
}

pub(super) fn key_line(stream: &VideoSummary) -> String {
    let (Some(codec), Some(keys)) = (stream.codec, stream.key_frames) else {
        return "key frames not measured: the payloads do not tell H.264 or H.265".to_owned();
    };
    let mut parts = vec![quantity::counted(keys, "key frame", "key frames")];
    if let (Some(median), Some(longest)) = (stream.key_spacing_median_s, stream.key_spacing_max_s) {
        parts.push(format!("{median:.2} s apart, {longest:.2} s at most"));
    }
    if let Some(count) = stream.recovery_points.filter(|count| *count > 0) {
        parts.push(quantity::counted(count, "recovery point", "recovery points"));
    }
    let broken = stream.frames_broken.map(|count| {
        let frames = quantity::counted(count, "delivered frame", "delivered frames");
        format!("{frames} damaged by earlier loss")
    });
    parts.extend(stream.frames_broken_why_not.map(|why| why.to_string()).or(broken));
    format!("{}: {}", quantity::codec(codec), parts.join("; "))
}

pub(super) fn video_line(stream: &VideoSummary) -> String {
    let (Some(packets), Some(lost)) = (stream.packets, stream.packets_lost) else {
        return format!("from marks set by hand: {}", quantity::counted(stream.freezes, "freeze", "freezes"));
    };
    let paced = match stream.other_clock_hz {
        Some(hz) => format!(
            "frame rate and jitter not measured: the sender's clock runs at {:.0} kHz, not at the format's 90",
            hz / 1e3
        ),
        None => format!(
            "{} frames/s; jitter {} ms",
            super::number(stream.fps, 1),
            super::number(stream.jitter_ms, 1)
        ),
    };
    format!(
        "RTP {:08x}: {} packets, {} lost; {} of {} frames whole; {paced}; {}, {} s",
        stream.ssrc.unwrap_or_default(),
        quantity::count(packets),
        quantity::count(lost),
        quantity::count(stream.frames_delivered.unwrap_or_default()),
        quantity::count(stream.frames.unwrap_or_default()),
        quantity::counted(stream.freezes, "freeze", "freezes"),
        super::number(stream.freeze_s, 2)
    )
}
