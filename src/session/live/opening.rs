//! What a recording of a running session begins with, so that it opens by itself.
//!
//! Kept as it is recorded: the tags, the interfaces as they are described now, and the notes that still stand: limits
//! from earlier sessions, what is sent, comments, joysticks with their axes where they are now, sources that are away, and counters
//! of what this computer lost. Counters begin at 0 in each file. Bounded: [`MOST_NOTES`] notes.

use std::collections::BTreeMap;
use std::mem::discriminant;

use crate::record::{Body, Entry, InterfaceId, Note, Record};

const MOST_NOTES: usize = 64;

#[derive(Debug, Default)]
pub(super) struct Opening {
    /// The session, then its interfaces.
    entries: Vec<Entry<'static>>,
    notes: Vec<Note>,
    /// Each interface's counter of lost data, when the newest file began and now.
    counters: BTreeMap<InterfaceId, [u64; 2]>,
}

impl Opening {
    pub(super) fn of(entries: &[Entry<'_>]) -> Self {
        let mut opening = Self::default();
        for entry in entries {
            opening.observe(entry);
        }
        opening
    }

    /// Takes an entry that is recorded.
    pub(super) fn observe(&mut self, entry: &Entry<'_>) {
        match entry {
            Entry::Session(info) => self.entries.push(Entry::Session(info.clone())),
            Entry::Interface(id, info) => {
                self.entries.retain(|entry| !matches!(entry, Entry::Interface(known, _) if known == id));
                self.entries.push(Entry::Interface(*id, info.clone()));
                self.entries.sort_by_key(|entry| match entry {
                    Entry::Interface(id, _) => Some(*id),
                    _ => None,
                });
            }
            Entry::Record(Record { body: Body::Note(note), .. }) => self.take_note(note),
            Entry::Record(Record { interface, body: Body::Stream(bytes), .. }) => {
                let layouts = self.notes.iter_mut().filter_map(|note| match note {
                    Note::Joystick { interface: of, layout } if of == interface => Some(layout),
                    _ => None,
                });
                layouts.for_each(|layout| layout.follow(bytes));
            }
            Entry::Record(_) => {}
        }
    }

    fn take_note(&mut self, note: &Note) {
        match note {
            Note::HostDrops { interface, total } => {
                self.counters.entry(*interface).or_default()[1] = *total;
                return;
            }
            Note::SourceUp { interface: up } => {
                self.notes
                    .retain(|note| !matches!(note, Note::SourceDown { interface, .. } if interface == up));
                return;
            }
            Note::Joystick { interface, .. } | Note::SourceDown { interface, .. } => {
                let is_same = |old: &Note| match old {
                    Note::Joystick { interface: of, .. } | Note::SourceDown { interface: of, .. } => {
                        of == interface && discriminant(old) == discriminant(note)
                    }
                    _ => false,
                };
                self.notes.retain(|old| !is_same(old));
            }
            Note::Limits { .. } | Note::Transmits { .. } | Note::Foreign { .. } => {}
            _ => return,
        }
        if self.notes.len() < MOST_NOTES && !self.notes.contains(note) {
            self.notes.push(note.clone());
        }
    }

    /// A new file begins.
    pub(super) fn begin_anew(&mut self) {
        for [then, now] in self.counters.values_mut() {
            *then = *now;
        }
    }

    /// The entry as the newest file says it: counters count from its begin.
    pub(super) fn counted_anew<'a>(&self, entry: &Entry<'a>) -> Entry<'a> {
        let mut entry = entry.clone();
        if let Entry::Record(Record { body: Body::Note(Note::HostDrops { interface, total }), .. }) =
            &mut entry
        {
            *total -= self.counters.get(interface).map_or(0, |[then, _]| (*then).min(*total));
        }
        entry
    }

    /// The session, then its interfaces.
    pub(super) fn entries(&self) -> &[Entry<'static>] {
        &self.entries
    }

    /// What still stands, for the place behind the first record.
    pub(super) fn notes(&self) -> impl Iterator<Item = Note> + '_ {
        let counters =
            self.counters.keys().map(|interface| Note::HostDrops { interface: *interface, total: 0 });
        self.notes.iter().cloned().chain(counters)
    }
}
