//! What happens in flight and is no end: freezes, stops of input, reboots, restarts of the camera.

use super::{Failsafe, Proven, Row};

/// A link that is silent for over 2 s in a trip may be told as lost and back.
const NO_LOSS_OF_VEHICLE: &[&str] = &["restart", "restart-aloft", "lost-vehicle", "silent"];

const fn stop(name: &'static str) -> Row {
    Row { never: NO_LOSS_OF_VEHICLE, ..Row::flight(name) }
}

/// Out to 300 m at 8 m/s and back.
const FAR: &str = "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [65,299,0,8], [102,8,0,8], [106,3,0,0]]";

/// The camera's own stop: the picture stood, and it was not the link.
const fn camera(name: &'static str, video: &'static str) -> Row {
    Row {
        video: Some(video),
        freezes: Some(&[Some(false)]),
        counted: Some(1),
        never: &["failsafe", "restart-aloft", "lost-vehicle", "silent"],
        ..Row::flight(name)
    }
}

pub(crate) const ROWS: &[Row] = &[
    Row::flight("a flight, nothing happens"),
    Row {
        video: Some("freezes = [[40, 41]]"),
        told: &["freeze"],
        freezes: Some(&[Some(true)]),
        counted: Some(1),
        proven: Proven::Near(46.0),
        ..stop("a freeze on the way out")
    },
    // It ended, though on the ground.
    Row {
        video: Some("freezes = [[76, 92]]"),
        told: &["freeze"],
        freezes: Some(&[Some(true)]),
        counted: Some(1),
        proven: Proven::AtMost(20.0),
        ..stop("a freeze that is open at landing and ends")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 97]]",
        video: Some("on_s = [[0, 66]]"),
        told: &["freeze"],
        phases: Some(super::THERE_BACK_OFF),
        freezes: Some(&[Some(true)]),
        counted: Some(1),
        proven: Proven::AtMost(55.0),
        ..stop("a freeze that is open at landing, and then off")
    },
    camera("the camera restarts in flight under a new source", "on_s = [[0, 40], [44, 200]]"),
    camera("the camera restarts in flight, numbers go on", "on_s = [[0, 40], [44, 200]]\nnumbering = \"on\""),
    camera(
        "the camera restarts in flight, numbers anew",
        "on_s = [[0, 40], [44, 200]]\nnumbering = \"anew\"",
    ),
    Row { video: Some("stops = [[40, 44]]"), freezes: None, ..stop("the sender says that it stopped") },
    Row {
        path: FAR,
        vehicle: "armed_s = [[20, 110]]",
        duration_s: 125.0,
        control: "on_s = [[0, 60], [68, 300]]",
        // That the handset began anew may be told.
        never: &["restart-aloft", "lost-vehicle", "silent"],
        rest: "[[failsafe]]\nat_s = 60\nback_s = 68\ndetected_after_s = 0.6\nsafe_after_s = 0.8\nmode = 102\noutputs = \"move\"",
        failsafes: Some(&[Failsafe { drill: false, evidence: Some(false), handset: true, safe: false }]),
        proven: Proven::Near(299.0),
        ..stop("the handset reboots 260 m away")
    },
    Row {
        rest: "[[mark]]\nat_s = 49\nkind = \"drill\"\n[[failsafe]]\nat_s = 50\nback_s = 56\ndetected_after_s = 0.6\nsafe_after_s = 0.8\nmode = 102",
        failsafes: Some(&[super::DRILL]),
        ..stop("a drill in flight, marked")
    },
    Row {
        rest: "[[failsafe]]\nat_s = 50\nback_s = 56\ndetected_after_s = 0.6\nsafe_after_s = 0.8\nmode = 102\ncause = \"link\"",
        told: &["failsafe"],
        failsafes: Some(&[Failsafe { drill: false, evidence: Some(true), handset: false, safe: true }]),
        ..stop("input stops in flight, the handset goes on")
    },
    Row {
        rest: "[[failsafe]]\nat_s = 50\nback_s = 56\ndetected_after_s = 0.6\nsafe_after_s = 0.8\nmode = 102\ncause = \"link\"\noutputs = \"hold\"",
        told: &["failsafe"],
        failsafes: Some(&[Failsafe { drill: false, evidence: Some(true), handset: false, safe: false }]),
        ..stop("input stops in flight, outputs hold")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]\nrestarts_s = [45]\nrestart_takes_s = 3",
        told: &["restart-aloft"],
        never: &["failsafe", "freeze", "lost-vehicle", "silent"],
        proven: Proven::Any,
        ..stop("the vehicle reboots in flight")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]\nrestarts_s = [45]\nrestart_takes_s = 3\nboot_clock = false",
        never: &["failsafe", "freeze", "lost-vehicle", "silent"],
        proven: Proven::Any,
        ..stop("the vehicle reboots in flight, no boot clock")
    },
    Row {
        rest: "[recorder]\nunplugged = [{ source = \"vehicle\", from_s = 45, to_s = 57 }]",
        told: &["source"],
        never: &["failsafe", "freeze", "alarm", "restart", "restart-aloft", "lost-vehicle", "silent"],
        proven: Proven::Any,
        ..stop("the radio's cable is out for 12 s in flight")
    },
    Row {
        rest: "[recorder]\nunplugged = [{ source = \"vehicle\", from_s = 45, to_s = 1000 }]",
        told: &["source"],
        phases: Some(&["ground", "out"]),
        never: &["failsafe", "freeze", "alarm", "restart", "restart-aloft", "lost-vehicle"],
        proven: Proven::Any,
        ..stop("the radio's cable is out from 45 s on")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]\nrc_count_zero = true\nrates = { position = 4, attitude = 2, rc_channels = 5, \
                  rc_channels_raw = 5, servo = 10, vibration = 0 }",
        ..Row::flight("RC_CHANNELS without channels beside RC_CHANNELS_RAW")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]\nrates = { position = 4, attitude = 2, rc_channels = 5, rc_channels_raw = 3, \
                  servo = 10, vibration = 0 }",
        ..Row::flight("both RC messages, alike")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]\nrc_rssi = 0",
        ..Row::flight("rssi of RC input always 0 in flight")
    },
    Row {
        rest: "[[mark]]\nat_s = 40\nkind = \"remark\"\ntext = \"past the tree\"",
        ..Row::flight("a remark in flight")
    },
];
