//! What lay behind bad pictures, in words: the cause, its evidence, and what would tell more.

use crate::summary::{BadPicture, PictureCause, PictureCauses, WeighedCause};

use super::quantity;

/// In one or two words.
#[must_use]
pub const fn cause(cause: PictureCause) -> &'static str {
    match cause {
        PictureCause::Radio => "the radio",
        PictureCause::Airframe => "the airframe",
        PictureCause::Computer => "this computer",
        PictureCause::Sender => "the sender",
    }
}

fn joined(causes: impl IntoIterator<Item = PictureCause>) -> String {
    causes.into_iter().map(cause).collect::<Vec<_>>().join(" and ")
}

/// The verdict on all bad pictures of a kind: one sentence.
#[must_use]
pub fn verdict(causes: &PictureCauses) -> String {
    let what = match causes.what {
        BadPicture::Froze => quantity::counted(causes.count, "freeze", "freezes"),
        BadPicture::Shook => quantity::counted(causes.count, "picture that shook", "pictures that shook"),
    };
    let told = match &causes.causes {
        Some(named) if named.is_empty() => "none of what was looked at".to_owned(),
        Some(named) => joined(named.iter().copied()),
        None if causes.together => {
            let both = causes.weighed.iter().filter(|row| row.rank.is_some_and(|rank| rank >= 0.7));
            let both = joined(both.map(|row| row.cause));
            format!("cannot be told: {both} were bad together; fly far and slowly, then near and fast")
        }
        None => format!("cannot be told: {}", lacking(causes)),
    };
    format!("{what}: {told}")
}

/// What would tell more.
fn lacking(causes: &PictureCauses) -> &'static str {
    let measured = |wanted| causes.weighed.iter().any(|row| row.cause == wanted && row.rank.is_some());
    // What is measured at other times needs no advice: it was silent there.
    let elsewhere = |wanted| causes.weighed.iter().any(|row| row.cause == wanted && row.otherwise.is_some());
    match (measured(PictureCause::Radio), measured(PictureCause::Airframe)) {
        (false, false) => "neither level nor vibration was measured there",
        (false, true) if elsewhere(PictureCause::Radio) => "no level of the video link was measured there",
        (false, true) => "no level of the video link was measured there: give it a radio in the profile",
        (true, false) if elsewhere(PictureCause::Airframe) => "no vibration was measured there",
        (true, false) => "no vibration was measured there: ask for message 241 at 1 Hz or more",
        (true, true) => "too few bad pictures apart from each other: fly longer where the picture is bad",
    }
}

/// What was found of each possible cause; levels in a unit.
#[must_use]
pub fn evidence(causes: &PictureCauses, unit: &str) -> Vec<String> {
    let certain = causes.certain.iter().map(|row| {
        let seen = match row.cause {
            PictureCause::Sender => "the sender paused or began anew",
            _ => "this computer stood still or lost data",
        };
        format!("{}: {seen} at {} of {}, by the packets", cause(row.cause), row.count, causes.count)
    });
    certain.chain(causes.weighed.iter().filter_map(|row| weighed(row, unit))).collect()
}

fn weighed(row: &WeighedCause, unit: &str) -> Option<String> {
    let (rank, at_bad, otherwise) = (row.rank?, row.at_bad?, row.otherwise?);
    if row.cause == PictureCause::Computer && row.told != Some(true) {
        return None;
    }
    let told = match row.told {
        Some(true) => "a cause",
        Some(false) => "not the cause",
        None => "cannot be told",
    };
    let compared = match row.cause {
        PictureCause::Radio => format!("level {at_bad:.0} against {otherwise:.0} {unit}, lower than at"),
        PictureCause::Airframe => format!("vibration {at_bad:.1} against {otherwise:.1}, higher than at"),
        PictureCause::Computer | PictureCause::Sender => "more strained than at".to_owned(),
    };
    let witnesses = quantity::counted(row.apart, "instant", "instants apart");
    Some(format!(
        "{}: {told}; {compared} {:.0} % of other times ({witnesses})",
        cause(row.cause),
        100.0 * rank
    ))
}

#[cfg(test)]
mod tests {
    use crate::wording::cause_words::*;

    fn row(cause: PictureCause, rank: Option<f64>, otherwise: Option<f64>) -> WeighedCause {
        WeighedCause {
            cause,
            told: None,
            apart: 1,
            rank,
            chance: None,
            at_bad: rank.and(otherwise),
            otherwise,
        }
    }

    fn froze(weighed: Vec<WeighedCause>) -> PictureCauses {
        let (causes, certain) = (None, Vec::new());
        PictureCauses { what: BadPicture::Froze, count: 1, causes, together: false, certain, weighed }
    }

    /// A level that was silent at the freeze alone has its radio already.
    #[test]
    fn what_is_there_already_is_not_asked_for() {
        let of = |radio, airframe| {
            verdict(&froze(vec![
                row(PictureCause::Radio, None, radio),
                row(PictureCause::Airframe, airframe, airframe),
            ]))
        };
        let level = "1 freeze: cannot be told: no level of the video link was measured there";
        assert_eq!(of(Some(-70.0), Some(0.5)), level);
        assert_eq!(of(None, Some(0.5)), format!("{level}: give it a radio in the profile"));
        let rows = vec![
            row(PictureCause::Radio, Some(0.5), Some(-70.0)),
            row(PictureCause::Airframe, None, Some(12.0)),
        ];
        assert_eq!(verdict(&froze(rows)), "1 freeze: cannot be told: no vibration was measured there");
    }

    #[test]
    fn a_level_has_its_unit() {
        let causes = froze(vec![row(PictureCause::Radio, Some(0.9), Some(-70.0))]);
        let said = "the radio: cannot be told; level -70 against -70 dBm, lower than at 90 % of other times (1 instant)";
        assert_eq!(evidence(&causes, "dBm"), [said]);
    }
}
