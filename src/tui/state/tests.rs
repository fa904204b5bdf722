use crate::capture::RecorderStatus;
use crate::summary::Event;
use std::collections::BTreeMap;

use crate::snapshot::{Lane, LatencyView, Snapshot, VibrationView, VideoView, View};
use crate::summary::Summary;

use crate::snapshot::{LinkState, Unacknowledged};
use crate::tui::state::*;

fn feed(mode: Mode, now_s: f64) -> Arc<Feed> {
    let lane = Lane { link: "video".to_owned(), ..Lane::default() };
    let snapshot = Snapshot {
        verdicts: Vec::new(),
        view: View { from_s: 0.0, to_s: now_s, columns: 10 },
        now_s,
        summary: Arc::new(Summary::default()),
        lanes: vec![lane.clone(), Lane { link: "control".to_owned(), ..lane }],
        senders: Vec::new(),
        latency: LatencyView::default(),
        video: VideoView::default(),
        range: Vec::new(),
        vibration: VibrationView::default(),
        marks: Vec::new(),
        sources: Vec::new(),
        sticks: crate::summary::StickAdvice::Now,
        strains: Vec::new(),
        transmits: Vec::new(),
        phase: None,
        echo: crate::snapshot::Echo::default(),
        distance_m: None,
    };
    Arc::new(Feed {
        revision: 1,
        snapshot: Arc::new(snapshot),
        mode,
        recorder: None,
        ended: false,
        message: None,
    })
}

fn live() -> Arc<Feed> {
    feed(Mode::Live, 600.0)
}

fn replay() -> Arc<Feed> {
    feed(Mode::Replay { speed: 1.0, paused: false, duration_s: 900.0, at_end: false }, 600.0)
}

fn press(state: &mut UiState, code: KeyCode, feed: &Arc<Feed>) -> Vec<Effect> {
    state.key(KeyEvent::new(code, KeyModifiers::NONE), Some(feed))
}

fn write(state: &mut UiState, text: &str, feed: &Arc<Feed>) {
    for letter in text.chars() {
        press(state, KeyCode::Char(letter), feed);
    }
}

#[test]
fn number_keys_and_tab_walk_the_pages() {
    let (mut state, feed) = (UiState::default(), live());
    for (number, screen) in "1234567890w".chars().zip(Screen::ALL) {
        press(&mut state, KeyCode::Char(number), &feed);
        assert_eq!(state.screen, screen);
    }
    press(&mut state, KeyCode::Tab, &feed);
    assert_eq!(state.screen, Screen::Overview);
    press(&mut state, KeyCode::BackTab, &feed);
    assert_eq!(state.screen, Screen::Session);
    press(&mut state, KeyCode::Esc, &feed);
    assert_eq!(state.screen, Screen::Overview);
}

#[test]
fn mark_keys_send_marks() {
    let (mut state, feed) = (UiState::default(), live());
    let marks = BTreeMap::from([
        ('f', MarkKind::PictureFroze),
        ('s', MarkKind::PictureShook),
        ('h', MarkKind::HandsetHere),
        ('d', MarkKind::Drill),
    ]);
    for (key, kind) in marks {
        let effects = press(&mut state, KeyCode::Char(key), &feed);
        assert_eq!(effects, [Effect::Send(Command::Mark { kind, text: String::new() })]);
    }
}

#[test]
fn a_replay_takes_no_marks_and_says_so() {
    let (mut state, feed) = (UiState::default(), replay());
    for key in ['f', 's', 'h', 'd', 'm'] {
        assert!(press(&mut state, KeyCode::Char(key), &feed).is_empty());
        assert_eq!(state.dialog, None);
        assert!(state.reply.as_deref().is_some_and(|reply| reply.starts_with("a replay takes no marks")));
    }
}

#[test]
fn the_help_scrolls_and_the_page_under_it_does_not() {
    let (mut state, feed) = (UiState::default(), live());
    press(&mut state, KeyCode::Char('?'), &feed);
    press(&mut state, KeyCode::Down, &feed);
    assert_eq!((state.help_scroll, state.scroll, &state.dialog), (1, 0, &Some(Dialog::Help)));
    press(&mut state, KeyCode::Esc, &feed);
    press(&mut state, KeyCode::Char('?'), &feed);
    assert_eq!(state.help_scroll, 0);
}

#[test]
fn a_note_is_written_and_set_with_enter() {
    let (mut state, feed) = (UiState::default(), live());
    press(&mut state, KeyCode::Char('m'), &feed);
    write(&mut state, "quiet x", &feed);
    press(&mut state, KeyCode::Backspace, &feed);
    assert_eq!(state.dialog, Some(Dialog::Note("quiet ".to_owned())));
    let effects = press(&mut state, KeyCode::Enter, &feed);
    let mark = Command::Mark { kind: MarkKind::Remark, text: "quiet".to_owned() };
    assert_eq!(effects, [Effect::Send(mark)]);
    assert_eq!(state.dialog, None);
}

#[test]
fn an_empty_or_abandoned_note_sets_no_mark_and_a_long_one_is_bounded() {
    let (mut state, feed) = (UiState::default(), live());
    press(&mut state, KeyCode::Char('m'), &feed);
    assert!(press(&mut state, KeyCode::Enter, &feed).is_empty());
    press(&mut state, KeyCode::Char('m'), &feed);
    write(&mut state, &"a".repeat(NOTE_LIMIT + 50), &feed);
    assert_eq!(state.dialog, Some(Dialog::Note("a".repeat(NOTE_LIMIT))));
    assert!(press(&mut state, KeyCode::Esc, &feed).is_empty());
    assert_eq!(state.dialog, None);
}

#[test]
fn quitting_asks_in_live_only() {
    let (mut state, live, replay) = (UiState::default(), live(), replay());
    assert!(press(&mut state, KeyCode::Char('q'), &live).is_empty());
    assert_eq!(state.dialog, Some(Dialog::ConfirmQuit));
    assert!(press(&mut state, KeyCode::Char('n'), &live).is_empty());
    assert_eq!(state.dialog, None);
    press(&mut state, KeyCode::Char('q'), &live);
    assert_eq!(press(&mut state, KeyCode::Char('y'), &live), [Effect::Quit]);
    assert_eq!(press(&mut state, KeyCode::Char('q'), &replay), [Effect::Quit]);
    let ended = Arc::new(Feed { ended: true, ..(*live).clone() });
    assert_eq!(press(&mut state, KeyCode::Char('q'), &ended), [Effect::Quit]);
    assert_eq!(state.key(KeyEvent::new(KeyCode::Char('q'), KeyModifiers::NONE), None), [Effect::Quit]);
}

#[test]
fn the_window_zooms_scrolls_and_follows() {
    let (mut state, feed) = (UiState::default(), live());
    assert_eq!(state.view_request(100), ViewRequest { span_s: 120.0, end_s: None, columns: 100 });
    press(&mut state, KeyCode::Char('+'), &feed);
    assert_eq!(state.window.span_s(), 60.0);
    press(&mut state, KeyCode::Left, &feed);
    assert_eq!(state.window.end_s, Some(585.0));
    press(&mut state, KeyCode::Right, &feed);
    assert_eq!(state.window.end_s, None, "the newest record is followed again");
    for _ in 0..100 {
        press(&mut state, KeyCode::Left, &feed);
    }
    assert_eq!(state.window.end_s, Some(60.0), "the first record stays in sight");
    press(&mut state, KeyCode::Char('n'), &feed);
    assert_eq!(state.window.end_s, None);
}

#[test]
fn zooming_out_ends_with_the_whole_session_and_one_key_comes_back() {
    let (mut state, feed) = (UiState::default(), live());
    for _ in 0..20 {
        press(&mut state, KeyCode::Char('-'), &feed);
    }
    assert_eq!(state.window, Window { span: SPANS_S.len() - 1, end_s: None });
    press(&mut state, KeyCode::Char('+'), &feed);
    assert!(state.window.span_s() <= 600.0, "{}", state.window.span_s());
    press(&mut state, KeyCode::Char('z'), &feed);
    assert!(state.window.span_s().is_infinite());
}

#[test]
fn space_holds_the_picture_live_and_stops_the_clock_in_replay() {
    let (mut state, live, replay) = (UiState::default(), live(), replay());
    assert!(press(&mut state, KeyCode::Char(' '), &live).is_empty());
    assert!(state.held.is_some());
    press(&mut state, KeyCode::Char(' '), &live);
    assert!(state.held.is_none());
    assert_eq!(press(&mut state, KeyCode::Char(' '), &replay), [Effect::Send(Command::Pause(true))]);
    assert!(state.held.is_none());
}

#[test]
fn replay_keys_send_speeds_and_seeks_within_bounds() {
    let (mut state, replay) = (UiState::default(), replay());
    let mut ask = |code| press(&mut state, code, &replay);
    assert_eq!(ask(KeyCode::Char('V')), [Effect::Send(Command::Speed(2.0))]);
    assert_eq!(ask(KeyCode::Char('v')), [Effect::Send(Command::Speed(0.5))]);
    assert_eq!(ask(KeyCode::Char('r')), [Effect::Send(Command::Seek(610.0))]);
    assert_eq!(ask(KeyCode::Char('E')), [Effect::Send(Command::Seek(540.0))]);
    assert_eq!(ask(KeyCode::Home), [Effect::Send(Command::Seek(0.0))]);
    assert_eq!(ask(KeyCode::End), [Effect::Send(Command::SeekEnd)]);
    for (speed, key, expected) in [(64.0, 'V', 64.0), (0.25, 'v', 0.25)] {
        let mode = Mode::Replay { speed, paused: true, duration_s: 900.0, at_end: true };
        let effects = press(&mut state, KeyCode::Char(key), &feed(mode, 895.0));
        assert_eq!(effects, [Effect::Send(Command::Speed(expected))]);
    }
}

#[test]
fn replay_keys_say_so_in_live_and_send_nothing() {
    let (mut state, live) = (UiState::default(), live());
    assert!(press(&mut state, KeyCode::Char('V'), &live).is_empty());
    assert!(state.reply.is_some());
}

/// A picture at an instant in which a link calls, or none does.
fn calling(state: Option<LinkState>, mode: Mode, now_s: f64) -> Arc<Feed> {
    let mut feed = (*feed(mode, now_s)).clone();
    let mut snapshot = (*feed.snapshot).clone();
    snapshot.lanes[1].unacknowledged = state.map(|state| Unacknowledged { state, ago_s: 1.0 });
    feed.snapshot = Arc::new(snapshot);
    Arc::new(feed)
}

/// Strokes at each instant of a session: a fifth of a second from picture to picture.
fn strokes(state: &mut UiState, call: Option<LinkState>, from_s: f64, to_s: f64) -> Vec<(f64, u8)> {
    let mut heard = Vec::new();
    for fifth in 0..((to_s - from_s) * 5.0).round() as u32 {
        let now_s = from_s + f64::from(fifth) / 5.0;
        for effect in state.observe(&calling(call, Mode::Live, now_s)) {
            let Effect::Ring(count) = effect else { panic!("{effect:?}") };
            heard.push((now_s, count));
        }
    }
    heard
}

#[test]
fn the_bell_has_a_rhythm_until_nothing_calls() {
    let mut state = UiState::default();
    assert!(strokes(&mut state, None, 0.0, 10.0).is_empty());
    assert_eq!(strokes(&mut state, Some(LinkState::Alarm), 10.0, 20.0), [(10.0, 1), (14.0, 1), (18.0, 1)]);
    // What fails rings at once, and faster.
    let failing = [(20.0, 2), (22.0, 2), (24.0, 2)];
    assert_eq!(strokes(&mut state, Some(LinkState::Failing), 20.0, 26.0), failing);
    // An alarm that follows does not ring sooner than alarms do.
    assert_eq!(strokes(&mut state, Some(LinkState::Alarm), 26.0, 32.0), [(28.0, 1)]);
    assert!(strokes(&mut state, None, 32.0, 60.0).is_empty());
    assert_eq!(
        strokes(&mut state, Some(LinkState::Alarm), 60.0, 60.4),
        [(60.0, 1)],
        "a new one rings at once"
    );
}

#[test]
fn ticks_alone_carry_the_rhythm() {
    let mut state = UiState::default();
    let mut heard = Vec::new();
    // Once a second, a little early or late.
    for (second, off_s) in (100..112).zip([0.0, 0.03, -0.04, 0.01].into_iter().cycle()) {
        let feed = calling(Some(LinkState::Failing), Mode::Live, f64::from(second) + off_s);
        heard.extend((!state.observe(&feed).is_empty()).then_some(second));
    }
    assert_eq!(heard, [100, 102, 104, 106, 108, 110]);
}

#[test]
fn a_replay_a_muted_bell_and_an_ended_session_are_silent() {
    let replay = Mode::Replay { speed: 64.0, paused: false, duration_s: 900.0, at_end: false };
    let mut state = UiState::default();
    assert!(state.observe(&calling(Some(LinkState::Failing), replay, 600.0)).is_empty());
    let mut muted = UiState { bell: Bell::Off, ..UiState::default() };
    assert!(muted.observe(&calling(Some(LinkState::Failing), Mode::Live, 600.0)).is_empty());
    let ended = Feed { ended: true, ..(*calling(Some(LinkState::Failing), Mode::Live, 600.0)).clone() };
    assert!(UiState::default().observe(&ended).is_empty());
}

#[test]
fn what_cleared_a_moment_ago_is_acknowledged_too() {
    let mut state = UiState::default();
    let called = calling(Some(LinkState::Alarm), Mode::Live, 600.0);
    assert_eq!(press(&mut state, KeyCode::Char('a'), &called), [Effect::Send(Command::Acknowledge)]);
    let tap = Gesture::Tap(Target::Action(Action::Acknowledge));
    assert_eq!(state.gesture(tap, Some(&called)), [Effect::Send(Command::Acknowledge)]);
    assert!(state.gesture(tap, Some(&calling(None, Mode::Live, 600.0))).is_empty());
}

#[test]
fn a_row_of_events_leads_a_replay_there_and_live_only_scrolls() {
    let row = Gesture::Tap(Target::Row { index: 4, at_s: Some(312.5) });
    let mut state = UiState { screen: Screen::Events, ..UiState::default() };
    assert_eq!(state.gesture(row, Some(&replay())), [Effect::Send(Command::Seek(312.5))]);
    assert!(state.gesture(row, Some(&live())).is_empty());
    assert_eq!(state.scroll, 0, "there is no such row");
}

#[test]
fn a_plot_moves_with_the_hand_and_the_wheel_moves_time_where_nothing_scrolls() {
    let (mut state, feed) = (UiState::default(), live());
    state.gesture(Gesture::Draw(0.5), Some(&feed));
    assert_eq!(state.window.end_s, Some(540.0), "to the right: earlier, half of 120 s");
    state.gesture(Gesture::Draw(-0.25), Some(&feed));
    assert_eq!(state.window.end_s, Some(570.0));
    state.gesture(Gesture::Draw(-1.0), Some(&feed));
    assert_eq!(state.window.end_s, None, "the newest record is followed again");
    state.gesture(Gesture::Wheel { up: true, over: Target::Nothing }, Some(&feed));
    assert_eq!(state.window.end_s, Some(570.0));
}

#[test]
fn a_tap_closes_a_dialog_does_nothing_under_it_and_ends_only_by_yes() {
    let (mut state, feed) = (UiState::default(), live());
    press(&mut state, KeyCode::Char('?'), &feed);
    state.gesture(Gesture::Wheel { up: false, over: Target::Nothing }, Some(&feed));
    assert_eq!((state.help_scroll, &state.dialog), (1, &Some(Dialog::Help)));
    assert!(state.gesture(Gesture::Tap(Target::Nothing), Some(&feed)).is_empty());
    assert_eq!(state.dialog, None);
    let quit = Gesture::Tap(Target::Action(Action::Quit));
    assert!(state.gesture(quit, Some(&feed)).is_empty());
    assert_eq!(state.dialog, Some(Dialog::ConfirmQuit));
    assert!(state.gesture(Gesture::Tap(Target::Nothing), Some(&feed)).is_empty());
    assert_eq!(state.dialog, None);
    state.gesture(quit, Some(&feed));
    assert_eq!(state.gesture(Gesture::Tap(Target::Confirm), Some(&feed)), [Effect::Quit]);
    let mut state = UiState { dialog: Some(Dialog::Note("half".to_owned())), ..UiState::default() };
    state.gesture(Gesture::Tap(Target::Nothing), Some(&feed));
    assert_eq!(state.dialog, Some(Dialog::Note("half".to_owned())), "a touch by chance loses no note");
}

#[test]
fn help_leaves_on_escape_and_lets_pages_through() {
    let (mut state, feed) = (UiState::default(), live());
    press(&mut state, KeyCode::Char('?'), &feed);
    assert_eq!(state.dialog, Some(Dialog::Help));
    assert!(press(&mut state, KeyCode::Char('f'), &feed).is_empty(), "no mark is set from the help page");
    assert_eq!(state.dialog, Some(Dialog::Help));
    press(&mut state, KeyCode::Char('3'), &feed);
    assert_eq!((state.dialog, state.screen), (None, Screen::Loss));
}

#[test]
fn every_kind_of_event_belongs_to_one_filter() {
    let text = String::new;
    for event in [
        Event::Lost,
        Event::RestartAloft,
        Event::Freeze { duration_s: 1.0, ended: true, strain: Vec::new() },
        Event::Mark { kind: MarkKind::Drill, text: text() },
        Event::SourceUp { source: text() },
        Event::StatusText { text: text(), severity: 4 },
    ] {
        let lists = EventFilter::ALL.iter().filter(|filter| filter.lists(&event)).count();
        assert_eq!(lists, 2, "{event:?}: all, and its own");
    }
}

#[test]
fn only_a_standing_warning_of_a_live_session_is_acknowledged() {
    let with = |lane: LinkState, mode: Mode| {
        let mut feed = (*feed(mode, 600.0)).clone();
        let mut snapshot = (*feed.snapshot).clone();
        for other in &mut snapshot.lanes {
            other.state = LinkState::Good;
        }
        snapshot.lanes[0].state = lane;
        snapshot.lanes[0].acknowledged = false;
        feed.snapshot = Arc::new(snapshot);
        Arc::new(feed)
    };
    let replay = Mode::Replay { speed: 1.0, paused: false, duration_s: 900.0, at_end: false };
    let mut state = UiState::default();
    let sent = press(&mut state, KeyCode::Char('a'), &with(LinkState::Warning, Mode::Live));
    assert_eq!(sent, [Effect::Send(Command::Acknowledge)]);
    assert!(press(&mut state, KeyCode::Char('a'), &with(LinkState::Good, Mode::Live)).is_empty());
    assert!(state.reply.as_deref().unwrap().contains("no warning"));
    assert!(press(&mut state, KeyCode::Char('a'), &with(LinkState::Alarm, replay)).is_empty());
    assert!(state.reply.as_deref().unwrap().contains("replay"));
}

#[test]
fn the_explanation_of_the_page_scrolls_and_closes_by_its_key() {
    let (mut state, feed) = (UiState { screen: Screen::Loss, ..UiState::default() }, live());
    press(&mut state, KeyCode::Char('x'), &feed);
    assert_eq!(state.dialog, Some(Dialog::Explain));
    press(&mut state, KeyCode::Down, &feed);
    press(&mut state, KeyCode::PageDown, &feed);
    assert_eq!((state.help_scroll, state.scroll), (5, 0));
    for _ in 0..1000 {
        press(&mut state, KeyCode::PageDown, &feed);
    }
    let last = state.help_scroll;
    press(&mut state, KeyCode::Down, &feed);
    assert!(state.help_scroll == last && last < 200, "it ends where the text ends: {last}");
    assert!(press(&mut state, KeyCode::Char('f'), &feed).is_empty(), "no mark is set from it");
    press(&mut state, KeyCode::Char('x'), &feed);
    assert_eq!((&state.dialog, state.screen), (&None, Screen::Loss));
    press(&mut state, KeyCode::Char('x'), &feed);
    assert_eq!(state.help_scroll, 0, "it begins at the top again");
    press(&mut state, KeyCode::Esc, &feed);
    assert_eq!((&state.dialog, state.screen), (&None, Screen::Loss));
    press(&mut state, KeyCode::Char('?'), &feed);
    press(&mut state, KeyCode::Char('x'), &feed);
    assert_eq!(state.dialog, Some(Dialog::Explain), "help gives way to it");
}

#[test]
fn the_end_of_a_replay_shows_how_it_went_once_and_a_way_back_the_overview() {
    let replay = |at_end| feed(Mode::Replay { speed: 1.0, paused: false, duration_s: 900.0, at_end }, 600.0);
    let (under_way, at_end) = (replay(false), replay(true));
    let mut state = UiState::default();
    for (feed, screen) in [(&under_way, Screen::Overview), (&at_end, Screen::Session)] {
        state.observe(feed);
        assert_eq!(state.screen, screen);
    }
    press(&mut state, KeyCode::Esc, &at_end);
    state.observe(&at_end);
    assert_eq!(state.screen, Screen::Overview, "who left it is not taken there again");
    state.observe(&under_way);
    state.observe(&at_end);
    state.observe(&under_way);
    assert_eq!(state.screen, Screen::Overview);
    // Who reads another page stays there.
    press(&mut state, KeyCode::Char('3'), &under_way);
    state.observe(&at_end);
    assert_eq!(state.screen, Screen::Loss);
}

#[test]
fn a_recording_that_is_not_written_rings_until_the_pilot_knows() {
    let with = |second: f64, recorder: RecorderStatus| {
        let mut feed = Feed::clone(&feed(Mode::Live, second));
        feed.recorder = Some(recorder);
        Arc::new(feed)
    };
    let full = || RecorderStatus { error: Some("no space".to_owned()), ..RecorderStatus::default() };
    let gone = || RecorderStatus { is_gone: true, ..RecorderStatus::default() };
    let mut state = UiState::default();
    let rings = |state: &mut UiState, second: f64, recorder| {
        state.observe(&with(second, recorder)) == [Effect::Ring(1)]
    };
    assert!(!rings(&mut state, 0.0, RecorderStatus::default()));
    // The rhythm of an alarm: every 4 s.
    assert!(rings(&mut state, 1.0, full()) && !rings(&mut state, 3.0, full()));
    assert!(rings(&mut state, 5.0, full()));
    press(&mut state, KeyCode::Char('a'), &with(6.0, full()));
    assert_eq!(state.reply.as_deref(), Some("acknowledged: nothing is recorded"));
    assert!(!rings(&mut state, 10.0, full()) && !rings(&mut state, 20.0, full()));
    // It went on, and stops again.
    assert!(!rings(&mut state, 21.0, RecorderStatus::default()));
    assert!(rings(&mut state, 22.0, gone()));
}
