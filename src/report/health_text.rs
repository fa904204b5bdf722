//! How this computer itself did, as text.

use std::io;
use std::io::Write;

use super::{section, with_unit};
use crate::summary::HealthSummary;
use crate::wording::{health_words, quantity};

/// Sensors that are listed.
const MOST: usize = 4;

pub(super) fn write_to(out: &mut dyn Write, health: Option<&HealthSummary>) -> io::Result<()> {
    section(out, "This computer")?;
    let Some(health) = health else {
        return writeln!(out, "  not measured: the recording holds no reading of it");
    };
    if health.temperatures.is_empty() {
        writeln!(out, "  temperature not measured: no sensor of the kernel gave two readings in a row")?;
    }
    for row in health.temperatures.iter().take(MOST) {
        writeln!(out, "  {}", health_words::warmest(row))?;
    }
    let low = health.clock_low_mhz.zip(health.clock_start_mhz).filter(|(low, start)| low < start);
    let more = match (health.throttled_s, low) {
        (None, _) => ": the kernel shows no limit of the processor".to_owned(),
        (Some(_), Some((low, start))) => format!("; clock held at {low:.0} of {start:.0} MHz at the least"),
        (Some(_), None) => String::new(),
    };
    writeln!(out, "  {}{more}", health_words::throttled(health))?;
    if let Some(seconds) = health.supply_low_s.filter(|seconds| *seconds > 0.0) {
        writeln!(out, "  voltage too low, by its own alarm, for {}", quantity::seconds(seconds))?;
    }
    for row in &health.supplies {
        writeln!(out, "  supply {}", health_words::supply(row))?;
    }
    let waited = [
        ("a processor, some task", health.cpu_wait_ratio, None),
        ("memory, all tasks", health.memory_wait_ratio, health.memory_wait_s),
        ("a disk, all tasks", health.disk_wait_ratio, health.disk_wait_s),
    ];
    for (what, ratio, long_s) in waited {
        let Some(ratio) = ratio else { continue };
        let long = long_s.filter(|long_s| *long_s > 0.0);
        let long = long.map_or_else(String::new, |s| format!("; too long in {}", quantity::seconds(s)));
        writeln!(out, "  waited for {what}: {} of the time{long}", quantity::percent(ratio))?;
    }
    if health.load_max.is_some() || health.memory_low_mb.is_some() {
        let processors = health.processors.map_or_else(String::new, |count| {
            format!(" for {}", quantity::counted(count, "processor", "processors"))
        });
        let load = health.load_max.map_or_else(
            || "load not measured".to_owned(),
            |load| format!("load {load:.1} at most{processors}"),
        );
        writeln!(out, "  {load}; free memory {} at least", with_unit(health.memory_low_mb, 0, "MB"))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use crate::report::health_text::*;

    fn text(health: &HealthSummary) -> String {
        let mut out = Vec::new();
        write_to(&mut out, Some(health)).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_healthy_board_is_told_no_fault() {
        let healthy =
            HealthSummary { throttled_s: Some(0.0), supply_low_s: Some(0.0), ..HealthSummary::default() };
        let said = text(&healthy);
        assert!(said.contains("  no throttling shown by its kernel\n"), "{said}");
        assert!(!said.contains("0.0 s") && !said.contains("voltage"), "{said}");
        let ill = HealthSummary {
            throttled_s: Some(4.0),
            clock_start_mhz: Some(1800.0),
            clock_low_mhz: Some(600.0),
            supply_low_s: Some(2.0),
            ..healthy
        };
        let said = text(&ill);
        assert!(said.contains("throttled for 4.0 s; clock held at 600 of 1800 MHz at the least"), "{said}");
        assert!(said.contains("voltage too low, by its own alarm, for 2.0 s"), "{said}");
    }
}
