//! How this computer itself does, in words.

use crate::summary::{HealthSummary, Heat, HostStrain, HostSupply, PartTemperature, Strained};

use super::quantity;

/// That something strains this computer from here on, or, where it lasted a time, no longer does.
#[must_use]
pub fn event(what: &Strained, lasted_s: Option<f64>) -> String {
    if let Some(lasted_s) = lasted_s {
        let over = match what.strain {
            HostStrain::Hot => "hot",
            HostStrain::Throttled => "throttled",
            HostStrain::Undervoltage => "short of voltage",
            HostStrain::Memory => "short of memory",
            HostStrain::Disk => "kept waiting by its disk",
        };
        return format!("this computer is no longer {over}, after {}", quantity::seconds(lasted_s));
    }
    match (what.strain, &what.heat) {
        (HostStrain::Hot, Some(Heat { part, celsius, limit })) => {
            format!("this computer is hot: {part} has {celsius:.0} °C, its own limit is {limit:.0} °C")
        }
        (HostStrain::Hot, None) => "this computer is hot".to_owned(),
        (HostStrain::Throttled, _) => {
            "this computer is throttled: its processor may not run at full clock".to_owned()
        }
        (HostStrain::Undervoltage, _) => "the voltage that supplies this computer is too low".to_owned(),
        (HostStrain::Memory, _) => "this computer is short of memory: its programs wait for it".to_owned(),
        (HostStrain::Disk, _) => "the disk of this computer keeps its programs waiting".to_owned(),
    }
}

/// What strains this computer now, in as few words as there are; empty where nothing does.
#[must_use]
pub fn brief(strains: &[Strained]) -> String {
    let words = strains.iter().map(|Strained { strain, heat }| match (strain, heat) {
        (HostStrain::Hot, Some(Heat { celsius, limit, .. })) => format!("HOT, {celsius:.0} of {limit:.0} °C"),
        (HostStrain::Hot, None) => "HOT".to_owned(),
        (HostStrain::Throttled, _) => "THROTTLED".to_owned(),
        (HostStrain::Undervoltage, _) => "VOLTAGE TOO LOW".to_owned(),
        (HostStrain::Memory, _) => "SHORT OF MEMORY".to_owned(),
        (HostStrain::Disk, _) => "DISK TOO SLOW".to_owned(),
    });
    let words: Vec<String> = words.collect();
    if words.is_empty() { String::new() } else { format!("THIS COMPUTER: {}", words.join(", ")) }
}

/// Set beside what happened meanwhile: ` while this computer was throttled`; empty without a strain.
#[must_use]
pub fn meanwhile(strains: &[HostStrain]) -> String {
    let words = strains.iter().map(|strain| match strain {
        HostStrain::Hot => "hot",
        HostStrain::Throttled => "throttled",
        HostStrain::Undervoltage => "short of voltage",
        HostStrain::Memory => "short of memory",
        HostStrain::Disk => "waiting for its disk",
    });
    let words: Vec<&str> = words.collect();
    if words.is_empty() { String::new() } else { format!(" while this computer was {}", words.join(" and ")) }
}

/// The session in one line: heat and throttling always, the others where there was any.
#[must_use]
pub fn whole(health: &HealthSummary) -> String {
    let hottest = health.temperatures.first().map_or_else(|| "temperature not measured".to_owned(), warmest);
    let others = [
        ("its supply was too low", health.supply_low_s),
        ("it was short of memory", health.memory_wait_s),
        ("its disk was too slow", health.disk_wait_s),
    ];
    let others = others.into_iter().filter_map(|(what, seconds)| {
        let seconds = seconds.filter(|seconds| *seconds > 0.0)?;
        Some(format!("{what} for {}", quantity::seconds(seconds)))
    });
    [hottest, throttled(health)].into_iter().chain(others).collect::<Vec<_>>().join("; ")
}

/// Whether it was throttled, as far as its kernel shows it.
#[must_use]
pub fn throttled(health: &HealthSummary) -> String {
    match health.throttled_s {
        None => "throttling not measured".to_owned(),
        Some(seconds) if seconds > 0.0 => format!("throttled for {}", quantity::seconds(seconds)),
        Some(_) => "no throttling shown by its kernel".to_owned(),
    }
}

/// `cpu at most 61 °C, its own limit is 95 °C`.
#[must_use]
pub fn warmest(row: &PartTemperature) -> String {
    let limit = row.limit_c.map_or_else(String::new, |limit_c| format!(", its own limit is {limit_c:.0} °C"));
    format!("{} at most {:.0} °C{limit}", row.part, row.max_c)
}

/// A battery or another supply.
#[must_use]
pub fn supply(row: &HostSupply) -> String {
    let volts = row.low_v.map(|low_v| format!("lowest {low_v:.2} V"));
    let charge = row.charge_start_ratio.zip(row.charge_end_ratio).map(|(start, end)| {
        format!("charge {} at the start, {} at the end", quantity::percent(start), quantity::percent(end))
    });
    let way = row.discharging.map(|is_so| if is_so { "discharging" } else { "not discharging" }.to_owned());
    let parts: Vec<String> = [volts, charge, way].into_iter().flatten().collect();
    format!("{}: {}", row.supply, parts.join(", "))
}

#[cfg(test)]
mod tests {
    use crate::wording::health_words::*;

    #[test]
    fn what_strains_this_computer_is_told_and_nothing_else() {
        let hot = Strained {
            strain: HostStrain::Hot,
            heat: Some(Heat { part: "cpu-thermal".to_owned(), celsius: 87.3, limit: 95.0 }),
        };
        let throttled = Strained { strain: HostStrain::Throttled, heat: None };
        assert_eq!(event(&hot, None), "this computer is hot: cpu-thermal has 87 °C, its own limit is 95 °C");
        assert_eq!(event(&throttled, Some(42.4)), "this computer is no longer throttled, after 42 s");
        assert_eq!(brief(&[hot, throttled]), "THIS COMPUTER: HOT, 87 of 95 °C, THROTTLED");
        assert_eq!(brief(&[]), "");
        let both = [HostStrain::Throttled, HostStrain::Disk];
        assert_eq!(meanwhile(&both), " while this computer was throttled and waiting for its disk");
        assert_eq!(meanwhile(&[]), "");
    }

    #[test]
    fn what_was_not_measured_is_not_told_as_well() {
        let health = HealthSummary { readings: 9, ..HealthSummary::default() };
        assert_eq!(whole(&health), "temperature not measured; throttling not measured");
        let cool = HealthSummary { throttled_s: Some(0.0), memory_wait_s: Some(3.0), ..health };
        assert_eq!(
            whole(&cool),
            "temperature not measured; no throttling shown by its kernel; it was short of memory for 3.0 s"
        );
        let supply = |row| super::supply(&row);
        let named = HostSupply { supply: "BAT0".to_owned(), ..HostSupply::default() };
        let full = HostSupply { low_v: Some(3.71), discharging: Some(true), ..named.clone() };
        assert_eq!(supply(full), "BAT0: lowest 3.71 V, discharging");
        let charged = HostSupply { charge_start_ratio: Some(0.8), charge_end_ratio: Some(0.64), ..named };
        assert_eq!(supply(charged), "BAT0: charge 80 % at the start, 64 % at the end");
    }
}
