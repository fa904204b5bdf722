//! The report page: sessions as one HTML file that needs no network and no script, for screens and for paper.
//!
//! It opens with how each session went, and ends with how each figure is got and what to mind. It is well-formed XML too.
//! The same recordings give the same bytes.

mod comparison_page;
mod distance_chart;
mod ground_map;
mod histogram_charts;
mod link_sections;
pub(super) mod markup;
mod session_part;
mod spectrum_charts;
mod svg_chart;
mod time_charts;
mod vehicle_sections;

use std::collections::BTreeSet;
use std::fmt::Write as _;

use crate::measure::vibration::SpectrumDensity;
use crate::monitor::LinkMonitor;
use crate::profile::Profile;
use crate::snapshot::Snapshot;
use crate::summary::{BenchSheet, Summary};
use crate::wording::caution::{AIR, DRILL, INSTRUMENT, WALK};
use crate::wording::explain;
use crate::wording::{page_words, session_sentence};

pub use comparison_page::comparison;

use histogram_charts::TimingBins;
use markup::{Markup, escaped};
use session_part::SessionPart;

/// What a page shows of a session.
pub struct PageSession<'a> {
    /// Its figures.
    pub summary: &'a Summary,
    /// All of it in one window.
    pub picture: &'a Snapshot,
    /// What comes in great number.
    timing: Vec<TimingBins>,
    density: Option<SpectrumDensity>,
    /// Links and limits.
    pub profile: &'a Profile,
    /// The recording's hash.
    pub sha256: &'a str,
    /// Of a guided bench test: its sheet, and the figures that it was made of.
    pub bench: Option<(&'a BenchSheet, &'a Summary)>,
}

impl<'a> PageSession<'a> {
    /// A session without a bench sheet.
    #[must_use]
    pub fn new(monitor: &'a LinkMonitor, picture: &'a Snapshot, sha256: &'a str) -> Self {
        let timed = monitor.histograms().into_iter();
        let timed = timed.filter(|(row, _)| row.what != crate::summary::TimingWhat::Message);
        Self {
            summary: &picture.summary,
            picture,
            timing: timed.map(|(row, histogram)| TimingBins::of(row, histogram)).collect(),
            density: monitor.spectrum_density(),
            profile: monitor.profile(),
            sha256,
            bench: None,
        }
    }
}

/// One session, ready for a page.
pub struct PagePart {
    summary: Summary,
    body: String,
    pictures: Vec<svg_chart::Picture>,
    figures: BTreeSet<&'static str>,
}

impl PagePart {
    /// Writes a session's part of a page.
    #[must_use]
    pub fn of(session: &PageSession<'_>) -> Self {
        let mut part = SessionPart::begun(session);
        link_sections::write(&mut part);
        vehicle_sections::write(&mut part);
        let SessionPart { page, pictures, figures, .. } = part;
        Self { summary: session.summary.clone(), body: page.into_text(), pictures, figures }
    }

    /// Its pictures, each with a name for its file, self-standing.
    pub fn pictures(&self) -> impl Iterator<Item = (&str, String)> {
        self.pictures.iter().map(|picture| (picture.name.as_str(), picture.alone()))
    }
}

/// The whole page.
#[must_use]
pub fn html(parts: &[PagePart]) -> String {
    let recordings: Vec<_> = parts.iter().map(|part| &part.summary.recording).collect();
    whole(&page_words::page_title(&recordings), &|page| {
        if parts.len() > 1 {
            contents(page, parts);
        }
        for (number, part) in (1..).zip(parts) {
            page.inside(&format!("article id=\"s{number}\""), &mut |article| {
                let file = &part.summary.recording.file;
                article.element("h2", if parts.len() > 1 { file } else { page_words::SESSION });
                article.raw(&part.body);
            });
        }
        let figures = parts.iter().flat_map(|part| part.figures.iter().copied()).collect();
        explanations(page, &figures);
        let air = parts.iter().any(|part| !part.summary.transmitters.is_empty());
        closing(page, &[DRILL, WALK].into_iter().chain(air.then_some(AIR)).collect::<Vec<_>>());
    })
}

/// A page around what is written within.
fn whole(title: &str, write: &dyn Fn(&mut Markup)) -> String {
    let mut page = Markup::default();
    page.raw("<!DOCTYPE html>\n");
    page.inside("html lang=\"en\"", &mut |page| {
        page.inside("head", &mut |head| {
            head.raw("<meta charset=\"utf-8\"/>\n");
            head.raw(
                "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; \
                 img-src data:\"/>\n",
            );
            head.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n");
            head.raw("<meta name=\"color-scheme\" content=\"light dark\"/>\n");
            head.element("title", title);
            let mut style = include_str!("page/page.css").to_owned();
            let _ = write!(
                style,
                "@media screen and (prefers-color-scheme: dark) {{\n{}}}\n",
                svg_chart::dark_style()
            );
            head.inside("style", &mut |element| element.raw(&style));
        });
        page.inside("body", &mut |body| {
            body.element("h1", title);
            body.inside("main", &mut |main| write(main));
        });
    });
    page.into_text()
}

/// The sessions of a page, one row each.
fn contents(page: &mut Markup, parts: &[PagePart]) {
    page.inside("nav aria-label=\"sessions\"", &mut |nav| {
        nav.inside("ol class=\"sessions\"", &mut |list| {
            for (number, part) in (1..).zip(parts) {
                list.inside("li", &mut |item| {
                    item.element(&format!("a href=\"#s{number}\""), &part.summary.recording.file);
                    let whole = part.summary.session_verdicts.first();
                    let said = whole.map_or_else(String::new, |verdict| {
                        format!(" {}: {}", verdict.word.word(), session_sentence::text(verdict))
                    });
                    item.element("span", &format!(" {}.{said}", page_words::start(&part.summary.recording)));
                });
            }
        });
    });
}

/// The texts of `explain` for all figures that the page shows, in their order.
fn explanations(page: &mut Markup, figures: &BTreeSet<&'static str>) {
    page.inside("section class=\"explained\"", &mut |section| {
        section.element("h2", page_words::HOW);
        section.paragraph(page_words::INTERVALS);
        for one in explain::ALL.iter().filter(|one| figures.contains(one.name)) {
            section.inside(&format!("section id=\"how-{}\"", one.name), &mut |section| {
                let mut lines = one.lines(false);
                section.element("h3", lines.next().unwrap_or(one.name));
                let lines: Vec<&str> = lines.filter(|line| !line.is_empty()).collect();
                for group in lines.chunk_by(|one, other| kind(one) == kind(other)) {
                    let tag = match kind(group[0]) {
                        Line::Item => "ul",
                        Line::Example => "pre",
                        Line::Text => "div",
                    };
                    section.inside(tag, &mut |inner| {
                        for line in group {
                            match kind(line) {
                                Line::Item => inner.element("li", line.trim_start_matches("- ")),
                                Line::Example => inner.raw(&format!("{}\n", escaped(line))),
                                Line::Text => inner.paragraph(line),
                            }
                        }
                    });
                }
            });
        }
    });
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Line {
    Item,
    Example,
    Text,
}

fn kind(line: &str) -> Line {
    if line.starts_with("- ") {
        Line::Item
    } else if line.starts_with("    ") {
        Line::Example
    } else {
        Line::Text
    }
}

/// What to mind, and which program wrote it.
fn closing(page: &mut Markup, cautions: &[&str]) {
    page.inside("footer", &mut |footer| {
        for caution in [INSTRUMENT].iter().chain(cautions) {
            footer.paragraph(caution);
        }
        footer.paragraph(concat!("fadewatch ", env!("CARGO_PKG_VERSION")));
    });
}
