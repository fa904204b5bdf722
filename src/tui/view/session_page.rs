//! How the session went: as a whole, then each link, then the drills and the latency.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use crate::snapshot::{LinkState, Snapshot};
use crate::summary::{SessionVerdict, SessionWord};
use crate::tui::widget::panel::panel;
use crate::tui::widget::pen::Pen;
use crate::wording::{quantity, session_sentence};

use super::Scene;

/// Columns of the words.
const WORDS: u16 = 14;

/// The state that looks alike.
const fn looks(word: SessionWord) -> LinkState {
    match word {
        SessionWord::Worked => LinkState::Good,
        SessionWord::Failed => LinkState::Failing,
        SessionWord::NotJudged => LinkState::Unknown,
    }
}

/// Draws the page.
pub(super) fn render(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, buffer: &mut Buffer) {
    let theme = scene.theme;
    let summary = &snapshot.summary;
    let note = format!("trips of {}", quantity::clock(summary.recording.duration_s));
    let inner = panel("how the session went", &note, theme, area, buffer);
    let mut pen = Pen::new(buffer, inner);
    if summary.session_verdicts.is_empty() {
        pen.paragraph(0, 1, "nothing is judged: no link was heard yet", theme.dim);
        return;
    }
    // With room to breathe, and packed where the page is small.
    let gap = u16::from(inner.height >= 18);
    let mut y = gap;
    for verdict in session_sentence::told(summary) {
        y = row(verdict, y, &mut pen, theme.of(looks(verdict.word)), theme.strong) + gap;
    }
    for (name, text) in session_sentence::beside(summary) {
        pen.text(0, y, name, theme.dim);
        y = pen.paragraph(WORDS, y, &text, theme.base) + gap;
    }
}

/// Word and sentence; gives the row after them.
fn row(verdict: &SessionVerdict, y: u16, pen: &mut Pen<'_>, style: Style, text: Style) -> u16 {
    let word = format!("{} {}", quantity::symbol(looks(verdict.word)), verdict.word.word());
    pen.text(0, y, &word, style);
    pen.paragraph(WORDS, y, &session_sentence::text(verdict), text)
}
