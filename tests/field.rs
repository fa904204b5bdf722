//! The page for the field in the situations that it is for, what is unacknowledged in view, and what lies under a finger.

mod support;

use fadewatch::profile::LinkRole;
use fadewatch::session::{Feed, Mode};
use fadewatch::snapshot::{LinkState, Missing, Snapshot, Unacknowledged};
use fadewatch::summary::{Failure, Judgement, LinkJudgement, Phase, StateReason, Verdict};
use fadewatch::tui::action::Action;
use fadewatch::tui::pointer::Target;
use fadewatch::tui::state::{Dialog, Screen, UiState};
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view;
use fadewatch::tui::view::{Glyphs, Scene, touch};
use fadewatch::units::LevelUnit;
use fadewatch::wording::quantity;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Color;
use support::Data;

const SIZES: [(u16, u16); 3] = [(80, 24), (128, 37), (200, 60)];

fn on(screen: Screen) -> UiState {
    UiState { screen, ..UiState::default() }
}

/// A feed of a live session, changed.
fn feed(data: Data, state: &UiState, area: Rect, change: impl Fn(&mut Snapshot)) -> Feed {
    let mut feed = support::feed(data, view::columns(state.screen, area));
    let mut snapshot = (*feed.snapshot).clone();
    change(&mut snapshot);
    feed.snapshot = snapshot.into();
    feed
}

fn drawn(feed: &Feed, state: &UiState, area: Rect, theme: &Theme, glyphs: Glyphs) -> Buffer {
    let mut buffer = Buffer::empty(area);
    view::render(&Scene { feed: Some(feed), state, theme, glyphs }, area, &mut buffer);
    buffer
}

fn row(buffer: &Buffer, y: u16) -> String {
    (0..buffer.area.width).map(|x| buffer[(x, y)].symbol()).collect()
}

fn text(buffer: &Buffer) -> String {
    let rows: Vec<String> = (0..buffer.area.height).map(|y| row(buffer, y).trim_end().to_owned()).collect();
    rows.join("\n") + "\n"
}

fn judged(role: LinkRole, reason: StateReason, phase: Phase) -> Judgement {
    Judgement::Link(Box::new(LinkJudgement {
        role,
        reason,
        unit: LevelUnit::Dbm,
        level: None,
        margin: None,
        seconds_left: None,
        metres_left: None,
        distance_m: None,
        loss_ratio: None,
        silent_s: None,
        failures: (0, 0.0),
        phase: Some(phase),
        broken: None,
    }))
}

/// All links so, in this phase; the video's margin so.
fn links(snapshot: &mut Snapshot, state: LinkState, reason: StateReason, phase: Phase, margin: Option<f64>) {
    let verdict = |about: &str, role| Verdict {
        about: about.to_owned(),
        state,
        judgement: judged(role, reason, phase),
    };
    snapshot.verdicts = vec![
        verdict("video", LinkRole::Video),
        verdict("control", LinkRole::Control),
        verdict("downlink", LinkRole::Telemetry),
    ];
    snapshot.phase = Some(phase);
    for lane in &mut snapshot.lanes {
        lane.state = state;
        lane.margin_now = margin.filter(|_| lane.link != "control");
        lane.seconds_left = None;
        lane.limits = (lane.link != "control").then_some([3.0, 6.0]);
    }
}

fn failing(snapshot: &mut Snapshot) {
    links(snapshot, LinkState::Good, StateReason::Margin, Phase::Out, Some(14.0));
    let what = Failure::Frozen;
    let reason = StateReason::Failing { what, for_s: 0.7 };
    let judgement = judged(LinkRole::Video, reason, Phase::Out);
    snapshot.verdicts[0] = Verdict { about: "video".to_owned(), state: LinkState::Failing, judgement };
    snapshot.lanes[0].state = LinkState::Failing;
    snapshot.lanes[0].margin_now = Some(-4.3);
}

fn without_limit(snapshot: &mut Snapshot) {
    links(snapshot, LinkState::Heard, StateReason::NothingToJudgeBy, Phase::Out, None);
    for lane in &mut snapshot.lanes {
        (lane.threshold, lane.missing) = (None, Some(Missing::Limit));
    }
}

fn off(snapshot: &mut Snapshot) {
    links(snapshot, LinkState::Silent, StateReason::Off, Phase::Off, None);
    let vehicle = "vehicle".to_owned();
    let gone = Verdict { about: vehicle, state: LinkState::Silent, judgement: Judgement::VehicleOff };
    snapshot.verdicts.insert(0, gone);
}

#[test]
fn the_page_for_the_field_in_its_situations() {
    type Situation = (&'static str, fn(&mut Snapshot));
    let situations: [Situation; 6] = [
        ("failing", failing),
        ("warning", |snapshot| {
            for lane in &mut snapshot.lanes {
                lane.limits = Some([3.0, 6.0]);
            }
        }),
        ("good", |snapshot| {
            links(snapshot, LinkState::Good, StateReason::Margin, Phase::Out, Some(14.4));
        }),
        ("heard", without_limit),
        ("off", off),
        ("never", |snapshot| {
            links(snapshot, LinkState::Silent, StateReason::NeverHeard, Phase::Waiting, None);
        }),
    ];
    for (name, change) in situations {
        for (columns, rows) in SIZES {
            let (state, area) = (on(Screen::Field), Rect::new(0, 0, columns, rows));
            let feed = feed(Data::Full, &state, area, change);
            let buffer = drawn(&feed, &state, area, Theme::named(ThemeName::Sunlight), Glyphs::Full);
            insta::with_settings!({omit_expression => true, prepend_module_to_snapshot => false}, {
                insta::assert_snapshot!(format!("field_{name}_{columns}x{rows}"), text(&buffer));
            });
        }
    }
}

#[test]
fn it_reads_without_colour_and_in_ascii() {
    let (state, area) = (on(Screen::Field), Rect::new(0, 0, 80, 24));
    let feed = feed(Data::Full, &state, area, failing);
    let buffer = drawn(&feed, &state, area, Theme::colourless(), Glyphs::Ascii);
    assert!(buffer.content.iter().all(|cell| cell.symbol().is_ascii()));
    assert!(buffer.content.iter().all(|cell| (cell.fg, cell.bg) == (Color::Reset, Color::Reset)));
    insta::with_settings!({omit_expression => true, prepend_module_to_snapshot => false}, {
        insta::assert_snapshot!("field_ascii_80x24", text(&buffer));
    });
}

/// In device units nothing is in decibels, and no mark stands where nobody gave a limit.
#[test]
fn device_units_have_a_scale_of_their_own() {
    let (state, area) = (on(Screen::Field), Rect::new(0, 0, 80, 24));
    let raw = feed(Data::Full, &state, area, |snapshot| {
        links(snapshot, LinkState::Heard, StateReason::NothingToJudgeBy, Phase::Out, None);
        snapshot.lanes.remove(0);
        snapshot.lanes.remove(1);
        (snapshot.lanes[0].margin_now, snapshot.lanes[0].threshold) = (Some(31.0), Some(140.0));
    });
    let text = text(&drawn(&raw, &state, area, Theme::named(ThemeName::Dark), Glyphs::Full));
    assert!(text.contains("units margin") && !text.contains("dB"), "{text}");
    let scale = text.lines().find(|line| line.trim_start().starts_with("-25")).expect("the scale");
    assert_eq!(scale.split_whitespace().collect::<Vec<_>>(), ["-25", "0", "100"]);
}

fn calls(snapshot: &mut Snapshot) {
    snapshot.lanes[0].unacknowledged = Some(Unacknowledged { state: LinkState::Alarm, ago_s: 12.6 });
}

#[test]
fn what_is_unacknowledged_stands_on_every_page_of_a_live_session() {
    for screen in Screen::ALL {
        for (columns, rows) in SIZES {
            let (state, area) = (on(screen), Rect::new(0, 0, columns, rows));
            let mut feed = feed(Data::Full, &state, area, calls);
            let theme = Theme::colourless();
            let shown = text(&drawn(&feed, &state, area, theme, Glyphs::Full));
            assert!(shown.contains("unacknowledged: video alarm 12 s ago"), "{shown}");
            if screen == Screen::Overview {
                insta::with_settings!({omit_expression => true, prepend_module_to_snapshot => false}, {
                    insta::assert_snapshot!(format!("unacknowledged_{columns}x{rows}"), shown);
                });
            }
            feed.mode = Mode::Replay { speed: 1.0, paused: false, duration_s: 900.0, at_end: false };
            let replayed = text(&drawn(&feed, &state, area, theme, Glyphs::Full));
            assert!(!replayed.contains("unacknowledged"), "nobody can acknowledge it there: {replayed}");
        }
    }
}

/// What lies under each cell of a screen.
fn targets(feed: &Feed, state: &UiState, area: Rect) -> Vec<Vec<Target>> {
    let scene = Scene { feed: Some(feed), state, theme: Theme::colourless(), glyphs: Glyphs::Full };
    let rows = 0..area.height;
    rows.map(|y| (0..area.width).map(|x| touch::target(&scene, area, x, y)).collect()).collect()
}

/// Every word of the last row is under the key that it names, wherever the row had room for it.
#[test]
fn pages_and_keys_of_the_foot_are_where_they_are_drawn() {
    let words = Screen::ALL.map(|screen| (screen.title(), Action::Show(screen)));
    let words = words.into_iter().chain([("help", Action::Help), ("quit", Action::Quit)]);
    let words: Vec<_> = words.chain([("next page", Action::NextScreen), ("zoom", Action::ZoomIn)]).collect();
    let mut found = 0;
    for screen in Screen::ALL {
        for (columns, rows) in SIZES.into_iter().chain([(60, 18), (60, 8), (45, 12)]) {
            let (state, area) = (on(screen), Rect::new(0, 0, columns, rows));
            let feed = feed(Data::Full, &state, area, |_| {});
            let buffer = drawn(&feed, &state, area, Theme::colourless(), Glyphs::Full);
            let (last, under) = (row(&buffer, rows - 1), targets(&feed, &state, area));
            let is_narrow = last.contains(" of 11: ") || last.contains("/11 ");
            for (word, action) in &words {
                let padded = format!(" {word} ");
                let Some(at) = format!("{last} ").find(&padded) else { continue };
                // A narrow row has the name of its own page alone, which leads back.
                let action =
                    if is_narrow && matches!(action, Action::Show(_)) { Action::Leave } else { *action };
                let x = last[..at].chars().count() + 1;
                let touched = &under[usize::from(rows) - 1][x..x + word.len()];
                assert!(touched.iter().all(|target| *target == Target::Action(action)), "{word}: {last}");
                found += 1;
            }
        }
    }
    assert!(found > 300, "{found}");
}

#[test]
fn each_event_is_under_its_own_clock() {
    for scroll in [0, 3] {
        for (columns, rows) in SIZES {
            let (state, area) = (UiState { scroll, ..on(Screen::Events) }, Rect::new(0, 0, columns, rows));
            let feed = feed(Data::Full, &state, area, |_| {});
            let buffer = drawn(&feed, &state, area, Theme::colourless(), Glyphs::Full);
            let mut found = Vec::new();
            for (y, under) in (0..).zip(targets(&feed, &state, area)) {
                if let Target::Row { index, at_s } = under[20] {
                    let clock = quantity::clock_tenths(at_s.expect("an instant"));
                    assert!(row(&buffer, y).trim_start().starts_with(&clock), "{clock}: {}", row(&buffer, y));
                    found.push(index);
                }
            }
            let events = feed.snapshot.summary.events.len();
            assert!(found.len() > 2 && found.iter().copied().eq(scroll..scroll + found.len()), "{found:?}");
            assert!(scroll + found.len() <= events);
        }
    }
}

#[test]
fn freezes_and_senders_are_under_their_rows() {
    let (columns, rows) = (128, 37);
    let area = Rect::new(0, 0, columns, rows);
    for data in [Data::Full, Data::Lossy] {
        let state = on(Screen::Video);
        let lossy = feed(data, &state, area, |_| {});
        let buffer = drawn(&lossy, &state, area, Theme::colourless(), Glyphs::Full);
        let mut found = 0;
        for (y, under) in (0..).zip(targets(&lossy, &state, area)) {
            if let Target::Row { at_s: Some(at_s), .. } = under[3] {
                assert!(row(&buffer, y).starts_with(&quantity::clock_tenths(at_s)));
                found += 1;
            }
        }
        assert!(found > 0);
        let state = on(Screen::Loss);
        let buffer = drawn(&lossy, &state, area, Theme::colourless(), Glyphs::Full);
        let under = targets(&lossy, &state, area);
        for (index, sender) in lossy.snapshot.senders.iter().enumerate() {
            let drawn_at = (0..rows).find(|y| row(&buffer, *y).starts_with(sender.label.as_str()));
            let Some(y) = drawn_at else { continue };
            assert_eq!(under[usize::from(y)][2], Target::Row { index, at_s: None });
            assert!(matches!(under[usize::from(y)][60], Target::Plot { columns: 99 }));
        }
    }
}

/// A lane leads to the page that shows it best, and its plot moves with the hand.
#[test]
fn lanes_lead_to_their_pages() {
    for screen in [Screen::Overview, Screen::Field] {
        for (columns, rows) in SIZES {
            let (state, area) = (on(screen), Rect::new(0, 0, columns, rows));
            let feed = feed(Data::Full, &state, area, |_| {});
            let buffer = drawn(&feed, &state, area, Theme::colourless(), Glyphs::Full);
            let under = targets(&feed, &state, area);
            for (link, expected) in
                [("video", Screen::Video), ("control", Screen::Signal), ("downlink", Screen::Signal)]
            {
                let is_line = |y: &u16| {
                    let row = row(&buffer, *y);
                    row.split_whitespace().nth(1) == Some(link) && row.find(link) < Some(12)
                };
                let y = (0..rows - 2).rev().find(is_line).expect("its line");
                let Target::Link { page, item, columns: 0 } = under[usize::from(y)][3] else {
                    panic!("{link}: {:?}", under[usize::from(y)][3]);
                };
                assert_eq!(page, expected);
                if page == Screen::Signal {
                    let state = UiState { item, ..on(page) };
                    let shown = text(&drawn(&feed, &state, area, Theme::colourless(), Glyphs::Full));
                    assert!(shown.contains(&format!("{link}: level")), "{shown}");
                }
                let is_plot =
                    matches!(under[usize::from(y)][40], Target::Link { columns, .. } if columns > 0);
                assert_eq!(is_plot, screen == Screen::Overview);
            }
        }
    }
}

#[test]
fn the_first_line_and_the_large_words_acknowledge_and_so_does_what_is_unacknowledged() {
    for screen in Screen::ALL {
        let (state, area) = (on(screen), Rect::new(0, 0, 80, 24));
        let calling = feed(Data::Full, &state, area, calls);
        let buffer = drawn(&calling, &state, area, Theme::colourless(), Glyphs::Full);
        let under = targets(&calling, &state, area);
        assert_eq!(under[0][5], Target::Action(Action::Acknowledge), "{screen:?}");
        let y = (0..24).find(|y| row(&buffer, *y).contains("unacknowledged")).expect("it stands there");
        assert_eq!(under[usize::from(y)][40], Target::Action(Action::Acknowledge));
        let calm = feed(Data::Full, &state, area, |_| {});
        assert_eq!(targets(&calm, &state, area)[usize::from(y)][40], Target::Nothing);
    }
}

#[test]
fn under_a_dialog_nothing_answers_but_its_yes() {
    let area = Rect::new(0, 0, 80, 24);
    for dialog in [Dialog::Help, Dialog::Explain, Dialog::Note(String::new()), Dialog::ConfirmQuit] {
        let state = UiState { dialog: Some(dialog.clone()), ..UiState::default() };
        let feed = feed(Data::Full, &state, area, |_| {});
        let buffer = drawn(&feed, &state, area, Theme::colourless(), Glyphs::Full);
        for (y, under) in (0..).zip(targets(&feed, &state, area)) {
            for (x, target) in (0..).zip(under) {
                let is_yes = dialog == Dialog::ConfirmQuit && target == Target::Confirm;
                assert!(target == Target::Nothing || is_yes);
                if is_yes {
                    assert!("yendit ".contains(buffer[(x, y)].symbol()), "{}", row(&buffer, y));
                }
            }
        }
    }
}

#[test]
fn no_place_of_any_page_panics() {
    for screen in Screen::ALL {
        for data in support::ALL {
            for (columns, rows) in [(0, 0), (1, 1), (5, 3), (31, 9), (60, 13), (130, 40)] {
                let (state, area) = (UiState { scroll: 99, ..on(screen) }, Rect::new(0, 0, columns, rows));
                let feed = feed(data, &state, area, |_| {});
                let _ = targets(&feed, &state, area);
            }
        }
    }
}
