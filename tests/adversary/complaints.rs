//! What a summary tells that is not so.

use fadewatch::summary::Summary;

use super::Truth;

/// A fault: its kind, for counting, and what was told.
pub(crate) type Complaint = (&'static str, String);

/// Everything in a summary that the truth does not bear out.
pub(crate) fn complaints(summary: &Summary, truth: &Truth) -> Vec<Complaint> {
    let mut found = Vec::new();
    events(summary, truth, &mut found);
    losses(summary, truth, &mut found);
    distances(summary, truth, &mut found);
    pictures(summary, truth, &mut found);
    sticks(summary, truth, &mut found);
    if !truth.has_voltage && summary.power.iter().any(|row| row.voltage_start_v.is_some()) {
        found.push(("voltage", format!("{:?}", summary.power)));
    }
    found
}

fn events(summary: &Summary, truth: &Truth, found: &mut Vec<Complaint>) {
    for row in summary.events.iter().filter(|row| !truth.may.contains(row.event.kind())) {
        found.push(("event", format!("{} at {:.1} s: {:?}", row.event.kind(), row.at_s, row.event)));
    }
    if !summary.failsafe.is_empty() {
        found.push(("failsafe", format!("{:?}", summary.failsafe)));
    }
}

fn losses(summary: &Summary, truth: &Truth, found: &mut Vec<Complaint>) {
    for ((interface, system, component), sender) in &truth.senders {
        if sender.is_tangled {
            continue;
        }
        let rows: Vec<_> = summary
            .streams
            .iter()
            .filter(|row| {
                (row.interface.as_str(), row.system, row.component) == (*interface, *system, *component)
            })
            .collect();
        let [row] = rows[..] else {
            found.push(("rows", format!("{interface} {system}/{component}: {} rows", rows.len())));
            continue;
        };
        let told = format!(
            "{interface} {system}/{component}: {:?} lost of {} ({:?}), true {}; {} restarts, true {}",
            row.lost, row.received, row.lost_ci95, sender.lost, row.restarts, sender.restarts
        );
        match row.lost.zip(row.lost_ci95) {
            None if !sender.has_two_numberings => found.push(("loss not told", told.clone())),
            Some((lost, _)) if sender.lost == 0 && lost > 0 => {
                found.push(("loss where none was", told.clone()));
            }
            Some((_, [low, high])) if !(low..=high).contains(&sender.lost) => {
                found.push(("loss outside its interval", told.clone()));
            }
            _ => {}
        }
        if row.restarts > sender.restarts && !truth.began_anew.contains(system) {
            found.push(("restart", told));
        }
    }
}

fn distances(summary: &Summary, truth: &Truth, found: &mut Vec<Complaint>) {
    for row in &summary.range {
        if let Some(told) = row.max_distance_m.filter(|told| *told > truth.farthest_m + 5.0) {
            found.push(("distance", format!("{told:.0} m, true {:.0}", truth.farthest_m)));
        }
    }
}

fn pictures(summary: &Summary, truth: &Truth, found: &mut Vec<Complaint>) {
    let streams = &summary.video_streams;
    if streams.len() != usize::from(truth.has_picture) {
        found.push(("picture", format!("{} streams", streams.len())));
        return;
    }
    for stream in streams {
        if stream.packets_lost != Some(truth.packets_lost) {
            let (lost, list) = (stream.packets_lost, &stream.freeze_list);
            found.push(("packets", format!("{lost:?} lost, true {}, {list:?}", truth.packets_lost)));
        }
        if truth.packets_lost == 0 && stream.freezes != truth.pauses {
            found.push(("freezes", format!("{}, true {}", stream.freezes, truth.pauses)));
        }
        if let Some(hz) = stream.other_clock_hz {
            found.push(("picture's clock", format!("{hz} Hz, true 90,000")));
        }
    }
}

fn sticks(summary: &Summary, truth: &Truth, found: &mut Vec<Complaint>) {
    if let Some(holds) = summary.control_holds.as_ref().filter(|holds| holds.count > 0) {
        found.push(("holds", format!("{holds:?}")));
    }
    let Some(stage) = &summary.latency.stick_to_servo else { return };
    let (Some(delay), true) = (truth.servo_delay_ms, truth.has_sticks) else {
        found.push(("latency of what does not follow", format!("{stage:?}")));
        return;
    };
    // The stick's own sampling, up to 50 ms, comes on top in part.
    if let Some([low, _]) = stage.p50_ci95_ms.filter(|[low, high]| *low > delay + 60.0 || *high < delay - 5.0)
    {
        found.push((
            "latency",
            format!("p50 {:?} from {low:.0}, true {delay:.0}: {:?}", stage.p50_ms, stage.bound),
        ));
    }
}
