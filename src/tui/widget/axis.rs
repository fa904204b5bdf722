//! The time axis that all lanes share, and the marks that stand across them.

use std::collections::BTreeSet;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use crate::record::MarkKind;
use crate::snapshot::{LinkState, View};
use crate::summary::{Event, EventSummary, MarginChange};
use crate::tui::theme::Theme;
use crate::wording::quantity;

use super::pen::{Pen, width};

/// Distances between labels, seconds.
const STEPS_S: [f64; 16] = [
    1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1_800.0, 3_600.0, 7_200.0, 21_600.0,
    86_400.0,
];

/// The column, of `columns`, of an instant in a window.
#[must_use]
pub fn column(view: &View, at_s: f64, columns: u16) -> Option<u16> {
    View { columns, ..*view }.column_of(at_s).map(|column| column as u16)
}

/// Labels of the session's clock under a plot.
#[derive(Debug)]
pub struct TimeAxis<'a> {
    /// The window.
    pub view: View,
    /// It follows the newest record: its right edge is now.
    pub follows: bool,
    /// Colours.
    pub theme: &'a Theme,
}

impl Widget for &TimeAxis<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        let columns = pen.width();
        let span_s = self.view.to_s - self.view.from_s;
        if columns == 0 || !span_s.is_finite() || span_s <= 0.0 {
            return;
        }
        let end = if self.follows {
            pen.right(columns, 0, "now", self.theme.strong)
        } else {
            pen.right(columns, 0, &quantity::clock(self.view.to_s), self.theme.strong)
        };
        let room = f64::from(columns) / 12.0;
        let step = STEPS_S.into_iter().find(|step| span_s / step <= room).unwrap_or(span_s);
        let first = (self.view.from_s / step).ceil();
        for number in 0..64 {
            let at_s = (first + f64::from(number)) * step;
            let Some(x) = column(&self.view, at_s, columns) else { break };
            let text = quantity::clock(at_s);
            if at_s < -0.5 || x + 1 + width(&text) + 1 > end {
                continue;
            }
            let after = pen.text(x, 0, "╵", self.theme.rule);
            pen.text(after, 0, &text, self.theme.dim);
        }
    }
}

/// The letter of what a person marked.
#[must_use]
pub const fn letter_of(kind: MarkKind) -> char {
    match kind {
        MarkKind::PictureFroze => 'F',
        MarkKind::PictureShook => 'S',
        MarkKind::HandsetHere => 'H',
        MarkKind::Drill => 'D',
        MarkKind::Remark => 'N',
    }
}

/// The state that an event begins, if it is a grave one.
#[must_use]
pub const fn state_of(event: &Event) -> Option<LinkState> {
    match event {
        Event::Margin { change: MarginChange::Warning, .. } => Some(LinkState::Warning),
        Event::Margin { change: MarginChange::Alarm, .. } => Some(LinkState::Alarm),
        Event::Lost
        | Event::Failsafe(_)
        | Event::VehicleLost(_)
        | Event::VehicleSilent
        | Event::AutopilotSilent => Some(LinkState::Failing),
        _ => None,
    }
}

/// Letters of marks and events, over the lanes.
#[derive(Debug)]
pub struct MarkRow<'a> {
    /// The window.
    pub view: View,
    /// Marks and events.
    pub marks: &'a [EventSummary],
    /// Colours.
    pub theme: &'a Theme,
}

impl MarkRow<'_> {
    /// Draws thin lines down the lanes at each mark and alarm, where nothing stands yet.
    pub fn ticks(&self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        let columns = pen.width();
        // Events that recur (a sender that restarts again and again) would hatch the lanes: they keep their
        // sign above them, and those of one column are one sign.
        let column_of = |mark: &EventSummary| column(&self.view, mark.at_s, columns);
        let minor: BTreeSet<u16> =
            self.marks.iter().filter(|mark| !is_major(mark)).filter_map(column_of).collect();
        let too_many = minor.len() > usize::from(columns / MINOR_EVERY);
        let shown = |mark: &&EventSummary| stands_across(mark) && (is_major(mark) || !too_many);
        let across: BTreeSet<u16> = self.marks.iter().filter(shown).filter_map(column_of).collect();
        for x in across {
            for y in 0..pen.height() {
                let beside = |x: u16| pen.at(x, y).chars().next().is_some_and(is_of_text);
                if pen.at(x, y) == " " && !beside(x.saturating_sub(1)) && !beside(x + 1) {
                    pen.glyph(x, y, '╎', self.theme.rule);
                }
            }
        }
    }
}

/// Lines of lesser events are drawn for at most one column in so many.
const MINOR_EVERY: u16 = 10;

/// A person set it.
const fn is_set(mark: &EventSummary) -> bool {
    matches!(mark.event, Event::Mark { .. })
}

/// The symbol of a state, as one character.
fn sign(state: LinkState) -> char {
    quantity::symbol(state).chars().next().unwrap_or('▪')
}

/// What is worth a line however often it comes.
fn is_major(mark: &EventSummary) -> bool {
    let warns = matches!(state_of(&mark.event), Some(LinkState::Warning | LinkState::Alarm));
    warns || is_set(mark) || !stands_across(mark)
}

/// A character of words or figures: no line stands in the gaps between them.
fn is_of_text(letter: char) -> bool {
    letter.is_ascii_alphanumeric() || matches!(letter, ',' | '.' | ';' | ':' | '%' | '(' | ')')
}

/// What is worth a line across all lanes: what a person set, warnings and alarms, restarts, sources.
fn stands_across(mark: &EventSummary) -> bool {
    !matches!(mark.event.kind(), "freeze" | "cleared" | "hold" | "back")
}

impl Widget for &MarkRow<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area);
        let columns = pen.width();
        // What a person set is drawn last, so that nothing hides it.
        let (set, other): (Vec<_>, Vec<_>) = self.marks.iter().partition(|mark| is_set(mark));
        for mark in other.into_iter().filter(|mark| stands_across(mark)).chain(set) {
            let Some(x) = column(&self.view, mark.at_s, columns) else { continue };
            let (letter, style) = match (&mark.event, state_of(&mark.event)) {
                (Event::Mark { kind, .. }, _) => (letter_of(*kind), self.theme.mark),
                (_, Some(state)) => (sign(state), self.theme.of(state)),
                (_, None) => ('▪', self.theme.mark),
            };
            pen.glyph(x, 0, letter, style);
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::theme::ThemeName;
    use crate::tui::widget::axis::*;
    use crate::units::LevelUnit;

    fn restart(at_s: f64) -> EventSummary {
        EventSummary { at_s, link: None, event: Event::RestartAloft }
    }

    fn drawn(marks: &[EventSummary], text: &str) -> String {
        let area = Rect::new(0, 0, 40, 1);
        let mut buffer = Buffer::empty(area);
        let theme = Theme::named(ThemeName::Dark);
        Pen::new(&mut buffer, area).text(0, 0, text, theme.base);
        let view = View { from_s: 0.0, to_s: 40.0, columns: 40 };
        MarkRow { view, marks, theme }.ticks(area, &mut buffer);
        (0..40).map(|x| buffer[(x, 0)].symbol()).collect()
    }

    #[test]
    fn events_that_recur_do_not_hatch_a_chart() {
        let few: Vec<EventSummary> = (0..3).map(|at| restart(f64::from(at) * 10.0)).collect();
        assert_eq!(drawn(&few, "").matches('╎').count(), 3);
        let many: Vec<EventSummary> = (0..160).map(|at| restart(f64::from(at) / 4.0)).collect();
        assert_eq!(drawn(&many, "").matches('╎').count(), 0);
    }

    #[test]
    fn no_line_runs_through_words() {
        let event = Event::Margin {
            change: MarginChange::Alarm,
            margin: 2.1,
            unit: LevelUnit::Dbm,
            seconds_left: None,
            metres_left: None,
        };
        let alarm = EventSummary { event, ..restart(3.5) };
        assert!(drawn(&[alarm], "not measured: add").starts_with("not measured: add "));
    }
}
