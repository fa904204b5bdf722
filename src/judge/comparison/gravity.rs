//! Which of the figures that differ matters most to the pilot, for the sentence on top of a comparison.
//!
//! Definition: what got worse before what got better. Of these the control link, which carries the vehicle, before the
//! picture and that before telemetry; what belongs to no link comes last. Of a link: its level, since that is what margin
//! and reach hang on, silent seconds, held sticks, frozen time, freezes, loss. Of no link: how outputs and vehicle meet a
//! lost input, latency, jitter, vibration. Of two alike the first in the order of the profile. Unit and window: none, words
//! that stand already. Source: none, common practice.

use crate::profile::LinkRole;
use crate::summary::{ChangeWord, ComparedFigure, FigureDifference};

/// The place of the gravest of some figures; `None` where none of them differs.
#[must_use]
pub fn gravest(
    figures: &[FigureDifference],
    role: impl Fn(&str) -> Option<LinkRole>,
    among: impl Fn(&FigureDifference) -> bool,
) -> Option<usize> {
    let gravity = |row: &FigureDifference| {
        let of_link = row.link.as_deref().map_or(3, |link| of_role(role(link)));
        (row.change != Some(ChangeWord::Worse), of_link, of_figure(row.figure))
    };
    let told = |row: &FigureDifference| matches!(row.change, Some(ChangeWord::Better | ChangeWord::Worse));
    let rows = figures.iter().enumerate().filter(|(_, row)| told(row) && among(row));
    rows.min_by_key(|(_, row)| gravity(row)).map(|(place, _)| place)
}

/// The lowest first.
const fn of_role(role: Option<LinkRole>) -> u8 {
    match role {
        Some(LinkRole::Control) => 0,
        Some(LinkRole::Video) => 1,
        Some(LinkRole::Telemetry) | None => 2,
    }
}

const fn of_figure(figure: ComparedFigure) -> u8 {
    match figure {
        ComparedFigure::Level => 0,
        ComparedFigure::Silent => 1,
        ComparedFigure::Holds => 2,
        ComparedFigure::Frozen => 3,
        ComparedFigure::Freezes => 4,
        ComparedFigure::Loss => 5,
        ComparedFigure::FailsafeSafe => 6,
        ComparedFigure::FailsafeDetected => 7,
        ComparedFigure::StickToServo90 => 8,
        ComparedFigure::StickToServo => 9,
        ComparedFigure::StickToInput => 10,
        ComparedFigure::InputToServo => 11,
        ComparedFigure::Jitter => 12,
        ComparedFigure::VibrationX | ComparedFigure::VibrationY | ComparedFigure::VibrationZ => 13,
    }
}
