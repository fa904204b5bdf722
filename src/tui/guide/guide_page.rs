//! The page of the guided bench test: what to do in large letters, how it stands, what is seen live, the keys.
//!
//! Nothing is computed here. From the top: the step; the few words for cold fingers; what to do in sentences; the step's
//! word and its items; sticks and outputs as bars; what is transmitted; the recorder and one line that answers; the keys,
//! each of which takes a tap.

use crossterm::event::KeyCode;
use ratatui::buffer::Buffer;
use ratatui::layout::{Position, Rect};
use ratatui::style::Style;

use crate::judge::bench::guide_steps::{StepWord, rates_hz};
use crate::snapshot::{LinkState, Snapshot};
use crate::summary::{BenchRow, BenchStep, BenchWord};
use crate::tui::theme::Theme;
use crate::tui::view::stages::asked;
use crate::tui::view::{Glyphs, clean, foot};
use crate::tui::widget::big;
use crate::tui::widget::pen::{Pen, fitted, width, wrapped};
use crate::wording::caution::{DRILL, INSTRUMENT, POWER};
use crate::wording::glass_words::NO_TIME;
use crate::wording::{bench_words, guide_words, quantity};

use super::guide_desk::GuideDesk;

/// Large words are this many times the smallest at most.
const LARGEST: u16 = 3;
/// Rows of the smallest large words.
const SMALLEST: u16 = 3;
/// A bar's least and most, microseconds.
const BAR_US: (f64, f64) = (900.0, 2_100.0);
/// Columns before a bar, and behind it.
const NAMES: u16 = 12;
const FIGURES: u16 = 5;
/// Rows of the foot: what is transmitted; recorder and answer; keys.
const FOOT: u16 = 3;
/// Channels without a stick of their own that are shown beside those that steer.
const MOST_BARS: usize = 18;

/// What is drawn.
#[derive(Clone, Copy, Debug)]
pub struct GuidePage<'a> {
    /// The test.
    pub desk: &'a GuideDesk,
    /// Colours.
    pub theme: &'a Theme,
    /// Characters.
    pub glyphs: Glyphs,
}

/// A key at the foot.
struct Hint {
    x: u16,
    text: &'static str,
    key: KeyCode,
}

impl GuidePage<'_> {
    /// Draws it.
    pub fn render(&self, area: Rect, buffer: &mut Buffer) {
        let area = area.intersection(buffer.area);
        buffer.set_style(area, self.theme.base);
        let mut pen = Pen::new(buffer, area);
        self.band(&mut pen);
        let rows = area.height.saturating_sub(FOOT);
        // A sheet on a small screen needs the room for its items.
        let most = if self.desk.guide.step == BenchStep::Sheet { rows / 8 } else { rows / 4 };
        let mut y = self.large(&mut pen, 2, most.max(SMALLEST));
        y = self.sentences(&mut pen, y, rows);
        y = self.stands(&mut pen, y, rows.saturating_sub(self.live_rows()));
        self.live(&mut pen, y, rows);
        self.foot(&mut pen, area.height);
        clean(self.glyphs, area, buffer);
    }

    /// The key whose words stand at a place.
    #[must_use]
    pub fn touched(&self, area: Rect, place: Position) -> Option<KeyCode> {
        if place.y + 1 != area.bottom() {
            return None;
        }
        let x = place.x.checked_sub(area.x)?;
        self.hints()
            .into_iter()
            .find(|hint| (hint.x..hint.x + width(hint.text)).contains(&x))
            .map(|hint| hint.key)
    }

    fn band(&self, pen: &mut Pen<'_>) {
        let step = self.desk.guide.step;
        let number = BenchStep::ALL.iter().position(|each| *each == step).unwrap_or(0) + 1;
        let columns = pen.width();
        let style = self.theme.band(self.state());
        pen.shade(0, 0, columns, style);
        let steps = BenchStep::ALL.len();
        pen.text(1, 0, &format!("BENCH TEST {number}/{steps}  {}", guide_words::name(step)), style);
        pen.right(columns.saturating_sub(1), 0, "PROPELLERS OFF", style);
    }

    fn word(&self) -> StepWord {
        self.desk.standing.as_ref().map_or(StepWord::Open, |standing| standing.word)
    }

    fn state(&self) -> LinkState {
        if self.desk.guide.step == BenchStep::Sheet {
            return match self.desk.sheet.as_ref().map(|sheet| sheet.verdict) {
                Some(BenchWord::Passed) => LinkState::Good,
                Some(BenchWord::Failed) => LinkState::Alarm,
                _ => LinkState::Warning,
            };
        }
        match self.word() {
            StepWord::Enough => LinkState::Good,
            StepWord::Failed => LinkState::Alarm,
            StepWord::Open => LinkState::Warning,
            StepWord::Optional => LinkState::Heard,
        }
    }

    /// The few words, as large as a quarter of the screen takes.
    fn large(&self, pen: &mut Pen<'_>, y: u16, rows: u16) -> u16 {
        let text = guide_words::large(self.desk.guide.step, self.word(), &self.desk.now());
        let style = self.theme.of(self.state());
        let (scale, lines) = big::fitting(&text, pen.width().saturating_sub(2), rows, LARGEST);
        big::phrase(pen, (1, y), scale, &lines, style)
    }

    fn sentences(&self, pen: &mut Pen<'_>, y: u16, end: u16) -> u16 {
        let caution = match self.desk.guide.step {
            BenchStep::Propellers => Some(INSTRUMENT),
            BenchStep::Drills => Some(DRILL),
            BenchStep::Far => Some(POWER),
            _ => None,
        };
        let steps = guide_words::steps(self.desk.guide.step).iter();
        let mut y = y;
        let texts = steps
            .enumerate()
            .map(|(index, text)| (*text, index == 0))
            .chain(caution.map(|text| (text, false)));
        for (text, is_first) in texts {
            let style = if is_first { self.theme.strong } else { self.theme.base };
            for line in wrapped(text, pen.width().saturating_sub(2)) {
                if y < end {
                    pen.text(1, y, &line, style);
                    y += 1;
                }
            }
        }
        y + 1
    }

    /// The step's word, what it lacks, its items.
    fn stands(&self, pen: &mut Pen<'_>, y: u16, end: u16) -> u16 {
        let Some(standing) = self.desk.standing.as_ref().filter(|_| self.desk.feed.is_some()) else {
            return y;
        };
        let mut lines: Vec<(String, Style)> = Vec::new();
        if !matches!(self.desk.guide.step, BenchStep::Propellers | BenchStep::Sheet) {
            lines.push((guide_words::word(standing.word).to_owned(), self.theme.of(self.state())));
        }
        for need in &standing.needs {
            lines.push((format!("  {}", guide_words::need(*need)), self.theme.base));
        }
        let is_sheet = self.desk.guide.step == BenchStep::Sheet;
        let mut rows: Vec<&BenchRow> = standing.rows.iter().collect();
        if !is_sheet {
            // What is to be done first.
            rows.sort_by_key(|row| row.word == BenchWord::Passed);
        }
        for row in rows {
            lines.extend(self.row(row));
        }
        let mut y = y;
        let columns = pen.width().saturating_sub(2);
        for (text, style) in lines {
            let wrapped =
                if is_sheet { vec![fitted(&text, columns)] } else { wrapped_with_indent(&text, columns) };
            for line in wrapped {
                if y < end {
                    pen.text(1, y, &line, style);
                    y += 1;
                }
            }
        }
        y + 1
    }

    fn row(&self, row: &BenchRow) -> Vec<(String, Style)> {
        let state = match row.word {
            BenchWord::Passed => LinkState::Good,
            BenchWord::Failed => LinkState::Alarm,
            BenchWord::NotProven => LinkState::Warning,
            BenchWord::NotMeasured => LinkState::Heard,
        };
        let interval = Some(bench_words::interval(row)).filter(|interval| !interval.is_empty());
        let interval = interval.map_or_else(String::new, |interval| format!(" ({interval})"));
        let said = format!(
            "{:<13} {}: {}{interval}; {}",
            row.word.word(),
            bench_words::title(row),
            bench_words::value(row),
            bench_words::limit(row)
        );
        let mut lines = vec![(said, self.theme.of(state))];
        // The sheet has them all; a step shows what to do.
        if self.desk.guide.step != BenchStep::Sheet && row.word != BenchWord::Passed {
            let feed = self.desk.feed.as_ref();
            let missing = row.missing.zip(feed).map(|(why, feed)| asked(&feed.snapshot).missing(why));
            let remarks = bench_words::remarks(row, missing);
            lines.extend(remarks.into_iter().map(|text| (format!("  {text}"), self.theme.dim)));
        }
        lines
    }

    /// Rows that what is seen live has at least.
    fn live_rows(&self) -> u16 {
        match self.desk.guide.step {
            BenchStep::Sticks | BenchStep::Latency | BenchStep::Drills => {
                self.desk.steering().len() as u16 + 1
            }
            BenchStep::Glass => 3,
            BenchStep::Propellers | BenchStep::Sheet => 0,
            _ => 4,
        }
    }

    /// What is seen live in this step.
    fn live(&self, pen: &mut Pen<'_>, y: u16, end: u16) {
        let Some(feed) = &self.desk.feed else {
            pen.text(1, y.min(end.saturating_sub(1)), "waiting for the first data", self.theme.dim);
            return;
        };
        let snapshot = &feed.snapshot;
        match self.desk.guide.step {
            BenchStep::Sticks | BenchStep::Latency | BenchStep::Drills => self.bars(pen, snapshot, y, end),
            BenchStep::Glass => self.photographs(pen, y, end),
            BenchStep::Sheet | BenchStep::Propellers => {}
            _ => self.sources(pen, snapshot, y, end),
        }
    }

    fn bars(&self, pen: &mut Pen<'_>, snapshot: &Snapshot, y: u16, end: u16) {
        let next = self.desk.now().channel;
        let half = pen.width() / 2;
        let steering = self.desk.steering();
        let echo = &snapshot.echo;
        let reported = (1..=18_u8)
            .filter(|channel| steering.contains(channel) || echo.inputs[usize::from(*channel) - 1].is_some());
        for (row, channel) in (y..end).zip(reported.take(MOST_BARS)) {
            let stick = snapshot.summary.sticks.iter().find(|stick| stick.channel == channel);
            let moved = stick.is_some_and(|stick| stick.moved);
            let (sign, style) = match (moved, next == Some(channel)) {
                (_, true) => ('>', self.theme.strong),
                (true, false) => (' ', self.theme.base),
                (false, false) => ('?', self.theme.dim),
            };
            pen.text(1, row, &format!("{sign}channel {channel}"), style);
            self.bar(
                pen,
                (NAMES, row),
                half.saturating_sub(NAMES + 1),
                echo.inputs[usize::from(channel) - 1],
                style,
            );
            let servo = stick.and_then(|stick| stick.outputs.first()).map(|output| output.servo);
            if let Some(servo) = servo.filter(|servo| (1..=16).contains(servo)) {
                pen.text(half, row, &format!("output {servo}"), style);
                let output = echo.outputs[usize::from(servo) - 1];
                self.bar(pen, (half + NAMES - 1, row), half.saturating_sub(NAMES + 1), output, style);
            }
        }
    }

    /// A position between its ends, and its figure behind it.
    fn bar(&self, pen: &mut Pen<'_>, (x, y): (u16, u16), columns: u16, position: Option<u16>, style: Style) {
        let Some(position) = position else {
            pen.text(x, y, "not reported", self.theme.dim);
            return;
        };
        let columns = columns.saturating_sub(FIGURES);
        let share = (f64::from(position) - BAR_US.0) / (BAR_US.1 - BAR_US.0);
        let lit = (share.clamp(0.0, 1.0) * f64::from(columns)).round() as u16;
        for column in 0..columns {
            pen.glyph(x + column, y, if column < lit { '█' } else { '·' }, style);
        }
        pen.text(x + columns + 1, y, &position.to_string(), style);
    }

    fn photographs(&self, pen: &mut Pen<'_>, y: u16, end: u16) {
        let readings = &self.desk.readings;
        let said = if readings.refused { NO_TIME.to_owned() } else { self.desk.delay_said() };
        let lines = [(readings.next_said(), self.theme.strong), (said, self.theme.base)];
        for (row, (line, style)) in (y..end).zip(&lines) {
            pen.text(1, row, line, *style);
        }
    }

    fn sources(&self, pen: &mut Pen<'_>, snapshot: &Snapshot, y: u16, end: u16) {
        let theme = self.theme;
        let mut lines: Vec<(String, Style)> = Vec::new();
        for source in &snapshot.sources {
            let (state, text) = foot::source_text(source);
            let text = format!("{}: {text}", source.interface);
            let rows = wrapped_with_indent(&text, pen.width().saturating_sub(2));
            lines.extend(rows.into_iter().map(|row| (row, theme.of(state))));
        }
        if self.desk.guide.step == BenchStep::Links {
            let said =
                |hz: Option<f64>| hz.map_or_else(|| "none".to_owned(), |hz| format!("{hz:.0} a second"));
            let [inputs, outputs] = rates_hz(&snapshot.summary).map(said);
            lines.push((format!("RC channels {inputs}, outputs {outputs}"), theme.base));
        }
        for lane in &snapshot.lanes {
            let Some(loss) = lane.loss_so_far else { continue };
            let level = lane.level_now.zip(lane.unit).map_or_else(String::new, |(level, unit)| {
                format!("; level now {}", quantity::level(level, unit))
            });
            lines
                .push((format!("{}: loss so far {:.2} %{level}", lane.link, loss.ratio * 100.0), theme.base));
        }
        for (row, (text, style)) in (y..end).zip(&lines) {
            pen.text(1, row, text, *style);
        }
    }

    /// What is transmitted; the recorder and what answers; the keys.
    fn foot(&self, pen: &mut Pen<'_>, height: u16) {
        let Some(row) = height.checked_sub(2) else { return };
        let (desk, theme) = (self.desk, self.theme);
        let feed = desk.feed.as_deref();
        let question = desk.asks_quit.then_some("Leave the test? It can be gone on with later. y leaves");
        let answer = question.or(desk.reply.as_deref());
        let answer = answer.or_else(|| feed.and_then(|feed| feed.message.as_deref()));
        let mut x = 1;
        if let Some(feed) = feed {
            if let Some(above) = row.checked_sub(1) {
                foot::transmits(theme, feed, (1, above), pen);
            }
            let end = foot::recorder_beside(theme, feed, answer, (1, row), pen);
            x = if end > 1 { end + 2 } else { 1 };
        }
        if let Some(answer) = answer {
            pen.cut(x, row, answer, pen.width().saturating_sub(x + 1), theme.strong);
        }
        for hint in self.hints() {
            pen.text(hint.x, height - 1, hint.text, theme.key);
        }
    }

    fn hints(&self) -> Vec<Hint> {
        let asks = if self.desk.asks_quit { BenchStep::Propellers } else { self.desk.guide.step };
        let all: &[(&'static str, KeyCode)] = &[
            ("y yes", KeyCode::Char('y')),
            ("Enter next", KeyCode::Enter),
            ("b back", KeyCode::Char('b')),
            ("s skip", KeyCode::Char('s')),
            ("r repeat", KeyCode::Char('r')),
            ("f faster messages", KeyCode::Char('f')),
            ("c clock", KeyCode::Char('c')),
            ("q quit", KeyCode::Char('q')),
        ];
        let is_asked = |text: &str| match text {
            "y yes" => {
                self.desk.asks_quit
                    || matches!(asks, BenchStep::Propellers | BenchStep::Far | BenchStep::Drills)
            }
            "f faster messages" | "c clock" => matches!(asks, BenchStep::Links | BenchStep::Latency),
            "q quit" => true,
            _ => asks != BenchStep::Propellers,
        };
        let mut x = 1;
        let mut hints = Vec::new();
        for (text, key) in all.iter().filter(|(text, _)| is_asked(text)) {
            hints.push(Hint { x, text, key: *key });
            x += width(text) + 2;
        }
        hints
    }
}

/// Broken between words, each further line as far in as the first and two more.
fn wrapped_with_indent(text: &str, columns: u16) -> Vec<String> {
    let text_only = text.trim_start();
    let indent = (text.len() - text_only.len()) as u16;
    let lines = wrapped(text_only, columns.saturating_sub(indent + 2));
    let further = |index: usize| usize::from(indent) + if index == 0 { 0 } else { 2 };
    lines.into_iter().enumerate().map(|(index, line)| format!("{:1$}{line}", "", further(index))).collect()
}
