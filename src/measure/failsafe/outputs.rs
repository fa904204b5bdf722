//! The outputs after a loss of input: at their failsafe values, constant, held, or moving.
//!
//! Safe: within 20 us of the profile's failsafe values; without those, outputs that follow sticks constant for 1 s
//! at other values (20 us) than those that the last sticks gave; constant at those: held. The last sticks of a stream show
//! until the link's lag, and 0.1 s, after the loss; those of an input that died, once two samples are equal. A rest
//! elsewhere from the first sample behind that on may be theirs, as the one before was too early: nothing is told. Once there
//! it stands, unless the outputs leave while the input is known as lost for 1 s more. Unit: us, ns. Source: none, common
//! practice. A gap widens the interval.

use std::collections::BTreeMap;

use crate::summary::OutputsWord;
use crate::units::Nanos;

const CONSTANT_FOR: Nanos = Nanos::from_secs(1);
const NEAR_US: u16 = 20;
/// Outputs that differ by no more are the same (the last digit of a pulse length).
const SAME_US: u16 = 1;
const SLACK: Nanos = Nanos::from_millis(100);
const LAG_UNKNOWN: Nanos = Nanos::from_millis(250);

/// Instant known between the last sample before and the first after.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    pub(super) before: Nanos,
    pub(super) at: Nanos,
}

/// One sample of the outputs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Outputs {
    pub(super) at: Nanos,
    pub(super) values: [u16; 16],
}

/// How the outputs are judged.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rule<'a> {
    /// The profile's failsafe values, by servo number from 1.
    pub(super) wanted: &'a BTreeMap<String, u16>,
    /// Outputs that follow sticks, a bit each.
    pub(super) following: u32,
    /// How long an output takes to show a stick.
    pub(super) lag: Option<Nanos>,
}

impl Rule<'_> {
    fn near(&self, a: &[u16; 16], b: &[u16; 16], by_us: u16) -> bool {
        let followed = (0..16).filter(|output| self.following >> output & 1 != 0);
        followed.into_iter().all(|output| a[output].abs_diff(b[output]) <= by_us)
    }

    fn at_wanted(&self, values: &[u16; 16]) -> bool {
        self.wanted.iter().all(|(servo, value)| {
            let index = servo.parse::<usize>().ok().and_then(|number| number.checked_sub(1));
            let output = index.and_then(|index| values.get(index));
            output.is_some_and(|output| output.abs_diff(*value) <= NEAR_US)
        })
    }
}

#[derive(Clone, Copy, Debug)]
enum Kind {
    /// `by_profile`: at the values that the profile gives.
    Safe {
        known: Known,
        by_profile: bool,
    },
    Held,
    /// Constant, but not at the profile's values.
    Elsewhere,
    /// Constant, and perhaps where the last sticks put them: what these gave may not have been seen.
    Unclear,
}

/// Where the outputs came to rest.
#[derive(Clone, Copy, Debug)]
struct Stand {
    kind: Kind,
    values: [u16; 16],
    /// The first sample that is elsewhere.
    left: Option<Nanos>,
}

/// The outputs since one loss of input.
#[derive(Clone, Debug)]
pub(super) struct Settling {
    lost_at: Nanos,
    /// The stick stream stopped, so that its last sticks are still to come.
    by_sticks: bool,
    /// What the last sticks gave.
    base: Option<[u16; 16]>,
    /// It is final.
    based: bool,
    /// Of a stream that stopped: the first sample for which its last sticks are surely over.
    first_after: Option<Nanos>,
    last: Option<Nanos>,
    /// The first of equal samples, and when the one before it came.
    run: Option<(Outputs, Nanos)>,
    stand: Option<Stand>,
    judged: bool,
}

impl Settling {
    pub(super) const fn new(lost_at: Nanos, by_sticks: bool) -> Self {
        Self {
            lost_at,
            by_sticks,
            base: None,
            based: false,
            first_after: None,
            last: None,
            run: None,
            stand: None,
            judged: false,
        }
    }

    fn find_base(&mut self, sample: &Outputs, rule: &Rule<'_>) {
        if self.by_sticks {
            let shown = self.lost_at + rule.lag.unwrap_or(LAG_UNKNOWN) + SLACK;
            let was_based = std::mem::replace(&mut self.based, sample.at > shown);
            if self.based && !was_based {
                self.first_after = Some(sample.at);
            }
        } else if sample.at > self.lost_at && self.based {
            return;
        } else {
            self.based = self.base.is_some_and(|base| rule.near(&base, &sample.values, SAME_US));
        }
        if self.base.is_none() || !(self.by_sticks && self.based) {
            self.base = Some(sample.values);
        }
    }

    /// Takes a sample; those from before the loss too, as they come first.
    pub(super) fn observe(&mut self, sample: &Outputs, rule: &Rule<'_>) {
        self.find_base(sample, rule);
        let before = self.last.unwrap_or(self.lost_at).max(self.lost_at);
        self.last = Some(sample.at);
        if sample.at < self.lost_at {
            return;
        }
        self.judged = rule.following != 0 || !rule.wanted.is_empty();
        let by_profile = !rule.wanted.is_empty();
        let constant = self.constant(sample, before, rule);
        if by_profile && rule.at_wanted(&sample.values) {
            let known = Known { before, at: sample.at };
            self.come_to(Kind::Safe { known, by_profile }, sample.values);
        } else if let Some((run, before)) = constant.filter(|_| rule.following != 0) {
            let held = self.base.is_some_and(|base| rule.near(&base, &run.values, NEAR_US));
            let is_clear = self.first_after != Some(run.at);
            let kind = match (held, by_profile) {
                (true, _) => Kind::Held,
                (false, true) => Kind::Elsewhere,
                (false, false) if !is_clear => Kind::Unclear,
                (false, false) => Kind::Safe { known: Known { before, at: run.at }, by_profile },
            };
            self.come_to(kind, run.values);
        }
        if let Some(stand) = &mut self.stand {
            let by_values = matches!(stand.kind, Kind::Safe { by_profile: true, .. });
            let stays = if by_values {
                rule.at_wanted(&sample.values)
            } else {
                rule.near(&stand.values, &sample.values, NEAR_US)
            };
            if !stays {
                stand.left.get_or_insert(sample.at);
            }
        }
    }

    /// The run of equal samples that this one ends, where it has lasted.
    fn constant(&mut self, sample: &Outputs, before: Nanos, rule: &Rule<'_>) -> Option<(Outputs, Nanos)> {
        let same = |run: &Outputs| rule.near(&run.values, &sample.values, SAME_US);
        if let Some((run, before)) = self.run.filter(|(run, _)| same(run)) {
            return (sample.at - run.at >= CONSTANT_FOR).then_some((run, before));
        }
        self.run = Some((*sample, before));
        None
    }

    /// They are at rest: where they have not left an earlier rest of the same kind, that one counts.
    fn come_to(&mut self, kind: Kind, values: [u16; 16]) {
        let same = |stand: &Stand| std::mem::discriminant(&stand.kind) == std::mem::discriminant(&kind);
        if self.stand.as_ref().is_none_or(|stand| stand.left.is_some() || !same(stand)) {
            self.stand = Some(Stand { kind, values, left: None });
        }
    }

    /// The input is known as still lost at this instant.
    pub(super) fn still_lost(&mut self, at: Nanos) {
        if self.stand.is_some_and(|stand| stand.left.is_some_and(|left| at - left >= CONSTANT_FOR)) {
            self.stand = None;
        }
    }

    /// Where they came to rest safely.
    pub(super) fn safe(&self) -> Option<Known> {
        match self.stand?.kind {
            Kind::Safe { known, .. } => Some(known),
            Kind::Held | Kind::Elsewhere | Kind::Unclear => None,
        }
    }

    /// What they did.
    pub(super) fn word(&self) -> Option<OutputsWord> {
        match self.stand.map(|stand| stand.kind) {
            Some(Kind::Held) => Some(OutputsWord::Held),
            Some(Kind::Safe { by_profile: true, .. }) => Some(OutputsWord::Safe),
            Some(Kind::Safe { .. }) => Some(OutputsWord::Steady),
            Some(Kind::Elsewhere) => Some(OutputsWord::Elsewhere),
            Some(Kind::Unclear) => None,
            // As long as a rest takes to be seen, nothing is said.
            None => {
                let seen = self.last.is_some_and(|last| last - self.lost_at > CONSTANT_FOR + CONSTANT_FOR);
                (self.judged && seen).then_some(OutputsWord::Moving)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::failsafe::outputs::*;

    fn at(seconds: f64) -> Nanos {
        Nanos::from_secs_f64(seconds)
    }

    /// Lost at 10 s; at rest elsewhere from then until 13 s, and then moving.
    fn leaves_at_13_s() -> Settling {
        let wanted = BTreeMap::new();
        let rule = Rule { wanted: &wanted, following: 1, lag: None };
        let mut outputs = Settling::new(at(10.0), false);
        for tenth in 90..138_u16 {
            let value = match tenth {
                ..=100 => 1500,
                101..130 => 1000,
                _ => 1000 + 50 * (tenth - 129),
            };
            outputs.observe(&Outputs { at: at(f64::from(tenth) / 10.0), values: [value; 16] }, &rule);
        }
        outputs
    }

    #[test]
    fn a_rest_stands_until_they_have_left_it_for_a_second_while_the_input_is_lost() {
        let mut outputs = leaves_at_13_s();
        assert_eq!(outputs.word(), Some(OutputsWord::Steady));
        outputs.still_lost(at(13.9));
        assert_eq!(outputs.word(), Some(OutputsWord::Steady));
        assert!(outputs.safe().is_some_and(|known| (known.before, known.at) == (at(10.0), at(10.1))));
        outputs.still_lost(at(14.0));
        assert_eq!(outputs.word(), Some(OutputsWord::Moving));
        assert!(outputs.safe().is_none());
    }
}
