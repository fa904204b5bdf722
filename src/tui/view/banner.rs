//! The top of every screen: in one sentence, what to do. It stays live while the picture is held.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::Scene;
use crate::session::Feed;
use crate::snapshot::{Lane, LinkState};
use crate::summary::Verdict;
use crate::tui::state::Screen;
use crate::tui::widget::big;
use crate::tui::widget::pen::{Pen, wrapped};
use crate::wording::{advice, quantity};

/// Rows that it takes.
pub(super) fn rows(scene: &Scene<'_>, large: bool, area: Rect) -> u16 {
    match (large, area.height) {
        // That page says it itself, larger.
        _ if scene.state.screen == Screen::Field => 0,
        (_, 0..=9) => 1,
        // A state that asks for something gets room to say it on a narrow screen.
        (false, height) => 1 + u16::from(height >= 20 && area.width < 120 && is_pressing(scene)),
        (true, 10..=29) => 2,
        (true, 30..=49) => 4,
        (true, _) => 5,
    }
}

/// Whether the first sentence asks for something to be done.
fn is_pressing(scene: &Scene<'_>) -> bool {
    let first = scene.feed.and_then(|feed| feed.snapshot.verdicts.first());
    let state = first.map_or(LinkState::Unknown, |verdict| verdict.state);
    state.asks()
}

/// Draws it.
pub(super) fn render(scene: &Scene<'_>, large: bool, area: Rect, buffer: &mut Buffer) {
    let verdicts = scene.feed.map_or(&[][..], |feed| feed.snapshot.verdicts.as_slice());
    let first = verdicts.first();
    let state = first.map_or(LinkState::Unknown, |verdict| verdict.state);
    let style = scene.theme.band(state);
    buffer.set_style(area, style);
    let sentence = match (first, scene.feed) {
        (Some(verdict), _) => &advice::text(verdict),
        (None, Some(_)) => "nothing can be said yet: too little has been received",
        (None, None) => "waiting for the first bytes",
    };
    let word = format!(" {} {} ", quantity::symbol(state), state.word().to_uppercase());
    let mut pen = Pen::new(buffer, area);
    let middle = u16::from(area.height > 2);
    let start = pen.text(0, middle, &word, style) + 1;
    let end = if large && area.width >= 100 && area.height >= 4 {
        figures(scene.feed, first, &mut pen, style)
    } else {
        pen.width()
    };
    let room = end.saturating_sub(start + 1);
    let lines = if area.height == 1 { vec![sentence.to_owned()] } else { wrapped(sentence, room) };
    let mut row = middle;
    for line in lines.iter().take(2) {
        pen.cut(start, row, line, room, style);
        row += 1;
    }
    for verdict in verdicts.iter().skip(1).take(usize::from(area.height.saturating_sub(row))) {
        let plain = Style { add_modifier: ratatui::style::Modifier::empty(), ..style };
        let line = format!("{} {}", quantity::symbol(verdict.state), advice::text(verdict));
        pen.cut(start, row, &line, room, plain);
        row += 1;
    }
}

/// Margin, time and distance left of the link that the sentence is about, large, at the right; gives where they begin.
fn figures(feed: Option<&Feed>, verdict: Option<&Verdict>, pen: &mut Pen<'_>, style: Style) -> u16 {
    let lane = verdict.zip(feed).and_then(|(verdict, feed)| {
        feed.snapshot.lanes.iter().find(|lane: &&Lane| lane.link == verdict.about)
    });
    let mut end = pen.width().saturating_sub(2);
    let Some(lane) = lane else { return pen.width() };
    let row = pen.height().saturating_sub(3).min(1);
    let mut drawn = false;
    let metres = lane.metres_left.filter(|left_m| *left_m < 10_000.0 && pen.width() >= 120);
    if let Some(left_m) = metres {
        let digits = quantity::digits_left(left_m);
        let x = end.saturating_sub(big::width(&digits, "m left"));
        big::draw(pen, x, row, &digits, "m left", style);
        end = x.saturating_sub(3);
        drawn = true;
    }
    if let Some(left_s) = lane.seconds_left.filter(|left_s| *left_s < 1_000.0) {
        let digits = quantity::digits_left(left_s);
        let x = end.saturating_sub(big::width(&digits, "s left"));
        big::draw(pen, x, row, &digits, "s left", style);
        end = x.saturating_sub(3);
        drawn = true;
    }
    if let (Some(margin), Some(unit)) = (lane.margin_now, lane.unit) {
        // No negative nought.
        let digits = format!("{:.0}", margin.round() + 0.0);
        let label = format!("{} margin", unit.difference_label());
        let x = end.saturating_sub(big::width(&digits, &label));
        big::draw(pen, x, row, &digits, &label, style);
        end = x;
        drawn = true;
    }
    if drawn { end } else { pen.width() }
}
