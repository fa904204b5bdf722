//! The map page: the vehicle's way from above by the link's margin, and how the link did in each
//! direction and height.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use crate::snapshot::{LinkState, RangeView, Snapshot, TrackPoint};
use crate::tui::widget::dots::Dots;
use crate::tui::widget::panel::{panel, split_columns, split_rows};
use crate::tui::widget::pen::{Pen, width};
use crate::wording::quantity;
use crate::wording::quantity::NOT_MEASURED;

use super::{Scene, antenna_panel, range_page};

/// Columns of the figures beside the map.
const SIDE: u16 = 38;
const WIDE_SIDE: u16 = 50;
/// The sign of the handset.
const HANDSET: char = '◎';
/// The map shows at least this much ground.
const LEAST_M: f64 = 10.0;

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let chosen = range_page::chosen(scene, snapshot);
    let side = if area.width >= 112 { WIDE_SIDE } else { SIDE };
    let (left, right) = if area.width >= 60 {
        split_columns(area, area.width - side - 2, 2)
    } else {
        split_rows(area, area.height / 2)
    };
    let title = chosen.name.map_or_else(|| "map".to_owned(), |link| format!("{link}: map"));
    let note = if chosen.links > 1 { "north up, l: next link" } else { "north up" };
    let inner = panel(&title, note, scene.theme, left, buffer);
    match chosen.view {
        Some(view) if !view.track.is_empty() => {
            track(scene, view, range_page::missing_limit(snapshot, &view.link), inner, buffer);
        }
        view => {
            let missing = view.and_then(|view| view.missing).map(|why| why.to_string());
            let text = missing.as_deref().unwrap_or("the vehicle sends no position, or has no fix yet");
            Pen::new(buffer, inner).paragraph(0, 1, &format!("{NOT_MEASURED}: {text}"), scene.theme.dim);
        }
    }
    antenna_panel::render(scene, chosen.summary, right, buffer);
}

/// The ground that a map shows.
struct Ground {
    /// South-west corner, metres east and north.
    corner: [f64; 2],
    /// Metres a dot, the same both ways: a cell is two dots wide and four high.
    per_dot: f64,
}

impl Ground {
    fn of(view: &RangeView, across: u32, down: u32) -> Self {
        let handset = view.handset_known.then_some([0.0, 0.0]);
        let places = view.track.iter().map(|point| [point.east_m, point.north_m]);
        let mut low = [f64::INFINITY; 2];
        let mut high = [f64::NEG_INFINITY; 2];
        for place in places.chain(handset).chain(view.here) {
            for axis in 0..2 {
                low[axis] = low[axis].min(place[axis]);
                high[axis] = high[axis].max(place[axis]);
            }
        }
        let dots = [f64::from(across.max(2)) - 1.0, f64::from(down.max(2)) - 1.0];
        let span = [0, 1].map(|axis: usize| (high[axis] - low[axis]).max(LEAST_M));
        let per_dot = (span[0] / dots[0]).max(span[1] / dots[1]);
        let corner =
            [0, 1].map(|axis: usize| f64::midpoint(low[axis], high[axis]) - per_dot * dots[axis] / 2.0);
        Self { corner, per_dot }
    }

    /// The dot of a place, rows counted from the top.
    fn dot(&self, place: [f64; 2], down: u32) -> (u32, u32) {
        let at = |axis: usize| ((place[axis] - self.corner[axis]) / self.per_dot).round().max(0.0) as u32;
        (at(0), down.saturating_sub(1 + at(1)))
    }
}

fn track(scene: &Scene<'_>, view: &RangeView, missing: &str, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (map, foot) = split_rows(area, area.height.saturating_sub(2));
    if map.width < 4 || map.height < 2 {
        return;
    }
    let mut dots = Dots::new(map.width, map.height);
    let down = dots.down();
    let ground = Ground::of(view, dots.across(), down);
    let mut worst: Vec<&TrackPoint> = Vec::new();
    for point in &view.track {
        let (x, y) = ground.dot([point.east_m, point.north_m], down);
        dots.set(x, y, theme.of(point.state));
        if severity(point) > 0 {
            worst.push(point);
        }
    }
    (&dots).render(map, buffer);
    let mut pen = Pen::new(buffer, map);
    // The worst is drawn last, so that nothing hides it.
    worst.sort_by_key(|point| severity(point));
    for point in worst {
        let (x, y) = ground.dot([point.east_m, point.north_m], down);
        let (letter, state) = symbol(point);
        pen.glyph((x / 2) as u16, (y / 4) as u16, letter, theme.of(state));
    }
    let mut place = |at: [f64; 2], letter: char, style| {
        let (x, y) = ground.dot(at, down);
        pen.glyph((x / 2) as u16, (y / 4) as u16, letter, style);
    };
    if view.handset_known {
        place([0.0, 0.0], HANDSET, theme.band(LinkState::Unknown));
    }
    if let Some(here) = view.here {
        place(here, 'V', theme.band(view.track.last().map_or(LinkState::Unknown, |point| point.state)));
    }
    legend(scene, view, &ground, missing, foot, buffer);
}

/// How bad a place is; 0: nothing to point at.
fn severity(point: &TrackPoint) -> u8 {
    match (point.failed, point.state) {
        (true, _) => 3,
        (false, LinkState::Alarm) => 2,
        (false, LinkState::Warning) => 1,
        (false, _) => 0,
    }
}

fn symbol(point: &TrackPoint) -> (char, LinkState) {
    match (point.failed, point.state) {
        (true, _) => ('×', LinkState::Failing),
        (false, LinkState::Alarm) => ('◆', LinkState::Alarm),
        (false, _) => ('▲', LinkState::Warning),
    }
}

/// The scale bar, and what the signs mean.
fn legend(
    scene: &Scene<'_>,
    view: &RangeView,
    ground: &Ground,
    missing: &str,
    area: Rect,
    buffer: &mut Buffer,
) {
    let theme = scene.theme;
    let mut pen = Pen::new(buffer, area);
    let room_m = f64::from(pen.width() / 3) * 2.0 * ground.per_dot;
    let length_m = round_down(room_m);
    let columns = (length_m / (2.0 * ground.per_dot)).round().max(1.0) as u16;
    pen.glyph(0, 0, '╵', theme.strong);
    for column in 1..columns {
        pen.glyph(column, 0, '─', theme.strong);
    }
    pen.glyph(columns, 0, '╵', theme.strong);
    let text = if length_m < 1.0 { format!("{length_m:.1} m") } else { quantity::metres(length_m) };
    let x = pen.text(columns + 2, 0, &text, theme.strong);
    let handset = if view.handset_known { format!("{HANDSET} handset ") } else { String::new() };
    pen.text(x + 2, 0, &format!("{handset}V vehicle"), theme.dim);
    let signs: [(&str, LinkState, &str); 4] = [
        ("⠶", LinkState::Good, "good"),
        ("▲", LinkState::Warning, "warning"),
        ("◆", LinkState::Alarm, "alarm"),
        ("×", LinkState::Failing, "failed"),
    ];
    if view.track.iter().all(|point| point.margin.is_none()) {
        let failed = if view.track.iter().any(|point| point.failed) { "× failed  " } else { "" };
        pen.cut(0, 1, &format!("{failed}no margin: {missing}"), pen.width(), theme.dim);
        return;
    }
    let mut x = pen.text(0, 1, "margin ", theme.dim);
    for (sign, state, word) in signs {
        if x + width(word) + 2 > pen.width() {
            break;
        }
        x = pen.text(x, 1, sign, theme.of(state));
        x = pen.text(x + 1, 1, word, theme.dim) + 2;
    }
}

/// A round number at or below: 1, 2 or 5 times a power of ten.
fn round_down(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let power = 10.0_f64.powf(value.log10().floor());
    [5.0, 2.0, 1.0].map(|step| step * power).into_iter().find(|round| *round <= value).unwrap_or(power)
}
