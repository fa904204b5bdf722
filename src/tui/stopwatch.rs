//! The stopwatch: a running time to film, and the times that photographs show, typed in.
//!
//! A loop of its own: unlike the pages it draws as often as the terminal takes it, since each drawing is a step of the
//! time. Time comes with an argument.

pub mod face;
pub mod readings;

use std::time::Duration;

use anyhow::Context;
use crossterm::event;
use crossterm::event::{Event, KeyEventKind};

use crate::measure::glass_to_glass::Optics;
use crate::units::Nanos;

use super::Options;
use super::terminal::{Endings, Keys, Screens, wait_for_keys};
use super::theme::Theme;
use super::view::Glyphs;

use face::Face;
use readings::Readings;

/// From one drawing to the next at least: no screen shows more.
const DRAW_EVERY: Duration = Duration::from_millis(4);

/// Shows the stopwatch until it is left; gives what was typed, and how many drawings a second the terminal took.
///
/// # Errors
/// Where the terminal cannot be set up or written to.
pub fn run(
    options: Options,
    optics: Optics,
    now: &dyn Fn() -> Nanos,
) -> anyhow::Result<(Readings, Option<u32>)> {
    let endings = Endings::register().context("could not listen for signals")?;
    let mut screens = Screens::enter(false).context("could not set up the terminal")?;
    let theme = if options.no_color { Theme::colourless() } else { Theme::named(options.theme) };
    let glyphs = if options.ascii { Glyphs::Ascii } else { Glyphs::Full };
    let begun = now();
    let mut readings = Readings::default();
    let mut pace = Pace::default();
    while !endings.asked() {
        if screens.is_ready() {
            let since = now() - begun;
            pace.drawn(since);
            let time_ms = since.0.unsigned_abs() / 1_000_000;
            let face =
                Face { time_ms, readings: &readings, optics, drawn_hz: pace.hz, theme: *theme, glyphs };
            screens.draw(|frame| face.render(frame.area(), frame.buffer_mut()))?;
        }
        if wait_for_keys(DRAW_EVERY) == Keys::Gone {
            break;
        }
        while event::poll(Duration::ZERO)? {
            if let Event::Key(key) = event::read()?
                && key.kind != KeyEventKind::Release
                && readings.key(key)
            {
                return Ok((readings, pace.hz));
            }
        }
    }
    Ok((readings, pace.hz))
}

/// Drawings in each whole second.
#[derive(Clone, Copy, Debug, Default)]
struct Pace {
    second: i64,
    count: u32,
    hz: Option<u32>,
}

impl Pace {
    fn drawn(&mut self, since: Nanos) {
        let second = since.0 / 1_000_000_000;
        if second != self.second {
            // A second without any is no pace, but the terminal's pause.
            self.hz = (second == self.second + 1).then_some(self.count);
            (self.second, self.count) = (second, 0);
        }
        self.count += 1;
    }
}
