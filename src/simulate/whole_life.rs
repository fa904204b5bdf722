//! The true life of a simulated session: its phases, what was off, and what its freezes and losses were.
//!
//! Phases come from the scenario's physics: power, armed spells, places, and the level that distance and
//! attenuators leave, in steps of half a second. What is disarmed and within 30 m of the handset, or stands
//! where it landed, is on the ground; from there the handset is carried away (walk) where the median level is 10 dB below
//! the strongest of this power-up. All else is out or back. What is switched off anywhere but on the ground
//! is lost: its last phase goes on.

use serde_json::{Map, Value, json};

use super::scenario::is_on;
use super::scene_parts::Parts;

/// Seconds a step.
const STEP_S: f64 = 0.5;
/// Slower is standing.
const STANDS_M_S: f64 = 2.0;
/// Disarmed and nearer is on the ground.
const NEAR_M: f64 = 30.0;
/// Below the strongest by more: a walk.
const WALK_DB: f64 = 10.0;
/// So far the other way turns out into back.
const TURN_M: f64 = 20.0;

/// One phase and its beginning.
#[derive(Clone, Copy)]
struct Begun {
    phase: &'static str,
    from_s: f64,
}

/// Adds what the truth of a whole life has.
pub(crate) fn tell(parts: &Parts<'_>, all: &mut Map<String, Value>) {
    let phases = phases(parts);
    let rows = phases.iter().map(|begun| json!({ "phase": begun.phase, "from_s": begun.from_s }));
    all.insert("phases".to_owned(), rows.collect());
    let spells = |spells: &Option<Vec<[f64; 2]>>| off_s(spells.as_deref(), parts.scenario.duration_s);
    let handset = parts.scenario.control.as_ref().map_or(Vec::new(), |control| spells(&control.on_s));
    let off = json!({
        "vehicle": spells(&parts.scenario.vehicle.on_s),
        "camera": spells(parts.scenario.camera_power()),
        "handset": handset,
    });
    all.insert("off_s".to_owned(), off);
    all.insert("distances".to_owned(), distances(parts));
    all.insert("losses".to_owned(), losses(parts));
    if let Some(list) = all.get_mut("video").and_then(|video| video["freeze_list"].as_array_mut()) {
        for freeze in list.iter_mut() {
            let (start_s, length_s) = (freeze["start_s"].as_f64(), freeze["duration_s"].as_f64());
            let span = start_s.zip(length_s).map_or([0.0; 2], |(start, length)| [start, start + length]);
            let within = phase_at(&phases, f64::midpoint(span[0], span[1]));
            freeze["of_link"] = json!(of_link(parts, span));
            freeze["off"] = json!(within == "off" && matches!(phase_at(&phases, span[0]), "ground" | "off"));
        }
    }
    leave_off_out(parts, phases.last().is_some_and(|begun| begun.phase == "off"), all);
}

fn phase_at(phases: &[Begun], at_s: f64) -> &'static str {
    let next = phases.partition_point(|begun| begun.from_s <= at_s);
    phases.get(next.saturating_sub(1)).map_or("", |begun| begun.phase)
}

/// What was switched off on the ground is neither frozen nor, at the end, silent.
fn leave_off_out(parts: &Parts<'_>, ends_off: bool, all: &mut Map<String, Value>) {
    if let Some(video) = all.get_mut("video").filter(|video| video.is_object()) {
        let list = video["freeze_list"].as_array().map_or(&[][..], Vec::as_slice);
        let own: Vec<f64> = list
            .iter()
            .filter(|freeze| freeze["off"] == false)
            .filter_map(|freeze| freeze["duration_s"].as_f64())
            .collect();
        (video["freezes"], video["freeze_s"]) = (json!(own.len()), json!(own.iter().sum::<f64>()));
    }
    let rows = all.get_mut("streams").and_then(Value::as_array_mut).filter(|_| ends_off);
    for row in rows.into_iter().flatten().filter(|row| row["over_air"] == true) {
        let id = |key: &str| row[key].as_u64().and_then(|id| u8::try_from(id).ok());
        let sender = id("system").zip(id("component"));
        if let Some(counted) = sender.and_then(|sender| parts.delivered.senders.get(&sender)) {
            row["longest_silence_s"] = json!(counted.longest_gap_s);
        }
    }
}

/// Spells in which something has no power.
fn off_s(on: Option<&[[f64; 2]]>, duration_s: f64) -> Vec<[f64; 2]> {
    let Some(on) = on else { return Vec::new() };
    let mut edges = vec![0.0];
    let mut spells = on.to_vec();
    spells.sort_by(|a, b| a[0].total_cmp(&b[0]));
    edges.extend(spells.iter().flatten().map(|edge| edge.clamp(0.0, duration_s)));
    edges.push(duration_s);
    edges.chunks(2).map(|edge| [edge[0], edge[1]]).filter(|edge| edge[1] > edge[0]).collect()
}

/// A stretch without pictures is the link's where the camera had power all along.
fn of_link(parts: &Parts<'_>, [from_s, to_s]: [f64; 2]) -> bool {
    let scenario = parts.scenario;
    let off = off_s(scenario.camera_power().as_deref(), scenario.duration_s);
    // The last picture is under way for some 40 ms.
    let dark = off.iter().any(|spell| spell[0] < to_s && spell[1] > from_s - 0.1);
    let unplugged = scenario.recorder.unplugged.iter().any(|spell| {
        spell.source == super::scenario::Source::Video && spell.from_s < to_s && spell.to_s > from_s
    });
    !dark && !unplugged
}

fn distances(parts: &Parts<'_>) -> Value {
    let scenario = parts.scenario;
    let steps = (scenario.duration_s / STEP_S) as usize;
    let heard = (0..=steps).map(|step| step as f64 * STEP_S);
    let heard: Vec<f64> = heard.filter(|&at_s| is_on(&scenario.vehicle.on_s, at_s)).collect();
    let farthest_m = heard.iter().map(|&at_s| parts.motion.distance_m(at_s)).reduce(f64::max);
    let last_m = heard.last().map(|&at_s| parts.motion.distance_m(at_s));
    json!({ "farthest_m": farthest_m, "last_m": last_m })
}

/// Frames that the link lost, those that this computer did not see, and none for what was off.
fn losses(parts: &Parts<'_>) -> Value {
    let over_air = || parts.delivered.senders.values().filter(|counted| counted.over_air);
    let lost: u64 = over_air().map(|counted| counted.lost).sum();
    let unseen: u64 = parts.delivered.senders.values().map(|counted| counted.unseen).sum();
    json!({ "of_link": lost, "unplugged": unseen })
}

/// The phases in order.
fn phases(parts: &Parts<'_>) -> Vec<Begun> {
    let mut life = Life::default();
    let steps = (parts.scenario.duration_s / STEP_S) as usize;
    for step in 0..=steps {
        life.step(parts, step as f64 * STEP_S);
    }
    life.all
}

#[derive(Default)]
struct Life {
    all: Vec<Begun>,
    strongest: Option<f64>,
    /// On the ground after a landing, wherever that is.
    landed: bool,
    armed_yet: bool,
    armed_at_s: Option<f64>,
    stood_s: f64,
    turn_m: f64,
}

impl Life {
    fn step(&mut self, parts: &Parts<'_>, at_s: f64) {
        let now = self.all.last().map_or("", |begun| begun.phase);
        let next = if is_on(&parts.scenario.vehicle.on_s, at_s) {
            self.powered(parts, at_s, now)
        } else {
            self.strongest = None;
            match now {
                "" => "waiting",
                "ground" => "off",
                other => other,
            }
        };
        if next != now {
            self.all.push(Begun { phase: next, from_s: at_s });
        }
    }

    fn powered(&mut self, parts: &Parts<'_>, at_s: f64, now: &'static str) -> &'static str {
        let (motion, levels) = (parts.motion, parts.levels);
        let armed = parts.scenario.armed(at_s);
        self.armed_yet |= armed;
        self.armed_at_s = if armed { self.armed_at_s.or(Some(at_s)) } else { None };
        let stands = motion.speed_m_s(at_s) < STANDS_M_S;
        self.stood_s = if stands { self.stood_s + STEP_S } else { 0.0 };
        let level = (!parts.scenario.radio.is_empty()).then(|| levels.median(0, motion, at_s));
        if let Some(level) = level {
            self.strongest = Some(self.strongest.map_or(level, |strongest| strongest.max(level)));
        }
        let faint = level.zip(self.strongest).is_some_and(|(level, strongest)| level < strongest - WALK_DB);
        let near = motion.ground_distance_m(at_s) < NEAR_M;
        let lands = self.armed_yet && self.stood_s >= 2.0 && matches!(now, "out" | "back");
        self.landed = !armed && stands && (lands || self.landed);
        if !armed && stands && (self.landed || near && !faint) {
            return "ground";
        }
        let walks = !armed && stands && matches!(now, "ground" | "walk" | "off" | "");
        if walks && (near || faint) {
            return if faint { "walk" } else { "ground" };
        }
        // Armed, but not away from where that was: a drill on the bench. What comes back has to stand there.
        let bench = self.armed_at_s.is_some_and(|from_s| {
            let (over_ground_m, height_m) = motion.moved_m(from_s, at_s);
            over_ground_m < 10.0 && height_m < 3.0
        });
        if armed && bench && (self.stood_s >= 2.0 || !matches!(now, "out" | "back" | "walk")) {
            return "ground";
        }
        self.trip(motion.distance_m(at_s), now)
    }

    fn trip(&mut self, distance_m: f64, now: &'static str) -> &'static str {
        match now {
            "out" => self.turn_m = self.turn_m.max(distance_m),
            "back" => self.turn_m = self.turn_m.min(distance_m),
            _ => self.turn_m = distance_m,
        }
        let turned = (distance_m - self.turn_m).abs() >= TURN_M;
        match now {
            "out" if turned => self.turned("back", distance_m),
            "back" if !turned => "back",
            "back" => self.turned("out", distance_m),
            _ => "out",
        }
    }

    fn turned(&mut self, word: &'static str, distance_m: f64) -> &'static str {
        self.turn_m = distance_m;
        word
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::{Scenario, run};

    const DAY: &str = r#"
text = "An invented day: switched on, a walk with the handset, a flight, landed apart, off, a fresh pack, off"
seed = 5
start = "2031-05-04T09:12:33Z"
duration_s = 200
[vehicle]
on_s = [[5, 120], [140, 180]]
armed_s = [[60, 110]]
[path]
waypoints = [[0, 2, 0, 0], [65, 2, 0, 0], [80, 152, 0, 10], [95, 40, 0, 10], [100, 40, 0, 0], [200, 40, 0, 0]]
[handset_way]
waypoints = [[0, 0, 0, 1], [20, 0, 0, 1], [30, -20, 0, 1], [40, 0, 0, 1]]
fix = "gps"
[[radio]]
carries = "video"
system = 41
component = 110
report_hz = 2
exponent = 2.5
level_at_1m = -30
sigma_db = 2
noise_dbm = -100
slope_db = 0.5
offset_dbm = -120
goes_on = "noise"
[control]
on_s = [[0, 150], [160, 200]]
[video]
[recorder]
end_note = false
unplugged = [{ source = "vehicle", from_s = 70, to_s = 72 }]
"#;

    #[test]
    fn a_day_has_the_phases_that_were_written_down() {
        let truth = run(&Scenario::parse(DAY, Path::new("day.toml")).unwrap()).truth;
        let told: Vec<&str> =
            truth["phases"].as_array().unwrap().iter().map(|row| row["phase"].as_str().unwrap()).collect();
        // After the fresh pack it stands 40 m off: disarmed, but nothing of this power-up says that it landed.
        let first = ["waiting", "ground", "walk", "ground", "out", "back", "ground", "off"];
        assert_eq!(told[..first.len()], first, "{told:?}");
        assert_eq!(
            truth["off_s"]["vehicle"],
            serde_json::json!([[0.0, 5.0], [120.0, 140.0], [180.0, 200.0]])
        );
        assert_eq!(truth["off_s"]["handset"], serde_json::json!([[150.0, 160.0]]));
        assert_eq!(truth["losses"]["of_link"], 0, "{}", truth["streams"]);
        assert!(truth["losses"]["unplugged"].as_u64().unwrap() > 50);
        for freeze in truth["video"]["freeze_list"].as_array().unwrap() {
            assert_eq!(freeze["of_link"], false, "{freeze}");
            assert_eq!(freeze["off"], true, "{freeze}");
        }
        // Listed, and counted nowhere.
        assert_eq!(truth["video"]["freeze_list"].as_array().unwrap().len(), 2);
        assert_eq!((&truth["video"]["freezes"], &truth["video"]["freeze_s"]), (&0.into(), &0.0.into()));
    }

    #[test]
    fn what_is_off_sends_nothing_and_starts_anew() {
        let session = run(&Scenario::parse(DAY, Path::new("day.toml")).unwrap());
        let start = session.records[0].at.0;
        let video = session.interface("video").unwrap();
        let within = |record: &&crate::record::OwnedRecord, from: f64, to: f64| {
            (from..to).contains(&((record.at.0 - start) as f64 / 1e9))
        };
        let count = |id, from, to| {
            session.records.iter().filter(|r| r.interface == id && within(r, from, to)).count()
        };
        assert_eq!(count(video, 0.0, 5.0) + count(video, 120.3, 140.0), 0);
        assert!(count(video, 6.0, 119.0) > 3000 && count(video, 141.0, 179.0) > 1000);
        // Only the radio at the ground goes on, twice a second, but not while its cable is out.
        let vehicle = session.interface("vehicle").unwrap();
        assert_eq!(count(vehicle, 121.0, 139.0), 36);
        assert_eq!(count(vehicle, 70.0, 72.0), 0);
        let handset = session.interface("handset").unwrap();
        assert_eq!(count(handset, 150.1, 159.9), 0);
    }
}
