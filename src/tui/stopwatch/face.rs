//! The face of the stopwatch: large digits, and a bar for each digit behind the point.
//!
//! A camera blurs what changes while its shutter is open. Each bar is as long as its digit: what was lit all the time
//! is bright, what was lit for a part of it is dim, so that a blurred digit still has a least and a most.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::measure::glass_to_glass::Optics;
use crate::tui::theme::Theme;
use crate::tui::view::{Glyphs, clean};
use crate::tui::widget::big;
use crate::tui::widget::pen::{Pen, wrapped};
use crate::wording::glass_words;
use crate::wording::quantity;

use super::readings::Readings;

/// What each bar counts, seconds.
const BARS: [&str; 3] = ["0.1", "0.01", "0.001"];
/// Columns before a bar.
const NAMES: u16 = 7;
/// Digits are legible from so many rows on.
const LEAST_ROWS: u16 = 4;

/// What is drawn.
#[derive(Clone, Copy, Debug)]
pub struct Face<'a> {
    /// The running time, milliseconds.
    pub time_ms: u64,
    /// What was typed.
    pub readings: &'a Readings,
    /// How the photographs are made.
    pub optics: Optics,
    /// Drawings a second; `None` in the first.
    pub drawn_hz: Option<u32>,
    /// Colours.
    pub theme: Theme,
    /// Characters.
    pub glyphs: Glyphs,
}

impl Face<'_> {
    /// Draws it.
    pub fn render(&self, area: Rect, buffer: &mut Buffer) {
        buffer.set_style(area, self.theme.base);
        let words = self.words(area.width);
        let below = (words.len() as u16).min(area.height.saturating_sub(LEAST_ROWS));
        let above = Rect { height: area.height - below, ..area };
        self.time(above, buffer);
        let mut pen = Pen::new(buffer, Rect { y: above.bottom(), height: below, ..area });
        for (row, (line, style)) in (0..).zip(&words) {
            pen.text(0, row, line, *style);
        }
        clean(self.glyphs, area, buffer);
    }

    /// The digits, and the bars under them where there is room.
    fn time(&self, area: Rect, buffer: &mut Buffer) {
        let text = format!("{:03}.{:03}", self.time_ms / 1_000 % 1_000, self.time_ms % 1_000);
        let with_bars = area.height >= LEAST_ROWS + BARS.len() as u16;
        let bars_high = if with_bars { (area.height / 3 / BARS.len() as u16).clamp(1, 2) } else { 0 };
        let (digits, bars) = (area.height - bars_high * BARS.len() as u16, bars_high);
        let (scale, _) = big::fitting(&text, area.width, digits, u16::MAX);
        let mut pen = Pen::new(buffer, area);
        if scale == 0 {
            pen.text(0, 0, &text, self.theme.strong);
        } else {
            let left = (area.width + scale).saturating_sub(big::columns(&text, scale)) / 2;
            let top = digits.saturating_sub(big::rows(scale)) / 2;
            big::letters(&mut pen, (left, top), &text, scale, self.theme.strong);
        }
        for (index, name) in (0_u16..).zip(BARS) {
            let digit = self.time_ms / [100, 10, 1][usize::from(index)] % 10;
            for row in 0..bars {
                bar(&mut pen, digits + index * bars + row, digit as u16, self.theme.strong);
            }
            if bars > 0 {
                pen.text(0, digits + index * bars, name, self.theme.dim);
            }
        }
    }

    /// The lines under them: what to do, what was typed, what it says.
    fn words(&self, columns: u16) -> Vec<(String, Style)> {
        let theme = &self.theme;
        let mut lines = Vec::new();
        let mut say =
            |text: &str, style| lines.extend(wrapped(text, columns).into_iter().map(|line| (line, style)));
        if self.readings.photographs.is_empty() && self.readings.typed.iter().all(String::is_empty) {
            for step in glass_words::STEPS {
                say(step, theme.base);
            }
        } else {
            say(&self.readings.next_said(), theme.strong);
            if self.readings.refused {
                say(glass_words::NO_TIME, theme.state[1]);
            }
            let found = self.readings.delay(self.optics);
            say(&glass_words::delay(&found), theme.base);
            found
                .ok()
                .and_then(|delay| glass_words::advice(&delay))
                .iter()
                .for_each(|text| say(text, theme.dim));
        }
        let drawn = self.drawn_hz.map_or_else(String::new, |hz| {
            format!("  drawn {} a second", quantity::counted(u64::from(hz), "time", "times"))
        });
        say(&format!("0-9 . type  Enter next  Tab other  u take the last back  q leave{drawn}"), theme.key);
        lines
    }
}

/// Ten cells, the first `digit` of them lit.
fn bar(pen: &mut Pen<'_>, row: u16, digit: u16, style: Style) {
    let cell = pen.width().saturating_sub(NAMES) / 10;
    for column in (0..digit * cell).filter(|column| cell < 3 || column % cell + 1 < cell) {
        pen.glyph(NAMES + column, row, '█', style);
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::stopwatch::face::*;
    use crate::tui::theme::ThemeName;

    fn drawn(time_ms: u64, (width, height): (u16, u16), typed: &str) -> Vec<String> {
        let readings = Readings { typed: [typed.to_owned(), String::new()], ..Readings::default() };
        let optics = Optics { refresh_ms: 17.0, exposure_ms: 17.0 };
        let theme = Theme::named(ThemeName::Dark);
        let face = Face {
            time_ms,
            readings: &readings,
            optics,
            drawn_hz: Some(100),
            theme: *theme,
            glyphs: Glyphs::Full,
        };
        let mut buffer = Buffer::empty(Rect::new(0, 0, width, height));
        face.render(buffer.area, &mut buffer);
        let row = |y| (0..width).map(|x| buffer[(x, y)].symbol().to_owned()).collect::<String>();
        (0..height).map(row).collect()
    }

    /// Lit columns of each bar, read back from the screen as an eye would.
    #[test]
    fn each_bar_is_as_long_as_its_digit() {
        for size in [(80, 24), (128, 37), (200, 60)] {
            for (time_ms, digits) in [(83_412, [4, 1, 2]), (1_000_905, [9, 0, 5]), (0, [0, 0, 0])] {
                let rows = drawn(time_ms, size, "");
                let cell = usize::from((size.0 - NAMES) / 10);
                for (name, digit) in BARS.iter().zip(digits) {
                    let row = rows.iter().find(|row| row.starts_with(&format!("{name} "))).unwrap();
                    let lit = row.chars().filter(|letter| *letter == '█').count();
                    assert_eq!(lit, digit * (cell - 1), "{time_ms} {size:?} {row}");
                }
            }
        }
    }

    #[test]
    fn the_digits_are_as_large_as_fits_and_small_screens_do_not_panic() {
        let tall = |size| drawn(188_888, size, "").iter().filter(|row| row.contains("██")).count();
        assert!(tall((200, 60)) > tall((80, 24)));
        for (width, height) in [(0, 0), (1, 1), (7, 2), (20, 5), (79, 3)] {
            drawn(83_412, (width, height), "8");
        }
        assert!(drawn(83_412, (80, 24), "83.4").iter().any(|row| row.contains("running time 83.4_")));
    }
}
