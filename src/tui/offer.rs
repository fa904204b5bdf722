//! Pages that offer a few things to choose from, before any session runs. `menu` holds what is offered and what was
//! pressed, `menu_page` draws it.

pub mod menu;
pub mod menu_page;

use std::time::Duration;

use anyhow::Context;
use crossterm::event;
use crossterm::event::{Event, KeyEventKind, MouseButton, MouseEventKind};
use ratatui::layout::Position;

use super::terminal::{Endings, Keys, Screens, wait_for_keys};
use super::theme::Theme;
use super::view::Glyphs;
use super::{LOOK_EVERY, Options};

use menu::{Answer, Menu};
use menu_page::MenuPage;

/// The terminal while things are offered. It can be left for a session and taken again.
pub struct Offer {
    options: Options,
    endings: Endings,
    screens: Option<Screens>,
}

impl Offer {
    /// # Errors
    /// Where signals cannot be listened for.
    pub fn new(options: Options) -> anyhow::Result<Self> {
        let endings = Endings::register().context("could not listen for signals")?;
        Ok(Self { options, endings, screens: None })
    }

    /// Gives the terminal back until the next question.
    pub fn leave(&mut self) {
        self.screens = None;
    }

    /// Shows a page until something is chosen. A terminal that is gone, or a signal to end, quits.
    ///
    /// # Errors
    /// Where the terminal cannot be set up or written to.
    pub fn ask(&mut self, menu: &mut Menu) -> anyhow::Result<Answer> {
        if self.endings.asked() || super::is_stuck() {
            return Ok(Answer::Quit);
        }
        let screens = match &mut self.screens {
            Some(screens) => screens,
            None => self
                .screens
                .insert(Screens::enter(self.options.mouse).context("could not set up the terminal")?),
        };
        let theme =
            if self.options.no_color { Theme::colourless() } else { Theme::named(self.options.theme) };
        let glyphs = if self.options.ascii { Glyphs::Ascii } else { Glyphs::Full };
        let mut changed = true;
        while !self.endings.asked() {
            if changed && screens.is_ready() {
                changed = false;
                let page = MenuPage { menu, theme, glyphs };
                screens.draw(|frame| page.render(frame.area(), frame.buffer_mut()))?;
            }
            if wait_for_keys(LOOK_EVERY) == Keys::Gone {
                return Ok(Answer::Quit);
            }
            while event::poll(Duration::ZERO)? {
                changed = true;
                let answer = match event::read()? {
                    Event::Key(key) if key.kind != KeyEventKind::Release => menu.key(key),
                    Event::Mouse(mouse) => match mouse.kind {
                        MouseEventKind::Down(MouseButton::Left) => {
                            let page = MenuPage { menu, theme, glyphs };
                            let touched =
                                page.touched(screens.area()?, Position::new(mouse.column, mouse.row));
                            touched.and_then(|touched| menu.touch(touched))
                        }
                        MouseEventKind::ScrollUp => menu.step(-1),
                        MouseEventKind::ScrollDown => menu.step(1),
                        _ => None,
                    },
                    _ => None,
                };
                if let Some(answer) = answer {
                    return Ok(answer);
                }
            }
        }
        Ok(Answer::Quit)
    }
}
