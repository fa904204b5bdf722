//! What a session tells as it goes, in the order in which it became known: for streams and tables.
//!
//! States are told at the looks of `conditions`, at most ten a second; events as they are kept; what meters keep themselves
//! (freezes, lost inputs, holds, restarts) and figures at whole seconds. All of it hangs on the records alone, so that a
//! live session and its replay tell the same. What is told is not taken back: the summary of the whole may judge
//! otherwise. Bounds: it holds what was told until that is taken; of what meters keep, the last minute is looked at.

use crate::measure::context::Context;
use crate::profile::LinkRole;
use crate::snapshot::{LossCell, View};
use crate::summary::{
    Event, EventSummary, Judgement, LinkSecond, LinkState, SecondSummary, SessionBegin, SessionTold,
    StateChange, Summary, Told, ToldEvent, Verdict,
};
use crate::units::Nanos;

use super::LinkMonitor;
use super::verdict::link_judgement;
use crate::record::text::utc_text;

/// What meters keep is looked at so far back.
const BACK: Nanos = Nanos::from_secs(60);

/// How a link was last told to stand: its state, acknowledged, on the ground.
type Stands = (LinkState, bool, bool);

/// What was told, and what was not taken yet.
#[derive(Clone, Debug, Default)]
pub(super) struct Telling {
    /// Figures of every so many-th second; 0: none.
    every_s: u64,
    told: Vec<Told>,
    links: Vec<Stands>,
    restarts: usize,
    /// What meters kept at the last look: its kind and instant, and whether it was over.
    kept: Vec<(String, f64, bool)>,
}

impl Telling {
    pub(super) fn event(&mut self, told_s: f64, event: &EventSummary) {
        self.told.push(Told::Event(ToldEvent { told_s, event: event.clone() }));
    }
}

impl LinkMonitor {
    /// The same, and it tells what happens as it goes; with figures of every so many-th second, where that is not 0.
    #[must_use]
    pub fn telling(self, every_s: u32) -> Self {
        let telling = Telling { every_s: u64::from(every_s), ..Telling::default() };
        Self { telling: Some(telling), ..self }
    }

    /// What was told since this was last asked; nothing where it does not tell.
    pub fn take_told(&mut self) -> Vec<Told> {
        self.telling.as_mut().map(|telling| std::mem::take(&mut telling.told)).unwrap_or_default()
    }

    /// No more records come: what is left to tell, and the end.
    pub fn tell_end(&mut self, summary: &Summary) {
        self.tell_kept(self.context.now);
        let at_s = self.now_s();
        if let Some(telling) = &mut self.telling {
            let session_verdicts = summary.session_verdicts.clone();
            telling.told.push(Told::End(SessionTold { at_s, session_verdicts }));
        }
    }

    /// A record came: tells the beginning, if it is the first.
    pub(super) fn tell_begin(&mut self) {
        if self.records != 1 {
            return;
        }
        if let Some(telling) = &mut self.telling {
            let session = &self.context.session;
            let start_utc = self.stamps.began().filter(|_| session.has_wall_clock).map(utc_text);
            telling.told.push(Told::Begin(SessionBegin { start_utc, tags: session.tags.clone() }));
        }
    }

    /// The links were looked at.
    pub(super) fn tell_states(&mut self, at: Nanos) {
        let Some(mut telling) = self.telling.take() else { return };
        let quiet = self.context.life.is_quiet();
        for index in 0..self.context.profile.link.len() {
            let now = self.condition(index);
            let stands = (now.state, now.acknowledged && now.state.asks(), quiet && now.state.rings());
            let before = telling.links.get(index).copied();
            if before == Some(stands) {
                continue;
            }
            match telling.links.get_mut(index) {
                Some(kept) => *kept = stands,
                None => telling.links.push(stands),
            }
            let judgement = Judgement::Link(Box::new(link_judgement(self, index)));
            let link = self.link_second(index, at);
            telling.told.push(Told::State(Box::new(StateChange {
                at_s: self.context.since_start_s(at),
                verdict: Verdict { about: link.link.clone(), state: now.state, judgement },
                was: before.map(|before| before.0.word()),
                acknowledged: stands.1,
                quiet: stands.2,
                link,
            })));
        }
        self.telling = Some(telling);
    }

    /// A whole second has passed.
    pub(super) fn tell_second(&mut self, at: Nanos) {
        let second = self.context.since_start_s(at).round() as u64;
        self.tell_kept(at);
        let Some(telling) = &self.telling else { return };
        if telling.every_s == 0 || !second.is_multiple_of(telling.every_s) {
            return;
        }
        let told = Told::Second(SecondSummary {
            at_s: second as f64,
            phase: self.context.life.now(),
            distance_m: self.range.distance(at, &self.context).map(|distance| distance.0),
            links: (0..self.context.profile.link.len()).map(|index| self.link_second(index, at)).collect(),
        });
        if let Some(telling) = &mut self.telling {
            telling.told.push(told);
        }
    }

    /// Tells what meters keep themselves: as it begins, and as it is over.
    fn tell_kept(&mut self, at: Nanos) {
        let Some(mut telling) = self.telling.take() else { return };
        let context = &self.context;
        let told_s = context.since_start_s(at);
        let recent = (context.since_start_s(at - BACK), told_s);
        let mut events = self.freeze_events(&self.video.freezes_within(context, recent));
        events.extend(self.control_events(at - BACK));
        let mut kept = Vec::with_capacity(events.len());
        for event in events {
            let (kind, is_over) = (event.event.kind().to_owned(), is_over(&event.event));
            let before = telling.kept.iter().find(|(of, at_s, _)| *of == kind && *at_s == event.at_s);
            if before.is_none_or(|(.., was_over)| is_over && !was_over) {
                telling.event(told_s, &event);
            }
            kept.push((kind, event.at_s, is_over));
        }
        telling.kept = kept;
        for restart in self.loss.restarts_from(telling.restarts) {
            telling.restarts += 1;
            if let Some(event) = self.restart_event(restart) {
                telling.event(told_s, &event);
            }
        }
        self.telling = Some(telling);
    }

    /// How a link stands, as the screens show it, with the traffic of the last whole second.
    fn link_second(&self, index: usize, at: Nanos) -> LinkSecond {
        let (context, link) = (&self.context, &self.context.profile.link[index]);
        let (standing, counts) = (self.margin.standing(index), self.counts_down(index));
        let to_s = context.since_start_s(at).floor();
        let second = View { from_s: to_s - 1.0, to_s, columns: 1 };
        let is_video = context.profile.is_video_link(link);
        let (packets, frozen) = if is_video { self.picture_columns(second) } else { Default::default() };
        let (traffic, stood) = self.link_columns(index, second, (&packets, &frozen));
        let cell = traffic.first().copied().filter(|_| to_s >= 1.0);
        LinkSecond {
            link: link.name.clone(),
            role: link.role,
            state: self.condition(index).state.word(),
            level: standing.level.or_else(|| self.signal.level(index, at)),
            unit: link.has_level().then(|| link.unit()),
            margin: standing.margin,
            seconds_left: standing.seconds_left.filter(|_| counts),
            metres_left: standing.metres_left.filter(|_| counts),
            received: cell.map(|cell| cell.received),
            lost: cell.filter(|cell| !cell.untold).map(|cell| cell.lost),
            frozen: self.tells_frozen(index).then(|| stood.contains(&true)),
        }
    }

    /// Whether it is measured if a link's picture stands, or its input holds.
    pub(super) fn tells_frozen(&self, index: usize) -> bool {
        let link = &self.context.profile.link[index];
        match link.role {
            LinkRole::Video => self.of_packets(link, |video| video.source(&self.context)).is_some(),
            LinkRole::Control => self.latency.holds().is_some(),
            LinkRole::Telemetry => false,
        }
    }

    /// The video link's packets, and whether its picture stood, in each column of a window.
    pub(super) fn picture_columns(&self, view: View) -> (Vec<LossCell>, Vec<bool>) {
        let frozen = self.video.frozen(&self.context, view);
        (self.video.cells(&self.context, view, &frozen), frozen)
    }

    /// A link's traffic (the picture's packets, else its senders' frames; nothing where none of it was ever heard), and
    /// whether the picture stood, or the input held, in each column of a window. `packets` and `frozen` are those of
    /// [`LinkMonitor::picture_columns`] of the same window; only the video link looks at them.
    pub(super) fn link_columns(
        &self,
        index: usize,
        view: View,
        (packets, frozen): (&[LossCell], &[bool]),
    ) -> (Vec<LossCell>, Vec<bool>) {
        let context: &Context = &self.context;
        let link = &context.profile.link[index];
        let is_video = context.profile.is_video_link(link);
        let traffic = if is_video && !packets.is_empty() {
            packets.to_vec()
        } else {
            self.loss.link_cells(context, link, view)
        };
        let stood = match link.role {
            LinkRole::Video if is_video => frozen.to_vec(),
            LinkRole::Control => self.held_columns(view),
            _ => vec![false; usize::from(view.columns)],
        };
        (traffic, stood)
    }
}

/// Whether nothing more is to be told of what a meter keeps.
fn is_over(event: &Event) -> bool {
    match event {
        Event::Freeze { ended, .. } => *ended,
        Event::Failsafe(row) => row.recovered_after_s.is_some(),
        _ => true,
    }
}
