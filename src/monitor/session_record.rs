//! How each link did in the session's trips: gathers what [`crate::judge::session_verdict`] judges, and where it failed.

use crate::judge::condition::{Condition, Failed, merged};
use crate::judge::session_verdict;
use crate::judge::session_verdict::{LinkSession, Outcome};
use crate::measure::life::{Phase, Silence};
use crate::measure::series::Series;
use crate::profile::LinkRole;
use crate::summary::{Failure, LostWord, RangeSummary, SessionVerdict, VideoSource};
use crate::units::Nanos;

use super::LinkMonitor;

impl LinkMonitor {
    /// The session as a whole, then each link of the profile; none without a link.
    pub(super) fn session_verdicts(
        &self,
        distances: &Series<f32>,
        range: &[RangeSummary],
    ) -> Vec<SessionVerdict> {
        let trips = self.trips();
        let links = 0..self.context.profile.link.len();
        let outcomes: Vec<Outcome> = links
            .map(|index| session_verdict::of_link(&self.link_session(index, &trips), self.context.now))
            .collect();
        let rows: Vec<SessionVerdict> = outcomes
            .iter()
            .enumerate()
            .map(|(index, outcome)| self.session_row(index, outcome, (&trips, distances, range)))
            .collect();
        let whole = (!rows.is_empty()).then(|| self.whole_session(&rows, &outcomes, &trips));
        whole.into_iter().chain(rows).collect()
    }

    /// Walks, ways out and back that touch as one; without phases all of the session.
    fn trips(&self) -> Vec<(Nanos, Nanos)> {
        let context = &self.context;
        let Some(start) = context.start else { return Vec::new() };
        if context.life.now().is_none() {
            return vec![(start, context.now)];
        }
        let phases = [Phase::Walk, Phase::Out, Phase::Back].into_iter();
        merged(phases.flat_map(|phase| context.life.spans(phase, context.now)).collect())
    }

    fn link_session(&self, index: usize, trips: &[(Nanos, Nanos)]) -> LinkSession {
        let context = &self.context;
        let condition = self.conditions.link(index);
        let silence = context.life.silence();
        let lost = lost_word(silence);
        let mut failed = self.failed_in_session(index);
        failed.extend(condition.into_iter().flat_map(Condition::own_failures).copied());
        // A silence that is on at the end may be the recording's end, or has a cause that nobody knows.
        failed.retain(|failed| {
            let is_open = failed.what == Failure::Silent && failed.to.is_none();
            let is_told =
                silence == Silence::None && context.now - failed.from >= session_verdict::TOLD_AFTER;
            !is_open || lost == LostWord::Lost || is_told
        });
        let data = self.data_heard(index);
        let is_silent = data.is_some_and(|heard| context.now - heard >= session_verdict::TOLD_AFTER);
        LinkSession {
            failed,
            trips: trips.to_vec(),
            is_heard: self.shown_at(index).is_some(),
            has_data: data.is_some(),
            worked_s: condition.map_or(0, Condition::worked_s),
            lost: if is_silent { lost } else { LostWord::No },
        }
    }

    fn is_video(&self, index: usize) -> bool {
        self.context.profile.is_video_link(&self.context.profile.link[index])
    }

    fn is_by_marks(&self) -> bool {
        self.video.source(&self.context) == Some(VideoSource::Marks)
    }

    /// Pictures that stood, holds and lost inputs of the whole session: no drills, nothing of this computer's own.
    fn failed_in_session(&self, index: usize) -> Vec<Failed> {
        let context = &self.context;
        if self.is_video(index) {
            let freezes = self.video.freezes(context).into_iter();
            return freezes
                .filter(|freeze| !freeze.course.is_made_here())
                .map(|freeze| Failed { what: Failure::Frozen, from: freeze.start, to: Some(freeze.end) })
                .collect();
        }
        if context.profile.link[index].role != LinkRole::Control {
            return Vec::new();
        }
        let of = |what| move |(from, to)| Failed { what, from, to: Some(to) };
        let lost = self.failsafe.spans(context).into_iter().map(of(Failure::InputLost));
        let held = self.evidence().holds_apart_from_failsafes(context);
        lost.chain(held.into_iter().map(of(Failure::Held))).collect()
    }

    fn session_row(
        &self,
        index: usize,
        outcome: &Outcome,
        (trips, distances, range): (&[(Nanos, Nanos)], &Series<f32>, &[RangeSummary]),
    ) -> SessionVerdict {
        let (context, link) = (&self.context, &self.context.profile.link[index]);
        let second = |at: Nanos| (context.since_start_s(at).floor() as usize).checked_sub(1);
        let levels = self.signal.seconds(index);
        let level = |at: &Nanos| {
            let noted = if self.is_video(index) {
                self.video.level_at_start(*at, &self.signal, context)
            } else {
                None
            };
            noted.or_else(|| levels.number(second(*at)?).map(f64::from))
        };
        let distance = |at: &Nanos| distances.number(second(*at)?).map(f64::from);
        let has_spans = !(self.is_video(index) && self.is_by_marks());
        let limit = context.threshold(&link.name).filter(|limit| limit.unit == link.unit());
        let least = || {
            let seconds = |trip: &(Nanos, Nanos)| {
                let [from, to] = [trip.0, trip.1].map(|at| context.since_start_s(at));
                levels.known(from.floor().max(0.0) as usize, to.floor().max(0.0) as usize)
            };
            trips.iter().flat_map(seconds).map(|(_, level)| f64::from(level)).reduce(f64::min)
        };
        SessionVerdict {
            about: link.name.clone(),
            word: outcome.word,
            why: outcome.why,
            failures: outcome.failures.len() as u64,
            failed_s: has_spans.then(|| outcome.failed().secs()),
            longest_s: has_spans.then(|| outcome.longest().secs()),
            from_distance_m: outcome.grave.iter().filter_map(distance).reduce(f64::min),
            from_level: outcome.grave.iter().filter_map(level).reduce(f64::max),
            unit: link.has_level().then(|| link.unit()),
            trips: self.count_of(trips),
            worked_s: self.conditions.link(index).map(|link| f64::from(link.worked_s())),
            worked_to_m: range.iter().find(|row| row.link == link.name).and_then(|row| row.proven_m),
            margin_min: limit.and_then(|limit| Some(least()? - limit.level_p05)),
            lost: (LostWord::No, context.life.last_place()),
            ..SessionVerdict::default()
        }
    }

    /// How many there are; `None` where all of the session is one.
    fn count_of(&self, trips: &[(Nanos, Nanos)]) -> Option<u64> {
        self.context.life.now().map(|_| trips.len() as u64)
    }

    fn whole_session(
        &self,
        rows: &[SessionVerdict],
        outcomes: &[Outcome],
        trips: &[(Nanos, Nanos)],
    ) -> SessionVerdict {
        let life = &self.context.life;
        let lost = lost_word(life.silence());
        let whole = session_verdict::of_all(outcomes, lost);
        let has_spans = !rows.iter().any(|row| row.failures > 0 && row.failed_s.is_none());
        SessionVerdict {
            about: "session".to_owned(),
            word: whole.word,
            why: whole.why,
            links: rows.iter().map(|row| (row.about.clone(), row.word)).collect(),
            failures: whole.failures.len() as u64,
            failed_s: has_spans.then(|| whole.failed().secs()),
            longest_s: has_spans.then(|| whole.longest().secs()),
            from_distance_m: rows.iter().filter_map(|row| row.from_distance_m).reduce(f64::min),
            trips: self.count_of(trips),
            lost: (lost, life.last_place()),
            ..SessionVerdict::default()
        }
    }
}

/// What the silence of a vehicle means for the session; that of its autopilot alone says nothing.
const fn lost_word(silence: Silence) -> LostWord {
    match silence {
        Silence::Lost => LostWord::Lost,
        Silence::Unknown => LostWord::Unknown,
        Silence::Autopilot | Silence::None => LostWord::No,
    }
}
