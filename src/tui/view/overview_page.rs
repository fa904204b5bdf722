//! The first page: the lanes, the latency beside them, and how far each link worked.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::Snapshot;
use crate::tui::widget::panel::{panel, split_columns, split_rows};
use crate::tui::widget::pen::{Pen, width};
use crate::wording::quantity;

use super::{Scene, failsafe_page, lane_column, side, stages};

/// A range that worked says nothing of other days.
const THAT_DAY: &str = "on that day";

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    if side(area.width) > 0 {
        let (left, right) = split_columns(area, lanes(snapshot, area).width, 2);
        lane_column::render(scene, snapshot, left, buffer);
        render_side(scene, snapshot, right, buffer);
        return;
    }
    let lost = lost_rows(snapshot, area);
    let (left, below) = split_rows(area, lanes(snapshot, area).height);
    lane_column::render(scene, snapshot, left, buffer);
    let mut pen = Pen::new(buffer, below);
    stages::short_row(scene, snapshot, 0, &mut pen);
    range_row(scene, snapshot, 1, &mut pen);
    if lost > 0 {
        failsafe_page::short_row(scene, snapshot, 2, &mut pen);
    }
}

/// The area of the lanes.
pub(super) fn lanes(snapshot: &Snapshot, area: Rect) -> Rect {
    let side = side(area.width);
    if side > 0 {
        return split_columns(area, area.width - side - 2, 2).0;
    }
    let short = if area.height >= 14 { 2 } else { u16::from(area.height > 8) } + lost_rows(snapshot, area);
    split_rows(area, area.height.saturating_sub(short)).0
}

/// Rows for a lost input under the lanes.
fn lost_rows(snapshot: &Snapshot, area: Rect) -> u16 {
    u16::from(area.height >= 14 && failsafe_page::side_rows(snapshot) > 0)
}

/// Latency above, range and power below it.
fn render_side(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let ranges = snapshot.summary.range.len().clamp(1, 4) as u16;
    let power = snapshot.summary.power.len().clamp(1, 3) as u16;
    let below = ranges + 2 + failsafe_page::side_rows(snapshot) + power + 2;
    let (top, rest) = split_rows(area, area.height.saturating_sub(below).min(26));
    stages::side(scene, snapshot, top, buffer);
    let (range, rest) = split_rows(rest, ranges + 3);
    range_side(scene, snapshot, range, buffer);
    let (lost, rest) = split_rows(rest, failsafe_page::side_rows(snapshot));
    failsafe_page::side(scene, snapshot, lost, buffer);
    power_side(scene, snapshot, rest, buffer);
}

fn distance_text(snapshot: &Snapshot) -> String {
    snapshot.distance_m.map(|distance_m| format!("now {}", quantity::metres(distance_m))).unwrap_or_default()
}

fn metres_or_dash(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), quantity::metres)
}

/// How far it worked, where the limit is met, and what is claimed, side by side.
fn range_side(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("range on that day", &distance_text(snapshot), theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let ends = [21, 30, 38].map(|end: u16| end.min(pen.width()));
    if snapshot.summary.range.is_empty() {
        pen.paragraph(0, 0, &missing_range(snapshot), theme.dim);
        return;
    }
    for (end, head) in ends.into_iter().zip(["worked to", "limit", "claimed"]) {
        pen.right(end, 0, head, theme.dim);
    }
    for (row, range) in (1..).zip(&snapshot.summary.range) {
        pen.cut(0, row, &range.link, 12, theme.base);
        pen.right(ends[0], row, &metres_or_dash(range.proven_m), theme.strong);
        pen.right(ends[1], row, &metres_or_dash(range.predicted_freeze_m), theme.base);
        pen.right(ends[2], row, &metres_or_dash(range.claimed_m), theme.base);
    }
}

/// Why there is no distance.
fn missing_range(snapshot: &Snapshot) -> String {
    let reason = snapshot.range.iter().find_map(|range| range.missing);
    reason.map_or_else(|| "not measured: no distances".to_owned(), |reason| format!("not measured: {reason}"))
}

/// The same in one row for narrow screens.
fn range_row(scene: &Scene<'_>, snapshot: &Snapshot, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let mut x = pen.text(0, row, "range     ", theme.title);
    if snapshot.summary.range.iter().all(|range| range.proven_m.is_none() && range.max_distance_m.is_none()) {
        pen.cut(x, row, &missing_range(snapshot), pen.width().saturating_sub(x), theme.dim);
        return;
    }
    if snapshot.distance_m.is_some() {
        x = pen.text(x, row, &distance_text(snapshot), theme.strong) + 2;
    }
    x = pen.text(x, row, "worked to ", theme.dim);
    for range in &snapshot.summary.range {
        x = pen.text(x, row, &format!("{} ", range.link), theme.base);
        x = pen.text(x, row, &metres_or_dash(range.proven_m), theme.strong) + 2;
    }
    if x + width(THAT_DAY) <= pen.width() {
        pen.text(x, row, THAT_DAY, theme.dim);
    }
}

fn power_side(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let inner = panel("power", "", theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if snapshot.summary.power.is_empty() {
        pen.text(0, 0, "not measured: no battery reports", theme.dim);
    }
    for (row, battery) in (0..).zip(&snapshot.summary.power) {
        let mut parts = vec![format!("{}/{}", battery.system, battery.component)];
        parts.push(battery.minutes_left.map_or_else(
            || "minutes left: not yet".to_owned(),
            |minutes| quantity::minutes_left(minutes, battery.minutes_left_ci95, battery.minutes_left_to),
        ));
        if let Some(voltage) = battery.voltage_min_v {
            parts.push(format!("lowest {voltage:.1} V"));
        }
        if let Some(used) = battery.used_mah {
            parts.push(format!("{used:.0} mAh"));
        }
        pen.whole(0, row, &parts, pen.width(), theme.base);
    }
}
