//! What a report page says besides the figures: titles of its pictures, what they show, and what is absent and why.

use crate::snapshot::{Lane, RangeView, Snapshot};
use crate::summary::{
    Event, LatencyStage, MarginChange, RangeSummary, RecordingSummary, Summary, Threshold, TimingSummary,
};
use crate::units::LevelUnit;

use super::{advice, event, limit, quantity, regularity};

/// Before the bars of loss.
pub const LOST: &str = "lost";
/// Over the median of a histogram.
pub const HALF: &str = "half";
/// The level that theory gives without ground.
pub const FREE_SPACE: &str = "free space";
/// The level that theory gives over flat ground.
pub const TWO_RAYS: &str = "two rays";
/// The line through the levels.
pub const FITTED: &str = "fit";
/// Before the row of bins.
pub const WORKED: &str = "link";
/// At its place on the map.
pub const HANDSET: &str = "handset";
/// Under the arrow of the map.
pub const NORTH: &str = "N";

/// Under the charts of links.
pub const LANES: &str = "Line: mean level; band: lowest to highest in each column; red line: the link's limit. Violet: \
    frozen or held. Bars below: share lost, full height from 50 % on; red: silent; grey: this computer lost data itself. \
    Triangle: a warning began; diamond: an alarm.";
/// Under the charts of distance.
pub const DISTANCES: &str = "Small dots: seconds; line with dots: the median of each 10 m or more. Row below: where the \
    link worked that day (green), failed (red, higher), or was not measured (grey). Shaded: the interval of the prediction.";
/// Under maps.
pub const MAPS: &str = "North is up; metres from the handset, or from the first place if the handset's is not known. \
    Coloured by level, the weakest on top; crosses: the link failed there.";
/// Under histograms.
pub const HISTOGRAMS: &str =
    "Each bar is the share of its span of time. Shaded: the 95 % interval of the median.";
/// Under the chart of vibration.
pub const VIBRATION: &str = "Largest value in each column: x blue, y orange, z green; red line: the limit; violet: a freeze or a mark began.";
/// Over the only session of a page.
pub const SESSION: &str = "How the session went";
/// Over sessions held against each other.
pub const COMPARED: &str = "fadewatch: sessions compared";
/// Over the table of their figures.
pub const DIFFERENCES: &str = "every figure of both sides";
/// Over the explanations.
pub const HOW: &str = "How each figure is got";
/// What intervals are.
pub const INTERVALS: &str = "Figures in brackets are 95 % intervals. \"Not measured\" is never zero.";

/// Why there is no chart of a link.
pub const NO_LANES: &str = "not measured: no radio, sender or video stream was heard that a link can be made of; name \
    links in a profile (fadewatch explain profile)";
/// Why there is no row of a link.
pub const NO_LINKS: &str = "no profile names links: margins and warnings need one (fadewatch profile new)";
/// Why there is no sender.
pub const NO_STREAMS: &str = "not measured: no MAVLink frame was heard";
/// Why nothing is timed.
pub const NO_TIMING: &str = "not measured: nothing came often enough";
/// Why there is no range.
pub const NO_RANGE: &str = "not measured: no link of the profile has a level or a distance; the vehicle must send its \
    position, and the handset's must be known (fadewatch explain distance)";
/// Why there is no map.
pub const NO_MAP: &str =
    "not measured: the vehicle sends no position, or has no fix yet (GLOBAL_POSITION_INT)";
/// Why there is no picture.
pub const NO_VIDEO: &str =
    "not measured: neither RTP packets nor marks were seen; name the video's port in the profile";
/// Nothing froze.
pub const NO_FREEZES: &str = "the picture never froze";
/// Why there are no sticks.
pub const NO_STICKS: &str = "not measured: the vehicle reports no RC channels (RC_CHANNELS)";
/// Why there is no battery.
pub const NO_POWER: &str = "not measured: the vehicle reports no battery (BATTERY_STATUS)";
/// No profile was used.
pub const NO_PROFILE: &str = "no profile: what is known of links is what was heard";
/// Nothing was named.
pub const NO_TAGS: &str = "no equipment tags: --tag antenna=panel says what was flown";
/// The file's end.
pub const TRUNCATED: &str = "the file ends inside a record: everything before it is counted";

/// A page's title.
#[must_use]
pub fn page_title(recordings: &[&RecordingSummary]) -> String {
    match recordings {
        [one] => format!("fadewatch: {}", one.file),
        all => format!("fadewatch: {}", quantity::counted(all.len() as u64, "session", "sessions")),
    }
}

/// When a recording began.
#[must_use]
pub fn start(recording: &RecordingSummary) -> String {
    let unknown = || "start unknown (no wall clock in the file)".to_owned();
    recording.start_utc.as_deref().map_or_else(unknown, |utc| format!("{} UTC", quantity::date(utc)))
}

/// Which part of a session the pictures over time show; `None`: all of it.
#[must_use]
pub fn window(from_s: f64, to_s: f64, now_s: f64) -> Option<String> {
    let text = || {
        let (from, to) = (quantity::clock(from_s), quantity::clock(to_s));
        format!(
            "shown from {from} to {to}: before and after it the vehicle was not heard yet, or was switched off"
        )
    };
    (from_s > 0.0 || to_s < now_s).then(text)
}

/// What the chart of a link shows.
#[must_use]
pub fn lane_title(lane: &Lane, summary: &Summary) -> String {
    let mut parts = vec![format!("{} over the session", lane.link)];
    let cells = || lane.level.iter().flatten();
    let low = cells().map(|cell| cell.min).reduce(f64::min);
    if let (Some(low), Some(high)) = (low, cells().map(|cell| cell.max).reduce(f64::max)) {
        parts.push(format!("level {low:.0} to {high:.0} {}", lane.unit.unwrap_or_default().label()));
    }
    if let (Some(level), Some(unit)) = (lane.threshold, lane.unit) {
        parts.push(format!("{} {}", limit::name_of(lane.role), quantity::level(level, unit)));
    }
    if let Some(loss) = lane.loss_so_far {
        parts.push(format!("{} lost", quantity::percent(loss.ratio)));
    }
    let count = |wanted: MarginChange| {
        let is_one = |row: &&crate::summary::EventSummary| {
            row.link.as_deref() == Some(&lane.link)
                && matches!(row.event, Event::Margin { change, .. } if change == wanted)
        };
        summary.events.iter().filter(is_one).count() as u64
    };
    // Without a limit nothing could have warned.
    if lane.threshold.is_some() {
        parts.push(quantity::counted(count(MarginChange::Warning), "warning", "warnings"));
        parts.push(quantity::counted(count(MarginChange::Alarm), "alarm", "alarms"));
    }
    parts.join(", ")
}

/// What the row of phases shows.
#[must_use]
pub fn phases_title(summary: &Summary) -> String {
    let phase = |row: &crate::summary::PhaseSummary| {
        format!("{} from {}", event::phase_title(row.phase), quantity::clock(row.from_s))
    };
    summary.phases.iter().map(phase).collect::<Vec<_>>().join(", ")
}

/// What the chart of vibration shows.
#[must_use]
pub fn vibration_title(picture: &Snapshot) -> String {
    let most = |axis: &[Option<f64>]| {
        let most = axis.iter().flatten().copied().reduce(f64::max);
        most.map_or_else(|| quantity::NOT_MEASURED.to_owned(), |most| format!("{most:.1}"))
    };
    let [x, y, z] = &picture.vibration.axes;
    format!("vibration over the session, highest x {}, y {}, z {}", most(x), most(y), most(z))
}

/// What the histogram of a stage shows.
#[must_use]
pub fn stage_title(place: usize, stage: &LatencyStage) -> String {
    let mut parts = vec![advice::STAGES[place.min(2)].to_owned()];
    parts.extend(stage.p50_ms.map(|half| quantity::within(quantity::HALF, stage.bound, half)));
    parts.extend(stage.p90_ms.map(|most| quantity::within(quantity::NINETY, stage.bound, most)));
    parts.push(quantity::counted(stage.events, "move", "moves"));
    parts.join(", ")
}

/// What the histogram of something timed shows.
#[must_use]
pub fn timing_title(row: &TimingSummary) -> String {
    format!("{}: {}", regularity::name(row), regularity::parts(row).join(", "))
}

/// The same with what lies beyond the last bar.
#[must_use]
pub fn with_beyond(title: &str, share: f64, end_ms: f64) -> String {
    if share < 0.000_05 {
        return title.to_owned();
    }
    format!("{title}; {} beyond {end_ms:.0} ms", quantity::percent(share))
}

/// What the chart of level against distance shows.
#[must_use]
pub fn distance_title(row: &RangeSummary, threshold: Option<&Threshold>) -> String {
    let mut parts = vec![format!("{}: level against distance", row.link)];
    parts.extend(row.max_distance_m.map(|far| format!("farthest {}", quantity::metres(far))));
    parts.extend(row.proven_m.map(worked_to));
    parts.extend(row.predicted_freeze_m.map(|at| predicted(at, threshold)));
    parts.join(", ")
}

/// `worked to 99 m`.
#[must_use]
pub fn worked_to(at_m: f64) -> String {
    format!("worked to {}", quantity::metres(at_m))
}

/// `freeze expected at 108 m`.
#[must_use]
pub fn predicted(at_m: f64, threshold: Option<&Threshold>) -> String {
    let what = threshold.map_or("limit", |threshold| limit::event(threshold.event));
    format!("{what} expected at {}", quantity::metres(at_m))
}

/// Whether a bin passed.
#[must_use]
pub const fn passed(passed: Option<bool>) -> &'static str {
    match passed {
        Some(true) => "worked",
        Some(false) => "failed",
        None => quantity::NOT_MEASURED,
    }
}

/// What a map shows.
#[must_use]
pub fn map_title(view: &RangeView, levels: Option<[f64; 2]>, unit: LevelUnit) -> String {
    let far = view.track.iter().map(|point| point.east_m.hypot(point.north_m)).fold(0.0, f64::max);
    let from = if view.handset_known { "the handset" } else { "its first place" };
    let levels = levels.map_or_else(
        || "no level known".to_owned(),
        |[low, high]| format!("coloured by level, {low:.0} to {high:.0} {}", unit.label()),
    );
    format!("map of the way: up to {} from {from}; {}: {levels}", quantity::metres(far), view.link)
}
