//! Switched off on the ground, in any order; recordings that end.

use super::{DRILL, FLIGHT, GRAVE, Proven, QUIET, Row, THERE_AND_BACK};

pub(crate) const ROWS: &[Row] = &[
    Row { control: "on_s = [[0, 103]]", ..Row::off_at_home("off at home, vehicle first") },
    Row {
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 102]]",
        control: "on_s = [[0, 93]]",
        rest: "[[failsafe]]\nat_s = 93\nback_s = 1000\ndetected_after_s = 0.6\nsafe_after_s = 0.8\nmode = 102",
        never: GRAVE,
        failsafes: Some(&[DRILL]),
        ..Row::off_at_home("off at home, handset first")
    },
    // The picture stops on the ground and never comes again: not the link's. Whether it counts is open.
    Row {
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 102]]",
        video: Some("on_s = [[0, 93]]"),
        counted: None,
        never: GRAVE,
        ..Row::off_at_home("off at home, video first")
    },
    Row { control: "on_s = [[0, 95]]", ..Row::off_at_home("off at home, all at once") },
    Row { duration_s: 93.0, ..Row::flight("the recorder ends first, all else alive") },
    Row { duration_s: 240.0, ..Row::off_at_home("off at home, the recorder left running") },
    Row { radio: "goes_on = \"noise\"", ..Row::off_at_home("off at home, the radio goes on with noise") },
    Row { radio: "goes_on = \"none\"", ..Row::off_at_home("off at home, the radio falls silent too") },
    Row {
        duration_s: 700.0,
        rest: "[[other]]\nsystem = 254\nboot_s = 900\nrate_hz = 0\nkind = 6",
        ..Row::off_at_home("ground station and radio alone for ten minutes")
    },
    Row {
        rest: "[[other]]\nsystem = 7\nboot_s = 900\nrate_hz = 2",
        ..Row::off_at_home("a stranger's vehicle is heard all along")
    },
    Row {
        rest: "[recorder]\nend_note = false",
        duration_s: 93.0,
        ..Row::flight("the recorder is killed on the ground")
    },
    Row {
        rest: "[recorder]\nend_note = false",
        duration_s: 45.0,
        phases: Some(&["ground", "out"]),
        proven: Proven::Near(62.0),
        ..Row::flight("the recording is cut in flight while video runs")
    },
    Row {
        duration_s: 66.0,
        phases: Some(&["ground", "out", "back"]),
        ..Row::flight("the recorder ends in flight on the way back")
    },
    // Lands at 50 s, disarmed at 56 s, where it stood.
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [47,80,0,8], [50,80,0,0]]",
        vehicle: "armed_s = [[20, 56]]\non_s = [[0, 70]]",
        phases: Some(&["ground", "out", "ground", "off"]),
        proven: Proven::Near(80.0),
        ..Row::off_at_home("landed 80 m away, disarmed, then off")
    },
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [47,80,0,8], [50,80,0,0]]",
        vehicle: "armed_s = [[20, 56]]\non_s = [[0, 125]]",
        duration_s: 145.0,
        rest: "[handset_way]\nwaypoints = [[0,0,0,0], [62,0,0,0], [115,79,0,0]]",
        phases: Some(&["ground", "out", "ground", "off"]),
        proven: Proven::Near(80.0),
        ..Row::off_at_home("landed 80 m away, walked to, then off")
    },
    Row {
        path: "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [53,103,0,8], [78,8,0,8], [82,3,0,0], [130,3,0,0], \
               [133,3,0,8], [158,103,0,8], [183,8,0,8], [187,3,0,0]]",
        vehicle: "armed_s = [[20, 86], [125, 191]]\non_s = [[0, 95], [107, 300]]",
        duration_s: 205.0,
        // Whether the dark stretch between two streams is listed is open; it counts nowhere.
        freezes: None,
        phases: Some(&["ground", "out", "back", "ground", "off", "ground", "out", "back", "ground"]),
        never: &["freeze", "failsafe", "alarm", "lost", "restart-aloft", "lost-vehicle", "silent"],
        ..Row::off_at_home("a fresh battery between two flights")
    },
    Row {
        path: "[[0,3,0,0], [28,3,0,0], [53,103,0,0], [78,5,0,0]]",
        vehicle: "armed_s = []\non_s = [[0, 95]]",
        ..Row::off_at_home("a rover that never arms, out and back, off at home")
    },
    // Without a position: no distance, and no word for the way back.
    Row {
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 95]]\nrates = { position = 0, gps = 0, home = 0, vibration = 0 }",
        phases: Some(&["ground", "out", "ground", "off"]),
        proven: Proven::Null,
        ..Row::off_at_home("no position, armed flight, off at home")
    },
    Row {
        vehicle: "on_s = [[0, 60]]\narmed_s = []\nrates = { position = 0, gps = 0, home = 0, vibration = 0 }",
        phases: Some(&["ground", "off"]),
        freezes: Some(&[Some(false)]),
        ..Row::bench("no position, disarmed, off")
    },
    Row {
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 95]]\nrates = { heartbeat = 1, sys_status = 0, system_time = 0, \
                  position = 0, gps = 0, home = 0, attitude = 0, rc_channels = 0, servo = 0, battery = 0, \
                  vibration = 0, video_status = 0 }",
        phases: Some(&["ground", "out", "ground", "off"]),
        proven: Proven::Null,
        ..Row::off_at_home("heartbeats alone")
    },
    Row {
        video: None,
        freezes: Some(&[]),
        link: "telemetry",
        ..Row::off_at_home("telemetry only, off at home")
    },
    Row {
        vehicle: "on_s = [[20, 200]]\narmed_s = [[45, 106]]",
        path: "[[0,3,0,0], [50,3,0,0], [53,3,0,8], [78,103,0,8], [100,15,0,8], [103,3,0,0]]",
        duration_s: 120.0,
        phases: Some(&["waiting", "ground", "out", "back", "ground"]),
        ..Row::flight("the vehicle is switched on late")
    },
    Row {
        duration_s: 110.0,
        path: FLIGHT,
        vehicle: "armed_s = [[20, 86]]\non_s = [[0, 95]]",
        video: Some("on_s = [[0, 200]]"),
        // The picture goes on: not everything of the vehicle is silent.
        phases: Some(THERE_AND_BACK),
        freezes: Some(&[]),
        never: &["freeze", "failsafe", "alarm", "lost", "restart", "restart-aloft", "lost-vehicle"],
        ..Row::off_at_home("two batteries: telemetry off on the ground, video goes on")
    },
    Row {
        video: Some("on_s = [[0, 93]]"),
        freezes: Some(&[Some(false)]),
        counted: Some(1),
        never: GRAVE,
        ..Row::flight("the picture stops on the ground and telemetry goes on to the end")
    },
    Row {
        vehicle: "on_s = []",
        video: None,
        radio: "goes_on = \"noise\"",
        phases: Some(&[]),
        never: QUIET,
        ..Row::bench("a radio alone, no vehicle all along")
    },
];
