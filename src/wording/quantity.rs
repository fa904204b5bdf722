//! Figures in words: one way to write each quantity, always with its unit.

use crate::summary::{
    BatteryEnd, Bound, Codec, ControlHolds, Course, LatencyChange, LatencySummary, LinkState,
    VibrationAgainst, VibrationDriver,
};
use crate::units::LevelUnit;

/// What stands where a figure could not be measured.
pub const NOT_MEASURED: &str = "not measured";

/// A level, `-71.2 dBm`.
#[must_use]
pub fn level(value: f64, unit: LevelUnit) -> String {
    match unit {
        LevelUnit::Dbm => format!("{value:.1} dBm"),
        LevelUnit::Raw => format!("{value:.0} units"),
    }
}

/// A difference of levels, `9.8 dB`.
#[must_use]
pub fn difference(value: f64, unit: LevelUnit) -> String {
    format!("{value:.1} {}", unit.difference_label())
}

/// A trend with its arrow, `↘ -0.8 dB/s`.
#[must_use]
pub fn trend(per_s: f64, unit: LevelUnit) -> String {
    if per_s.abs() < 0.05 {
        return "→ steady".to_owned();
    }
    let arrow = if per_s > 0.0 { "↗" } else { "↘" };
    format!("{arrow} {per_s:+.1} {}/s", unit.difference_label())
}

/// A span of time, `4.2 s`, `41 s`, `12 min`, `3.1 h`.
#[must_use]
pub fn seconds(value: f64) -> String {
    if value < 9.95 {
        format!("{value:.1} s")
    } else if value < 120.0 {
        format!("{value:.0} s")
    } else if value < 7_200.0 {
        format!("{:.0} min", value / 60.0)
    } else {
        format!("{:.1} h", value / 3_600.0)
    }
}

/// A short span of time, in milliseconds under a tenth of a second: `61 ms`.
#[must_use]
pub fn short_span(value: f64) -> String {
    if value < 0.095 { format!("{:.0} ms", value * 1e3) } else { seconds(value) }
}

/// A distance, `310 m`, `1.24 km`.
#[must_use]
pub fn metres(value: f64) -> String {
    if value < 999.5 { format!("{value:.0} m") } else { format!("{:.2} km", value / 1_000.0) }
}

/// Seconds left, in words: `8.7 s left`.
#[must_use]
pub fn seconds_left(value: f64) -> String {
    if value < 1.0 { "less than 1 s left".to_owned() } else { format!("{} left", seconds(value)) }
}

/// Metres left with their interval, in words: `17 m left (3 to 34)`.
#[must_use]
pub fn metres_left(value: f64, interval: Option<[f64; 2]>) -> String {
    match interval {
        _ if value < 1.0 => "less than 1 m left".to_owned(),
        Some([low, high]) => format!("{} left ({low:.0} to {high:.0})", metres(value)),
        None => format!("{} left", metres(value)),
    }
}

/// Minutes of a battery, in words: `about 8.0 min left (6.5 to 11)`, `at its cut-off voltage: land`.
#[must_use]
pub fn minutes_left(value: f64, interval: Option<[f64; 2]>, to: Option<BatteryEnd>) -> String {
    if to == Some(BatteryEnd::Cutoff) {
        return "at its cut-off voltage: land".to_owned();
    }
    let text = |minutes: f64| format!("{minutes:.*}", usize::from(minutes < 9.95));
    let interval =
        interval.map_or_else(String::new, |[low, high]| format!(" ({} to {})", text(low), text(high)));
    format!("about {} min left{interval}", text(value))
}

/// What is left, as digits to be drawn large, in whole units; `<1` where it is less than one.
#[must_use]
pub fn digits_left(value: f64) -> String {
    if value < 1.0 { "<1".to_owned() } else { format!("{value:.0}") }
}

/// Milliseconds without the unit: `6.3`, `63`.
#[must_use]
pub fn millis(value: f64) -> String {
    if value.abs() < 9.95 { format!("{value:.1}") } else { format!("{value:.0}") }
}

/// An instant of the session, `12:34`, `1:02:03`.
#[must_use]
pub fn clock(at_s: f64) -> String {
    let sign = if at_s < -0.5 { "-" } else { "" };
    let whole = at_s.abs().round() as u64;
    let (hours, minutes, secs) = (whole / 3_600, whole / 60 % 60, whole % 60);
    if hours > 0 {
        format!("{sign}{hours}:{minutes:02}:{secs:02}")
    } else {
        format!("{sign}{minutes}:{secs:02}")
    }
}

/// An instant with tenths, `12:34.5`.
#[must_use]
pub fn clock_tenths(at_s: f64) -> String {
    let tenths = (at_s.max(0.0) * 10.0).floor();
    format!("{}.{}", clock((tenths / 10.0).floor()), (tenths % 10.0) as u8)
}

/// The digits of a share in percent, without the sign.
pub(crate) fn percent_digits(ratio: f64) -> String {
    let percent = ratio * 100.0;
    if percent <= 0.0 {
        "0".to_owned()
    } else if percent < 0.095 {
        format!("{percent:.2}")
    } else if percent < 9.95 {
        format!("{percent:.1}")
    } else {
        format!("{percent:.0}")
    }
}

/// A share, `1.2 %`.
#[must_use]
pub fn percent(ratio: f64) -> String {
    format!("{} %", percent_digits(ratio))
}

/// The interval of a share, `0.9 to 1.5 %`.
#[must_use]
pub fn percent_interval([low, high]: [f64; 2]) -> String {
    format!("{} to {} %", percent_digits(low), percent_digits(high))
}

/// What the median says of a time.
pub const HALF: &str = "half within";
/// What the 90th percentile says.
pub const NINETY: &str = "9 in 10 within";
/// What the 99th percentile says.
pub const NINETY_NINE: &str = "99 in 100 within";

/// A latency with what it bounds: `62 ms`, `at most 62 ms`. One without any bound is no figure, and is not to be shown.
#[must_use]
pub fn bounded_ms(value: f64, bound: Bound) -> String {
    let at_most = if bound == Bound::TwoSided { "" } else { "at most " };
    format!("{at_most}{} ms", millis(value))
}

/// A percentile in words: `half within 53 ms`, `half within at most 53 ms`.
#[must_use]
pub fn within(name: &str, bound: Bound, value: f64) -> String {
    format!("{name} {}", bounded_ms(value, bound))
}

/// The interval of milliseconds, `59 to 67`.
#[must_use]
pub fn millis_interval([low, high]: [f64; 2]) -> String {
    format!("{} to {}", millis(low), millis(high))
}

/// A count with separators, `12,345`.
#[must_use]
pub fn count(value: u64) -> String {
    let digits = value.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A count of things, `1 freeze`, `9 freezes`.
#[must_use]
pub fn counted(value: u64, one: &str, many: &str) -> String {
    format!("{} {}", count(value), if value == 1 { one } else { many })
}

/// A size, `3.4 MB`.
#[must_use]
pub fn bytes(value: u64) -> String {
    let value = value as f64;
    if value < 1e3 {
        format!("{value:.0} B")
    } else if value < 1e6 {
        format!("{:.0} kB", value / 1e3)
    } else if value < 1e9 {
        format!("{:.1} MB", value / 1e6)
    } else {
        format!("{:.1} GB", value / 1e9)
    }
}

/// The symbol of a state; it means the same without colour.
#[must_use]
pub const fn symbol(state: LinkState) -> &'static str {
    match state {
        LinkState::Failing => "×",
        LinkState::Good => "●",
        LinkState::Heard => "◇",
        LinkState::Warning => "▲",
        LinkState::Alarm => "◆",
        LinkState::Silent => "–",
        LinkState::Unknown => "○",
    }
}

/// The control radio's frame interval with its own interval, in words.
#[must_use]
pub fn control_frames(latency: &LatencySummary) -> Option<String> {
    let (frame_ms, [low, high]) = latency.control_frame_ms.zip(latency.control_frame_ci95_ms)?;
    // The interval is mostly finer than is of use: it is widened to the last digit shown.
    let (low, high) = ((low * 100.0).floor() / 100.0, (high * 100.0).ceil() / 100.0);
    Some(format!("every {frame_ms:.2} ms ({low:.2} to {high:.2})"))
}

/// Holds of the control input, in words.
#[must_use]
pub fn control_holds(holds: Option<&ControlHolds>) -> String {
    let Some(holds) = holds else { return format!("{NOT_MEASURED}: sticks or RC input were not seen") };
    if holds.moving_s <= 0.0 {
        return format!("{NOT_MEASURED}: no stick moved");
    }
    let longest = match holds.count {
        0 => String::new(),
        _ => format!(", longest {}", seconds(holds.longest_s)),
    };
    let (count, moving) = (counted(holds.count, "hold", "holds"), seconds(holds.moving_s));
    format!("{count}{longest}, in {moving} of moving sticks")
}

/// A latency that changed, in words.
#[must_use]
pub fn latency_change(change: &LatencyChange, bound: Bound) -> String {
    let side = |median, interval| format!("{} ({})", bounded_ms(median, bound), millis_interval(interval));
    format!(
        "changed at {}: {HALF} {} before, {} after",
        clock(change.at_s),
        side(change.before_p50_ms, change.before_p50_ci95_ms),
        side(change.after_p50_ms, change.after_p50_ci95_ms)
    )
}

/// What the vibration goes with, a line each: outputs where nothing else explains them.
#[must_use]
pub fn vibration_drivers(rows: &[VibrationAgainst]) -> Vec<String> {
    let told = || rows.iter().filter(|row| row.told);
    let is_told = |row: &&VibrationAgainst| row.output.is_none() || row.alone == Some(true);
    let mut lines: Vec<String> = told().filter(is_told).map(vibration_against).collect();
    if lines.is_empty() {
        let outputs: Vec<String> = told().filter_map(|row| Some(row.output?.to_string())).collect();
        if !outputs.is_empty() {
            lines.push(format!("goes with outputs {}: which of them cannot be told", outputs.join(", ")));
        }
    }
    lines
}

fn vibration_against(row: &VibrationAgainst) -> String {
    let at = match row.driver {
        VibrationDriver::Throttle => format!("{:.0} % throttle", row.above),
        VibrationDriver::MotorSpeed => format!("{:.0} turns a second of the motors", row.above),
        VibrationDriver::Voltage => format!("{:.1} V of the battery", row.above),
        VibrationDriver::Output => {
            let output = row.output.unwrap_or_default();
            return format!(
                "follows output {output}, more than anything else: at {:.0} us and more {}, below it {}",
                row.above,
                strength(row.level_above),
                strength(row.level_below)
            );
        }
    };
    format!("at {at} and more {}, below it {}", strength(row.level_above), strength(row.level_below))
}

fn strength(level: Option<f64>) -> String {
    level.map_or_else(|| NOT_MEASURED.to_owned(), |level| format!("{level:.1}"))
}

/// How often each sensor clipped, in words.
#[must_use]
pub fn clipping(sensors: [u64; 3]) -> String {
    let clipped = (1..).zip(sensors).filter(|(_, times)| *times > 0);
    let named: Vec<String> = clipped
        .map(|(sensor, times)| format!("sensor {sensor} clipped {}", counted(times, "time", "times")))
        .collect();
    if named.is_empty() { "no clipping".to_owned() } else { named.join(", ") }
}

/// What the packets say of a freeze, in few words.
#[must_use]
pub const fn course(course: Course) -> &'static str {
    match course {
        Course::Open => "",
        Course::Lost => "packets lost",
        Course::Late => "packets late, none lost",
        Course::SenderPaused => "the sender paused, not the radio",
        Course::SenderRestarted => "the sender began anew, not the radio",
        Course::Stalled => "this computer stood still, not the radio",
        Course::Off => "switched off, no freeze",
        Course::Heap => "delivered in batches, not the radio",
        Course::HostDrops => "this computer lost data, not the radio",
    }
}

/// What an event is of, for people.
#[must_use]
pub fn kind(word: &str) -> &str {
    match word {
        "lost" => "silent",
        "back" => "heard",
        "lost-vehicle" => "lost",
        "restart-aloft" => "restart",
        "handset-off" | "handset-on" => "handset",
        "host-drop" => "own loss",
        "clock-step" => "clock set",
        "stamp-back" => "stamp back",
        "stamp-ahead" => "stamp ahead",
        "stamp-off" => "stamp off",
        other => other,
    }
}

/// A video codec, as it is written.
#[must_use]
pub const fn codec(codec: Codec) -> &'static str {
    match codec {
        Codec::H264 => "H.264",
        Codec::H265 => "H.265",
    }
}

/// The instant of a stamp such as `2026-05-04T09:12:33.120Z`, `2026-05-04 09:12`.
#[must_use]
pub fn date(utc: &str) -> String {
    utc.get(..16).unwrap_or(utc).replace('T', " ")
}

/// How often differences at least so large come by chance alone (a p-value), in words.
#[must_use]
pub fn by_chance(p: f64) -> String {
    if p < 0.01 {
        "so far apart by chance in less than 1 of 100".to_owned()
    } else {
        format!("so far apart by chance in {:.0} of 100", p * 100.0)
    }
}

#[cfg(test)]
mod tests {
    use crate::wording::quantity::*;

    #[test]
    fn no_hold_is_said_only_of_sticks_that_moved() {
        let holds =
            |count, moving_s| ControlHolds { count, longest_s: 0.42, moving_s, ..ControlHolds::default() };
        let said = |holds: Option<ControlHolds>| control_holds(holds.as_ref());
        assert_eq!(said(None), "not measured: sticks or RC input were not seen");
        assert_eq!(said(Some(holds(0, 0.0))), "not measured: no stick moved");
        assert_eq!(said(Some(holds(0, 12.0))), "0 holds, in 12 s of moving sticks");
        assert_eq!(said(Some(holds(1, 12.0))), "1 hold, longest 0.4 s, in 12 s of moving sticks");
    }

    #[test]
    fn every_quantity_carries_its_unit() {
        assert_eq!(level(-71.24, LevelUnit::Dbm), "-71.2 dBm");
        assert_eq!(level(171.0, LevelUnit::Raw), "171 units");
        assert_eq!(difference(9.8, LevelUnit::Dbm), "9.8 dB");
        assert_eq!(trend(-0.83, LevelUnit::Dbm), "↘ -0.8 dB/s");
        assert_eq!(trend(-0.01, LevelUnit::Dbm), "→ steady");
        assert_eq!(seconds(41.2), "41 s");
        assert_eq!(seconds(700.0), "12 min");
        assert_eq!([short_span(0.061), short_span(0.2)], ["61 ms", "0.2 s"]);
        assert_eq!(within(HALF, Bound::TwoSided, 53.2), "half within 53 ms");
        assert_eq!(within(NINETY, Bound::Upper, 71.4), "9 in 10 within at most 71 ms");
        assert_eq!(metres(1_240.0), "1.24 km");
        let to = Some(BatteryEnd::Cutoff);
        assert_eq!(minutes_left(8.04, Some([6.5, 11.2]), None), "about 8.0 min left (6.5 to 11)");
        assert_eq!(minutes_left(0.0, Some([0.0; 2]), to), "at its cut-off voltage: land");
        assert_eq!(clock(3_723.0), "1:02:03");
        assert_eq!(clock_tenths(59.96), "0:59.9");
        assert_eq!(percent(0.0123), "1.2 %");
        assert_eq!(percent_interval([0.0, 0.5]), "0 to 50 %");
        assert_eq!(count(1_234_567), "1,234,567");
        assert_eq!(counted(1, "move", "moves"), "1 move");
        assert_eq!(bytes(3_400_000), "3.4 MB");
        assert_eq!(date("2026-05-04T09:12:33.120Z"), "2026-05-04 09:12");
        assert_eq!(by_chance(0.0), "so far apart by chance in less than 1 of 100");
        assert_eq!(by_chance(0.41), "so far apart by chance in 41 of 100");
    }
}
