//! Bad pictures, and what is known of each second beside them: gathered for `judge/picture_cause.rs`.

use std::collections::BTreeMap;

use super::LinkMonitor;
use crate::judge::picture_cause::{self, BadInstant, OneBadPicture, WorseBySecond};
use crate::measure::life::Phase;
use crate::measure::vibration::{MARK_AFTER_S, MARK_REACH_S};
use crate::measure::video::{Course, FreezeSpan};
use crate::summary::{BadPicture, PictureCause, PictureCauses, Reason};
use crate::units::Nanos;

use crate::judge::freeze_evidence;

/// What lay behind each freeze, by its start.
pub(super) type CausesOfFreezes = BTreeMap<Nanos, Option<Vec<PictureCause>>>;

/// One bad picture.
#[derive(Clone, Debug, PartialEq)]
pub struct BadPictureRow {
    /// The start of a freeze, or the mark.
    pub at_s: f64,
    /// Which kind.
    pub what: BadPicture,
    /// Empty: none of what was looked at; `None`: it cannot be told.
    pub causes: Option<Vec<PictureCause>>,
    /// The video link's lowest level around it, and the share of other instants at which it was higher.
    pub level: Option<(f64, f64)>,
    /// The strongest vibration around it, and the share of other instants at which it was weaker.
    pub vibration: Option<(f64, f64)>,
    /// This computer was strained, stood still or lost data.
    pub strained: Option<bool>,
}

/// Bad pictures, each by its instant.
#[derive(Default)]
struct Weighed {
    kinds: Vec<PictureCauses>,
    freezes: Vec<(Nanos, OneBadPicture)>,
    shook: Vec<(Nanos, OneBadPicture)>,
}

impl LinkMonitor {
    /// What lay behind the bad pictures of the session, and behind each freeze.
    pub(super) fn picture_causes(&self) -> (Vec<PictureCauses>, CausesOfFreezes) {
        let Weighed { kinds, freezes, .. } = self.weighed_pictures();
        (kinds, freezes.into_iter().map(|(start, one)| (start, one.causes)).collect())
    }

    /// Each bad picture with its evidence, in order of time.
    #[must_use]
    pub fn bad_pictures(&self) -> Vec<BadPictureRow> {
        let Weighed { freezes, shook, .. } = self.weighed_pictures();
        let row = |what, (at, one): (Nanos, OneBadPicture)| {
            let [radio, vibration, computer] = one.weighed;
            BadPictureRow {
                at_s: self.context.since_start_s(at),
                what,
                causes: one.causes,
                level: radio.map(|(worse, rank)| (-worse, rank)),
                vibration,
                strained: computer.map(|(strained, _)| strained > 0.0),
            }
        };
        let froze = freezes.into_iter().map(|one| row(BadPicture::Froze, one));
        let mut rows: Vec<BadPictureRow> =
            froze.chain(shook.into_iter().map(|one| row(BadPicture::Shook, one))).collect();
        rows.sort_by(|one, other| one.at_s.total_cmp(&other.at_s));
        rows
    }

    fn weighed_pictures(&self) -> Weighed {
        let context = &self.context;
        let freezes: Vec<FreezeSpan> = self.video.freezes(context);
        let marks = self.vibration.shook();
        let shook: Vec<BadInstant> = marks.iter().map(|at| self.shook(*at)).collect();
        if freezes.is_empty() && shook.is_empty() {
            return Weighed::default();
        }
        let instants: Vec<BadInstant> = freezes.iter().map(|span| self.instant(span)).collect();
        let kept = self.looked_at(instants.iter().chain(&shook));
        let seconds = self.worse_by_second(&kept);
        let among = |bad: BadInstant| BadInstant {
            from_s: place(&kept, bad.from_s),
            to_s: place(&kept, bad.to_s),
            ..bad
        };
        let instants: Vec<BadInstant> = instants.into_iter().map(among).collect();
        let shook: Vec<BadInstant> = shook.into_iter().map(among).collect();
        let all: Vec<BadInstant> = instants.iter().chain(&shook).copied().collect();
        let is_counted = |bad: &BadInstant| {
            let second = bad.from_s.max(0.0) as usize;
            seconds.counted.get(second).copied().unwrap_or(false)
        };
        let is_asked = |(span, bad): &(&FreezeSpan, &BadInstant)| is_counted(bad) && self.is_bad(span);
        let (spans, bad): (Vec<&FreezeSpan>, Vec<BadInstant>) =
            freezes.iter().zip(&instants).filter(is_asked).map(|(span, bad)| (span, *bad)).unzip();
        let marked = marks.iter().copied().zip(shook).filter(|(_, bad)| is_counted(bad));
        let (marks, shook): (Vec<Nanos>, Vec<BadInstant>) = marked.unzip();
        let (of_freezes, each_freeze) = picture_cause::causes(BadPicture::Froze, &bad, &all, &seconds);
        let (of_shook, each_mark) = picture_cause::causes(BadPicture::Shook, &shook, &all, &seconds);
        Weighed {
            kinds: [of_freezes, of_shook].into_iter().filter(|row| row.count > 0).collect(),
            freezes: spans.iter().map(|span| span.start).zip(each_freeze).collect(),
            shook: marks.into_iter().zip(each_mark).collect(),
        }
    }

    /// Whether a freeze was a bad picture at all, whoever caused it.
    fn is_bad(&self, span: &FreezeSpan) -> bool {
        let why_not = freeze_evidence::of_freeze(&self.context, span).why_not;
        let is_none = [Reason::SwitchedOff, Reason::OpenOnGround, Reason::VehicleRestarted, Reason::Batches];
        why_not.is_none_or(|why_not| !is_none.contains(&why_not))
    }

    fn instant(&self, span: &FreezeSpan) -> BadInstant {
        BadInstant {
            from_s: self.context.since_start_s(span.start),
            to_s: self.context.since_start_s(span.end),
            by_mark: span.by_mark,
            certain: match span.course {
                Course::SenderPaused | Course::SenderRestarted => Some(PictureCause::Sender),
                Course::Stalled | Course::HostDrops => Some(PictureCause::Computer),
                _ => None,
            },
        }
    }

    fn shook(&self, at: Nanos) -> BadInstant {
        let at_s = self.context.since_start_s(at);
        BadInstant { from_s: at_s - MARK_REACH_S, to_s: at_s + MARK_AFTER_S, by_mark: true, certain: None }
    }

    /// The seconds of which anything is kept, and those around each bad picture.
    fn looked_at<'a>(&self, bad: impl Iterator<Item = &'a BadInstant>) -> Vec<usize> {
        const NEAR: usize = 5;
        let end = self.now_s().max(0.0) as usize + 1;
        let near = bad.flat_map(|bad| [bad.from_s, bad.to_s]).flat_map(|at_s| {
            let at = at_s.max(0.0) as usize;
            at.saturating_sub(NEAR)..at + NEAR + 1
        });
        let mut all: Vec<usize> = near.filter(|second| *second < end).chain(self.kept_seconds(end)).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// The seconds before one of which a level, a distance, vibration or a packet of the picture is kept, in order: a hole
    /// of years in the stamps has none, and whoever walks through a session walks through these.
    pub(super) fn kept_seconds(&self, end: usize) -> Vec<usize> {
        let distances = self.range.seconds(&self.context);
        let levels =
            (0..self.context.profile.link.len()).flat_map(|link| self.signal.seconds(link).range(0, end));
        let numbers = levels.chain(distances.range(0, end)).map(|(second, _)| second);
        let vibration = self.vibration.worst_by_second(end).map(|(second, _)| second);
        let mut kept: Vec<usize> = numbers.chain(vibration).chain(self.video.kept_seconds(end)).collect();
        kept.sort_unstable();
        kept.dedup();
        kept
    }

    fn worse_by_second(&self, kept: &[usize]) -> WorseBySecond {
        let (context, count) = (&self.context, kept.len());
        let mut seconds = WorseBySecond {
            radio: vec![f32::NAN; count],
            airframe: vec![f32::NAN; count],
            computer: vec![f32::NAN; count],
            counted: vec![false; count],
        };
        let end = kept.last().map_or(0, |last| last + 1);
        let profile = &context.profile;
        if let Some(link) = profile.link.iter().position(|link| profile.is_video_link(link)) {
            // Index 0 is the level of the second that ends at 1 s.
            for (second, level) in self.signal.seconds(link).known(0, end) {
                seconds.radio[number(kept, second)] = -level;
            }
        }
        for (second, strongest) in self.vibration.worst_by_second(end) {
            seconds.airframe[number(kept, second)] = strongest;
        }
        let start = context.start.unwrap_or_default();
        for (second, (strained, counted)) in
            kept.iter().zip(seconds.computer.iter_mut().zip(&mut seconds.counted))
        {
            let second = *second as i64;
            let (from, to) = (start + Nanos::from_secs(second), start + Nanos::from_secs(second + 1));
            *strained = self.strained(from, to);
            *counted = context.life.phase_at(from).is_some_and(Phase::is_trip);
        }
        if !seconds.counted.contains(&true) {
            seconds.counted.fill(true);
        }
        seconds
    }

    /// Whether this computer was strained, stood still or lost data: 0 or 1; NaN: nothing tells.
    fn strained(&self, from: Nanos, to: Nanos) -> f32 {
        let drops = &self.context.host_drops;
        let first = drops.partition_point(|drop| drop.at <= from);
        let lost = drops.get(first).is_some_and(|drop| drop.at <= to);
        let strains = self.health.strains_within(from, to);
        if lost
            || self.context.stalled(from, to)
            || strains.as_ref().is_some_and(|strains| !strains.is_empty())
        {
            1.0
        } else if strains.is_some() || self.ticks.are_known() {
            0.0
        } else {
            f32::NAN
        }
    }
}

/// Which of the seconds that are kept one is, from 0.
fn number(kept: &[usize], second: usize) -> usize {
    kept.partition_point(|other| *other < second)
}

/// Where an instant lies among them.
fn place(kept: &[usize], at_s: f64) -> f64 {
    let at_s = at_s.max(0.0);
    number(kept, at_s as usize) as f64 + at_s.fract()
}
