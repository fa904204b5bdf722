//! On which line of a profile a value stands: for messages about values that are well formed each for
//! itself and make no sense together. The text is read again, so that the profile's own types stay bare.

use serde::Deserialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Links {
    link: Vec<Named>,
}

#[derive(Debug, Deserialize)]
struct Named {
    name: Spanned<String>,
}

/// The line of the name of a link, from 1.
pub(super) fn link_name(text: &str, index: usize) -> usize {
    let links: Links = toml::from_str(text).unwrap_or_default();
    line(text, links.link.get(index).map_or(0, |link| link.name.span().start))
}

/// The line of an output among the failsafe values.
pub(super) fn servo(text: &str, number: &str) -> usize {
    key(text, "vehicle", |vehicle| match vehicle.get("failsafe_servo_us")?.get_ref() {
        DeValue::Table(outputs) => place(outputs, number),
        _ => None,
    })
}

/// The line of a source's URL.
pub(super) fn source(text: &str, name: &str) -> usize {
    key(text, "sources", |sources| place(sources, name))
}

/// The line of a latitude or longitude that stands alone.
pub(super) fn half_position(text: &str) -> usize {
    key(text, "handset", |handset| place(handset, "lat").or_else(|| place(handset, "lon")))
}

fn key(text: &str, table: &str, find: impl Fn(&DeTable<'_>) -> Option<usize>) -> usize {
    let start = DeTable::parse(text).ok().and_then(|profile| match profile.get_ref().get(table)?.get_ref() {
        DeValue::Table(found) => find(found),
        _ => None,
    });
    line(text, start.unwrap_or(0))
}

fn place(table: &DeTable<'_>, key: &str) -> Option<usize> {
    table.iter().find(|(name, _)| name.get_ref() == key).map(|(name, _)| name.span().start)
}

fn line(text: &str, start: usize) -> usize {
    text.bytes().take(start).filter(|byte| *byte == b'\n').count() + 1
}
