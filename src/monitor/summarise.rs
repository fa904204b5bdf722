//! Figures out: one summary, as of the last record.

use crate::profile::LinkProfile;
use crate::record::InterfaceKind;
use crate::summary::{
    Accidents, BadSpell, Event, EventSummary, EventsLeftOut, LatencySummary, LinkSummary, RecordingSummary,
    StickAdvice, Summary, TimingSummary, TimingWhat,
};
use crate::units::{LevelUnit, Nanos};

use super::{LinkMonitor, RecordingFacts, stamp_event, verdict};
use crate::clocks::Clocks;
use crate::judge::freeze_evidence;
use crate::judge::range::Evidence;
use crate::measure::context::{Context, Sender};
use crate::measure::latency::LatencyMeter;
use crate::measure::life;
use crate::measure::life::Phase;
use crate::measure::loss::{Restart, Steadiness, Traffic};
use crate::measure::series::Series;
use crate::measure::timing;
use crate::measure::video::{Course, FreezeSpan, VideoMeter};
use crate::record::text::utc_text;

/// What this computer lost is counted so often, and was lost within as much before.
const COUNTED_EVERY: Nanos = Nanos::from_secs(1);

/// What the latency's figures are made of at one instant: see [`LinkMonitor::latency_parts`].
#[derive(Clone, Debug)]
pub struct LatencyParts {
    meter: LatencyMeter,
    clocks: Clocks,
    context: Context,
}

impl LatencyParts {
    /// What [`LinkMonitor::latency`] gave at that instant.
    #[must_use]
    pub fn summary(&self) -> LatencySummary {
        self.meter.summary(&self.clocks, &self.context)
    }
}

impl LinkMonitor {
    pub(super) fn evidence(&self) -> Evidence<'_> {
        Evidence {
            signal: &self.signal,
            loss: &self.loss,
            video: &self.video,
            latency: &self.latency,
            failsafe: &self.failsafe,
        }
    }

    fn accidents(&self) -> Accidents {
        let chances = self.wire.chances();
        Accidents { chances, expected: chances as f64 / 65_536.0 }
    }

    /// The worst seconds of each link, with what happened together.
    fn bad_spells(&self, distances: &Series<f32>) -> Vec<BadSpell> {
        let context = &self.context;
        let mut rows = Vec::new();
        for (index, link) in context.profile.link.iter().enumerate() {
            let levels = self.signal.seconds(index);
            for spell in self.loss.bad_spells(context, link) {
                let pose = self.pose.over(spell.from_s, spell.to_s);
                rows.push(BadSpell {
                    link: link.name.clone(),
                    start_s: spell.from_s,
                    duration_s: spell.to_s - spell.from_s,
                    received: spell.received,
                    lost: spell.lost,
                    level: median_within(levels, spell.from_s, spell.to_s),
                    distance_m: median_within(distances, spell.from_s, spell.to_s),
                    heading_deg: pose.heading_deg,
                    handset_off_nose_deg: pose.handset_off_nose_deg,
                    height_m: pose.height_m,
                });
            }
        }
        rows
    }

    /// The traffic of every link of the profile, in its order.
    pub(super) fn all_traffic(&self) -> Vec<Option<Traffic>> {
        self.context.profile.link.iter().map(|link| self.traffic(link)).collect()
    }

    /// What RTP packets say of a link; `None` of all but the video link.
    pub(super) fn of_packets<T>(
        &self,
        link: &LinkProfile,
        say: impl FnOnce(&VideoMeter) -> Option<T>,
    ) -> Option<T> {
        self.context.profile.is_video_link(link).then(|| say(&self.video)).flatten()
    }

    /// A link's traffic: RTP packets for the video link, else its senders' frames.
    fn traffic(&self, link: &LinkProfile) -> Option<Traffic> {
        let packets = self.of_packets(link, |video| video.traffic(&self.context));
        packets.or_else(|| self.loss.traffic(&self.context, link))
    }

    /// The same of how steadily it came.
    fn steadiness(&self, link: &LinkProfile) -> Option<Steadiness> {
        let packets = self.of_packets(link, |video| video.steadiness(&self.context));
        packets.or_else(|| self.loss.steadiness(&self.context, link))
    }

    /// All figures, as of the last record.
    #[must_use]
    pub fn summary(&self, facts: &RecordingFacts) -> Summary {
        let mut summary = self.summary_with(facts, self.latency());
        summary.verdicts = verdict::verdicts(self, &summary, StickAdvice::NextTime);
        summary
    }

    /// The latency's figures alone, the heaviest of a summary.
    #[must_use]
    pub fn latency(&self) -> LatencySummary {
        self.latency.summary(&self.clocks, &self.context)
    }

    /// All that the latency's figures are made of, to be worked out beside the session.
    #[must_use]
    pub fn latency_parts(&self) -> LatencyParts {
        LatencyParts {
            meter: self.latency.of_stages(),
            clocks: self.clocks.clone(),
            context: self.context.clone(),
        }
    }

    /// Stick movements that the latency's figures are made of, so far.
    #[must_use]
    pub fn movements(&self) -> u64 {
        self.latency.movements()
    }

    /// The other figures as of the last record, with the latency as it was a while ago: for a picture on the way.
    #[must_use]
    pub fn summary_with(&self, facts: &RecordingFacts, latency: LatencySummary) -> Summary {
        let context = &self.context;
        let (framing, inside) = self.wire.framing();
        let start_utc = self.stamps.began().filter(|_| context.session.has_wall_clock).map(utc_text);
        let known_drops: Vec<u64> = self.sources.iter().filter_map(|source| source.host_drops).collect();
        let distances = self.range.seconds(context);
        let distance = |second| distances.number(second);
        let (picture_causes, of_freezes) = self.picture_causes();
        let video_streams = self.video.summary(context, &self.signal, &distance, &|span| {
            let teaches = freeze_evidence::of_freeze(context, span);
            let strains = self.health.strains_within(span.start, span.end);
            (teaches.evidence, teaches.why_not, strains, of_freezes.get(&span.start).cloned().flatten())
        });
        // Streams that the profile's pin leaves out are listed, and none of them is the link's.
        let speaks = context.profile.video_link().is_some() && self.video.source(context).is_some();
        let (events, events_left_out) = self.all_events();
        let mut summary = Summary {
            recording: RecordingSummary {
                file: facts.file.clone(),
                start_utc,
                duration_s: context.since_start_s(context.now),
                bytes: facts.bytes,
                records: self.records,
                truncated: facts.truncated || (inside && self.is_bare()),
                host_drops: (!known_drops.is_empty()).then(|| known_drops.iter().sum()),
                stalled_s: self.stalled_s(),
                tags: context.session.tags.clone(),
            },
            framing,
            accidents: self.accidents(),
            streams: self.loss.summary(context),
            together: self.loss.together(context),
            bad_spells: self.bad_spells(&distances),
            own_reports: self.reports.summary(),
            links: Vec::new(),
            clocks: self.clocks.summary(context.start.unwrap_or_default()),
            sticks: self.channels.summary(&latency),
            latency,
            control_holds: self.latency.holds(),
            signal: self.signal.summary(context),
            transmitters: self.air.summary(context),
            range: crate::judge::range::summary(&self.range, context, self.evidence()),
            video: self.video.account(context, &video_streams).filter(|_| speaks),
            video_streams,
            picture_causes,
            freeze_threshold: context
                .profile
                .video_link()
                .and_then(|link| context.threshold(&link.name))
                .cloned(),
            thresholds: context.thresholds.to_vec(),
            failsafe: self.failsafe.summary(context),
            vibration: self.vibration.summary(context),
            vibration_spectrum: self.vibration.spectrum(),
            power: self.power.summary(context),
            health: self.health.summary(),
            events,
            events_left_out,
            session_verdicts: Vec::new(),
            verdicts: Vec::new(),
            phases: life::phases(&context.life, context.start.unwrap_or_default()),
            timing: self.histograms().into_iter().map(|(row, _)| row).collect(),
            guide: self.guide.clone(),
            autopilot: context.roles.autopilot(),
        };
        let traffic = self.all_traffic();
        if self.implied_links {
            for stream in &mut summary.streams {
                stream.link = None;
            }
            for signal in &mut summary.signal {
                signal.link = None;
            }
        } else {
            summary.links = self.link_rows(&traffic);
        }
        summary.session_verdicts = self.session_verdicts(&distances, &summary.range);
        summary.verdicts = verdict::verdicts(self, &summary, self.sticks());
        summary
    }

    /// How regularly things come: each histogram's figures, and the histogram itself, in microseconds.
    #[must_use]
    pub fn histograms(&self) -> Vec<timing::Row<'_>> {
        let named = |flow, row: TimingSummary| {
            let Some((sender, endpoint)) = self.loss.flow(flow) else { return row };
            TimingSummary {
                interface: Some(self.context.interface_name(sender.interface).to_owned()),
                endpoint: endpoint.map(|endpoint| endpoint.to_string()),
                system: Some(sender.system),
                component: Some(sender.component),
                ..row
            }
        };
        let mut rows = self.timing.rows(&named);
        if self.is_bare() {
            // Bare bytes have the sender's own times: none of them is late by its own clock.
            rows.retain(|(row, _)| row.what != TimingWhat::Lateness);
        }
        rows.extend(self.video.spacings());
        rows
    }

    /// Bare bytes: one stream and no wall clock.
    pub(super) fn is_bare(&self) -> bool {
        let is_stream = matches!(&*self.context.interfaces, [only] if only.kind == InterfaceKind::Stream);
        is_stream && !self.context.session.has_wall_clock
    }

    fn link_rows(&self, traffic: &[Option<Traffic>]) -> Vec<LinkSummary> {
        let row = |(index, link): (usize, &LinkProfile)| {
            let (traffic, steadiness) = (traffic[index], self.steadiness(link));
            let (margin, warnings, alarms) = self.margin.summary(index);
            let in_db = link.unit() == LevelUnit::Dbm;
            LinkSummary {
                link: link.name.clone(),
                role: link.role,
                loss: traffic.and_then(|traffic| traffic.loss),
                availability_ratio: steadiness.and_then(|steadiness| steadiness.availability_ratio),
                longest_silence_s: steadiness.and_then(|steadiness| steadiness.longest_silence_s),
                silent_at_end_s: traffic.and_then(|traffic| traffic.silent_at_end_s),
                margin_db: margin.filter(|_| in_db),
                margin_raw: margin.filter(|_| !in_db),
                warnings,
                alarms,
            }
        };
        self.context.profile.link.iter().enumerate().map(row).collect()
    }

    /// Logged events, with the freezes and restarts that metrics keep, in order of time.
    fn all_events(&self) -> (Vec<EventSummary>, Vec<EventsLeftOut>) {
        let mut events = self.events.clone();
        if let Some(astray) = self.stamps.pending() {
            events.push(EventSummary { at_s: self.now_s(), link: None, event: stamp_event(astray) });
        }
        for event in self.freeze_events(&self.video.freezes(&self.context)) {
            events.push(event);
        }
        self.control_events(Nanos(i64::MIN)).into_iter().for_each(|event| events.push(event));
        for event in self.loss.restarts().iter().filter_map(|restart| self.restart_event(restart)) {
            events.push(event);
        }
        for (is_video, forgotten) in [(false, self.forgotten), (true, self.video.forgotten())] {
            if let Some((at, count)) = forgotten {
                let event = Event::Forgotten { is_video, count };
                events.push(EventSummary { at_s: self.context.since_start_s(at), link: None, event });
            }
        }
        let (mut events, left_out) = events.finish();
        for EventSummary { at_s, event, .. } in &mut events {
            if let Event::HostDrop { strain, .. } = event {
                let at = self.context.start.unwrap_or_default() + Nanos::from_secs_f64(*at_s);
                *strain = self.health.strains_within(at - COUNTED_EVERY, at).unwrap_or_default();
            }
        }
        (events, left_out)
    }

    /// Freezes of the picture, and where its sender began anew. What only looks like a freeze, and on the ground, is
    /// listed beside the freezes, and no event.
    pub(super) fn freeze_events(&self, freezes: &[FreezeSpan]) -> Vec<EventSummary> {
        let context = &self.context;
        let link = context.profile.video_link().map(|link| link.name.clone());
        let mut events = Vec::new();
        let mut add = |at, event| {
            events.push(EventSummary { at_s: context.since_start_s(at), link: link.clone(), event });
        };
        for span in freezes.iter().filter(|span| !span.by_mark) {
            let duration_s = (span.end - span.start).secs();
            if freeze_evidence::of_freeze(context, span).fails() || context.life.is_judged(span.start) {
                let strain = self.health.strains_within(span.start, span.end).unwrap_or_default();
                add(span.start, Event::Freeze { duration_s, ended: span.ended, strain });
            }
            if span.course == Course::SenderRestarted {
                add(span.end, Event::VideoRestart { after_s: duration_s });
            }
        }
        events
    }

    /// A sender that restarted. A ground station that nobody named is often heard in part: its numbers show no restart.
    pub(super) fn restart_event(&self, restart: &Restart) -> Option<EventSummary> {
        let (context, at) = (&self.context, restart.at);
        let Sender { system, component, .. } = restart.sender;
        let named = context.profile.handset.system == Some(system);
        if !(restart.by_clock || named || !context.roles.is_ground(system, component)) {
            return None;
        }
        let is_autopilot = context.is_autopilot(restart.sender);
        let event = match context.life.phase_at(at) {
            Some(Phase::Out | Phase::Back) if is_autopilot && context.life.is_seen_away(at) => {
                Event::RestartAloft
            }
            Some(Phase::Out | Phase::Back) if is_autopilot => Event::RestartUnplaced,
            // On a walk it is the handset that moves: the vehicle stands on the ground.
            _ => Event::Restart { system, component },
        };
        Some(EventSummary { at_s: context.since_start_s(at), link: None, event })
    }
}

/// Median of what whole seconds brought; index 0 is the second up to 1 s.
fn median_within(seconds: &Series<f32>, from_s: f64, to_s: f64) -> Option<f64> {
    let mut known: Vec<f32> =
        seconds.known(from_s as usize, to_s as usize).map(|(_, number)| number).collect();
    known.sort_by(f32::total_cmp);
    known.get(known.len() / 2).map(|&value| f64::from(value))
}
