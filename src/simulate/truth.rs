//! What is true of a simulated session, with the keys of the summary.
//!
//! Everything comes from the scenario's numbers and the events that the simulation
//! itself made; where a figure can only speak of what arrived (counts, medians), it is
//! taken over what was sent on and arrived. No estimator has a part in it.

use serde_json::{Map, Value, json};

use super::delivery::{Counted, Fact};
use super::scenario::Carries;
use super::scene_parts::Parts;
use super::whole_life;

/// The truth of a session.
pub(crate) fn truth(parts: &Parts<'_>) -> Value {
    let scenario = parts.scenario;
    let mut all = Map::new();
    all.insert("about".to_owned(), json!(scenario.text));
    all.insert("recording".to_owned(), json!({ "duration_s": scenario.duration_s, "tags": scenario.tags }));
    all.insert("framing".to_owned(), framing(parts));
    all.insert("streams".to_owned(), streams(parts));
    all.insert("clocks".to_owned(), clocks(parts));
    all.insert("latency".to_owned(), latency(parts));
    all.insert(
        "control_outages".to_owned(),
        json!(scenario.control.as_ref().map(|control| &control.outages)),
    );
    all.insert("signal".to_owned(), signal(parts));
    all.insert("range".to_owned(), range(parts));
    all.insert("video".to_owned(), video(parts));
    all.insert("freeze_threshold".to_owned(), threshold(parts));
    all.insert("failsafe".to_owned(), failsafe(parts));
    all.insert("vibration".to_owned(), vibration(parts));
    all.insert("power".to_owned(), power(parts));
    if scenario.has_life() {
        whole_life::tell(parts, &mut all);
    }
    Value::Object(all)
}

fn framing(parts: &Parts<'_>) -> Value {
    let scenario = parts.scenario;
    let requests = (scenario.duration_s * scenario.vehicle.timesync_hz) as usize;
    let inbound = parts.delivered.arrivals.len();
    json!({
        "frames": inbound + requests + parts.stick_stamps_s.len() + parts.handset_others,
        "crc_errors": 0,
        "skipped_bytes": 0,
        "unknown_ids": parts.delivered.private_frames,
    })
}

fn streams(parts: &Parts<'_>) -> Value {
    let row = |interface: &str, sender: (u8, u8), counted: &Counted| {
        json!({
            "interface": interface, "system": sender.0, "component": sender.1,
            "sent": counted.sent, "received": counted.received, "lost": counted.lost,
            "duplicates": counted.duplicates, "out_of_order": counted.out_of_order,
            "restarts": counted.restarts,
            "loss_periods": { "count": counted.periods, "max_length": counted.longest_period },
            "longest_silence_s": counted.longest_silence_s, "silent_at_end_s": counted.silent_at_end_s,
            "over_air": counted.over_air,
        })
    };
    let mut rows: Vec<Value> =
        parts.delivered.senders.iter().map(|(&sender, counted)| row("vehicle", sender, counted)).collect();
    if let Some(control) = parts.scenario.control.as_ref().filter(|control| control.heard) {
        let sent = (parts.stick_stamps_s.len() + parts.handset_others) as u64;
        let duration_s = parts.scenario.duration_s;
        let silent_at_end_s = parts.stick_stamps_s.last().map_or(duration_s, |last| duration_s - last);
        let gaps = parts.stick_stamps_s.windows(2).map(|pair| pair[1] - pair[0]);
        let counted = Counted {
            sent,
            received: sent,
            longest_silence_s: gaps.fold(silent_at_end_s, f64::max),
            silent_at_end_s,
            ..Counted::default()
        };
        rows.push(row("handset", (control.system, control.component), &counted));
    }
    Value::Array(rows)
}

fn clocks(parts: &Parts<'_>) -> Value {
    let vehicle = &parts.scenario.vehicle;
    // Local time since the first record less boot clock, in the middle of the session.
    let offset_ms = -(vehicle.boot_s * 1e3 + vehicle.skew_ppm * parts.scenario.duration_s / 2.0 * 1e-3);
    json!([{
        "system": vehicle.system, "component": 1,
        "offset_ms": offset_ms, "skew_ppm": vehicle.skew_ppm,
        "restarts": vehicle.restarts_s.len(),
        "rtt_least_ms": parts.scenario.telemetry.up_ms + parts.scenario.telemetry.down_ms,
    }])
}

/// The value at this share of a sorted list, the nearest rank.
fn at_share(sorted: &[f64], share: f64) -> Option<f64> {
    let rank = (share * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.max(1) - 1).copied()
}

fn percentiles(sorted: &[f64]) -> Value {
    if sorted.is_empty() {
        return Value::Null;
    }
    json!({
        "p50_ms": at_share(sorted, 0.5), "p90_ms": at_share(sorted, 0.9), "p99_ms": at_share(sorted, 0.99),
    })
}

fn latency(parts: &Parts<'_>) -> Value {
    let (Some(path), Some(control)) = (parts.control, parts.scenario.control.as_ref()) else {
        return Value::Null;
    };
    let (input, servo) = path.ages_ms();
    let onboard = json!({
        "p50_ms": control.onboard_ms, "p90_ms": control.onboard_ms, "p99_ms": control.onboard_ms,
    });
    let heard = control.heard;
    json!({
        "movements": path.movements.len(),
        "stick_to_input": if heard { percentiles(&input) } else { Value::Null },
        "stick_to_servo": if heard { percentiles(&servo) } else { Value::Null },
        "input_to_servo": if path.movements.is_empty() { Value::Null } else { onboard },
    })
}

const fn word(carries: Carries) -> &'static str {
    match carries {
        Carries::Control => "control",
        Carries::Video => "video",
        Carries::Telemetry => "telemetry",
    }
}

/// Median, by both middle values.
fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        count if count % 2 == 1 => Some(values[middle]),
        _ => Some(f64::midpoint(values[middle - 1], values[middle])),
    }
}

fn signal(parts: &Parts<'_>) -> Value {
    let mut rows = Vec::new();
    for (number, radio) in parts.scenario.radio.iter().enumerate() {
        let reports = |remote_end: bool| -> Vec<f64> {
            let facts = parts.delivered.facts.iter();
            let raw = facts.filter_map(|(_, fact)| match *fact {
                Fact::Radio { radio, rssi, remote } if radio == number => {
                    Some(f64::from(if remote_end { remote } else { rssi }))
                }
                _ => None,
            });
            raw.map(|raw| radio.slope_db * raw + radio.offset_dbm).collect()
        };
        for (remote_end, direction) in
            if radio.on_vehicle { [(true, "down"), (false, "up")] } else { [(false, "down"), (true, "up")] }
        {
            let levels = reports(remote_end);
            rows.push(json!({
                "link": word(radio.carries), "system": radio.system, "component": radio.component,
                "direction": direction, "unit": "dbm", "samples": levels.len(),
                "min": levels.iter().copied().reduce(f64::min), "median": median(levels),
            }));
        }
    }
    Value::Array(rows)
}

fn range(parts: &Parts<'_>) -> Value {
    let distances = parts.delivered.facts.iter().filter_map(|(_, fact)| match *fact {
        Fact::Distance(distance_m) => Some(distance_m),
        _ => None,
    });
    let max_distance_m = distances.reduce(f64::max);
    let rows = parts.scenario.radio.iter().map(|radio| {
        let uplink_db = if radio.carries == Carries::Control { radio.uplink_db } else { 0.0 };
        json!({
            "link": word(radio.carries), "unit": "dbm",
            "path_loss_exponent": radio.exponent, "level_at_1m": radio.level_at_1m + uplink_db,
            "shadowing_sigma_db": radio.sigma_db.hypot(radio.fading_db), "max_distance_m": max_distance_m,
            "origin": "home_position",
        })
    });
    Value::Array(rows.collect())
}

fn video(parts: &Parts<'_>) -> Value {
    let (Some(stream), Some(settings)) = (parts.video, parts.scenario.video.as_ref()) else {
        return Value::Null;
    };
    let radio = parts.scenario.radio_for(Carries::Video);
    let stopped =
        |from_s: f64, to_s: f64| settings.stops.iter().any(|span| span[0] < to_s && span[1] > from_s);
    let freezes: Vec<Value> = stream
        .freezes
        .iter()
        .filter(|freeze| !stopped(freeze.start_s, freeze.start_s + freeze.duration_s))
        .map(|freeze| {
            json!({
                "start_s": freeze.start_s, "duration_s": freeze.duration_s, "ended": freeze.ended,
                "distance_m": parts.motion.distance_m(freeze.start_s),
                "signal": radio.map(|radio| parts.levels.of_last_second(radio, freeze.start_s)),
            })
        })
        .collect();
    let freeze_s: f64 = freezes.iter().filter_map(|freeze| freeze["duration_s"].as_f64()).sum();
    json!({
        "source": "rtp", "ssrc": settings.ssrc,
        "packets": stream.packets.len(), "packets_lost": stream.lost,
        "frames": stream.frames, "frames_delivered": stream.delivered_s.len(),
        "freezes": freezes.len(), "freeze_s": freeze_s, "freeze_list": freezes,
        "stops": settings.stops,
    })
}

fn threshold(parts: &Parts<'_>) -> Value {
    let Some((settings, level_p50)) =
        parts.scenario.video.as_ref().and_then(|video| Some((video, video.freeze_p50_dbm?)))
    else {
        return Value::Null;
    };
    // The logistic part is 5 % a second here.
    let level_p05 = level_p50 + settings.freeze_scale_db * (0.95_f64 / 0.05).ln();
    json!({ "link": "video", "unit": "dbm", "level_p50": level_p50, "level_p05": level_p05,
            "base": settings.freeze_base })
}

fn failsafe(parts: &Parts<'_>) -> Value {
    let Some(path) = parts.control else { return json!([]) };
    let rows = parts.scenario.failsafe.iter().map(|drill| {
        let last_s = parts.stick_stamps_s.iter().copied().take_while(|&at_s| at_s < drill.back_s).last();
        let lost_s = last_s.unwrap_or(drill.at_s);
        json!({
            "input_lost_s": lost_s,
            "detected_after_s": drill.at_s + drill.detected_after_s - lost_s,
            "servo_safe_after_s": drill.at_s + drill.safe_after_s - lost_s,
            "recovered_after_s": path.recovered_s(drill) - lost_s,
            "mode_before": parts.scenario.vehicle.mode, "mode_after": drill.mode,
        })
    });
    Value::Array(rows.collect())
}

fn vibration(parts: &Parts<'_>) -> Value {
    let samples: Vec<([f32; 3], [u32; 3])> = parts
        .delivered
        .facts
        .iter()
        .filter_map(|(_, fact)| match *fact {
            Fact::Vibration { levels, clipping } => Some((levels, clipping)),
            _ => None,
        })
        .collect();
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return Value::Null };
    let axis = |number: usize| {
        let values: Vec<f64> = samples.iter().map(|sample| f64::from(sample.0[number])).collect();
        json!({ "max": values.iter().copied().reduce(f64::max), "median": median(values) })
    };
    let clipping: Vec<u32> = (0..3).map(|sensor| last.1[sensor] - first.1[sensor]).collect();
    json!({ "x": axis(0), "y": axis(1), "z": axis(2), "clipping": clipping })
}

fn power(parts: &Parts<'_>) -> Value {
    let samples: Vec<(i32, u32)> = parts
        .delivered
        .facts
        .iter()
        .filter_map(|(_, fact)| match *fact {
            Fact::Battery { used_mah, voltage_mv } => Some((used_mah, voltage_mv)),
            _ => None,
        })
        .collect();
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return json!([]) };
    json!([{
        "system": parts.scenario.vehicle.system, "component": 1, "battery": 0,
        "voltage_start_v": f64::from(first.1) / 1e3,
        "voltage_min_v": samples.iter().map(|sample| f64::from(sample.1) / 1e3).reduce(f64::min),
        "used_mah": last.0 - first.0,
    }])
}
