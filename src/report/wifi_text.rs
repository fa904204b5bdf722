//! The transmitters on the air, as text.

use std::io;
use std::io::Write;

use crate::summary::TransmitterSummary;
use crate::wording::caution::AIR;

/// Rows printed: a town has many.
const MOST: usize = 12;

/// Nothing where no receiver in monitor mode heard any.
pub(super) fn write_to(out: &mut dyn Write, rows: &[TransmitterSummary]) -> io::Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    let mut rows: Vec<&TransmitterSummary> = rows.iter().collect();
    rows.sort_by_key(|one| (one.link.is_none(), std::cmp::Reverse(one.frames)));
    writeln!(out, "\nOn the air (802.11, as heard here)")?;
    for one in rows.iter().take(MOST) {
        let percent =
            |ratio: Option<f64>| ratio.map_or("-".to_owned(), |ratio| format!("{:.1} %", 100.0 * ratio));
        let level = one.level_median_dbm.map_or("-".to_owned(), |level| format!("{level:.0} dBm"));
        writeln!(
            out,
            "  {} {:<12} {} frames, {} sent again, {} not heard; median {level}",
            one.transmitter,
            one.link.as_deref().unwrap_or(""),
            one.frames,
            percent(one.retry_ratio),
            percent(one.loss.map(|loss| loss.ratio)),
        )?;
    }
    writeln!(out, "  {AIR}")?;
    if rows.len() > MOST {
        writeln!(out, "  and {} more, in --json", rows.len() - MOST)?;
    }
    Ok(())
}
