//! The foot of every screen: sources, recorder, replay, what is sent, and the keys.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use crate::session::{Feed, Mode};
use crate::snapshot::{LinkState, SourceState};
use crate::tui::action::Action;
use crate::tui::figure;
use crate::tui::keys;
use crate::tui::state::{Bell, Screen};
use crate::tui::widget::pen::{Pen, width};

use super::Scene;

/// A source is called silent after this long without bytes, seconds.
const SILENT_S: f64 = 3.0;

/// Rows that it takes.
pub(super) const fn rows(large: bool, height: u16) -> u16 {
    match (large, height) {
        (_, 0..=6) => 0,
        (_, 7..=12) => 1,
        (false, 13..=29) => 2,
        (true, 13..=29) => 3,
        (_, _) => 4,
    }
}

/// Draws it: the keys in the last row, above them what is most pressing.
pub(super) fn render(scene: &Scene<'_>, area: Rect, buffer: &mut Buffer) {
    let mut pen = Pen::new(buffer, area);
    let height = pen.height();
    if height == 0 {
        return;
    }
    pages(scene, height - 1, &mut pen);
    let Some(feed) = scene.feed else { return };
    match height {
        1 => {}
        2 => clock(scene, feed, 0, &mut pen),
        3 => {
            sources(scene, feed, 0, &mut pen);
            clock(scene, feed, 1, &mut pen);
        }
        _ => {
            notices(scene, feed, 0, &mut pen);
            sources(scene, feed, 1, &mut pen);
            clock(scene, feed, 2, &mut pen);
        }
    }
}

/// The pages by their keys, and the keys most used.
fn pages(scene: &Scene<'_>, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let mut x = 0;
    // On a narrow screen the names stand close to their keys, so that the help key still fits.
    let names: u16 = Screen::ALL.iter().map(|screen| width(screen.title()) + 3).sum();
    let close = names + 7 > pen.width();
    for (number, screen) in (1..).zip(Screen::ALL) {
        let style = if screen == scene.state.screen { theme.band(LinkState::Unknown) } else { theme.dim };
        x = pen.text(x, row, &format!("{number}"), theme.key);
        let name = if close { format!("{} ", screen.title()) } else { format!(" {} ", screen.title()) };
        x = pen.text(x, row, &name, style);
    }
    let hints: &[(Action, &str)] = &[
        (Action::Help, "help"),
        (Action::Mark(crate::record::MarkKind::PictureFroze), "froze"),
        (Action::WriteNote, "note"),
        (Action::Acknowledge, "acknowledge"),
        (Action::ZoomIn, "zoom"),
        (Action::Pause, "pause"),
        (Action::NextTheme, "theme"),
        (Action::Quit, "quit"),
    ];
    // On a narrow screen the help key goes before the gap.
    let mut x = x + u16::from(x + 7 <= pen.width());
    for (action, text) in hints {
        let key = keys::shown(*action);
        if x + width(key) + 1 + width(text) > pen.width() {
            break;
        }
        x = pen.text(x, row, key, theme.key);
        x = pen.text(x, row, &format!(" {text}  "), theme.dim);
    }
}

/// Live or replay, where the clock stands, and the recorder.
fn clock(scene: &Scene<'_>, feed: &Feed, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let now_s = feed.snapshot.now_s;
    let mut x = match &feed.mode {
        Mode::Live if feed.ended => pen.text(0, row, "ended ", theme.strong),
        Mode::Live => pen.text(0, row, "live ", theme.strong),
        Mode::Replay { paused: true, .. } => pen.text(0, row, "replay paused ", theme.of(LinkState::Near)),
        Mode::Replay { at_end: true, .. } => pen.text(0, row, "replay at its end ", theme.strong),
        Mode::Replay { .. } => pen.text(0, row, "replay ", theme.strong),
    };
    x = pen.text(x, row, &figure::clock_tenths(now_s), theme.strong);
    if let Mode::Replay { speed, duration_s, .. } = feed.mode {
        x = pen.text(x, row, &format!(" of {}  speed ×{speed}", figure::clock(duration_s)), theme.base);
        x = progress(scene, now_s / duration_s.max(0.001), x + 2, row, pen);
    }
    if let Some(held) = &scene.state.held {
        let text = format!("PICTURE HELD at {}, Space goes on", figure::clock_tenths(held.snapshot.now_s));
        x = pen.text(x + 2, row, &text, theme.of(LinkState::Near));
    }
    x = recorder(scene, feed, x + 2, row, pen);
    if scene.state.bell == Bell::Off {
        x = pen.text(x + 2, row, "bell off", theme.dim);
    }
    let answer =
        scene.state.reply.as_deref().or(if pen.height() < 4 { feed.message.as_deref() } else { None });
    if let Some(answer) = answer {
        let room = pen.width().saturating_sub(x + 2);
        pen.cut(x + 2, row, answer, room, theme.strong);
    }
}

/// Where a replay stands, as a bar.
fn progress(scene: &Scene<'_>, share: f64, x: u16, row: u16, pen: &mut Pen<'_>) -> u16 {
    if pen.width() < 100 {
        return x.saturating_sub(2);
    }
    let columns: u16 = 20;
    let done = (share.clamp(0.0, 1.0) * f64::from(columns)).round() as u16;
    for column in 0..columns {
        let (letter, style) =
            if column < done { ('━', scene.theme.strong) } else { ('─', scene.theme.rule) };
        pen.glyph(x + column, row, letter, style);
    }
    x + columns
}

fn recorder(scene: &Scene<'_>, feed: &Feed, x: u16, row: u16, pen: &mut Pen<'_>) -> u16 {
    let theme = scene.theme;
    match (&feed.recorder, &feed.mode) {
        (Some(recorder), _) => {
            if let Some(error) = &recorder.error {
                return pen.text(x, row, &format!("NOT RECORDING: {error}"), theme.of(LinkState::Alarm));
            }
            let name =
                recorder.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            let x =
                pen.text(x, row, &format!("recording {name} {}", figure::bytes(recorder.bytes)), theme.base);
            if recorder.refused == 0 {
                return x;
            }
            let text = format!("  {} could not be recorded", figure::bytes(recorder.refused));
            pen.text(x, row, &text, theme.of(LinkState::Alarm))
        }
        (None, Mode::Live) => pen.text(x, row, "not recording", theme.of(LinkState::Near)),
        (None, Mode::Replay { .. }) => pen.text(x, row, &feed.snapshot.summary.recording.file, theme.dim),
    }
}

/// Each source: up, silent or down, and what this computer lost of it.
fn sources(scene: &Scene<'_>, feed: &Feed, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let mut x = 0;
    if pen.height() < 4 && !feed.snapshot.transmits.is_empty() {
        x = pen.text(x, row, "TRANSMITS ", theme.of(LinkState::Near));
    }
    x = pen.text(x, row, "sources ", theme.dim);
    if feed.snapshot.sources.is_empty() {
        pen.text(x, row, "none yet", theme.dim);
    }
    for source in &feed.snapshot.sources {
        let (state, text) = source_text(source);
        x = pen.text(x, row, figure::symbol(state), theme.of(state));
        x = pen.text(x + 1, row, &source.interface, theme.strong);
        x = pen.text(x + 1, row, &text, theme.base) + 3;
    }
}

fn source_text(source: &SourceState) -> (LinkState, String) {
    let mut parts = Vec::new();
    let state = match (&source.down, source.silent_s) {
        (Some((_, reason)), _) => {
            parts.push(format!("down: {reason}"));
            LinkState::Lost
        }
        (None, None) => {
            parts.push("nothing received yet".to_owned());
            LinkState::Unknown
        }
        (None, Some(silent_s)) if silent_s > SILENT_S => {
            parts.push(format!("silent {}", figure::seconds(silent_s)));
            LinkState::Near
        }
        (None, Some(_)) => {
            parts.push(format!("up {}", figure::bytes(source.bytes)));
            LinkState::Good
        }
    };
    if let Some(drops) = source.host_drops.filter(|drops| *drops > 0) {
        parts.push(format!("this computer lost {}", figure::count(drops)));
    }
    (state, parts.join(", "))
}

/// What is transmitted, and the session's own message.
fn notices(scene: &Scene<'_>, feed: &Feed, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let mut x = 0;
    if feed.snapshot.transmits.is_empty() {
        x = pen.text(x, row, "only listening", theme.dim);
    } else {
        x = pen.text(x, row, "! ", theme.of(LinkState::Near));
        x = pen.text(x, row, &feed.snapshot.transmits.join("; "), theme.strong);
    }
    if let Some(message) = &feed.message {
        let room = pen.width().saturating_sub(x + 3);
        pen.cut(x + 3, row, message, room, theme.of(LinkState::Near));
    }
}
