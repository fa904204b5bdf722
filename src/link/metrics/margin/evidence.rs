//! What a session says of the freeze level, second by second, for the history.
//!
//! A freeze began within the next second if it began in `(t, t + 1 s]`; a mark stands for one that
//! began within the 3 s before it, taken at their middle. Seconds that were already frozen are left out
//! (a mark: from its middle to itself, as its duration is unknown), and so is the last second, whose
//! next one was not seen.

use crate::link::context::Context;
use crate::units::Nanos;

use super::super::range::RangeMeter;
use super::super::signal::SignalMeter;
use super::super::video::{FreezeSpan, VideoMeter};
use super::{EvidenceSecond, FreezeEvidence};

/// What this session says of the freeze level of each link that can freeze: the video link.
#[must_use]
pub fn evidence(
    signal: &SignalMeter,
    range: &RangeMeter,
    video: &VideoMeter,
    context: &Context,
) -> Vec<FreezeEvidence> {
    let (Some(link), Some(source)) = (context.profile.video_link(), video.source(context)) else {
        return Vec::new();
    };
    let index = context.profile.link.iter().position(|other| other.name == link.name).unwrap_or(0);
    let levels = signal.seconds(index);
    let distances = range.seconds(context);
    let Some(start) = context.start else { return Vec::new() };
    let spans: Vec<(Nanos, Nanos)> = video.freezes(context).iter().map(onset).collect();
    let seconds = seconds(start, levels, &distances, &spans);
    if seconds.is_empty() {
        return Vec::new();
    }
    vec![FreezeEvidence { link: link.name.clone(), unit: link.unit(), source: source.to_owned(), seconds }]
}

/// When a freeze began and ended, as far as is known.
fn onset(span: &FreezeSpan) -> (Nanos, Nanos) {
    if span.by_mark {
        (span.start + Nanos((span.end - span.start).0 / 2), span.end)
    } else {
        (span.start, span.end)
    }
}

fn seconds(
    start: Nanos,
    levels: &[Option<f32>],
    distances: &[Option<f32>],
    spans: &[(Nanos, Nanos)],
) -> Vec<EvidenceSecond> {
    let mut found = Vec::new();
    let mut next = 0;
    let mut frozen_until = Nanos(i64::MIN);
    for (index, level) in levels.iter().enumerate().take(levels.len().saturating_sub(1)) {
        let at = start + Nanos::from_secs(index as i64 + 1);
        while let Some(&(from, to)) = spans.get(next)
            && from <= at
        {
            frozen_until = frozen_until.max(to);
            next += 1;
        }
        let freeze_began = spans.get(next).is_some_and(|&(from, _)| from <= at + Nanos::from_secs(1));
        let Some(level) = *level else { continue };
        if frozen_until > at {
            continue;
        }
        found.push(EvidenceSecond {
            second: index as u32 + 1,
            level,
            distance_m: distances.get(index).copied().flatten(),
            freeze_began,
        });
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_already_frozen_are_left_out() {
        let start = Nanos::from_secs(1000);
        let at = |seconds: f64| start + Nanos::from_secs_f64(seconds);
        let levels: Vec<Option<f32>> = (0..10).map(|second| (second != 6).then_some(-80.0)).collect();
        let spans = [(at(2.5), at(4.2)), (at(8.0), at(8.4))];
        let found = seconds(start, &levels, &[Some(10.0)], &spans);
        let rows: Vec<(u32, bool)> = found.iter().map(|row| (row.second, row.freeze_began)).collect();
        // At 3 and 4 s it is frozen, at 7 s there is no level; the second freeze begins at 8 s and is
        // seen from there on, so it is 8 s that is frozen.
        assert_eq!(rows, [(1, false), (2, true), (5, false), (6, false), (9, false)]);
        assert_eq!(found[0].distance_m, Some(10.0));
        assert_eq!(found[1].distance_m, None);
    }

    /// A freeze that begins right after a second belongs to it, in one that begins at it to the one before.
    #[test]
    fn a_freeze_belongs_to_one_second() {
        let start = Nanos::ZERO;
        let levels = vec![Some(-80.0); 6];
        for (from, expected) in [(2.001, 2), (3.0, 2), (3.001, 3)] {
            let spans = [(Nanos::from_secs_f64(from), Nanos::from_secs_f64(from + 0.5))];
            let found = seconds(start, &levels, &[], &spans);
            let began: Vec<u32> = found.iter().filter(|row| row.freeze_began).map(|row| row.second).collect();
            assert_eq!(began, [expected], "{from}");
        }
    }
}
