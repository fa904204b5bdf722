//! The link budget as plain text.
//!
//! It says at its head that nothing in it is measured. Nothing is computed here.

use std::io;
use std::io::Write;

use crate::judge::link_budget::{Budget, LevelAt, LinkBudget, RangeAt};

use crate::wording::caution::{INSTRUMENT, POWER};

/// Writes every link's budget.
pub fn write_to(out: &mut dyn Write, budget: &Budget) -> io::Result<()> {
    writeln!(
        out,
        "Link budget: what theory predicts, from the profile alone. Nothing here is measured: antennas"
    )?;
    writeln!(out, "that look past each other, bodies, walls, trees and other transmitters take from it.")?;
    for link in &budget.links {
        writeln!(out)?;
        head(out, link)?;
        ranges(out, link)?;
        levels(out, link)?;
        for missing in &link.missing {
            writeln!(out, "  {missing}")?;
        }
    }
    if !budget.left_out.is_empty() {
        writeln!(out, "\nNo budget in the profile: {}", budget.left_out.join(", "))?;
    }
    writeln!(
        out,
        "\nFree space: ITU-R P.525. Two rays: free space up to the breakpoint 4 h1 h2 / wavelength, 40 dB a"
    )?;
    writeln!(out, "decade beyond. What was seen against it: the range page, after the first flight.")?;
    writeln!(out, "{POWER}")?;
    writeln!(out, "{INSTRUMENT}")
}

fn head(out: &mut dyn Write, link: &LinkBudget) -> io::Result<()> {
    writeln!(out, "{} ({}), {} MHz", link.link, link.role.word(), link.frequency_mhz)?;
    let losses = if link.losses_db > 0.0 { format!(" - {} dB lost", link.losses_db) } else { String::new() };
    let needs =
        link.sensitivity_dbm.map_or_else(String::new, |level| format!(", receiver needs {level} dBm"));
    writeln!(
        out,
        "  {} dBm + {} dBi + {} dBi{losses}{needs}",
        link.tx_power_dbm, link.tx_gain_dbi, link.rx_gain_dbi
    )?;
    let (Some([ground, vehicle]), Some(bend)) = (link.heights_m, link.breakpoint_m) else { return Ok(()) };
    writeln!(out, "  antennas {ground} m and {vehicle} m above ground: breakpoint at {}", metres(bend))?;
    let places: Vec<String> = link.ground_cancels_m.iter().map(|&distance| metres(distance)).collect();
    if places.is_empty() {
        return Ok(());
    }
    writeln!(
        out,
        "  nearer, flat ground may cancel the signal for a moment, farthest at {}",
        places.join(", ")
    )
}

fn ranges(out: &mut dyn Write, link: &LinkBudget) -> io::Result<()> {
    if link.ranges.is_empty() {
        return Ok(());
    }
    let less = link.reduced_power_db.map_or_else(String::new, |less| format!("{less} dB less power"));
    writeln!(
        out,
        "\n  {:<28}{:>12}{:>12}  {:>18}",
        "range with a margin of", "free space", "two rays", less
    )?;
    for range in &link.ranges {
        writeln!(out, "  {}", range_line(range))?;
    }
    if let (Some(less), Some(range)) = (link.reduced_power_db, link.ranges.first())
        && let Some(near) = range.reduced_free_space_m
    {
        let (near, far) = match (range.reduced_two_ray_m, range.two_ray_m) {
            (Some(near), Some(far)) => (near, far),
            _ => (near, range.free_space_m),
        };
        writeln!(
            out,
            "  range check (propellers off, a helper, in sight): with {less} dB less power the link should just hold at {}, as\n  at {} with all of it",
            metres(near),
            metres(far)
        )?;
    }
    Ok(())
}

fn range_line(range: &RangeAt) -> String {
    let or_dash = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), metres);
    let name = format!("{} dB ({})", range.margin_db, range.limit.word());
    let reduced = range.reduced_two_ray_m.or(range.reduced_free_space_m).map_or_else(String::new, metres);
    let line = format!(
        "  {name:<26}{:>12}{:>12}  {reduced:>18}",
        metres(range.free_space_m),
        or_dash(range.two_ray_m)
    );
    line.trim_end().to_owned()
}

fn levels(out: &mut dyn Write, link: &LinkBudget) -> io::Result<()> {
    let less = link.reduced_power_db.map_or_else(String::new, |less| format!("{less} dB less"));
    let head =
        format!("  {:<28}{:>12}{:>12}{:>10}{:>10}", "level at", "free space", "two rays", "margin", less);
    writeln!(out, "\n{}", head.trim_end())?;
    for level in &link.levels {
        writeln!(out, "  {}", level_line(level))?;
    }
    Ok(())
}

fn level_line(level: &LevelAt) -> String {
    let claimed = if level.claimed { " (claimed)" } else { "" };
    let name = format!("{}{claimed}", metres(level.distance_m));
    let dbm = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1} dBm"));
    let db = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.1} dB"));
    let line = format!(
        "  {name:<26}{:>12}{:>12}{:>10}{:>16}",
        dbm(Some(level.free_space_dbm)),
        dbm(level.two_ray_dbm),
        db(level.margin_db),
        db(level.reduced_margin_db)
    );
    line.trim_end().to_owned()
}

fn metres(value: f64) -> String {
    if value < 999.5 { format!("{value:.0} m") } else { format!("{:.2} km", value / 1_000.0) }
}
