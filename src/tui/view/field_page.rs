//! The page for the field: what to do in large letters, what is left, one bar, each link's state. Nothing else.

use ratatui::buffer::Buffer;
use ratatui::layout::{Position, Rect};

use crate::snapshot::{Lane, LinkState, Snapshot};
use crate::tui::widget::big;
use crate::tui::widget::panel::split_rows;
use crate::tui::widget::pen::{Pen, width};
use crate::tui::widget::scale::Scale;
use crate::units::LevelUnit;
use crate::wording::field_words::{FieldText, FieldWord};
use crate::wording::{field_words, quantity, reason};

use super::Scene;

/// What the bar shows, in dB: common practice, no source.
const DECIBELS: Scale = Scale { low: -5.0, high: 25.0 };
/// The same for device units, of which nobody knows how many make a decibel.
const UNITS: Scale = Scale { low: -25.0, high: 100.0 };

/// The parts of the page.
struct Places {
    band: Rect,
    left: Rect,
    /// How large what is left is drawn; 0: in plain letters.
    scale: u16,
    bar: Rect,
    links: Rect,
}

fn places(snapshot: &Snapshot, area: Rect) -> Places {
    let links = (snapshot.lanes.len() as u16).min(area.height / 4).max(u16::from(area.height > 3));
    let (scale, left, bar) = match area.height {
        0..=7 => (0, 0, 0),
        8..=13 => (0, 1, 2),
        14..=19 => (1, 3, 2),
        20..=29 => (2, 5, 3),
        30..=45 => (3, 8, 4),
        _ => (4, 10, 6),
    };
    // Without any limit there is nothing to be drawn large; a level that is absent for a moment moves nothing.
    let has_limit = snapshot.lanes.iter().any(|lane| lane.threshold.is_some());
    let (left, bar) = if has_limit { (left, bar) } else { (left.min(2), 0) };
    let gap = u16::from(area.height >= 30);
    let below = left + bar + links + 3 * gap;
    let (band, rest) = split_rows(area, area.height.saturating_sub(below));
    let (left, rest) = split_rows(split_rows(rest, gap).1, left);
    let (bar, rest) = split_rows(split_rows(rest, gap).1, bar);
    Places { band, left, scale, bar, links: split_rows(rest, gap).1 }
}

/// What lies at a place of the page.
pub(super) enum Touched {
    /// What to do.
    Band,
    /// A link's line.
    Link(usize),
    /// Nothing that answers.
    Nothing,
}

/// What lies there.
pub(super) fn touched(snapshot: &Snapshot, area: Rect, place: Position) -> Touched {
    let places = places(snapshot, area);
    let index = usize::from(place.y.saturating_sub(places.links.y));
    if places.band.contains(place) {
        Touched::Band
    } else if places.links.contains(place) && index < snapshot.lanes.len() {
        Touched::Link(index)
    } else {
        Touched::Nothing
    }
}

/// It stays live while the picture is held, as the first line of other pages does.
pub(super) fn live<'a>(scene: &Scene<'a>, shown: &'a Snapshot) -> &'a Snapshot {
    scene.feed.map_or(shown, |feed| &feed.snapshot)
}

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, shown: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let snapshot = live(scene, shown);
    let places = places(snapshot, area);
    let text = field_words::of(&snapshot.verdicts);
    band(scene, text, places.band, buffer);
    if let Some(lane) = focus(snapshot, text.about) {
        what_is_left(scene, lane, &places, buffer);
        if let (Some(margin), Some(unit)) = (lane.margin_now, lane.unit) {
            bar(scene, lane, margin, unit, places.bar, buffer);
        }
    }
    links(scene, snapshot, places.links, buffer);
}

/// The link whose margin is shown: the one that the words speak of, else the one nearest to its limit.
fn focus<'a>(snapshot: &'a Snapshot, about: Option<&str>) -> Option<&'a Lane> {
    let measured = || snapshot.lanes.iter().filter(|lane| lane.margin_now.is_some());
    let spoken_of = measured().find(|lane| Some(lane.link.as_str()) == about);
    let in_decibels = measured().filter(|lane| lane.unit == Some(LevelUnit::Dbm));
    let nearest = in_decibels.min_by(|one, other| {
        one.margin_now.unwrap_or_default().total_cmp(&other.margin_now.unwrap_or_default())
    });
    let any = || snapshot.lanes.iter().find(|lane| Some(lane.link.as_str()) == about);
    spoken_of.or(nearest).or_else(|| measured().next()).or_else(any).or_else(|| snapshot.lanes.first())
}

/// The words, in a band of the state's colour.
fn band(scene: &Scene<'_>, text: FieldText<'_>, area: Rect, buffer: &mut Buffer) {
    let style = scene.theme.band(text.state);
    buffer.set_style(area, style);
    let mut pen = Pen::new(buffer, area);
    let (across, down) = (pen.width().saturating_sub(4), pen.height());
    let first = text.first.text();
    // What lies behind it has a line of its own, less large, where both fit.
    let second = text.second.map(FieldWord::text);
    let below = second.map_or(0, |_| big::rows(1) + 1);
    let (scale, lines) = big::fitting(first, across, down.saturating_sub(below), u16::MAX);
    let (scale, lines, second) = match second {
        Some(_) if scale == 0 => {
            let (scale, lines) = big::fitting(first, across, down, u16::MAX);
            (scale, lines, None)
        }
        second => (scale, lines, second),
    };
    let rows = big::height(lines.len() as u16, scale);
    let rest = down.saturating_sub(rows);
    let fitted = second.map(|second| big::fitting(second, across, rest.saturating_sub(1), scale.max(1)));
    let second_rows = fitted.as_ref().map_or(0, |(scale, lines)| big::height(lines.len() as u16, *scale) + 1);
    let mut y = rest.saturating_sub(second_rows) / 2;
    y = big::phrase(&mut pen, (2, y), scale, &lines, style);
    if let Some((scale, lines)) = fitted.filter(|_| second_rows <= rest) {
        big::phrase(&mut pen, (2, y), scale, &lines, style);
    }
}

/// Seconds and margin of a link, large.
fn what_is_left(scene: &Scene<'_>, lane: &Lane, places: &Places, buffer: &mut Buffer) {
    let theme = scene.theme;
    let mut pen = Pen::new(buffer, places.left);
    let Some(last) = pen.height().checked_sub(1) else { return };
    let Some((margin, unit)) = lane.margin_now.zip(lane.unit) else {
        if lane.state == LinkState::Silent {
            return;
        }
        let why = if lane.threshold.is_some() { None } else { reason::lane_lacks(lane) };
        let text = why.unwrap_or_else(|| "margin not known now".to_owned());
        let text = if text.starts_with("margin") { text } else { format!("margin not measured: {text}") };
        pen.paragraph(2, 0, &format!("{}: {text}", lane.link), theme.strong);
        return;
    };
    let digits = format!("{:.0}", margin.round() + 0.0);
    let seconds = lane.seconds_left.filter(|left_s| *left_s < 1_000.0).map(quantity::digits_left);
    let seconds = seconds.map(|digits| (digits, "s left".to_owned()));
    let margin = (digits, format!("{} margin", unit.difference_label()));
    let mut x = 2;
    for (digits, label) in seconds.into_iter().chain([margin]) {
        if places.scale == 0 {
            x = pen.text(x, 0, &format!("{digits} {label}"), theme.strong) + 3;
        } else {
            x = big::letters(&mut pen, (x, 0), &digits, places.scale, theme.strong);
            x = pen.text(x + 1, last, &label, theme.strong) + 4;
        }
    }
    let room = pen.width().saturating_sub(x);
    if width(&lane.link) <= room {
        pen.text(x, last, &lane.link, theme.strong);
    }
}

/// The margin on a scale that never changes, with the limits under which the link warns and alarms.
fn bar(scene: &Scene<'_>, lane: &Lane, margin: f64, unit: LevelUnit, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let scale = if unit == LevelUnit::Dbm { DECIBELS } else { UNITS };
    let mut pen = Pen::new(buffer, area);
    let (columns, rows) = (pen.width().saturating_sub(4), pen.height().saturating_sub(1));
    if columns < 20 || rows == 0 {
        return;
    }
    let column = |value: f64| (scale.place(value) * f64::from(columns - 1)).round() as u16;
    let marks: Vec<f64> = [0.0].into_iter().chain(lane.limits.into_iter().flatten()).collect();
    for x in 0..columns {
        let is_mark = marks.iter().any(|mark| column(*mark) == x);
        for row in 0..rows {
            let (glyph, style) = match (x <= column(margin), is_mark) {
                (_, true) => ('│', theme.limit),
                (true, false) => ('█', theme.strong),
                (false, false) => ('░', theme.rule),
            };
            pen.glyph(2 + x, row, glyph, style);
        }
    }
    let mut free = 0;
    for value in [scale.low].into_iter().chain(marks).chain([scale.high]) {
        let text = format!("{value:.0}");
        let x = (2 + column(value)).saturating_sub(width(&text) / 2);
        if x >= free {
            free = pen.text(x, rows, &text, theme.strong) + 1;
        }
    }
}

/// Each link's sign, name and word.
fn links(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let mut pen = Pen::new(buffer, area);
    let rows = usize::from(pen.height());
    for (row, lane) in (0..).zip(snapshot.lanes.iter().take(rows)) {
        let style = theme.of(lane.state);
        pen.text(2, row, quantity::symbol(lane.state), style);
        let x = pen.cut(4, row, &lane.link, 24, theme.strong).max(16);
        pen.text(x + 1, row, lane.state.word(), style);
    }
    let hidden = snapshot.lanes.len().saturating_sub(rows);
    if hidden > 0 && rows > 0 {
        pen.right(pen.width(), rows as u16 - 1, &format!("+{hidden}"), theme.dim);
    }
    if snapshot.lanes.is_empty() {
        pen.text(2, 0, "no links yet", theme.dim);
    }
}
