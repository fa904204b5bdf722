//! What lay behind the bad pictures of a session: radio, airframe, this computer, or the sender.
//!
//! Definition: what the packets show is certain (the sender paused or began anew, this computer stood still or lost data).
//! Every other bad picture is held against the instants without one: from 2 s before its start to 1 s after, was the level
//! lower, the vibration higher (clipping highest), this computer more strained? *Rank*: the share of the other instants, of
//! as long a window, that it was worse than; ties count half. What is there all the time ranks in the middle and explains
//! nothing. Bad pictures nearer than the time over which a value goes on (its autocorrelation falls under 1/e; 5 to 60 s)
//! are one witness, which weighs as the root of their number. A cause is *told* where witnesses rank at 0.7 or higher
//! in the mean and even ranks have that in 1 of 60 (1 of 20 for three causes), which one alone never does; *denied* where the upper end of the
//! mean's 95 % interval lies below 0.7. Where several are told, each is held against the instants at which the others were as
//! bad or worse: the one that stands alone is the cause; where none stands they came together. In a session with trips only
//! instants of trips count.
//!
//! Unit: ranks from 0 to 1. Window: the session. Source: the mean of even numbers (variance 1/12, central limit);
//! the limits are common practice, no source, measured by `examples/picture_cause`. A gap leaves its seconds out; a value that is absent at a bad
//! picture leaves it out; duplicates and late arrivals never reach this file; a restart of the sender is certain.

mod witnesses;

use crate::summary::{BadPicture, CertainCause, PictureCause, PictureCauses, WeighedCause};
use witnesses::Weighing;

/// What is looked at around the start of a bad picture, s.
pub(crate) const BEFORE_S: usize = 2;
pub(crate) const AFTER_S: usize = 1;
/// So high it ranks in the mean, or is none.
const HIGH_RANK: f64 = 0.7;
/// 1 in 20 for three causes at once (Bonferroni).
const CHANCE: f64 = 0.05 / 3.0;
/// Beside another cause.
const CHANCE_BESIDE: f64 = 0.05;

/// One bad picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BadInstant {
    /// Its start, or the first second that a mark can mean.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
    /// A mark: the start lies anywhere between.
    pub by_mark: bool,
    /// What the packets show.
    pub certain: Option<PictureCause>,
}

/// What is known of each second since the first record: higher is worse, NaN is absent.
#[derive(Clone, Debug, Default)]
pub struct WorseBySecond {
    /// The video link's level, its sign turned.
    pub radio: Vec<f32>,
    /// The strongest vibration.
    pub airframe: Vec<f32>,
    /// 1 where this computer was strained or lost data.
    pub computer: Vec<f32>,
    /// Seconds that count.
    pub counted: Vec<bool>,
}

impl WorseBySecond {
    const CAUSES: [PictureCause; 3] = [PictureCause::Radio, PictureCause::Airframe, PictureCause::Computer];

    const fn of(&self, cause: PictureCause) -> &Vec<f32> {
        match cause {
            PictureCause::Radio => &self.radio,
            PictureCause::Airframe => &self.airframe,
            PictureCause::Computer | PictureCause::Sender => &self.computer,
        }
    }
}

/// What lay behind one bad picture, with its evidence.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OneBadPicture {
    /// Empty: none of what was looked at; `None`: it cannot be told.
    pub causes: Option<Vec<PictureCause>>,
    /// Value, and share of the other instants that it was worse than, of radio (its sign turned), airframe and computer.
    pub weighed: [Option<(f64, f64)>; 3],
}

/// What lay behind bad pictures of one kind, and behind each of them. `all` are those of any
/// kind: none of them is an instant without one.
#[must_use]
pub fn causes(
    what: BadPicture,
    bad: &[BadInstant],
    all: &[BadInstant],
    seconds: &WorseBySecond,
) -> (PictureCauses, Vec<OneBadPicture>) {
    let open: Vec<BadInstant> = bad.iter().filter(|bad| bad.certain.is_none()).copied().collect();
    let weighings = WorseBySecond::CAUSES.map(|cause| Weighing::new(seconds.of(cause), &open, all, seconds));
    let mut told: Vec<usize> =
        (0..weighings.len()).filter(|place| is_told(&weighings[*place], CHANCE)).collect();
    let mut together = false;
    if told.len() > 1 {
        let stands = |place: &usize| {
            let others: Vec<&Weighing> =
                told.iter().filter(|other| *other != place).map(|other| &weighings[*other]).collect();
            is_told(&weighings[*place].beside(&others), CHANCE_BESIDE)
        };
        let standing: Vec<usize> = told.iter().copied().filter(stands).collect();
        together = standing.is_empty();
        told = standing;
    }
    let rows: Vec<WeighedCause> = WorseBySecond::CAUSES
        .iter()
        .zip(&weighings)
        .enumerate()
        .map(|(place, (cause, weighing))| row(*cause, weighing, told.contains(&place)))
        .collect();
    let of_each = of_each(bad, &weighings, &told, &rows);
    let summary = PictureCauses {
        what,
        count: bad.len() as u64,
        causes: session(&rows, together, open.is_empty(), bad),
        together,
        certain: certain(bad),
        weighed: rows,
    };
    (summary, of_each)
}

fn is_told(weighing: &Weighing, chance: f64) -> bool {
    weighing.mean().is_some_and(|(mean, _)| mean >= HIGH_RANK)
        && weighing.chance().is_some_and(|found| found <= chance)
}

fn row(cause: PictureCause, weighing: &Weighing, is_told: bool) -> WeighedCause {
    let is_denied = weighing.mean().is_some_and(|(mean, error)| mean + 1.96 * error < HIGH_RANK);
    let sign = if cause == PictureCause::Radio { -1.0 } else { 1.0 };
    WeighedCause {
        cause,
        told: if is_told { Some(true) } else { is_denied.then_some(false) },
        apart: weighing.witnesses() as u64,
        rank: weighing.mean().map(|(mean, _)| mean),
        chance: weighing.chance(),
        at_bad: weighing.at_bad().map(|value| sign * value),
        otherwise: weighing.otherwise().map(|value| sign * value),
    }
}

fn certain(bad: &[BadInstant]) -> Vec<CertainCause> {
    let count = |cause| bad.iter().filter(|bad| bad.certain == Some(cause)).count() as u64;
    let rows = [PictureCause::Computer, PictureCause::Sender]
        .map(|cause| CertainCause { cause, count: count(cause) });
    rows.into_iter().filter(|row| row.count > 0).collect()
}

/// What explains most of them; `None`: it cannot be told.
fn session(
    rows: &[WeighedCause],
    together: bool,
    all_certain: bool,
    bad: &[BadInstant],
) -> Option<Vec<PictureCause>> {
    let mut named: Vec<PictureCause> =
        rows.iter().filter(|row| row.told == Some(true)).map(|row| row.cause).collect();
    // What packets show of half of them names it too.
    let half = certain(bad).into_iter().filter(|row| 2 * row.count >= bad.len() as u64).map(|row| row.cause);
    named.extend(half);
    named.sort_unstable();
    named.dedup();
    let is_open = |row: &WeighedCause| row.told.is_none() && row.cause != PictureCause::Computer;
    let unknown = together || (!all_certain && rows.iter().any(is_open));
    if named.is_empty() && unknown { None } else { Some(named) }
}

/// Of each bad picture: what is certain, else which of the session's causes it ranks high in.
fn of_each(
    bad: &[BadInstant],
    weighings: &[Weighing; 3],
    told: &[usize],
    rows: &[WeighedCause],
) -> Vec<OneBadPicture> {
    let mut place = 0;
    bad.iter()
        .map(|bad| {
            if let Some(certain) = bad.certain {
                return OneBadPicture { causes: Some(vec![certain]), ..OneBadPicture::default() };
            }
            let own = place;
            place += 1;
            let ranks =
                told.iter().filter(|cause| weighings[**cause].rank(own).is_some_and(|r| r >= HIGH_RANK));
            let named: Vec<PictureCause> = ranks.map(|cause| WorseBySecond::CAUSES[*cause]).collect();
            let is_known = !told.is_empty() || rows.iter().all(|row| row.told == Some(false));
            let weighed = std::array::from_fn(|cause| weighings[cause].found(own));
            OneBadPicture { causes: is_known.then_some(named), weighed }
        })
        .collect()
}
