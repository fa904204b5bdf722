//! A distribution as upright bars over a linear axis, with percentiles marked.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::widgets::Widget;

use crate::snapshot::usual_end;
use crate::tui::theme::Theme;

use super::pen::{Pen, width};
use super::scale::round_up;

const EIGHTHS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// A distribution.
#[derive(Debug)]
pub struct Histogram<'a> {
    /// Lower edge, upper edge, share.
    pub bins: &'a [(f64, f64, f64)],
    /// Right end of the axis, from 0.
    pub to: f64,
    /// Places marked with a line: value and name.
    pub marks: &'a [(f64, &'a str)],
    /// The unit behind the last label.
    pub unit: &'a str,
    /// Whether the axis is labelled under the bars.
    pub labelled: bool,
    /// Style of the bars.
    pub style: Style,
    /// Colours.
    pub theme: &'a Theme,
}

/// Of a far end that is more than this many times the 99th percentile, what lies beyond that is one bar.
const FAR: f64 = 1.5;

/// A round right end for an axis from 0 that holds these bins and marks; `None` where there are none. A few
/// values far out do not stretch it: they are counted in the last bar.
#[must_use]
pub fn axis_end(bins: &[(f64, f64, f64)], marks: &[f64]) -> Option<f64> {
    let last = bins.iter().filter(|bin| bin.2 > 0.0 && bin.1.is_finite()).map(|bin| bin.1);
    let far = last.fold(0.0, f64::max);
    let usual =
        marks.iter().copied().chain(usual_end(bins).filter(|end| end.is_finite())).fold(0.0, f64::max);
    let far = if usual > 0.0 && far > FAR * usual { usual } else { far.max(usual) };
    (far > 0.0).then(|| {
        let step = round_up(far / 10.0);
        (far / step).ceil() * step
    })
}

/// Whether anything lies beyond the end of an axis.
#[must_use]
pub fn any_beyond(bins: &[(f64, f64, f64)], to: f64) -> bool {
    bins.iter().any(|&(_, high, share)| share > 0.0 && high > to)
}

impl Histogram<'_> {
    /// The share that falls into each column, a bin spread evenly over its width.
    fn shares(&self, columns: u16) -> Vec<f64> {
        let mut shares = vec![0.0; usize::from(columns)];
        let per = self.to / f64::from(columns.max(1));
        for &(low, high, share) in self.bins {
            let high = if high.is_finite() { high } else { self.to };
            let first = (low / per).floor().max(0.0) as usize;
            let last = ((high / per).ceil() as usize).max(first + 1).min(shares.len());
            for (column, sum) in shares.iter_mut().enumerate().take(last).skip(first) {
                let left = per * column as f64;
                let overlap = (high.min(left + per) - low.max(left)).max(0.0);
                *sum += if high > low { share * overlap / (high - low) } else { share };
            }
            let beyond =
                if high > low { share * (high - low.max(self.to)).max(0.0) / (high - low) } else { 0.0 };
            if let Some(last) = shares.last_mut() {
                *last += beyond;
            }
        }
        shares
    }

    fn place(&self, value: f64, columns: u16) -> u16 {
        ((value / self.to * f64::from(columns)).floor().max(0.0) as u16).min(columns.saturating_sub(1))
    }
}

impl Widget for &Histogram<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        let (columns, height) = (pen.width(), pen.height());
        if columns == 0 || height == 0 || self.to <= 0.0 {
            return;
        }
        let rows = height.saturating_sub(u16::from(self.labelled && height > 1));
        let shares = self.shares(columns);
        let most = shares.iter().copied().fold(0.0, f64::max);
        let heading = u16::from(rows > 3 && !self.marks.is_empty());
        let tall = rows - heading;
        if heading > 0 {
            let mut free = 0;
            for &(value, name) in self.marks {
                let x = self.place(value, columns);
                if x >= free {
                    pen.text(x, 0, name, self.theme.dim);
                    free = x + width(name) + 1;
                }
            }
        }
        for (x, share) in shares.iter().enumerate().filter(|_| most > 0.0) {
            let eighths = (share / most * f64::from(tall) * 8.0).round() as u16;
            for row in 0..tall {
                let filled = eighths.saturating_sub(8 * (tall - 1 - row)).min(8);
                if filled > 0 {
                    pen.glyph(x as u16, heading + row, EIGHTHS[usize::from(filled)], self.style);
                }
            }
        }
        for &(value, _) in self.marks {
            let x = self.place(value, columns);
            for row in heading..rows {
                if pen.at(x, row) == " " {
                    pen.glyph(x, row, '╎', self.theme.limit);
                } else {
                    pen.shade(x, row, 1, self.theme.limit);
                }
            }
        }
        if self.labelled && height > 1 {
            number_axis(&mut pen, height - 1, self.to, self.unit, self.theme);
        }
    }
}

/// Labels from 0 to `to` along a row, the unit behind the last.
pub fn number_axis(pen: &mut Pen<'_>, row: u16, to: f64, unit: &str, theme: &Theme) {
    let columns = pen.width();
    let last = format!("{} {unit}", label(to));
    let end = pen.right(columns, row, &last, theme.dim);
    let step = round_up(to / (f64::from(columns) / 9.0).max(1.0));
    for number in 0..64 {
        let value = step * f64::from(number);
        let x = (value / to * f64::from(columns)).floor() as u16;
        let text = label(value);
        if value >= to || x + width(&text) + 2 > end {
            break;
        }
        pen.text(x, row, &text, theme.dim);
    }
}

fn label(value: f64) -> String {
    if (value - value.round()).abs() < 1e-9 { format!("{value:.0}") } else { format!("{value:.1}") }
}
