//! Vibration in the text report: the axes, the worst first, clipping, the limit with its source, and the spectrum.

use std::io;
use std::io::Write;

use crate::summary::{LimitSource, Summary, VibrationSummary};
use crate::wording::{quantity, spectrum_words};

use super::number;

/// "not measured" where the vehicle sends none.
pub(super) fn write_to(out: &mut dyn Write, summary: &Summary) -> io::Result<()> {
    levels(out, summary.vibration.as_ref())?;
    let lines = summary.vibration_spectrum.as_ref().map(spectrum_words::lines).unwrap_or_default();
    lines.iter().try_for_each(|line| writeln!(out, "  {line}"))
}

fn levels(out: &mut dyn Write, vibration: Option<&VibrationSummary>) -> io::Result<()> {
    writeln!(out, "\nVibration, as the vehicle sends it (the standard gives no unit)")?;
    let Some(vibration) = vibration else {
        return writeln!(out, "  not measured: the vehicle sends no VIBRATION");
    };
    for (place, (_, name, axis)) in ["worst", "then", "least"].into_iter().zip(vibration.worst_first()) {
        writeln!(
            out,
            "  {place:<5} axis {name}: 95 % below {}, half below {}, highest {}",
            number(axis.p95, 1),
            number(axis.median, 1),
            number(axis.max, 1)
        )?;
    }
    writeln!(out, "  {}", quantity::clipping(vibration.clipping))?;
    for line in quantity::vibration_drivers(&vibration.against) {
        writeln!(out, "  {line}")?;
    }
    match (vibration.limit, vibration.limit_from) {
        (Some(limit), Some(LimitSource::Profile)) => {
            writeln!(out, "  suspect above {limit:.1}, by the profile")
        }
        (Some(limit), Some(LimitSource::History)) => {
            writeln!(out, "  suspect above {limit:.1}, 90 % of earlier sessions with these tags lie below")
        }
        (Some(limit), _) => {
            writeln!(
                out,
                "  suspect above {limit:.1}, 90 % of this session lie below: no earlier one is known"
            )
        }
        (None, _) => writeln!(out, "  no limit: the levels are 0, as of a sender that measures none"),
    }
}
