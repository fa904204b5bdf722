//! What went on over the time of a session: each link's level, loss, frozen stretches and warnings; vibration.
//!
//! All share one axis of time, the whole session, in the columns of one picture.

use plotters::prelude::RGBColor;

use super::svg_chart::{
    Chart, DIM, FROZEN, Frame, GOOD, GRID, LEVEL, LIMIT, LOSS, Picture, Side, WARNING, around, draw,
    time_step,
};
use crate::snapshot::{Lane, LevelCell, LossCell, Snapshot, View};
use crate::summary::{Event, MarginChange};
use crate::wording::{page_words, quantity};

const WIDTH: u32 = 720;
const ACROSS: [i32; 2] = [56, 712];
/// Loss of this share fills the bar: more than that is as good as silence.
const MOST_LOSS: f64 = 0.5;
/// Height of the bars of loss.
const BARS: i32 = 30;

/// The link's chart; `None` where neither a level nor traffic was seen of it.
pub(crate) fn lane(picture: &Snapshot, lane: &Lane, name: String) -> Option<Picture> {
    let levels = lane.level.iter().flatten().flat_map(|cell| [cell.min, cell.max]);
    let scale = around(levels.chain(lane.threshold), 10.0).filter(|_| lane.level.iter().any(Option::is_some));
    let has_traffic = lane.loss.iter().any(|cell| cell.received > 0);
    if scale.is_none() && !has_traffic {
        return None;
    }
    let view = picture.view;
    // Where a part is absent the other takes its room.
    let bars = match (scale.is_some(), has_traffic) {
        (true, true) => [172, 172 + BARS],
        (true, false) => [164, 164],
        (false, _) => [26, 26 + BARS],
    };
    let down = if scale.is_some() { [36, 164] } else { bars };
    let (x, y) = ([view.from_s, view.to_s], scale.unwrap_or([0.0, 1.0]));
    let frame = Frame { size: (WIDTH, (bars[1] + 28) as u32), across: ACROSS, down, x, y };
    Some(draw(name, page_words::lane_title(lane, &picture.summary), frame, &mut |chart| {
        frozen(chart, lane, view, bars);
        time_axis(chart, view, bars[1] + 16 - down[1]);
        if scale.is_some() {
            chart.y_axis(5.0, &|level| format!("{level:.0}"));
            chart.unit(lane.unit.unwrap_or_default().label());
            let edges = |cell: LevelCell| [cell.min, cell.mean, cell.max];
            let cells: Vec<_> = lane.level.iter().map(|cell| cell.map(edges)).collect();
            banded(chart, &cells, view);
            if let Some(limit) = lane.threshold {
                chart.across(limit, LIMIT);
            }
        }
        if has_traffic {
            loss(chart, &lane.loss, view, bars);
        }
        warnings(chart, picture, lane);
    }))
}

fn time_axis(chart: &Chart<'_>, view: View, under: i32) {
    chart.x_axis(time_step(view.to_s - view.from_s), under, &quantity::clock);
}

/// Neighbours that are alike, as the columns that they take.
fn runs<T: PartialEq>(cells: &[T]) -> impl Iterator<Item = (usize, &T, usize)> {
    let mut from = 0;
    cells.chunk_by(|one, other| one == other).map(move |run| {
        let first = from;
        from += run.len();
        (first, &run[0], from)
    })
}

fn span_s(view: View, from: usize, to: usize) -> [f64; 2] {
    [from, to].map(|column| view.from_s + view.column_s() * column as f64)
}

fn frozen(chart: &Chart<'_>, lane: &Lane, view: View, [_, low]: [i32; 2]) {
    for (from, _, to) in runs(&lane.frozen).filter(|(_, is_frozen, _)| **is_frozen) {
        let [left, right] = span_s(view, from, to).map(|at| chart.pixel((at, 0.0)).0);
        chart.block([(left, chart.frame.down[0]), (right.max(left + 2), low)], FROZEN, 0.35);
    }
}

/// A line of means in a band from the least to the most; cells that nothing is known of part it.
fn banded(chart: &Chart<'_>, cells: &[Option<[f64; 3]>], view: View) {
    let mut from = 0;
    for part in cells.chunk_by(|one, other| one.is_some() == other.is_some()) {
        let at = |place: usize| view.from_s + view.column_s() * ((from + place) as f64 + 0.5);
        let line = |which: usize| -> Vec<(f64, f64)> {
            part.iter().enumerate().filter_map(|(place, cell)| Some((at(place), (*cell)?[which]))).collect()
        };
        match *line(1) {
            [] => {}
            [alone] => chart.dot(alone, 2, LEVEL),
            _ => {
                chart.band(&line(0), &line(2), LEVEL);
                chart.line(&line(1), LEVEL, 2);
            }
        }
        from += part.len();
    }
}

/// What a column of loss looks like: its colour, and its height in pixels.
fn bar(cell: &LossCell) -> Option<(RGBColor, i32)> {
    if cell.host_drop {
        return Some((DIM, BARS));
    }
    if cell.outage {
        return Some((LIMIT, BARS));
    }
    let ratio = cell.ratio().filter(|ratio| *ratio > 0.0)?;
    Some((LOSS, ((ratio / MOST_LOSS).min(1.0).sqrt() * f64::from(BARS)).round().max(2.0) as i32))
}

fn loss(chart: &Chart<'_>, cells: &[LossCell], view: View, [top, bottom]: [i32; 2]) {
    let [left, right] = ACROSS;
    chart.path(vec![(left, bottom), (right, bottom)], DIM, 1);
    let bars: Vec<_> = cells.iter().map(bar).collect();
    for (from, bar, to) in runs(&bars) {
        let Some((colour, height)) = *bar else { continue };
        let [left, right] = span_s(view, from, to).map(|at| chart.pixel((at, 0.0)).0);
        chart.block([(left, bottom - height.min(bottom - top)), (right.max(left + 1), bottom)], colour, 1.0);
    }
    chart.text((left - 6, i32::midpoint(top, bottom)), page_words::LOST, DIM, Side::Right);
}

/// Triangles where a warning began, diamonds where an alarm did.
fn warnings(chart: &Chart<'_>, picture: &Snapshot, lane: &Lane) {
    for mark in picture.marks.iter().filter(|mark| mark.link.as_deref() == Some(&lane.link)) {
        let Event::Margin { change, .. } = mark.event else { continue };
        let x = chart.pixel((mark.at_s, 0.0)).0;
        match change {
            MarginChange::Warning => chart.shape(vec![(x - 6, 18), (x, 6), (x + 6, 18)], WARNING),
            MarginChange::Alarm => chart.shape(vec![(x - 7, 12), (x, 4), (x + 7, 12), (x, 20)], LIMIT),
            MarginChange::Cleared => {}
        }
    }
}

/// Where the vehicle was in its life; `None` where no autopilot was heard.
pub(crate) fn phases(picture: &Snapshot, name: String) -> Option<Picture> {
    let phases = &picture.summary.phases;
    if phases.is_empty() {
        return None;
    }
    let view = picture.view;
    let (x, y) = ([view.from_s, view.to_s], [0.0, 1.0]);
    let frame = Frame { size: (WIDTH, 34), across: ACROSS, down: [6, 28], x, y };
    let title = page_words::phases_title(&picture.summary);
    Some(draw(name, title, frame, &mut |chart| {
        let ends = phases.iter().skip(1).map(|phase| phase.from_s).chain([view.to_s]);
        for (phase, to_s) in phases.iter().zip(ends) {
            let (left, right) = (chart.pixel((phase.from_s, 0.0)).0, chart.pixel((to_s, 0.0)).0);
            chart.block([(left, 6), (right, 28)], GRID, 0.6);
            chart.path(vec![(left, 6), (left, 28)], DIM, 1);
            let word = phase.phase.word();
            if right - left > 10 + 13 * word.len() as i32 {
                chart.text((left + 5, 17), word, super::svg_chart::INK, Side::Left);
            }
        }
    }))
}

/// The worst of each column, of the three axes.
pub(crate) fn vibration(picture: &Snapshot, name: String) -> Option<Picture> {
    let vibration = &picture.vibration;
    let values = || vibration.axes.iter().flatten().flatten().copied();
    values().next()?;
    let scale = around(values().chain(vibration.limit).chain([0.0]), 5.0)?;
    let view = picture.view;
    let x = [view.from_s, view.to_s];
    let frame = Frame { size: (WIDTH, 214), across: ACROSS, down: [12, 180], x, y: scale };
    Some(draw(name, page_words::vibration_title(picture), frame, &mut |chart| {
        for (at_s, _) in &vibration.around {
            chart.stretch([*at_s, *at_s], FROZEN, 0.8);
        }
        time_axis(chart, view, 18);
        chart.y_axis(4.0, &|value| format!("{value:.0}"));
        for (axis, colour) in vibration.axes.iter().zip([LEVEL, LOSS, GOOD]) {
            let at = |column: usize| view.from_s + view.column_s() * (column as f64 + 0.5);
            let points: Vec<(f64, f64)> =
                axis.iter().enumerate().filter_map(|(column, value)| Some((at(column), (*value)?))).collect();
            chart.line(&points, colour, 2);
        }
        if let Some(limit) = vibration.limit {
            chart.across(limit, LIMIT);
        }
    }))
}
