//! Who is on the air: the transmitters that a receiver in monitor mode heard.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::Snapshot;
use crate::summary::TransmitterSummary;
use crate::tui::widget::panel::panel;
use crate::tui::widget::pen::Pen;
use crate::wording::caution::AIR;
use crate::wording::quantity;

use super::Scene;

/// Below this height the page has no room for it.
const LEAST_HEIGHT: u16 = 26;

/// Rows that the panel wants of a page of this height; 0 where nothing was heard.
pub(super) fn rows(snapshot: &Snapshot, height: u16) -> u16 {
    match snapshot.summary.transmitters.len() {
        0 => 0,
        _ if height < LEAST_HEIGHT => 0,
        count => (count as u16).min(4) + 4,
    }
}

/// Those of the profile first, then those that are heard most.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let mut heard: Vec<&TransmitterSummary> = snapshot.summary.transmitters.iter().collect();
    heard.sort_by_key(|one| (one.link.is_none(), std::cmp::Reverse(one.frames)));
    let title = format!("whole session, {} transmitters", heard.len());
    let inner = panel("on the air", &title, theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    let ends: [u16; 5] = [40, 49, 60, 68, 78];
    for (end, head) in ends.into_iter().zip(["frames", "retries", "not heard", "dBm", "Mbit/s"]) {
        pen.right(end, 0, head, theme.dim);
    }
    let last = inner.height.saturating_sub(1);
    let width = pen.width();
    pen.cut(0, last, AIR, width, theme.dim);
    for (row, one) in (1..last).zip(heard) {
        pen.text(0, row, &one.transmitter, if one.link.is_some() { theme.strong } else { theme.base });
        pen.cut(18, row, one.link.as_deref().unwrap_or(""), 13, theme.strong);
        let absent = || "-".to_owned();
        let values = [
            quantity::count(one.frames),
            one.retry_ratio.map_or_else(absent, quantity::percent),
            one.loss.map_or_else(absent, |loss| quantity::percent(loss.ratio)),
            one.level_median_dbm.map_or_else(absent, |level| format!("{level:.0}")),
            one.rate_median_kbps.map_or_else(absent, |rate| format!("{:.1}", f64::from(rate) / 1000.0)),
        ];
        for (end, value) in ends.into_iter().zip(values) {
            pen.right(end, row, &value, theme.base);
        }
    }
}
