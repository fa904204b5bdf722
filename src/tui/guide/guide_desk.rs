//! What was answered in the guided bench test, and what the newest figures say of it. A pure state machine: feeds and
//! keys in, effects out; it knows no terminal and no clock.

use std::sync::Arc;

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::judge::bench;
use crate::judge::bench::guide_steps::{Guide, GuideAct, Standing, StepNeed, StepWord, standing};
use crate::measure::glass_to_glass::Optics;
use crate::profile::Profile;
use crate::record::MarkKind;
use crate::session::{Command, Feed, Request};
use crate::summary::{BenchItem, BenchNeed, BenchSheet, BenchStep, GuideNote, Summary};
use crate::tui::SESSION_OVER;
use crate::tui::state::Effect;
use crate::tui::stopwatch::readings::Readings;
use crate::tui::theme::ThemeName;
use crate::wording::guide_words;

/// Strokes at most at a time.
const MOST_STROKES: u64 = 5;

/// A recording of the same test before this session.
#[derive(Clone, Debug)]
pub struct Before {
    /// Its figures.
    pub summary: Summary,
    /// SHA-256 of its file.
    pub sha256: String,
}

/// Everything that the page draws.
#[derive(Debug)]
pub struct GuideDesk {
    /// Where the test is.
    pub guide: Guide,
    /// Colours.
    pub theme: ThemeName,
    /// The newest picture.
    pub feed: Option<Arc<Feed>>,
    /// The sheet as of now.
    pub sheet: Option<BenchSheet>,
    /// How the step stands.
    pub standing: Option<Standing>,
    /// Photographs that are typed.
    pub readings: Readings,
    /// One line that answers the last key.
    pub reply: Option<String>,
    /// Really leave?
    pub asks_quit: bool,
    profile: Arc<Profile>,
    before: Vec<Before>,
    /// Moves and drills that the bell has counted.
    counted: Option<(u64, usize)>,
    /// The step that the bell has called enough.
    called: Option<BenchStep>,
}

impl GuideDesk {
    /// A test from its beginning, or one that goes on with these recordings.
    #[must_use]
    pub fn new(profile: Arc<Profile>, theme: ThemeName, before: Vec<Before>) -> Self {
        let guide = before.last().map_or_else(Guide::default, |last| Guide::resumed(&last.summary.guide));
        Self {
            guide,
            theme,
            feed: None,
            sheet: None,
            standing: None,
            readings: Readings::default(),
            reply: None,
            asks_quit: false,
            profile,
            before,
            counted: None,
            called: None,
        }
    }

    /// Whether this picture was taken already.
    #[must_use]
    pub fn has_seen(&self, feed: &Feed) -> bool {
        self.feed.as_ref().is_some_and(|seen| seen.revision == feed.revision)
    }

    /// A newer picture: what it changes, and what the bell says of it.
    pub fn observe(&mut self, feed: Arc<Feed>) -> Vec<Effect> {
        let summary = &feed.snapshot.summary;
        let stage = summary.latency.stick_to_servo.as_ref().or(summary.latency.stick_to_input.as_ref());
        let moves = stage.map_or(0, |stage| stage.events);
        let drills = summary.failsafe.iter().filter(|row| row.drill).count();
        let (before_moves, before_drills) = self.counted.replace((moves, drills)).unwrap_or((moves, drills));
        self.feed = Some(feed);
        self.judge();
        let step = self.guide.step;
        let is_enough = self.standing.as_ref().is_some_and(|standing| standing.word == StepWord::Enough);
        let mut strokes = match step {
            BenchStep::Latency => moves.saturating_sub(before_moves).min(MOST_STROKES),
            BenchStep::Drills => (drills.saturating_sub(before_drills) as u64).min(MOST_STROKES),
            _ => 0,
        };
        let waits = !matches!(step, BenchStep::Propellers | BenchStep::Sheet);
        if is_enough && waits && self.called != Some(step) {
            self.called = Some(step);
            strokes = strokes.max(2);
        }
        if strokes > 0 { vec![Effect::Ring(strokes as u8)] } else { Vec::new() }
    }

    /// The sheet and the step by the newest figures and answers.
    fn judge(&mut self) {
        let Some(feed) = &self.feed else { return };
        let newest = &feed.snapshot.summary;
        // An answer of a moment ago has not come back out of the session yet.
        let mut own = None;
        if newest.guide.glass != self.guide.record.glass {
            let mut summary = Summary::clone(newest);
            summary.guide.glass = self.guide.record.glass;
            own = Some(summary);
        }
        let summary = own.as_ref().unwrap_or(newest);
        let before = self.before.iter();
        let mut parts: Vec<_> = before
            .map(|before| bench::Part { summary: &before.summary, sha256: Some(&before.sha256) })
            .collect();
        parts.push(bench::Part { summary, sha256: None });
        let Some(sheet) = bench::joined(&parts, &self.profile) else { return };
        let now_s = feed.snapshot.now_s;
        self.standing = Some(standing(self.guide.step, (&sheet, summary), &self.guide.record, now_s));
        self.sheet = Some(sheet);
    }

    /// A key was pressed.
    pub fn key(&mut self, key: KeyEvent) -> Vec<Effect> {
        self.reply = None;
        let is_control = key.modifiers.contains(KeyModifiers::CONTROL);
        let is_quit = key.code == KeyCode::Char('q') || is_control && key.code == KeyCode::Char('c');
        if std::mem::take(&mut self.asks_quit) {
            let is_yes = is_quit || matches!(key.code, KeyCode::Char('y') | KeyCode::Enter);
            return if is_yes { vec![Effect::Quit] } else { Vec::new() };
        }
        if is_quit {
            self.asks_quit = true;
            return Vec::new();
        }
        if is_control || key.modifiers.contains(KeyModifiers::ALT) {
            return Vec::new();
        }
        if self.guide.step == BenchStep::Glass && self.takes_reading(key.code) {
            return self.read(key);
        }
        match key.code {
            KeyCode::Char('y') => self.act(GuideAct::Yes),
            KeyCode::Enter | KeyCode::Char('n') | KeyCode::Right => self.act(GuideAct::Next),
            KeyCode::Char('b') | KeyCode::Left | KeyCode::Backspace => self.act(GuideAct::Back),
            KeyCode::Char('s') => self.act(GuideAct::Skip),
            KeyCode::Char('r') => self.act(GuideAct::Repeat),
            KeyCode::Char('f') => self.ask(Request::Rates),
            KeyCode::Char('c') => self.ask(Request::Time),
            KeyCode::Char('t') => {
                self.theme = self.theme.next();
                Vec::new()
            }
            _ => Vec::new(),
        }
    }

    fn takes_reading(&self, code: KeyCode) -> bool {
        let is_typed = self.readings.typed.iter().any(|typed| !typed.is_empty());
        match code {
            KeyCode::Char(letter) => letter.is_ascii_digit() || matches!(letter, '.' | ',' | 'u'),
            KeyCode::Tab | KeyCode::Up | KeyCode::Down => true,
            KeyCode::Enter | KeyCode::Backspace | KeyCode::Esc => is_typed,
            _ => false,
        }
    }

    /// A time off a photograph; each whole one, and each that is taken back, makes the figure anew or ends it.
    fn read(&mut self, key: KeyEvent) -> Vec<Effect> {
        let before = self.readings.photographs.len();
        self.readings.key(key);
        if self.readings.photographs.len() == before {
            return Vec::new();
        }
        let note = match self.readings.delay(Optics::USUAL) {
            Ok(delay) => GuideNote::Glass(delay.glass_to_glass_ms, delay.glass_to_glass_ci95_ms),
            Err(_) if self.guide.record.glass.is_some() => GuideNote::NoGlass,
            Err(_) => return Vec::new(),
        };
        // As the mark keeps it, so that the sheet of the recording says the same.
        let Some(note) = GuideNote::parse(&note.text()) else { return Vec::new() };
        self.guide.observe(self.now_s(), note);
        self.judge();
        vec![mark(note)]
    }

    /// What the photographs say, in one sentence.
    #[must_use]
    pub fn delay_said(&self) -> String {
        crate::wording::glass_words::delay(&self.readings.delay(Optics::USUAL))
    }

    fn now_s(&self) -> f64 {
        self.feed.as_ref().map_or(0.0, |feed| feed.snapshot.now_s)
    }

    fn act(&mut self, act: GuideAct) -> Vec<Effect> {
        let word = self.standing.as_ref().map_or(StepWord::Open, |standing| standing.word);
        match self.guide.act(act, word, self.now_s()) {
            Ok(notes) => {
                self.called = self.called.filter(|step| *step == self.guide.step && act != GuideAct::Repeat);
                self.judge();
                let mut effects: Vec<Effect> = notes.into_iter().map(mark).collect();
                if self.guide.is_over {
                    effects.push(Effect::Quit);
                }
                effects
            }
            Err(refusal) => {
                self.reply = Some(guide_words::refusal(refusal).to_owned());
                Vec::new()
            }
        }
    }

    /// Sends only what is asked for, and nothing before propellers are off; the session says what it transmits, or why not.
    fn ask(&mut self, request: Request) -> Vec<Effect> {
        if self.guide.step == BenchStep::Propellers {
            return self.act(GuideAct::Next);
        }
        vec![Effect::Send(Command::Transmit(request))]
    }

    /// The session takes nothing any more.
    pub fn session_is_over(&mut self) {
        self.reply = Some(SESSION_OVER.to_owned());
    }

    /// What the large words speak of.
    #[must_use]
    pub fn now(&self) -> guide_words::Now {
        let rows = self.standing.as_ref().map_or(&[][..], |standing| &standing.rows);
        let needs = rows.iter().filter_map(|row| row.needs.as_ref());
        let summary = self.feed.as_ref().map(|feed| &feed.snapshot.summary);
        let failsafe = summary.map_or(&[][..], |summary| &summary.failsafe);
        let drills = rows.iter().find(|row| row.item == BenchItem::Drills);
        let wanted = drills.map_or(0, |row| row.limit as u64);
        let shown = drills.and_then(|row| row.value).map_or(0, |value| value as u64);
        let seconds = self.standing.as_ref().and_then(|standing| {
            let mut seconds = standing.needs.iter().filter_map(|need| match need {
                StepNeed::Seconds(left) => Some(*left),
                _ => None,
            });
            seconds.next()
        });
        let longer = needs.clone().filter(|need| need.what == BenchNeed::Seconds);
        let longer = longer.filter_map(|need| need.more).max().map(|more| more as f64);
        guide_words::Now {
            channel: self.next_channel(),
            moves: needs.filter(|need| need.what == BenchNeed::Moves).filter_map(|need| need.more).max(),
            seconds: seconds.or(longer),
            drill: ((shown + 1).min(wanted), wanted),
            asks_power: self.lacks(|need| *need == StepNeed::Power),
            is_near: self.lacks(|need| matches!(need, StepNeed::Away { .. })),
            is_lost: failsafe.last().is_some_and(|row| row.recovered_after_s.is_none()),
            verdict: self.sheet.as_ref().map(|sheet| sheet.verdict),
        }
    }

    fn lacks(&self, what: impl Fn(&StepNeed) -> bool) -> bool {
        self.standing.as_ref().is_some_and(|standing| standing.needs.iter().any(what))
    }

    /// The channel that the sheet asks for first; of quick moves the stick that made fewest.
    fn next_channel(&self) -> Option<u8> {
        let standing = self.standing.as_ref()?;
        if self.guide.step != BenchStep::Latency {
            let needs = standing.rows.iter().filter_map(|row| row.needs.as_ref());
            return needs.flat_map(|need| need.channels.iter().copied()).min();
        }
        let steering = self.profile.limits.steering();
        let (moves, _) = self.counted?;
        steering.get(moves as usize % steering.len().max(1)).copied()
    }

    /// The steering channels, those that are judged.
    #[must_use]
    pub fn steering(&self) -> &[u8] {
        self.profile.limits.steering()
    }
}

fn mark(note: GuideNote) -> Effect {
    Effect::Send(Command::Mark { kind: MarkKind::Remark, text: note.text() })
}
