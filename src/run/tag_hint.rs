//! A tag that no earlier session has: mistyped, mostly. It is told with what is there, since a session with other tags
//! than all earlier ones has no limits.

use std::collections::{BTreeMap, BTreeSet};

type Tags = BTreeMap<String, String>;

/// Values that are named at most.
const MOST_VALUES: usize = 3;

/// What is to be told of the equipment that a session asks with; `None` where an earlier session has just that, or where
/// there is no earlier session.
pub(super) fn hint(asked: &Tags, earlier: &[Tags]) -> Option<String> {
    if earlier.is_empty() || earlier.contains(asked) {
        return None;
    }
    let has = |pair: &(&String, &String)| earlier.iter().any(|tags| tags.get(pair.0) == Some(pair.1));
    let Some((key, value)) = asked.iter().find(|pair| !has(pair)) else {
        return Some(nearest(asked, earlier));
    };
    let values: BTreeSet<&str> =
        earlier.iter().filter_map(|tags| tags.get(key)).map(String::as_str).collect();
    if values.is_empty() {
        let keys: BTreeSet<&str> = earlier.iter().flat_map(|tags| tags.keys()).map(String::as_str).collect();
        let there = like(key, &keys).map_or_else(String::new, |like| format!("; there is {like}"));
        return Some(format!("no earlier session has a tag {key}{there}"));
    }
    let there: Vec<String> = match like(value, &values) {
        Some(like) => vec![format!("{key}={like}")],
        None => values.iter().take(MOST_VALUES).map(|value| format!("{key}={value}")).collect(),
    };
    Some(format!("no earlier session has {key}={value}; there is {}", there.join(", ")))
}

/// Each tag is there, all of them together are not.
fn nearest(asked: &Tags, earlier: &[Tags]) -> String {
    let shared = |tags: &Tags| {
        let same = tags.iter().filter(|(key, value)| asked.get(*key) == Some(*value)).count();
        2 * same as i64 - tags.len() as i64
    };
    let words = |tags: &Tags| {
        let all: Vec<String> = tags.iter().map(|(key, value)| format!("{key}={value}")).collect();
        if all.is_empty() { "no tags".to_owned() } else { all.join(", ") }
    };
    let nearest = earlier.iter().max_by_key(|tags| shared(tags)).map(words).unwrap_or_default();
    if asked.is_empty() {
        return format!("this session has no tags, and earlier ones have: the nearest has {nearest}");
    }
    format!("no earlier session has just {}; the nearest has {nearest}", words(asked))
}

/// The word that this one may be a slip of: at most two letters apart, and fewer than half of them.
fn like<'a>(word: &str, among: &BTreeSet<&'a str>) -> Option<&'a str> {
    let nearest = among.iter().map(|other| (letters_apart(word, other), *other)).min()?;
    (nearest.0 <= 2 && 2 * nearest.0 < word.chars().count()).then_some(nearest.1)
}

/// Letters to be put in, taken out or replaced (Levenshtein 1966).
fn letters_apart(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (line, letter) in one.chars().enumerate() {
        let mut before = row[0];
        row[0] = line + 1;
        for (column, against) in other.iter().enumerate() {
            let replaced = before + usize::from(letter != *against);
            before = row[column + 1];
            row[column + 1] = replaced.min(row[column] + 1).min(before + 1);
        }
    }
    row[other.len()]
}

#[cfg(test)]
mod tests {
    use crate::run::tag_hint::*;

    fn tags(pairs: &[(&str, &str)]) -> Tags {
        pairs.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect()
    }

    #[test]
    fn what_was_mistyped_is_told_with_what_is_there() {
        let earlier = [
            tags(&[("antenna", "panel"), ("mount", "sprung")]),
            tags(&[("antenna", "whip"), ("mount", "rigid")]),
        ];
        let told = |pairs: &[(&str, &str)]| hint(&tags(pairs), &earlier);
        assert_eq!(
            told(&[("antenna", "pannel"), ("mount", "sprung")]).as_deref(),
            Some("no earlier session has antenna=pannel; there is antenna=panel")
        );
        assert_eq!(
            told(&[("antena", "panel"), ("mount", "sprung")]).as_deref(),
            Some("no earlier session has a tag antena; there is antenna")
        );
        assert_eq!(
            told(&[("antenna", "helix"), ("mount", "sprung")]).as_deref(),
            Some("no earlier session has antenna=helix; there is antenna=panel, antenna=whip")
        );
        assert_eq!(
            told(&[("antenna", "panel")]).as_deref(),
            Some("no earlier session has just antenna=panel; the nearest has antenna=panel, mount=sprung")
        );
    }

    #[test]
    fn nothing_is_told_where_a_session_has_the_same_or_none_is_there() {
        let own = tags(&[("antenna", "panel")]);
        assert_eq!(hint(&own, std::slice::from_ref(&own)), None);
        assert_eq!(hint(&own, &[]), None);
        assert_eq!(hint(&Tags::new(), &[Tags::new()]), None);
    }

    #[test]
    fn a_session_without_tags_is_told_what_earlier_ones_have() {
        let earlier = [tags(&[("antenna", "panel")])];
        let said = "this session has no tags, and earlier ones have: the nearest has antenna=panel";
        assert_eq!(hint(&tags(&[]), &earlier).as_deref(), Some(said));
        assert_eq!(hint(&tags(&[]), &[tags(&[])]), None);
    }

    /// By hand.
    #[test]
    fn letters_that_differ() {
        assert_eq!(letters_apart("pannel", "panel"), 1);
        assert_eq!(letters_apart("kitten", "sitting"), 3);
        assert_eq!(letters_apart("", "abc"), 3);
    }
}
