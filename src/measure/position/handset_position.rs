//! The handset's place, from the best source there is.
//!
//! In this order: its own fix, the profile, a "handset is here" mark, HOME_POSITION, the vehicle's
//! first good fix while disarmed (3D, accuracy 5 m or better, or dilution 2.0 or better). The newest
//! mark and the newest home count, for the whole session. A profile without a height takes that of
//! the vehicle's home (height less height above home of its first position), else of its first fix.
//! Bound: one place of a moving handset a second (see [`crate::measure::series`]).

use crate::measure::series::Series;
use crate::profile::HandsetProfile;

use super::track::Place;
pub(crate) use crate::summary::Origin;

/// Seconds without a fix that are filled with the one before.
const MOST_FILLED: usize = 100_000;

/// Everything that was said of the handset's place.
#[derive(Clone, Debug, Default)]
pub(crate) struct Handset {
    /// Its own fix of the second in which it came first, and that second.
    first: Option<(usize, Place)>,
    /// Its newest own fix by the end of each second from then on.
    fixes: Series<Place>,
    pub(crate) mark: Option<Place>,
    pub(crate) home: Option<Place>,
    pub(crate) first_fix: Option<Place>,
    /// Height of the ground at the vehicle's home, above mean sea level.
    pub(crate) ground_m: Option<f64>,
}

impl Handset {
    /// Takes a fix of the handset's own, in the second that begins at `second`.
    pub(crate) fn take_fix(&mut self, second: usize, place: Place) {
        let newest = self.fixes.len().saturating_sub(1);
        match &mut self.first {
            Some((first, earliest)) if second <= *first => *earliest = place,
            Some(_) => {}
            first => *first = Some((second, place)),
        }
        if let Some(before) = self.fixes.newest() {
            let between = (newest + 1).max(second.saturating_sub(MOST_FILLED))..second;
            between.for_each(|second| self.fixes.set(second, before));
        }
        self.fixes.set(second.max(newest), place);
    }

    /// Its own fix so far was none.
    pub(crate) fn forget_fixes(&mut self) {
        self.first = None;
        self.fixes = Series::new();
    }

    /// Which word counts.
    pub(crate) fn origin(&self, profile: &HandsetProfile) -> Option<Origin> {
        if self.first.is_some() {
            Some(Origin::HandsetFix)
        } else if self.stands(profile).is_some() {
            Some(Origin::Profile)
        } else if self.mark.is_some() {
            Some(Origin::Mark)
        } else if self.home.is_some() {
            Some(Origin::HomePosition)
        } else {
            self.first_fix.map(|_| Origin::FirstFix)
        }
    }

    fn stands(&self, profile: &HandsetProfile) -> Option<Place> {
        Place::new(profile.lat?, profile.lon?, profile.alt.or(self.ground_m)?)
    }

    /// Where it was at a second: its last fix by then, or its first if that came later.
    pub(crate) fn place(&self, second: usize, profile: &HandsetProfile) -> Option<Place> {
        match self.origin(profile)? {
            Origin::HandsetFix => {
                let newest = self.fixes.len().saturating_sub(1);
                let kept = self.fixes.get(second.min(newest)).and_then(Place::known);
                kept.or(self.first.map(|(_, place)| place))
            }
            Origin::Profile => self.stands(profile),
            Origin::Mark => self.mark,
            Origin::HomePosition => self.home,
            Origin::FirstFix => self.first_fix,
        }
    }
}
