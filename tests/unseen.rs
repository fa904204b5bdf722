//! No sentence says more than the session showed: what was not heard, not seen or is long ago is told as such.
//!
//! Sessions are made entry by entry (tests/invented); what may not be said of each is written from what it lacks.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod frames;
mod invented;

use fadewatch::summary::Summary;
use fadewatch::wording::advice;
use invented::{HANDSET, Message, Plan, VEHICLE};

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
