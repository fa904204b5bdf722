//! What a link's range has besides distances: theory, what a change would do, nulls.

use crate::summary::{Aspect, RangeSummary, TheoryLimit};
use crate::units::LevelUnit;
use crate::wording::quantity;

/// One line a finding; none where nothing was found. `limit` is what begins at the link's limit.
pub(super) fn lines(row: &RangeSummary, limit: &str) -> Vec<String> {
    let mut lines = Vec::new();
    if row.fixes_left_out > 0 {
        lines.push(format!(
            "{} left out: far from their neighbours and from what the speed allows",
            quantity::counted(row.fixes_left_out, "fix", "fixes")
        ));
    }
    if let (Some(to_m), Some(seconds)) = (row.saturated_to_m, row.saturated_s) {
        lines.push(format!(
            "the radio tops out up to {to_m:.0} m: its level is at least that there, and {seconds} s are left out of the \
             line"
        ));
    }
    if let Some(theory) = &row.theory {
        let to = match theory.limit {
            Some(TheoryLimit::FreezeLevel) => format!("{limit} limit"),
            Some(TheoryLimit::Sensitivity) => "sensitivity".to_owned(),
            None => "no limit".to_owned(),
        };
        let metres = |value: Option<f64>| value.map_or_else(|| "not known".to_owned(), quantity::metres);
        let claimed = format!(
            "theory predicts {} in free space, {} over flat ground (to the {to})",
            metres(theory.free_space_m),
            metres(theory.two_ray_m)
        );
        let seen = theory.below_free_space_db.zip(theory.compared_at_m).map(|(below, at)| {
            let between = interval(theory.below_free_space_ci95_db, 1);
            format!("; seen {below:.1} dB{between} below free space at {at:.0} m")
        });
        lines.push(format!("{claimed}{}", seen.unwrap_or_default()));
    }
    if let Some(more) = row.plus_3db_m {
        lines.push(format!(
            "estimate: 3 dB more level would move the {limit} {more:.0} m{} farther out",
            interval(row.plus_3db_ci95_m, 0)
        ));
    }
    let sectors = row.heading.iter().flat_map(|heading| &heading.sectors).map(|sector| {
        (
            format!("with the handset {:.0} to {:.0} degrees from the nose", sector.from_deg, sector.to_deg),
            sector.aspect,
        )
    });
    let layers =
        row.height.iter().flat_map(|height| &height.layers).map(|layer| {
            (format!("{:.0} to {:.0} m above the handset", layer.from_m, layer.to_m), layer.aspect)
        });
    lines.extend(
        sectors
            .chain(layers)
            .filter(|(_, aspect)| aspect.null)
            .filter_map(|(name, aspect)| null(&name, &aspect, row.unit.unwrap_or_default())),
    );
    lines
}

fn null(name: &str, aspect: &Aspect, unit: LevelUnit) -> Option<String> {
    let level = quantity::difference(aspect.level_against_others?, unit);
    let between = interval(aspect.level_against_others_ci95, 1);
    Some(format!(
        "null {name}: {level}{between} against the others, {} s in {}",
        aspect.seconds,
        quantity::counted(aspect.passes, "pass", "passes")
    ))
}

fn interval(ci95: Option<[f64; 2]>, digits: usize) -> String {
    ci95.map_or_else(String::new, |[low, high]| format!(" ({low:.digits$} to {high:.digits$})"))
}

#[cfg(test)]
mod tests {
    use crate::report::range_text::*;

    #[test]
    fn a_null_has_its_unit() {
        let aspect = Aspect {
            seconds: 40,
            passes: 1,
            level_against_others: Some(-6.2),
            level_against_others_ci95: Some([-8.0, -4.0]),
            ..Aspect::default()
        };
        let said = "null behind it: -6.2 dB (-8.0 to -4.0) against the others, 40 s in 1 pass";
        assert_eq!(null("behind it", &aspect, LevelUnit::Dbm).as_deref(), Some(said));
    }
}
