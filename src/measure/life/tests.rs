//! Each number of the definition, tried on both sides; a session is a list of facts, one a second.

use crate::measure::life::*;
use crate::summary::LastPlace;

const START: Nanos = Nanos::from_secs(1000);
const LEVEL: f64 = -50.0;

/// One second of an invented session, as its pilot would tell it.
#[derive(Clone, Copy)]
#[expect(clippy::struct_excessive_bools, reason = "what is so in a second, each by itself")]
struct Scene {
    heard: bool,
    /// A part of the vehicle that is not its autopilot.
    part: bool,
    alive: bool,
    armed: Option<bool>,
    /// North of the handset, and up; `None`: no position.
    place: Option<(f64, f64)>,
    speed: f64,
    level: f64,
    unit: LevelUnit,
    alarm: bool,
}

const BESIDE: Scene = Scene {
    heard: true,
    part: false,
    alive: true,
    armed: Some(false),
    place: Some((3.0, 0.0)),
    speed: 0.0,
    level: LEVEL,
    unit: LevelUnit::Dbm,
    alarm: false,
};

const SILENT: Scene = Scene { heard: false, ..BESIDE };

fn spot(north_m: f64, up_m: f64) -> Spot {
    (54.0 + north_m / 111_300.0, 8.0, up_m)
}

/// Plays scenes, each for so many seconds.
fn play(scenes: &[(i64, Scene)]) -> (Life, Vec<Told>) {
    play_in(Life::default(), scenes)
}

fn play_in(mut life: Life, scenes: &[(i64, Scene)]) -> (Life, Vec<Told>) {
    let (mut at, mut facts, mut told) = (START, Facts::default(), Vec::new());
    for &(seconds, scene) in scenes {
        for _ in 0..seconds {
            at += Nanos::from_secs(1);
            if scene.heard {
                facts.autopilot = Some(at);
                facts.vehicle = Some(at);
                facts.armed = scene.armed.map(|armed| (at, armed)).or(facts.armed);
            }
            if scene.part {
                facts.vehicle = Some(at);
            }
            let motion = scene.place.filter(|_| scene.heard).map(|(north, up)| Motion {
                spot: Some(spot(north, up)),
                horizontal_m: Some(north),
                distance_m: Some(north.hypot(up)),
                speed_m_s: Some(scene.speed),
                ..Motion::default()
            });
            if scene.heard {
                facts.motion = motion.unwrap_or_default();
            }
            facts.levels = vec![scene.heard.then_some((scene.level, scene.unit))];
            (facts.alive, facts.telemetry_alarm) = (scene.alive, scene.heard.then_some(scene.alarm));
            told.extend(life.second(START, at, &facts));
        }
    }
    (life, told)
}

fn phases(scenes: &[(i64, Scene)]) -> Vec<&'static str> {
    play(scenes).0.phases().iter().map(|began| began.phase.word()).collect()
}

fn ends_with(scenes: &[(i64, Scene)]) -> &'static str {
    phases(scenes).pop().unwrap_or("none")
}

fn at(north: f64, scene: Scene) -> Scene {
    Scene { place: Some((north, 0.0)), ..scene }
}

/// Arms where it stands.
const ARMS: Scene = Scene { armed: Some(true), ..BESIDE };
const FLYING: Scene = Scene { armed: Some(true), speed: 5.0, place: Some((80.0, 20.0)), ..BESIDE };

#[test]
fn without_an_autopilot_there_are_no_phases() {
    let (life, _) = play(&[(60, SILENT)]);
    assert_eq!(life.phase_at(START), None);
    assert!(life.is_judged(START + Nanos::from_secs(30)) && !life.is_quiet());
}

#[test]
fn it_is_on_the_ground_after_three_seconds_disarmed() {
    assert_eq!(phases(&[(3, BESIDE)]), ["waiting"]);
    assert_eq!(phases(&[(4, BESIDE)]), ["waiting", "ground"]);
    let (life, _) = play(&[(20, BESIDE)]);
    // From when it was first heard.
    assert_eq!(life.since(), Some(START + Nanos::from_secs(1)));
    assert!(life.is_quiet());
}

#[test]
fn two_metres_a_second_and_thirty_metres_are_the_limits() {
    let slow = |speed| phases(&[(20, Scene { speed, ..BESIDE })]);
    assert_eq!(slow(1.9), ["waiting", "ground"]);
    assert_eq!(slow(2.0), ["waiting", "out"]);
    let near = |north| phases(&[(20, at(north, BESIDE))]);
    assert_eq!(near(29.9), ["waiting", "ground"]);
    assert_eq!(near(30.1), ["waiting", "out"]);
}

#[test]
fn without_a_position_the_level_tells_who_is_near() {
    let no = Scene { place: None, ..BESIDE };
    let flight = |back: f64, unit, full: f64| {
        let (near, far) = (Scene { level: full, unit, ..no }, Scene { level: full - 40.0, unit, ..no });
        let out = Scene { armed: Some(true), ..far };
        ends_with(&[(20, near), (20, out), (20, Scene { level: full - back, ..near })])
    };
    assert_eq!(flight(9.9, LevelUnit::Dbm, LEVEL), "ground");
    assert_eq!(flight(10.1, LevelUnit::Dbm, LEVEL), "out");
    assert_eq!(flight(19.9, LevelUnit::Raw, 200.0), "ground");
    assert_eq!(flight(20.1, LevelUnit::Raw, 200.0), "out");
}

#[test]
fn armed_within_ten_metres_and_three_of_height_is_the_bench() {
    let armed = |north: f64, up: f64| {
        let scene = Scene { armed: Some(true), place: Some((3.0 + north, up)), ..BESIDE };
        ends_with(&[(20, BESIDE), (1, ARMS), (20, scene)])
    };
    assert_eq!(armed(9.9, 0.0), "ground");
    assert_eq!(armed(10.1, 0.0), "out");
    assert_eq!(armed(0.0, 2.9), "ground");
    assert_eq!(armed(0.0, 3.1), "out");
    // Who was armed when first heard armed nobody knows where.
    assert_eq!(ends_with(&[(20, Scene { armed: Some(true), ..BESIDE })]), "out");
}

/// What nobody saw is not said: away from where it armed is only what armed where it was seen, and is seen now.
#[test]
fn the_reason_of_a_trip_says_what_was_seen() {
    let why = |scenes: &[(i64, Scene)]| {
        let (life, _) = play(scenes);
        life.phases().iter().find(|began| began.phase == Phase::Out).map(|began| began.why)
    };
    let no_place = |scene: Scene| Scene { place: None, ..scene };
    let unsaid = Scene { armed: None, ..BESIDE };
    assert_eq!(why(&[(20, BESIDE), (1, ARMS), (20, FLYING)]), Some(PhaseReason::Away));
    assert_eq!(why(&[(20, FLYING)]), Some(PhaseReason::Armed));
    // As soon as it is heard, and where it stands.
    assert_eq!(why(&[(1, BESIDE), (20, ARMS)]), Some(PhaseReason::Armed));
    assert_eq!(why(&[(20, no_place(ARMS))]), Some(PhaseReason::Armed));
    assert_eq!(why(&[(20, no_place(BESIDE)), (20, no_place(ARMS))]), Some(PhaseReason::Armed));
    assert_eq!(why(&[(20, BESIDE), (20, at(80.0, BESIDE))]), Some(PhaseReason::Elsewhere));
    assert_eq!(why(&[(20, unsaid)]), Some(PhaseReason::Unsaid));
}

/// On a cable, without a receiver and a radio, nothing says how far away it stands.
#[test]
fn the_reason_to_be_on_the_ground_says_what_was_seen() {
    let play = |place: Option<(f64, f64)>, has_level: bool| {
        let (mut life, mut facts) = (Life::default(), Facts::default());
        for second in 1..20 {
            let at = START + Nanos::from_secs(second);
            let motion = place.map(|(north, up)| Motion {
                spot: Some(spot(north, up)),
                horizontal_m: Some(north),
                speed_m_s: Some(0.0),
                ..Motion::default()
            });
            (facts.autopilot, facts.vehicle, facts.armed) = (Some(at), Some(at), Some((at, false)));
            facts.motion = motion.unwrap_or_default();
            (facts.alive, facts.levels) = (true, vec![has_level.then_some((LEVEL, LevelUnit::Dbm))]);
            life.second(START, at, &facts);
        }
        life.phases().last().map(|began| (began.phase, began.why))
    };
    let ground = |why| Some((Phase::Ground, why));
    assert_eq!(play(Some((3.0, 0.0)), true), ground(PhaseReason::Beside { horizontal_m: 3.0 }));
    assert_eq!(play(None, true), ground(PhaseReason::Strong));
    assert_eq!(play(None, false), ground(PhaseReason::Disarmed));
}

#[test]
fn in_a_bench_test_what_is_armed_stands_on_the_ground() {
    let no_place = Scene { place: None, ..ARMS };
    for armed in [ARMS, no_place, FLYING] {
        let (life, _) = play_in(Life::on_bench(), &[(20, BESIDE), (1, ARMS), (20, armed)]);
        assert_eq!(life.now().map(Phase::word), Some("ground"));
        // Armed when it is first heard.
        let (life, _) = play_in(Life::on_bench(), &[(20, armed)]);
        assert_eq!(life.now().map(Phase::word), Some("ground"));
    }
    // Disarmed and carried off it is what it is elsewhere.
    let (life, _) = play_in(Life::on_bench(), &[(20, BESIDE), (20, at(80.0, BESIDE))]);
    assert_eq!(life.now().map(Phase::word), Some("out"));
}

#[test]
fn a_lone_wrong_fix_is_no_trip() {
    let glitch = Scene { place: Some((4000.0, 0.0)), speed: 900.0, ..BESIDE };
    assert_eq!(phases(&[(20, BESIDE), (2, glitch), (20, BESIDE)]), ["waiting", "ground"]);
    assert_eq!(phases(&[(20, BESIDE), (3, glitch)]), ["waiting", "ground", "out"]);
}

#[test]
fn it_lands_where_it_stood_for_two_seconds_and_then_disarmed() {
    let land = |stood: i64, then: Scene| {
        let stands = Scene { speed: 0.3, place: Some((80.0, 0.0)), ..FLYING };
        ends_with(&[
            (20, BESIDE),
            (1, ARMS),
            (20, FLYING),
            (stood, stands),
            (1, Scene { armed: Some(false), ..stands }),
            (20, then),
        ])
    };
    let landed = at(80.0, BESIDE);
    assert_eq!(land(2, landed), "ground");
    assert_eq!(land(1, landed), "out");
    // The level 10 dB further down than then: the handset goes away from it.
    let down = |db: f64| {
        let stands = Scene { speed: 0.3, place: Some((80.0, 0.0)), ..FLYING };
        let then = Scene { level: LEVEL - db, ..landed };
        ends_with(&[(20, BESIDE), (1, ARMS), (20, FLYING), (5, stands), (10, landed), (20, then)])
    };
    assert_eq!(down(9.9), "ground");
    assert_eq!(down(10.1), "walk");
    // Switched off aloft at a hover: it falls.
    let hover = Scene { speed: 0.2, ..FLYING };
    let falls = Scene { armed: Some(false), speed: 12.0, ..FLYING };
    let lies = at(80.0, BESIDE);
    assert_eq!(
        ends_with(&[(20, BESIDE), (1, ARMS), (20, FLYING), (5, hover), (2, falls), (20, lies)]),
        "out"
    );
    let fell = Scene { place: Some((80.0, 0.0)), armed: Some(false), speed: 0.2, ..FLYING };
    assert_eq!(
        ends_with(&[
            (20, BESIDE),
            (1, ARMS),
            (20, FLYING),
            (5, hover),
            (1, Scene { armed: Some(false), ..hover }),
            (20, fell)
        ]),
        "out"
    );
}

#[test]
fn a_walk_is_a_level_ten_decibels_down_for_three_seconds() {
    let down =
        |db: f64, seconds| ends_with(&[(20, BESIDE), (seconds, Scene { level: LEVEL - db, ..BESIDE })]);
    assert_eq!(down(10.1, 3), "walk");
    assert_eq!(down(10.1, 2), "ground");
    assert_eq!(down(9.9, 60), "ground");
    let far = Scene { level: LEVEL - 25.0, ..BESIDE };
    assert_eq!(phases(&[(20, BESIDE), (60, far), (20, BESIDE)]), ["waiting", "ground", "walk", "ground"]);
    // Neither armed nor from elsewhere.
    assert_eq!(
        ends_with(&[(20, BESIDE), (1, ARMS), (20, FLYING), (20, Scene { place: Some((80.0, 0.0)), ..far })]),
        "out"
    );
}

#[test]
fn it_is_switched_off_after_five_seconds_of_silence_on_the_ground() {
    let off = |seconds, scene| play(&[(20, BESIDE), (seconds, scene)]);
    assert_eq!(off(4, SILENT).0.now(), Some(Phase::Ground));
    let (life, told) = off(5, SILENT);
    assert_eq!(life.now(), Some(Phase::Off));
    assert_eq!(life.since(), Some(START + Nanos::from_secs(20)), "since it was last heard");
    assert!(told.iter().all(|told| matches!(told, Told::Phase(_))));
    // Not while a part of it is heard, nor when sources here are not alive, nor after an alarm.
    for scene in [Scene { part: true, ..SILENT }, Scene { alive: false, ..SILENT }] {
        assert_eq!(off(60, scene).0.now(), Some(Phase::Ground));
    }
    assert_eq!(ends_with(&[(20, Scene { alarm: true, ..BESIDE }), (60, SILENT)]), "ground");
    // On again: a new power-up.
    assert_eq!(phases(&[(20, BESIDE), (30, SILENT), (20, BESIDE)]), ["waiting", "ground", "off", "ground"]);
}

#[test]
fn a_silence_of_ten_seconds_in_a_trip_is_told_once() {
    let silent = |before: Scene, seconds| {
        let arms = Scene { armed: before.armed, ..ARMS };
        let (_, told) = play(&[(20, BESIDE), (1, arms), (20, before), (seconds, SILENT)]);
        told.into_iter().filter(|told| !matches!(told, Told::Phase(_))).collect::<Vec<_>>()
    };
    assert_eq!(silent(FLYING, 9), []);
    let lost = silent(FLYING, 60);
    assert!(
        matches!(lost[..], [Told::Lost { place: LastPlace { distance_m: Some(_), spot: Some(_), .. }, .. }]),
        "{lost:?}"
    );
    // A strong level explains nothing away: it was strong to the end here.
    // Disarmed and near, on the move: nobody knows.
    let near = Scene { armed: Some(false), speed: 4.0, ..BESIDE };
    assert!(matches!(silent(near, 60)[..], [Told::Silent { .. }]));
    // Disarmed beyond 30 m is lost too.
    assert!(matches!(silent(Scene { armed: Some(false), ..FLYING }, 60)[..], [Told::Lost { .. }]));
    // Pictures go on: the autopilot alone is silent.
    let (_, told) = play(&[(20, BESIDE), (1, ARMS), (20, FLYING), (60, Scene { part: true, ..SILENT })]);
    assert!(matches!(told.last(), Some(Told::AutopilotSilent { .. })), "{told:?}");
}

#[test]
fn what_drove_and_never_armed_has_no_armed_state_to_go_by() {
    let drives = Scene { speed: 3.0, place: Some((80.0, 0.0)), ..BESIDE };
    assert_eq!(
        phases(&[(20, BESIDE), (20, drives), (20, BESIDE)]),
        ["waiting", "ground", "out", "back", "ground"]
    );
    // Standing far away it has not landed, and its silence there is no end.
    let (life, told) = play(&[(20, BESIDE), (20, drives), (20, at(80.0, BESIDE)), (20, SILENT)]);
    assert_eq!(life.now(), Some(Phase::Out));
    assert!(matches!(told.last(), Some(Told::Lost { .. })));
}

#[test]
fn the_way_turns_after_twenty_metres() {
    let way = |norths: &[f64]| {
        let mut scenes = vec![(20, BESIDE), (1, ARMS)];
        scenes.extend(norths.iter().map(|&north| (3, at(north, FLYING))));
        phases(&scenes)[2..].to_vec()
    };
    assert_eq!(way(&[60.0, 100.0, 80.1]), ["out"]);
    assert_eq!(way(&[60.0, 100.0, 79.9]), ["out", "back"]);
    assert_eq!(way(&[60.0, 100.0, 60.0, 79.9]), ["out", "back"]);
    assert_eq!(way(&[60.0, 100.0, 60.0, 80.1]), ["out", "back", "out"]);
}

#[test]
fn facts_count_for_five_seconds() {
    let deaf = Scene { armed: None, ..FLYING };
    // Still disarmed as far as is known, then nothing is known.
    assert_eq!(phases(&[(20, BESIDE), (60, deaf)]).len(), 3);
    let unknown = Scene { armed: None, ..BESIDE };
    assert_eq!(phases(&[(5, unknown)]), ["waiting"]);
    assert_eq!(phases(&[(7, unknown)]), ["waiting", "out"]);
}

#[test]
fn a_restart_begins_anew_and_keeps_the_phase() {
    let (mut life, _) = play(&[(20, BESIDE), (1, ARMS), (20, FLYING)]);
    let now = START + Nanos::from_secs(42);
    life.restart(now);
    assert_eq!(life.now(), Some(Phase::Out));
    assert!(life.restarted_within(now, now) && !life.restarted_within(START, now - Nanos(1)));
}

#[test]
fn time_in_trips_is_time_in_which_it_was_heard() {
    let (life, _) = play(&[(20, BESIDE), (1, ARMS), (20, FLYING), (8, SILENT), (10, FLYING)]);
    let heard =
        |from, to| life.heard_in_trips(START + Nanos::from_secs(from), START + Nanos::from_secs(to)).secs();
    assert!((heard(26, 36) - 10.0).abs() < 1e-9);
    // Silent from 41 to 50.
    assert!((heard(36, 51) - 6.0).abs() < 1e-9, "{}", heard(36, 51));
    assert!((heard(5, 15)).abs() < 1e-9);
}
