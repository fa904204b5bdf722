//! A session's evidence for each link's threshold, second by second, for the history.
//!
//! What begins, by the link's role. Video: a freeze; a mark stands for one that began within the 3 s before
//! it, taken at their middle. Telemetry: loss, a second in which more than 5 % of the frames, and at least
//! two, were lost (a silence at the end is no loss). Control: a hold of the input while the sticks
//! moved. It began within the next second if it began in `(t, t + 1 s]`. Source: none, definitions of this
//! program; 5 % is where a bin of distance fails too.
//!
//! Left out: seconds in which it stood already (a mark: from its middle to itself, as its duration is
//! unknown); seconds of a freeze that does not teach (see [`crate::judge::freeze_evidence`]), counted; seconds in which
//! this computer stood still; the last second, whose next one was not seen; of a telemetry link, seconds in which this
//! computer lost data; of a control link, seconds in which no stick moved, and those of a failsafe, which a drill
//! brings about at any level.

use crate::judge::freeze_evidence;
use crate::measure::context::Context;
use crate::measure::series::Series;
use crate::profile::{LinkProfile, LinkRole};
use crate::units::Nanos;

use super::{EvidenceSecond, FreezeEvidence};
use crate::judge::range::Evidence;
use crate::measure::loss::MUCH_LOST;
use crate::measure::position::PositionMeter;
use crate::measure::video::FreezeSpan;

const LEAST_LOST: u32 = 2;

/// What was watched of one link.
struct Watch {
    source: &'static str,
    /// When it stood, in order of time.
    spans: Vec<(Nanos, Nanos)>,
    watched: Watched,
    /// What began there but was not the radio's doing.
    left_out: u32,
}

/// What this session says of the threshold of each link that has a level.
#[must_use]
pub fn evidence(range: &PositionMeter, all: Evidence<'_>, context: &Context) -> Vec<FreezeEvidence> {
    let Some(start) = context.start else { return Vec::new() };
    let distances = range.seconds(context);
    let mut found = Vec::new();
    for (index, link) in context.profile.link.iter().enumerate() {
        let levels = all.signal.seconds(index);
        if levels.known(0, usize::MAX).next().is_none() {
            continue;
        }
        let watched = levels.known(0, usize::MAX).map(|(second, _)| second);
        let Some(watch) = watch(link, all, context, start, watched) else { continue };
        let seconds = seconds(start, levels, &distances, &watch);
        if !seconds.is_empty() {
            let (source, left_out) = (watch.source.to_owned(), watch.left_out);
            let (link, unit) = (link.name.clone(), link.unit());
            found.push(FreezeEvidence { link, unit, source, seconds, left_out });
        }
    }
    found
}

fn watch(
    link: &LinkProfile,
    all: Evidence<'_>,
    context: &Context,
    start: Nanos,
    seconds: impl Iterator<Item = usize>,
) -> Option<Watch> {
    let mut watched = Watched::new(seconds, link.role == LinkRole::Video);
    match link.role {
        LinkRole::Video => {
            let source = all.video.source(context).filter(|_| context.profile.is_video_link(link))?;
            let freezes = all.video.freezes(context);
            let (others, own): (Vec<&FreezeSpan>, Vec<_>) = freezes
                .iter()
                .partition(|span| freeze_evidence::of_freeze(context, span).evidence != Some(true));
            for span in &others {
                watched.set(start, span.start - Nanos::from_secs(1), span.end, false);
            }
            let spans = own.into_iter().map(onset).collect();
            Some(Watch { source: source.word(), spans, watched, left_out: others.len() as u32 })
        }
        LinkRole::Telemetry => {
            let traffic = all.loss.link_seconds(context, link);
            for (second, is_watched) in &mut watched.seconds {
                *is_watched = traffic.at(*second + 1).is_some();
            }
            let mut counted: Vec<usize> =
                watched.seconds.iter().flat_map(|(second, _)| [*second, *second + 1]).collect();
            counted.dedup();
            let spans =
                lossy(start, counted.iter().filter_map(|second| Some((*second, traffic.at(*second)?))));
            for drop in &context.host_drops {
                watched.set(start, drop.at - Nanos::from_secs(1), drop.at, false);
            }
            leave_stalls_out(&mut watched, start, context);
            watched.any().then_some(Watch { source: "sequence", spans, watched, left_out: 0 })
        }
        LinkRole::Control => {
            for (from, to) in all.latency.moving_spans().iter() {
                watched.set(start, from, to, true);
            }
            for (from, to) in all.failsafe.all_spans(context) {
                watched.set(start, from, to, false);
            }
            leave_stalls_out(&mut watched, start, context);
            let mut spans: Vec<_> = all.latency.hold_spans().iter().collect();
            spans.sort_unstable();
            watched.any().then_some(Watch { source: "holds", spans, watched, left_out: 0 })
        }
    }
}

/// What this computer was late to look at says nothing.
fn leave_stalls_out(watched: &mut Watched, start: Nanos, context: &Context) {
    for stall in &context.stalls {
        watched.set(start, stall.from, stall.to, false);
    }
}

/// Of each second with a level (index 0: at 1 s), whether the second after it was watched.
struct Watched {
    /// In their order.
    seconds: Vec<(usize, bool)>,
}

impl Watched {
    fn new(seconds: impl Iterator<Item = usize>, watched: bool) -> Self {
        Self { seconds: seconds.map(|second| (second, watched)).collect() }
    }

    /// Says it of every second that a span touches.
    fn set(&mut self, start: Nanos, from: Nanos, to: Nanos, value: bool) {
        let first = (from - start).whole_secs().saturating_sub(1);
        let Some(last) = (to - start).whole_secs().checked_sub(1) else { return };
        let from = self.seconds.partition_point(|(second, _)| *second < first);
        let touched = self.seconds[from..].iter_mut().take_while(|(second, _)| *second <= last);
        touched.for_each(|(_, watched)| *watched = value);
    }

    fn any(&self) -> bool {
        self.seconds.iter().any(|(_, watched)| *watched)
    }
}

/// Runs of seconds with loss over the limit, of seconds in their order, each with what was received and lost. The loss
/// of a second began within it, so a run begins right after the whole second before it.
fn lossy(start: Nanos, traffic: impl Iterator<Item = (usize, (u32, u32))>) -> Vec<(Nanos, Nanos)> {
    let mut spans: Vec<(Nanos, Nanos)> = Vec::new();
    for (second, (received, lost)) in traffic {
        let over = f64::from(lost) > MUCH_LOST * (f64::from(received) + f64::from(lost));
        if lost < LEAST_LOST || !over {
            continue;
        }
        let from = start + Nanos::from_secs(second as i64);
        let to = from + Nanos::from_secs(1);
        match spans.last_mut().filter(|last| last.1 == from) {
            Some(last) => last.1 = to,
            None => spans.push((from + Nanos(1), to)),
        }
    }
    spans
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
    levels: &Series<f32>,
    distances: &Series<f32>,
    watch: &Watch,
) -> Vec<EvidenceSecond> {
    let mut found = Vec::new();
    let mut next = 0;
    let mut frozen_until = Nanos(i64::MIN);
    // The last second's next one was not seen.
    let seen = watch.watched.seconds.iter().take_while(|(index, _)| index + 1 < levels.len());
    for &(index, watched) in seen {
        let at = start + Nanos::from_secs(index as i64 + 1);
        while let Some(&(from, to)) = watch.spans.get(next)
            && from <= at
        {
            frozen_until = frozen_until.max(to);
            next += 1;
        }
        let freeze_began = watch.spans.get(next).is_some_and(|&(from, _)| from <= at + Nanos::from_secs(1));
        let Some(level) = levels.number(index) else { continue };
        if frozen_until > at || !watched {
            continue;
        }
        found.push(EvidenceSecond {
            second: index as u32 + 1,
            level,
            distance_m: distances.number(index),
            freeze_began,
        });
    }
    found
}

#[cfg(test)]
mod tests {
    use crate::judge::margin::threshold_evidence::*;

    fn watch(spans: &[(Nanos, Nanos)]) -> Watch {
        let watched = Watched::new(0..20, true);
        Watch { source: "rtp", spans: spans.to_vec(), watched, left_out: 0 }
    }

    fn series(numbers: &[Option<f32>]) -> Series<f32> {
        let mut series = Series::new();
        let numbers = numbers.iter().enumerate();
        numbers.for_each(|(second, number)| series.set(second, number.unwrap_or(f32::NAN)));
        series
    }

    #[test]
    fn seconds_already_frozen_are_left_out() {
        let start = Nanos::from_secs(1000);
        let at = |seconds: f64| start + Nanos::from_secs_f64(seconds);
        let levels: Vec<Option<f32>> = (0..10).map(|second| (second != 6).then_some(-80.0)).collect();
        let spans = [(at(2.5), at(4.2)), (at(8.0), at(8.4))];
        let found = seconds(start, &series(&levels), &series(&[Some(10.0)]), &watch(&spans));
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
            let found = seconds(start, &series(&levels), &series(&[]), &watch(&spans));
            let began: Vec<u32> = found.iter().filter(|row| row.freeze_began).map(|row| row.second).collect();
            assert_eq!(began, [expected], "{from}");
        }
    }

    /// Two lost of 40 is 5 %, not over it; one of ten is over it but may be chance; a run begins once.
    #[test]
    fn loss_begins_where_it_passes_five_percent() {
        let start = Nanos::from_secs(100);
        let counts = [(40, 0), (38, 2), (9, 1), (37, 3), (30, 10), (40, 0), (0, 40)];
        let spans = lossy(start, counts.into_iter().enumerate());
        let at = |second| start + Nanos::from_secs(second);
        assert_eq!(spans, [(at(3) + Nanos(1), at(5)), (at(6) + Nanos(1), at(7))]);
        let levels = vec![Some(-80.0); 8];
        let found = seconds(start, &series(&levels), &series(&[]), &watch(&spans));
        let began: Vec<u32> = found.iter().filter(|row| row.freeze_began).map(|row| row.second).collect();
        assert_eq!(began, [3, 6]);
        assert!(found.iter().all(|row| row.second != 4), "at 4 s it stood already");
    }

    #[test]
    fn a_second_that_was_not_watched_says_nothing() {
        let start = Nanos::ZERO;
        let mut watch = watch(&[]);
        watch.watched.set(start, Nanos::from_millis(2300), Nanos::from_millis(3100), false);
        let rows: Vec<u32> = seconds(start, &series(&[Some(-80.0); 6]), &series(&[]), &watch)
            .iter()
            .map(|row| row.second)
            .collect();
        // What happened between 2 and 4 s belongs to the seconds 2 and 3.
        assert_eq!(rows, [1, 4, 5]);
    }
}
