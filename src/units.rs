//! Newtypes that carry a unit across module borders.
//!
//! Bare numbers appear only inside formulas and at the edge, there with a unit
//! in the name (`loss_ratio`, `rtt_ms`).

pub mod hardware_address;
pub mod interval;
pub mod printable;

use std::ops::{Add, AddAssign, Neg, Sub, SubAssign};

/// Nanoseconds: a stamp since the Unix epoch (or since the first record where a
/// recording has no wall clock), or the difference of two stamps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Nanos(pub i64);

impl Nanos {
    /// No time at all.
    pub const ZERO: Self = Self(0);
    /// The latest stamp that can be held.
    pub const MAX: Self = Self(i64::MAX);
    /// 2009 began, the year of MAVLink: a computer that says to be in an earlier time has a clock that was not set.
    pub const OLDEST_DATE: Self = Self::from_secs(1_230_768_000);

    /// Whole seconds.
    #[must_use]
    pub const fn from_secs(secs: i64) -> Self {
        Self(secs.saturating_mul(1_000_000_000))
    }

    /// Whole milliseconds.
    #[must_use]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis.saturating_mul(1_000_000))
    }

    /// Whole microseconds.
    #[must_use]
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros.saturating_mul(1_000))
    }

    /// Seconds, rounded to the nanosecond; out-of-range values saturate.
    #[must_use]
    pub fn from_secs_f64(secs: f64) -> Self {
        Self((secs * 1e9).round() as i64)
    }

    /// This many seconds.
    #[must_use]
    pub fn secs(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// Whole seconds in it; none below zero.
    #[must_use]
    pub const fn whole_secs(self) -> usize {
        if self.0 <= 0 { 0 } else { (self.0 / 1_000_000_000) as usize }
    }

    /// This many milliseconds.
    #[must_use]
    pub fn millis(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// So many times as long; the longest that can be held where it is longer.
    #[must_use]
    pub const fn times(self, times: i64) -> Self {
        Self(self.0.saturating_mul(times))
    }

    /// The distance to another stamp, without a sign.
    #[must_use]
    pub const fn abs_diff(self, other: Self) -> Self {
        let difference = self.0.saturating_sub(other.0);
        Self(difference.saturating_abs())
    }
}

impl Add for Nanos {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Nanos {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl Neg for Nanos {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

impl AddAssign for Nanos {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl SubAssign for Nanos {
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}

/// A slant distance in metres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Metres(pub f64);

/// What a level is counted in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LevelUnit {
    /// Decibels above one milliwatt: the profile gives a scale.
    Dbm,
    /// The radio's own device units: no scale is known.
    #[default]
    Raw,
}

impl LevelUnit {
    /// So many decibels as a difference of levels; in device units, whose step nobody knows, as many hundredths of the
    /// strongest code. Common practice, no source.
    #[must_use]
    pub fn difference(self, decibels: f64, strongest: f64) -> f64 {
        match self {
            Self::Dbm => decibels,
            Self::Raw => decibels / 100.0 * strongest.abs(),
        }
    }

    /// The unit as it stands behind a level on a screen.
    #[must_use]
    pub const fn label(self) -> &'static str {
        match self {
            Self::Dbm => "dBm",
            Self::Raw => "units",
        }
    }

    /// The unit of a difference of two levels.
    #[must_use]
    pub const fn difference_label(self) -> &'static str {
        match self {
            Self::Dbm => "dB",
            Self::Raw => "units",
        }
    }
}
