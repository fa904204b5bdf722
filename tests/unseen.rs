//! No sentence says more than the session showed: what was not heard, not seen or is long ago is told as such.
//!
//! Sessions are made entry by entry (tests/invented); what may not be said of each is written from what it lacks.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod frames;
mod invented;

use fadewatch::record::{InterfaceId, MarkKind, Note};
use fadewatch::summary::Summary;
use fadewatch::wording::{advice, event, session_sentence};
use invented::{HANDSET, Message, Plan, RADIO, VEHICLE};

const PROFILE: &str = "[[link]]\nname = 'video'\nrole = 'video'\nport = 5004\n\
    radio = { system = 41, component = 110, mounted = 'ground' }\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n\
    [[link]]\nname = 'downlink'\nrole = 'telemetry'\ninterface = 'vehicle'\nsenders = [[1, 1]]\n\
    [[link]]\nname = 'control'\nrole = 'control'\n";

fn every(rate: f64, to_s: f64, mut each: impl FnMut(f64)) {
    for number in 0..(to_s * rate) as u64 {
        each(0.01 + number as f64 / rate);
    }
}

/// The boot clock at an instant.
fn boot(at_s: f64) -> u32 {
    (at_s * 1e3) as u32 + 60_000
}

/// An autopilot with a boot clock, armed from an instant on; it says no more than that.
fn bare_vehicle(armed_s: f64, end_s: f64) -> Plan {
    let mut plan = Plan::default();
    every(2.0, end_s, |at| plan.send(at, VEHICLE, Message::heartbeat(at >= armed_s, 0)));
    every(10.0, end_s, |at| plan.send(at + 0.02, VEHICLE, Message::clocked(boot(at))));
    plan
}

const NEVER: f64 = f64::INFINITY;

/// Its RC input, the same in all channels but the first.
fn with_input(mut plan: Plan, end_s: f64, first: impl Fn(f64) -> u16) -> Plan {
    every(10.0, end_s, |at| {
        plan.send(at + 0.03, VEHICLE, Message::input(boot(at), [first(at), 1500, 1100, 1500], 8, 120));
    });
    plan
}

fn verdict(summary: &Summary, about: &str) -> String {
    advice::text(summary.verdicts.iter().find(|verdict| verdict.about == about).unwrap())
}

fn report(summary: &Summary) -> String {
    let mut text = Vec::new();
    fadewatch::report::session_text::write_to(&mut text, summary).unwrap();
    String::from_utf8(text).unwrap()
}

fn told(summary: &Summary, kind: &str) -> Vec<String> {
    summary.events.iter().filter(|row| row.event.kind() == kind).map(event::text).collect()
}

/// No move of a stick helps where neither sticks nor what follows them is heard.
#[test]
fn sticks_are_asked_for_only_where_they_would_be_seen() {
    let alone = bare_vehicle(NEVER, 30.0).play("", &[], 30.0).summary();
    assert_eq!(verdict(&alone, "latency"), "latency not measured: no stick messages heard");
    // One end is not enough.
    let mut sticks = bare_vehicle(NEVER, 30.0);
    every(20.0, 30.0, |at| sticks.send(at, HANDSET, Message::sticks([1500; 4])));
    let no_outputs = sticks.clone().play("", &[], 30.0).summary();
    assert_eq!(verdict(&no_outputs, "latency"), "latency not measured: no servo messages heard");
    let all = with_input(sticks, 30.0, |_| 1500).play("", &[], 30.0).summary();
    assert!(verdict(&all, "latency").ends_with("move one stick at a time, quickly"));
}

/// Only what reports its RC channels shows that they were not lost.
#[test]
fn control_input_that_nobody_saw_is_not_said_to_be_whole() {
    let whole = "control input has not been lost";
    let alone = bare_vehicle(NEVER, 30.0);
    assert!(!report(&alone.clone().play("", &[], 30.0).summary()).contains(whole));
    assert!(report(&with_input(alone, 30.0, |_| 1500).play("", &[], 30.0).summary()).contains(whole));
}

/// It flies away, says where it is until 40 s, and is silent from an instant on.
fn flies_off(silent_s: f64) -> Plan {
    let mut plan = bare_vehicle(8.0, silent_s);
    every(5.0, silent_s.min(40.0), |at| {
        let lat = 47.3 + (at - 10.0).max(0.0) * 1.5 / 111_200.0;
        plan.send(at + 0.03, VEHICLE, Message::fix(lat, 8.6, 0.9, 1_000));
        plan.send(at + 0.04, VEHICLE, Message::position(boot(at), lat, 8.6));
    });
    plan
}

/// Where it was a minute before is not where it was lost.
#[test]
fn a_place_of_long_ago_is_told_with_its_age() {
    let lost = |silent_s: f64| {
        let summary = flies_off(silent_s).play(PROFILE, &[], silent_s + 20.0).summary();
        let of_link = summary.session_verdicts.iter().find(|row| row.about == "downlink").unwrap();
        let vehicle = verdict(&summary, "vehicle");
        (told(&summary, "lost-vehicle").join(""), vehicle, session_sentence::text(of_link))
    };
    let (event, verdict, link) = lost(39.0);
    assert!(event.starts_with("the vehicle is lost from here on, 43 m away, at 47.3"), "{event}");
    assert_eq!(
        (event.as_str(), link.as_str()),
        (verdict.as_str(), "downlink was lost with the vehicle, 43 m away")
    );
    let (event, verdict, link) = lost(100.0);
    assert!(
        event.starts_with("the vehicle is lost from here on; 60 s before, it was 45 m away, at 47.3"),
        "{event}"
    );
    assert_eq!(event, verdict);
    assert_eq!(link, "downlink was lost with the vehicle; 60 s before, it was 45 m away");
}

/// The handset is carried away from what stands on the ground, and that is switched off and on.
#[test]
fn what_restarts_during_a_walk_stands_on_the_ground() {
    let mut plan = Plan::default();
    every(2.0, 80.0, |at| plan.send(at, VEHICLE, Message::heartbeat(false, 0)));
    every(10.0, 80.0, |at| {
        plan.send(
            at + 0.02,
            VEHICLE,
            Message::clocked(if at < 60.0 { boot(at) } else { ((at - 59.0) * 1e3) as u32 }),
        );
    });
    every(4.0, 80.0, |at| {
        let code = if at < 20.0 { 120 } else { 60 };
        plan.send(at, RADIO, Message::radio(code, code));
    });
    let summary = plan.play(PROFILE, &[], 80.0).summary();
    let phases: Vec<&str> = summary.phases.iter().map(|row| row.phase.word()).collect();
    assert_eq!(phases, ["waiting", "ground", "walk", "ground"]);
    assert_eq!(told(&summary, "restart-aloft"), [""; 0]);
    assert_eq!(told(&summary, "restart"), ["sender 1/1 restarted"]);
}

/// Four times it came back, and five are needed to call a place its centre.
#[test]
fn a_stick_that_moved_too_seldom_is_not_said_to_have_no_centre() {
    let first = |at: f64| match at as u64 % 10 {
        _ if at >= 20.0 => 1500,
        0 => 1900,
        5 => 1100,
        _ => 1500,
    };
    let text = report(&with_input(bare_vehicle(NEVER, 40.0), 40.0, first).play("", &[], 40.0).summary());
    assert!(text.contains("1100 to 1900 us"), "{text}");
    assert!(!text.contains("no centre"), "{text}");
}

/// One of two failures was marked, the other was measured.
#[test]
fn what_was_measured_is_not_said_to_be_marked() {
    let mut plan = bare_vehicle(8.0, 90.0);
    every(5.0, 90.0, |at| {
        let lost = (60.0..75.0).contains(&at);
        let (count, stick) = if lost { (0, 1500) } else { (8, 1400 + (at * 5.0) as u16 % 200) };
        plan.send(at + 0.06, VEHICLE, Message::input(boot(at), [stick, 1500, 1100, 1500], count, 120));
    });
    plan.note(40.0, Note::Mark { kind: MarkKind::PictureFroze, text: String::new() });
    let summary = plan.play(PROFILE, &[], 90.0).summary();
    let text = session_sentence::text(&summary.session_verdicts[0]);
    assert!(text.contains("2 failures") && !text.contains("2 failures, as marked by hand"), "{text}");
}

/// The recording ends 4 s into the freeze, and the vehicle is heard to the end.
#[test]
fn a_vehicle_that_was_heard_to_the_end_is_not_said_to_be_silent() {
    let mut plan = bare_vehicle(8.0, 64.0);
    let mut number = 0;
    every(30.0, 60.0, |at| {
        plan.picture(at, number);
        number += 1;
    });
    let summary = plan.play(PROFILE, &[], 64.0).summary();
    let freeze = summary.video.unwrap().freeze_list[0].clone();
    let why = freeze.why_not.unwrap().to_string();
    assert_eq!((freeze.ended, why.contains("not heard")), (false, false), "{why}");
}

/// On the bench without a receiver, armed when it was first heard: nothing shows that it flies.
#[test]
fn what_restarts_armed_at_an_unknown_place_is_not_said_to_fly() {
    let restarted = |plan: Plan| {
        let mut plan = plan;
        every(2.0, 20.0, |at| plan.send(30.0 + at, VEHICLE, Message::heartbeat(true, 0)));
        every(10.0, 20.0, |at| plan.send(30.02 + at, VEHICLE, Message::clocked((at * 1e3) as u32)));
        told(&plan.play(PROFILE, &[], 50.0).summary(), "restart-aloft")
    };
    let unknown = "the vehicle restarted, and nothing shows that it stood on the ground";
    assert_eq!(restarted(bare_vehicle(0.0, 30.0)), [unknown]);
    assert_eq!(restarted(flies_off(30.0)), ["the vehicle restarted in flight"]);
}

/// The pictures' source is gone; the vehicle's is there, and tells of its input.
#[test]
fn a_link_that_comes_another_way_is_not_said_to_be_unseen() {
    let sent = |down_s: f64| {
        let mut plan = with_input(bare_vehicle(8.0, 60.0), 60.0, |at| 1400 + (at * 5.0) as u16 % 200);
        let (interface, reason) = (InterfaceId(2), "unplugged".to_owned());
        plan.note(down_s, Note::SourceDown { interface, reason });
        verdict(&plan.play(PROFILE, &[], 60.0).summary(), "control")
    };
    let [there, gone] = [100.0, 50.0].map(sent);
    assert_eq!(gone, there);
}

/// The profile's battery is the vehicle's: of the handset's it says nothing, whatever stands in it.
#[test]
fn what_the_profile_has_already_is_not_asked_for() {
    let why = |profile: &str, of: (u8, u8)| {
        let mut plan = bare_vehicle(NEVER, 30.0);
        every(1.0, 30.0, |at| plan.send(at, of, Message::battery(100, 5.0)));
        let power = plan.play(profile, &[], 30.0).summary().power;
        let own = power.iter().find(|row| row.system == of.0).unwrap();
        own.minutes_left_why_not.unwrap().to_string()
    };
    let named = "[battery]\ncapacity_mah = 1500\n";
    let give = "minutes left not measured: give capacity_mah under [battery] in the profile";
    assert_eq!(why("", VEHICLE), give);
    assert!(why(named, VEHICLE).contains("not yet"));
    let other = "minutes left not measured: [battery] in the profile is the vehicle's battery 0 alone";
    assert_eq!([why("", HANDSET), why(named, HANDSET)], [other; 2]);
}
