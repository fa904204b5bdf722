use crate::judge::condition::*;

/// A video link that is heard, at an instant.
fn facts(at_ms: i64) -> LinkFacts {
    let at = Nanos::from_millis(at_ms);
    LinkFacts {
        at,
        role: LinkRole::Video,
        heard: Some(at),
        has_data: true,
        in_trip: true,
        has_clock: true,
        spacing: Some(Nanos::from_millis(5)),
        is_off: false,
        is_blind: false,
        failed: Vec::new(),
        margin: LinkState::Unknown,
        is_over_limit: false,
        level: None,
        scale: Scale::Decibels,
        distance_m: None,
        damaged: None,
    }
}

const WHOLE: SecondOfLink = SecondOfLink { received: 300, lost: 0 };

/// Whole seconds from 1 s on, each with what it brought and what is known at its end.
fn run(seconds: u32, mut brought: impl FnMut(u32, &mut LinkFacts) -> SecondOfLink) -> Condition {
    let mut condition = Condition::default();
    for second in 1..=seconds {
        let mut facts = facts(i64::from(second) * 1000);
        let came = brought(second, &mut facts);
        condition.second(came, &facts);
    }
    condition
}

fn frozen(from_ms: i64, to_ms: Option<i64>) -> Failed {
    Failed { what: Failure::Frozen, from: Nanos::from_millis(from_ms), to: to_ms.map(Nanos::from_millis) }
}

fn state(condition: &Condition) -> LinkState {
    condition.now().state
}

#[test]
fn what_was_never_heard_or_is_off_is_silent_and_what_cannot_be_seen_is_unknown() {
    let of = |change: fn(&mut LinkFacts)| {
        state(&run(5, |_, facts| {
            change(facts);
            WHOLE
        }))
    };
    assert_eq!(of(|facts| facts.heard = None), LinkState::Silent);
    assert_eq!(of(|facts| facts.is_off = true), LinkState::Silent);
    assert_eq!(of(|facts| facts.is_blind = true), LinkState::Unknown);
    assert_eq!(of(|_| ()), LinkState::Heard);
}

/// By hand: of ten a second the last three lack one: 3 of 50.
#[test]
fn the_share_that_is_lost_is_of_all_that_were_sent() {
    let condition = run(5, |second, _| SecondOfLink {
        received: 10 - u32::from(second > 2),
        lost: u32::from(second > 2),
    });
    assert_eq!(condition.now().loss_ratio, Some(3.0 / 50.0));
    assert_eq!(run(5, |_, _| SecondOfLink::default()).now().loss_ratio, None);
}

#[test]
fn a_standing_picture_fails_whatever_the_margin_says() {
    let condition = run(30, |second, facts| {
        (facts.margin, facts.is_over_limit) = (LinkState::Good, true);
        if second == 30 {
            facts.failed = vec![frozen(29_500, None)];
        }
        WHOLE
    });
    assert_eq!(state(&condition), LinkState::Failing);
}

/// A freeze of half a second is an alarm while it lies within three seconds, a warning for ten; a shorter one is no alarm.
#[test]
fn after_a_freeze_the_state_turns_milder_step_by_step() {
    let at = |second: u32, length_ms: i64| {
        let span = frozen(20_100, Some(20_100 + length_ms));
        let condition = run(second, |now, facts| {
            facts.is_over_limit = true;
            if now > 20 {
                facts.failed = vec![span];
            }
            WHOLE
        });
        state(&condition)
    };
    assert_eq!(at(20, 600), LinkState::Good);
    assert_eq!(at(21, 600), LinkState::Alarm);
    // The rule gives it until 23.2 s, and it stays for three seconds.
    assert_eq!(at(25, 600), LinkState::Alarm);
    assert_eq!(at(26, 600), LinkState::Warning);
    assert_eq!(at(21, 400), LinkState::Warning);
    assert_eq!(at(30, 400), LinkState::Warning);
    assert_eq!(at(32, 400), LinkState::Warning);
    // It failed at an unknown level: nothing says that it is well here.
    assert_eq!(at(33, 400), LinkState::Heard);
}

#[test]
fn three_failures_within_thirty_seconds_are_an_alarm() {
    let with = |starts: &'static [i64]| {
        state(&run(60, |second, facts| {
            let now = i64::from(second) * 1000;
            let begun = starts.iter().filter(|start| **start < now);
            facts.failed = begun.map(|start| frozen(*start, Some(start + 100))).collect();
            WHOLE
        }))
    };
    assert_eq!(with(&[31_000, 45_000, 59_000]), LinkState::Alarm);
    assert_eq!(with(&[29_000, 45_000, 59_000]), LinkState::Warning);
    assert_eq!(with(&[45_000, 59_000]), LinkState::Warning);
}

/// A picture that stands, its silence and its lost packets are one failure, and fail for no longer than they last.
#[test]
fn failures_that_overlap_count_once() {
    let at_once = |what: Failure| Failed { what, ..frozen(17_000, Some(17_400)) };
    let condition = run(18, |second, facts| {
        if second == 18 {
            facts.failed = [Failure::Frozen, Failure::Held, Failure::InputLost].map(at_once).to_vec();
        }
        WHOLE
    });
    assert_eq!((state(&condition), condition.now().failures.0), (LinkState::Warning, 1));
}

/// 30 % of 10 or more packets lost in a second (ITU-T G.826); of a telemetry link only the third such second on end.
#[test]
fn a_second_with_much_loss_is_a_failure() {
    let with = |role: LinkRole, received: u32, lost: u32, bad_seconds: u32| {
        state(&run(20, |second, facts| {
            facts.role = role;
            if second > 20 - bad_seconds { SecondOfLink { received, lost } } else { WHOLE }
        }))
    };
    assert_eq!(with(LinkRole::Video, 7, 3, 1), LinkState::Failing);
    assert_eq!(with(LinkRole::Video, 8, 3, 1), LinkState::Heard);
    assert_eq!(with(LinkRole::Video, 5, 4, 1), LinkState::Heard);
    assert_eq!(with(LinkRole::Telemetry, 7, 3, 2), LinkState::Heard);
    assert_eq!(with(LinkRole::Telemetry, 7, 3, 3), LinkState::Failing);
}

/// Surely over 5 % of ten seconds: 8 % of 3,000 packets are, 8 % of 50 are not.
#[test]
fn loss_that_is_surely_over_five_percent_is_a_warning() {
    let with = |received, lost| state(&run(20, |_, _| SecondOfLink { received, lost }));
    assert_eq!(with(276, 24), LinkState::Warning);
    assert_eq!(with(291, 9), LinkState::Heard);
    assert_eq!(with(5, 0), LinkState::Heard);
}

/// Five of its usual spacings, at least 2 s, at most 5 s.
#[test]
fn a_far_side_that_is_silent_for_too_long_fails() {
    let after = |spacing_ms: i64, silent_ms: i64| {
        let mut condition = run(30, |_, _| WHOLE);
        let mut now = facts(30_000 + silent_ms);
        now.heard = Some(Nanos::from_millis(30_000));
        now.spacing = Some(Nanos::from_millis(spacing_ms));
        condition.step(&now);
        state(&condition)
    };
    assert_eq!((after(5, 2_000), after(5, 2_010)), (LinkState::Heard, LinkState::Failing));
    assert_eq!((after(600, 2_990), after(600, 3_010)), (LinkState::Heard, LinkState::Failing));
    assert_eq!((after(2_000, 4_990), after(2_000, 5_010)), (LinkState::Heard, LinkState::Failing));
}

#[test]
fn over_half_of_the_pictures_damaged_is_a_warning() {
    let with = |share| {
        state(&run(5, |_, facts| {
            facts.damaged = Some(share);
            WHOLE
        }))
    };
    assert_eq!((with(0.5), with(0.51)), (LinkState::Heard, LinkState::Warning));
}

/// 60 s of it, within 6 dB and stronger, with under one failure a minute.
#[test]
fn as_strong_as_where_it_worked_is_good() {
    let with = |worked_s: u32, level: f64, now: f64| {
        state(&run(worked_s + 1, |second, facts| {
            facts.level = Some(if second > worked_s { now } else { level });
            WHOLE
        }))
    };
    assert_eq!((with(58, -70.0, -70.0), with(60, -70.0, -70.0)), (LinkState::Heard, LinkState::Good));
    // Six decibels weaker than where it worked are alike, a whole step more is not; stronger is better.
    assert_eq!((with(80, -70.0, -76.0), with(80, -70.0, -77.0)), (LinkState::Good, LinkState::Heard));
    assert_eq!(with(80, -70.0, -40.0), LinkState::Good);
}

#[test]
fn a_failure_at_this_level_or_a_stronger_one_is_remembered_for_five_minutes() {
    let with = |failed_at: f64, now: f64, ago_s: u32| {
        state(&run(400, |second, facts| {
            let start = 400 - ago_s;
            facts.level = Some(match second {
                _ if second == start => failed_at,
                400 => now,
                _ => -60.0,
            });
            if (start..start + 60).contains(&second) {
                let from = i64::from(start) * 1000 - 100;
                facts.failed = vec![frozen(from, Some(from + 50))];
            }
            WHOLE
        }))
    };
    assert_eq!(with(-50.0, -60.0, 290), LinkState::Heard);
    assert_eq!(with(-50.0, -60.0, 310), LinkState::Good);
    assert_eq!(with(-90.0, -60.0, 100), LinkState::Good, "it failed far below");
}

#[test]
fn without_a_level_the_distance_speaks() {
    let with = |worked_m: f64, now_m: f64| {
        state(&run(81, |second, facts| {
            facts.distance_m = Some(if second > 80 { now_m } else { worked_m });
            WHOLE
        }))
    };
    assert_eq!((with(105.0, 40.0), with(105.0, 108.0)), (LinkState::Good, LinkState::Good));
    assert_eq!(with(105.0, 130.0), LinkState::Heard);
}

/// A level without any data of its own says that it is over its limit, and never that it works.
#[test]
fn a_level_alone_is_no_work() {
    let with = |is_over_limit| {
        state(&run(100, |_, facts| {
            (facts.level, facts.has_data, facts.is_over_limit) = (Some(-60.0), false, is_over_limit);
            SecondOfLink::default()
        }))
    };
    assert_eq!((with(false), with(true)), (LinkState::Heard, LinkState::Good));
    let gone = |ago_s: u32| {
        state(&run(100, |second, facts| {
            facts.has_data = false;
            facts.heard = Some(Nanos::from_secs(i64::from(second.min(100 - ago_s))));
            SecondOfLink::default()
        }))
    };
    assert_eq!((gone(5), gone(6)), (LinkState::Heard, LinkState::Unknown));
}

#[test]
fn good_needs_fresh_data() {
    let mut condition = run(80, |_, facts| {
        facts.level = Some(-60.0);
        WHOLE
    });
    assert_eq!(state(&condition), LinkState::Good);
    let mut old = facts(81_500);
    (old.level, old.heard) = (Some(-60.0), Some(Nanos::from_millis(80_400)));
    condition.step(&old);
    assert_eq!(condition.now().reason, StateReason::NothingToJudgeBy);
}

#[test]
fn an_acknowledged_alarm_is_quiet_until_something_graver_comes() {
    let mut condition = run(20, |_, facts| {
        facts.margin = LinkState::Warning;
        WHOLE
    });
    condition.acknowledge();
    assert!(condition.now().acknowledged);
    let mut next = facts(21_000);
    next.margin = LinkState::Warning;
    condition.step(&next);
    assert!(condition.now().acknowledged);
    next.margin = LinkState::Alarm;
    condition.step(&next);
    assert!(!condition.now().acknowledged);
}

/// Data is fresh for two usual spacings: a sender of every two seconds works in all of them, and a gap of five is none.
#[test]
fn what_comes_seldom_works_in_between_too() {
    let worked = |every: i64, gap: std::ops::Range<u32>| {
        let seconds = run(60, |second, facts| {
            let heard =
                (1..=i64::from(second)).rev().find(|at| at % every == 0 && !gap.contains(&(*at as u32)));
            facts.heard = heard.map(Nanos::from_secs);
            facts.spacing = Some(Nanos::from_secs(every));
            SecondOfLink::default()
        });
        seconds.worked_s()
    };
    assert_eq!(worked(2, 0..0), 59, "all from the first on");
    assert_eq!(worked(1, 0..0), 60);
    // Heard at 28 s and at 34 s: fresh up to 32 s.
    assert_eq!(worked(2, 30..33), 58);
}
