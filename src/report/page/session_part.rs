//! One session on a page: how it went, and what its sections are written with.

use std::collections::BTreeSet;
use std::io;
use std::io::Write;

use super::PageSession;
use super::markup::Markup;
use super::svg_chart::Picture;
use crate::summary::SessionWord;
use crate::wording::{page_words, quantity, session_sentence};

/// A session that is being written.
pub(super) struct SessionPart<'a> {
    pub(super) session: &'a PageSession<'a>,
    pub(super) page: Markup,
    pub(super) pictures: Vec<Picture>,
    /// Explanations that are pointed at.
    pub(super) figures: BTreeSet<&'static str>,
}

impl<'a> SessionPart<'a> {
    /// How a session went; its sections follow.
    pub(super) fn begun(session: &'a PageSession<'a>) -> Self {
        let mut part =
            Self { session, page: Markup::default(), pictures: Vec::new(), figures: BTreeSet::new() };
        part.head();
        part
    }

    /// How it went, as the first thing that is read.
    fn head(&mut self) {
        let summary = self.session.summary;
        let recording = &summary.recording;
        let start = page_words::start(recording);
        self.page.paragraph(&format!("{start}, {} long", quantity::clock_tenths(recording.duration_s)));
        let tags: Vec<String> = recording.tags.iter().map(|(key, value)| format!("{key}={value}")).collect();
        if tags.is_empty() {
            self.absent(page_words::NO_TAGS);
        } else {
            self.page.element("p class=\"tags\"", &tags.join(", "));
        }
        self.page.inside("ul class=\"verdicts\"", &mut |list| {
            for verdict in session_sentence::told(summary) {
                let class = match verdict.word {
                    SessionWord::Worked => "good",
                    SessionWord::Failed => "bad",
                    SessionWord::NotJudged => "open",
                };
                list.inside(&format!("li class=\"{class}\""), &mut |item| {
                    item.element("strong", verdict.word.word());
                    item.element("span", &session_sentence::text(verdict));
                });
            }
            for (name, text) in session_sentence::beside(summary) {
                list.inside("li", &mut |item| {
                    item.element("strong", name);
                    item.element("span", &text);
                });
            }
        });
        self.how(&["session-verdicts", "phases"]);
    }

    /// A section: its title, what is written in it, and the explanations of its figures.
    pub(super) fn section(
        &mut self,
        title: &str,
        figures: &[&'static str],
        write: &mut dyn FnMut(&mut Self),
    ) {
        self.page.raw("<section>\n");
        self.page.element("h3", title);
        write(self);
        self.how(figures);
        self.page.raw("</section>\n");
    }

    /// Where it is told how figures are got.
    fn how(&mut self, figures: &[&'static str]) {
        if figures.is_empty() {
            return;
        }
        self.figures.extend(figures);
        self.page.inside("p class=\"how\"", &mut |how| {
            how.raw("how it is got: ");
            let links: Vec<String> =
                figures.iter().map(|name| format!("<a href=\"#how-{name}\">{name}</a>")).collect();
            how.raw(&links.join(", "));
        });
    }

    /// A name for a picture's file: letters, digits and dashes, each once.
    pub(super) fn name(&self, what: &str, of: &str) -> String {
        let plain =
            |letter: char| if letter.is_ascii_alphanumeric() { letter.to_ascii_lowercase() } else { '-' };
        let of: String = of.chars().take(24).map(plain).collect();
        let name = if of.is_empty() { what.to_owned() } else { format!("{what}-{of}") };
        let is_taken = |name: &String| self.pictures.iter().any(|picture| picture.name == *name);
        let others = (2..).map(|number| format!("{name}-{number}"));
        std::iter::once(name.clone()).chain(others).find(|name| !is_taken(name)).unwrap_or(name)
    }

    /// A picture with what it shows in words; false without one.
    pub(super) fn figure(&mut self, picture: Option<Picture>) -> bool {
        let Some(picture) = picture else { return false };
        self.page.inside("figure", &mut |figure| {
            figure.element("figcaption", picture.title());
            figure.raw(&picture.inline());
        });
        self.pictures.push(picture);
        true
    }

    /// What an absent part would say.
    pub(super) fn absent(&mut self, why: &str) {
        self.page.element("p class=\"absent\"", why);
    }

    /// A part of the text report as a list, without its heading.
    pub(super) fn text(&mut self, write: &dyn Fn(&mut dyn Write) -> io::Result<()>) {
        let mut text = Vec::new();
        // Into memory: it cannot fail.
        let _ = write(&mut text);
        let text = String::from_utf8_lossy(&text);
        let lines = text.lines().filter(|line| !line.trim().is_empty()).skip(1);
        self.page.list(&lines.map(|line| line.trim().to_owned()).collect::<Vec<_>>());
    }
}
