//! What the person answered in a guided bench test, as marks of the recording keep it.
//!
//! Each answer is a mark with a fixed text ("bench: sticks shown"), so that a recording that was interrupted says which
//! step is on. Window: the recording. An answer given again takes the place of the one before; a text that is none of
//! these is an ordinary note and changes nothing here.

use std::collections::BTreeMap;

use super::Interval;

/// One step of the test, in its order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum BenchStep {
    /// Propellers are off: without a yes nothing begins.
    #[default]
    Propellers,
    /// Sources bring what the other steps need.
    Links,
    /// Each channel in turn.
    Sticks,
    /// Quick moves.
    Latency,
    /// Loss over a set time.
    Loss,
    /// The same far away, attenuated or at reduced power.
    Far,
    /// Failsafe drills.
    Drills,
    /// Supply under load.
    Supply,
    /// Photographs of the running time.
    Glass,
    /// The sheet.
    Sheet,
}

impl BenchStep {
    /// All, in their order.
    pub const ALL: [Self; 10] = [
        Self::Propellers,
        Self::Links,
        Self::Sticks,
        Self::Latency,
        Self::Loss,
        Self::Far,
        Self::Drills,
        Self::Supply,
        Self::Glass,
        Self::Sheet,
    ];

    /// In the marks.
    const fn word(self) -> &'static str {
        match self {
            Self::Propellers => "propellers",
            Self::Links => "links",
            Self::Sticks => "sticks",
            Self::Latency => "latency",
            Self::Loss => "loss",
            Self::Far => "far",
            Self::Drills => "drills",
            Self::Supply => "supply",
            Self::Glass => "glass",
            Self::Sheet => "sheet",
        }
    }

    /// The one behind this, the last behind the last.
    #[must_use]
    pub fn next(self) -> Self {
        Self::ALL.into_iter().find(|step| *step > self).unwrap_or(self)
    }

    /// The one before this, the first before the first.
    #[must_use]
    pub fn previous(self) -> Self {
        Self::ALL.into_iter().rev().find(|step| *step < self).unwrap_or(self)
    }
}

/// What the person said of a step, or what was decided about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepAnswer {
    /// It is on, from here.
    Begun,
    /// Left with evidence enough, or with a yes to its question.
    Shown,
    /// Left without.
    Skipped,
}

/// One answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum GuideNote {
    /// Of a step.
    Step(BenchStep, StepAnswer),
    /// This computer keeps its power when the handset goes off.
    Powered,
    /// The handset is far away, attenuated or at reduced power, though neither level nor distance show it.
    Away,
    /// The delay of the picture, milliseconds, and its interval.
    Glass(f64, Interval),
    /// The photographs that are left give none: the one before it no longer holds.
    NoGlass,
}

/// Before each answer, in the marks.
const PREFIX: &str = "bench: ";
/// A delay that can be meant.
const LONGEST_MS: f64 = 60_000.0;

impl GuideNote {
    /// The mark's text.
    #[must_use]
    pub fn text(&self) -> String {
        match self {
            Self::Step(step, answer) => {
                let answer = match answer {
                    StepAnswer::Begun => "begun",
                    StepAnswer::Shown => "shown",
                    StepAnswer::Skipped => "skipped",
                };
                format!("{PREFIX}{} {answer}", step.word())
            }
            Self::Powered => format!("{PREFIX}power kept"),
            Self::Away => format!("{PREFIX}far yes"),
            Self::Glass(delay, [low, high]) => format!("{PREFIX}glass {delay:.1} {low:.1} {high:.1}"),
            Self::NoGlass => format!("{PREFIX}glass none"),
        }
    }

    /// The answer of a mark's text; `None`: it is none.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let mut words = text.strip_prefix(PREFIX)?.split(' ');
        let (first, second) = (words.next()?, words.next()?);
        let rest: Vec<&str> = words.collect();
        match (first, second, rest.as_slice()) {
            ("power", "kept", []) => Some(Self::Powered),
            ("far", "yes", []) => Some(Self::Away),
            ("glass", "none", []) => Some(Self::NoGlass),
            ("glass", delay, [low, high]) => {
                let number =
                    |text: &str| text.parse::<f64>().ok().filter(|ms| (0.0..=LONGEST_MS).contains(ms));
                let (delay, low, high) = (number(delay)?, number(low)?, number(high)?);
                (low <= delay && delay <= high).then_some(Self::Glass(delay, [low, high]))
            }
            (step, answer, []) => {
                let step = BenchStep::ALL.into_iter().find(|each| each.word() == step)?;
                let answer = match answer {
                    "begun" => StepAnswer::Begun,
                    "shown" => StepAnswer::Shown,
                    "skipped" => StepAnswer::Skipped,
                    _ => return None,
                };
                Some(Self::Step(step, answer))
            }
            _ => None,
        }
    }
}

/// All answers so far.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GuideRecord {
    /// The newest of each step.
    pub answers: BTreeMap<BenchStep, StepAnswer>,
    /// The step that is on, and since when, seconds from the first record; `None`: no guided test.
    pub on: Option<(BenchStep, f64)>,
    /// This computer keeps its power when the handset goes off.
    pub powered: bool,
    /// The handset is far away by a word of this step, since it was begun.
    pub away: bool,
    /// The delay of the picture as it was entered, milliseconds, and its interval.
    pub glass: Option<(f64, Interval)>,
}

impl GuideRecord {
    /// Takes an answer.
    pub fn observe(&mut self, at_s: f64, note: GuideNote) {
        match note {
            GuideNote::Step(step, answer) => {
                if answer == StepAnswer::Begun {
                    self.on = Some((step, at_s));
                    self.away = false;
                } else {
                    self.answers.insert(step, answer);
                }
            }
            GuideNote::Powered => self.powered = true,
            GuideNote::Away => self.away = true,
            GuideNote::Glass(delay, interval) => self.glass = Some((delay, interval)),
            GuideNote::NoGlass => self.glass = None,
        }
    }

    /// Whether a step was begun, and it has not come to the sheet.
    #[must_use]
    pub fn is_unfinished(&self) -> bool {
        self.on.is_some_and(|(step, _)| step > BenchStep::Propellers)
            && self.answers.get(&BenchStep::Sheet) != Some(&StepAnswer::Shown)
    }
}

#[cfg(test)]
mod tests {
    use crate::summary::guide_keys::*;

    #[test]
    fn an_answer_comes_back_out_of_its_mark() {
        let answers = [StepAnswer::Begun, StepAnswer::Shown, StepAnswer::Skipped];
        let steps =
            BenchStep::ALL.into_iter().flat_map(|step| answers.map(|answer| GuideNote::Step(step, answer)));
        let others =
            [GuideNote::Powered, GuideNote::Away, GuideNote::Glass(95.0, [90.1, 100.2]), GuideNote::NoGlass];
        for note in steps.chain(others) {
            assert_eq!(GuideNote::parse(&note.text()), Some(note), "{}", note.text());
        }
    }

    #[test]
    fn any_other_note_is_no_answer() {
        for text in [
            "",
            "bench",
            "bench:",
            "bench: ",
            "bench: sticks",
            "bench: sticks maybe",
            "bench: sticks shown again",
            "sticks shown",
            "bench: glass 95",
            "bench: glass 95 90",
            "bench: glass NaN 1 2",
            "bench: glass 95 96 97",
            "bench: glass -1 -2 3",
            "bench: glass inf 0 inf",
            "Bench: sticks shown",
        ] {
            assert_eq!(GuideNote::parse(text), None, "{text}");
        }
    }

    #[test]
    fn the_newest_answer_counts_and_a_test_is_unfinished_until_its_sheet() {
        let mut record = GuideRecord::default();
        assert!(!record.is_unfinished());
        record.observe(0.5, GuideNote::Step(BenchStep::Propellers, StepAnswer::Begun));
        assert!(!record.is_unfinished(), "nothing was answered");
        record.observe(1.0, GuideNote::Step(BenchStep::Sticks, StepAnswer::Begun));
        record.observe(2.0, GuideNote::Step(BenchStep::Sticks, StepAnswer::Skipped));
        record.observe(3.0, GuideNote::Step(BenchStep::Sticks, StepAnswer::Shown));
        assert_eq!((record.on, record.is_unfinished()), (Some((BenchStep::Sticks, 1.0)), true));
        assert_eq!(record.answers[&BenchStep::Sticks], StepAnswer::Shown);
        record.observe(4.0, GuideNote::Step(BenchStep::Sheet, StepAnswer::Shown));
        assert!(!record.is_unfinished());
    }

    #[test]
    fn steps_follow_each_other_both_ways() {
        for pair in BenchStep::ALL.windows(2) {
            assert_eq!((pair[0].next(), pair[1].previous()), (pair[1], pair[0]));
        }
        assert_eq!(
            (BenchStep::Sheet.next(), BenchStep::Propellers.previous()),
            (BenchStep::Sheet, BenchStep::Propellers)
        );
    }
}
