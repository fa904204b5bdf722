//! Every page at three sizes on full, lossy and empty data, and areas too small for anything.

mod support;

use fadewatch::snapshot::Snapshot;
use fadewatch::summary::{Event, Summary};
use fadewatch::tui::state::{Dialog, Screen, UiState};
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view;
use fadewatch::tui::view::{Glyphs, Scene};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Color;
use support::Data;

const SIZES: [(u16, u16); 3] = [(80, 24), (128, 37), (200, 60)];

fn drawn(state: &UiState, data: Data, area: Rect, theme: &Theme, glyphs: Glyphs) -> Buffer {
    let feed = support::feed(data, view::columns(state.screen, area));
    let mut buffer = Buffer::empty(area);
    let scene = Scene { feed: Some(&feed), state, theme, glyphs };
    view::render(&scene, area, &mut buffer);
    buffer
}

fn text(buffer: &Buffer) -> String {
    let area = buffer.area;
    let mut text = String::new();
    for y in area.top()..area.bottom() {
        let row: String = (area.left()..area.right()).map(|x| buffer[(x, y)].symbol()).collect();
        text.push_str(row.trim_end());
        text.push('\n');
    }
    text
}

fn on(screen: Screen) -> UiState {
    UiState { screen, ..UiState::default() }
}

#[test]
fn every_page_at_every_size() {
    for screen in Screen::ALL {
        for data in support::ALL {
            for (columns, rows) in SIZES {
                let area = Rect::new(0, 0, columns, rows);
                let buffer = drawn(&on(screen), data, area, Theme::named(ThemeName::Dark), Glyphs::Full);
                let name = format!("{}_{data:?}_{columns}x{rows}", screen.title()).to_lowercase();
                insta::with_settings!({omit_expression => true, prepend_module_to_snapshot => false}, {
                    insta::assert_snapshot!(name, text(&buffer));
                });
            }
        }
    }
}

#[test]
fn no_area_is_too_small() {
    let dialogs = [
        None,
        Some(Dialog::Help),
        Some(Dialog::Explain),
        Some(Dialog::Note("a note".to_owned())),
        Some(Dialog::ConfirmQuit),
    ];
    for screen in Screen::ALL {
        for dialog in &dialogs {
            let state = UiState { dialog: dialog.clone(), ..on(screen) };
            for data in support::ALL {
                for rows in (0..=3).chain([7, 13, 20]) {
                    for columns in (0..=5).chain([17, 31, 60]) {
                        let area = Rect::new(0, 0, columns, rows);
                        for theme in ThemeName::ALL {
                            let _ = drawn(&state, data, area, Theme::named(theme), Glyphs::Full);
                        }
                    }
                }
            }
        }
    }
}

#[test]
fn themes_differ_in_style_alone_except_for_the_plot_stroke() {
    let area = Rect::new(0, 0, 128, 37);
    let dark = drawn(&on(Screen::Events), Data::Full, area, Theme::named(ThemeName::Dark), Glyphs::Full);
    let light = drawn(&on(Screen::Events), Data::Full, area, Theme::named(ThemeName::Light), Glyphs::Full);
    assert_eq!(text(&dark), text(&light));
    assert_ne!(dark, light);
}

#[test]
fn without_colour_no_cell_has_any() {
    for screen in Screen::ALL {
        for data in support::ALL {
            let buffer =
                drawn(&on(screen), data, Rect::new(0, 0, 128, 37), Theme::colourless(), Glyphs::Full);
            for cell in &buffer.content {
                assert_eq!((cell.fg, cell.bg), (Color::Reset, Color::Reset));
            }
        }
    }
}

#[test]
fn in_ascii_every_cell_is_ascii_and_known() {
    for screen in Screen::ALL {
        for data in support::ALL {
            let picture =
                |glyphs| drawn(&on(screen), data, Rect::new(0, 0, 128, 37), Theme::colourless(), glyphs);
            let (buffer, meant) = (picture(Glyphs::Ascii), picture(Glyphs::Full));
            for (cell, meant) in buffer.content.iter().zip(&meant.content) {
                assert!(cell.symbol().is_ascii(), "{screen:?}: {:?}", cell.symbol());
                assert_eq!(cell.symbol() == "?", meant.symbol() == "?", "{screen:?}: {:?}", meant.symbol());
            }
        }
    }
}

#[test]
fn control_characters_from_telemetry_never_reach_a_cell() {
    let mut feed = support::feed(Data::Full, 100);
    let mut snapshot = (*feed.snapshot).clone();
    let mut summary = (*snapshot.summary).clone();
    let hostile = "\u{1b}]0;x\u{7}\u{9b}2J\u{202e}end\r\n";
    snapshot.verdicts[0].about = hostile.to_owned();
    for event in &mut summary.events {
        event.event = Event::Comment { text: hostile.to_owned() };
    }
    for lane in &mut snapshot.lanes {
        lane.link = hostile.to_owned();
    }
    for sender in &mut snapshot.senders {
        sender.label = hostile.to_owned();
    }
    for source in &mut snapshot.sources {
        source.interface = hostile.to_owned();
        source.down = Some((1.0, hostile.to_owned()));
    }
    snapshot.summary = summary.into();
    feed.snapshot = snapshot.into();
    feed.message = Some(hostile.to_owned());
    for screen in Screen::ALL {
        let area = Rect::new(0, 0, 128, 37);
        let mut buffer = Buffer::empty(area);
        let state = on(screen);
        let scene =
            Scene { feed: Some(&feed), state: &state, theme: Theme::colourless(), glyphs: Glyphs::Full };
        view::render(&scene, area, &mut buffer);
        for cell in &buffer.content {
            assert!(!cell.symbol().chars().any(|letter| letter.is_control() || letter == '\u{202e}'));
        }
    }
}

#[test]
fn dialogs_lie_over_the_page() {
    let area = Rect::new(0, 0, 128, 37);
    for (name, dialog) in [
        ("help", Dialog::Help),
        ("note", Dialog::Note("turned behind the trees".to_owned())),
        ("quit", Dialog::ConfirmQuit),
    ] {
        for (columns, rows) in [(80, 24), (128, 37)] {
            let area = Rect { width: columns, height: rows, ..area };
            let state = UiState { dialog: Some(dialog.clone()), ..UiState::default() };
            let buffer = drawn(&state, Data::Full, area, Theme::named(ThemeName::Dark), Glyphs::Full);
            insta::with_settings!({omit_expression => true, prepend_module_to_snapshot => false}, {
                insta::assert_snapshot!(format!("{name}_{columns}x{rows}"), text(&buffer));
            });
        }
    }
}

/// The page as text, of a picture that `change` has worked on.
fn changed(
    screen: Screen,
    data: Data,
    (columns, rows): (u16, u16),
    change: impl Fn(&mut Snapshot),
) -> String {
    let area = Rect::new(0, 0, columns, rows);
    let mut feed = support::feed(data, view::columns(screen, area));
    let mut snapshot = (*feed.snapshot).clone();
    change(&mut snapshot);
    feed.snapshot = snapshot.into();
    let mut buffer = Buffer::empty(area);
    let state = on(screen);
    let scene = Scene { feed: Some(&feed), state: &state, theme: Theme::colourless(), glyphs: Glyphs::Full };
    view::render(&scene, area, &mut buffer);
    text(&buffer)
}

#[test]
fn every_screen_says_that_it_is_in_the_path_and_transmits_and_how_to_quit() {
    let sends = |snapshot: &mut Snapshot| {
        let what = ["in the path: forwards every byte between here and there", "transmits: a request"];
        snapshot.transmits = what.map(str::to_owned).to_vec();
    };
    for screen in Screen::ALL {
        for size in [(60, 10), (60, 18), (60, 40), (80, 24)] {
            let text = changed(screen, Data::Full, size, sends);
            assert!(text.contains("IN THE PATH, TRANSMITS"), "{text}");
            assert!(text.contains("q quit"), "{text}");
        }
        let wide = changed(screen, Data::Full, (200, 60), sends);
        assert!(wide.contains("forwards every byte") && wide.contains("transmits: a request"), "{wide}");
    }
}

#[test]
fn a_replay_offers_no_marks() {
    let keys = |data| changed(Screen::Overview, data, (200, 60), |_| {});
    assert!(keys(Data::Full).contains("f froze  m note  a acknowledge"));
    let replay = keys(Data::Lossy);
    assert!(!replay.contains("f froze") && !replay.contains("a acknowledge"), "{replay}");
}

/// One age of ten times the others' length is counted at the end of the axis and does not stretch it.
#[test]
fn one_long_age_does_not_stretch_the_axis() {
    let far = |snapshot: &mut Snapshot| snapshot.latency.stages[0].bins.push((600.0, 700.0, 0.01));
    for screen in [Screen::Latency, Screen::Overview] {
        let text = changed(screen, Data::Full, (128, 37), far);
        assert!(text.contains("ms or more") && !text.contains("700 ms"), "{text}");
    }
}

/// What the screen has no column for is left out whole.
#[test]
fn columns_of_radios_do_not_run_together() {
    let text = changed(Screen::Signal, Data::Full, (60, 18), |_| {});
    assert!(text.contains("median 5 % below lowest noise\n"), "{text}");
}

#[test]
fn a_stream_on_another_port_is_told_with_its_port() {
    let other = |snapshot: &mut Snapshot| {
        snapshot.summary = std::sync::Arc::new(Summary { video: None, ..(*snapshot.summary).clone() });
        snapshot.video.other_ports = vec![5600];
    };
    let text = changed(Screen::Video, Data::Full, (80, 24), other);
    assert!(text.contains("RTP comes on port 5600"), "{text}");
}
