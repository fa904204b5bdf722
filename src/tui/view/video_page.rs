//! The video page: frame intervals against the freeze rule, loss under them, the freezes.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::profile::LinkRole;
use crate::snapshot::{Lane, LevelCell, LinkState, Snapshot};
use crate::summary::{Freeze, TimingSummary, TimingWhat, VideoSource, VideoSummary};
use crate::tui::widget::axis::MarkRow;
use crate::tui::widget::panel::{inside, panel, split_columns, split_rows};
use crate::tui::widget::pen::Pen;
use crate::tui::widget::scale::Scale;
use crate::tui::widget::strip::Strip;
use crate::tui::widget::trend::{BadSide, Trend};
use crate::units::LevelUnit;
use crate::wording::quantity::NOT_MEASURED;
use crate::wording::{quantity, reason, regularity};

use super::{GUTTER, Scene, put, time_axis, window_text};

/// Intervals are drawn on a logarithmic scale between these, in ms.
const FROM_MS: f64 = 10.0;
const TO_MS: f64 = 10_000.0;

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let lane = snapshot.lanes.iter().find(|lane| lane.role == Some(LinkRole::Video));
    let source = match snapshot.video.source {
        Some(VideoSource::Rtp) => "source: the RTP stream",
        Some(VideoSource::Marks) if snapshot.video.other_ports.is_empty() => {
            "source: marks set by hand, no RTP is seen"
        }
        Some(VideoSource::Marks) => "source: marks set by hand",
        None => "no source yet",
    };
    let [top, plot, below] = areas(snapshot, area);
    let inner = panel("video", source, theme, top, buffer);
    totals(scene, snapshot, inner, buffer);
    intervals(scene, snapshot, lane, plot, buffer);
    freezes(scene, snapshot, lane, below, buffer);
}

/// Totals, plot and list.
fn areas(snapshot: &Snapshot, area: Rect) -> [Rect; 3] {
    let keys = snapshot.summary.video.as_ref().is_some_and(|video| video.codec.is_some());
    let rows = 4 + u16::from(keys) + u16::from(spacing(snapshot).is_some());
    let (top, rest) = split_rows(area, rows);
    let list = (rest.height / 3).clamp(3, 16);
    let (plot, below) = split_rows(rest, rest.height.saturating_sub(list));
    [top, plot, below]
}

/// The freeze of a row of the page, by its place in the list, and its start; else whether the plot lies there.
pub(super) fn touched(
    scene: &Scene<'_>,
    snapshot: &Snapshot,
    area: Rect,
    y: u16,
) -> (Option<(usize, f64)>, bool) {
    let [_, plot, below] = areas(snapshot, area);
    let row = || {
        let list = snapshot.summary.video.as_ref().map_or(&[][..], |video| &video.freeze_list);
        let shown = inside(inside(below));
        let index = usize::from(y.checked_sub(shown.y)?) + scene.state.scroll;
        let freeze = list.iter().rev().nth(index).filter(|_| y < shown.bottom())?;
        Some((index, freeze.start_s))
    };
    (row(), (plot.top()..plot.bottom()).contains(&y))
}

/// Why no stream is the link's, and what to do.
fn silence_text(snapshot: &Snapshot) -> String {
    if let Some(other) = other_rtp(snapshot) {
        return other;
    }
    if snapshot.summary.video_streams.is_empty() {
        "no video stream is heard; name its source, or press f when the picture freezes"
    } else if snapshot.lanes.iter().any(|lane| lane.role == Some(LinkRole::Video)) {
        "RTP is heard, but not by the port or SSRC that the profile gives its video link; correct or leave out"
    } else {
        "RTP is heard, but the profile has no link with the role video"
    }
    .to_owned()
}

/// Where RTP comes on ports that are not the profile's: which.
fn other_rtp(snapshot: &Snapshot) -> Option<String> {
    let ports: Vec<String> = snapshot.video.other_ports.iter().map(u16::to_string).collect();
    let has_link = snapshot.lanes.iter().any(|lane| lane.role == Some(LinkRole::Video));
    (has_link && !ports.is_empty()).then(|| {
        format!(
            "RTP comes on port {}, not by the profile's port or SSRC: correct the profile",
            ports.join(", ")
        )
    })
}

/// Counts of frames and packets.
fn totals(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let mut pen = Pen::new(buffer, area);
    let Some(video) = &snapshot.summary.video else {
        pen.paragraph(0, 0, &format!("{NOT_MEASURED}: {}", silence_text(snapshot)), theme.dim);
        return;
    };
    let mut x = 0;
    if let Some(frozen_s) = snapshot.video.frozen_for_s {
        let text = format!(" FROZEN for {} ", quantity::seconds(frozen_s));
        x = pen.text(0, 0, &text, theme.band(LinkState::Failing)) + 2;
    }
    let total = video
        .freeze_s
        .map(|freeze_s| format!(", {} in all", quantity::seconds(freeze_s)))
        .unwrap_or_default();
    x = pen.text(
        x,
        0,
        &format!("{}{total}", quantity::counted(video.freezes, "freeze", "freezes")),
        theme.strong,
    );
    pen.whole(x + 2, 0, &stream_parts(snapshot, video), pen.width().saturating_sub(x + 2), theme.base);
    pen.cut(0, 1, &packet_text(snapshot, video), pen.width(), theme.base);
    let mut row = 2;
    if let Some(text) = key_text(video) {
        let style = if video.waits_for_key == Some(true) { theme.strong } else { theme.base };
        pen.cut(0, row, &text, pen.width(), style);
        row += 1;
    }
    if let Some(spacing) = spacing(snapshot) {
        let named = pen.text(0, row, "from picture to picture: ", theme.base);
        let room = pen.width().saturating_sub(named);
        pen.whole(named, row, &regularity::parts(spacing), room, theme.base);
        row += 1;
    }
    if !video.stopped_at_sender.is_empty() {
        let spans: Vec<String> = video
            .stopped_at_sender
            .iter()
            .take(4)
            .map(|span| {
                format!("{} for {}", quantity::clock(span.start_s), quantity::seconds(span.duration_s))
            })
            .collect();
        pen.cut(
            0,
            row,
            &format!("stopped at the sender, no fault of the link: {}", spans.join(", ")),
            pen.width(),
            theme.dim,
        );
    }
}

/// How regularly the link's pictures come: whether it stutters.
fn spacing(snapshot: &Snapshot) -> Option<&TimingSummary> {
    let ssrc = snapshot.summary.video.as_ref()?.ssrc?;
    let of_pictures = |row: &&TimingSummary| row.what == TimingWhat::VideoFrame && row.ssrc == Some(ssrc);
    snapshot.summary.timing.iter().find(of_pictures)
}

fn stream_parts(snapshot: &Snapshot, video: &VideoSummary) -> Vec<String> {
    let mut parts = Vec::new();
    if let (Some(delivered), Some(frames)) = (video.frames_delivered, video.frames) {
        parts.push(format!("frames delivered {} of {}", quantity::count(delivered), quantity::count(frames)));
    }
    if let Some(fps) = video.fps {
        parts.push(format!("{fps:.1} fps"));
    }
    if let Some(rate) = snapshot.video.bit_rate_mbps {
        parts.push(match rate {
            small if small < 1.0 => format!("{:.0} kbit/s", small * 1e3),
            rate => format!("{rate:.1} Mbit/s"),
        });
    }
    parts
}

fn packet_text(snapshot: &Snapshot, video: &VideoSummary) -> String {
    let (Some(packets), Some(lost)) = (video.packets, video.packets_lost) else {
        let other = other_rtp(snapshot);
        return format!("packets {NOT_MEASURED}: {}", other.as_deref().unwrap_or("no RTP is seen"));
    };
    let mut parts = vec![
        format!("packets received {}", quantity::count(packets)),
        format!("lost {}", quantity::count(lost)),
    ];
    if let Some(hz) = video.other_clock_hz {
        parts.push(format!("jitter {NOT_MEASURED}: the sender's clock runs at {:.0} kHz, not 90", hz / 1e3));
    } else if let Some(jitter) = video.jitter_ms {
        parts.push(format!("jitter {} ms", quantity::millis(jitter)));
    }
    if let Some(ssrc) = video.ssrc {
        parts.push(format!("SSRC {ssrc:#010x}"));
    }
    parts.join("  ")
}

/// Codec, key frames and what hangs on them; `None` where the payloads do not tell the codec.
fn key_text(video: &VideoSummary) -> Option<String> {
    let codec = quantity::codec(video.codec?);
    let mut parts =
        vec![format!("{codec}  {}", quantity::counted(video.key_frames?, "key frame", "key frames"))];
    if let (Some(median), Some(longest)) = (video.key_spacing_median_s, video.key_spacing_max_s) {
        parts.push(format!("every {median:.1} s, longest {longest:.1} s"));
    }
    if let Some(count) = video.recovery_points.filter(|count| *count > 0) {
        parts.push(quantity::counted(count, "recovery point", "recovery points"));
    }
    if let Some(why) = video.frames_broken_why_not {
        parts.push(why.to_string());
    }
    if let Some(broken) = video.frames_broken {
        parts.push(format!("damaged by earlier loss {}", quantity::count(broken)));
    }
    if video.waits_for_key == Some(true) {
        parts.push("waits for the next key frame".to_owned());
    }
    Some(parts.join("  "))
}

/// The longest interval of each column, the rule's limit, and the packets under it.
fn intervals(scene: &Scene<'_>, snapshot: &Snapshot, lane: Option<&Lane>, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("longest interval between frames", &window_text(scene), theme, area, buffer);
    let (head, body) = split_rows(inner, 1);
    let (body, foot) = split_rows(body, body.height.saturating_sub(2));
    let (gutter, plot) = split_columns(body, GUTTER, 0);
    let marks = MarkRow { view: snapshot.view, marks: &snapshot.marks, theme };
    put(&marks, split_columns(head, GUTTER, 0).1, buffer);
    let cells: Vec<Option<LevelCell>> = snapshot
        .video
        .interval_ms
        .iter()
        .map(|interval| {
            interval.map(|ms| {
                let at = ms.clamp(FROM_MS, TO_MS).log10();
                LevelCell { min: at, mean: at, max: at }
            })
        })
        .collect();
    let scale = Scale { low: FROM_MS.log10(), high: TO_MS.log10() };
    let limit_text =
        snapshot.video.limit_ms.map(|ms| format!(" freeze from {} ms on ", quantity::millis(ms)));
    let frozen = lane.map_or(&[][..], |lane| lane.frozen.as_slice());
    let trend = Trend {
        cells: &cells,
        limit: snapshot.video.limit_ms.map(f64::log10),
        bad_side: BadSide::Above,
        limit_text: limit_text.as_deref().unwrap_or_default(),
        frozen,
        scale,
        style: theme.level,
        theme,
    };
    put(&trend, plot, buffer);
    if cells.iter().all(Option::is_none) {
        Pen::new(buffer, plot).text(1, 0, NOT_MEASURED, theme.dim);
    }
    marks.ticks(plot, buffer);
    let mut pen = Pen::new(buffer, gutter);
    for (ms, text) in [(TO_MS, "10 s"), (1_000.0, "1 s"), (100.0, "100 ms"), (FROM_MS, "10 ms")] {
        pen.right(GUTTER - 1, scale.row(ms.log10(), plot.height), text, theme.dim);
    }
    for row in 0..plot.height {
        pen.glyph(GUTTER - 1, row, '│', theme.rule);
    }
    let (strip, axis) = split_rows(foot, 1);
    Pen::new(buffer, strip).text(0, 0, "packets lost, frozen", theme.dim);
    let strip = split_columns(strip, GUTTER, 0).1;
    put(&Strip { cells: &snapshot.video.packets, frozen, theme }, strip, buffer);
    time_axis(scene, snapshot, axis, buffer);
}

/// The freezes, the newest first.
fn freezes(scene: &Scene<'_>, snapshot: &Snapshot, lane: Option<&Lane>, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("freezes", "newest first", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let list = snapshot.summary.video.as_ref().map_or(&[][..], |video| &video.freeze_list);
    if list.is_empty() {
        pen.text(0, 0, "none", theme.dim);
        return;
    }
    let unit = lane.and_then(|lane| lane.unit).unwrap_or(LevelUnit::Raw);
    for (x, head) in [(0, "start"), (11, "length"), (22, "level"), (36, "distance"), (48, "and")] {
        pen.text(x, 0, head, theme.dim);
    }
    let rows = pen.height().saturating_sub(1);
    for (row, freeze) in (1..=rows).zip(list.iter().rev().skip(scene.state.scroll)) {
        let vibration = &snapshot.vibration;
        let around = vibration.around.iter().find(|(at_s, _)| (at_s - freeze.start_s).abs() < 0.05);
        let around = around.map(|(_, found)| reason::suspicion(*found, vibration.basis)).unwrap_or_default();
        freeze_row(scene, freeze, unit, &around, row, &mut pen);
    }
}

fn freeze_row(
    scene: &Scene<'_>,
    freeze: &Freeze,
    unit: LevelUnit,
    around: &str,
    row: u16,
    pen: &mut Pen<'_>,
) {
    let theme = scene.theme;
    pen.text(0, row, &quantity::clock_tenths(freeze.start_s), theme.strong);
    let length = match freeze.duration_s {
        Some(duration_s) if freeze.ended => quantity::seconds(duration_s),
        Some(duration_s) => format!("over {}", quantity::seconds(duration_s)),
        None => "by hand".to_owned(),
    };
    pen.text(11, row, &length, theme.base);
    let unknown = || "-".to_owned();
    pen.text(22, row, &freeze.signal.map_or_else(unknown, |level| quantity::level(level, unit)), theme.base);
    pen.text(36, row, &freeze.distance_m.map_or_else(unknown, quantity::metres), theme.base);
    let course = freeze.course.map_or("", quantity::course);
    let text = match (course, around) {
        ("", around) => around.to_owned(),
        (course, "") => course.to_owned(),
        (course, around) => format!("{course}; {around}"),
    };
    pen.cut(48, row, &text, pen.width().saturating_sub(48), theme.base);
}
