//! What to mind, above the page in the first seconds of a live session.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::session::Mode;
use crate::tui::widget::pen::{Pen, wrapped};
use crate::wording::caution::{DRILL, INSTRUMENT, WALK};

use super::Scene;

/// So long it stands there, seconds from the first record.
const FOR_S: f64 = 20.0;
/// Under so many rows the page needs the room: the first text stands alone.
const ROOMY: u16 = 18;

/// The lines; none but at the start of a live session.
pub(super) fn lines(scene: &Scene<'_>, area: Rect) -> Vec<String> {
    let starts =
        scene.feed.is_some_and(|feed| matches!(feed.mode, Mode::Live) && feed.snapshot.now_s < FOR_S);
    let texts: &[&str] = match area.height {
        _ if !starts => &[],
        0..=7 => &[],
        height if height < ROOMY => &[INSTRUMENT],
        _ => &[INSTRUMENT, DRILL, WALK],
    };
    texts.iter().flat_map(|text| wrapped(text, area.width.saturating_sub(2))).collect()
}

/// Draws them.
pub(super) fn render(scene: &Scene<'_>, lines: &[String], area: Rect, buffer: &mut Buffer) {
    let mut pen = Pen::new(buffer, area);
    for (row, line) in (0..).zip(lines) {
        pen.text(1, row, line, scene.theme.strong);
    }
}
