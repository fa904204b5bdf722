//! Whether a link did its work in the trips of a session: worked, failed, or not judged.
//!
//! Definition: only trips are judged. A link failed where its failures would have reached `alarm` (see
//! [`super::condition`]: half a second of failing within 3 s, or three failures within 30 s), or where the vehicle was
//! lost over it. It worked where it did so for 60 s of trips; shorter failures are counted beside that. Else it is not
//! judged, with the reason. Failures that overlap are one; of one that reaches beyond a trip the part within counts.
//! Unit: seconds. Source: none, definitions of this program. A gap, a wrap, a duplicate, a late arrival or a restart is what
//! the failures make of it. Bounds: those of the failures that are kept.

use crate::summary::{LostWord, SessionReason, SessionWord};
use crate::units::Nanos;

use super::condition::{FAILING, FAILING_WITHIN, Failed, OFTEN, OFTEN_WITHIN, merged, spells};

/// So much of trips is enough.
const ENOUGH_S: u32 = 60;
/// A silence that is on is told as a failure after so long: unavailable time, ITU-T G.826.
pub const TOLD_AFTER: Nanos = Nanos::from_secs(10);

/// What is known of a link at the end of a session.
#[derive(Clone, Debug, Default)]
pub struct LinkSession {
    /// Its failures, those on the ground too; none of this computer's own.
    pub failed: Vec<Failed>,
    /// Walks, ways out and back, in order of time; all of it where no autopilot was heard.
    pub trips: Vec<(Nanos, Nanos)>,
    /// Anything of it ever came.
    pub is_heard: bool,
    /// Data of its own came, or the vehicle told of them.
    pub has_data: bool,
    /// Whole seconds of trips in which it worked.
    pub worked_s: u32,
    /// The silence that is on at the end: what it means.
    pub lost: LostWord,
}

/// How it went.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outcome {
    /// In one word.
    pub word: SessionWord,
    /// Why.
    pub why: SessionReason,
    /// Every failure within trips.
    pub failures: Vec<(Nanos, Nanos)>,
    /// Which of them made it fail.
    pub grave: Vec<Nanos>,
}

impl Outcome {
    /// How long it failed in all.
    #[must_use]
    pub fn failed(&self) -> Nanos {
        self.failures.iter().fold(Nanos::ZERO, |sum, (from, to)| sum + (*to - *from))
    }

    /// How long it failed at the longest.
    #[must_use]
    pub fn longest(&self) -> Nanos {
        self.failures.iter().map(|(from, to)| *to - *from).max().unwrap_or_default()
    }
}

/// Judges one link at an instant, the end of the session.
#[must_use]
pub fn of_link(link: &LinkSession, end: Nanos) -> Outcome {
    let failures = within(&spells(&link.failed, end), &link.trips);
    let grave = grave(&failures);
    let is_lost = link.lost == LostWord::Lost && link.has_data;
    let (word, why) = if is_lost {
        (SessionWord::Failed, SessionReason::Lost)
    } else if !grave.is_empty() {
        (SessionWord::Failed, SessionReason::Failures)
    } else if !link.is_heard {
        (SessionWord::NotJudged, SessionReason::NeverHeard)
    } else if link.trips.is_empty() {
        (SessionWord::NotJudged, SessionReason::GroundOnly)
    } else if !link.has_data {
        (SessionWord::NotJudged, SessionReason::NoData)
    } else if link.worked_s < ENOUGH_S {
        (SessionWord::NotJudged, SessionReason::TooShort { needed_s: ENOUGH_S })
    } else {
        (SessionWord::Worked, SessionReason::Worked)
    };
    Outcome { word, why, failures, grave }
}

/// The session as a whole, of its links: as the gravest; where none is judged, for the first one's reason.
#[must_use]
pub fn of_all(links: &[Outcome], lost: LostWord) -> Outcome {
    let first = |word: SessionWord| links.iter().find(|link| link.word == word);
    let judged = first(SessionWord::Failed).or_else(|| first(SessionWord::Worked)).or(links.first());
    let (word, why) = match judged {
        _ if lost == LostWord::Lost => (SessionWord::Failed, SessionReason::Lost),
        Some(link) => (link.word, link.why),
        None => Default::default(),
    };
    let failures = merged(links.iter().flat_map(|link| link.failures.iter().copied()).collect());
    let mut grave: Vec<Nanos> = links.iter().flat_map(|link| link.grave.iter().copied()).collect();
    grave.sort_unstable();
    Outcome { word, why, failures, grave }
}

/// The parts of some spans that lie in trips; both in order of time.
fn within(spans: &[(Nanos, Nanos)], trips: &[(Nanos, Nanos)]) -> Vec<(Nanos, Nanos)> {
    let mut parts = Vec::new();
    for (from, to) in spans {
        let first = trips.partition_point(|trip| trip.1 <= *from);
        let touched = trips[first..].iter().take_while(|trip| trip.0 < *to);
        parts.extend(touched.map(|trip| (trip.0.max(*from), trip.1.min(*to))));
    }
    parts
}

/// Those that would have reached an alarm, by their beginnings.
fn grave(spells: &[(Nanos, Nanos)]) -> Vec<Nanos> {
    let mut is_grave = vec![false; spells.len()];
    for (last, (begin, end)) in spells.iter().enumerate() {
        let since = *end - FAILING_WITHIN;
        let lasting = spells[..=last].partition_point(|spell| spell.1 <= since);
        let failing = spells[lasting..=last]
            .iter()
            .fold(Nanos::ZERO, |sum, (from, to)| sum + (*to - (*from).max(since)));
        if failing >= FAILING {
            is_grave[lasting..=last].fill(true);
        }
        let often = spells[..=last].partition_point(|spell| spell.0 + OFTEN_WITHIN < *begin);
        if last + 1 - often >= OFTEN {
            is_grave[often..=last].fill(true);
        }
    }
    spells.iter().zip(is_grave).filter(|(_, grave)| *grave).map(|(spell, _)| spell.0).collect()
}

#[cfg(test)]
mod tests {
    use crate::judge::session_verdict::*;
    use crate::summary::Failure;

    fn ms(value: i64) -> Nanos {
        Nanos::from_millis(value)
    }

    fn frozen(from_ms: i64, to_ms: i64) -> Failed {
        Failed { what: Failure::Frozen, from: ms(from_ms), to: Some(ms(to_ms)) }
    }

    /// A link that was heard in one trip from 10 s to 200 s.
    fn flown(failed: Vec<Failed>) -> LinkSession {
        LinkSession {
            failed,
            trips: vec![(ms(10_000), ms(200_000))],
            is_heard: true,
            has_data: true,
            worked_s: 60,
            lost: LostWord::No,
        }
    }

    fn word(link: &LinkSession) -> (SessionWord, SessionReason) {
        let outcome = of_link(link, ms(300_000));
        (outcome.word, outcome.why)
    }

    #[test]
    fn sixty_seconds_of_trips_are_enough_and_fifty_nine_are_not() {
        assert_eq!(word(&flown(Vec::new())), (SessionWord::Worked, SessionReason::Worked));
        let short = LinkSession { worked_s: 59, ..flown(Vec::new()) };
        assert_eq!(word(&short), (SessionWord::NotJudged, SessionReason::TooShort { needed_s: 60 }));
    }

    #[test]
    fn half_a_second_of_failing_within_three_is_a_failure_and_less_is_counted_beside() {
        let outcome = of_link(&flown(vec![frozen(50_000, 50_499)]), ms(300_000));
        assert_eq!((outcome.word, outcome.failures.len()), (SessionWord::Worked, 1));
        assert_eq!(outcome.failed(), ms(499));
        assert_eq!(word(&flown(vec![frozen(50_000, 50_500)])).0, SessionWord::Failed);
        // Together within three seconds, and not over more.
        let two = |gap: i64| flown(vec![frozen(50_000, 50_300), frozen(50_300 + gap, 50_500 + gap)]);
        assert_eq!(word(&two(2_500)).0, SessionWord::Failed);
        assert_eq!(word(&two(2_501)).0, SessionWord::Worked);
    }

    #[test]
    fn three_failures_within_thirty_seconds_are_an_alarm_two_are_not() {
        let at = |seconds: [i64; 3]| flown(seconds.map(|at| frozen(at * 1000, at * 1000 + 200)).to_vec());
        assert_eq!(word(&at([50, 65, 80])).0, SessionWord::Failed);
        assert_eq!(word(&at([50, 65, 81])).0, SessionWord::Worked);
        let of_two = flown(vec![frozen(50_000, 50_200), frozen(51_000, 51_200)]);
        assert_eq!(word(&of_two).0, SessionWord::Worked);
        // One that overlaps another is no failure of its own.
        let overlap = flown(vec![frozen(50_000, 50_200), frozen(50_100, 50_300), frozen(60_000, 60_100)]);
        assert_eq!(word(&overlap).0, SessionWord::Worked);
    }

    #[test]
    fn only_what_made_it_fail_says_from_where_on() {
        let link = flown(vec![frozen(20_000, 20_200), frozen(90_000, 91_000), frozen(120_000, 120_700)]);
        let outcome = of_link(&link, ms(300_000));
        assert_eq!(outcome.grave, [ms(90_000), ms(120_000)]);
        assert_eq!((outcome.failures.len(), outcome.failed(), outcome.longest()), (3, ms(1_900), ms(1_000)));
    }

    #[test]
    fn the_ground_is_not_judged_and_a_failure_that_reaches_into_a_trip_counts_there() {
        assert_eq!(word(&flown(vec![frozen(1_000, 9_000), frozen(210_000, 230_000)])).0, SessionWord::Worked);
        let outcome = of_link(&flown(vec![frozen(5_000, 12_000)]), ms(300_000));
        assert_eq!(outcome.failures, [(ms(10_000), ms(12_000))]);
        assert_eq!(outcome.word, SessionWord::Failed);
        let ground = LinkSession { trips: Vec::new(), worked_s: 0, ..flown(vec![frozen(50_000, 60_000)]) };
        assert_eq!(word(&ground), (SessionWord::NotJudged, SessionReason::GroundOnly));
    }

    #[test]
    fn a_vehicle_that_is_lost_fails_the_links_that_brought_it() {
        let lost = LinkSession { lost: LostWord::Lost, ..flown(Vec::new()) };
        assert_eq!(word(&lost), (SessionWord::Failed, SessionReason::Lost));
        let silent = LinkSession { lost: LostWord::Unknown, ..flown(Vec::new()) };
        assert_eq!(word(&silent), (SessionWord::Worked, SessionReason::Worked));
        let level_alone = LinkSession { has_data: false, lost: LostWord::Lost, ..flown(Vec::new()) };
        assert_eq!(word(&level_alone), (SessionWord::NotJudged, SessionReason::NoData));
        let never = LinkSession { is_heard: false, has_data: false, ..flown(Vec::new()) };
        assert_eq!(word(&never), (SessionWord::NotJudged, SessionReason::NeverHeard));
    }

    #[test]
    fn the_whole_is_as_its_gravest_link() {
        let link = |failures: &[Failed]| of_link(&flown(failures.to_vec()), ms(300_000));
        let not = of_link(&LinkSession { has_data: false, ..flown(Vec::new()) }, ms(300_000));
        let (worked, failed) = (link(&[frozen(20_000, 20_100)]), link(&[frozen(20_050, 21_000)]));
        let of = |links: &[&Outcome], lost| {
            let whole = of_all(&links.iter().map(|link| (*link).clone()).collect::<Vec<_>>(), lost);
            (whole.word, whole.why, whole.failures)
        };
        let (both, one) = (vec![(ms(20_000), ms(21_000))], vec![(ms(20_000), ms(20_100))]);
        let why = SessionReason::Failures;
        assert_eq!(of(&[&not, &worked, &failed], LostWord::No), (SessionWord::Failed, why, both));
        let why = SessionReason::Worked;
        assert_eq!(of(&[&not, &worked], LostWord::Unknown), (SessionWord::Worked, why, one.clone()));
        assert_eq!(of(&[&not], LostWord::No), (SessionWord::NotJudged, SessionReason::NoData, Vec::new()));
        assert_eq!(of(&[&worked], LostWord::Lost), (SessionWord::Failed, SessionReason::Lost, one));
    }
}
