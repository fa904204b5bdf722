//! The vehicle's way from above: north up, metres from the handset, coloured by the link's level.

use super::svg_chart::{Chart, DIM, Frame, INK, LIMIT, Picture, SCALE, Side, draw, round_up};
use crate::snapshot::{RangeView, TrackPoint};
use crate::units::LevelUnit;
use crate::wording::{page_words, quantity};

const WIDTH: u32 = 720;
/// Where the ground is drawn, and how high it may be.
const ACROSS: [i32; 2] = [12, 708];
const TOP: i32 = 12;
const HIGHEST: i32 = 400;
const LOWEST: i32 = 160;
/// The map shows at least this much ground.
const LEAST_M: f64 = 10.0;

/// Edges of the steps from weak to strong, equal steps between the least and the highest level; `None` without levels.
#[derive(Clone, Copy, Debug)]
struct Steps {
    low: f64,
    high: f64,
}

impl Steps {
    fn of(track: &[TrackPoint]) -> Option<Self> {
        let levels = track.iter().filter_map(|point| point.level);
        let (low, high) = levels
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), level| (low.min(level), high.max(level)));
        (low <= high).then(|| Self { low: low.floor(), high: high.ceil().max(low.floor() + 6.0) })
    }

    fn step(self, level: f64) -> usize {
        let share = (level - self.low) / (self.high - self.low) * SCALE.len() as f64;
        (share.max(0.0) as usize).min(SCALE.len() - 1)
    }

    fn edge(self, step: usize) -> f64 {
        self.low + (self.high - self.low) * step as f64 / SCALE.len() as f64
    }
}

/// The link's map; `None` where the vehicle's place was never known.
pub(crate) fn picture(view: &RangeView, unit: LevelUnit, name: String) -> Option<Picture> {
    let places = || view.track.iter().map(|point| [point.east_m, point.north_m]);
    places().next()?;
    let handset = view.handset_known.then_some([0.0, 0.0]);
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for place in places().chain(handset) {
        for axis in 0..2 {
            low[axis] = low[axis].min(place[axis]);
            high[axis] = high[axis].max(place[axis]);
        }
    }
    let span = [0, 1].map(|axis: usize| 1.08 * (high[axis] - low[axis]).max(LEAST_M));
    let middle = [0, 1].map(|axis: usize| f64::midpoint(low[axis], high[axis]));
    let wide = f64::from(ACROSS[1] - ACROSS[0]);
    let tall = (wide * span[1] / span[0]).clamp(f64::from(LOWEST), f64::from(HIGHEST));
    // The same both ways, so that no direction is drawn out.
    let metre = (wide / span[0]).min(tall / span[1]);
    let held = [wide, tall].map(|pixels| pixels / metre / 2.0);
    let bottom = TOP + tall as i32;
    let frame = Frame {
        size: (WIDTH, (bottom + 62) as u32),
        across: ACROSS,
        down: [TOP, bottom],
        x: [middle[0] - held[0], middle[0] + held[0]],
        y: [middle[1] - held[1], middle[1] + held[1]],
    };
    let steps = Steps::of(&view.track);
    let title = page_words::map_title(view, steps.map(|steps| [steps.low, steps.high]), unit);
    Some(draw(name, title, frame, &mut |chart| {
        let line: Vec<(f64, f64)> = places().map(|[east, north]| (east, north)).collect();
        chart.line(&line, DIM, 1);
        // The weakest last, so that nothing hides it.
        let mut points: Vec<&TrackPoint> = view.track.iter().collect();
        points.sort_by(|one, other| {
            other.level.unwrap_or(f64::INFINITY).total_cmp(&one.level.unwrap_or(f64::INFINITY))
        });
        for point in &points {
            let colour = point.level.zip(steps).map_or(DIM, |(level, steps)| SCALE[steps.step(level)]);
            chart.dot((point.east_m, point.north_m), 4, colour);
        }
        for point in points.iter().filter(|point| point.failed) {
            let (x, y) = chart.pixel((point.east_m, point.north_m));
            chart.path(vec![(x - 5, y - 5), (x + 5, y + 5)], LIMIT, 2);
            chart.path(vec![(x - 5, y + 5), (x + 5, y - 5)], LIMIT, 2);
        }
        if handset.is_some() {
            let (x, y) = chart.pixel((0.0, 0.0));
            chart.ring((x, y), 8, INK);
            chart.text((x + 13, y), page_words::HANDSET, INK, Side::Left);
        }
        legend(chart, metre, steps.map(|steps| (steps, unit)), bottom);
    }))
}

/// The arrow to the north, a scale of length, and one of levels.
fn legend(chart: &Chart<'_>, metre: f64, steps: Option<(Steps, LevelUnit)>, bottom: i32) {
    let x = ACROSS[1] - 14;
    chart.path(vec![(x, TOP + 46), (x, TOP + 12)], INK, 2);
    chart.shape(vec![(x - 6, TOP + 16), (x, TOP + 4), (x + 6, TOP + 16)], INK);
    chart.text((x, TOP + 58), page_words::NORTH, INK, Side::Middle);
    let length_m = round_up(130.0 / metre / 2.0);
    let (left, y) = (ACROSS[0] + 4, bottom + 18);
    let right = left + (length_m * metre).round() as i32;
    for x in [left, right] {
        chart.path(vec![(x, y - 6), (x, y + 6)], INK, 2);
    }
    chart.path(vec![(left, y), (right, y)], INK, 2);
    let length = if length_m < 1.0 { format!("{length_m} m") } else { quantity::metres(length_m) };
    chart.text((left, y + 24), &length, INK, Side::Left);
    let Some((steps, unit)) = steps else { return };
    let (from, width) = (ACROSS[1] - 60 * SCALE.len() as i32, 60);
    for (place, colour) in (0..).zip(SCALE) {
        let left = from + width * place;
        chart.block([(left, y - 8), (left + width - 2, y + 8)], colour, 1.0);
        // Every second edge, so that large letters have room.
        if place % 2 == 0 {
            let edge = format!("{:.0}", steps.edge(place as usize));
            chart.text((left, y + 24), &edge, DIM, Side::Left);
        }
    }
    chart.text((ACROSS[1], y + 24), &format!("{:.0} {}", steps.high, unit.label()), DIM, Side::Right);
}
