//! The guided bench test: a loop of its own over a live session. `guide_desk` holds what was answered, `guide_page`
//! draws it.

pub mod guide_desk;
pub mod guide_page;

use std::time::Duration;

use anyhow::Context;
use crossterm::event;
use crossterm::event::{Event, KeyEventKind, MouseButton, MouseEventKind};
use ratatui::layout::Position;

use crate::session::SessionHandle;

use super::state::Effect;
use super::terminal::{Endings, Keys, Screens, wait_for_keys};
use super::theme::Theme;
use super::view::Glyphs;
use super::{BETWEEN_STROKES, DRAW_EVERY, LOOK_EVERY, Options};

use guide_desk::GuideDesk;
use guide_page::GuidePage;

/// Shows the test until it is over or left, or the program is told to end.
///
/// # Errors
/// Where the terminal cannot be set up or written to.
pub fn run(handle: &SessionHandle, options: Options, desk: &mut GuideDesk) -> anyhow::Result<()> {
    let endings = Endings::register().context("could not listen for signals")?;
    let mut screens = Screens::enter(options.mouse).context("could not set up the terminal")?;
    let glyphs = if options.ascii { Glyphs::Ascii } else { Glyphs::Full };
    let mut strokes = 0;
    let mut changed = true;
    while !endings.asked() {
        if let Some(feed) = handle.feed().filter(|feed| !desk.has_seen(feed)) {
            for effect in desk.observe(feed) {
                if let Effect::Ring(more) = effect {
                    strokes = more;
                }
            }
            changed = true;
        }
        let theme = if options.no_color { Theme::colourless() } else { Theme::named(desk.theme) };
        let page = GuidePage { desk, theme, glyphs };
        if changed && screens.is_ready() {
            changed = false;
            screens.draw(|frame| page.render(frame.area(), frame.buffer_mut()))?;
            // Pacing without a clock: no drawing can follow sooner than this.
            std::thread::sleep(DRAW_EVERY);
        }
        if strokes > 0 && screens.is_ready() {
            strokes -= 1;
            screens.ring()?;
        }
        if wait_for_keys(if strokes > 0 { BETWEEN_STROKES } else { LOOK_EVERY }) == Keys::Gone {
            return Ok(());
        }
        while event::poll(Duration::ZERO)? {
            let effects = match event::read()? {
                Event::Key(key) if key.kind != KeyEventKind::Release => desk.key(key),
                Event::Mouse(mouse) if mouse.kind == MouseEventKind::Down(MouseButton::Left) => {
                    let page = GuidePage { desk, theme, glyphs };
                    let touched = page.touched(screens.area()?, Position::new(mouse.column, mouse.row));
                    touched.map_or_else(Vec::new, |key| desk.key(key.into()))
                }
                _ => Vec::new(),
            };
            changed = true;
            for effect in effects {
                match effect {
                    Effect::Quit => return Ok(()),
                    Effect::Ring(more) => strokes = more,
                    Effect::Send(command) => {
                        if !handle.send(command) {
                            desk.session_is_over();
                        }
                    }
                }
            }
        }
    }
    Ok(())
}
