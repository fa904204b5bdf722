//! Sessions held against each other: a change that is there is told, one that is not is not, and what cannot be compared is
//! said to be so. Truth: the generator of `examples/compare_coverage`, and scenarios of the simulator, whose radios differ by
//! what the scenario says.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

#[path = "../examples/compare_coverage/study.rs"]
mod study;

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use fadewatch::judge::comparison::{ComparedSession, FlownSecond, compare, gravest, over_time};
use fadewatch::profile::LinkRole;
use fadewatch::summary::{
    ChangeWord, ComparedFigure, Comparison, ComparisonCaution, FigureDifference, MatchedBy, NotCompared,
    VideoSource,
};
use fadewatch::units::LevelUnit;
use serde_json::Value;
use study::{Course, sides, study};

const NEAR: [f64; 2] = [250.0, 250.0];
const ONE: Course = Course { sessions: 1, day_db: 0.0, gain_db: 0.0, far_m: NEAR };

/// 24 pairs each. Without a change 5 % of pairs, 1.2, have a figure called different: over 5 by chance in 2 of 1,000. A gain
/// of 8 dB is told in nine of ten at least: under 17 by chance in 2 of 100, and fewer where it is told more often.
#[test]
fn a_change_is_told_and_a_farther_flight_is_none() {
    let seeds = 10_001..10_025;
    let none = study(seeds.clone(), ONE);
    assert!(none.any <= 5 && none.held >= 19, "{none:?}");
    let farther = study(seeds.clone(), Course { far_m: [150.0, 300.0], ..ONE });
    assert!(farther.any <= 5, "{farther:?}");
    let gained = study(seeds, Course { gain_db: 8.0, ..ONE });
    assert!(gained.gained >= 17 && gained.wrong <= 5 && gained.held >= 19, "{gained:?}");
}

/// Days that differ by 3 dB are no change, with three flights a side.
#[test]
fn days_are_no_change() {
    let days = Course { sessions: 3, day_db: 3.0, ..ONE };
    let tally = study(10_001..10_013, days);
    assert!(tally.any <= 3, "{tally:?}");
}

fn changed(change: impl Fn(bool, &mut ComparedSession)) -> Comparison {
    let [mut before, mut after] = sides(10_001, Course { gain_db: 10.0, ..ONE });
    for session in &mut before {
        change(false, session);
    }
    for session in &mut after {
        change(true, session);
    }
    compare(&before.iter().collect::<Vec<_>>(), &after.iter().collect::<Vec<_>>())
}

fn figure(found: &Comparison, figure: ComparedFigure) -> &FigureDifference {
    let is_wanted = |row: &&FigureDifference| row.figure == figure && row.link.as_deref() == Some("video");
    found.figures.iter().find(is_wanted).unwrap()
}

fn seconds(session: &mut ComparedSession, change: impl Fn(&mut FlownSecond)) {
    session.links.iter_mut().flat_map(|link| &mut link.seconds).for_each(change);
}

fn refused(found: &Comparison, of: ComparedFigure) -> Option<NotCompared> {
    let row = figure(found, of);
    assert!(row.why_not.is_none() || row.change.is_none() && row.difference_ci95.is_none(), "{row:?}");
    row.why_not
}

/// Ordinary situations in which a word would be wrong: each has a reason in its place.
#[test]
fn what_cannot_be_compared_is_not() {
    let level = ComparedFigure::Level;
    assert_eq!(figure(&changed(|_, _| ()), level).change, Some(ChangeWord::Better));
    // No position at all: levels of unknown distances; loss by level.
    let lost = changed(|after, session| {
        if after {
            seconds(session, |second| second.distance_m = None);
        }
    });
    assert_eq!(refused(&lost, level), Some(NotCompared::NothingToMatchBy));
    assert_eq!(figure(&lost, ComparedFigure::Loss).matched_by, Some(MatchedBy::Level));
    // Neither position nor level.
    let blind = changed(|_, session| {
        seconds(session, |second| (second.distance_m, second.level) = (None, None));
        session.links.iter_mut().for_each(|link| link.unit = None);
    });
    assert_eq!(refused(&blind, ComparedFigure::Loss), Some(NotCompared::NothingToMatchBy));
    assert!(blind.figures.iter().all(|row| row.figure != level), "nobody has a level");
    // One of them never left the bench.
    let bench = changed(|after, session| session.is_grounded = after);
    assert_eq!(refused(&bench, ComparedFigure::Loss), Some(NotCompared::GroundAndTrips));
    // Marks and packets; other scales.
    let marked = changed(|after, session| {
        if after {
            session.links[0].source = Some(VideoSource::Marks);
        }
    });
    assert_eq!(refused(&marked, ComparedFigure::Freezes), Some(NotCompared::MarksAndPackets));
    let raw = changed(|after, session| {
        if after {
            session.links[0].unit = Some(LevelUnit::Raw);
        }
    });
    assert_eq!(refused(&raw, level), Some(NotCompared::OtherUnits));
    // A hover; two flights that never were at one distance; a link that one side lacks.
    let hover = changed(|_, session| seconds(session, |second| second.place = 0));
    assert_eq!(refused(&hover, level), Some(NotCompared::FewPlaces));
    let apart = changed(|after, session| {
        seconds(session, |second| {
            if after {
                second.distance_m = second.distance_m.map(|far| far + 1000.0);
            }
        });
    });
    assert_eq!(refused(&apart, level), Some(NotCompared::NothingInCommon));
    let missing = changed(|after, session| {
        if after {
            session.links.remove(0);
        }
    });
    assert_eq!(refused(&missing, level), Some(NotCompared::NotAfter));
}

/// What stands against a plain reading is said.
#[test]
fn cautions_stand_where_they_belong() {
    let tag = |after: bool, session: &mut ComparedSession, key: &str| {
        let value = if after { "panel" } else { "patch" };
        session.summary.recording.tags.insert(key.to_owned(), value.to_owned());
    };
    let none = changed(|_, _| ());
    assert_eq!(none.cautions, [ComparisonCaution::OneSessionEach, ComparisonCaution::NoTagDiffers]);
    let one = changed(|after, session| tag(after, session, "antenna"));
    assert_eq!(one.cautions, [ComparisonCaution::OneSessionEach]);
    assert_eq!(one.changed_tags[0].tag_before, ["patch"]);
    let several = changed(|after, session| {
        tag(after, session, "antenna");
        tag(after, session, "mount");
        session.vehicle = Some(1 + u8::from(after));
    });
    assert!(several.cautions.contains(&ComparisonCaution::SeveralTags), "{:?}", several.cautions);
    assert!(several.cautions.contains(&ComparisonCaution::OtherVehicles), "{:?}", several.cautions);
}

/// By hand, from the rule that `explain compare` states; the profile's order is another in each case.
#[test]
fn the_first_line_tells_what_matters_most() {
    use ChangeWord::{Better, NoDifference, Worse};
    use ComparedFigure::{FailsafeSafe, Freezes, Holds, Level, Loss, Silent, StickToServo, VibrationZ};
    let role = |link: &str| match link {
        "sticks" => Some(LinkRole::Control),
        "panel" => Some(LinkRole::Video),
        _ => Some(LinkRole::Telemetry),
    };
    let template = changed(|_, _| ()).figures[0].clone();
    let first = |rows: &[(ComparedFigure, &str, ChangeWord)]| {
        let made: Vec<FigureDifference> = rows
            .iter()
            .map(|(figure, link, change)| FigureDifference {
                figure: *figure,
                link: (!link.is_empty()).then(|| (*link).to_owned()),
                change: Some(*change),
                ..template.clone()
            })
            .collect();
        gravest(&made, role, |_| true)
    };
    for (rows, expected) in [
        // The issue's own example: a gain of level before the freezes that it saves.
        (&[(Freezes, "panel", Better), (Level, "panel", Better)][..], Some(1)),
        (&[(Level, "panel", Better), (Loss, "downlink", Worse)], Some(1)),
        (&[(Level, "downlink", Worse), (Loss, "panel", Worse), (Silent, "sticks", Worse)], Some(2)),
        (&[(VibrationZ, "", Worse), (StickToServo, "", Worse), (FailsafeSafe, "", Worse)], Some(2)),
        (&[(StickToServo, "", Worse), (Loss, "downlink", Worse), (Holds, "sticks", Better)], Some(1)),
        (&[(Level, "sticks", NoDifference), (VibrationZ, "", Better)], Some(1)),
        (&[(Level, "sticks", NoDifference)], None),
    ] {
        assert_eq!(first(rows), expected, "{rows:?}");
    }
    // A gain of the video link, and more loss of telemetry: the loss is told first, then the gain, so that a small loss hides
    // no antenna.
    let mixed = changed(|after, session| {
        let mut telemetry = session.links[0].clone();
        (telemetry.name, telemetry.role, telemetry.source) =
            ("downlink".to_owned(), LinkRole::Telemetry, None);
        for (place, second) in telemetry.seconds.iter_mut().enumerate() {
            (second.received, second.level, second.stood) = (Some(40), None, None);
            second.lost = Some(if after { 5 + place as u32 % 3 } else { 0 });
        }
        session.links.push(telemetry);
    });
    let said = fadewatch::wording::comparison_words::sentence(&mixed);
    assert!(said.starts_with("between these two sessions: downlink loss worse, "), "{said}");
    assert!(said.contains("; but video gained "), "{said}");
    let gained = fadewatch::wording::comparison_words::sentence(&changed(|_, _| ()));
    assert!(
        gained.starts_with("between these two sessions: video gained ") && !gained.contains("but"),
        "{gained}"
    );
}

/// Over time each level stands beside the mean of all at equal distances: by the generator's own shift.
#[test]
fn sessions_over_time_are_set_right_for_distance() {
    let [before, after] = sides(10_002, Course { sessions: 3, gain_db: 12.0, far_m: [150.0, 300.0], ..ONE });
    let all: Vec<&ComparedSession> = before.iter().chain(&after).collect();
    let found = over_time(&all);
    let level = |index: usize| found.sessions[index].link_rows[0].level_beside.unwrap();
    let means = [0, 3].map(|from| (from..from + 3).map(level).sum::<f64>() / 3.0);
    assert!((means[1] - means[0] - 12.0).abs() < 3.0 && (means[0] + means[1]).abs() < 1e-6, "{means:?}");
    assert!(found.figures.is_empty());
    // By their time, those without one last.
    let named = |index: usize, utc: Option<&str>| {
        let mut session = ComparedSession::default();
        session.summary.recording.file = index.to_string();
        session.summary.recording.start_utc = utc.map(str::to_owned);
        session
    };
    let named = [named(0, None), named(1, Some("2026-05-02")), named(2, Some("2026-05-01"))];
    let listed = over_time(&named.iter().collect::<Vec<_>>()).sessions;
    assert_eq!(listed.iter().map(|row| row.session.as_str()).collect::<Vec<_>>(), ["2", "1", "0"]);
}

fn fadewatch(folder: &Path, arguments: &[&str]) -> Output {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let profile = root.join("recordings/orchard-profile.toml");
    let mut command = Command::new(env!("CARGO_BIN_EXE_fadewatch"));
    command.args(arguments);
    if arguments[0] == "compare" {
        command.arg("--profile").arg(profile);
    }
    command
        .current_dir(folder)
        .env("XDG_DATA_HOME", folder)
        .env("FADEWATCH_PROFILE", "none")
        .output()
        .unwrap()
}

/// Invented sessions: the bundled scenario with another seed, antenna, video level at 1 m and turning point.
fn simulated(folder: &Path, name: &str, seed: u32, antenna: &str, (level, to_m): (i32, u32)) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(root.join("recordings/orchard-1.toml")).unwrap();
    let with = |text: &str, from: &str, to: &str| {
        assert_eq!(text.matches(from).count(), 1, "{from}");
        text.replace(from, to)
    };
    let text = with(&text, "seed = 101", &format!("seed = {seed}"));
    let text = with(&text, "antenna = \"patch\"", &format!("antenna = \"{antenna}\""));
    let text = with(&text, "level_at_1m = -28", &format!("level_at_1m = {level}"));
    let text = with(&text, "duration_s = 190", "duration_s = 300");
    let text = with(&text, "to_m = 165", &format!("to_m = {to_m}"));
    fs::write(folder.join("scenario.toml"), text).unwrap();
    let made = fadewatch(folder, &["simulate", "scenario.toml", "--yes", "--out", name]);
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
}

/// A panel of 10 dB more, flown farther, is told with its gain and its tag; 0 dB more is not, and a bad file stops nothing.
#[test]
fn the_command_tells_simulated_antennas_apart() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    for (name, seed, antenna, level, to_m) in [
        ("a.pcapng", 5001, "patch", -28, 165),
        ("b.pcapng", 5002, "panel", -18, 230),
        ("c.pcapng", 5003, "patch", -28, 230),
    ] {
        simulated(folder, name, seed, antenna, (level, to_m));
    }
    let run = fadewatch(folder, &["compare", "a.pcapng", "b.pcapng", "--json"]);
    assert_eq!(run.status.code(), Some(0), "{}", String::from_utf8_lossy(&run.stderr));
    let found: Value = serde_json::from_slice(&run.stdout).unwrap();
    assert!(found["schema"] == 1 && found["version"].is_string());
    assert_eq!(found["changed_tags"][0]["tag_after"][0], "panel");
    let rows = found["figures"].as_array().unwrap();
    let row = |found: &[Value], link: &str| {
        found.iter().find(|row| row["figure"] == "level" && row["link"] == link).unwrap().clone()
    };
    let video = row(rows, "video");
    let ci95: Vec<f64> =
        video["difference_ci95"].as_array().unwrap().iter().map(|end| end.as_f64().unwrap()).collect();
    assert!(ci95[0] <= 10.0 && 10.0 <= ci95[1] && video["change"] == "better", "{video}");
    assert_eq!(row(rows, "control")["change"], "no_difference_shown", "its radio is the same");
    for row in rows {
        assert_eq!(row["change"].is_null(), row["why_not"].is_string(), "{row}");
    }
    let text = found["text"].as_str().unwrap();
    assert!(
        text.starts_with("between these two sessions: video gained ") && text.contains(" farther at "),
        "{text}"
    );
    let same = fadewatch(folder, &["compare", "a.pcapng", "--", "c.pcapng"]);
    let said = String::from_utf8(same.stdout).unwrap();
    assert!(said.starts_with("between these two sessions: no difference shown in "), "{said}");
    let broken = fadewatch(folder, &["compare", "a.pcapng", "missing.pcapng", "--", "b.pcapng"]);
    let (said, error) = (String::from_utf8_lossy(&broken.stdout), String::from_utf8_lossy(&broken.stderr));
    assert!(broken.status.code() == Some(2) && error.contains("missing.pcapng"), "{error}");
    assert!(said.contains("antenna patch -> panel"), "{said}");
    for (arguments, names) in [
        (&["compare", "a.pcapng"][..], "two recordings at least"),
        (&["compare", "a.pcapng", "a.pcapng"], "is the same recording as"),
        (&["compare", "a.pcapng", "--", "missing.pcapng"], "none of the recordings of one side can be read"),
    ] {
        let run = fadewatch(folder, arguments);
        let error = String::from_utf8_lossy(&run.stderr);
        assert!(run.status.code() == Some(2) && error.contains(names), "{arguments:?}: {error}");
    }
    let listed = fadewatch(folder, &["compare", "a.pcapng", "b.pcapng", "c.pcapng"]);
    let said = String::from_utf8(listed.stdout).unwrap();
    assert!(said.starts_with("3 sessions over time") && !said.contains("Figures"), "{said}");
}
