//! Values of the profile that cannot be meant are refused where they stand, so that the message has key and
//! line.

use std::collections::BTreeMap;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer};

use super::Limits;
use crate::units::printable::is_printable;

/// Beyond this no limit can be meant.
const MOST_LIMIT: f64 = 1e6;

/// A number in a range, else what it is not and what to give.
pub(super) fn within<'de, D: Deserializer<'de>>(
    from: D,
    low: f64,
    high: f64,
    advice: &str,
) -> Result<f64, D::Error> {
    let value = f64::deserialize(from)?;
    if (low..=high).contains(&value) { Ok(value) } else { Err(D::Error::custom(format!("{value} {advice}"))) }
}

/// Buttons that the kernel numbers.
pub(super) fn button<'de, D: Deserializer<'de>>(from: D) -> Result<Option<u8>, D::Error> {
    let number = i64::deserialize(from)?;
    let known = u8::try_from(number).ok().filter(|number| (1..=56).contains(number));
    known
        .map(Some)
        .ok_or_else(|| D::Error::custom(format!("{number} is no button: give its number, 1 to 56")))
}

pub(super) fn slope_db<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    within(from, -100.0, 100.0, "is no scale of a level: give slope_db in decibels a unit, such as 0.5")
}

pub(super) fn offset_dbm<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    within(from, -1_000.0, 1_000.0, "is no level at unit 0: give offset_dbm in dBm, such as -120")
}

/// A name that can be shown.
pub(super) fn name<'de, D: Deserializer<'de>>(from: D) -> Result<String, D::Error> {
    let name = String::deserialize(from)?;
    let is_shown = !name.trim().is_empty() && name.chars().all(is_printable);
    if is_shown {
        Ok(name)
    } else {
        Err(D::Error::custom("a name needs letters, and holds none that cannot be shown"))
    }
}

/// A source's URL that can be shown.
pub(super) fn url<'de, D: Deserializer<'de>>(from: D) -> Result<Option<String>, D::Error> {
    let url = String::deserialize(from)?;
    let is_shown = url.chars().all(is_printable);
    if is_shown {
        Ok(Some(url))
    } else {
        Err(D::Error::custom("a source holds characters that cannot be shown"))
    }
}

pub(super) fn tags<'de, D: Deserializer<'de>>(from: D) -> Result<BTreeMap<String, String>, D::Error> {
    let tags = BTreeMap::<String, String>::deserialize(from)?;
    let is_shown = |text: &String| text.chars().all(is_printable);
    let all_shown = tags.iter().all(|(key, value)| is_shown(key) && is_shown(value));
    if all_shown { Ok(tags) } else { Err(D::Error::custom("a tag holds characters that cannot be shown")) }
}

pub(super) fn latitude<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, -90.0, 90.0, "is no latitude: give degrees, -90 to 90").map(Some)
}

pub(super) fn longitude<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, -180.0, 180.0, "is no longitude: give degrees, -180 to 180").map(Some)
}

pub(super) fn altitude_m<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, -500.0, 9_000.0, "is no height on the ground: give metres above mean sea level").map(Some)
}

pub(super) fn delay_ms<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 0.0, 10_000.0, "is no delay of a picture: give milliseconds, 0 or more").map(Some)
}

pub(super) fn interval_ms<'de, D: Deserializer<'de>>(from: D) -> Result<Option<[f64; 2]>, D::Error> {
    let [low, high] = <[f64; 2]>::deserialize(from)?;
    let is_interval = 0.0 <= low && low <= high && high <= 10_000.0;
    let refused =
        || D::Error::custom(format!("[{low}, {high}] is no interval: give [low, high] in milliseconds"));
    is_interval.then_some(Some([low, high])).ok_or_else(refused)
}

pub(super) fn range_m<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 1.0, 1e6, "is no range: give metres, 1 or more").map(Some)
}

pub(super) fn reduction_db<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 0.0, 100.0, "cannot be: give decibels by which the power is turned down, 0 or more")
        .map(Some)
}

pub(super) fn charge_mah<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 1.0, 1e7, "is no capacity: give milliampere-hours, 1 or more").map(Some)
}

pub(super) fn voltage_v<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, 0.1, 1_000.0, "is no voltage of a battery: give volts").map(Some)
}

pub(super) fn positive<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    within(from, f64::MIN_POSITIVE, f64::MAX, "is no limit: give a number above 0").map(Some)
}

/// Limits of which the alarm comes before the warning would never be seen to warn.
pub(super) fn limits<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Limits>, D::Error> {
    let limits = Limits::deserialize(from)?;
    let refuse = |what: &str| Err(D::Error::custom(what));
    let Limits { warning_margin, forecast_margin, warning_s, alarm_margin, alarm_s, clear_margin, clear_s } =
        limits;
    let all = [warning_margin, forecast_margin, warning_s, alarm_margin, alarm_s, clear_margin, clear_s];
    // Also false of what is no number.
    if !all.iter().all(|limit| limit.abs() <= MOST_LIMIT) {
        return refuse("a limit is no number of decibels or seconds that can be meant");
    }
    if limits.alarm_margin > limits.warning_margin {
        return refuse("alarm_margin is above warning_margin: the alarm is the nearer of the two");
    }
    if limits.alarm_s > limits.warning_s {
        return refuse("alarm_s is above warning_s: the alarm is the nearer of the two");
    }
    if limits.alarm_s < 0.0 || limits.clear_s < 0.0 || limits.clear_margin < 0.0 {
        return refuse("alarm_s, clear_s and clear_margin are 0 or more");
    }
    Ok(Some(limits))
}
