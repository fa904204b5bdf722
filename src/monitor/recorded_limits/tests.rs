use std::sync::Arc;

use crate::monitor::recorded_limits::*;
use crate::summary::ThresholdSession;
use crate::units::LevelUnit;

const PROFILE: &str = "[[link]]\nname = \"video\"\nrole = \"video\"\nlevel = { slope_db = 0.5, offset_dbm = -120.0 }\n\
                       [[link]]\nname = \"down\"\nrole = \"telemetry\"\n";

fn profile() -> Profile {
    Profile::parse(PROFILE).unwrap()
}

fn limit(link: &str, unit: LevelUnit, event: LimitEvent, level_p05: f64) -> Threshold {
    let session = |number: u32| ThresholdSession {
        session: format!("{number:010}"),
        start_utc: Some("2026-05-01T09:00:00.000Z".to_owned()),
        level_p05: Some(level_p05 + f64::from(number) / 7.0),
        error: Some(0.1),
        freezes: 9,
        outlier: false,
    };
    Threshold {
        link: link.to_owned(),
        unit,
        level_p50: Some(level_p05 - 4.1),
        level_p05,
        level_p05_ci95: Some([level_p05 - 1.0 / 3.0, level_p05 + 0.1]),
        warns_at: Some(level_p05 + 0.25),
        base: Some(0.0002),
        sessions: 4,
        freezes: 31,
        method: "logistic".to_owned(),
        event,
        source: "rtp".to_owned(),
        left_out: 2,
        note: Some("a word".to_owned()),
        agreement: Some(ThresholdAgreement {
            word: "agree".to_owned(),
            p: 0.4,
            degrees: 3,
            drift_per_session: Some(0.01),
            drift_p: Some(0.5),
            text: "the sessions agree".to_owned(),
        }),
        each: (0..4).map(session).collect(),
    }
}

fn video(level_p05: f64) -> Threshold {
    limit("video", LevelUnit::Dbm, LimitEvent::Freeze, level_p05)
}

fn earlier(thresholds: Vec<Threshold>) -> Earlier {
    Earlier { thresholds: thresholds.into(), vibration: Some(VibrationLimit { limit: 21.5, sessions: 3 }) }
}

fn read(thresholds: Vec<Threshold>) -> Arc<[Threshold]> {
    Earlier::from_json(&earlier(thresholds).to_json(), &profile()).unwrap().thresholds
}

#[test]
fn what_is_written_is_read_again() {
    let all = earlier(vec![video(-81.25), limit("down", LevelUnit::Raw, LimitEvent::Loss, 48.5)]);
    let mut again = Earlier::from_json(&all.to_json(), &profile()).unwrap();
    assert_eq!(again.vibration, all.vibration);
    assert_eq!(again.thresholds.len(), 2);
    // A number may differ in its last digit: who reads the same text has the same one.
    for (read, wrote) in Arc::make_mut(&mut again.thresholds).iter_mut().zip(&*all.thresholds) {
        for (read, wrote) in read.each.iter_mut().zip(&wrote.each) {
            assert!((read.level_p05.unwrap() - wrote.level_p05.unwrap()).abs() < 1e-9);
            read.level_p05 = wrote.level_p05;
        }
        let low = |threshold: &Threshold| threshold.level_p05_ci95.unwrap()[0];
        assert!((low(read) - low(wrote)).abs() < 1e-9);
        read.level_p05_ci95 = wrote.level_p05_ci95;
        read.level_p50 = wrote.level_p50;
        assert_eq!(read, wrote);
    }
}

/// That no limits were known is knowledge too.
#[test]
fn none_are_none() {
    assert_eq!(Earlier::from_json(&Earlier::default().to_json(), &profile()), Some(Earlier::default()));
}

#[test]
fn only_what_is_about_the_profiles_links_is_taken() {
    for other in [
        limit("rover", LevelUnit::Dbm, LimitEvent::Freeze, -81.0),
        limit("video", LevelUnit::Raw, LimitEvent::Freeze, 80.0),
        limit("video", LevelUnit::Dbm, LimitEvent::Loss, -81.0),
    ] {
        assert_eq!(read(vec![other.clone()]).len(), 0);
        assert_eq!(read(vec![other, video(-70.0)])[0].level_p05, -70.0);
    }
    assert_eq!(read(vec![video(-70.0), video(-60.0)]).len(), 1, "one a link");
}

/// A limit is worth more than what stands beside it: an interval that cannot be takes no warning away.
#[test]
fn numbers_that_cannot_be_are_left_out() {
    for level in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300] {
        assert_eq!(read(vec![video(level)]).len(), 0, "{level}");
        let mut beside = video(-81.0);
        beside.level_p05_ci95 = Some([-82.0, level]);
        beside.level_p50 = Some(level);
        beside.warns_at = Some(level);
        beside.base = Some(level);
        beside.each[1].error = Some(level);
        beside.agreement.as_mut().unwrap().p = level;
        let kept = read(vec![beside]);
        assert_eq!((kept[0].level_p05, kept[0].level_p05_ci95, kept[0].level_p50), (-81.0, None, None));
        assert_eq!(kept[0].warns_at, None);
        assert_eq!((kept[0].base, kept[0].each[1].error, &kept[0].agreement), (None, None, &None));
    }
    let mut turned = video(-81.0);
    turned.level_p05_ci95 = Some([-70.0, -90.0]);
    // What would warn too late does not.
    turned.warns_at = Some(-82.0);
    let kept = read(vec![turned]);
    assert_eq!((kept[0].level_p05_ci95, kept[0].warning_level()), (None, -81.0));
    for limit in [f64::NAN, -1.0, 1e300] {
        let vibration = Some(VibrationLimit { limit, sessions: 1 });
        let all = Earlier { vibration, ..Earlier::default() };
        assert_eq!(Earlier::from_json(&all.to_json(), &profile()), Some(Earlier::default()));
    }
}

#[test]
fn what_a_stranger_wrote_ends_nothing() {
    let good = earlier(vec![video(-81.0)]).to_json();
    let deep = "[".repeat(60_000);
    let long = format!("{{\"thresholds\":[{}]}}", vec!["null"; 20_000].join(","));
    let vast = good.replace("-81.0", "1e999");
    let below = good.replace("\"sessions\":4", "\"sessions\":-4");
    for json in [
        "",
        "null",
        "7",
        "[]",
        "{\"thresholds\":7}",
        "\u{0}",
        &good[..good.len() / 2],
        &deep,
        &long,
        &vast,
        &below,
    ] {
        // An empty list is a whole answer of nothing; anything else is none.
        let found = Earlier::from_json(json, &profile());
        assert!(found.is_none() || found == Some(Earlier::default()), "{json:.40}");
    }
    for cut in 0..good.len() {
        if let Some(json) = good.get(..cut) {
            assert_eq!(Earlier::from_json(json, &profile()), None);
        }
    }
}

#[test]
fn words_reach_no_terminal_as_commands() {
    let mut bad = video(-81.0);
    let word = "\u{1b}[2J\u{202e}x".to_owned();
    bad.note = Some(word.repeat(9000 / word.len()));
    bad.method.clone_from(&word);
    bad.source.clone_from(&word);
    bad.each[0].session.clone_from(&word);
    bad.each[0].start_utc = Some(word.clone());
    bad.agreement.as_mut().unwrap().text.clone_from(&word);
    bad.agreement.as_mut().unwrap().word = word;
    let kept = format!("{:?}", read(vec![bad]));
    assert!(!kept.contains("\\u{1b}") && !kept.contains("\\u{202e}"), "{kept}");
    assert!(kept.len() < 2500);
}

/// By the bounds of a comment: 64,000 bytes and its first words.
#[test]
fn a_note_is_bounded_and_keeps_what_warns() {
    let named = |number: usize| format!("link {number}");
    let profile = Profile::parse("[[link]]\nname = \"x\"\nrole = \"video\"\n").unwrap();
    let links: Vec<LinkProfile> =
        (0..300).map(|number| LinkProfile { name: named(number), ..profile.link[0].clone() }).collect();
    let profile = Profile { link: links, ..profile };
    for (count, expected) in [(3, 3), (80, 80), (300, 60)] {
        let limits: Vec<Threshold> = (0..count)
            .map(|number| limit(&named(number), LevelUnit::Raw, LimitEvent::Freeze, 40.0))
            .collect();
        let json = earlier(limits).to_json();
        assert!(json.len() <= MOST_BYTES);
        let read = Earlier::from_json(&json, &profile).unwrap().thresholds;
        assert!(read.len() >= expected, "{} of {count}", read.len());
        assert!(read.iter().enumerate().all(|(number, limit)| limit.link == named(number)));
    }
}

/// The newest stand last.
#[test]
fn of_many_sessions_the_newest_are_listed() {
    let mut long = video(-81.0);
    long.each = vec![long.each[0].clone(); 200];
    long.each[199].freezes = 77;
    let each = &read(vec![long])[0].each;
    assert_eq!((each.len(), each[31].freezes), (32, 77));
}

/// A recording of another version: of what begins on a link it may use a word that is not known here.
#[test]
fn a_limit_of_another_event_takes_no_other_away() {
    let json = earlier(vec![limit("down", LevelUnit::Raw, LimitEvent::Loss, 48.5), video(-70.0)]).to_json();
    let other = json.replace("\"event\":\"loss\"", "\"event\":\"another\"");
    assert_ne!(json, other);
    let read = Earlier::from_json(&other, &profile()).unwrap();
    assert_eq!(read.thresholds.iter().map(|one| one.link.as_str()).collect::<Vec<_>>(), ["video"]);
    assert!(read.vibration.is_some());
}
