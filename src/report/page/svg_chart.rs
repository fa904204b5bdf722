//! A chart as SVG: a frame with axes, and what is drawn in it in the axes' units.
//!
//! Colours are those of a light page. On a dark one a style sheet gives each of them its counterpart, by the colour that
//! stands in the drawing ([`dark_style`]): a picture alone and the same picture in a page are one drawing.

use std::fmt::Write as _;

use plotters::coord::types::RangedCoordf64;
use plotters::coord::{CoordTranslate as _, Shift};
use plotters::prelude::{
    Cartesian2d, Circle, Color as _, DrawingArea, IntoDrawingArea as _, PathElement, Polygon, RGBColor,
    Rectangle, SVGBackend, Text,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontFamily, TextStyle};

use super::markup::escaped;

/// Words and axes.
pub(crate) const INK: RGBColor = RGBColor(0x1f, 0x23, 0x28);
/// Labels.
pub(crate) const DIM: RGBColor = RGBColor(0x57, 0x60, 0x6a);
/// Lines of the grid.
pub(crate) const GRID: RGBColor = RGBColor(0xd0, 0xd7, 0xde);
/// Levels; the first of several series.
pub(crate) const LEVEL: RGBColor = RGBColor(0x0b, 0x62, 0xc4);
/// What is lost; the second.
pub(crate) const LOSS: RGBColor = RGBColor(0xb3, 0x4f, 0x00);
/// What is good; the third.
pub(crate) const GOOD: RGBColor = RGBColor(0x1a, 0x7f, 0x37);
/// Limits, alarms, failures.
pub(crate) const LIMIT: RGBColor = RGBColor(0xc0, 0x1c, 0x28);
/// Frozen, held.
pub(crate) const FROZEN: RGBColor = RGBColor(0x8a, 0x3f, 0xb0);
/// Warnings.
pub(crate) const WARNING: RGBColor = RGBColor(0x8a, 0x65, 0x00);
/// From weak to strong.
pub(crate) const SCALE: [RGBColor; 6] = [
    RGBColor(0x7f, 0x1d, 0x5a),
    RGBColor(0xb0, 0x41, 0x3e),
    RGBColor(0xb0, 0x6a, 0x1c),
    RGBColor(0x76, 0x80, 0x20),
    RGBColor(0x24, 0x8a, 0x6e),
    RGBColor(0x1b, 0x6f, 0xa8),
];

/// Each colour with its counterpart on a dark page.
const DARK: [(RGBColor, &str); 15] = [
    (INK, "#e6edf3"),
    (DIM, "#9da7b3"),
    (GRID, "#30363d"),
    (LEVEL, "#6cb6ff"),
    (LOSS, "#f0883e"),
    (GOOD, "#57c26b"),
    (LIMIT, "#ff7b72"),
    (FROZEN, "#d2a8ff"),
    (WARNING, "#e3b341"),
    (SCALE[0], "#e38bc4"),
    (SCALE[1], "#ff938a"),
    (SCALE[2], "#f2b25c"),
    (SCALE[3], "#d3da6e"),
    (SCALE[4], "#6ddfbd"),
    (SCALE[5], "#7cc7ff"),
];

/// The rules of a style sheet that turn a drawing's colours into those of a dark page.
pub(crate) fn dark_style() -> String {
    let mut style = String::new();
    for (RGBColor(red, green, blue), dark) in DARK {
        let light = format!("#{red:02X}{green:02X}{blue:02X}");
        for what in ["fill", "stroke"] {
            let _ = writeln!(style, "svg [{what}=\"{light}\"] {{ {what}: {dark}; }}");
        }
    }
    style
}

/// Height of letters; a page's style sheet may set another.
const LETTERS: f64 = 15.0;
/// The backend writes the size of letters divided by this.
const EM: f64 = 1.24;

/// A finished chart.
#[derive(Clone, Debug)]
pub(crate) struct Picture {
    /// For its file: letters, digits and dashes.
    pub(crate) name: String,
    title: String,
    /// The `viewBox`.
    size: (u32, u32),
    /// All inside the outermost element.
    drawing: String,
}

impl Picture {
    /// What it shows.
    pub(crate) fn title(&self) -> &str {
        &self.title
    }

    /// Within a page.
    pub(crate) fn inline(&self) -> String {
        self.written("", "")
    }

    /// A file of its own, on white ground.
    pub(crate) fn alone(&self) -> String {
        let (width, height) = self.size;
        let head = format!(" xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\"");
        self.written(&head, "<rect width=\"100%\" height=\"100%\" fill=\"#FFFFFF\"/>\n")
    }

    fn written(&self, head: &str, ground: &str) -> String {
        let ((width, height), title) = (self.size, escaped(&self.title));
        let open =
            format!("<svg{head} viewBox=\"0 0 {width} {height}\" role=\"img\" aria-label=\"{title}\">");
        format!("{open}\n<title>{title}</title>\n{ground}{}", self.drawing)
    }
}

/// Where a chart's axes lie, and what they hold.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Frame {
    /// Width and height of the whole.
    pub(crate) size: (u32, u32),
    /// Left and right edge.
    pub(crate) across: [i32; 2],
    /// Upper and lower edge.
    pub(crate) down: [i32; 2],
    /// Values at the left and the right edge.
    pub(crate) x: [f64; 2],
    /// Values at the lower and the upper edge.
    pub(crate) y: [f64; 2],
}

/// Which side of a text its place is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Side {
    Left,
    Middle,
    Right,
}

/// A chart that is being drawn.
pub(crate) struct Chart<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
    plane: Cartesian2d<RangedCoordf64, RangedCoordf64>,
    pub(crate) frame: Frame,
}

/// Draws a chart; its title is what it says to those who cannot see it.
pub(crate) fn draw(
    name: String,
    title: String,
    frame: Frame,
    paint: &mut dyn FnMut(&mut Chart<'_>),
) -> Picture {
    let mut text = String::new();
    {
        let area = SVGBackend::with_string(&mut text, frame.size).into_drawing_area();
        let (across, down) = (frame.across, frame.down);
        let pixels = (across[0]..across[1], down[1]..down[0]);
        let plane = Cartesian2d::new(frame.x[0]..frame.x[1], frame.y[0]..frame.y[1], pixels);
        let mut chart = Chart { area, plane, frame };
        paint(&mut chart);
        let _ = chart.area.present();
    }
    let drawing = text.split_once(">\n").map_or(String::new(), |(_, inner)| inner.to_owned());
    Picture { name, title, size: frame.size, drawing }
}

// A drawing in memory cannot fail: what the backend returns is left aside.
impl Chart<'_> {
    /// The pixel of a value, held within the frame.
    pub(crate) fn pixel(&self, (x, y): (f64, f64)) -> (i32, i32) {
        let Frame { x: [left, right], y: [low, high], .. } = self.frame;
        self.plane.translate(&(x.clamp(left, right), y.clamp(low, high)))
    }

    /// A line through values.
    pub(crate) fn line(&self, points: &[(f64, f64)], colour: RGBColor, width: u32) {
        let pixels: Vec<_> = points.iter().map(|point| self.pixel(*point)).collect();
        self.path(pixels, colour, width);
    }

    /// A line through pixels.
    pub(crate) fn path(&self, pixels: Vec<(i32, i32)>, colour: RGBColor, width: u32) {
        if pixels.len() > 1 {
            let _ = self.area.draw(&PathElement::new(pixels, colour.stroke_width(width)));
        }
    }

    /// The ground between two lines.
    pub(crate) fn band(&self, low: &[(f64, f64)], high: &[(f64, f64)], colour: RGBColor) {
        let around = low.iter().chain(high.iter().rev());
        let pixels: Vec<_> = around.map(|point| self.pixel(*point)).collect();
        let _ = self.area.draw(&Polygon::new(pixels, colour.mix(0.22)));
    }

    /// A shape of pixels.
    pub(crate) fn shape(&self, pixels: Vec<(i32, i32)>, colour: RGBColor) {
        let _ = self.area.draw(&Polygon::new(pixels, colour));
    }

    /// A rectangle of pixels.
    pub(crate) fn block(&self, [from, to]: [(i32, i32); 2], colour: RGBColor, strength: f64) {
        let _ = self.area.draw(&Rectangle::new([from, to], colour.mix(strength).filled()));
    }

    /// A stretch of the horizontal axis over the whole height.
    pub(crate) fn stretch(&self, [from, to]: [f64; 2], colour: RGBColor, strength: f64) {
        let (left, right) = (self.pixel((from, 0.0)).0, self.pixel((to, 0.0)).0);
        let [top, bottom] = self.frame.down;
        self.block([(left, top), (right.max(left + 1), bottom)], colour, strength);
    }

    /// A dot at a value.
    pub(crate) fn dot(&self, point: (f64, f64), radius: i32, colour: RGBColor) {
        let _ = self.area.draw(&Circle::new(self.pixel(point), radius, colour.filled()));
    }

    /// A ring at a pixel.
    pub(crate) fn ring(&self, pixel: (i32, i32), radius: i32, colour: RGBColor) {
        let _ = self.area.draw(&Circle::new(pixel, radius, colour.stroke_width(3)));
    }

    /// A text whose `side` is at a pixel, in the middle of its height.
    pub(crate) fn text(&self, pixel: (i32, i32), text: &str, colour: RGBColor, side: Side) {
        let across = match side {
            Side::Left => HPos::Left,
            Side::Middle => HPos::Center,
            Side::Right => HPos::Right,
        };
        let style = TextStyle::from((FontFamily::SansSerif, LETTERS * EM));
        let style = style.color(&colour).pos(Pos::new(across, VPos::Center));
        // The backend escapes it.
        let _ = self.area.draw(&Text::new(text, pixel, style));
    }

    /// An upright line with its name at the upper edge.
    pub(crate) fn upright(&self, at: f64, name: &str, row: i32, colour: RGBColor) {
        let [top, bottom] = self.frame.down;
        let x = self.pixel((at, self.frame.y[0])).0;
        self.path(vec![(x, top), (x, bottom)], colour, 2);
        let is_right = x > i32::midpoint(self.frame.across[0], self.frame.across[1]);
        let (x, side) = if is_right { (x - 6, Side::Right) } else { (x + 6, Side::Left) };
        self.text((x, top + 10 + 18 * row), name, colour, side);
    }

    /// A level line over the whole width.
    pub(crate) fn across(&self, at: f64, colour: RGBColor) {
        let [left, right] = self.frame.x;
        self.line(&[(left, at), (right, at)], colour, 2);
    }

    /// Lines of the grid with their labels at the left, at most so many steps.
    pub(crate) fn y_axis(&self, most: f64, label: &dyn Fn(f64) -> String) {
        let [low, high] = self.frame.y;
        for value in ticks([low, high], tick_step((high - low) / most)) {
            let (left, y) = self.pixel((self.frame.x[0], value));
            self.path(vec![(left, y), (self.frame.across[1], y)], GRID, 1);
            self.text((left - 6, y), &label(value), DIM, Side::Right);
        }
    }

    /// The unit of what stands at the left, above it.
    pub(crate) fn unit(&self, unit: &str) {
        self.text((2, 12), unit, DIM, Side::Left);
    }

    /// Labels under the frame at every `step`, so far under its lower edge.
    pub(crate) fn x_axis(&self, step: f64, under: i32, label: &dyn Fn(f64) -> String) {
        let [left, right] = self.frame.across;
        let bottom = self.frame.down[1];
        for value in ticks(self.frame.x, step) {
            let x = self.pixel((value, self.frame.y[0])).0;
            self.path(vec![(x, self.frame.down[0]), (x, bottom)], GRID, 1);
            let text = label(value);
            let half = 5 * text.chars().count() as i32;
            let (x, side) = if x + half > right {
                (right + 6, Side::Right)
            } else if x - half < left {
                (left - 6, Side::Left)
            } else {
                (x, Side::Middle)
            };
            self.text((x, bottom + under), &text, DIM, side);
        }
        self.path(vec![(left, bottom), (right, bottom)], DIM, 1);
    }
}

/// A round number at or above a positive one: 1, 2 or 5 times a power of ten.
pub(crate) fn round_up(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let power = 10.0_f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0].map(|step| step * power).into_iter().find(|step| *step >= value).unwrap_or(10.0 * power)
}

/// The same between labels: 2.5 times a power of ten too, where that is a whole number.
fn tick_step(least: f64) -> f64 {
    let step = round_up(least);
    let half = step / 2.0;
    if half >= least && half >= 10.0 { half } else { step }
}

/// Seconds between labels of a span of time.
pub(crate) fn time_step(span_s: f64) -> f64 {
    const STEPS: [f64; 14] =
        [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0];
    let least = span_s / 7.0;
    let hours = || (least / 14_400.0).ceil() * 14_400.0;
    STEPS.into_iter().find(|step| *step >= least).unwrap_or_else(hours)
}

/// The multiples of a step within a span; never more than can be read.
fn ticks([low, high]: [f64; 2], step: f64) -> Vec<f64> {
    let first = (low / step - 1e-9).ceil();
    (0..40)
        .map(|number| (first + f64::from(number)) * step)
        .take_while(|value| *value <= high + step * 1e-9)
        .collect()
}

/// A span that holds all values, its edges on round numbers; `None` without values.
pub(crate) fn around(values: impl Iterator<Item = f64>, least: f64) -> Option<[f64; 2]> {
    let (low, high) = values
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    if low > high {
        return None;
    }
    let step = round_up((high - low).max(least) / 5.0);
    let (low, high) = ((low / step).floor() * step, (high / step).ceil() * step);
    Some([low, if high > low { high } else { low + step }])
}

#[cfg(test)]
mod tests {
    use crate::report::page::svg_chart::*;

    #[test]
    fn axes_are_round() {
        assert_eq!([0.9, 1.0, 1.1, 30.0, 51.0, -1.0].map(round_up), [1.0, 1.0, 2.0, 50.0, 100.0, 1.0]);
        assert_eq!(ticks([-90.0, -60.0], 10.0), [-90.0, -80.0, -70.0, -60.0]);
        assert_eq!([24.0, 26.0, 4.5, 0.24].map(tick_step), [25.0, 50.0, 5.0, 0.5]);
        assert_eq!(around([-88.0, f64::NAN, -63.0].into_iter(), 10.0), Some([-90.0, -60.0]));
        assert_eq!(around(std::iter::empty(), 10.0), None);
        assert_eq!([60.0, 290.0, 86_400.0].map(time_step), [10.0, 60.0, 14_400.0]);
    }

    /// Relative luminance and contrast by WCAG 2.2; 4.5 for text, 3 for what is drawn.
    #[test]
    fn every_colour_can_be_told_from_its_ground() {
        let luminance = |rgb: [u8; 3]| {
            let linear = rgb.map(|part| {
                let part = f64::from(part) / 255.0;
                if part <= 0.040_45 { part / 12.92 } else { ((part + 0.055) / 1.055).powf(2.4) }
            });
            0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
        };
        let contrast = |one: [u8; 3], other: [u8; 3]| {
            let (one, other) = (luminance(one), luminance(other));
            (one.max(other) + 0.05) / (one.min(other) + 0.05)
        };
        let parsed = |text: &str| [1, 3, 5].map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap());
        assert!((contrast([0; 3], [255; 3]) - 21.0).abs() < 1e-9, "WCAG: black on white is 21");
        for (light, dark) in DARK {
            // What is written in it needs more; a grid is no figure.
            let least = match light {
                GRID => 1.1,
                _ if SCALE.contains(&light) => 3.0,
                _ => 4.5,
            };
            let RGBColor(red, green, blue) = light;
            assert!(contrast([red, green, blue], [255; 3]) >= least, "{light:?} on white");
            assert!(contrast(parsed(dark), [0x0d, 0x11, 0x17]) >= least, "{dark} on dark");
        }
    }
}
