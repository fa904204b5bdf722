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
    match (measured(PictureCause::Radio), measured(PictureCause::Airframe)) {
        (false, false) => "neither level nor vibration was measured there",
        (false, true) => "no level of the video link was measured there: give it a radio in the profile",
        (true, false) => "no vibration was measured there: ask for message 241 at 1 Hz or more",
        (true, true) => "too few bad pictures apart from each other: fly longer where the picture is bad",
    }
}

/// What was found of each possible cause.
#[must_use]
pub fn evidence(causes: &PictureCauses) -> Vec<String> {
    let certain = causes.certain.iter().map(|row| {
        let seen = match row.cause {
            PictureCause::Sender => "the sender paused or began anew",
            _ => "this computer stood still or lost data",
        };
        format!("{}: {seen} at {} of {}, by the packets", cause(row.cause), row.count, causes.count)
    });
    certain.chain(causes.weighed.iter().filter_map(weighed)).collect()
}

fn weighed(row: &WeighedCause) -> Option<String> {
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
        PictureCause::Radio => format!("level {at_bad:.0} against {otherwise:.0}, lower than at"),
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
