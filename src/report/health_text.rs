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
        writeln!(out, "  temperature not measured: the kernel shows no sensor")?;
    }
    for row in health.temperatures.iter().take(MOST) {
        writeln!(out, "  {}", health_words::warmest(row))?;
    }
    match health.throttled_s {
        Some(seconds) => {
            let low = health.clock_low_mhz.zip(health.clock_start_mhz).filter(|(low, start)| low < start);
            let clock = low.map_or_else(String::new, |(low, start)| {
                format!("; clock held at {low:.0} of {start:.0} MHz at the least")
            });
            writeln!(out, "  throttled for {}{clock}", quantity::seconds(seconds))?;
        }
        None => writeln!(out, "  throttling not measured: the kernel shows no limit of the processor")?,
    }
    if let Some(seconds) = health.supply_low_s {
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
