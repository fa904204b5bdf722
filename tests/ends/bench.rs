//! On the bench, drills there, and walks with the handset.

use super::{DRILL, GRAVE, Proven, QUIET, Row, STANDS};

/// The handset is carried 90 m away at 1.5 m/s and back.
const WALK: &str = "[handset_way]\nwaypoints = [[0,0,0,1], [20,0,0,1], [80,-90,0,1], [140,0,0,1]]\n";
const WALK_WITH_FIX: &str =
    "[handset_way]\nfix = \"gps\"\nwaypoints = [[0,0,0,1], [20,0,0,1], [80,-90,0,1], [140,0,0,1]]\n";
/// The handset is off from 35 to 43 s.
const HANDSET_OFF: &str =
    "[[failsafe]]\nat_s = 35\nback_s = 43\ndetected_after_s = 0.6\nsafe_after_s = 0.8\nmode = 102\n";

const fn walk(name: &'static str) -> Row {
    Row {
        duration_s: 160.0,
        rest: WALK,
        video: Some("freezes = [[75, 76], [85, 86.5]]"),
        phases: Some(&["ground", "walk", "ground"]),
        told: &["freeze"],
        never: &["failsafe", "lost", "restart", "restart-aloft", "lost-vehicle", "silent"],
        freezes: Some(&[Some(true), Some(true)]),
        counted: Some(2),
        ..Row::bench(name)
    }
}

pub(crate) const ROWS: &[Row] = &[
    walk("a walk with the handset, vehicle disarmed"),
    Row {
        vehicle: "armed_s = []\non_s = [[0, 150]]",
        phases: Some(&["ground", "walk", "ground", "off"]),
        freezes: Some(&[Some(true), Some(true), Some(false)]),
        ..walk("a walk and back, then off")
    },
    Row {
        rest: WALK_WITH_FIX,
        proven: Proven::Near(80.0),
        ..walk("a walk, the handset has a fix of its own")
    },
    Row {
        duration_s: 95.0,
        video: Some("freezes = [[75, 76]]"),
        phases: Some(&["ground", "walk"]),
        freezes: Some(&[Some(true)]),
        counted: Some(1),
        ..walk("a walk and never back: the recorder ends far away")
    },
    // Off is only from the ground, and nothing says where the handset is.
    Row {
        duration_s: 110.0,
        vehicle: "armed_s = []\non_s = [[0, 85]]",
        video: Some(""),
        phases: Some(&["ground", "walk"]),
        told: &["silent"],
        never: &["failsafe", "restart", "restart-aloft", "lost-vehicle"],
        freezes: Some(&[None]),
        counted: Some(1),
        ..walk("a walk, and the vehicle falls silent far away")
    },
    // It stands on the ground: that it restarted in flight would be false.
    Row {
        vehicle: "armed_s = []\nrestarts_s = [60]\nrestart_takes_s = 3",
        phases: None,
        told: &["freeze", "restart"],
        never: &["failsafe", "restart-aloft", "lost-vehicle", "silent"],
        proven: Proven::Any,
        freezes: None,
        counted: None,
        ..walk("a walk, and the vehicle restarts meanwhile")
    },
    Row {
        vehicle: "armed_s = []\nrates = { position = 0, gps = 0, home = 0, vibration = 0 }",
        ..walk("a walk without any position")
    },
    Row {
        duration_s: 90.0,
        rest: "",
        radio: "attenuator = [[30, 60, 30]]",
        video: Some("freezes = [[40, 41]]"),
        freezes: Some(&[Some(true)]),
        counted: Some(1),
        ..walk("an attenuator of 30 dB on the bench")
    },
    // Not far enough down for a walk; what ended is the link's, also on the ground.
    Row {
        radio: "attenuator = [[30, 60, 5]]",
        video: Some("freezes = [[40, 41]]"),
        never: GRAVE,
        freezes: Some(&[Some(true)]),
        counted: Some(1),
        ..Row::bench("an attenuator of 5 dB on the bench")
    },
    Row::bench("on the bench, nothing happens"),
    Row {
        vehicle: "armed_s = []\nfused_alt_off_m = -89",
        ..Row::bench("on the bench, fused altitude 89 m below")
    },
    Row { vehicle: "armed_s = []\nrc_rssi = 0", ..Row::bench("on the bench, rssi of RC input always 0") },
    Row {
        control: "on_s = [[0, 35], [43, 200]]",
        rest: HANDSET_OFF,
        // That the handset began anew may be told.
        never: &["alarm", "lost", "back", "restart-aloft", "lost-vehicle", "silent"],
        failsafes: Some(&[DRILL]),
        ..Row::bench("handset off on the bench, unmarked")
    },
    Row {
        vehicle: "armed_s = [[20, 60]]\non_s = [[0, 68]]",
        rest: HANDSET_OFF,
        phases: Some(&["ground", "off"]),
        never: GRAVE,
        freezes: Some(&[Some(false)]),
        failsafes: Some(&[DRILL]),
        ..Row::bench("armed on the bench, a drill, disarmed, off")
    },
    Row {
        vehicle: "armed_s = []\nrestarts_s = [30]",
        never: &["freeze", "failsafe", "alarm", "lost", "restart-aloft", "lost-vehicle", "silent"],
        told: &["restart"],
        ..Row::bench("the vehicle reboots on the ground")
    },
    Row {
        vehicle: "armed_s = []\nrestarts_s = [30]\nboot_clock = false",
        never: &["freeze", "failsafe", "alarm", "lost", "restart-aloft", "lost-vehicle", "silent"],
        ..Row::bench("the vehicle reboots on the ground, no boot clock")
    },
    Row {
        path: STANDS,
        vehicle: "on_s = []",
        video: Some("on_s = [[0, 80]]\nfreezes = [[30, 31]]"),
        radio: "goes_on = \"none\"",
        control: "heard = false",
        phases: Some(&[]),
        never: &["failsafe", "lost", "restart", "restart-aloft", "lost-vehicle", "silent"],
        freezes: Some(&[Some(true)]),
        counted: Some(1),
        ..Row::bench("video only, to the end")
    },
    // Nothing says that it was switched off: the recording is judged whole.
    Row {
        vehicle: "on_s = []",
        video: Some("on_s = [[0, 60]]"),
        radio: "goes_on = \"none\"",
        control: "heard = false",
        phases: Some(&[]),
        never: &["failsafe", "restart", "restart-aloft", "lost-vehicle"],
        freezes: Some(&[None]),
        counted: Some(1),
        ..Row::bench("video only, and it stops")
    },
    Row {
        video: Some("on_s = [[0, 30], [36, 200]]"),
        freezes: Some(&[Some(false)]),
        counted: None,
        never: QUIET,
        ..Row::bench("the camera is switched off and on on the bench")
    },
];
