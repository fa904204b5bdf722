//! The foot of every screen: sources, recorder, replay, what is sent, and the keys.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::record::{IN_THE_PATH, MarkKind};
use crate::session::{Feed, Mode};
use crate::snapshot::{LinkState, SourceState};
use crate::tui::action::Action;
use crate::tui::keys;
use crate::tui::state::{Bell, Screen};
use crate::tui::theme::Theme;
use crate::tui::widget::pen::{Pen, width};
use crate::wording::advice;
use crate::wording::caution;
use crate::wording::event;
use crate::wording::field_words;
use crate::wording::health_words;
use crate::wording::quantity;

use super::Scene;

/// A source is called silent after this long without bytes, seconds.
const SILENT_S: f64 = 3.0;

/// From this width on a replay has its bar, and an answer has room beside the recorder.
const WIDE: u16 = 100;

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

/// What this program does beyond listening, in words that fit anywhere, and their cautions; empty where it only listens.
fn kinds(feed: &Feed) -> Vec<(&'static str, &'static str)> {
    let is_path = |what: &&String| what.starts_with(IN_THE_PATH);
    let mut kinds = Vec::new();
    if feed.snapshot.transmits.iter().any(|what| is_path(&what)) {
        kinds.push(("IN THE PATH", caution::IN_THE_PATH));
    }
    if feed.snapshot.transmits.iter().any(|what| !is_path(&what)) {
        kinds.push(("TRANSMITS", caution::TRANSMITS));
    }
    kinds
}

/// The same without the cautions, in one line.
fn sends(feed: &Feed) -> String {
    kinds(feed).iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ")
}

/// Draws it: the keys in the last row, above them what is most pressing.
pub(super) fn render(scene: &Scene<'_>, area: Rect, buffer: &mut Buffer) {
    let mut pen = Pen::new(buffer, area);
    let height = pen.height();
    if height == 0 {
        return;
    }
    let hints = hints(scene, area);
    if let (1, Some(feed)) = (height, scene.feed) {
        pen.text(0, 0, &sends(feed), scene.theme.of(LinkState::Warning));
    }
    for hint in &hints {
        let x = pen.text(hint.x, height - 1, hint.key, scene.theme.key);
        pen.text(x, height - 1, &hint.text, hint.style);
    }
    let Some(feed) = scene.feed else { return };
    if let Some(row) = clock_row(height) {
        clock(scene, feed, row, area, &mut pen);
    }
    match height {
        1 | 2 => {}
        3 => sources(scene, feed, 0, &mut pen),
        _ => {
            notices(scene, feed, 0, &mut pen);
            sources(scene, feed, 1, &mut pen);
        }
    }
}

/// The row of the clock, above the keys.
const fn clock_row(height: u16) -> Option<u16> {
    match height {
        0 | 1 => None,
        2..=4 => Some(height - 2),
        _ => Some(2),
    }
}

/// What the key at a place of the foot does; the row of the clock acknowledges what stands there unacknowledged.
pub(super) fn touched(scene: &Scene<'_>, area: Rect, x: u16, y: u16) -> Option<Action> {
    let (x, row) = (x.checked_sub(area.x)?, y.checked_sub(area.y)?);
    if row + 1 == area.height {
        let hints = hints(scene, area);
        return hints.iter().find(|hint| (hint.x..hint.end()).contains(&x)).map(|hint| hint.action);
    }
    (clock_row(area.height) == Some(row) && unacknowledged(scene).is_some()).then_some(Action::Acknowledge)
}

/// What nobody has acknowledged, in words; a replay acknowledges nothing.
fn unacknowledged(scene: &Scene<'_>) -> Option<[String; 2]> {
    let feed = scene.feed.filter(|feed| feed.mode == Mode::Live)?;
    field_words::unacknowledged(&feed.snapshot.lanes)
}

/// Columns of the hints for help and quit.
const HELP_AND_QUIT: u16 = 13;

/// A key in the last row, and what it does.
struct Hint {
    x: u16,
    key: &'static str,
    text: String,
    style: Style,
    action: Action,
}

impl Hint {
    /// The column after it.
    fn end(&self) -> u16 {
        self.x + width(self.key) + width(&self.text)
    }
}

/// The pages by their keys, and the keys most used.
fn hints(scene: &Scene<'_>, area: Rect) -> Vec<Hint> {
    let theme = scene.theme;
    let columns = area.width;
    let words = scene.feed.filter(|_| area.height == 1).map(sends).unwrap_or_default();
    let mut x = if words.is_empty() { 0 } else { width(&words) + 1 };
    // Help and quit always fit: a screen that cannot hold all pages' names has that of its own page alone.
    let names: u16 = Screen::ALL.iter().map(|screen| width(screen.title()) + 4).sum();
    let room = columns.saturating_sub(x);
    let narrow = names + HELP_AND_QUIT > room;
    let mut shown = if narrow { vec![own_page(scene, room, x)] } else { all_pages(scene, x) };
    x = shown.last().map_or(x, |hint| hint.end() + 1).min(columns);
    let help = if x + HELP_AND_QUIT > columns { "" } else { "help" };
    let replay = scene.feed.is_some_and(|feed| matches!(feed.mode, Mode::Replay { .. }));
    // What is asked for now comes first.
    let calls = unacknowledged(scene).is_some();
    let most_used = [
        (Action::Help, help, true),
        (Action::Quit, "quit", true),
        (Action::Acknowledge, "acknowledge", calls),
        (Action::NextScreen, "next page", narrow),
        (Action::Mark(MarkKind::PictureFroze), "froze", !replay),
        (Action::WriteNote, "note", !replay),
        (Action::Acknowledge, "acknowledge", !replay && !calls),
        (Action::Pause, "pause", true),
        (Action::SeekBy(10), "10 s forward", replay),
        (Action::SeekBy(-10), "10 s back", replay),
        (Action::ZoomIn, "zoom", true),
        (Action::NextTheme, "theme", true),
    ];
    let gap = u16::from(x + 2 + HELP_AND_QUIT <= columns);
    x += gap;
    for (action, text, _) in most_used.iter().filter(|hint| hint.2) {
        let key = keys::shown(*action);
        if x + width(key) + 1 + width(text) > columns {
            break;
        }
        let text = if text.is_empty() { " ".to_owned() } else { format!(" {text} ") };
        let hint = Hint { x, key, text, style: theme.dim, action: *action };
        x = hint.end().min(columns) + gap;
        shown.push(hint);
    }
    shown
}

/// Every page by its key.
fn all_pages(scene: &Scene<'_>, mut x: u16) -> Vec<Hint> {
    let theme = scene.theme;
    let hint = |screen: Screen| {
        let style = if screen == scene.state.screen { theme.band(LinkState::Unknown) } else { theme.dim };
        let (action, text) = (Action::Show(screen), format!(" {} ", screen.title()));
        let hint = Hint { x, key: keys::shown(action), text, style, action };
        x = hint.end() + 1;
        hint
    };
    Screen::ALL.into_iter().map(hint).collect()
}

/// The page that is shown, and its place among all; a tap on it leads back to the overview.
fn own_page(scene: &Scene<'_>, room: u16, x: u16) -> Hint {
    let title = scene.state.screen.title();
    let place = Screen::ALL.iter().position(|screen| *screen == scene.state.screen).map_or(1, |at| at + 1);
    let count = Screen::ALL.len();
    let long = format!("page {place} of {count}: {title} ");
    let text = if width(&long) + HELP_AND_QUIT <= room { long } else { format!("{place}/{count} {title} ") };
    Hint { x, key: "", text, style: scene.theme.band(LinkState::Unknown), action: Action::Leave }
}

/// Live or replay, where the clock stands, and the recorder.
fn clock(scene: &Scene<'_>, feed: &Feed, row: u16, area: Rect, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let now_s = feed.snapshot.now_s;
    let mut x = match &feed.mode {
        Mode::Live if feed.ended => pen.text(0, row, "ended ", theme.strong),
        Mode::Live => pen.text(0, row, "live ", theme.strong),
        Mode::Replay { paused: true, .. } => pen.text(0, row, "replay paused ", theme.of(LinkState::Warning)),
        Mode::Replay { at_end: true, .. } => pen.text(0, row, "replay at its end ", theme.strong),
        Mode::Replay { .. } => pen.text(0, row, "replay ", theme.strong),
    };
    x = pen.text(x, row, &quantity::clock_tenths(now_s), theme.strong);
    // Where there is no row for notices, these words stand before all that can be cut.
    let words = sends(feed);
    if pen.height() < 4 && !words.is_empty() {
        x = pen.text(x + 2, row, &words, theme.of(LinkState::Warning));
    }
    // What nobody has acknowledged comes before all but that.
    if let Some([all, brief]) = unacknowledged(scene) {
        let room = pen.width().saturating_sub(x + 2);
        let calls = if width(&all) <= room { all } else { brief };
        x = pen.cut(x + 2, row, &calls, room, theme.of(LinkState::Alarm));
        // The key, where the last row has no room for it.
        let key = [(keys::shown(Action::Acknowledge), theme.key), (" acknowledge", theme.dim)];
        if !hints(scene, area).iter().any(|hint| hint.action == Action::Acknowledge) {
            x = pen.pieces(x + 2, row, &key);
        }
    }
    if pen.height() < 4 {
        x = strains(theme, feed, x, row, pen);
    }
    // On a narrow screen what this program sends comes first.
    let phase = feed.snapshot.phase.filter(|_| words.is_empty() || pen.width() >= WIDE);
    let phase = phase.map_or("", event::phase_title);
    if !phase.is_empty() && !matches!(feed.mode, Mode::Replay { .. }) {
        x = pen.text(x + 2, row, phase, theme.base);
    }
    if let Mode::Replay { speed, duration_s, .. } = feed.mode {
        x = pen.text(x, row, &format!(" of {}  speed ×{speed}", quantity::clock(duration_s)), theme.base);
        x = if phase.is_empty() { x } else { pen.text(x + 2, row, phase, theme.base) };
        x = progress(scene, now_s / duration_s.max(0.001), x + 2, row, pen);
    }
    if let Some(held) = &scene.state.held {
        let text = format!("PICTURE HELD at {}, Space goes on", quantity::clock_tenths(held.snapshot.now_s));
        x = pen.text(x + 2, row, &text, theme.of(LinkState::Warning));
    }
    let answer =
        scene.state.reply.as_deref().or(if pen.height() < 4 { feed.message.as_deref() } else { None });
    x = recorder_beside(theme, feed, answer, (x + 2, row), pen);
    if scene.state.bell == Bell::Off && scene.state.reply.is_none() {
        x = pen.text(x + 2, row, "bell off", theme.dim);
    }
    if let Some(answer) = answer {
        let room = pen.width().saturating_sub(x + 2);
        pen.cut(x + 2, row, answer, room, theme.strong);
    }
}

/// What strains this computer now, if anything does.
fn strains(theme: &Theme, feed: &Feed, x: u16, row: u16, pen: &mut Pen<'_>) -> u16 {
    let text = health_words::brief(&feed.snapshot.strains);
    if text.is_empty() {
        return x;
    }
    let room = pen.width().saturating_sub(x + 2);
    pen.cut(x + 2, row, &text, room, theme.of(LinkState::Warning))
}

/// Where a replay stands, as a bar.
fn progress(scene: &Scene<'_>, share: f64, x: u16, row: u16, pen: &mut Pen<'_>) -> u16 {
    if pen.width() < WIDE {
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

/// The recorder, beside an answer to a key: where there is no room for both, the answer, which stands for one key only,
/// goes first, but never before what is not recorded. Gives the column after it.
pub(in crate::tui) fn recorder_beside(
    theme: &Theme,
    feed: &Feed,
    answer: Option<&str>,
    (x, row): (u16, u16),
    pen: &mut Pen<'_>,
) -> u16 {
    let is_broken = feed
        .recorder
        .as_ref()
        .is_some_and(|recorder| recorder.error.is_some() || recorder.is_gone || recorder.refused > 0);
    if pen.width() < WIDE && answer.is_some() && !is_broken {
        return x.saturating_sub(2);
    }
    recorder(theme, feed, x, row, pen)
}

/// The recorder, and what it could not record.
fn recorder(theme: &Theme, feed: &Feed, x: u16, row: u16, pen: &mut Pen<'_>) -> u16 {
    match (&feed.recorder, &feed.mode) {
        (Some(recorder), _) => {
            if let Some(error) = &recorder.error {
                return pen.text(x, row, &format!("NOT RECORDING: {error}"), theme.of(LinkState::Alarm));
            }
            if recorder.is_gone {
                let text = "NOT RECORDING: the file was deleted, moved or cut";
                return pen.text(x, row, text, theme.of(LinkState::Alarm));
            }
            let name =
                recorder.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            let text = format!("recording {name} {}", quantity::bytes(recorder.bytes));
            let x = pen.cut(x, row, &text, pen.width(), theme.base);
            if recorder.refused == 0 {
                return x;
            }
            let text = format!("  {} could not be recorded", quantity::bytes(recorder.refused));
            pen.text(x, row, &text, theme.of(LinkState::Alarm))
        }
        (None, Mode::Live) => pen.text(x, row, "not recording", theme.of(LinkState::Warning)),
        (None, Mode::Replay { .. }) => {
            pen.cut(x, row, &feed.snapshot.summary.recording.file, pen.width(), theme.dim)
        }
    }
}

/// Each source: heard, silent or down, and what this computer lost of it.
fn sources(scene: &Scene<'_>, feed: &Feed, row: u16, pen: &mut Pen<'_>) {
    let theme = scene.theme;
    let mut x = pen.text(0, row, "sources ", theme.dim);
    if feed.snapshot.sources.is_empty() {
        pen.text(x, row, "none yet", theme.dim);
    }
    let texts: Vec<_> = feed.snapshot.sources.iter().map(|source| (source, source_text(source))).collect();
    let full: u16 = texts.iter().map(|(source, (_, text))| width(&source.interface) + width(text) + 6).sum();
    // Where not all fit with their words, a source that is well has its symbol and name alone.
    let brief = x + full > pen.width() + 3;
    for (index, (source, (state, text))) in texts.iter().enumerate() {
        let well = *state == LinkState::Good && source.host_drops.unwrap_or(0) == 0;
        let text = if brief && well { "" } else { text };
        let rest = texts.len() - index - 1;
        if x + 2 + width(&source.interface).min(6) > pen.width() {
            let hidden = format!("+{}", rest + 1);
            pen.right(pen.width(), row, &hidden, theme.dim);
            return;
        }
        x = pen.text(x, row, quantity::symbol(*state), theme.of(*state));
        let room = pen.width().saturating_sub(x + 1);
        x = pen.cut(x + 1, row, &source.interface, room, theme.strong);
        let room = pen.width().saturating_sub(x + 1);
        x = if text.is_empty() || room < 4 { x } else { pen.cut(x + 1, row, text, room, theme.base) };
        x += if brief { 2 } else { 3 };
    }
}

/// A source in words, and how it does.
pub(in crate::tui) fn source_text(source: &SourceState) -> (LinkState, String) {
    let mut parts = Vec::new();
    let state = match (&source.down, source.silent_s) {
        (Some((_, reason)), _) => {
            parts.push(format!("down: {reason}"));
            LinkState::Failing
        }
        (None, None) => {
            parts.push("nothing received yet".to_owned());
            LinkState::Unknown
        }
        (None, Some(silent_s)) if silent_s > SILENT_S => {
            parts.push(format!("silent {}", quantity::seconds(silent_s)));
            LinkState::Warning
        }
        (None, Some(_)) if source.is_unread => {
            parts.push(advice::source_fault::unread(source.bytes, source.description.as_deref()));
            LinkState::Warning
        }
        (None, Some(_)) => {
            parts.push(format!("heard {}", quantity::bytes(source.bytes)));
            LinkState::Good
        }
    };
    if let Some(drops) = source.host_drops.filter(|drops| *drops > 0) {
        parts.push(format!("this computer lost {}", quantity::count(drops)));
    }
    (state, parts.join(", "))
}

/// What is transmitted, what strains this computer, and the session's own message.
fn notices(scene: &Scene<'_>, feed: &Feed, row: u16, pen: &mut Pen<'_>) {
    let x = transmits(scene.theme, feed, (0, row), pen);
    let x = strains(scene.theme, feed, x, row, pen);
    if let Some(message) = &feed.message {
        let room = pen.width().saturating_sub(x + 3);
        pen.cut(x + 3, row, message, room, scene.theme.of(LinkState::Warning));
    }
}

/// What is transmitted, with its caution, or that nothing is; gives the column after it.
pub(in crate::tui) fn transmits(theme: &Theme, feed: &Feed, (x, row): (u16, u16), pen: &mut Pen<'_>) -> u16 {
    if feed.snapshot.transmits.is_empty() {
        return pen.text(x, row, "only listening", theme.dim);
    }
    let x = pen.text(x, row, "! ", theme.of(LinkState::Warning));
    let all: Vec<String> = feed.snapshot.transmits.iter().map(|what| caution::sent(what)).collect();
    let fits = |text: &str| x + width(text) <= pen.width();
    let cautions: Vec<&str> = kinds(feed).iter().map(|(_, caution)| *caution).collect();
    let brief = format!("{} ({})", sends(feed), cautions.join("; "));
    let text = [all.join("; "), brief].into_iter().find(|text| fits(text)).unwrap_or_else(|| sends(feed));
    pen.text(x, row, &text, theme.strong)
}
