//! The lanes of the overview: one a link, over one time axis.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::snapshot::{Lane, Snapshot};
use crate::tui::widget::axis::MarkRow;
use crate::tui::widget::panel::{split_columns, split_rows};
use crate::tui::widget::pen::{Pen, width};
use crate::tui::widget::scale::Scale;
use crate::tui::widget::strip::Strip;
use crate::tui::widget::trend::{BadSide, Trend};
use crate::units::LevelUnit;
use crate::wording::{limit, quantity, reason};

use super::{GUTTER, Scene, put, time_axis, window_text};

/// Least rows of a lane.
const LEAST_ROWS: u16 = 2;
/// Most rows of a lane.
const MOST_ROWS: u16 = 14;

/// Draws the lanes with the marks above and the axis below.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let (top, rest) = split_rows(area, 1);
    let (body, axis) = split_rows(rest, rest.height.saturating_sub(1));
    heads(scene, snapshot, top, buffer);
    let (places, used) = places(snapshot.lanes.len(), body);
    for (lane, own) in snapshot.lanes.iter().zip(&places) {
        render_lane(scene, lane, *own, buffer);
    }
    let plots = split_columns(used, GUTTER, 0).1;
    MarkRow { view: snapshot.view, marks: &snapshot.marks, theme: scene.theme }.ticks(plots, buffer);
    if snapshot.lanes.is_empty() {
        Pen::new(buffer, body).paragraph(
            1,
            1,
            "no links: name them in a profile, or wait until a radio, a sender or a video stream is heard",
            scene.theme.dim,
        );
    }
    let axis = Rect { y: used.bottom().min(axis.y), ..axis };
    let hidden = snapshot.lanes.len().saturating_sub(places.len());
    if hidden > 0 {
        let text = format!("{hidden} more: make the screen taller");
        Pen::new(buffer, axis).cut(0, 0, &text, GUTTER - 2, scene.theme.dim);
    }
    time_axis(scene, snapshot, axis, buffer);
}

/// Where each lane stands that fits, and the rows that they take together.
fn places(lanes: usize, body: Rect) -> (Vec<Rect>, Rect) {
    let count = lanes.max(1) as u16;
    let fitting = (body.height / LEAST_ROWS).min(count).max(1);
    let gap = u16::from(body.height >= fitting * 6);
    let each = ((body.height + gap) / fitting).saturating_sub(gap).min(MOST_ROWS);
    let mut spare = (body.height + gap).saturating_sub(fitting * (each + gap));
    let mut left = body;
    let mut places = Vec::new();
    for _ in 0..lanes.min(usize::from(fitting)) {
        let extra = u16::from(spare > 0 && each < MOST_ROWS);
        spare -= extra;
        let (own, below) = split_rows(left, each + extra);
        places.push(own);
        left = split_rows(below, gap).1;
    }
    (places, Rect { height: body.height - left.height, ..body })
}

/// Where each lane stands within the area that [`render`] was given.
pub(super) fn touched(snapshot: &Snapshot, area: Rect) -> Vec<Rect> {
    let rest = split_rows(area, 1).1;
    places(snapshot.lanes.len(), split_rows(rest, rest.height.saturating_sub(1)).0).0
}

/// The row above the lanes: what the gutter holds, and the letters of marks.
fn heads(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let plot = split_columns(area, GUTTER, 0).1;
    put(&MarkRow { view: snapshot.view, marks: &snapshot.marks, theme: scene.theme }, plot, buffer);
    let mut pen = Pen::new(buffer, area);
    // The strips show the window, the figures of loss the session. Where no mark is near, the words may reach over the plot.
    let (window, lost) = (window_text(scene), "loss: whole session");
    let both = format!("plots {}; {lost}", window.trim_start_matches("last "));
    let whole = !scene.state.window.span_s().is_finite();
    let is_free = (GUTTER..=width(&both)).all(|x| pen.at(x, 0) == " ");
    let text = match (whole, is_free) {
        (true, _) => window.as_str(),
        (false, true) => both.as_str(),
        (false, false) => lost,
    };
    pen.text(0, 0, text, scene.theme.dim);
}

/// Edges of a level's scale are multiples of this.
const EDGE: f64 = 5.0;
/// A difference that is to be seen: it halves the power.
const SEEN_DB: f64 = 3.0;
/// Dots of a row, one above the other.
const DOTS: u32 = 4;

/// The vertical scale of a lane's levels in so many rows: the level of now, the limit and half of the levels lie within it, and
/// 3 dB are a dot where that leaves room.
pub(super) fn level_scale(lane: &Lane, rows: u16) -> Option<Scale> {
    let levels = || lane.level.iter().flatten().flat_map(|cell| [cell.min, cell.max]);
    let needed = || lane.level_now.into_iter().chain(lane.threshold.map(|limit| limit - 2.0));
    let scale = Scale::around(levels().chain(needed()), EDGE)?;
    if lane.unit != Some(LevelUnit::Dbm) {
        return Some(scale);
    }
    let mut means: Vec<f64> = lane.level.iter().flatten().map(|cell| cell.mean).collect();
    means.sort_by(f64::total_cmp);
    let half = means.get(means.len() / 2).copied();
    let keep = lane.level_now.into_iter().chain(lane.threshold).chain(half).fold(f64::NEG_INFINITY, f64::max);
    Some(scale.seen(SEEN_DB, u32::from(rows) * DOTS, EDGE, keep))
}

/// The label of a scale's upper edge with its unit; where levels lie above it, that is said.
fn top_label(lane: &Lane, scale: Scale) -> String {
    let above = lane.level.iter().flatten().any(|cell| cell.max > scale.high);
    let unit = lane.unit.map_or("", LevelUnit::label);
    format!("{}{:.0} {unit}", if above { ">" } else { "" }, scale.high).trim_end().to_owned()
}

/// The words on the line of a lane's limit; empty where it is not known.
pub(super) fn limit_text(lane: &Lane) -> String {
    let name = limit::name_of(lane.role);
    lane.threshold
        .zip(lane.unit)
        .map(|(limit, unit)| format!(" {name} {} ", quantity::level(limit, unit)))
        .unwrap_or_default()
}

fn render_lane(scene: &Scene<'_>, lane: &Lane, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let (gutter, plots) = split_columns(area, GUTTER, 0);
    let (plot, strip) = split_rows(plots, plots.height.saturating_sub(1));
    let scale = level_scale(lane, plot.height);
    words(scene, lane, scale, gutter, buffer);
    if let Some(scale) = scale {
        let limit_text = limit_text(lane);
        let trend = Trend {
            cells: &lane.level,
            limit: lane.threshold,
            bad_side: BadSide::Below,
            limit_text: &limit_text,
            frozen: &lane.frozen,
            scale,
            style: theme.level,
            theme,
        };
        put(&trend, plot, buffer);
        edge_labels(scene, lane, Some(scale), plot.height, gutter, buffer);
    } else if let Some(missing) = reason::lane_lacks(lane) {
        Pen::new(buffer, plot).paragraph(1, plot.height / 2, &missing, theme.dim);
    }
    put(&Strip { cells: &lane.loss, frozen: &lane.frozen, theme }, strip, buffer);
}

/// A rule at the right end of the gutter, and the scale's edges where there is one.
pub(super) fn edge_labels(
    scene: &Scene<'_>,
    lane: &Lane,
    scale: Option<Scale>,
    rows: u16,
    area: Rect,
    buffer: &mut Buffer,
) {
    let mut pen = Pen::new(buffer, area);
    let end = GUTTER - 1;
    for row in 0..rows {
        pen.glyph(end, row, '│', scene.theme.rule);
    }
    let Some(scale) = scale else { return };
    pen.right(end, 0, &top_label(lane, scale), scene.theme.dim);
    if rows > 2 && lane.unit.is_some() {
        pen.right(end, rows - 1, &format!("{:.0}", scale.low), scene.theme.dim);
    }
}

/// The figures at the left of a lane, the most wanted first.
fn words(scene: &Scene<'_>, lane: &Lane, scale: Option<Scale>, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let mut pen = Pen::new(buffer, area);
    let room = GUTTER - 6;
    let last = pen.height().saturating_sub(1);
    let state = theme.of(lane.state);
    let word = lane.state.word();
    pen.text(0, 0, quantity::symbol(lane.state), state);
    let label = scale.map_or(0, |scale| width(&top_label(lane, scale)));
    let head = room.min((GUTTER - 2).saturating_sub(label));
    pen.cut(2, 0, &lane.link, head.saturating_sub(3 + width(word)), theme.strong);
    pen.right(head, 0, word, state);
    let lines = figures(lane);
    let loss = if last == 1 { one_line(lane) } else { None }.unwrap_or_else(|| loss_line(lane));
    let mut row = 1;
    for (text, strong) in lines.iter().take(usize::from(last.saturating_sub(1))) {
        // Only the row of the scale's lower edge has to leave room for its label.
        let columns = if row + 1 == last { room - 2 } else { GUTTER - 4 };
        pen.cut(2, row, text, columns, if *strong { theme.strong } else { theme.base });
        row += 1;
    }
    if row == 1 && last >= 2 && lane.unit.is_none() {
        pen.cut(2, 1, "level not measured", room - 2, theme.dim);
    }
    if last > 0 {
        pen.cut(2, last, &loss, GUTTER - 2, theme.base);
    }
}

/// Level, margin and what is left, each in a line; the second says whether it is set strong.
fn figures(lane: &Lane) -> Vec<(String, bool)> {
    let mut lines = Vec::new();
    let Some(unit) = lane.unit else { return lines };
    match (lane.margin_now, lane.threshold) {
        (Some(margin), _) => lines.push((format!("margin {}", quantity::difference(margin, unit)), true)),
        (None, None) => lines.push(("margin not measured".to_owned(), false)),
        (None, Some(_)) => lines.push(("margin not known now".to_owned(), false)),
    }
    let level =
        lane.level_now.map_or_else(|| "no level now".to_owned(), |level| quantity::level(level, unit));
    let trend = lane.trend_per_s.map(|trend| quantity::trend(trend, unit)).unwrap_or_default();
    lines.push((format!("{level} {trend}").trim_end().to_owned(), false));
    // What is measured comes first: a small lane has room for one line.
    if lane.margin_now.is_none() && lane.level_now.is_some() {
        lines.swap(0, 1);
    }
    lines.extend(left_lines(lane).into_iter().map(|line| (line, true)));
    if lane.acknowledged {
        lines.push(("acknowledged".to_owned(), false));
    }
    lines
}

/// What is left, each in a line: seconds, and metres with their interval where it is known.
pub(super) fn left_lines(lane: &Lane) -> Vec<String> {
    let metres = lane.metres_left.map(|left_m| quantity::metres_left(left_m, lane.metres_left_ci95));
    match (lane.seconds_left, metres) {
        (Some(left_s), _) if left_s < 1.0 => vec![quantity::seconds_left(left_s)],
        (Some(left_s), Some(metres)) if lane.metres_left_ci95.is_none() => {
            vec![format!("{} or {metres}", quantity::seconds(left_s))]
        }
        (Some(left_s), metres) => std::iter::once(quantity::seconds_left(left_s)).chain(metres).collect(),
        (None, metres) => metres.into_iter().collect(),
    }
}

/// Loss over the session with its interval.
fn loss_line(lane: &Lane) -> String {
    match lane.loss_so_far {
        Some(loss) => {
            let [low, high] = loss.ci95.map(quantity::percent_digits);
            format!("lost {} ({low} to {high})", quantity::percent(loss.ratio))
        }
        None if lane.loss.is_empty() => "loss not measured".to_owned(),
        None => "loss: nothing received".to_owned(),
    }
}

/// Margin, else level, and loss in one line, for a lane of two rows.
fn one_line(lane: &Lane) -> Option<String> {
    let unit = lane.unit?;
    let level = lane.level_now.map(|level| quantity::level(level, unit));
    let first =
        lane.margin_now.map(|margin| format!("margin {}", quantity::difference(margin, unit))).or(level)?;
    let lost = lane.loss_so_far.map(|loss| format!(" lost {}", quantity::percent(loss.ratio)));
    Some(format!("{first}{}", lost.unwrap_or_default()))
}

#[cfg(test)]
mod tests {
    use crate::summary::RatioEstimate;
    use crate::tui::view::lane_column::*;
    use crate::units::LevelUnit;

    /// With a profile and without one the same figure: that of the session.
    #[test]
    fn loss_is_that_of_the_session() {
        let loss = RatioEstimate { ratio: 0.0007, ci95: [0.0001, 0.0054] };
        let lane = Lane { loss: vec![crate::snapshot::LossCell::default()], ..Lane::default() };
        assert_eq!(loss_line(&Lane { loss_so_far: Some(loss), ..lane.clone() }), "lost 0.07 % (0.01 to 0.5)");
        assert_eq!(loss_line(&lane), "loss: nothing received");
        assert_eq!(loss_line(&Lane::default()), "loss not measured");
    }

    /// A walk from -20 to -88 dBm: 16 rows of dots show 3 dB of it, the level of now in view.
    #[test]
    fn three_decibels_are_a_dot() {
        let cell = |mean: f64| Some(crate::snapshot::LevelCell { min: mean, mean, max: mean });
        let levels = [-21.0, -40.0, -63.0, -79.0, -85.0].map(cell);
        let lane = Lane {
            unit: Some(LevelUnit::Dbm),
            level: levels.to_vec(),
            level_now: Some(-85.0),
            threshold: Some(-86.0),
            ..Lane::default()
        };
        for rows in [4, 6, 7] {
            let scale = level_scale(&lane, rows).unwrap();
            assert!((scale.high - scale.low) / f64::from(rows * 4 - 1) <= 3.0, "{rows}: {scale:?}");
            assert!(scale.low <= -88.0 && scale.high > -85.0);
            assert_eq!(top_label(&lane, scale).starts_with('>'), rows < 7, "{rows}: {scale:?}");
        }
        assert_eq!(top_label(&lane, level_scale(&lane, 7).unwrap()), "-20 dBm");
        let back = Lane { level_now: Some(-22.0), ..lane };
        assert!(level_scale(&back, 4).unwrap().high >= -22.0);
    }

    #[test]
    fn a_lane_of_two_rows_has_its_level() {
        let lane = Lane { unit: Some(LevelUnit::Raw), level_now: Some(171.0), ..Lane::default() };
        assert_eq!(one_line(&lane).as_deref(), Some("171 units"));
        assert_eq!(figures(&lane)[0].0, "171 units");
        let near = Lane { unit: Some(LevelUnit::Dbm), margin_now: Some(2.5), ..lane };
        assert_eq!(one_line(&near).as_deref(), Some("margin 2.5 dB"));
    }

    #[test]
    fn what_is_left_is_never_nought() {
        let lane = Lane { seconds_left: Some(0.0), metres_left: Some(0.0), ..Lane::default() };
        assert_eq!(left_lines(&lane), ["less than 1 s left"]);
        let going = Lane { seconds_left: Some(8.7), metres_left: Some(17.0), ..Lane::default() };
        assert_eq!(left_lines(&going), ["8.7 s or 17 m left"]);
        let sure = Lane { metres_left_ci95: Some([3.0, 34.0]), ..going };
        assert_eq!(left_lines(&sure), ["8.7 s left", "17 m left (3 to 34)"]);
    }
}
