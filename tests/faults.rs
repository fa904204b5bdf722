//! What is wrong with what arrives is named, and nothing is where all is well.

mod frames;
mod invented;

use fadewatch::record::{InterfaceId, Note};
use fadewatch::summary::{Judgement, SourceFault, Verdict};
use fadewatch::wording::advice;
use invented::{HANDSET, Message, Plan, RADIO, VEHICLE};

const PROFILE: &str = "[vehicle]\nsystem = 1\n[[link]]\nname = \"down\"\nrole = \"telemetry\"\n\
                       radio = { system = 41, component = 110 }\n";

fn faults(plan: &Plan, profile: &str, end_s: f64) -> Vec<Verdict> {
    let is_fault = |verdict: &Verdict| {
        matches!(
            verdict.judgement,
            Judgement::Source { .. } | Judgement::OtherVehicle { .. } | Judgement::OtherComponent { .. }
        )
    };
    let mut verdicts = plan.clone().play(profile, &[], end_s).summary().verdicts;
    verdicts.retain(is_fault);
    verdicts
}

/// The sentence of the only one.
fn only(plan: &Plan, profile: &str, end_s: f64) -> String {
    let found = faults(plan, profile, end_s);
    assert_eq!(found.len(), 1, "{found:?}");
    advice::text(&found[0])
}

/// A vehicle and its radio, once a second.
fn flight(systems: &[(u8, u8)], radios: &[(u8, u8)]) -> Plan {
    let mut plan = Plan::default();
    for second in 0..30 {
        let at = f64::from(second) + 0.3;
        for (place, vehicle) in systems.iter().enumerate() {
            plan.send(at + 0.01 * place as f64, *vehicle, Message::heartbeat(false, 0));
        }
        for (place, radio) in radios.iter().enumerate() {
            plan.send(at + 0.1 + 0.01 * place as f64, *radio, Message::radio(100, 100));
        }
    }
    plan
}

#[test]
fn nothing_is_named_where_all_is_well() {
    assert_eq!(faults(&flight(&[VEHICLE], &[RADIO]), PROFILE, 20.0), []);
    assert_eq!(faults(&flight(&[VEHICLE], &[]), "", 20.0), []);
    // A second vehicle and a second radio are there beside their own.
    assert_eq!(faults(&flight(&[(3, 1), VEHICLE], &[(41, 109), RADIO]), PROFILE, 20.0), []);
    // Noise before the frames, of a plug or of another rate.
    let mut noisy = flight(&[VEHICLE], &[RADIO]);
    (0..10).for_each(|tenth| noisy.bytes(f64::from(tenth) / 50.0, &[0x55; 40]));
    assert_eq!(faults(&noisy, PROFILE, 20.0), []);
}

#[test]
fn nothing_is_named_in_the_first_five_seconds() {
    assert_eq!(faults(&Plan::default(), PROFILE, 4.5), []);
    let mut noise = Plan::default();
    (0..45).for_each(|tenth| noise.bytes(f64::from(tenth) / 10.0, &[0x55; 40]));
    assert_eq!(faults(&noise, PROFILE, 4.5), []);
    assert_eq!(faults(&flight(&[(3, 1)], &[(41, 109)]), PROFILE, 4.5), []);
}

#[test]
fn a_source_without_a_byte_without_a_frame_and_one_that_is_gone() {
    assert!(only(&Plan::default(), PROFILE, 20.0).starts_with("no byte from vehicle: check "));
    let mut noise = Plan::default();
    (0..200).for_each(|tenth| noise.bytes(f64::from(tenth) / 10.0, &[0x55; 40]));
    assert_eq!(
        only(&noise, PROFILE, 20.0),
        "8 kB from vehicle, no frame: another protocol? check what is sent there"
    );
    // Two bytes of a plug are no traffic.
    let mut plug = Plan::default();
    plug.bytes(1.0, &[0, 0xff]);
    assert_eq!(faults(&plug, PROFILE, 20.0), []);
    let mut gone = Plan::default();
    gone.note(0.1, Note::SourceDown { interface: InterfaceId(0), reason: "permission denied".to_owned() });
    assert!(only(&gone, PROFILE, 20.0).contains("permission denied; 'fadewatch ports' says which group"));
    let found = faults(&gone, PROFILE, 20.0).remove(0).judgement;
    assert!(matches!(found, Judgement::Source { fault: SourceFault::Gone(_), .. }), "{found:?}");
}

#[test]
fn a_vehicle_and_a_radio_under_other_ids_than_the_profiles() {
    assert_eq!(
        only(&flight(&[(3, 1)], &[RADIO]), PROFILE, 20.0),
        "the profile's vehicle is 1, system 3 is heard: if it is yours, give system = 3 under [vehicle]"
    );
    assert_eq!(
        only(&flight(&[VEHICLE], &[(41, 109)]), PROFILE, 20.0),
        "down: 41/110 is not heard, 41/109 is: is it on, and right in the profile?"
    );
    // A radio of another system is no sibling.
    assert_eq!(faults(&flight(&[VEHICLE], &[(42, 109)]), PROFILE, 20.0), []);
    // One that comes half a second before the own is none either.
    let mut late = Plan::default();
    for second in 0..14 {
        let at = 6.0 + f64::from(second);
        late.send(at, (3, 1), Message::heartbeat(false, 0));
        late.send(at, VEHICLE, Message::clockless(second as u64));
        late.send(at, (41, 109), Message::radio(100, 100));
        late.send(at + 0.5, RADIO, Message::radio(100, 100));
    }
    for end_s in [6.3, 7.0, 9.0, 13.0] {
        assert_eq!(faults(&late, PROFILE, end_s), [], "{end_s}");
    }
}

/// A picture asks for sticks on the ground alone, a summary for the next time.
#[test]
fn sticks_are_asked_for_on_the_ground_only() {
    let latency = |armed: bool, far: bool| {
        let mut plan = Plan::default();
        for second in 0..30 {
            let at = f64::from(second) + 0.3;
            plan.send(at, VEHICLE, Message::heartbeat(armed, 0));
            let away = if far { 0.0003 * f64::from(second) } else { 0.0 };
            plan.send(at + 0.1, VEHICLE, Message::fix(52.0 + away, 4.0, 1.0, 1000));
            plan.send(at + 0.2, VEHICLE, Message::position(second as u32 * 1000, 52.0 + away, 4.0));
            // Both ends of a latency are heard, and nobody moves a stick.
            plan.send(at + 0.3, HANDSET, Message::sticks([1500; 4]));
            plan.send(at + 0.4, VEHICLE, Message::input(second as u32 * 1000, [1500; 4], 8, 120));
        }
        let played =
            plan.play("[vehicle]\nsystem = 1\n[handset]\nlat = 52.0\nlon = 4.0\nalt = 0.0\n", &[], 25.0);
        let text = |verdicts: &[Verdict]| {
            let own = verdicts.iter().find(|verdict| verdict.about == "latency");
            own.map(advice::text).expect("a word on the latency")
        };
        [text(&played.snapshot().verdicts), text(&played.summary().verdicts)]
    };
    let [now, afterwards] = latency(false, false);
    assert!(now.contains(": on the bench, propellers off, move one stick"), "{now}");
    assert!(afterwards.contains(": next time, on the bench, propellers off, move one stick"), "{afterwards}");
    let [aloft, _] = latency(true, true);
    assert!(!aloft.contains("stick"), "{aloft}");
}
