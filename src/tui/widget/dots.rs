//! A fine canvas: two by four dots a cell, in Braille patterns (Unicode U+2800).

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::widgets::Widget;

use super::pen::Pen;

/// Bits of a Braille pattern by dot row, left and right.
const BITS: [[u8; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

/// Dots that are drawn over what stands in the area already.
#[derive(Clone, Debug)]
pub struct Dots {
    width: u16,
    height: u16,
    cells: Vec<(u8, Style)>,
}

impl Dots {
    /// No dots yet, for an area of so many columns and rows.
    #[must_use]
    pub fn new(width: u16, height: u16) -> Self {
        Self { width, height, cells: vec![(0, Style::new()); usize::from(width) * usize::from(height)] }
    }

    /// Dots across.
    #[must_use]
    pub const fn across(&self) -> u32 {
        self.width as u32 * 2
    }

    /// Dots down.
    #[must_use]
    pub const fn down(&self) -> u32 {
        self.height as u32 * 4
    }

    /// Sets a dot; the cell takes the style of the last dot set in it.
    pub fn set(&mut self, x: u32, y: u32, style: Style) {
        if x >= self.across() || y >= self.down() {
            return;
        }
        let index = (y / 4) as usize * usize::from(self.width) + (x / 2) as usize;
        let cell = &mut self.cells[index];
        cell.0 |= BITS[(y % 4) as usize][(x % 2) as usize];
        cell.1 = style;
    }

    /// Sets the dot nearest to a place, both from 0 to 1, y upward.
    pub fn point(&mut self, x: f64, y: f64, style: Style) {
        if let Some((x, y)) = self.nearest(x, y) {
            self.set(x, y, style);
        }
    }

    /// A straight line between two places.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), style: Style) {
        let (Some((x0, y0)), Some((x1, y1))) = (self.nearest(from.0, from.1), self.nearest(to.0, to.1))
        else {
            return;
        };
        let steps = x0.abs_diff(x1).max(y0.abs_diff(y1)).max(1);
        for step in 0..=steps {
            let share = f64::from(step) / f64::from(steps);
            let between =
                |a: u32, b: u32| (f64::from(a) + share * (f64::from(b) - f64::from(a))).round() as u32;
            self.set(between(x0, x1), between(y0, y1), style);
        }
    }

    /// A vertical line between two heights, from 0 to 1, in one dot column.
    pub fn upright(&mut self, x: u32, low: f64, high: f64, style: Style) {
        let (Some((_, bottom)), Some((_, top))) = (self.nearest(0.0, low), self.nearest(0.0, high)) else {
            return;
        };
        for y in top..=bottom {
            self.set(x, y, style);
        }
    }

    fn nearest(&self, x: f64, y: f64) -> Option<(u32, u32)> {
        if self.cells.is_empty() || !(0.0..=1.0).contains(&x) || !(0.0..=1.0).contains(&y) {
            return None;
        }
        let place = |share: f64, count: u32| (share * f64::from(count - 1)).round() as u32;
        Some((place(x, self.across()), place(1.0 - y, self.down())))
    }
}

impl Widget for &Dots {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        for (index, &(bits, style)) in self.cells.iter().enumerate() {
            if bits == 0 {
                continue;
            }
            let x = (index % usize::from(self.width)) as u16;
            let y = (index / usize::from(self.width)) as u16;
            if let Some(letter) = char::from_u32(0x2800 + u32::from(bits)) {
                pen.glyph(x, y, letter, style);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::widget::dots::*;

    #[test]
    fn corners_land_in_the_corner_dots() {
        let mut dots = Dots::new(2, 1);
        dots.point(0.0, 0.0, Style::new());
        dots.point(1.0, 1.0, Style::new());
        dots.point(1.1, 0.0, Style::new());
        let mut buffer = Buffer::empty(Rect::new(0, 0, 2, 1));
        (&dots).render(buffer.area, &mut buffer);
        assert_eq!(buffer, Buffer::with_lines(["⡀⠈"]));
    }

    #[test]
    fn an_empty_canvas_takes_no_dots() {
        let mut dots = Dots::new(0, 3);
        dots.line((0.0, 0.0), (1.0, 1.0), Style::new());
        dots.upright(0, 0.0, 1.0, Style::new());
        let mut buffer = Buffer::empty(Rect::new(0, 0, 1, 1));
        (&dots).render(buffer.area, &mut buffer);
        assert_eq!(buffer, Buffer::with_lines([" "]));
    }
}
