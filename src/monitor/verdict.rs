//! How each link, the vehicle and this computer stand now, the most pressing first.

use crate::profile::{LinkProfile, LinkRole};
use crate::snapshot::{LinkState, SourceState};
use crate::summary::{Judgement, LatencyStage, Summary, Verdict};

use super::LinkMonitor;
use super::outage::SILENT;
use crate::measure::life::{Phase, Silence};
use crate::measure::loss::Traffic;

/// A limit that is farther away than this is not counted down to, seconds.
const NEAR_S: f64 = 120.0;
/// A battery with less left than this is a warning, minutes.
const LOW_MIN: f64 = 2.0;

/// One a link, then latency, batteries and this computer's own losses. `traffic`: each link's.
pub(super) fn verdicts(
    monitor: &LinkMonitor,
    summary: &Summary,
    traffic: &[Option<Traffic>],
) -> Vec<Verdict> {
    let verdict = |about: &str, state, judgement| Verdict { about: about.to_owned(), state, judgement };
    let mut rows: Vec<(u8, Verdict)> = Vec::new();
    for (index, (link, &traffic)) in monitor.context.profile.link.iter().zip(traffic).enumerate() {
        let state = monitor.state(index, traffic);
        let judgement = link_judgement(monitor, index, traffic, state);
        rows.push((urgency(state), verdict(&link.name, state, judgement)));
    }
    if rows.is_empty() {
        let heard = summary.framing.frames > 0;
        let judgement = if heard { Judgement::NoVehicle } else { Judgement::NothingHeard };
        rows.push((3, verdict("recording", LinkState::Unknown, judgement)));
    }
    let vehicle = vehicle(monitor);
    rows.extend(vehicle.map(|(rank, state, judgement)| (rank, verdict("vehicle", state, judgement))));
    let (state, judgement) = latency_judgement(summary);
    rows.push((4, verdict("latency", state, judgement)));
    if let Some(dropped) = summary.recording.host_drops.filter(|dropped| *dropped > 0) {
        rows.push((3, verdict("recording", LinkState::Warning, Judgement::HostDrops(dropped))));
    }
    for row in &summary.power {
        let Some(minutes_left) = row.minutes_left else { continue };
        let (rank, state) =
            if minutes_left < LOW_MIN { (2, LinkState::Warning) } else { (5, LinkState::Good) };
        let judgement = Judgement::Battery { system: row.system, battery: row.battery, minutes_left };
        rows.push((rank, verdict("power", state, judgement)));
    }
    rows.sort_by_key(|(rank, _)| *rank);
    rows.into_iter().map(|(_, verdict)| verdict).collect()
}

const fn urgency(state: LinkState) -> u8 {
    match state {
        LinkState::Silent => 0,
        LinkState::Alarm => 1,
        LinkState::Warning => 2,
        LinkState::Good | LinkState::Unknown => 3,
    }
}

/// What became of a vehicle that is silent, as far as that is known.
fn vehicle(monitor: &LinkMonitor) -> Option<(u8, LinkState, Judgement)> {
    let life = &monitor.context.life;
    Some(match life.silence() {
        Silence::Lost => (0, LinkState::Silent, Judgement::VehicleLost(life.last_place())),
        Silence::Unknown => (0, LinkState::Silent, Judgement::VehicleSilent),
        Silence::Autopilot => (1, LinkState::Silent, Judgement::AutopilotSilent),
        Silence::None if life.now() == Some(Phase::Off) => (2, LinkState::Unknown, Judgement::VehicleOff),
        Silence::None => return None,
    })
}

fn link_judgement(
    monitor: &LinkMonitor,
    index: usize,
    traffic: Option<Traffic>,
    state: LinkState,
) -> Judgement {
    let link = &monitor.context.profile.link[index];
    let (role, unit) = (link.role, link.unit());
    let silent_s = traffic.and_then(|traffic| traffic.silent_at_end_s);
    if let Some(silent_s) = silent_s.filter(|silent_s| *silent_s > SILENT.secs())
        && state == LinkState::Unknown
    {
        return Judgement::Absent { silent_s, phase: monitor.context.life.now() };
    }
    let standing = monitor.margin.standing(index);
    if state == LinkState::Silent {
        let broken = broken_source(link, &monitor.source_states());
        return Judgement::Silent { silent_s: silent_s.unwrap_or_default(), broken };
    }
    if let Some(margin) = standing.margin {
        let seconds_left = standing.seconds_left.filter(|seconds| *seconds < NEAR_S);
        return Judgement::Margin { role, unit, margin, seconds_left, metres_left: standing.metres_left };
    }
    Judgement::Measured {
        role,
        unit,
        level: monitor.signal.level(index, monitor.context.now),
        loss_ratio: traffic.and_then(|traffic| traffic.loss).map(|loss| loss.ratio),
    }
}

/// The source that is known to be down: the link's own, else any where it names none.
fn broken_source(link: &LinkProfile, sources: &[SourceState]) -> Option<(String, String)> {
    let own = link.interface.as_deref().or((link.role == LinkRole::Video).then_some("video"));
    let carries = |source: &&SourceState| own.is_none_or(|own| own == source.interface);
    let broken = sources.iter().filter(carries).find_map(|source| Some((source, source.down.as_ref()?)));
    broken.map(|(source, (_, why))| (source.interface.clone(), why.clone()))
}

fn latency_judgement(summary: &Summary) -> (LinkState, Judgement) {
    let latency = &summary.latency;
    let stages = [&latency.stick_to_servo, &latency.stick_to_input, &latency.input_to_servo];
    let measured = stages.into_iter().enumerate().find_map(|(stage, row)| Some((stage, row.as_ref()?)));
    let Some((stage, row)) = measured else { return (LinkState::Unknown, Judgement::NoLatency) };
    let LatencyStage { p50_ms, p90_ms, events, .. } = *row;
    let state = if p50_ms.is_some() { LinkState::Good } else { LinkState::Unknown };
    let (bound, needed) = (row.bound, row.moves_needed.p50);
    (state, Judgement::Latency { stage, bound, p50_ms, p90_ms, events, needed })
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
            host_drops: None,
        }
    }

    #[test]
    fn only_a_source_that_carries_the_link_is_blamed() {
        let sources = [source("vehicle", Some("unplugged")), source("video", None)];
        assert_eq!(broken_source(&link("video"), &sources), None);
        let broken = broken_source(&link("control"), &sources);
        assert_eq!(broken, Some(("vehicle".to_owned(), "unplugged".to_owned())));
    }
}
