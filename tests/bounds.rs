//! What a latency bounds is said wherever its figures stand: an upper bound is "at most", and without any bound there is
//! no figure.

mod support;

use std::sync::Arc;

use fadewatch::summary::{Bound, Judgement, Summary};
use fadewatch::tui::state::{Screen, UiState};
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view;
use fadewatch::tui::view::{Glyphs, Scene};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use support::Data;

fn bounded(summary: &mut Summary, bound: Bound) {
    let latency = &mut summary.latency;
    for stage in [&mut latency.stick_to_servo, &mut latency.stick_to_input].into_iter().flatten() {
        stage.bound = bound;
        stage.clock_uncertainty_ms = None;
    }
    for verdict in &mut summary.verdicts {
        if let Judgement::Latency { bound: told, .. } = &mut verdict.judgement {
            *told = bound;
        }
    }
}

/// Every page at three sizes, and the text report.
fn texts(bound: Bound) -> Vec<(String, String)> {
    let mut all = Vec::new();
    for screen in Screen::ALL {
        for (columns, rows) in [(80, 24), (128, 37), (200, 60)] {
            let area = Rect::new(0, 0, columns, rows);
            let mut feed = support::feed(Data::Full, view::columns(screen, area));
            let snapshot = Arc::make_mut(&mut feed.snapshot);
            let summary = Arc::make_mut(&mut snapshot.summary);
            bounded(summary, bound);
            if bound == Bound::None {
                // As the core judges it.
                summary.verdicts.retain(|verdict| verdict.about != "latency");
            }
            snapshot.verdicts.clone_from(&snapshot.summary.verdicts);
            let state = UiState { screen, ..UiState::default() };
            let mut buffer = Buffer::empty(area);
            let theme = Theme::named(ThemeName::Dark);
            view::render(
                &Scene { feed: Some(&feed), state: &state, theme, glyphs: Glyphs::Full },
                area,
                &mut buffer,
            );
            let rows = buffer.content.chunks(usize::from(columns));
            let text: String = rows
                .map(|row| row.iter().map(ratatui::buffer::Cell::symbol).collect::<String>() + "\n")
                .collect();
            all.push((format!("{screen:?} {columns}"), text));
        }
    }
    let mut summary = Summary::clone(&support::snapshot(Data::Full, 80).summary);
    bounded(&mut summary, bound);
    summary.verdicts.retain(|verdict| bound != Bound::None || verdict.about != "latency");
    let mut report = Vec::new();
    fadewatch::report::session_text::write_to(&mut report, &summary).expect("a text");
    all.push(("report".to_owned(), String::from_utf8(report).expect("a text")));
    all
}

/// The figures of both stages, and of their sticks: medians, nine in ten, largest, second method.
const FIGURES: [&str; 14] = [
    "63 ms", "79 ms", "101 ms", "62 ms", "64 ms", "75 ms", "66 ms", "41 ms", "51 ms", "40 ms", "42 ms",
    "58 to 66", "60 to 67", "38 to 45",
];

#[test]
fn an_upper_bound_is_at_most_wherever_it_stands() {
    let mut seen = 0;
    for (place, text) in texts(Bound::Upper) {
        for figure in FIGURES.into_iter().filter(|figure| figure.ends_with(" ms")) {
            for (at, _) in text.match_indices(figure) {
                let before = &text[..at];
                // A figure of more digits.
                if before.ends_with(|last: char| last.is_ascii_digit() || last == '.') {
                    continue;
                }
                assert!(before.ends_with("at most "), "{place}: ...{figure}\n{text}");
                seen += 1;
            }
        }
    }
    assert!(seen > 20, "{seen}");
}

#[test]
fn without_a_bound_there_is_no_figure() {
    for (place, text) in texts(Bound::None) {
        for figure in FIGURES {
            assert!(!text.contains(figure), "{place}: {figure}\n{text}");
        }
        if place.starts_with("Latency") || place == "report" {
            assert!(text.contains("two clocks") || text.contains("its two ends"), "{place}\n{text}");
            assert!(text.contains("22 ms"), "on board there is one clock: {place}\n{text}");
        }
    }
}
