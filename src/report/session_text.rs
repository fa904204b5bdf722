//! The summary as plain text, for a terminal or a log.
//!
//! Each section says "not measured" with the reason where it has nothing. Nothing
//! is computed here.

use std::io;
use std::io::Write;

use super::{metres, section, video_text, wifi_text, with_unit};
use crate::summary::{
    Bound, ClockSummary, EventsLeftOut, Interval, LatencyStage, LinkSummary, PowerSummary, RangeSummary,
    RatioEstimate, Reason, SignalSummary, Stream, Summary,
};
use crate::wording::caution::INSTRUMENT;
use crate::wording::latency_advice::Asked;
use crate::wording::{advice, failsafe_steps, limit, quantity, session_sentence};

/// Writes the whole summary.
pub fn write_to(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    writeln!(out, "{}", summary.recording.file)?;
    session(out, summary)?;
    heading(out, summary)?;
    verdicts(out, summary)?;
    links(out, summary)?;
    streams(out, &summary.streams)?;
    latency(out, summary)?;
    super::stick_text::write_to(out, &summary.sticks)?;
    signal(out, &summary.signal)?;
    wifi_text::write_to(out, &summary.transmitters)?;
    range(out, summary)?;
    video_text::write_to(out, summary)?;
    super::threshold_text::write_to(out, &summary.thresholds)?;
    failsafe(out, summary)?;
    super::vibration_text::write_to(out, summary)?;
    super::timing_text::write_to(out, &summary.timing)?;
    power(out, summary)?;
    super::health_text::write_to(out, summary.health.as_ref())?;
    clocks(out, &summary.clocks)?;
    events(out, summary)?;
    writeln!(out, "\n{INSTRUMENT}")
}

fn heading(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    let recording = &summary.recording;
    let unknown = || "start unknown (no wall clock in the file)".to_owned();
    let start =
        recording.start_utc.as_deref().map_or_else(unknown, |utc| format!("{} UTC", quantity::date(utc)));
    section(out, "Recording")?;
    writeln!(
        out,
        "  {start}, {} long, {}",
        quantity::clock_tenths(recording.duration_s),
        quantity::counted(recording.records, "record", "records")
    )?;
    if !recording.tags.is_empty() {
        let tags: Vec<String> = recording.tags.iter().map(|(key, value)| format!("{key}={value}")).collect();
        writeln!(out, "  {}", tags.join(", "))?;
    }
    if recording.truncated {
        writeln!(out, "  the file ends inside a record: everything before it is counted")?;
    }
    match recording.host_drops {
        Some(0) => writeln!(out, "  this computer lost nothing itself")?,
        Some(drops) => writeln!(out, "  this computer lost data itself: {drops}")?,
        None => {}
    }
    if let Some(stalled_s) = recording.stalled_s.filter(|stalled_s| *stalled_s > 0.0) {
        writeln!(out, "  this computer stood still for {stalled_s:.1} s in all")?;
    }
    let framing = summary.framing;
    writeln!(
        out,
        "  {}, {}, {} outside frames, {} of unknown ids",
        quantity::counted(framing.frames, "frame", "frames"),
        quantity::counted(framing.crc_errors, "checksum failure", "checksum failures"),
        quantity::counted(framing.skipped_bytes, "byte", "bytes"),
        quantity::counted(framing.unknown_ids, "frame", "frames")
    )
}

/// How the session went; the least margin, drill and latency in one line each.
pub fn session(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    for verdict in session_sentence::told(summary) {
        writeln!(out, "  {:<11} {}", verdict.word.word(), session_sentence::text(verdict))?;
    }
    for (name, text) in session_sentence::beside(summary) {
        writeln!(out, "  {name:<11} {text}")?;
    }
    Ok(())
}

fn verdicts(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    section(out, "At the last instant")?;
    for verdict in &summary.verdicts {
        writeln!(out, "  {:<8} {}", verdict.state.word(), advice::text(verdict))?;
    }
    Ok(())
}

fn links(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    if summary.links.is_empty() {
        return Ok(());
    }
    section(out, "Links")?;
    for link in &summary.links {
        writeln!(out, "  {:<12} {}", link.link, link_line(link))?;
    }
    Ok(())
}

fn link_line(link: &LinkSummary) -> String {
    let mut parts = vec![format!("loss {}", ratio(link.loss.as_ref()))];
    if let Some(available) = link.availability_ratio {
        parts.push(format!("data in {:.1} % of seconds", available * 100.0));
    }
    if let Some(silence) = link.longest_silence_s {
        parts.push(format!("longest silence {silence:.2} s"));
    }
    match (&link.margin_db, &link.margin_raw) {
        (Some(margin), _) => {
            parts.push(format!("margin at the end {}, lowest {}", db(margin.end), db(margin.min)));
        }
        (None, Some(margin)) => {
            parts.push(format!(
                "margin at the end {}, lowest {} units",
                super::number(margin.end, 1),
                super::number(margin.min, 1)
            ));
        }
        (None, None) => parts.push("margin not measured".to_owned()),
    }
    if link.warnings + link.alarms > 0 {
        let warnings = quantity::counted(link.warnings, "warning", "warnings");
        parts.push(format!("{warnings}, {}", quantity::counted(link.alarms, "alarm", "alarms")));
    }
    parts.join("; ")
}

fn streams(out: &mut dyn Write, streams: &[Stream]) -> io::Result<()> {
    section(out, "What goes missing (MAVLink, per sender and interface)")?;
    if streams.is_empty() {
        return writeln!(out, "  not measured: no MAVLink frame was heard");
    }
    writeln!(
        out,
        "  {:<10} {:>7} {:>9} {:>8} {:>6} {:>6} {:>22} {:>8}  remark",
        "interface", "sender", "received", "lost", "copies", "late", "loss (95 %)", "silence"
    )?;
    for stream in streams {
        let sender = format!("{}/{}", stream.system, stream.component);
        let loss = if stream.link_loss { ratio(stream.loss.as_ref()) } else { "-".to_owned() };
        writeln!(
            out,
            "  {:<10} {sender:>7} {:>9} {:>8} {:>6} {:>6} {loss:>22} {:>6.2} s  {}",
            stream.interface,
            quantity::count(stream.received),
            stream.lost.map_or_else(|| "-".to_owned(), quantity::count),
            quantity::count(stream.duplicates),
            quantity::count(stream.out_of_order),
            stream.longest_silence_s,
            stream.why_not.map_or_else(|| stream.link.clone().unwrap_or_default(), |why| why.to_string())
        )?;
    }
    Ok(())
}

fn latency(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    section(out, "Latency, from the stick value's arrival here to the commanded output")?;
    let (latency, asked) = (&summary.latency, Asked::of_summary(summary));
    let stages = [&latency.stick_to_servo, &latency.stick_to_input, &latency.input_to_servo];
    let named = advice::STAGES.into_iter().zip(stages);
    for ((name, stage), missing) in named.zip(&latency.drawing.missing) {
        match (stage, missing) {
            (Some(stage), _) if stage.is_bounded() => writeln!(out, "  {name:<16} {}", stage_line(stage))?,
            (Some(_), _) => {
                writeln!(out, "  {name:<16} not measured: {}", asked.missing(Reason::NoBound))?;
            }
            (None, Some(why)) => writeln!(out, "  {name:<16} not measured: {}", asked.missing(*why))?,
            (None, None) => {
                writeln!(out, "  {name:<16} not measured: its two ends were not both seen moving")?;
            }
        }
    }
    let frames = quantity::control_frames(&summary.latency);
    let frames =
        frames.as_deref().unwrap_or("not measured: no steady frame interval of the control radio stands out");
    writeln!(out, "  {:<16} {frames}", "control frames")?;
    writeln!(out, "  {:<16} {}", "holds", quantity::control_holds(summary.control_holds.as_ref()))
}

fn stage_line(stage: &LatencyStage) -> String {
    let percentile = |name: &str, value: Option<f64>, interval: Option<Interval>, needed: u64| match value {
        Some(value) => {
            format!("{}{}", quantity::within(name, stage.bound, value), interval_text(interval, 0))
        }
        None if needed == 0 => {
            format!("{}: not measured, both ends are sampled too slowly", name.trim_end_matches(" within"))
        }
        None => format!(
            "{}: needs {}",
            name.trim_end_matches(" within"),
            quantity::counted(needed, "more move", "more moves")
        ),
    };
    let needed = stage.moves_needed;
    let mut parts = vec![
        percentile(quantity::HALF, stage.p50_ms, stage.p50_ci95_ms, needed.p50),
        percentile(quantity::NINETY, stage.p90_ms, stage.p90_ci95_ms, needed.p90),
        percentile(quantity::NINETY_NINE, stage.p99_ms, stage.p99_ci95_ms, needed.p99),
        quantity::counted(stage.events, "move", "moves"),
    ];
    parts.extend(stage.change.as_ref().map(|change| quantity::latency_change(change, stage.bound)));
    match (stage.bound, stage.clock_uncertainty_ms) {
        (Bound::TwoSided, Some(clock)) => parts.push(format!("clock ±{clock:.1} ms")),
        (Bound::TwoSided, None) => {}
        (Bound::Upper | Bound::None, _) => parts.push("the clock is aligned one way only".to_owned()),
    }
    parts.join("; ")
}

fn signal(out: &mut dyn Write, rows: &[SignalSummary]) -> io::Result<()> {
    section(out, "Levels")?;
    if rows.is_empty() {
        return writeln!(out, "  not measured: no radio reported (RADIO_STATUS)");
    }
    for row in rows {
        let name = row.link.clone().unwrap_or_else(|| row.radio_name());
        let snr = row.snr_median_db.map_or_else(String::new, |snr| format!("; above noise {snr:.1} dB"));
        writeln!(
            out,
            "  {name:<12} {:<4} median {}, 5 % below {}, lowest {} {}{snr}; {}",
            row.direction.word(),
            super::number(row.median, 1),
            super::number(row.p05, 1),
            super::number(row.min, 1),
            row.unit.label(),
            quantity::counted(row.samples, "sample", "samples")
        )?;
    }
    Ok(())
}

fn range(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    section(out, "Range (slant distance from the handset)")?;
    if summary.range.is_empty() {
        return writeln!(out, "  not measured: no link of the profile has a level or a distance");
    }
    for row in &summary.range {
        let limit = limit_word(summary, &row.link);
        writeln!(out, "  {:<12} {}", row.link, range_line(row, limit))?;
        for line in super::range_text::lines(row, limit) {
            writeln!(out, "  {:<12} {line}", "")?;
        }
    }
    Ok(())
}

/// What begins at a link's limit, in one word; a radio that no link names has just a limit.
fn limit_word(summary: &Summary, link: &str) -> &'static str {
    let row = summary.links.iter().find(|row| row.link == link);
    row.map_or("limit", |row| limit::event(row.role.limit_event()))
}

fn range_line(row: &RangeSummary, limit: &str) -> String {
    let Some(origin) = row.origin else {
        return "not measured: the handset's position is unknown (profile, mark, or home position)"
            .to_owned();
    };
    let mut parts = vec![
        format!("farthest {}", metres(row.max_distance_m)),
        proven(row),
        row.claimed_m.map_or_else(
            || "no claim in the profile".to_owned(),
            |claim| format!("claimed {}", quantity::metres(claim)),
        ),
    ];
    match row.predicted_freeze_m {
        Some(distance) => {
            let interval = interval_text(row.predicted_freeze_ci95_m, 0);
            parts.push(format!("{limit} expected at {distance:.0} m{interval}"));
        }
        None => parts.push(format!("distance of the first {limit} not predicted")),
    }
    if let Some(exponent) = row.path_loss_exponent {
        let interval = interval_text(row.path_loss_exponent_ci95, 2);
        parts.push(format!("levels fall with exponent {exponent:.2}{interval}"));
    }
    parts.push(format!("from {}", origin.word().replace('_', " ")));
    parts.join("; ")
}

/// How far is proven, by how many seconds, and what ended the proof.
fn proven(row: &RangeSummary) -> String {
    let why = row.proof_end.as_ref().map(limit::proof_end).unwrap_or_default();
    match row.proven_m {
        Some(proven) => {
            let seconds = row.proven_s.unwrap_or_default();
            let why = if why.is_empty() { why } else { format!(", {why}") };
            format!("worked to {} on that day ({seconds:.0} s of data{why})", quantity::metres(proven))
        }
        None if why.is_empty() => "how far it worked not measured: no 10 m have 5 s of data".to_owned(),
        None => format!("how far it worked not measured: {why}"),
    }
}

fn failsafe(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    section(out, "Failsafe")?;
    if summary.failsafe.is_empty() {
        return writeln!(out, "  {}", failsafe_steps::none(&summary.sticks));
    }
    for row in &summary.failsafe {
        writeln!(out, "  {}", failsafe_steps::line(row))?;
        for why in failsafe_steps::missing(row) {
            writeln!(out, "    {why}")?;
        }
    }
    Ok(())
}

fn power(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    section(out, "Power")?;
    if summary.power.is_empty() {
        return writeln!(out, "  not measured: no battery was reported");
    }
    for row in &summary.power {
        writeln!(
            out,
            "  battery {} of {}/{}: at the start {}, lowest {}, {}, {}",
            row.battery,
            row.system,
            row.component,
            with_unit(row.voltage_start_v, 2, "V"),
            with_unit(row.voltage_min_v, 2, "V"),
            row.used_mah.map_or_else(
                || "used charge not measured: no current is reported".to_owned(),
                |used| format!("used {used:.0} mAh")
            ),
            minutes_left(row)
        )?;
    }
    Ok(())
}

fn minutes_left(row: &PowerSummary) -> String {
    let untold = || {
        row.minutes_left_why_not
            .map_or_else(|| "minutes left: not measured".to_owned(), |why| why.to_string())
    };
    row.minutes_left.map_or_else(untold, |minutes| {
        quantity::minutes_left(minutes, row.minutes_left_ci95, row.minutes_left_to)
    })
}

pub(super) fn clocks(out: &mut dyn Write, rows: &[ClockSummary]) -> io::Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    section(out, "Clocks")?;
    for row in rows {
        let uncertainty = row
            .uncertainty_ms
            .map_or_else(|| "shortest delay unknown".to_owned(), |ms| format!("±{ms:.1} ms"));
        writeln!(
            out,
            "  {}/{} {}: {:.1} ms off, {:+.1} ppm, {uncertainty}",
            row.system,
            row.component,
            row.method.word(),
            row.offset_ms,
            row.skew_ppm
        )?;
    }
    Ok(())
}

fn events(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    const MOST: usize = 40;
    if summary.events.is_empty() {
        return Ok(());
    }
    section(out, "Events")?;
    for event in summary.events.iter().take(MOST) {
        let link = event.link.as_deref().unwrap_or("");
        writeln!(
            out,
            "  {:>9}  {:<12} {:<10} {}",
            quantity::clock_tenths(event.at_s),
            quantity::kind(event.event.kind()),
            link,
            crate::wording::event::text(event)
        )?;
    }
    for EventsLeftOut { kind, count } in &summary.events_left_out {
        writeln!(out, "  {count} more of kind '{}' came than are kept", quantity::kind(kind))?;
    }
    if summary.events.len() > MOST {
        writeln!(out, "  ... and {} more (--json lists all)", summary.events.len() - MOST)?;
    }
    Ok(())
}

fn db(value: Option<f64>) -> String {
    value.map_or_else(|| "not measured".to_owned(), |value| format!("{value:.1} dB"))
}

fn ratio(estimate: Option<&RatioEstimate>) -> String {
    estimate.map_or_else(
        || "not measured".to_owned(),
        |loss| {
            let [low, high] = loss.ci95;
            format!("{:.2} % ({:.2} to {:.2})", loss.ratio * 100.0, low * 100.0, high * 100.0)
        },
    )
}

fn interval_text(interval: Option<Interval>, places: usize) -> String {
    interval.map_or_else(String::new, |[low, high]| format!(" ({low:.places$} to {high:.places$})"))
}
