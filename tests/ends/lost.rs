//! Lost in the air or far away: ends that are failures.

use super::{Proven, Row};

/// Never an end on the ground, nor a stop of input or a reboot.
const NEVER: &[&str] = &["failsafe", "restart", "restart-aloft"];

/// Armed and under way at 71 m when all falls silent at 45 s.
const fn gone(name: &'static str) -> Row {
    Row {
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 45]]",
        phases: Some(&["ground", "out"]),
        told: &["lost-vehicle"],
        never: NEVER,
        freezes: Some(&[None]),
        counted: Some(1),
        // At 4 m/s outward bins merge by two; the bin of the last fix fails.
        proven: Proven::Near(58.0),
        ..Row::flight(name)
    }
}

pub(crate) const ROWS: &[Row] = &[
    Row { level_at_1m: -5.0, ..gone("battery out in the air at a high level") },
    Row { level_at_1m: -58.0, ..gone("battery out in the air at a low level") },
    Row { radio: "goes_on = \"none\"", ..gone("battery out in the air, the radio falls silent too") },
    Row {
        duration_s: 300.0,
        rest: "[[other]]\nsystem = 254\nboot_s = 900\nrate_hz = 0\nkind = 6",
        ..gone("gone, and ground station and radio go on for minutes")
    },
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [32,12,0,8]]",
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 40]]",
        proven: Proven::AtMost(15.0),
        ..gone("crash near by, no disarming seen")
    },
    // Disarmed for 1 s: not on the ground yet, and not armed last.
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [32,12,0,8], [37,12,0,8], [38,12,0,0]]",
        vehicle: "armed_s = [[20, 38]]\non_s = [[0, 39.2]]",
        told: &["silent|lost-vehicle"],
        proven: Proven::Any,
        ..gone("crash near by, disarming seen just before the silence")
    },
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [32,12,0,8], [37,12,0,8], [38,12,0,0]]",
        vehicle: "armed_s = [[20, 41]]\non_s = [[0, 55]]",
        phases: Some(&["ground", "out", "ground", "off"]),
        told: &[],
        never: &["failsafe", "alarm", "lost", "restart", "restart-aloft", "lost-vehicle", "silent"],
        freezes: Some(&[Some(false)]),
        counted: Some(0),
        proven: Proven::AtMost(15.0),
        ..gone("down near by, disarmed, lies there, then off")
    },
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [68,603,0,30], [110,1233,0,30]]",
        vehicle: "armed_s = [[20, 200]]",
        video: Some("loss = { p50_dbm = -90 }"),
        rest: "[telemetry]\nloss = { p50_dbm = -95, burst = 3 }",
        freezes: None,
        counted: None,
        proven: Proven::AtMost(300.0),
        loses: true,
        ..gone("flyaway: the level fades, then silence")
    },
    // Falls from 8 m; silent before it lay for 2 s.
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [45,71,0,8], [46.3,71,0,0]]",
        vehicle: "armed_s = [[20, 45]]\non_s = [[0, 46.5]]",
        ..gone("kill switch aloft, silence at the ground")
    },
    // It disarmed first and lay then: no landing.
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [45,71,0,8], [46.3,71,0,0]]",
        vehicle: "armed_s = [[20, 45]]\non_s = [[0, 75]]",
        ..gone("kill switch aloft, lies 71 m away, then silence")
    },
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [47,80,0,8], [50,80,0,0]]",
        vehicle: "armed_s = [[20, 200]]\non_s = [[0, 70]]",
        proven: Proven::AtMost(81.0),
        ..gone("down 80 m away, never disarmed, then silence")
    },
    Row {
        path: "[[0,3,0,0], [28,3,0,0], [53,103,0,0]]",
        vehicle: "armed_s = []\non_s = [[0, 75]]",
        proven: Proven::AtMost(103.5),
        ..gone("a rover that never arms falls silent 103 m away")
    },
    // Telemetry goes on for more than 10 s in the trip.
    Row {
        vehicle: "armed_s = [[20, 86]]",
        video: Some("on_s = [[0, 40]]"),
        phases: Some(super::THERE_AND_BACK),
        told: &["freeze"],
        never: &["failsafe", "restart", "restart-aloft", "lost-vehicle", "silent"],
        freezes: Some(&[Some(true)]),
        proven: Proven::AtMost(52.0),
        ..gone("two batteries: the picture dies in flight, telemetry goes on")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 45]]",
        video: Some("on_s = [[0, 200]]"),
        told: &[],
        never: &["failsafe", "restart", "restart-aloft", "freeze"],
        freezes: Some(&[]),
        counted: Some(0),
        proven: Proven::Any,
        ..gone("two batteries: telemetry dies in flight, the picture goes on")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]",
        rest: "[[silence]]\nwho = \"autopilot\"\nfrom_s = 45\nto_s = 200",
        told: &[],
        never: &["failsafe", "restart", "restart-aloft", "freeze", "lost-vehicle"],
        freezes: Some(&[]),
        counted: Some(0),
        proven: Proven::Any,
        ..gone("the autopilot falls silent, its camera goes on")
    },
    // Heard again: lost for a while.
    Row {
        vehicle: "armed_s = [[20, 86]]",
        rest: "[[silence]]\nwho = \"vehicle\"\nfrom_s = 45\nto_s = 51",
        phases: Some(super::THERE_AND_BACK),
        told: &["lost", "back"],
        never: &["failsafe", "restart", "restart-aloft", "freeze", "lost-vehicle", "silent"],
        freezes: Some(&[]),
        counted: Some(0),
        proven: Proven::Any,
        loses: true,
        ..gone("telemetry is silent for 6 s in flight")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]",
        rest: "[[silence]]\nwho = \"vehicle\"\nfrom_s = 45\nto_s = 60\n[[silence]]\nwho = \"video\"\nfrom_s = 45\nto_s = 60",
        phases: Some(super::THERE_AND_BACK),
        told: &["lost|lost-vehicle", "back"],
        freezes: Some(&[Some(true)]),
        proven: Proven::AtMost(71.0),
        loses: true,
        ..gone("all is silent for 15 s in flight, and heard again")
    },
];
