//! What a bench test must show: the `[limits]` table of the profile.
//!
//! A limit that is not given has a default (the two of a centre only beside each other); `explain limits` says whose each
//! one is. One that is given is required: where
//! it cannot be measured the test is not passed. Values that cannot be meant are refused where they stand.

use serde::de::Error as _;
use serde::{Deserialize, Deserializer};

use super::checked::within;

/// Highest channel of RC_CHANNELS.
const MOST_CHANNELS: u8 = 18;

/// One limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BenchLimit {
    /// In the unit of its key.
    pub value: f64,
    /// The profile gives it.
    pub given: bool,
}

macro_rules! limits {
    ($($(#[$doc:meta])+ $name:ident = $default:literal, $check:literal;)+) => {
        /// The limits as the profile gives them; `None`: the default.
        #[derive(Clone, Debug, Default, PartialEq, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub struct BenchLimits {
            $($(#[$doc])+ #[serde(deserialize_with = $check)] pub $name: Option<f64>,)+
            /// Channels that steer: those whose travel, centre and jitter are judged. Default: 1 to 4.
            #[serde(deserialize_with = "channels")]
            pub channels: Option<Vec<u8>>,
            /// Channels that are meant to follow another stick, or to go against theirs.
            #[serde(deserialize_with = "channels")]
            pub meant_channels: Option<Vec<u8>>,
        }

        impl BenchLimits {
            $($(#[$doc])+ #[must_use]
            pub fn $name(&self) -> BenchLimit {
                BenchLimit { value: self.$name.unwrap_or($default), given: self.$name.is_some() }
            })+

            /// Every key with its default.
            #[cfg(feature = "internals")]
            pub const DEFAULTS: &'static [(&'static str, f64)] = &[$((stringify!($name), $default)),+];
        }
    };
}

limits! {
    /// Stick to servo: nine in ten within, at most.
    latency_p90_ms = 150.0, "positive";
    /// The same less the median, at most.
    latency_spread_ms = 60.0, "positive";
    /// Times that the input stood still while sticks moved, a minute of moving sticks, at most.
    holds_per_minute = 6.0, "positive";
    /// Of a link's frames or packets, at most.
    loss_ratio = 0.05, "ratio";
    /// Losses of input behind the two times.
    failsafe_drills = 3.0, "count";
    /// Input lost to the vehicle's first word of it, at most.
    failsafe_detected_s = 2.0, "positive";
    /// Input lost to outputs at rest, at most.
    failsafe_safe_s = 3.0, "positive";
    /// What a battery must have left at the end, at least.
    supply_minutes = 5.0, "positive";
    /// Lens to screen, at most.
    glass_to_glass_ms = 150.0, "positive";
    /// Of a channel that steers, at least.
    stick_travel_us = 700.0, "pulse";
    /// Where a stick that comes back to its centre shall stand.
    stick_centre_us = 1500.0, "pulse";
    /// How far off that it may stand.
    centre_error_us = 25.0, "pulse";
    /// Interquartile range of a channel at rest, at most.
    jitter_us = 6.0, "pulse";
    /// A link's lowest margin over its freeze limit on the bench, at least.
    margin_db = 6.0, "positive";
}

impl BenchLimits {
    /// The channels that steer, from 1.
    #[must_use]
    pub fn steering(&self) -> &[u8] {
        self.channels.as_deref().unwrap_or(&[1, 2, 3, 4])
    }

    /// Whether this channel's crossing or direction is meant.
    #[must_use]
    pub fn is_meant(&self, channel: u8) -> bool {
        self.meant_channels.as_ref().is_some_and(|meant| meant.contains(&channel))
    }
}

fn positive<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 1e-6, 1e6, "is no limit: give a number above 0").map(Some)
}

fn ratio<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 1e-6, 1.0, "is no ratio: give the part that may be lost, such as 0.05 for 5 %").map(Some)
}

fn pulse<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 0.5, 2500.0, "is no part of a pulse: give microseconds, such as 700").map(Some)
}

fn count<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    let count = within(from, 1.0, 100.0, "is no number of drills: give 1 to 100")?;
    if count.fract() == 0.0 {
        Ok(Some(count))
    } else {
        Err(D::Error::custom("drills are whole: give 1 to 100"))
    }
}

fn channels<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Vec<u8>>, D::Error> {
    let numbers = Vec::<i64>::deserialize(from)?;
    let known = |number: i64| u8::try_from(number).ok().filter(|number| (1..=MOST_CHANNELS).contains(number));
    let mut channels = Vec::new();
    for number in numbers {
        let channel =
            known(number).ok_or_else(|| D::Error::custom(format!("{number} is no channel: give 1 to 18")))?;
        channels.push(channel);
    }
    channels.sort_unstable();
    channels.dedup();
    Ok(Some(channels))
}

#[cfg(test)]
mod tests {
    use crate::profile::Profile;

    #[test]
    fn what_is_given_is_taken_and_the_rest_has_defaults() {
        let text = "[limits]\nlatency_p90_ms = 90\nchannels = [3, 1, 3]\nmeant_channels = [3]\n";
        let limits = Profile::parse(text).unwrap().limits;
        let latency = limits.latency_p90_ms();
        assert_eq!((latency.value, latency.given), (90.0, true));
        assert_eq!((limits.loss_ratio().value, limits.loss_ratio().given), (0.05, false));
        assert_eq!((limits.steering(), limits.is_meant(3), limits.is_meant(1)), (&[1, 3][..], true, false));
        assert_eq!(Profile::default().limits.steering(), [1, 2, 3, 4]);
    }

    #[test]
    fn what_cannot_be_meant_is_refused_with_key_and_line() {
        for (line, said) in [
            ("loss_ratio = 5", "5 is no ratio"),
            ("latency_p90_ms = -1", "-1 is no limit"),
            ("jitter_us = nan", "is no part of a pulse"),
            ("failsafe_drills = 2.5", "drills are whole"),
            ("channels = [0]", "0 is no channel"),
            ("meant_channels = [19]", "19 is no channel"),
            ("latency = 3", "unknown field"),
        ] {
            let error = Profile::parse(&format!("[limits]\n{line}\n")).unwrap_err().to_string();
            let key = line.split(' ').next().unwrap();
            assert!(error.contains(said) && error.contains("line 2") && error.contains(key), "{error}");
        }
    }
}
