//! Draws a page that offers things: the question, what to know, the items as tall as there is room, the keys.
//!
//! Each item takes a tap anywhere on its rows. Where there is room its number is large, and its name too.

use crossterm::event::KeyCode;
use ratatui::buffer::Buffer;
use ratatui::layout::{Position, Rect};

use crate::snapshot::LinkState;
use crate::tui::theme::Theme;
use crate::tui::view::{Glyphs, clean};
use crate::tui::widget::big;
use crate::tui::widget::pen::{Pen, width, wrapped};

use super::menu::{Menu, Touched};

/// Rows of an item: name and what it is; with a large number; with a large name.
const LEAST: u16 = 2;
const WITH_NUMBER: u16 = 3;
const WITH_NAME: u16 = 5;
const MOST: u16 = 6;
/// Columns before an item's name.
const NUMBERS: u16 = 7;
/// Rows at the top, and at the foot.
const HEAD: u16 = 2;
const FOOT: u16 = 2;

/// What is drawn.
#[derive(Clone, Copy, Debug)]
pub struct MenuPage<'a> {
    /// The page.
    pub menu: &'a Menu,
    /// Colours.
    pub theme: &'a Theme,
    /// Characters.
    pub glyphs: Glyphs,
}

/// Where the items stand.
struct Layout {
    remarks: Vec<String>,
    top: u16,
    tall: u16,
    first: usize,
    shown: usize,
}

impl MenuPage<'_> {
    /// Draws it.
    pub fn render(&self, area: Rect, buffer: &mut Buffer) {
        let area = area.intersection(buffer.area);
        buffer.set_style(area, self.theme.base);
        let layout = self.layout(area);
        let mut pen = Pen::new(buffer, area);
        let band = self.theme.band(LinkState::Heard);
        pen.shade(0, 0, area.width, band);
        pen.text(1, 0, &self.menu.title, band);
        for (row, line) in (HEAD..layout.top).zip(&layout.remarks) {
            pen.text(1, row, line, self.theme.base);
        }
        for place in 0..layout.shown {
            self.item(&mut pen, &layout, layout.first + place, layout.top + place as u16 * layout.tall);
        }
        self.foot(&mut pen, area.height, &layout);
        clean(self.glyphs, area, buffer);
    }

    /// What lies at a place.
    #[must_use]
    pub fn touched(&self, area: Rect, place: Position) -> Option<Touched> {
        let (x, y) = (place.x.checked_sub(area.x)?, place.y.checked_sub(area.y)?);
        if y + 1 == area.height {
            let hint =
                self.hints().into_iter().find(|(from, text, _)| (*from..*from + width(text)).contains(&x));
            return hint.and_then(|(_, _, key)| key).map(Touched::Key);
        }
        let layout = self.layout(area);
        let row = usize::from(y.checked_sub(layout.top)? / layout.tall);
        (row < layout.shown).then_some(Touched::Item(layout.first + row))
    }

    fn layout(&self, area: Rect) -> Layout {
        let rows = area.height.saturating_sub(HEAD + FOOT);
        let columns = area.width.saturating_sub(2);
        let mut remarks: Vec<String> =
            self.menu.remarks.iter().flat_map(|text| wrapped(text, columns)).collect();
        // What can be chosen counts for more than what is said of it.
        remarks.truncate(usize::from(rows.saturating_sub(LEAST)));
        let top = HEAD + if remarks.is_empty() { 0 } else { remarks.len() as u16 + 1 };
        let rows = area.height.saturating_sub(top + FOOT);
        let count = self.menu.items.len();
        let tall = (rows / (count.max(1).min(usize::from(u16::MAX)) as u16)).clamp(LEAST, MOST);
        let shown = count.min(usize::from(rows / tall));
        let first = (self.menu.at + 1).saturating_sub(shown).min(count - shown);
        Layout { remarks, top, tall, first, shown }
    }

    fn item(&self, pen: &mut Pen<'_>, layout: &Layout, index: usize, y: u16) {
        let item = &self.menu.items[index];
        let is_at = index == self.menu.at;
        let style = if is_at { self.theme.strong } else { self.theme.base };
        let columns = pen.width();
        if is_at {
            // A row stays free between two items where there is room.
            for row in y..y + layout.tall - u16::from(layout.tall > WITH_NUMBER) {
                pen.shade(0, row, columns, self.theme.tint);
            }
            pen.text(0, y, ">", self.theme.strong);
        }
        let number = if index < 9 { (index + 1).to_string() } else { String::new() };
        if layout.tall >= WITH_NUMBER {
            big::letters(pen, (2, y), &number, 1, style);
        } else {
            pen.text(2, y, &number, style);
        }
        let room = columns.saturating_sub(NUMBERS + 1);
        let name = item.name.to_uppercase();
        let (scale, lines) = big::fitting(&name, room, big::rows(1), 1);
        // What is copied from elsewhere, a file or a URL, keeps its small letters.
        let is_large = !self.menu.has_back && layout.tall >= WITH_NAME && scale > 0 && lines.len() == 1;
        let below = if is_large && big::can_write(&name) {
            big::letters(pen, (NUMBERS, y), &name, scale, style);
            y + big::rows(scale)
        } else {
            pen.cut(NUMBERS, y, &item.name, room, style);
            y + 1
        };
        pen.cut(NUMBERS, below, &item.about, room, if is_at { style } else { self.theme.dim });
    }

    fn foot(&self, pen: &mut Pen<'_>, height: u16, layout: &Layout) {
        let Some(last) = height.checked_sub(1) else { return };
        let columns = pen.width().saturating_sub(2);
        if let Some(typing) = &self.menu.typing {
            // The end of a long text is what is being typed.
            let skip = (width(typing) + 3).saturating_sub(columns);
            let shown: String = typing.chars().skip(usize::from(skip)).collect();
            pen.text(1, last.saturating_sub(1), &format!("> {shown}_"), self.theme.strong);
        } else if layout.shown < self.menu.items.len() {
            let said = format!(
                "{} to {} of {}",
                layout.first + 1,
                layout.first + layout.shown,
                self.menu.items.len()
            );
            pen.text(1, last.saturating_sub(1), &said, self.theme.dim);
        }
        for (x, text, _) in self.hints() {
            pen.text(x, last, text, self.theme.key);
        }
    }

    /// The keys: where their words stand, and what a tap on them presses.
    fn hints(&self) -> Vec<(u16, &'static str, Option<KeyCode>)> {
        let all: &[(&'static str, Option<KeyCode>)] = if self.menu.typing.is_some() {
            &[("Enter take it", Some(KeyCode::Enter)), ("Esc back", Some(KeyCode::Esc))]
        } else {
            &[
                ("number or tap choose", None),
                ("Up", Some(KeyCode::Up)),
                ("Down", Some(KeyCode::Down)),
                ("Enter take it", Some(KeyCode::Enter)),
                ("b back", Some(KeyCode::Char('b'))),
                ("q quit", Some(KeyCode::Char('q'))),
            ]
        };
        let mut x = 1;
        let mut hints = Vec::new();
        for (text, key) in all.iter().filter(|(text, _)| self.menu.has_back || *text != "b back") {
            hints.push((x, *text, *key));
            x += width(text) + 2;
        }
        hints
    }
}
