//! The loss page: each link's figures, a row over time for every sender, and under them (or in
//! their place, by key) burst lengths, what happened together, and the other end's view.

mod detail;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::profile::LinkRole;
use crate::snapshot::{SenderLane, Snapshot, WindowLoss};
use crate::summary::{LinkSummary, Stream, Summary, VideoSummary};
use crate::tui::state::LossPart;
use crate::tui::widget::axis::MarkRow;
use crate::tui::widget::panel::{inside, panel, split_columns, split_rows};
use crate::tui::widget::pen::Pen;
use crate::tui::widget::strip::{Strip, legend};
use crate::wording::quantity;
use crate::wording::quantity::NOT_MEASURED;

use super::{GUTTER, Scene, put, time_axis, window_text};

/// From this size on the other parts stand under the senders.
const FEWEST_ROWS: u16 = 24;
const WIDE: u16 = 120;
/// Rows under the senders.
const AXIS_AND_WORDS: u16 = 3;
/// From this width on a control link's holds stand in its row.
const HOLDS_BESIDE: u16 = 124;

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let summary = &snapshot.summary;
    let (top, rest) = split_rows(area, top_rows(summary, area));
    links_table(scene, summary, top, buffer);
    let has_stream = |sender: &&SenderLane| sender.stream.is_some_and(|index| index < summary.streams.len());
    let selected = snapshot.senders.get(scene.state.scroll).filter(has_stream);
    let selected = selected.or_else(|| snapshot.senders.iter().find(|sender| sender.stream == Some(0)));
    match scene.state.loss_part {
        LossPart::Senders if has_all(rest) => {
            let (upper, below) = split_rows(rest, rest.height - detail::ROWS);
            timeline(scene, snapshot, upper, buffer);
            let (left, right) = split_columns(below, 54, 2);
            detail::bursts(scene, summary, selected, left, buffer);
            let reports = (summary.own_reports.len() + summary.signal.len()).clamp(1, 4) as u16 + 2;
            let (spells, reports) = split_rows(right, right.height.saturating_sub(reports));
            detail::spells(scene, summary, spells, buffer);
            detail::reports(scene, summary, reports, buffer);
        }
        LossPart::Senders => timeline(scene, snapshot, rest, buffer),
        LossPart::Bursts => detail::bursts(scene, summary, selected, rest, buffer),
        LossPart::Spells => detail::spells(scene, summary, rest, buffer),
        LossPart::Reports => detail::reports(scene, summary, rest, buffer),
    }
}

/// Rows of the links' table.
fn top_rows(summary: &Summary, area: Rect) -> u16 {
    let links = (summary.links.len().clamp(1, 6) + summary.together.len().min(2)) as u16;
    let holds = u16::from(summary.control_holds.is_some() && area.width < HOLDS_BESIDE);
    links + 3 + holds
}

/// Whether all parts have room at once.
const fn has_all(rest: Rect) -> bool {
    rest.height >= FEWEST_ROWS && rest.width >= WIDE
}

/// Every sender over time, with the axis and what the signs mean.
fn timeline(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let (rows, foot) = split_rows(area, area.height.saturating_sub(AXIS_AND_WORDS));
    senders(scene, snapshot, rows, buffer);
    time_axis(scene, snapshot, split_rows(foot, 1).0, buffer);
    let mut pen = Pen::new(buffer, foot);
    pen.text(0, 1, &legend(), scene.theme.dim);
    let width = pen.width();
    pen.cut(0, 2, &framing_text(&snapshot.summary), width, scene.theme.dim);
}

fn framing_text(summary: &Summary) -> String {
    let framing = summary.framing;
    // A few words where accidents are to be expected; under 1 in 100 they are not worth a column.
    let expected = summary.accidents.expected;
    let accidents =
        if expected < 0.01 { String::new() } else { format!("  of them by accident about {expected:.2}") };
    format!(
        "{}{accidents}  checksums failed {}  skipped {}  unknown message ids {}",
        quantity::counted(framing.frames, "frame", "frames"),
        quantity::count(framing.crc_errors),
        quantity::bytes(framing.skipped_bytes),
        quantity::count(framing.unknown_ids),
    )
}

/// One row a link, over the whole session.
fn links_table(scene: &Scene<'_>, summary: &Summary, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("links", "whole session, loss with its 95 % interval", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if summary.links.is_empty() {
        let text = if summary.streams.is_empty() {
            "no links yet: name them in a profile, or wait until something is heard"
        } else {
            "no profile names a link: the senders below are all that is heard"
        };
        pen.text(0, 0, text, theme.dim);
        return;
    }
    for (x, head) in [(16, "lost"), (41, "with data"), (55, "longest silence")] {
        pen.text(x, 0, head, theme.dim);
    }
    let beside = pen.width() >= HOLDS_BESIDE;
    let mut below = summary.links.len() as u16 + 1;
    if let Some(holds) = summary.control_holds.as_ref().filter(|_| !beside) {
        let (text, width) = (quantity::control_holds(Some(holds)), pen.width());
        pen.cut(0, below, &format!("control: {text}"), width, theme.base);
        below += 1;
    }
    for (row, together) in (below..).zip(summary.together.iter().take(2)) {
        let width = pen.width();
        pen.cut(0, row, &detail::together_text(together), width, theme.base);
    }
    for (row, link) in (1..).zip(&summary.links) {
        pen.cut(0, row, &link.link, 15, theme.strong);
        pen.text(16, row, &link_loss(link), theme.base);
        let or_not = |value: Option<String>| value.unwrap_or_else(|| NOT_MEASURED.to_owned());
        pen.text(41, row, &or_not(link.availability_ratio.map(quantity::percent)), theme.base);
        pen.text(55, row, &or_not(link.longest_silence_s.map(quantity::seconds)), theme.base);
        if link.role == LinkRole::Control
            && beside
            && let Some(holds) = &summary.control_holds
        {
            let text = quantity::control_holds(Some(holds));
            pen.cut(72, row, &text, pen.width().saturating_sub(72), theme.base);
        }
    }
}

fn link_loss(link: &LinkSummary) -> String {
    link.loss.map_or_else(
        || NOT_MEASURED.to_owned(),
        |loss| format!("{} ({})", quantity::percent(loss.ratio), quantity::percent_interval(loss.ci95)),
    )
}

/// A row of cells a sender, its figures under it.
fn senders(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let note = format!("{}, Up and Down scroll, l for more", window_text(scene));
    let inner = panel("senders", &note, theme, area, buffer);
    let marks = MarkRow { view: snapshot.view, marks: &snapshot.marks, theme };
    put(&marks, split_columns(split_rows(inner, 1).0, GUTTER, 0).1, buffer);
    let left = inside(inner);
    if snapshot.senders.is_empty() {
        Pen::new(buffer, left).text(0, 0, "nothing is heard yet", theme.dim);
        return;
    }
    let roomy = is_roomy(snapshot, left);
    for (index, own) in places(scene, snapshot, left) {
        let sender = &snapshot.senders[index];
        let window = sender.window.as_ref().filter(|_| roomy);
        sender_rows(scene, snapshot, sender, stream_of(snapshot, sender), window, own, buffer);
    }
}

/// Where all of them have room for a line more, it holds the window's own figures.
fn is_roomy(snapshot: &Snapshot, rows: Rect) -> bool {
    snapshot.senders.len() * 4 <= usize::from(rows.height)
}

fn stream_of<'a>(snapshot: &'a Snapshot, sender: &SenderLane) -> Option<&'a Stream> {
    sender.stream.and_then(|index| snapshot.summary.streams.get(index))
}

/// Each sender that is shown, and where.
fn places(scene: &Scene<'_>, snapshot: &Snapshot, rows: Rect) -> Vec<(usize, Rect)> {
    let roomy = is_roomy(snapshot, rows);
    let mut left = rows;
    let mut places = Vec::new();
    for (index, sender) in snapshot.senders.iter().enumerate().skip(scene.state.scroll) {
        let stream = stream_of(snapshot, sender);
        let gap = u16::from(left.height > 24);
        let rows = 2
            + u16::from(roomy && sender.window.is_some())
            + u16::from(stream.is_some_and(|stream| stream.why_not.is_some()));
        let (own, below) = split_rows(left, rows);
        places.push((index, own));
        left = split_rows(below, gap).1;
    }
    places
}

/// The sender at a row of the page; `None`: none, or another part of the page.
pub(super) fn touched(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, y: u16) -> Option<usize> {
    let rest = split_rows(area, top_rows(&snapshot.summary, area)).1;
    if scene.state.loss_part != LossPart::Senders {
        return None;
    }
    let shown = if has_all(rest) { split_rows(rest, rest.height - detail::ROWS).0 } else { rest };
    let rows = split_rows(shown, shown.height.saturating_sub(AXIS_AND_WORDS)).0;
    let places = places(scene, snapshot, inside(inside(rows)));
    places.iter().find(|(_, own)| (own.top()..own.bottom()).contains(&y)).map(|(index, _)| *index)
}

fn sender_rows(
    scene: &Scene<'_>,
    snapshot: &Snapshot,
    sender: &SenderLane,
    stream: Option<&Stream>,
    window: Option<&WindowLoss>,
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let plot = split_columns(split_rows(area, 1).0, GUTTER, 0).1;
    put(&Strip { cells: &sender.cells, frozen: &[], theme }, plot, buffer);
    let mut pen = Pen::new(buffer, area);
    pen.cut(0, 0, &sender.label, GUTTER - 10, theme.strong);
    let (ratio, parts) = match (stream, &snapshot.summary.video) {
        (Some(stream), _) => (stream.loss.map(|loss| loss.ratio), stream_parts(stream)),
        (None, Some(video)) => (None, vec![video_text(video)]),
        (None, None) => (None, vec![NOT_MEASURED.to_owned()]),
    };
    if let Some(ratio) = ratio {
        pen.right(GUTTER - 2, 0, &quantity::percent(ratio), theme.strong);
    }
    pen.whole(2, 1, &parts, pen.width().saturating_sub(2), theme.base);
    if let Some(window) = window {
        pen.whole(2, 2, &detail::window_parts(window), pen.width().saturating_sub(2), theme.base);
    }
    if let Some(why_not) = stream.and_then(|stream| stream.why_not) {
        let text = format!("kept out of link loss: {why_not}");
        pen.cut(2, 2 + u16::from(window.is_some()), &text, pen.width().saturating_sub(2), theme.dim);
    }
}

/// Counts, interval, bursts, silences of one sender.
fn stream_parts(stream: &Stream) -> Vec<String> {
    let mut parts = vec![format!("received {}", quantity::count(stream.received))];
    parts.push(match stream.lost.zip(stream.lost_ci95) {
        None => "lost not known".to_owned(),
        Some((lost, [low, high])) if low == high => format!("lost {}", quantity::count(lost)),
        Some((lost, [low, high])) => {
            format!("lost {} ({} to {})", quantity::count(lost), quantity::count(low), quantity::count(high))
        }
    });
    if let Some(loss) = stream.loss {
        parts.push(format!("interval (95 %): {}", quantity::percent_interval(loss.ci95)));
    }
    parts.extend(stream.loss_periods.and_then(detail::periods_text));
    parts.push(format!("silence {}", quantity::seconds(stream.longest_silence_s)));
    parts.push(format!("copies {}", quantity::count(stream.duplicates)));
    parts.push(format!("out of order {}", quantity::count(stream.out_of_order)));
    if stream.restarts > 0 {
        parts.push(quantity::counted(stream.restarts, "restart", "restarts"));
    }
    parts
}

fn video_text(video: &VideoSummary) -> String {
    match (video.packets, video.packets_lost) {
        (Some(packets), Some(lost)) => {
            format!(
                "received {}  lost {}  packets of the picture",
                quantity::count(packets),
                quantity::count(lost)
            )
        }
        _ => NOT_MEASURED.to_owned(),
    }
}
