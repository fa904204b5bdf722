//! The terminal: screens, keys, themes.
//!
//! The loop reads keys and the newest [`Feed`], and draws at most
//! ten times a second, and only when something changed: a feed, a key, the size.
//! `state` holds what the pilot chose, `view` draws it out of a snapshot.

pub mod action;
mod bell;
pub mod guide;
pub mod keys;
pub mod offer;
pub mod page_figures;
mod painter;
pub mod pointer;
mod screen;
pub mod state;
pub mod stopwatch;
mod terminal;
pub mod theme;
pub mod view;
pub mod widget;

use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use crossterm::event;
use crossterm::event::{Event, KeyEventKind};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::session::{Command, Feed, SessionHandle, ViewRequest};

use pointer::Pointer;
use state::{Effect, UiState};
pub use terminal::EndedBySignals;
use terminal::{Endings, Keys, Screens};
use theme::{Theme, ThemeName};
use view::{Glyphs, Scene, touch};

/// How the screens start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Options {
    /// Colours at the start.
    pub theme: ThemeName,
    /// Attributes alone, no colour (NO_COLOR).
    pub no_color: bool,
    /// Characters of ASCII alone, for consoles whose font has no others.
    pub ascii: bool,
    /// Taps and the wheel come here, not to the terminal's own selection.
    pub mouse: bool,
}

/// Least time between two drawings.
const DRAW_EVERY: Duration = Duration::from_millis(90);
/// How long to wait for a key before looking at the feed again.
const LOOK_EVERY: Duration = Duration::from_millis(30);
/// From one stroke of the bell to the next: closer ones sound as one.
const BETWEEN_STROKES: Duration = Duration::from_millis(200);
/// Answers what is asked too late.
const SESSION_OVER: &str = "the session has ended, nothing more can be asked of it";

/// Shows a session until the pilot quits, it is over, or the program is told to end
/// (SIGTERM, SIGINT, SIGHUP). The terminal is restored in every case.
///
/// # Errors
/// Where the terminal cannot be set up or written to.
pub fn run(handle: &SessionHandle, options: Options, is_over: &dyn Fn() -> bool) -> anyhow::Result<()> {
    let endings = Endings::register().context("could not listen for signals")?;
    let mut screens = Screens::enter(options.mouse).context("could not set up the terminal")?;
    let mut desk = Desk::new(options);
    while !endings.asked() && !is_over() {
        if desk.take_feed(handle, screens.is_ready()) {
            screens.draw(|frame| desk.draw(frame.area(), frame.buffer_mut()))?;
            desk.ask_view(handle, screens.area()?);
            // Pacing without a clock: no drawing can follow sooner than this.
            std::thread::sleep(DRAW_EVERY);
        }
        if desk.strokes > 0 && screens.is_ready() {
            desk.strokes -= 1;
            screens.ring()?;
        }
        let longest = if desk.strokes > 0 { BETWEEN_STROKES } else { LOOK_EVERY };
        if terminal::wait_for_keys(longest) == Keys::Gone {
            return Ok(());
        }
        while event::poll(Duration::ZERO)? {
            if desk.event(&event::read()?, handle) {
                return Ok(());
            }
        }
    }
    Ok(())
}

/// Whether the terminal took nothing any more when the screens were left: whoever writes to it now waits for ever.
#[must_use]
pub fn is_stuck() -> bool {
    terminal::is_stuck()
}

/// What the loop keeps between two turns.
struct Desk {
    state: UiState,
    options: Options,
    feed: Option<Arc<Feed>>,
    asked: Option<ViewRequest>,
    changed: bool,
    /// Strokes of the bell that are yet to come.
    strokes: u8,
    pointer: Pointer,
    /// What was drawn on last.
    area: Rect,
}

impl Desk {
    fn new(options: Options) -> Self {
        let state = UiState { theme: options.theme, ..UiState::default() };
        Self {
            state,
            options,
            feed: None,
            asked: None,
            changed: true,
            strokes: 0,
            pointer: Pointer::default(),
            area: Rect::ZERO,
        }
    }

    /// Looks for a newer feed; true where there is something to draw, and the terminal is ready for it.
    fn take_feed(&mut self, handle: &SessionHandle, is_ready: bool) -> bool {
        if let Some(feed) = handle.feed()
            && self.feed.as_ref().is_none_or(|shown| shown.revision != feed.revision)
        {
            for effect in self.state.observe(&feed) {
                if let Effect::Ring(strokes) = effect {
                    self.strokes = strokes;
                }
            }
            self.feed = Some(feed);
            self.changed = true;
        }
        is_ready && std::mem::take(&mut self.changed)
    }

    fn draw(&mut self, area: Rect, buffer: &mut Buffer) {
        self.area = area;
        view::render(&self.scene(), area, buffer);
    }

    fn scene(&self) -> Scene<'_> {
        let theme = if self.options.no_color { Theme::colourless() } else { Theme::named(self.state.theme) };
        let glyphs = if self.options.ascii { Glyphs::Ascii } else { Glyphs::Full };
        Scene { feed: self.feed.as_deref(), state: &self.state, theme, glyphs }
    }

    /// Asks for the window that the page now shows, where it differs from the last one asked for.
    fn ask_view(&mut self, handle: &SessionHandle, area: Rect) {
        let request = self.state.view_request(view::columns(self.state.screen, area));
        if self.asked != Some(request) && handle.send(Command::View(request)) {
            self.asked = Some(request);
        }
    }

    /// Handles an event of the terminal; true: leave.
    fn event(&mut self, event: &Event, handle: &SessionHandle) -> bool {
        let effects = match event {
            Event::Key(key) if key.kind != KeyEventKind::Release => self.state.key(*key, self.feed.as_ref()),
            Event::Mouse(event) => {
                let mut pointer = self.pointer;
                let gesture = pointer.event(*event, |x, y| touch::target(&self.scene(), self.area, x, y));
                self.pointer = pointer;
                let Some(gesture) = gesture else { return false };
                self.state.gesture(gesture, self.feed.as_ref())
            }
            Event::Resize(..) => Vec::new(),
            _ => return false,
        };
        self.changed = true;
        for effect in effects {
            match effect {
                Effect::Quit => return true,
                Effect::Ring(strokes) => self.strokes = strokes,
                Effect::Send(command) => {
                    if !handle.send(command) {
                        self.state.reply = Some(SESSION_OVER.to_owned());
                    }
                }
            }
        }
        false
    }
}
