//! Figures of which each session has one value, or a few that are independent of each other.
//!
//! A value with an interval of its own (latency): the sides' means; their variance is what those intervals say, or, with
//! three sessions or more, the scatter of the sessions' values (pooled, Student's t) if that is larger. A clock's own
//! uncertainty lies anywhere within its bounds (JCGM 100:2008, 4.3.7) and is not the same in two sessions. A value without
//! one (jitter): two sessions a side at least. Reactions to a lost input: all of a side, by their ranks
//! (see `stats/sample/two_sample.rs`), four a side at least.

use crate::stats::curve_fit::matched_effects::{chance, student};
use crate::stats::sample::two_sample;
use crate::summary::{Bound, ComparedFigure, Interval, LatencyStage, NotCompared};
use crate::units::interval;

use super::flown_seconds::ComparedSession;

const LEAST_DRILLS: usize = 4;
const LEAST_SESSIONS: usize = 2;

/// One figure of both sides, not yet judged.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Estimate {
    pub(super) before: Option<f64>,
    pub(super) after: Option<f64>,
    /// The second side less the first.
    pub(super) difference: Option<f64>,
    pub(super) ci95: Option<interval::Interval>,
    /// Chance of a difference as large where there is none.
    pub(super) chance: Option<f64>,
    /// Standard error and its degrees of freedom.
    pub(super) error: Option<(f64, f64)>,
    pub(super) samples: [u64; 2],
    /// Sessions of each side.
    pub(super) sessions: [u64; 2],
    pub(super) why_not: Option<NotCompared>,
}

/// A value and its variance, where it has one.
type Value = (f64, Option<f64>);

/// Figures of this kind, in the order in which they are shown.
pub(super) const FIGURES: [ComparedFigure; 7] = [
    ComparedFigure::StickToServo,
    ComparedFigure::StickToServo90,
    ComparedFigure::StickToInput,
    ComparedFigure::InputToServo,
    ComparedFigure::Jitter,
    ComparedFigure::FailsafeDetected,
    ComparedFigure::FailsafeSafe,
];

/// One of them; `None` where neither side has it.
pub(super) fn estimate(figure: ComparedFigure, sides: [&[&ComparedSession]; 2]) -> Option<Estimate> {
    if matches!(figure, ComparedFigure::FailsafeDetected | ComparedFigure::FailsafeSafe) {
        return by_ranks(&sides.map(|side| side.iter().flat_map(|one| reactions(one, figure)).collect()));
    }
    let values = sides.map(|side| side.iter().filter_map(|one| value(one, figure)).collect::<Vec<Value>>());
    let is_one_way = |side: &[&ComparedSession]| side.iter().any(|one| one_way(one, figure));
    let one_way = sides.iter().any(|side| is_one_way(side));
    match [values[0].len(), values[1].len()] {
        [0, 0] if !one_way => None,
        [0, _] | [_, 0] if one_way => Some(refused(&values, NotCompared::OneWayClock)),
        [0, _] => Some(refused(&values, NotCompared::NotBefore)),
        [_, 0] => Some(refused(&values, NotCompared::NotAfter)),
        _ => Some(of_values(&values)),
    }
}

fn refused(values: &[Vec<Value>; 2], why: NotCompared) -> Estimate {
    let mean = |side: &[Value]| {
        (!side.is_empty()).then(|| side.iter().map(|one| one.0).sum::<f64>() / side.len() as f64)
    };
    let counts = [values[0].len() as u64, values[1].len() as u64];
    let (before, after) = (mean(&values[0]), mean(&values[1]));
    Estimate {
        before,
        after,
        difference: before.zip(after).map(|(before, after)| after - before),
        samples: counts,
        sessions: counts,
        why_not: Some(why),
        ..Estimate::default()
    }
}

/// Both sides have values.
fn of_values(values: &[Vec<Value>; 2]) -> Estimate {
    let counts = values.each_ref().map(|side| side.len() as f64);
    let means = [0, 1].map(|side| values[side].iter().map(|one| one.0).sum::<f64>() / counts[side]);
    let has_variance = values.iter().flatten().all(|one| one.1.is_some());
    let within: f64 = [0, 1]
        .map(|side| values[side].iter().filter_map(|one| one.1).sum::<f64>() / counts[side].powi(2))
        .iter()
        .sum();
    let least = values.iter().map(Vec::len).min().unwrap_or(0);
    if !has_variance && least < LEAST_SESSIONS {
        return refused(values, NotCompared::FewSessions { needed: LEAST_SESSIONS as u64 });
    }
    let degrees = counts[0] + counts[1] - 2.0;
    let scatter: f64 = [0, 1]
        .map(|side| values[side].iter().map(|one| (one.0 - means[side]).powi(2)).sum::<f64>())
        .iter()
        .sum();
    let between = if degrees > 0.0 { scatter / degrees * (1.0 / counts[0] + 1.0 / counts[1]) } else { 0.0 };
    let error = within.max(between).sqrt();
    // Of a session alone the interval comes from its movements, of which there are many.
    let degrees = if degrees > 0.0 { degrees } else { MANY };
    let difference = means[1] - means[0];
    let half = student(degrees, 0.975) * error;
    Estimate {
        before: Some(means[0]),
        after: Some(means[1]),
        difference: Some(difference),
        ci95: Some([difference - half, difference + half]),
        chance: Some(chance(difference, error, degrees)),
        error: Some((error, degrees)),
        samples: counts.map(|count| count as u64),
        sessions: counts.map(|count| count as u64),
        why_not: None,
    }
}

/// Degrees of freedom from which on Student's distribution is the normal one, nearly.
const MANY: f64 = 60.0;

fn stage(session: &ComparedSession, figure: ComparedFigure) -> Option<&LatencyStage> {
    let latency = &session.summary.latency;
    match figure {
        ComparedFigure::StickToServo | ComparedFigure::StickToServo90 => latency.stick_to_servo.as_ref(),
        ComparedFigure::StickToInput => latency.stick_to_input.as_ref(),
        ComparedFigure::InputToServo => latency.input_to_servo.as_ref(),
        _ => None,
    }
}

/// What an unknown shortest delay hides is not the same in two sessions.
fn one_way(session: &ComparedSession, figure: ComparedFigure) -> bool {
    stage(session, figure).is_some_and(|stage| stage.bound != Bound::TwoSided)
}

fn value(session: &ComparedSession, figure: ComparedFigure) -> Option<Value> {
    if figure == ComparedFigure::Jitter {
        return session.summary.video.as_ref()?.jitter_ms.map(|jitter| (jitter, None));
    }
    let stage = stage(session, figure).filter(|stage| stage.bound == Bound::TwoSided)?;
    let (value, ci95): (Option<f64>, Option<Interval>) = match figure {
        ComparedFigure::StickToServo90 => (stage.p90_ms, stage.p90_ci95_ms),
        _ => (stage.p50_ms, stage.p50_ci95_ms),
    };
    let half = |ci95: Interval| (ci95[1] - ci95[0]) / 2.0 / crate::stats::sample::proportion::Z975;
    let clock = stage.clock_uncertainty_ms.unwrap_or(0.0).powi(2) / 3.0;
    Some((value?, Some(half(ci95?).powi(2) + clock)))
}

fn reactions(session: &ComparedSession, figure: ComparedFigure) -> Vec<f64> {
    let of = |row: &crate::summary::FailsafeSummary| match figure {
        ComparedFigure::FailsafeSafe => row.servo_safe_after_s,
        _ => row.detected_after_s,
    };
    session.summary.failsafe.iter().filter_map(of).collect()
}

fn by_ranks(values: &[Vec<f64>; 2]) -> Option<Estimate> {
    let counts = values.each_ref().map(|side| side.len() as u64);
    if counts == [0, 0] {
        return None;
    }
    let median = |side: &[f64]| crate::stats::sample::quantile::median(side);
    let plain = Estimate {
        before: median(&values[0]),
        after: median(&values[1]),
        samples: counts,
        sessions: counts,
        ..Estimate::default()
    };
    let why_not = match values.each_ref().map(Vec::len) {
        [0, _] => Some(NotCompared::NotBefore),
        [_, 0] => Some(NotCompared::NotAfter),
        [one, other] if one.min(other) < LEAST_DRILLS => Some(NotCompared::FewDrills),
        _ => None,
    };
    let shift = two_sample::shift(&values[0], &values[1]).filter(|_| why_not.is_none());
    // The shift need not be the difference of the medians.
    Some(Estimate {
        difference: shift.map(|shift| shift.apart),
        ci95: shift.and_then(|shift| shift.ci95),
        chance: shift.map(|shift| shift.chance),
        why_not,
        ..plain
    })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use crate::judge::comparison::session_figures::*;
    use crate::summary::VideoSummary;

    fn with_latency(p50_ms: f64, half_ms: f64, bound: &str) -> ComparedSession {
        let stage = json!({
            "method": "interval-censored", "events": 40, "bound": bound, "clock_uncertainty_ms": 0.0,
            "left_out": {"slow": 0, "small": 0, "gap": 0, "ambiguous": 0}, "moves_needed": {"p50": 0, "p90": 0, "p99": 0},
            "p50_ms": p50_ms, "p50_ci95_ms": [p50_ms - half_ms, p50_ms + half_ms], "channels": [],
            "p90_ms": null, "p90_ci95_ms": null, "p99_ms": null, "p99_ci95_ms": null, "max_ms": null,
            "cross_correlation_ms": null,
        });
        let mut session = ComparedSession::default();
        session.summary.latency.stick_to_servo = Some(serde_json::from_value(stage).unwrap());
        session
    }

    fn found(
        figure: ComparedFigure,
        before: &[ComparedSession],
        after: &[ComparedSession],
    ) -> Option<Estimate> {
        let [before, after] = [before, after].map(|side| side.iter().collect::<Vec<_>>());
        estimate(figure, [&before, &after])
    }

    /// By hand: intervals of 50 and 60 ms, each 3.92 ms to a side, have standard errors of 2 ms: 10 ms apart by 2.83 ms.
    #[test]
    fn latencies_differ_by_their_intervals() {
        let [one, other] = [50.0, 60.0].map(|p50| with_latency(p50, 2.0 * 1.959_964, "two-sided"));
        let figure = ComparedFigure::StickToServo;
        let both = found(figure, std::slice::from_ref(&one), std::slice::from_ref(&other)).unwrap();
        assert_eq!(both.difference, Some(10.0));
        assert!(
            (both.error.unwrap().0 - 8.0_f64.sqrt()).abs() < 1e-3 && both.chance.unwrap() < 0.002,
            "{both:?}"
        );
        let upper = with_latency(60.0, 4.0, "upper");
        let refused = found(figure, std::slice::from_ref(&one), &[upper]).unwrap();
        assert_eq!((refused.why_not, refused.chance), (Some(NotCompared::OneWayClock), None));
        let none = found(figure, std::slice::from_ref(&one), &[ComparedSession::default()]).unwrap();
        assert_eq!(none.why_not, Some(NotCompared::NotAfter));
        assert_eq!(found(figure, &[ComparedSession::default()], &[ComparedSession::default()]), None);
        assert_eq!(found(ComparedFigure::StickToServo90, &[one], &[other]), None);
    }

    /// By hand: 1 and 3 against 5 and 7: pooled variance 2, error 1.414 with 2 degrees of freedom. One value a side says
    /// nothing of how it varies.
    #[test]
    fn values_without_an_interval_need_two_sessions_a_side() {
        let session = |jitter_ms: f64| {
            let mut session = ComparedSession::default();
            session.summary.video =
                Some(VideoSummary { jitter_ms: Some(jitter_ms), ..VideoSummary::default() });
            session
        };
        let two = found(ComparedFigure::Jitter, &[session(1.0), session(3.0)], &[session(5.0), session(7.0)])
            .unwrap();
        assert_eq!(two.difference, Some(4.0));
        let (error, degrees) = two.error.unwrap();
        assert!((error - 2.0_f64.sqrt()).abs() < 1e-12 && degrees == 2.0);
        let one = found(ComparedFigure::Jitter, &[session(1.0)], &[session(5.0)]).unwrap();
        assert_eq!((one.why_not, one.ci95), (Some(NotCompared::FewSessions { needed: 2 }), None));
    }

    /// Four drills against four in order: 2 of the 70 orders are as far off.
    #[test]
    fn failsafe_times_go_by_their_ranks() {
        let session = |times: &[f64]| {
            let row = |time: &f64| {
                json!({"input_lost_s": 1.0, "detected_after_s": time, "servo_safe_after_s": null,
                "mode_before": null, "mode_after": null, "recovered_after_s": null, "detected_after_interval_s": null,
                "servo_safe_after_interval_s": null})
            };
            let mut session = ComparedSession::default();
            session.summary.failsafe =
                times.iter().map(|time| serde_json::from_value(row(time)).unwrap()).collect();
            session
        };
        let before = session(&[0.5, 0.6, 0.7, 0.8]);
        let four = found(
            ComparedFigure::FailsafeDetected,
            std::slice::from_ref(&before),
            &[session(&[1.1, 1.2, 1.3, 1.4])],
        );
        let four = four.unwrap();
        assert!((four.chance.unwrap() - 2.0 / 70.0).abs() < 1e-12 && four.difference.is_some(), "{four:?}");
        let three = found(ComparedFigure::FailsafeDetected, &[before], &[session(&[1.1, 1.2, 1.3])]).unwrap();
        assert_eq!((three.why_not, three.chance), (Some(NotCompared::FewDrills), None));
    }
}
