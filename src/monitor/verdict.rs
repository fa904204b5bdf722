//! The plain sentences of the overview: what to do, the most pressing first.

use std::fmt::Write;

use crate::profile::{LinkProfile, LinkRole};
use crate::snapshot::{LinkState, SourceState};
use crate::summary::{LatencyStage, Summary, Verdict};

use super::LinkMonitor;
use super::outage::SILENT;
use crate::judge::margin::Standing;
use crate::measure::context::Context;
use crate::measure::life;
use crate::measure::life::{Phase, Silence};
use crate::measure::loss::Traffic;

/// One sentence a link, then latency, batteries and this computer's own losses. `traffic`: each link's.
pub(super) fn verdicts(
    monitor: &LinkMonitor,
    summary: &Summary,
    traffic: &[Option<Traffic>],
) -> Vec<Verdict> {
    let mut rows: Vec<(u8, Verdict)> = Vec::new();
    for (index, (link, &traffic)) in monitor.context.profile.link.iter().zip(traffic).enumerate() {
        let state = monitor.state(index, traffic);
        let text = link_sentence(monitor, index, traffic, state);
        let verdict = Verdict { about: link.name.clone(), word: word(state).to_owned(), text };
        rows.push((urgency(state), verdict));
    }
    if rows.is_empty() {
        rows.push((3, silence(summary)));
    }
    rows.extend(vehicle(monitor));
    rows.push((4, latency_verdict(summary)));
    if let Some(dropped) = summary.recording.host_drops.filter(|dropped| *dropped > 0) {
        let text =
            format!("this computer lost data itself ({dropped}): those seconds are kept out of link loss");
        rows.push((3, Verdict { about: "recording".to_owned(), word: "warning".to_owned(), text }));
    }
    for battery in &summary.power {
        let Some(minutes) = battery.minutes_left else { continue };
        let (rank, word) = if minutes < 2.0 { (2, "warning") } else { (5, "good") };
        let text = format!(
            "battery {} of system {}: about {minutes:.1} min left at the recent current",
            battery.battery, battery.system
        );
        rows.push((rank, Verdict { about: "power".to_owned(), word: word.to_owned(), text }));
    }
    rows.sort_by_key(|(rank, _)| *rank);
    rows.into_iter().map(|(_, verdict)| verdict).collect()
}

const fn word(state: LinkState) -> &'static str {
    match state {
        LinkState::Good => "good",
        LinkState::Warning => "warning",
        LinkState::Alarm => "alarm",
        LinkState::Silent => "silent",
        LinkState::Unknown => "unknown",
    }
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
fn vehicle(monitor: &LinkMonitor) -> Option<(u8, Verdict)> {
    let life = &monitor.context.life;
    let (rank, word, text) = match life.silence() {
        Silence::Lost => {
            (0, "silent", format!("the vehicle is lost from here on{}", life::place_of(life.last_motion())))
        }
        Silence::Unknown => (0, "silent", "the vehicle is silent, cause not known".to_owned()),
        Silence::Autopilot => {
            (1, "silent", "the autopilot is silent, other parts of the vehicle are heard".to_owned())
        }
        Silence::None if life.now() == Some(Phase::Off) => {
            (2, "unknown", "the vehicle is switched off, or its battery is out, on the ground".to_owned())
        }
        Silence::None => return None,
    };
    Some((rank, Verdict { about: "vehicle".to_owned(), word: word.to_owned(), text }))
}

fn silence(summary: &Summary) -> Verdict {
    let text = if summary.framing.frames == 0 {
        "nothing heard yet: check that the source is the right one, its baud rate, and that the vehicle is on"
    } else {
        "frames come, but no vehicle among them yet"
    };
    Verdict { about: "recording".to_owned(), word: "unknown".to_owned(), text: text.to_owned() }
}

fn link_sentence(monitor: &LinkMonitor, index: usize, traffic: Option<Traffic>, state: LinkState) -> String {
    let link = &monitor.context.profile.link[index];
    let name = &link.name;
    let silent = traffic.and_then(|traffic| traffic.silent_at_end_s);
    if let Some(silent) = silent.filter(|silent| *silent > SILENT.secs())
        && state == LinkState::Unknown
    {
        return format!("{name}: silent for {silent:.0} s, {}", monitor.absent_word());
    }
    let standing = monitor.margin.standing(index);
    if state == LinkState::Silent {
        let silent = traffic.and_then(|traffic| traffic.silent_at_end_s).unwrap_or_default();
        return silent_sentence(link, silent, &monitor.source_states());
    }
    if let Some(margin) = standing.margin {
        return margin_sentence(link, margin, &standing, state);
    }
    let level = monitor.signal.level(index, monitor.context.now);
    let loss = traffic.and_then(|traffic| traffic.loss);
    let mut parts = Vec::new();
    if let Some(level) = level {
        parts.push(format!("level {level:.0} {}", link.unit().label()));
    }
    if let Some(loss) = loss {
        parts.push(format!("{:.1} % lost", loss.ratio * 100.0));
    }
    if parts.is_empty() {
        return format!("{name}: nothing measured yet");
    }
    if level.is_some() && link.role == LinkRole::Video {
        let what_to_do = Context::without_threshold();
        parts.push(format!("{} not known: {what_to_do}", link.role.limit_name()));
    }
    format!("{name}: {}", parts.join(", "))
}

/// What to check first: the source that is known to be down, else the radio's own parts.
fn silent_sentence(link: &LinkProfile, silent: f64, sources: &[SourceState]) -> String {
    let own = link.interface.as_deref().or((link.role == LinkRole::Video).then_some("video"));
    let down = |source: &&SourceState| source.down.is_some();
    let carries = |source: &&SourceState| own == Some(source.interface.as_str());
    let broken = sources
        .iter()
        .find(|source| down(source) && carries(source))
        .or_else(|| sources.iter().find(|source| down(source) && own.is_none()));
    let first = match broken.and_then(|source| source.down.as_ref().map(|(_, why)| (source, why))) {
        Some((source, why)) => format!("check source {} ({why})", source.interface),
        None => "check power, antenna, source and port".to_owned(),
    };
    format!("{first}: nothing from {} for {silent:.0} s", link.name)
}

/// What to do comes first, so that no narrow screen cuts it off.
fn margin_sentence(link: &LinkProfile, margin: f64, standing: &Standing, state: LinkState) -> String {
    let what_to_do = match state {
        LinkState::Alarm => "turn back now: ",
        LinkState::Warning => "go no farther: ",
        _ => "",
    };
    let difference = margin.abs();
    let place = match link.role.limit_name() {
        what if difference < 0.5 => format!("at its {what}"),
        what => {
            let side = if margin < 0.0 { "below" } else { "above" };
            format!("{difference:.0} {} {side} its {what}", link.unit().difference_label())
        }
    };
    let mut text = format!("{what_to_do}{} {place}", link.name);
    let falling = standing.seconds_left.filter(|seconds| *seconds < 120.0);
    match falling {
        Some(seconds) if seconds < 1.0 || margin <= 0.0 => {
            text.push_str(match link.role {
                LinkRole::Video => ", picture may freeze at any moment",
                LinkRole::Telemetry => ", frames may be lost at any moment",
                LinkRole::Control => ", input may stick at any moment",
            });
        }
        Some(seconds) => {
            let _ = write!(text, ", about {seconds:.0} s left");
            // Metres are known where the vehicle's way outward gives the seconds, else the level's own slope does.
            match standing.metres_left {
                Some(metres) => {
                    let _ = write!(text, " at this outward speed ({metres:.0} m)");
                }
                None => text.push_str(" as the level falls now"),
            }
        }
        None => {}
    }
    text
}

fn latency_verdict(summary: &Summary) -> Verdict {
    let stages = [
        ("stick to servo", &summary.latency.stick_to_servo),
        ("stick to input", &summary.latency.stick_to_input),
        ("input to servo", &summary.latency.input_to_servo),
    ];
    let measured = stages.into_iter().find_map(|(name, stage)| stage.as_ref().map(|stage| (name, stage)));
    let (word, text) = match measured {
        Some((name, stage)) => stage_sentence(name, stage),
        None => ("unknown", "latency not measured yet: move one stick at a time, quickly".to_owned()),
    };
    Verdict { about: "latency".to_owned(), word: word.to_owned(), text }
}

fn stage_sentence(name: &str, stage: &LatencyStage) -> (&'static str, String) {
    let Some(p50) = stage.p50_ms else {
        let needed = stage.moves_needed.p50;
        return ("unknown", format!("{name}: {needed} more quick stick moves needed"));
    };
    let bound = match stage.bound.as_str() {
        "upper" => "at most ",
        "none" => "(clock not aligned) ",
        _ => "",
    };
    let p90 = stage.p90_ms.map_or_else(String::new, |p90| format!(", 9 of 10 within {p90:.0} ms"));
    ("good", format!("{name} {bound}{p50:.0} ms{p90} ({} moves)", stage.events))
}

#[cfg(test)]
mod tests {
    use crate::monitor::verdict::*;
    use crate::profile::Profile;

    fn link(role: &str) -> LinkProfile {
        let text = format!("[[link]]\nname = \"{role}\"\nrole = \"{role}\"\n");
        let scale =
            "radio = { system = 1, component = 240 }\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }";
        Profile::parse(&format!("{text}{scale}")).unwrap().link.remove(0)
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
    fn what_to_do_comes_first() {
        let standing = Standing { seconds_left: Some(8.7), metres_left: Some(17.4), ..Standing::default() };
        let said = |margin, state| margin_sentence(&link("video"), margin, &standing, state);
        assert_eq!(
            said(2.6, LinkState::Alarm),
            "turn back now: video 3 dB above its freeze limit, about 9 s left at this outward speed (17 m)"
        );
        assert!(said(5.0, LinkState::Warning).starts_with("go no farther: video 5 dB above"));
        assert!(
            said(-0.2, LinkState::Alarm)
                .starts_with("turn back now: video at its freeze limit, picture may freeze")
        );
    }

    #[test]
    fn a_silent_link_says_what_to_check() {
        let sources = [source("vehicle", Some("unplugged")), source("video", None)];
        assert_eq!(
            silent_sentence(&link("video"), 5.2, &sources),
            "check power, antenna, source and port: nothing from video for 5 s"
        );
        assert_eq!(
            silent_sentence(&link("control"), 29.0, &sources),
            "check source vehicle (unplugged): nothing from control for 29 s"
        );
    }
}
