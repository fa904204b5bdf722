//! What a page says of the links: over time, what goes missing, latency, timing, distance, the way, the picture.

use super::session_part::SessionPart;
use super::{distance_chart, ground_map, histogram_charts, time_charts};
use crate::report::{range_text, threshold_text, video_text, wifi_text};
use crate::snapshot::RangeView;
use crate::summary::{Freeze, Interval, LatencyStage, LinkSummary, RatioEstimate, Reason, Stream, Summary};
use crate::units::LevelUnit;
use crate::wording::latency_advice::Asked;
use crate::wording::quantity::NOT_MEASURED;
use crate::wording::{advice, health_words, limit, page_words, quantity, reason, regularity};

/// Rows of a table of freezes.
const MOST_FREEZES: usize = 200;
/// Times that are drawn.
const MOST_TIMED: usize = 8;

pub(super) fn write(part: &mut SessionPart<'_>) {
    part.section("Links over time", &["level", "margin", "freeze-limit", "availability", "loss"], &mut links);
    part.section("Picture", &["video", "freeze", "key-frames", "evidence"], &mut video);
    part.section("Latency", &["latency", "control-frames", "control-holds", "glass-to-glass"], &mut latency);
    part.section("Distance", &["distance", "worked-to", "path-loss", "theory", "direction"], &mut range);
    part.section("The way", &["distance", "level"], &mut way);
    part.section("Limits", &["freeze-limit", "agreement"], &mut |part| {
        let rows = &part.session.summary.thresholds;
        part.text(&|out| threshold_text::write_to(out, rows));
    });
    part.section("What goes missing", &["loss", "bursts"], &mut streams);
    part.section("Timing", &["timing", "jitter"], &mut timing);
    if !part.session.summary.transmitters.is_empty() {
        part.section("On the air", &["transmitters"], &mut |part| {
            let rows = &part.session.summary.transmitters;
            part.text(&|out| wifi_text::write_to(out, rows));
        });
    }
}

fn absent() -> String {
    NOT_MEASURED.to_owned()
}

fn between(value: String, interval: Option<Interval>, digits: usize) -> String {
    match interval {
        Some([low, high]) => format!("{value} ({low:.digits$} to {high:.digits$})"),
        None => value,
    }
}

fn ratio(estimate: Option<&RatioEstimate>) -> String {
    let text = |loss: &RatioEstimate| {
        format!("{} ({})", quantity::percent(loss.ratio), quantity::percent_interval(loss.ci95))
    };
    estimate.map_or_else(absent, text)
}

fn links(part: &mut SessionPart<'_>) {
    let (picture, summary) = (part.session.picture, part.session.summary);
    let phases = time_charts::phases(picture, part.name("phases", ""));
    part.figure(phases);
    if let Some(window) = page_words::window(picture.view.from_s, picture.view.to_s, picture.now_s) {
        part.absent(&window);
    }
    if picture.lanes.is_empty() {
        part.absent(page_words::NO_LANES);
    }
    for lane in &picture.lanes {
        let chart = time_charts::lane(picture, lane, part.name("link", &lane.link));
        if !part.figure(chart) {
            part.absent(&format!("{}: not measured: neither a level nor data was heard", lane.link));
        }
        if let Some(lacks) = reason::lane_lacks(lane) {
            part.absent(&format!("{}: {lacks}", lane.link));
        }
    }
    if !picture.lanes.is_empty() {
        part.page.element("p class=\"key\"", page_words::LANES);
    }
    if summary.links.is_empty() {
        return part.absent(page_words::NO_LINKS);
    }
    let heads = [
        "link",
        "lost",
        "data in",
        "longest silence",
        "margin at the end",
        "least margin",
        "warnings",
        "alarms",
    ];
    let rows: Vec<Vec<String>> = summary.links.iter().map(link_row).collect();
    part.page.table("links", &heads, &rows);
}

fn link_row(link: &LinkSummary) -> Vec<String> {
    let (margin, unit) = match (link.margin_db, link.margin_raw) {
        (Some(margin), _) => (Some(margin), LevelUnit::Dbm),
        (None, margin) => (margin, LevelUnit::Raw),
    };
    let margin_text =
        |value: Option<f64>| value.map_or_else(absent, |value| quantity::difference(value, unit));
    vec![
        link.link.clone(),
        ratio(link.loss.as_ref()),
        link.availability_ratio
            .map_or_else(absent, |ratio| format!("{} of seconds", quantity::percent(ratio))),
        link.longest_silence_s.map_or_else(absent, |silence| format!("{silence:.2} s")),
        margin_text(margin.and_then(|margin| margin.end)),
        margin_text(margin.and_then(|margin| margin.min)),
        quantity::count(link.warnings),
        quantity::count(link.alarms),
    ]
}

fn streams(part: &mut SessionPart<'_>) {
    let streams = &part.session.summary.streams;
    if streams.is_empty() {
        return part.absent(page_words::NO_STREAMS);
    }
    let heads = [
        "sender",
        "received",
        "lost",
        "share lost",
        "copies",
        "late",
        "restarts",
        "longest silence",
        "link, or why not",
    ];
    let row = |stream: &Stream| {
        vec![
            format!("{} {}/{}", stream.interface, stream.system, stream.component),
            quantity::count(stream.received),
            stream.lost.map_or_else(absent, quantity::count),
            if stream.link_loss { ratio(stream.loss.as_ref()) } else { "not counted".to_owned() },
            quantity::count(stream.duplicates),
            quantity::count(stream.out_of_order),
            quantity::count(stream.restarts),
            format!("{:.2} s", stream.longest_silence_s),
            stream.why_not.map_or_else(|| stream.link.clone().unwrap_or_default(), |why| why.to_string()),
        ]
    };
    let rows: Vec<Vec<String>> = streams.iter().map(row).collect();
    part.page.table("MAVLink, per sender and interface", &heads, &rows);
    let framing = part.session.summary.framing;
    part.page.paragraph(&format!(
        "{}, {}, {} outside frames, {} of unknown ids",
        quantity::counted(framing.frames, "frame", "frames"),
        quantity::counted(framing.crc_errors, "checksum failure", "checksum failures"),
        quantity::counted(framing.skipped_bytes, "byte", "bytes"),
        quantity::counted(framing.unknown_ids, "frame", "frames")
    ));
}

fn latency(part: &mut SessionPart<'_>) {
    let (summary, picture) = (part.session.summary, part.session.picture);
    let (latency, asked) = (&summary.latency, Asked::of_summary(summary));
    let stages = [&latency.stick_to_servo, &latency.stick_to_input, &latency.input_to_servo];
    let bounded = |stage: &&LatencyStage| stage.is_bounded();
    let mut rows = Vec::new();
    for (place, stage) in stages.iter().enumerate() {
        if let Some(stage) = stage.as_ref().filter(bounded) {
            rows.push(stage_row(place, stage));
            let chart = histogram_charts::stage(
                (place, stage),
                &picture.latency.stages[place].bins,
                part.name("latency", advice::STAGES[place]),
            );
            part.figure(chart);
        }
    }
    if !rows.is_empty() {
        part.page.element("p class=\"key\"", page_words::HISTOGRAMS);
        let heads =
            ["stage", quantity::HALF, quantity::NINETY, quantity::NINETY_NINE, "longest", "moves", "clock"];
        part.page.table("from the stick value's arrival here to the commanded output", &heads, &rows);
    }
    for (place, stage) in
        stages.iter().enumerate().filter(|(_, stage)| !stage.as_ref().is_some_and(LatencyStage::is_bounded))
    {
        let why = match (stage, latency.drawing.missing[place]) {
            (Some(_), _) => asked.missing(Reason::NoBound),
            (None, Some(why)) => asked.missing(why),
            (None, None) => "its two ends were not both seen moving".to_owned(),
        };
        part.absent(&format!("{}: {NOT_MEASURED}: {why}", advice::STAGES[place]));
    }
    let frames = quantity::control_frames(latency).unwrap_or_else(|| {
        format!("{NOT_MEASURED}: no steady frame interval of the control radio stands out")
    });
    let holds = quantity::control_holds(summary.control_holds.as_ref());
    let delay = picture.latency.glass_to_glass_ms.map_or_else(
        || format!("{NOT_MEASURED}: fadewatch stopwatch measures it, and it is entered in the profile"),
        |ms| {
            let interval = picture.latency.glass_to_glass_ci95_ms.map(quantity::millis_interval);
            let interval = interval.map_or_else(String::new, |interval| format!(" ({interval})"));
            format!("{} ms{interval}, as entered by hand", quantity::millis(ms))
        },
    );
    part.page.list(&[
        format!("control frames: {frames}"),
        format!("holds: {holds}"),
        format!("glass to glass: {delay}"),
    ]);
}

fn stage_row(place: usize, stage: &LatencyStage) -> Vec<String> {
    let percentile = |value: Option<f64>, interval: Option<Interval>, needed: u64| match (value, needed) {
        (Some(value), _) => {
            let interval = interval.map(|interval| format!(" ({})", quantity::millis_interval(interval)));
            format!("{}{}", quantity::bounded_ms(value, stage.bound), interval.unwrap_or_default())
        }
        (None, 0) => format!("{NOT_MEASURED}: both ends are sampled too slowly"),
        (None, needed) => format!("needs {}", quantity::counted(needed, "more move", "more moves")),
    };
    let needed = stage.moves_needed;
    let clock = match (stage.bound, stage.clock_uncertainty_ms) {
        (crate::summary::Bound::TwoSided, Some(0.0)) => "one clock".to_owned(),
        (crate::summary::Bound::TwoSided, Some(clock)) => format!("±{clock:.1} ms"),
        (crate::summary::Bound::TwoSided, None) => absent(),
        _ => "aligned one way only: at most".to_owned(),
    };
    let mut row = vec![
        advice::STAGES[place].to_owned(),
        percentile(stage.p50_ms, stage.p50_ci95_ms, needed.p50),
        percentile(stage.p90_ms, stage.p90_ci95_ms, needed.p90),
        percentile(stage.p99_ms, stage.p99_ci95_ms, needed.p99),
        stage.max_ms.map_or_else(absent, |ms| format!("{} ms", quantity::millis(ms))),
        quantity::count(stage.events),
        clock,
    ];
    if let Some(change) = &stage.change {
        row[6] = format!("{}; {}", row[6], quantity::latency_change(change, stage.bound));
    }
    row
}

fn timing(part: &mut SessionPart<'_>) {
    let timed = &part.session.timing;
    if timed.is_empty() {
        return part.absent(page_words::NO_TIMING);
    }
    for one in timed.iter().take(MOST_TIMED) {
        let chart = one.picture(part.name("timing", &regularity::name(&one.figures)));
        part.figure(chart);
    }
    let short = |ms: Option<f64>| ms.map_or_else(|| "too few".to_owned(), regularity::short);
    let rows: Vec<Vec<String>> = timed
        .iter()
        .map(|one| {
            let row = &one.figures;
            let times = [Some(row.p50_ms), row.p99_ms, row.p999_ms, Some(row.max_ms)].map(short);
            let mut cells = vec![regularity::name(row), quantity::count(row.samples)];
            cells.extend(times);
            cells
        })
        .collect();
    let heads = ["what", "times", "half within", "99 of 100 within", "999 of 1,000 within", "longest"];
    part.page.table("how regularly things come", &heads, &rows);
}

fn limit_word(summary: &Summary, link: &str) -> &'static str {
    let row = summary.links.iter().find(|row| row.link == link);
    row.map_or("limit", |row| limit::event(row.role.limit_event()))
}

fn range(part: &mut SessionPart<'_>) {
    let (summary, picture) = (part.session.summary, part.session.picture);
    if summary.range.is_empty() {
        return part.absent(page_words::NO_RANGE);
    }
    if let Some(why) = picture.range.first().and_then(|view| view.missing) {
        part.absent(&format!("{NOT_MEASURED}: {why}"));
    }
    let mut is_drawn = false;
    for row in &summary.range {
        let Some(view) = picture.range.iter().find(|view| view.link == row.link) else { continue };
        let threshold = summary.thresholds.iter().find(|threshold| threshold.link == row.link);
        let chart = distance_chart::picture(view, row, threshold, part.name("distance", &row.link));
        is_drawn |= part.figure(chart);
        let rows = distance_chart::bin_rows(view, row);
        if !rows.is_empty() {
            let heads = ["distance", "data", "median level", "lost", "that day"];
            part.page.inside("details", &mut |details| {
                details.element("summary", &format!("{}: each stretch of distance", row.link));
                details.table(&format!("{}: by distance", row.link), &heads, &rows);
            });
        }
    }
    if is_drawn {
        part.page.element("p class=\"key\"", page_words::DISTANCES);
    }
    let metres = |value: Option<f64>| value.map_or_else(absent, quantity::metres);
    let rows: Vec<Vec<String>> = summary
        .range
        .iter()
        .map(|row| {
            let exponent = row
                .path_loss_exponent
                .map(|value| between(format!("{value:.2}"), row.path_loss_exponent_ci95, 2));
            let expected = row
                .predicted_freeze_m
                .map(|at| between(quantity::metres(at), row.predicted_freeze_ci95_m, 0));
            let data = row.proven_s.map_or_else(String::new, |seconds| format!(", {seconds:.0} s of data"));
            let why =
                row.proof_end.as_ref().map(limit::proof).map_or_else(String::new, |why| format!("; {why}"));
            vec![
                row.link.clone(),
                format!("{}{data}{why}", metres(row.proven_m)),
                metres(row.max_distance_m),
                row.claimed_m.map_or_else(|| "no claim in the profile".to_owned(), quantity::metres),
                expected.unwrap_or_else(absent),
                metres(row.first_freeze_expected_m),
                exponent.unwrap_or_else(absent),
                quantity::count(row.samples),
            ]
        })
        .collect();
    let heads = [
        "link",
        "worked to",
        "farthest",
        "claimed",
        "limit expected at",
        "first failure expected at",
        "fall with distance",
        "samples",
    ];
    part.page.table("slant distance from the handset", &heads, &rows);
    for row in &summary.range {
        let lines = range_text::lines(row, limit_word(summary, &row.link));
        let lines: Vec<String> = lines.into_iter().map(|line| format!("{}: {line}", row.link)).collect();
        part.page.list(&lines);
    }
    if let Some(origin) = summary.range.iter().find_map(|row| row.origin) {
        part.page.paragraph(&format!("the handset's place is from: {}", origin.word().replace('_', " ")));
    }
}

fn way(part: &mut SessionPart<'_>) {
    let picture = part.session.picture;
    let unit = |link: &str| picture.lanes.iter().find(|lane| lane.link == link).and_then(|lane| lane.unit);
    // A way without levels is drawn only where no link has any.
    let has_levels = |view: &&RangeView| view.track.iter().any(|point| point.level.is_some());
    let any = picture.range.iter().any(|view| has_levels(&view));
    let views = picture.range.iter().filter(|view| !any || has_levels(view));
    let mut is_drawn = false;
    for view in views.take(if any { usize::MAX } else { 1 }) {
        let map =
            ground_map::picture(view, unit(&view.link).unwrap_or_default(), part.name("map", &view.link));
        is_drawn |= part.figure(map);
    }
    if is_drawn {
        part.page.element("p class=\"key\"", page_words::MAPS);
    } else {
        part.absent(page_words::NO_MAP);
    }
}

fn video(part: &mut SessionPart<'_>) {
    let (summary, picture) = (part.session.summary, part.session.picture);
    if summary.video_streams.is_empty() {
        return part.absent(page_words::NO_VIDEO);
    }
    let mut lines = Vec::new();
    for stream in &summary.video_streams {
        lines.push(video_text::video_line(stream));
        lines.extend(stream.packets.map(|_| video_text::key_line(stream)));
        lines.extend(stream.stopped_at_sender.iter().map(video_text::stopped_line));
    }
    part.page.list(&lines);
    let freezes = || summary.video_streams.iter().flat_map(|stream| stream.freeze_list.iter());
    let count = freezes().count();
    if count == 0 {
        return part.page.paragraph(page_words::NO_FREEZES);
    }
    let unit = video_text::video_unit(summary);
    let around = |at_s: f64| picture.vibration.around.iter().find(|(at, _)| (at - at_s).abs() < 1e-6);
    let row = |freeze: &Freeze| {
        let length =
            freeze.duration_s.map_or_else(|| "marked by hand".to_owned(), |length| format!("{length:.2} s"));
        let course = freeze.course.map(quantity::course).filter(|text| !text.is_empty());
        let strain =
            freeze.host_strain.as_deref().map(health_words::meanwhile).filter(|text| !text.is_empty());
        let behind =
            around(freeze.start_s).map(|(_, found)| reason::suspicion(*found, picture.vibration.basis));
        let why = [course.map(str::to_owned), strain.map(|strain| strain.trim().to_owned()), behind];
        let evidence = match (freeze.evidence, freeze.why_not) {
            (Some(true), _) => "yes".to_owned(),
            (Some(false), Some(why)) => format!("no: {why}"),
            (Some(false), None) => "no".to_owned(),
            (None, why) => why.map_or_else(|| "not judged".to_owned(), |why| format!("not judged: {why}")),
        };
        vec![
            quantity::clock_tenths(freeze.start_s),
            format!("{length}{}", if freeze.ended { "" } else { ", not over" }),
            freeze.signal.map_or_else(absent, |level| format!("{level:.0} {unit}")),
            freeze.distance_m.map_or_else(absent, quantity::metres),
            why.into_iter().flatten().collect::<Vec<_>>().join("; "),
            evidence,
        ]
    };
    let rows: Vec<Vec<String>> = freezes().take(MOST_FREEZES).map(row).collect();
    let heads = ["from", "for", "level", "distance", "what lay behind it", "counts for the limit"];
    part.page.table("freezes", &heads, &rows);
    let more = count.saturating_sub(MOST_FREEZES) as u64
        + summary.video_streams.iter().map(|stream| stream.freezes_left_out).sum::<u64>();
    if more > 0 {
        part.page
            .paragraph(&format!("and {} more (fadewatch export lists what is kept)", quantity::count(more)));
    }
}
