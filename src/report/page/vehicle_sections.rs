//! What a page says of the vehicle, this computer, the equipment and the recording.

use super::session_part::SessionPart;
use super::{spectrum_charts, time_charts};
use crate::profile::{LinkProfile, Mounted};
use crate::report::{health_text, session_text, vibration_text};
use crate::summary::{FailsafeSummary, PowerSummary, StickSummary};
use crate::wording::quantity::NOT_MEASURED;
use crate::wording::{bench_words, event, failsafe_steps, page_words, quantity, spectrum_words, stick_words};

/// Rows of a table of events.
const MOST_EVENTS: usize = 300;

pub(super) fn write(part: &mut SessionPart<'_>) {
    part.section("Failsafe", &["failsafe"], &mut failsafe);
    part.section("Sticks", &["sticks"], &mut sticks);
    let has_spectrum = part.session.summary.vibration_spectrum.is_some();
    let figures: &[&str] = if has_spectrum { &["vibration", "spectrum"] } else { &["vibration"] };
    part.section("Vibration", figures, &mut vibration);
    part.section("Power", &["power"], &mut power);
    if part.session.bench.is_some() {
        part.section("Bench sheet", &["bench", "limits"], &mut bench);
    }
    part.section("This computer", &["health"], &mut |part| {
        let health = part.session.summary.health.as_ref();
        part.text(&|out| health_text::write_to(out, health));
    });
    part.section("Events", &["events", "alarms"], &mut events);
    part.section("Equipment", &[], &mut equipment);
    part.section("Recording", &["clock", "framing"], &mut recording);
}

fn failsafe(part: &mut SessionPart<'_>) {
    let rows = &part.session.summary.failsafe;
    if rows.is_empty() {
        return part.page.paragraph(failsafe_steps::none(&part.session.summary.sticks));
    }
    let row = |row: &FailsafeSummary| {
        let steps = failsafe_steps::steps(row).map(|(name, after)| {
            format!("{name} {}", after.unwrap_or_else(|| failsafe_steps::NOT_SEEN.to_owned()))
        });
        let mut cells = vec![quantity::clock_tenths(row.input_lost_s), failsafe_steps::kind(row).to_owned()];
        cells.extend(steps);
        let mut remarks: Vec<String> = failsafe_steps::missing(row).into_iter().map(str::to_owned).collect();
        remarks.extend(row.why_not.map(|why| why.to_string()));
        cells.push(remarks.join("; "));
        cells
    };
    let heads = ["input lost at", "what", "noticed after", "outputs after", "back after", "remark"];
    let rows: Vec<Vec<String>> = rows.iter().map(row).collect();
    part.page.table("losses of input", &heads, &rows);
}

fn sticks(part: &mut SessionPart<'_>) {
    let rows = &part.session.summary.sticks;
    if rows.is_empty() {
        return part.absent(page_words::NO_STICKS);
    }
    let row = |row: &StickSummary| {
        let centre = row.centre_us.zip(row.centre_ci95_us);
        let centre = centre.map_or_else(String::new, |(centre, [low, high])| {
            format!("{centre:.0} us ({low:.0} to {high:.0})")
        });
        vec![
            row.channel.to_string(),
            stick_words::travel(row),
            centre,
            stick_words::answers(row).unwrap_or_else(|| NOT_MEASURED.to_owned()),
            quantity::count(row.samples),
        ]
    };
    let heads = ["channel", "where it goes", "centre", "what it follows and moves", "samples"];
    let rows: Vec<Vec<String>> = rows.iter().map(row).collect();
    part.page.table("channels, as the vehicle reports them", &heads, &rows);
}

fn vibration(part: &mut SessionPart<'_>) {
    let name = part.name("vibration", "");
    let chart = time_charts::vibration(part.session.picture, name);
    if part.figure(chart) {
        part.page.element("p class=\"key\"", page_words::VIBRATION);
    }
    let (picture, summary) = (part.session.picture, part.session.summary);
    let both = part.session.density.as_ref().zip(summary.vibration_spectrum.as_ref());
    let name = part.name("spectrum", "");
    if part.figure(both.and_then(|(density, found)| spectrum_charts::spectrum(density, found, name))) {
        part.page.element("p class=\"key\"", spectrum_words::DENSITY);
    }
    let chart = spectrum_charts::waterfall(picture, part.name("waterfall", ""));
    if part.figure(chart) {
        part.page.element("p class=\"key\"", spectrum_words::WATERFALL);
    }
    part.text(&|out| vibration_text::write_to(out, summary));
}

fn power(part: &mut SessionPart<'_>) {
    let rows = &part.session.summary.power;
    if rows.is_empty() {
        return part.absent(page_words::NO_POWER);
    }
    let absent = || NOT_MEASURED.to_owned();
    let volts = |value: Option<f64>| value.map_or_else(absent, |volts| format!("{volts:.2} V"));
    let row = |row: &PowerSummary| {
        let left = row
            .minutes_left
            .map(|minutes| quantity::minutes_left(minutes, row.minutes_left_ci95, row.minutes_left_to));
        let why = || row.minutes_left_why_not.map_or_else(absent, |why| format!("{NOT_MEASURED}: {why}"));
        vec![
            format!("{}/{} battery {}", row.system, row.component, row.battery),
            volts(row.voltage_start_v),
            volts(row.voltage_min_v),
            row.used_mah.map_or_else(absent, |used| format!("{used:.0} mAh")),
            left.unwrap_or_else(why),
        ]
    };
    let heads = ["battery", "at the start", "lowest", "used", "left at the end"];
    let rows: Vec<Vec<String>> = rows.iter().map(row).collect();
    part.page.table("batteries of the vehicle", &heads, &rows);
}

fn bench(part: &mut SessionPart<'_>) {
    let Some((sheet, summary)) = part.session.bench else { return };
    part.page.element("p class=\"sheet\"", bench_words::verdict(sheet.verdict));
    let rows: Vec<Vec<String>> = sheet
        .items
        .iter()
        .map(|row| {
            vec![
                bench_words::title(row),
                row.word.word().to_owned(),
                bench_words::value(row),
                bench_words::interval(row),
                bench_words::limit(row),
                crate::report::bench_sheet::remarks(row, summary).join("; "),
            ]
        })
        .collect();
    let heads = ["item", "word", "figure", "interval", "limit", "remark"];
    part.page.table("items of the bench test", &heads, &rows);
}

fn events(part: &mut SessionPart<'_>) {
    let summary = part.session.summary;
    let rows: Vec<Vec<String>> = summary
        .events
        .iter()
        .take(MOST_EVENTS)
        .map(|row| {
            vec![
                quantity::clock_tenths(row.at_s),
                quantity::kind(row.event.kind()).to_owned(),
                row.link.clone().unwrap_or_default(),
                event::text(row),
            ]
        })
        .collect();
    if rows.is_empty() {
        return part.page.paragraph("nothing happened that is told");
    }
    part.page.table("what happened", &["at", "what", "link", "in words"], &rows);
    let mut left: Vec<String> = summary
        .events_left_out
        .iter()
        .map(|row| format!("{} more of kind '{}' came than are kept", row.count, quantity::kind(&row.kind)))
        .collect();
    if let Some(more) = summary.events.len().checked_sub(MOST_EVENTS).filter(|more| *more > 0) {
        left.push(format!("and {more} more (fadewatch summary --json lists all)"));
    }
    part.page.list(&left);
}

/// Where a link's level comes from.
fn level_source(link: &LinkProfile) -> String {
    let scale = link.level.map_or_else(
        || ", in device units: no scale in the profile".to_owned(),
        |scale| format!(", {} dB a step, {} dBm at 0", scale.slope_db, scale.offset_dbm),
    );
    if let Some(radio) = link.radio {
        let at = match radio.mounted {
            Some(Mounted::Vehicle) => ", on the vehicle",
            Some(Mounted::Ground) | None => ", on the ground",
        };
        return format!("radio {}/{}{at}{scale}", radio.system, radio.component);
    }
    if link.rc_rssi {
        return format!("RC_CHANNELS{scale}");
    }
    if link.radiotap.is_some() || link.wifi.is_some() {
        return "a wireless card of this computer".to_owned();
    }
    "none: the profile names no radio".to_owned()
}

fn equipment(part: &mut SessionPart<'_>) {
    let session = part.session;
    let tags = &session.summary.recording.tags;
    if tags.is_empty() {
        part.absent(page_words::NO_TAGS);
    } else {
        let rows: Vec<Vec<String>> =
            tags.iter().map(|(key, value)| vec![key.clone(), value.clone()]).collect();
        part.page.table("tags", &["tag", "value"], &rows);
    }
    // Links that were heard and not named have no row in the summary either.
    if session.summary.links.is_empty() {
        return part.absent(page_words::NO_PROFILE);
    }
    let rows: Vec<Vec<String>> = session
        .profile
        .link
        .iter()
        .map(|link| {
            let limits = link.effective_limits().map_or_else(
                || "none".to_owned(),
                |limits| {
                    format!("warns under {}, alarms under {}", limits.warning_margin, limits.alarm_margin)
                },
            );
            let budget = link.budget.as_ref().map_or_else(String::new, |budget| {
                format!("{} MHz, {} dBm", budget.frequency_mhz, budget.tx_power_dbm)
            });
            vec![
                link.name.clone(),
                link.role.word().to_owned(),
                level_source(link),
                link.claimed_range_m.map_or_else(|| "no claim".to_owned(), quantity::metres),
                limits,
                budget,
            ]
        })
        .collect();
    let heads =
        ["link", "role", "its level comes from", "claimed range", "margins", "radiated, as the profile says"];
    part.page.table("links of the profile", &heads, &rows);
    let battery = session.profile.battery;
    let known = |value: Option<f64>, unit: &str| {
        value.map_or_else(|| "not in the profile".to_owned(), |value| format!("{value} {unit}"))
    };
    part.page.list(&[
        format!("battery: {}, cut-off {}", known(battery.capacity_mah, "mAh"), known(battery.cutoff_v, "V")),
        format!("vibration limit: {}", known(session.profile.vibration.limit, "")),
    ]);
}

fn recording(part: &mut SessionPart<'_>) {
    let session = part.session;
    let recording = &session.summary.recording;
    let absent = || NOT_MEASURED.to_owned();
    let mut rows = vec![
        ("file", recording.file.clone()),
        ("SHA-256", session.sha256.to_owned()),
        ("begins", page_words::start(recording)),
        ("long", quantity::clock_tenths(recording.duration_s)),
        ("size", recording.bytes.map_or_else(absent, quantity::bytes)),
        ("records", quantity::count(recording.records)),
        ("lost by this computer", recording.host_drops.map_or_else(absent, quantity::count)),
        (
            "this computer stood still for",
            recording.stalled_s.map_or_else(absent, |stalled_s| format!("{stalled_s:.1} s")),
        ),
        ("read by", concat!("fadewatch ", env!("CARGO_PKG_VERSION")).to_owned()),
    ];
    if recording.truncated {
        rows.push(("end", page_words::TRUNCATED.to_owned()));
    }
    let rows: Vec<Vec<String>> = rows.into_iter().map(|(name, text)| vec![name.to_owned(), text]).collect();
    part.page.table("the recording", &["what", "value"], &rows);
    let clocks = &session.summary.clocks;
    if !clocks.is_empty() {
        part.text(&|out| session_text::clocks(out, clocks));
    }
}
