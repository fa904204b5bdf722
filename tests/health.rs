//! How this computer itself does: from invented trees of the kernel's files to what is told beside a freeze.
//!
//! The figures are those that the tests put in; formats and units are the kernel's (see `record::health_reading`).

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

mod frames;
mod free_ports;
mod invented;
mod live_session;
mod support;
mod waiting;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use fadewatch::Nanos;
use fadewatch::capture::Recording;
use fadewatch::measure::health::HealthMeter;
use fadewatch::monitor::LinkMonitor;
use fadewatch::record::health_reading::{HealthPart, HealthRow};
use fadewatch::record::{Body, Entry, InterfaceId, Note};
use fadewatch::session::live::LiveConfig;
use fadewatch::summary::{Event, Heat, HostStrain, Strained, Summary};
use fadewatch::tui::state::{Screen, UiState};
use fadewatch::tui::theme::{Theme, ThemeName};
use fadewatch::tui::view;
use fadewatch::tui::view::{Glyphs, Scene};
use fadewatch::wording::event::text;
use invented::Plan;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use support::Data;

fn row(part: HealthPart, name: &str, values: &[i64]) -> HealthRow {
    let mut all = [None; 3];
    for (slot, value) in all.iter_mut().zip(values) {
        *slot = Some(*value);
    }
    HealthRow { part, name: name.to_owned(), values: all }
}

fn heat(celsius: i64) -> HealthRow {
    row(HealthPart::Temperature, "cpu-thermal", &[celsius * 1_000, 95_000])
}

fn cooling(state: i64) -> HealthRow {
    row(HealthPart::Cooling, "cpufreq-cpu0", &[state])
}

/// A series of readings a second apart, and what they told: the second, what, whether it began.
fn told(series: &[Vec<HealthRow>]) -> (HealthMeter, Vec<(usize, HostStrain, bool)>) {
    let mut meter = HealthMeter::default();
    let mut all = Vec::new();
    for (second, rows) in series.iter().enumerate() {
        for event in meter.observe(Nanos::from_secs(second as i64), rows) {
            let Event::Strain { what, lasted_s } = event else { panic!("{event:?}") };
            all.push((second, what.strain, lasted_s.is_none()));
        }
    }
    (meter, all)
}

fn each_second(seconds: usize, rows: impl Fn(usize) -> Vec<HealthRow>) -> Vec<Vec<HealthRow>> {
    (0..seconds).map(rows).collect()
}

#[test]
fn a_part_is_hot_within_ten_kelvin_of_its_own_limit() {
    // 84 °C are 11 K away, 85 °C are 10.
    for (celsius, is_hot) in [(84, false), (85, true), (96, true)] {
        let (meter, events) = told(&each_second(30, |_| vec![heat(celsius)]));
        // One reading alone may be a mistake of the sensor.
        let expected = [(1, HostStrain::Hot, true)];
        assert_eq!(events, if is_hot { &expected[..] } else { &[] }, "{celsius}");
        assert_eq!(meter.standing(Nanos::from_secs(30)).len(), usize::from(is_hot));
        assert_eq!(meter.standing(Nanos::from_secs(45)), [], "the readings stopped");
        let sensor = &meter.summary().unwrap().temperatures[0];
        assert_eq!((sensor.max_c, sensor.limit_c), (f64::from(celsius as i32), Some(95.0)));
    }
}

#[test]
fn the_part_nearest_to_its_own_limit_is_named_not_the_warmest() {
    let rows = || vec![heat(70), row(HealthPart::Temperature, "cell", &[52_000, 60_000])];
    let (meter, _) = told(&each_second(3, |_| rows()));
    let heat = Heat { part: "cell".to_owned(), celsius: 52.0, limit: 60.0 };
    let expected = [Strained { strain: HostStrain::Hot, heat: Some(heat) }];
    assert_eq!(meter.standing(Nanos::from_secs(2)), expected);
    let order: Vec<String> = meter.summary().unwrap().temperatures.into_iter().map(|row| row.part).collect();
    assert_eq!(order, ["cell", "cpu-thermal"]);
    // Of two that are near theirs, 5 and 8 K away, in whichever order they are read.
    let near = [
        row(HealthPart::Temperature, "cpu-thermal", &[90_000, 95_000]),
        row(HealthPart::Temperature, "cell", &[52_000, 60_000]),
    ];
    for rows in [vec![near[0].clone(), near[1].clone()], vec![near[1].clone(), near[0].clone()]] {
        let (meter, _) = told(&each_second(3, |_| rows.clone()));
        let heat = Heat { part: "cpu-thermal".to_owned(), celsius: 90.0, limit: 95.0 };
        let expected = [Strained { strain: HostStrain::Hot, heat: Some(heat) }];
        assert_eq!(meter.standing(Nanos::from_secs(2)), expected);
    }
}

/// Tables of boards hold such values: 20.8 °C as the critical one of a zone that always has 16.8, and sensors jump.
#[test]
fn strange_sensors_and_strange_limits_tell_nothing() {
    let strange = |second: usize| {
        vec![
            row(HealthPart::Temperature, "zone", &[16_800, 20_800]),
            row(HealthPart::Temperature, "none", &[45_000, 0]),
            row(HealthPart::Temperature, "huge", &[45_000, i64::MAX]),
            row(HealthPart::Temperature, "off", &[-274_000, 95_000]),
            row(
                HealthPart::Temperature,
                "jumps",
                &[if second.is_multiple_of(7) { 125_000 } else { 50_000 }, 90_000],
            ),
            row(HealthPart::Temperature, "least", &[i64::MIN, i64::MIN]),
            row(HealthPart::Cooling, "cpufreq-cpu0", &[-1]),
            row(HealthPart::Clock, "policy0", &[0, 0]),
            row(HealthPart::Supply, "BAT0", &[-5, 101, 9]),
            row(HealthPart::LowSupply, "volt", &[7]),
            row(HealthPart::Pressure, "memory", &[-1, -1]),
            row(HealthPart::Pressure, "fire", &[1, 1]),
            row(HealthPart::Load, "1min", &[-1, 0]),
            row(HealthPart::Memory, "ram", &[-1]),
        ]
    };
    let (meter, events) = told(&each_second(40, strange));
    assert_eq!(events, []);
    let health = meter.summary().unwrap();
    let parts: Vec<_> =
        health.temperatures.iter().map(|row| (row.part.as_str(), row.max_c, row.limit_c)).collect();
    let expected =
        [("jumps", 50.0, Some(90.0)), ("huge", 45.0, None), ("none", 45.0, None), ("zone", 16.8, None)];
    assert_eq!(parts, expected);
    assert_eq!((health.throttled_s, health.supply_low_s, health.memory_wait_s), (None, None, None));
    assert_eq!((health.load_max, health.processors, health.memory_low_mb), (None, None, None));
    assert_eq!((health.memory_wait_ratio, health.supplies.len()), (None, 0));
}

#[test]
fn throttled_time_is_that_of_the_readings_and_a_short_pause_is_no_end() {
    // At work from the 10th to the 19th reading, again at the 25th, and never later.
    let series =
        each_second(60, |second| vec![cooling(i64::from((10..20).contains(&second) || second == 25))]);
    let (meter, events) = told(&series);
    assert_eq!(events, [(10, HostStrain::Throttled, true), (36, HostStrain::Throttled, false)]);
    assert_eq!(meter.summary().unwrap().throttled_s, Some(11.0));
    let within = |from: f64, to: f64| {
        meter.strains_within(Nanos::from_secs_f64(from), Nanos::from_secs_f64(to)).map(|all| all.len())
    };
    // A reading speaks for the second before it.
    for (from, to, expected) in
        [(8.0, 9.0, 0), (8.5, 9.1, 1), (12.0, 12.2, 1), (19.0, 24.0, 0), (24.5, 24.6, 1), (25.0, 40.0, 0)]
    {
        assert_eq!(within(from, to), Some(expected), "{from} to {to}");
    }
    assert_eq!(within(58.5, 70.0), Some(0));
    assert_eq!(within(59.5, 70.0), None, "after the last reading nothing is known");
}

#[test]
fn a_lower_clock_limit_throttles_and_a_slow_clock_does_not() {
    let clock = |second: usize| {
        // An idle processor is slow; the limit falls from 1800 to 1000 MHz for ten readings, and rises beyond the first.
        let allowed = match second {
            20..30 => 1_000_000,
            40.. => 2_000_000,
            _ => 1_800_000,
        };
        vec![row(HealthPart::Clock, "policy0", &[600_000, allowed])]
    };
    let (meter, events) = told(&each_second(60, clock));
    assert_eq!(events, [(20, HostStrain::Throttled, true), (40, HostStrain::Throttled, false)]);
    let health = meter.summary().unwrap();
    let figures = (health.throttled_s, health.clock_start_mhz, health.clock_low_mhz);
    assert_eq!(figures, (Some(10.0), Some(1_800.0), Some(1_000.0)));
}

/// Totals of microseconds: 300 ms of each second are above a fifth for memory, and under half for a disk.
#[test]
fn waits_are_held_against_the_time_between_readings() {
    let rows = |second: usize| {
        let busy = second.saturating_sub(20).min(20) as i64;
        vec![
            row(HealthPart::Pressure, "memory", &[busy * 900_000, busy * 300_000]),
            row(HealthPart::Pressure, "io", &[busy * 900_000, busy * 300_000]),
            row(HealthPart::Pressure, "cpu", &[1_000_000 * second as i64, 0]),
        ]
    };
    let (meter, events) = told(&each_second(80, rows));
    // The mean of ten seconds passes a fifth after seven busy ones, and was last there when three of them had left it.
    assert_eq!(events, [(27, HostStrain::Memory, true), (54, HostStrain::Memory, false)]);
    let health = meter.summary().unwrap();
    assert_eq!((health.memory_wait_s, health.disk_wait_s), (Some(20.0), Some(0.0)));
    let share = 20.0 * 0.3 / 79.0;
    assert!((health.memory_wait_ratio.unwrap() - share).abs() < 1e-9);
    assert!((health.disk_wait_ratio.unwrap() - share).abs() < 1e-9);
    assert!((health.cpu_wait_ratio.unwrap() - 1.0).abs() < 1e-9);
}

#[test]
fn gaps_repeats_and_restarts_of_counters_count_nothing() {
    let memory = |total: i64| vec![row(HealthPart::Pressure, "memory", &[0, total]), cooling(1)];
    let mut meter = HealthMeter::default();
    for (at_s, total) in
        [(0, 0), (1, 100_000), (1, 900_000), (2, 200_000), (30, 20_000_000), (31, 5), (32, 100_005)]
    {
        meter.observe(Nanos::from_secs(at_s), &memory(total));
    }
    let health = meter.summary().unwrap();
    // The second reading of one stamp is none; 28 s without a reading and the counter's fall leave one second each side.
    assert_eq!(health.readings, 6);
    assert!((health.memory_wait_ratio.unwrap() - 0.1).abs() < 1e-9, "{health:?}");
    assert_eq!(health.throttled_s, Some(4.0));
    assert_eq!(meter.strains_within(Nanos::from_secs(5), Nanos::from_secs(25)), None);
}

#[test]
fn supplies_give_their_lowest_voltage_and_their_charge() {
    let rows = |second: usize| {
        let second = second as i64;
        vec![
            row(
                HealthPart::Supply,
                "BAT0",
                &[3_900_000 - 10_000 * second, 80 - second, if second < 5 { 1 } else { 2 }],
            ),
            row(HealthPart::LowSupply, "volt in0", &[i64::from((3..6).contains(&second))]),
        ]
    };
    let (meter, events) = told(&each_second(10, rows));
    assert_eq!(events, [(3, HostStrain::Undervoltage, true)]);
    let health = meter.summary().unwrap();
    assert_eq!(health.supply_low_s, Some(3.0));
    let supply = &health.supplies[0];
    assert!((supply.low_v.unwrap() - 3.81).abs() < 1e-9);
    assert_eq!((supply.charge_start_ratio, supply.charge_end_ratio), (Some(0.8), Some(0.71)));
    assert_eq!(supply.discharging, Some(true));
}

/// A recorder on a slow card has it written every five seconds, and waits for it alone: 0.9 s of each 5 s.
#[test]
fn a_disk_that_keeps_its_own_writer_waiting_is_not_told() {
    let rows = |second: usize| vec![row(HealthPart::Pressure, "io", &[0, (second / 5) as i64 * 900_000])];
    let (meter, events) = told(&each_second(300, rows));
    assert_eq!((events.len(), meter.summary().unwrap().disk_wait_s), (0, Some(0.0)));
    // A large file is copied: 0.8 s of each second, for 20 s.
    let copied = |second: usize| {
        let busy = second.saturating_sub(30).min(20) as i64;
        vec![row(HealthPart::Pressure, "io", &[0, busy * 800_000])]
    };
    let (meter, events) = told(&each_second(300, copied));
    // Seven of ten seconds are needed, and left after the 53rd.
    assert_eq!(events, [(37, HostStrain::Disk, true), (64, HostStrain::Disk, false)]);
    assert_eq!(meter.summary().unwrap().disk_wait_s, Some(17.0));
}

/// Whatever a recording claims, figures stay within what is possible.
#[test]
fn no_reading_breaks_anything() {
    let mut random = ChaCha8Rng::seed_from_u64(10_001);
    let names = ["cpu", "memory", "io", "a\u{1b}[2J", ""];
    let (mut meter, mut at) = (HealthMeter::default(), Nanos::ZERO);
    for _ in 0..3_000 {
        at += Nanos::from_millis(random.random_range(0..12_000));
        let rows: Vec<HealthRow> = (0..random.random_range(0..120))
            .map(|_| HealthRow {
                part: HealthPart::WORDS[random.random_range(0..8)].0,
                name: format!("{}{}", names[random.random_range(0..5)], ["", "1"][random.random_range(0..2)]),
                values: std::array::from_fn(|_| {
                    let extremes = [i64::MIN, -1, 0, 1, 60_000, 90_000, 1_000_000, i64::MAX];
                    random.random_bool(0.8).then(|| extremes[random.random_range(0..8)])
                }),
            })
            .collect();
        for event in meter.observe(at, &rows) {
            let text = text(&fadewatch::summary::EventSummary { at_s: 0.0, link: None, event });
            assert!(!text.contains('\u{1b}'));
        }
    }
    let health = meter.summary().unwrap();
    assert!(!serde_json::to_string(&health).unwrap().contains("\\u001b"));
    for share in [health.cpu_wait_ratio, health.memory_wait_ratio, health.disk_wait_ratio] {
        assert!(share.is_none_or(|share| (0.0..=1.0).contains(&share)), "{health:?}");
    }
    assert!(health.temperatures.iter().all(|row| (-60.0..=200.0).contains(&row.max_c)));
}

/// A picture every 50 ms that freezes for 1.5 s from 30 s and from 60 s on, packets lost; drops are counted at 31, 35.2 and 61 s.
fn flight(reading: impl Fn(i64) -> Option<Vec<HealthRow>>) -> Summary {
    let mut plan = Plan::default();
    for number in 0..1_800_u16 {
        let at_s = f64::from(number) * 0.05;
        if ![30.0, 60.0].iter().any(|from| at_s > from + 0.01 && at_s < from + 1.49) {
            plan.picture(at_s, number);
        }
    }
    for second in 0..90 {
        if let Some(rows) = reading(second) {
            plan.note(second as f64 + 0.5, Note::Health { rows });
        }
    }
    // Of another source than the picture's.
    plan.note(31.0, Note::HostDrops { interface: InterfaceId(0), total: 3 });
    plan.note(35.2, Note::HostDrops { interface: InterfaceId(0), total: 4 });
    plan.note(61.0, Note::HostDrops { interface: InterfaceId(0), total: 9 });
    plan.play("[[link]]\nname = 'video'\nrole = 'video'\nport = 5004\n", &[], 90.0).summary()
}

fn texts(summary: &Summary, kind: &str) -> Vec<String> {
    summary.events.iter().filter(|event| event.event.kind() == kind).map(text).collect()
}

#[test]
fn what_strained_this_computer_stands_beside_a_freeze_and_judges_nothing() {
    let throttled = flight(|second| Some(vec![cooling(i64::from((28..35).contains(&second))), heat(90)]));
    let silent = flight(|_| None);
    let list = &throttled.video.as_ref().unwrap().freeze_list;
    let strains: Vec<_> = list.iter().map(|freeze| freeze.host_strain.clone()).collect();
    // A part that is hot and nothing else slows nothing down.
    assert_eq!(strains, [Some(vec![HostStrain::Throttled]), Some(vec![])]);
    let told = texts(&throttled, "freeze");
    assert!(told[0].ends_with(" s while this computer was throttled") && told[1].ends_with(" s"), "{told:?}");
    let told = texts(&throttled, "host-drop");
    // What is counted now was lost within the second before.
    let ends = ["(3) while this computer was throttled", "(1) while this computer was throttled", "(5)"];
    assert!(told.len() == 3 && told.iter().zip(ends).all(|(told, end)| told.ends_with(end)), "{told:?}");
    let told = texts(&throttled, "computer");
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(
        told[0].starts_with("this computer is hot") && told[2].contains("no longer throttled"),
        "{told:?}"
    );
    let mut report = Vec::new();
    fadewatch::report::session_text::write_to(&mut report, &throttled).unwrap();
    let report = String::from_utf8(report).unwrap();
    assert_eq!(report.matches("; while this computer was throttled").count(), 1, "{report}");
    assert!(report.contains("cpu-thermal at most 90 °C, its own limit is 95 °C"), "{report}");
    // Without readings nothing of it is told, and all else is the same.
    let list = &silent.video.as_ref().unwrap().freeze_list;
    assert!(silent.health.is_none() && list.iter().all(|freeze| freeze.host_strain.is_none()));
    let stripped = |summary: &Summary| {
        let mut json = serde_json::to_value(summary).unwrap();
        let object = json.as_object_mut().unwrap();
        object.remove("health");
        // What lay behind bad pictures does look at it.
        assert!(object.remove("picture_causes").is_some());
        object["recording"].as_object_mut().unwrap().remove("records");
        object["events"].as_array_mut().unwrap().retain(|event| event["kind"] != "computer");
        for event in object["events"].as_array_mut().unwrap() {
            let text = event["text"].as_str().unwrap().replace(" while this computer was throttled", "");
            event["text"] = text.into();
        }
        for video in ["video", "video_streams"] {
            let rows = if video == "video" {
                vec![&mut object[video]]
            } else {
                object[video].as_array_mut().unwrap().iter_mut().collect()
            };
            for row in rows {
                for freeze in row["freeze_list"].as_array_mut().unwrap() {
                    for key in ["host_strain", "causes"] {
                        assert!(freeze.as_object_mut().unwrap().remove(key).is_some());
                    }
                }
            }
        }
        json
    };
    assert_eq!(stripped(&throttled), stripped(&silent));
    assert_eq!(silent.video.unwrap().freeze_list[0].evidence, Some(true));
}

#[test]
fn an_older_recording_has_no_readings_and_says_so() {
    let run = |arguments: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_fadewatch"))
            .args(arguments)
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .env("XDG_DATA_HOME", "/nonexistent")
            .env("FADEWATCH_PROFILE", "none")
            .output()
            .unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    let file = "recordings/orchard-1.pcapng";
    let json: serde_json::Value = serde_json::from_str(&run(&["summary", "--json", file])).unwrap();
    assert!(json["health"].is_null() && json.as_object().unwrap().contains_key("health"));
    assert!(run(&["summary", file]).contains("This computer\n  not measured: "));
}

/// A summary that the history keeps comes back with it.
#[test]
fn the_history_keeps_it() {
    let mut summary = flight(|second| Some(vec![cooling(second % 2), heat(60)]));
    let kept: Summary = serde_json::from_str(&serde_json::to_string(&summary).unwrap()).unwrap();
    assert!(kept.health.is_some() && kept.health == summary.health);
    summary.health = None;
    let older = serde_json::to_string(&summary).unwrap().replace("\"health\":null,", "");
    assert_eq!(serde_json::from_str::<Summary>(&older).unwrap().health, None);
}

/// A page with other strains and figures of this computer than the invented session's, which has none.
fn drawn(screen: Screen, (columns, rows): (u16, u16), strains: &[Strained], figures: &Summary) -> String {
    let area = Rect::new(0, 0, columns, rows);
    let mut feed = support::feed(Data::Full, view::columns(screen, area));
    let mut snapshot = (*feed.snapshot).clone();
    let mut summary = (*snapshot.summary).clone();
    summary.health.clone_from(&figures.health);
    snapshot.summary = Arc::new(summary);
    snapshot.strains = strains.to_vec();
    feed.snapshot = Arc::new(snapshot);
    let mut buffer = Buffer::empty(area);
    let (state, theme) = (UiState { screen, ..UiState::default() }, Theme::named(ThemeName::Dark));
    view::render(&Scene { feed: Some(&feed), state: &state, theme, glyphs: Glyphs::Full }, area, &mut buffer);
    buffer.content().iter().map(ratatui::buffer::Cell::symbol).collect()
}

#[test]
fn the_foot_says_what_strains_this_computer_and_nothing_when_all_is_well() {
    let heat = Some(Heat { part: "cpu-thermal".to_owned(), celsius: 88.0, limit: 95.0 });
    let hot = [Strained { strain: HostStrain::Hot, heat }];
    for size in [(80, 24), (128, 37), (200, 60)] {
        for (strains, is_said) in [(&hot[..], true), (&[], false)] {
            let drawn = drawn(Screen::Overview, size, strains, &Summary::default());
            assert_eq!(drawn.contains("THIS COMPUTER: HOT, 88 of 95 °C"), is_said, "{size:?}: {drawn}");
            assert_eq!(drawn.contains("THIS COMPUTER"), is_said);
        }
    }
}

#[test]
fn the_page_of_the_session_says_how_this_computer_did() {
    let figures = flight(|_| Some(vec![cooling(0), heat(60)]));
    let page = drawn(Screen::Session, (128, 37), &[], &figures);
    assert!(
        page.contains("cpu-thermal at most 60 °C, its own limit is 95 °C; no throttling shown by its kernel"),
        "{page}"
    );
    assert!(!drawn(Screen::Session, (128, 37), &[], &Summary::default()).contains("throttled"));
}

const ZONE: &str = "sys/class/thermal/thermal_zone0";

fn write(root: &Path, path: &str, text: &str) {
    let path = root.join(path);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, text).unwrap();
}

fn live(kernel_files: PathBuf, recording: Option<PathBuf>) -> LiveConfig {
    let vehicle = Some(format!("udp://127.0.0.1:{}", free_ports::free_udp_port()).parse().unwrap());
    LiveConfig { vehicle, kernel_files, recording, ..LiveConfig::default() }
}

/// The computer of this test is invented, and so it gets hot while the session runs.
#[test]
fn a_recording_gives_the_figures_of_the_session() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    write(root, &format!("{ZONE}/type"), "cpu: thermal 1 %\n");
    write(root, &format!("{ZONE}/temp"), "61500\n");
    write(root, &format!("{ZONE}/trip_point_0_type"), "critical\n");
    write(root, &format!("{ZONE}/trip_point_0_temp"), "95000\n");
    write(root, "sys/class/thermal/cooling_device0/type", "Processor\n");
    write(root, "sys/class/thermal/cooling_device0/cur_state", "0\n");
    write(root, "proc/meminfo", "MemTotal: 2000000 kB\nMemAvailable: 1000000 kB\n");
    let path = root.join("a.pcapng");
    let session = live_session::start(live(root.to_owned(), Some(path.clone()))).unwrap();
    let wait = |what: &str, holds: &dyn Fn(&Summary, usize) -> bool| {
        waiting::wait_for(Duration::from_secs(30), what, || {
            let feed = session.feed()?;
            holds(&feed.snapshot.summary, feed.snapshot.strains.len()).then_some(())
        });
    };
    wait("readings", &|summary, _| summary.health.as_ref().is_some_and(|health| health.readings >= 2));
    write(root, "sys/class/thermal/cooling_device0/cur_state", "1\n");
    wait("throttling", &|_, strains| strains == 1);
    write(root, &format!("{ZONE}/temp"), "91000\n");
    wait("heat", &|_, strains| strains == 2);
    let end = session.finish().unwrap();
    let health = end.summary.health.clone().unwrap();
    assert_eq!(health.temperatures[0].part, "cpu: thermal 1 %");
    assert_eq!((health.temperatures[0].max_c, health.temperatures[0].limit_c), (91.0, Some(95.0)));
    assert!(health.throttled_s.is_some_and(|throttled_s| throttled_s > 0.0));
    assert_eq!((health.memory_low_mb, health.load_max, health.memory_wait_s), (Some(1_024.0), None, None));
    let recording = Recording::open(&path).unwrap();
    let (mut monitor, mut cursor) = (LinkMonitor::default(), recording.cursor());
    let mut first = None;
    while let Some(entry) = recording.next(&mut cursor) {
        if let Entry::Record(record) = &entry
            && let Body::Note(Note::Health { rows }) = &record.body
        {
            first.get_or_insert_with(|| rows.clone());
        }
        monitor.handle(&entry);
    }
    let again = monitor.summary(&recording.facts(&cursor));
    assert_eq!(again.health, Some(health));
    assert_eq!(again.events, end.summary.events);
    // Raw, as the files held it.
    let expected = [
        row(HealthPart::Temperature, "cpu: thermal 1 %", &[61_500, 95_000]),
        row(HealthPart::Cooling, "Processor", &[0]),
        row(HealthPart::Memory, "ram", &[1_000_000, 2_000_000]),
    ];
    assert_eq!(first.unwrap(), expected);
}

/// A sensor that hangs (a pipe that nobody writes to) holds up neither the session nor its end.
#[test]
fn a_sensor_that_hangs_holds_nothing_up() {
    let folder = tempfile::tempdir().unwrap();
    let zone = folder.path().join(ZONE);
    fs::create_dir_all(&zone).unwrap();
    nix::unistd::mkfifo(&zone.join("temp"), nix::sys::stat::Mode::S_IRUSR).unwrap();
    let session = live_session::start(live(folder.path().to_owned(), None)).unwrap();
    waiting::wait_for(Duration::from_secs(30), "three seconds", || {
        session.feed().filter(|feed| feed.snapshot.now_s >= 3.0)
    });
    assert_eq!(session.finish().unwrap().summary.health, None);
}
