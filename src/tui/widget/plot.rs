//! Points and lines over two linear axes, with labels left and below.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::widgets::Widget;

use crate::tui::theme::Theme;

use super::dots::Dots;
use super::pen::Pen;
use super::scale::Scale;

/// One series.
#[derive(Clone, Copy, Debug)]
pub struct Series<'a> {
    /// x and y.
    pub points: &'a [(f64, f64)],
    /// Neighbours are joined.
    pub joined: bool,
    /// Colour.
    pub style: Style,
}

/// A straight line across the plot.
#[derive(Clone, Copy, Debug)]
pub struct Line<'a> {
    /// Where it stands on its axis.
    pub at: f64,
    /// What it is.
    pub text: &'a str,
    /// Colour.
    pub style: Style,
}

/// Points and lines over two axes.
#[derive(Debug)]
pub struct Plot<'a> {
    /// Horizontal scale.
    pub x: Scale,
    /// Vertical scale.
    pub y: Scale,
    /// Unit behind the last horizontal label.
    pub x_unit: &'a str,
    /// Columns left of the plot for vertical labels.
    pub gutter: u16,
    /// How a vertical value is written.
    pub y_label: fn(f64) -> String,
    /// Series, the last on top.
    pub series: &'a [Series<'a>],
    /// Horizontal lines.
    pub across: &'a [Line<'a>],
    /// Vertical lines.
    pub upright: &'a [Line<'a>],
    /// Colours.
    pub theme: &'a Theme,
}

impl Plot<'_> {
    fn dots(&self, area: Rect) -> Dots {
        let mut dots = Dots::new(area.width, area.height);
        for series in self.series {
            let places: Vec<(f64, f64)> =
                series.points.iter().map(|&(x, y)| (self.x.place(x), self.y.place(y))).collect();
            if series.joined {
                for pair in places.windows(2) {
                    dots.line(pair[0], pair[1], series.style);
                }
            }
            for &(x, y) in &places {
                dots.point(x, y, series.style);
            }
        }
        dots
    }

    fn lines(&self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        let (columns, rows) = (pen.width(), pen.height());
        for line in self.across.iter().filter(|line| within(&self.y, line.at)) {
            let row = self.y.row(line.at, rows);
            for x in 0..columns {
                if pen.at(x, row) == " " {
                    pen.glyph(x, row, '╌', line.style);
                }
            }
            let wide = super::pen::width(line.text);
            let clear = (1..columns.saturating_sub(wide)).find(|&x| is_clear(&pen, x, x + wide, row));
            pen.text(clear.unwrap_or(1), row, line.text, line.style);
        }
        for line in self.upright.iter().filter(|line| within(&self.x, line.at)) {
            let x = (self.x.place(line.at) * f64::from(columns.saturating_sub(1))).round() as u16;
            for y in 0..rows {
                if pen.at(x, y) == " " || pen.at(x, y) == "╌" {
                    pen.glyph(x, y, '╎', line.style);
                }
            }
            let wide = super::pen::width(line.text);
            // Beside its line where nothing stands yet, the first row that is free, right before left.
            let at_right = |row: u16| x + 1 + wide <= columns && is_clear(&pen, x + 1, x + 1 + wide, row);
            let at_left = |row: u16| x >= wide && is_clear(&pen, x - wide, x, row);
            if let Some(row) = (0..rows).find(|&row| at_right(row)) {
                pen.text(x + 1, row, line.text, line.style);
            } else if let Some(row) = (0..rows).find(|&row| at_left(row)) {
                pen.right(x, row, line.text, line.style);
            }
        }
    }

    fn labels(&self, area: Rect, rows: u16, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        let gutter = self.gutter;
        if gutter > 0 && rows > 0 {
            let middle = f64::midpoint(self.y.low, self.y.high);
            let mut shown = vec![(0, self.y.high), (rows - 1, self.y.low)];
            if rows > 6 {
                shown.push((rows / 2, middle));
            }
            for (row, value) in shown {
                pen.right(gutter - 1, row, &(self.y_label)(value), self.theme.dim);
            }
            for row in 0..rows {
                pen.glyph(gutter - 1, row, '│', self.theme.rule);
            }
        }
        let bottom =
            Rect { x: area.x + gutter.min(area.width), width: area.width.saturating_sub(gutter), ..area };
        let mut pen = Pen::new(buffer, bottom);
        if self.x.low.abs() < 1e-9 {
            super::histogram::number_axis(&mut pen, rows, self.x.high, self.x_unit, self.theme);
        } else {
            pen.text(0, rows, &format!("{:.0}", self.x.low), self.theme.dim);
            let columns = pen.width();
            pen.right(columns, rows, &format!("{:.0} {}", self.x.high, self.x_unit), self.theme.dim);
        }
    }
}

/// Whether a stretch of a row, and a column about it, holds nothing but lines that a text may interrupt.
fn is_clear(pen: &Pen<'_>, from: u16, to: u16, row: u16) -> bool {
    (from..to).all(|x| matches!(pen.at(x, row), " " | "╌")) && matches!(pen.at(to, row), " " | "╌" | "╎" | "")
}

fn within(scale: &Scale, value: f64) -> bool {
    value >= scale.low && value <= scale.high
}

impl Widget for &Plot<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let area = area.intersection(buffer.area);
        if area.width <= self.gutter || area.height < 2 {
            return;
        }
        let rows = area.height - 1;
        let inner = Rect { x: area.x + self.gutter, width: area.width - self.gutter, height: rows, ..area };
        (&self.dots(inner)).render(inner, buffer);
        self.lines(inner, buffer);
        self.labels(area, rows, buffer);
    }
}
