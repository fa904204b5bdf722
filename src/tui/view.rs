//! The pages. Each draws one part of a snapshot: it scales and formats, and computes no figure.
//!
//! Every page has the same frame: what to do at the top, the page, the state of
//! sources and recorder, and the keys at the foot.

mod antenna_panel;
mod banner;
mod caution_line;
mod dialog;
mod distances;
mod events_page;
mod failsafe_page;
mod field_page;
pub(in crate::tui) mod foot;
mod lane_column;
mod latency_page;
mod loss_page;
mod map;
mod movement;
mod overview_page;
mod radios;
mod range_page;
mod session_page;
mod signal_page;
mod spectrum_panel;
pub(in crate::tui) mod stages;
pub mod touch;
mod vibration_page;
mod video_page;
mod wifi_panel;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use crate::session::Feed;
use crate::snapshot::{Lane, Snapshot};

use super::state::{Screen, UiState};
use super::theme::Theme;
use super::widget::axis::TimeAxis;
use super::widget::panel::{split_columns, split_rows};
use super::widget::pen::Pen;
use crate::record::text::is_printable;
use crate::wording::quantity;

/// Which characters the terminal can show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Glyphs {
    /// Blocks and Braille patterns.
    #[default]
    Full,
    /// ASCII alone.
    Ascii,
}

/// What is drawn.
#[derive(Clone, Copy, Debug)]
pub struct Scene<'a> {
    /// The newest picture; `None` before the first.
    pub feed: Option<&'a Feed>,
    /// What the pilot chose.
    pub state: &'a UiState,
    /// Colours.
    pub theme: &'a Theme,
    /// Characters.
    pub glyphs: Glyphs,
}

impl<'a> Scene<'a> {
    /// The picture that the page shows: the held one, else the newest.
    fn shown(&self) -> Option<&'a Snapshot> {
        self.state.held.as_deref().or(self.feed).map(|feed| feed.snapshot.as_ref())
    }
}

/// Columns left of every plot over time.
pub(crate) const GUTTER: u16 = 29;
/// Columns of the overview's right part, where the screen is wide enough.
const SIDE: u16 = 38;
/// From this width on the overview has a right part.
const WIDE: u16 = 112;

/// Columns of the right part of the overview at this width.
const fn side(width: u16) -> u16 {
    if width < WIDE {
        0
    } else if width < 160 {
        SIDE
    } else {
        56
    }
}

/// Columns to ask of the session for a page at this size: two a character, as fine as the dots.
#[must_use]
pub fn columns(screen: Screen, area: Rect) -> u16 {
    (plot_columns(screen, area) * 2).clamp(1, 512)
}

/// Columns of the plots over time.
fn plot_columns(screen: Screen, area: Rect) -> u16 {
    let side = match screen {
        Screen::Overview if side(area.width) > 0 => side(area.width) + 2,
        Screen::Signal => signal_page::side(area.width),
        _ => 0,
    };
    area.width.saturating_sub(GUTTER + side)
}

/// Draws everything.
pub fn render(scene: &Scene<'_>, area: Rect, buffer: &mut Buffer) {
    let area = area.intersection(buffer.area);
    if area.is_empty() {
        return;
    }
    buffer.set_style(area, scene.theme.base);
    let parts = Parts::of(scene, area);
    let body = parts.body;
    banner::render(scene, parts.large, parts.banner, buffer);
    caution_line::render(scene, &parts.cautions, parts.caution, buffer);
    if let Some(snapshot) = scene.shown() {
        page(scene, snapshot, body, buffer);
    } else {
        let text = "no record yet: waiting for the first bytes of a source";
        Pen::new(buffer, body).paragraph(1, 1, text, scene.theme.dim);
    }
    foot::render(scene, parts.foot, buffer);
    dialog::render(scene, area, buffer);
    clean(scene.glyphs, area, buffer);
}

/// What stands where: the same for what draws and for what is touched.
struct Parts {
    large: bool,
    banner: Rect,
    cautions: Vec<String>,
    caution: Rect,
    body: Rect,
    foot: Rect,
}

impl Parts {
    fn of(scene: &Scene<'_>, area: Rect) -> Self {
        let large = scene.state.screen == Screen::Overview;
        let (banner, rest) = split_rows(area, banner::rows(scene, large, area));
        let foot_rows = foot::rows(large, area.height);
        let (body, foot) = split_rows(rest, rest.height.saturating_sub(foot_rows));
        let cautions = caution_line::lines(scene, body);
        let (caution, body) = split_rows(body, cautions.len() as u16);
        Self { large, banner, cautions, caution, body, foot }
    }
}

fn page(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    match scene.state.screen {
        Screen::Overview => overview_page::render(scene, snapshot, area, buffer),
        Screen::Latency => latency_page::render(scene, snapshot, area, buffer),
        Screen::Loss => loss_page::render(scene, snapshot, area, buffer),
        Screen::Range => range_page::render(scene, snapshot, area, buffer),
        Screen::Video => video_page::render(scene, snapshot, area, buffer),
        Screen::Vibration => vibration_page::render(scene, snapshot, area, buffer),
        Screen::Events => events_page::render(scene, snapshot, area, buffer),
        Screen::Signal => signal_page::render(scene, snapshot, area, buffer),
        Screen::Map => map::render(scene, snapshot, area, buffer),
        Screen::Field => field_page::render(scene, snapshot, area, buffer),
        Screen::Session => session_page::render(scene, snapshot, area, buffer),
    }
}

/// The last word on every cell: no control character, and ASCII where nothing else can be shown.
pub(super) fn clean(glyphs: Glyphs, area: Rect, buffer: &mut Buffer) {
    for y in area.top()..area.bottom() {
        for x in area.left()..area.right() {
            let cell = &mut buffer[(x, y)];
            if cell.symbol().chars().all(|letter| is_printable(letter) && letter.is_ascii()) {
                continue;
            }
            if !cell.symbol().chars().all(is_printable) {
                cell.set_char('?');
            } else if glyphs == Glyphs::Ascii {
                let letter = cell.symbol().chars().next().map_or(' ', ascii);
                cell.set_char(letter);
            }
        }
    }
}

/// The ASCII character that says the same.
fn ascii(letter: char) -> char {
    match letter {
        '\u{2800}'..='\u{28ff}' => braille_ascii(letter as u32 - 0x2800),
        '─' | '╌' | '━' | '→' | '–' => '-',
        '│' | '╎' | '╵' | '┃' => '|',
        '…' => '.',
        '·' | '▁' => '_',
        '▬' => 'Z',
        '◎' => '0',
        '░' | '▂' => ':',
        '▒' | '▃' | '▄' => '=',
        '▓' | '▅' | '▆' => '%',
        '█' | '▇' | '■' => '#',
        '▀' => '"',
        '●' => '+',
        '±' => '~',
        '°' => 'd',
        '▲' | '↗' => '^',
        '◆' => '!',
        '×' => 'x',
        '○' => 'o',
        '▪' => '*',
        '↘' => 'v',
        _ => '?',
    }
}

/// Dots in the upper half, the lower half, or both.
const fn braille_ascii(bits: u32) -> char {
    match (bits & 0x1b != 0, bits & 0xe4 != 0) {
        (true, false) => '\'',
        (false, true) => '.',
        (true, true) => ':',
        (false, false) => ' ',
    }
}

/// The time axis of a page, under a plot that begins behind the gutter.
fn time_axis(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let follows = scene.state.window.end_s.is_none();
    let plot = split_columns(area, GUTTER, 0).1;
    put(&TimeAxis { view: snapshot.view, follows, theme: scene.theme }, plot, buffer);
}

/// The lanes that `keep` takes, those whose limit is known first: what can freeze is read first.
fn lanes_by_limit(snapshot: &Snapshot, keep: impl Fn(&Lane) -> bool) -> Vec<&Lane> {
    let mut kept: Vec<&Lane> = snapshot.lanes.iter().filter(|lane| keep(lane)).collect();
    kept.sort_by_key(|lane| lane.threshold.is_none());
    kept
}

/// How much time a page shows, in words.
fn window_text(scene: &Scene<'_>) -> String {
    let span_s = scene.state.window.span_s();
    match scene.state.window.end_s {
        _ if !span_s.is_finite() => "whole session".to_owned(),
        Some(end_s) => format!("{} up to {}", quantity::seconds(span_s), quantity::clock(end_s)),
        None => format!("last {}", quantity::seconds(span_s)),
    }
}

/// Draws a widget; a short name for what every page does.
fn put(widget: impl Widget, area: Rect, buffer: &mut Buffer) {
    widget.render(area, buffer);
}
