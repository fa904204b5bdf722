//! Where the handset is, from the best word there is.
//!
//! In this order: its own fix, the profile, a "handset is here" mark, HOME_POSITION, the vehicle's
//! first good fix while disarmed (3D, accuracy 5 m or better, or dilution 2.0 or better). The newest
//! mark and the newest home count, for the whole session. A profile without a height takes that of
//! the vehicle's home (height less height above home of its first position), else of its first fix.
//! Bound: one place of a moving handset a second, 26 h.

use crate::link::series::MOST_SECONDS;
use crate::profile::HandsetProfile;

use super::track::Place;

/// Which word the handset's place rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Origin {
    HandsetFix,
    Profile,
    Mark,
    HomePosition,
    FirstFix,
}

impl Origin {
    /// As in the summary.
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::HandsetFix => "handset_fix",
            Self::Profile => "profile",
            Self::Mark => "mark",
            Self::HomePosition => "home_position",
            Self::FirstFix => "first_fix",
        }
    }
}

/// Everything that was said of the handset's place.
#[derive(Clone, Debug, Default)]
pub(super) struct Handset {
    /// Its own fixes: second, place; one a second at most.
    fixes: Vec<(i64, Place)>,
    pub(super) mark: Option<Place>,
    pub(super) home: Option<Place>,
    pub(super) first_fix: Option<Place>,
    /// Height of the ground at the vehicle's home, above mean sea level.
    pub(super) ground_m: Option<f64>,
}

impl Handset {
    /// Takes a fix of the handset's own, in the second that begins at `second`.
    pub(super) fn take_fix(&mut self, second: i64, place: Place) {
        let room = self.fixes.len() < MOST_SECONDS;
        match self.fixes.last_mut() {
            Some(last) if last.0 >= second => last.1 = place,
            _ if room => self.fixes.push((second, place)),
            _ => {}
        }
    }

    /// Which word counts.
    pub(super) fn origin(&self, profile: &HandsetProfile) -> Option<Origin> {
        if !self.fixes.is_empty() {
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
    pub(super) fn place(&self, second: i64, profile: &HandsetProfile) -> Option<Place> {
        match self.origin(profile)? {
            Origin::HandsetFix => {
                let later = self.fixes.partition_point(|&(when, _)| when <= second);
                self.fixes.get(later.saturating_sub(1)).map(|&(_, place)| place)
            }
            Origin::Profile => self.stands(profile),
            Origin::Mark => self.mark,
            Origin::HomePosition => self.home,
            Origin::FirstFix => self.first_fix,
        }
    }
}
