//! What the pilot has chosen: page, window of time, dialog, theme. A pure state
//! machine: actions in, effects out; it knows no terminal and no clock.

use std::sync::Arc;

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::record::MarkKind;
use crate::session::{Command, Feed, Mode, ViewRequest};
use crate::wording::event;

use super::action::Action;
pub use super::bell::Bell;
use super::bell::Ringing;
use super::keys;
use super::page_figures;
use super::pointer::{Gesture, Target};
pub use super::screen::{EventFilter, LossPart, Screen};
use super::theme::ThemeName;

/// What lies over the page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Dialog {
    /// The help page.
    Help,
    /// What the page shows, explained.
    Explain,
    /// A note is being written.
    Note(String),
    /// Really quit?
    ConfirmQuit,
}

/// How much time the window shows, seconds; the last is the whole session.
pub const SPANS_S: [f64; 13] = [
    10.0,
    30.0,
    60.0,
    120.0,
    300.0,
    600.0,
    1_800.0,
    3_600.0,
    7_200.0,
    14_400.0,
    43_200.0,
    86_400.0,
    f64::INFINITY,
];

/// The window of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// Index into [`SPANS_S`].
    pub span: usize,
    /// Right edge, seconds from the first record; `None`: follows the newest record.
    pub end_s: Option<f64>,
}

impl Default for Window {
    fn default() -> Self {
        Self { span: 3, end_s: None }
    }
}

impl Window {
    /// Its width in seconds; infinite for the whole session.
    #[must_use]
    pub fn span_s(&self) -> f64 {
        SPANS_S[self.span.min(SPANS_S.len() - 1)]
    }

    fn shift(&mut self, now_s: f64, share: f64) {
        let span_s = if self.span_s().is_finite() { self.span_s() } else { return };
        let end_s = (self.end_s.unwrap_or(now_s) + share * span_s).max(span_s.min(now_s));
        self.end_s = (end_s < now_s).then_some(end_s);
    }

    fn zoom(&mut self, now_s: f64, by: isize) {
        let longest = SPANS_S.len() - 1;
        let mut span = self.span.saturating_add_signed(by).min(longest);
        // Spans longer than the session all look alike: go straight to the whole, and back.
        while span < longest && span > 0 && SPANS_S[span - 1] > now_s && by > 0 {
            span = longest;
        }
        while by < 0 && span > 0 && span < longest && SPANS_S[span] > now_s.max(SPANS_S[0]) {
            span -= 1;
        }
        self.span = span;
        if span == longest {
            self.end_s = None;
        }
    }
}

/// What the loop has to do for an action.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// Send this to the session.
    Send(Command),
    /// Ring the bell, so many strokes.
    Ring(u8),
    /// Leave the screens.
    Quit,
}

/// Everything that the pilot has chosen.
#[derive(Clone, Debug, Default)]
pub struct UiState {
    /// The page.
    pub screen: Screen,
    /// What lies over it.
    pub dialog: Option<Dialog>,
    /// The window of time.
    pub window: Window,
    /// Colours.
    pub theme: ThemeName,
    /// The bell.
    pub bell: Bell,
    /// Live: the picture that is held while the session goes on.
    pub held: Option<Arc<Feed>>,
    /// First row of the list on the page.
    pub scroll: usize,
    /// First row of the help, or line of the explanation.
    pub help_scroll: usize,
    /// Which part of the loss page is shown.
    pub loss_part: LossPart,
    /// Which link the page shows in detail.
    pub item: usize,
    /// Which events are listed.
    pub filter: EventFilter,
    /// One line that answers the last key.
    pub reply: Option<String>,
    /// The bell's rhythm.
    pub ringing: Ringing,
    /// The session came to its end: its page was shown once.
    pub at_end: bool,
}

/// The help has no more rows to scroll: its keys, headings and words on a narrow screen.
const HELP_ROWS: usize = keys::TABLE.len() * 2;

/// Longest note, in characters.
pub const NOTE_LIMIT: usize = 200;

impl UiState {
    /// A key was pressed; `feed` is the newest.
    pub fn key(&mut self, key: KeyEvent, feed: Option<&Arc<Feed>>) -> Vec<Effect> {
        self.reply = None;
        match self.dialog.take() {
            None => keys::action(key).map_or_else(Vec::new, |action| self.apply(action, feed)),
            Some(dialog @ (Dialog::Help | Dialog::Explain)) => self.key_in_text(dialog, key, feed),
            Some(Dialog::Note(text)) => self.key_in_note(key, text),
            Some(Dialog::ConfirmQuit) => match key.code {
                KeyCode::Char('y' | 'q') | KeyCode::Enter => vec![Effect::Quit],
                KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => vec![Effect::Quit],
                _ => Vec::new(),
            },
        }
    }

    /// Keys while help or explanation is shown; their own key and Esc close it.
    fn key_in_text(&mut self, dialog: Dialog, key: KeyEvent, feed: Option<&Arc<Feed>>) -> Vec<Effect> {
        let (own, page, last) = match dialog {
            Dialog::Help => (Action::Help, 10, HELP_ROWS),
            // Its lines are paragraphs.
            _ => (Action::Explain, 4, self.explained_lines().saturating_sub(1)),
        };
        match keys::action(key) {
            Some(Action::Leave | Action::NextItem) => return Vec::new(),
            Some(action) if action == own => return Vec::new(),
            Some(action @ (Action::Show(_) | Action::Quit | Action::Help | Action::Explain)) => {
                return self.apply(action, feed);
            }
            Some(Action::NextTheme) => self.theme = self.theme.next(),
            Some(Action::Up) => self.help_scroll = self.help_scroll.saturating_sub(1),
            Some(Action::Down) => self.help_scroll = (self.help_scroll + 1).min(last),
            Some(Action::PageUp) => self.help_scroll = self.help_scroll.saturating_sub(page),
            Some(Action::PageDown) => self.help_scroll = (self.help_scroll + page).min(last),
            _ => {}
        }
        self.dialog = Some(dialog);
        Vec::new()
    }

    fn explained_lines(&self) -> usize {
        page_figures::explanations(self.screen).map(|one| one.lines(false).count()).sum()
    }

    fn key_in_note(&mut self, key: KeyEvent, mut text: String) -> Vec<Effect> {
        match key.code {
            KeyCode::Esc => return Vec::new(),
            KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => return Vec::new(),
            KeyCode::Enter => {
                let text = text.trim().to_owned();
                if text.is_empty() {
                    return Vec::new();
                }
                return self.mark(MarkKind::Remark, text);
            }
            KeyCode::Backspace => drop(text.pop()),
            KeyCode::Char(letter)
                if !letter.is_control()
                    && !key.modifiers.intersects(KeyModifiers::CONTROL | KeyModifiers::ALT)
                    && text.chars().count() < NOTE_LIMIT =>
            {
                text.push(letter);
            }
            _ => {}
        }
        self.dialog = Some(Dialog::Note(text));
        Vec::new()
    }

    /// An action was asked for; `feed` is the newest.
    pub fn apply(&mut self, action: Action, feed: Option<&Arc<Feed>>) -> Vec<Effect> {
        let now_s = feed.map_or(0.0, |feed| feed.snapshot.now_s);
        match action {
            Action::Show(screen) => self.show(screen),
            Action::NextScreen => self.show(self.screen.step(1)),
            Action::PreviousScreen => self.show(self.screen.step(Screen::ALL.len() - 1)),
            Action::ZoomIn => self.window.zoom(now_s, -1),
            Action::ZoomOut => self.window.zoom(now_s, 1),
            Action::WholeSession => self.window = Window { span: SPANS_S.len() - 1, end_s: None },
            Action::Earlier => self.window.shift(now_s, -0.25),
            Action::Later => self.window.shift(now_s, 0.25),
            Action::FollowNewest => self.window.end_s = None,
            Action::Up => self.scroll = self.scroll.saturating_sub(1),
            Action::Down => self.scroll = self.scroll.saturating_add(1).min(self.rows(feed)),
            Action::PageUp => self.scroll = self.scroll.saturating_sub(10),
            Action::PageDown => self.scroll = self.scroll.saturating_add(10).min(self.rows(feed)),
            Action::NextItem => self.next_item(feed),
            Action::Mark(_) | Action::WriteNote if is_replay(feed) => self.refuse_mark(),
            Action::WriteNote => self.dialog = Some(Dialog::Note(String::new())),
            Action::Bell => self.toggle_bell(),
            Action::NextTheme => self.theme = self.theme.next(),
            Action::Help | Action::Explain => {
                self.dialog = Some(if action == Action::Help { Dialog::Help } else { Dialog::Explain });
                self.help_scroll = 0;
            }
            Action::Leave => self.show(Screen::Overview),
            Action::Mark(kind) => return self.mark(kind, String::new()),
            Action::Acknowledge => return self.acknowledge(feed),
            Action::Quit => return self.quit(feed),
            Action::Pause
            | Action::Faster
            | Action::Slower
            | Action::SeekBy(_)
            | Action::ToStart
            | Action::ToEnd => return self.play(action, feed, now_s),
        }
        Vec::new()
    }

    fn show(&mut self, screen: Screen) {
        if self.screen != screen {
            self.scroll = 0;
        }
        self.screen = screen;
    }

    fn rows(&self, feed: Option<&Arc<Feed>>) -> usize {
        let Some(snapshot) = feed.map(|feed| &feed.snapshot) else { return 0 };
        let summary = &snapshot.summary;
        let rows = match self.screen {
            Screen::Events => summary.events.iter().filter(|event| self.filter.lists(&event.event)).count(),
            Screen::Loss => snapshot.senders.len(),
            Screen::Video => summary.video.as_ref().map_or(0, |video| video.freeze_list.len()),
            Screen::Vibration => snapshot.vibration.around.len(),
            _ => 0,
        };
        rows.saturating_sub(1)
    }

    fn next_item(&mut self, feed: Option<&Arc<Feed>>) {
        if self.screen == Screen::Events {
            self.filter = self.filter.next();
            self.scroll = 0;
            return;
        }
        if self.screen == Screen::Loss {
            self.loss_part = self.loss_part.next();
            return;
        }
        let links = feed.map_or(0, |feed| feed.snapshot.lanes.len());
        self.item = if links == 0 { 0 } else { (self.item + 1) % links };
    }

    fn acknowledge(&mut self, feed: Option<&Arc<Feed>>) -> Vec<Effect> {
        let stands = |feed: &Arc<Feed>| {
            let mut lanes = feed.snapshot.lanes.iter();
            lanes.any(|lane| lane.unacknowledged.is_some() || lane.state.asks() && !lane.acknowledged)
        };
        let unrecorded = feed.is_some_and(|feed| self.ringing.acknowledge(feed));
        let (reply, effects) = if is_replay(feed) {
            ("a replay acknowledges nothing: its recording stays as it is", Vec::new())
        } else if feed.is_some_and(stands) {
            ("acknowledged, in the recording too", vec![Effect::Send(Command::Acknowledge)])
        } else if unrecorded {
            ("acknowledged: nothing is recorded", Vec::new())
        } else {
            ("nothing to acknowledge: no warning stands", Vec::new())
        };
        self.reply = Some(reply.to_owned());
        effects
    }

    fn toggle_bell(&mut self) {
        self.bell = if self.bell == Bell::On { Bell::Off } else { Bell::On };
        self.reply = Some(if self.bell == Bell::On { "bell on" } else { "bell off" }.to_owned());
    }

    fn refuse_mark(&mut self) {
        self.reply = Some("a replay takes no marks: its recording stays as it is".to_owned());
    }

    fn mark(&mut self, kind: MarkKind, text: String) -> Vec<Effect> {
        self.reply = Some(match kind {
            MarkKind::Remark => "note set".to_owned(),
            MarkKind::Drill => "marked: failsafe drill; on the bench with propellers off".to_owned(),
            marked => format!("marked: {}", event::mark(marked)),
        });
        vec![Effect::Send(Command::Mark { kind, text })]
    }

    fn quit(&mut self, feed: Option<&Arc<Feed>>) -> Vec<Effect> {
        let asks = feed.is_some_and(|feed| feed.mode == Mode::Live && !feed.ended);
        if asks {
            self.dialog = Some(Dialog::ConfirmQuit);
            return Vec::new();
        }
        vec![Effect::Quit]
    }

    fn play(&mut self, action: Action, feed: Option<&Arc<Feed>>, now_s: f64) -> Vec<Effect> {
        let Some(feed) = feed else { return Vec::new() };
        let Mode::Replay { speed, paused, duration_s, .. } = feed.mode else {
            if action == Action::Pause {
                self.held = if self.held.is_some() { None } else { Some(Arc::clone(feed)) };
            } else {
                self.reply = Some("that key is for a replay".to_owned());
            }
            return Vec::new();
        };
        let command = match action {
            Action::Faster => Command::Speed((speed * 2.0).min(64.0)),
            Action::Slower => Command::Speed((speed / 2.0).max(0.25)),
            Action::SeekBy(by) => Command::Seek((now_s + f64::from(by)).clamp(0.0, duration_s)),
            Action::ToStart => Command::Seek(0.0),
            Action::ToEnd => Command::SeekEnd,
            _ => Command::Pause(!paused),
        };
        if matches!(command, Command::Seek(_) | Command::SeekEnd) {
            self.window.end_s = None;
        }
        vec![Effect::Send(command)]
    }

    /// At the end of a session its page takes the place of the overview; whoever goes back in time sees that again.
    fn notice_end(&mut self, feed: &Feed) {
        let at_end = match feed.mode {
            Mode::Live => feed.ended,
            Mode::Replay { at_end, .. } => at_end,
        };
        let from_to =
            if at_end { (Screen::Overview, Screen::Session) } else { (Screen::Session, Screen::Overview) };
        if at_end != self.at_end && self.screen == from_to.0 {
            self.show(from_to.1);
        }
        self.at_end = at_end;
    }

    /// A new feed came: ring while an alarm stands that nobody has acknowledged. A replay rings for nothing.
    pub fn observe(&mut self, feed: &Feed) -> Vec<Effect> {
        self.notice_end(feed);
        if feed.mode != Mode::Live || feed.ended {
            return Vec::new();
        }
        let strokes = self.ringing.observe(feed);
        if strokes > 0 && self.bell == Bell::On { vec![Effect::Ring(strokes)] } else { Vec::new() }
    }

    /// The hand did something on the screen; `feed` is the newest.
    pub fn gesture(&mut self, gesture: Gesture, feed: Option<&Arc<Feed>>) -> Vec<Effect> {
        self.reply = None;
        match (self.dialog.take(), gesture) {
            (None, gesture) => return self.gesture_on_page(gesture, feed),
            (Some(dialog @ (Dialog::Help | Dialog::Explain)), Gesture::Wheel { up, .. }) => {
                let code = if up { KeyCode::Up } else { KeyCode::Down };
                return self.key_in_text(dialog, KeyEvent::new(code, KeyModifiers::NONE), feed);
            }
            (Some(Dialog::ConfirmQuit), Gesture::Tap(Target::Confirm)) => return vec![Effect::Quit],
            (Some(Dialog::Note(text)), _) => self.dialog = Some(Dialog::Note(text)),
            // A tap elsewhere closes it, as any other key does.
            (Some(_), Gesture::Tap(_)) => {}
            (dialog, _) => self.dialog = dialog,
        }
        Vec::new()
    }

    fn gesture_on_page(&mut self, gesture: Gesture, feed: Option<&Arc<Feed>>) -> Vec<Effect> {
        match gesture {
            Gesture::Tap(Target::Action(action)) => return self.apply(action, feed),
            Gesture::Tap(Target::Link { page, item, .. }) => {
                self.show(page);
                self.item = item;
            }
            Gesture::Tap(Target::Row { index, at_s }) => {
                let seeks = at_s.filter(|_| is_replay(feed));
                if let Some(at_s) = seeks {
                    self.window.end_s = None;
                    return vec![Effect::Send(Command::Seek(at_s.max(0.0)))];
                }
                self.scroll = index.min(self.rows(feed));
            }
            Gesture::Draw(share) => {
                let now_s = feed.map_or(0.0, |feed| feed.snapshot.now_s);
                self.window.shift(now_s, -share);
            }
            Gesture::Wheel { up, over } => {
                let is_plot = matches!(over, Target::Plot { .. } | Target::Link { .. });
                let action = match (self.rows(feed) > 0 && !is_plot, up) {
                    (true, true) => Action::Up,
                    (true, false) => Action::Down,
                    (false, true) => Action::Earlier,
                    (false, false) => Action::Later,
                };
                return self.apply(action, feed);
            }
            Gesture::Tap(_) => {}
        }
        Vec::new()
    }

    /// The window that the session should show, for a plot of this many columns.
    #[must_use]
    pub fn view_request(&self, columns: u16) -> ViewRequest {
        ViewRequest { span_s: self.window.span_s(), end_s: self.window.end_s, columns: columns.clamp(1, 512) }
    }
}

fn is_replay(feed: Option<&Arc<Feed>>) -> bool {
    feed.is_some_and(|feed| matches!(feed.mode, Mode::Replay { .. }))
}

#[cfg(test)]
#[path = "state/tests.rs"]
mod tests;
