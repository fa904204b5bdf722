//! How each link, the vehicle and this computer stand now, the most pressing first.

pub(super) mod fault;

use crate::profile::{LinkProfile, LinkRole};
use crate::snapshot::{LinkState, SourceState};
use crate::summary::{
    Judgement, LatencyStage, LatencySummary, LinkJudgement, Reason, StickAdvice, Summary, Verdict,
};

use super::LinkMonitor;
use crate::measure::life::{Phase, Silence};

/// A limit that is farther away than this is not counted down to, seconds.
const NEAR_S: f64 = 120.0;
/// A level that rises by less a second may as well be shadowing (3 dB, alike for 3 s, looked at for 10 s: 0.6 a second).
const RISES: f64 = 0.5;
/// A battery with less left than this is a warning, minutes.
const LOW_MIN: f64 = 2.0;

/// One a link, then latency, batteries and this computer's own losses.
pub(super) fn verdicts(monitor: &LinkMonitor, summary: &Summary, sticks: StickAdvice) -> Vec<Verdict> {
    let verdict = |about: &str, state, judgement| Verdict { about: about.to_owned(), state, judgement };
    let mut rows: Vec<(u8, Verdict)> = Vec::new();
    for (index, link) in monitor.context.profile.link.iter().enumerate() {
        let state = monitor.condition(index).state;
        let judged = link_judgement(monitor, index);
        // A source that is gone hides what the link does.
        let rank = if state == LinkState::Unknown && judged.broken.is_some() { 1 } else { urgency(state) };
        rows.push((rank, verdict(&link.name, state, Judgement::Link(Box::new(judged)))));
    }
    let faults = fault::faults(monitor);
    if rows.is_empty() && faults.is_empty() {
        let heard = summary.framing.frames > 0;
        let judgement = if heard { Judgement::NoVehicle } else { Judgement::NothingHeard };
        rows.push((3, verdict("recording", LinkState::Unknown, judgement)));
    }
    rows.extend(faults.into_iter().map(|fault| (1, verdict("recording", LinkState::Unknown, fault))));
    let vehicle = vehicle(monitor);
    rows.extend(vehicle.map(|(rank, state, judgement)| (rank, verdict("vehicle", state, judgement))));
    let judgement = latency_judgement(summary, sticks);
    rows.push((5, verdict("latency", LinkState::Unknown, judgement)));
    if let Some(dropped) = summary.recording.host_drops.filter(|dropped| *dropped > 0) {
        rows.push((3, verdict("recording", LinkState::Warning, Judgement::HostDrops(dropped))));
    }
    for row in &summary.power {
        let Some(minutes_left) = row.minutes_left else { continue };
        let (rank, state) =
            if minutes_left < LOW_MIN { (2, LinkState::Warning) } else { (6, LinkState::Unknown) };
        let (ci95, to) = (row.minutes_left_ci95, row.minutes_left_to);
        let judgement =
            Judgement::Battery { system: row.system, battery: row.battery, minutes_left, ci95, to };
        rows.push((rank, verdict("power", state, judgement)));
    }
    rows.sort_by_key(|(rank, _)| *rank);
    rows.into_iter().map(|(_, verdict)| verdict).collect()
}

const fn urgency(state: LinkState) -> u8 {
    match state {
        LinkState::Failing => 0,
        LinkState::Alarm => 1,
        LinkState::Warning => 2,
        LinkState::Good | LinkState::Heard => 3,
        LinkState::Silent | LinkState::Unknown => 4,
    }
}

/// What became of a vehicle that is silent, as far as that is known.
fn vehicle(monitor: &LinkMonitor) -> Option<(u8, LinkState, Judgement)> {
    let life = &monitor.context.life;
    Some(match life.silence() {
        Silence::Lost => (0, LinkState::Failing, Judgement::VehicleLost(life.last_place())),
        Silence::Unknown => (0, LinkState::Failing, Judgement::VehicleSilent),
        Silence::Autopilot => (1, LinkState::Failing, Judgement::AutopilotSilent),
        Silence::None if life.now() == Some(Phase::Off) => (2, LinkState::Silent, Judgement::VehicleOff),
        Silence::None => return None,
    })
}

pub(super) fn link_judgement(monitor: &LinkMonitor, index: usize) -> LinkJudgement {
    let (context, link) = (&monitor.context, &monitor.context.profile.link[index]);
    let (standing, now) = (monitor.margin.standing(index), monitor.condition(index));
    let counts = monitor.counts_down(index);
    let seconds_left = standing.seconds_left.filter(|seconds| counts && *seconds < NEAR_S);
    LinkJudgement {
        role: link.role,
        reason: now.reason,
        unit: link.unit(),
        level: monitor.signal.level(index, context.now),
        margin: standing.margin,
        seconds_left,
        metres_left: seconds_left.and(standing.metres_left),
        distance_m: monitor.range.distance(context.now, context).map(|distance| distance.0),
        loss_ratio: now.loss_ratio,
        silent_s: monitor.shown_at(index).map(|heard| (context.now - heard).secs()),
        failures: (now.failures.0, now.failures.1.secs()),
        phase: context.life.now(),
        broken: broken_source(link, &monitor.source_states()),
    }
}

impl LinkMonitor {
    /// Whether the pilot can be asked to move sticks.
    pub(super) fn sticks(&self) -> StickAdvice {
        match self.context.life.now() {
            _ if self.is_recorded => StickAdvice::NextTime,
            None | Some(Phase::Waiting | Phase::Ground) => StickAdvice::Now,
            Some(Phase::Walk | Phase::Out | Phase::Back | Phase::Off) => StickAdvice::NotNow,
        }
    }

    /// Whether time and distance to a link's limit are told: not below it, nor while the level rises.
    pub(super) fn counts_down(&self, index: usize) -> bool {
        let rises = self.signal.trend(index, self.context.now).is_some_and(|trend| trend.per_s >= RISES);
        self.margin.standing(index).margin.is_some_and(|margin| margin > 0.0) && !rises
    }

    /// Whether the source that carries a link is known to be down.
    pub(super) fn is_source_down(&self, index: usize) -> bool {
        self.sources.iter().any(|source| source.down.is_some())
            && broken_source(&self.context.profile.link[index], &self.source_states()).is_some()
    }
}

/// The source that is known to be down: the link's own, else any that may carry it where it names none.
fn broken_source(link: &LinkProfile, sources: &[SourceState]) -> Option<(String, String)> {
    const PICTURES: &str = "video";
    let own = link.interface.as_deref().or((link.role == LinkRole::Video).then_some(PICTURES));
    // That of the pictures carries no other link.
    let carries =
        |source: &&SourceState| own.map_or(source.interface != PICTURES, |own| own == source.interface);
    let broken = sources.iter().filter(carries).find_map(|source| Some((source, source.down.as_ref()?)));
    broken.map(|(source, (_, why))| (source.interface.clone(), why.clone()))
}

fn latency_judgement(summary: &Summary, sticks: StickAdvice) -> Judgement {
    let latency = &summary.latency;
    let stages = [&latency.stick_to_servo, &latency.stick_to_input, &latency.input_to_servo];
    let known = || stages.into_iter().enumerate().filter_map(|(stage, row)| Some((stage, row.as_ref()?)));
    let Some((stage, row)) = known().find(|(_, row)| row.is_bounded()) else {
        return match unheard(latency) {
            _ if known().count() > 0 => Judgement::UnboundedLatency,
            Some(why) => Judgement::UnheardLatency(why),
            None => Judgement::NoLatency(sticks),
        };
    };
    let LatencyStage { p50_ms, p90_ms, events, .. } = *row;
    let (bound, needed) = (row.bound, row.moves_needed.p50);
    if p50_ms.is_none() && sticks != StickAdvice::Now {
        return Judgement::NoLatency(sticks);
    }
    Judgement::Latency { stage, bound, p50_ms, p90_ms, events, needed }
}

/// What is not heard, where each stage lacks an end; `None`: moves of sticks may show one of them.
fn unheard(latency: &LatencySummary) -> Option<Reason> {
    let missing = latency.drawing.missing;
    let is_end =
        |why: &Option<Reason>| matches!(why, Some(Reason::NoSticks | Reason::NoInput | Reason::NoServo));
    missing[0].filter(|_| missing.iter().all(is_end))
}

#[cfg(test)]
mod tests {
    use crate::monitor::verdict::*;
    use crate::profile::Profile;

    fn link(role: &str) -> LinkProfile {
        let text = format!("[[link]]\nname = \"{role}\"\nrole = \"{role}\"\n");
        Profile::parse(&text).unwrap().link.remove(0)
    }

    fn source(interface: &str, down: Option<&str>) -> SourceState {
        SourceState {
            interface: interface.to_owned(),
            description: None,
            down: down.map(|why| (1.0, why.to_owned())),
            silent_s: None,
            bytes: 0,
            is_unread: false,
            host_drops: None,
        }
    }

    #[test]
    fn only_a_source_that_carries_the_link_is_blamed() {
        let sources = [source("vehicle", Some("unplugged")), source("video", None)];
        assert_eq!(broken_source(&link("video"), &sources), None);
        let broken = broken_source(&link("control"), &sources);
        assert_eq!(broken, Some(("vehicle".to_owned(), "unplugged".to_owned())));
        let sources = [source("vehicle", None), source("video", Some("unplugged"))];
        for other in ["control", "telemetry"] {
            assert_eq!(broken_source(&link(other), &sources), None);
        }
        assert!(broken_source(&link("video"), &sources).is_some());
    }
}
