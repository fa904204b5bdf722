//! A level over time, with its limit drawn as a line and frozen columns tinted.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::widgets::Widget;

use crate::snapshot::LevelCell;
use crate::tui::theme::{Stroke, Theme};

use super::dots::Dots;
use super::pen::Pen;
use super::scale::{Scale, columns};

/// The part of a block that is filled, in eighths.
const EIGHTHS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// On which side of its limit a value is bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BadSide {
    /// Levels: the picture freezes below.
    Below,
    /// Vibration, intervals.
    Above,
}

/// A level over time.
#[derive(Debug)]
pub struct Trend<'a> {
    /// Levels, one a column of the window.
    pub cells: &'a [Option<LevelCell>],
    /// Its limit.
    pub limit: Option<f64>,
    /// Where it is bad.
    pub bad_side: BadSide,
    /// Words on the limit's line.
    pub limit_text: &'a str,
    /// Columns in which the picture was frozen or the input held.
    pub frozen: &'a [bool],
    /// The vertical scale.
    pub scale: Scale,
    /// Style of the level.
    pub style: Style,
    /// Colours.
    pub theme: &'a Theme,
}

impl Trend<'_> {
    fn line(&self, area: Rect, buffer: &mut Buffer) {
        let mut dots = Dots::new(area.width, area.height);
        let across = dots.across() as u16;
        let mut last: Option<f64> = None;
        for (x, part) in columns(self.cells, across).enumerate() {
            let Some(cell) = joined(part) else {
                last = None;
                continue;
            };
            // The line reaches from the mean before to this column's, and over all that it spans.
            let from = last.unwrap_or(cell.mean);
            let low = cell.min.min(from);
            let high = cell.max.max(from);
            dots.upright(x as u32, self.scale.place(low), self.scale.place(high), self.style);
            last = Some(cell.mean);
        }
        (&dots).render(area, buffer);
    }

    fn fill(&self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        let rows = area.height;
        for (x, part) in columns(self.cells, area.width).enumerate() {
            let Some(cell) = joined(part) else { continue };
            let eighths = (self.scale.place(cell.mean) * f64::from(rows) * 8.0).round().max(1.0) as u16;
            for row in 0..rows {
                let filled = eighths.saturating_sub(8 * (rows - 1 - row)).min(8);
                if filled > 0 {
                    pen.glyph(x as u16, row, EIGHTHS[usize::from(filled)], self.style);
                }
            }
        }
    }

    fn limit_line(&self, area: Rect, buffer: &mut Buffer) {
        let Some(limit) = self.limit else { return };
        let row = self.scale.row(limit, area.height);
        let mut pen = Pen::new(buffer, area);
        for x in 0..area.width {
            let free = pen.at(x, row) == " ";
            if free {
                pen.glyph(x, row, '╌', self.theme.limit);
            } else if self.theme.stroke == Stroke::Fill {
                pen.glyph(x, row, '━', self.theme.limit);
            } else {
                pen.shade(x, row, 1, self.theme.limit);
            }
        }
        let text = self.limit_text;
        let room = area.width.saturating_sub(super::pen::width(text));
        if !text.is_empty() && room > 8 {
            pen.text(1, row, text, self.theme.limit);
        }
    }

    fn ground(&self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        if let Some(limit) = self.limit {
            let row = self.scale.row(limit, area.height);
            let bad = if self.bad_side == BadSide::Below { row..area.height } else { 0..row + 1 };
            for row in bad {
                pen.shade(0, row, area.width, self.theme.tint);
            }
        }
        for (x, part) in columns(self.frozen, area.width).enumerate() {
            if part.contains(&true) {
                for row in 0..area.height {
                    pen.shade(x as u16, row, 1, self.theme.tint);
                }
            }
        }
    }
}

/// The cells of one column as one: they are drawn over each other.
fn joined(cells: &[Option<LevelCell>]) -> Option<LevelCell> {
    let mut known = cells.iter().flatten();
    let first = *known.next()?;
    Some(known.fold(first, |all, cell| LevelCell {
        min: all.min.min(cell.min),
        mean: f64::midpoint(all.mean, cell.mean),
        max: all.max.max(cell.max),
    }))
}

impl Widget for &Trend<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let area = area.intersection(buffer.area);
        if area.is_empty() {
            return;
        }
        self.ground(area, buffer);
        match self.theme.stroke {
            Stroke::Line => self.line(area, buffer),
            Stroke::Fill => self.fill(area, buffer),
        }
        self.limit_line(area, buffer);
    }
}
