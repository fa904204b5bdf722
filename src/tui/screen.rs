//! Pages, and what can be chosen on one: its part, or which rows it lists.

use crate::summary::Event;

/// A page.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Screen {
    /// What to do now.
    #[default]
    Overview,
    /// Stick to servo.
    Latency,
    /// What goes missing.
    Loss,
    /// Level and distance.
    Range,
    /// Frames and freezes.
    Video,
    /// Is it the airframe?
    Vibration,
    /// What happened.
    Events,
    /// Level against its limit.
    Signal,
    /// Where it was good and bad.
    Map,
    /// What to do, to be read at arm's length.
    Field,
    /// How it went.
    Session,
}

impl Screen {
    /// All, in the order of their keys.
    pub const ALL: [Self; 11] = [
        Self::Overview,
        Self::Latency,
        Self::Loss,
        Self::Range,
        Self::Video,
        Self::Vibration,
        Self::Events,
        Self::Signal,
        Self::Map,
        Self::Field,
        Self::Session,
    ];

    /// Its name.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Overview => "overview",
            Self::Latency => "latency",
            Self::Loss => "loss",
            Self::Range => "range",
            Self::Video => "video",
            Self::Vibration => "vibration",
            Self::Events => "events",
            Self::Signal => "signal",
            Self::Map => "map",
            Self::Field => "field",
            Self::Session => "session",
        }
    }

    pub(super) fn step(self, by: usize) -> Self {
        let here = Self::ALL.iter().position(|screen| *screen == self).unwrap_or(0);
        Self::ALL[(here + by) % Self::ALL.len()]
    }
}

/// Which rows the event page lists.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum EventFilter {
    /// Every event.
    #[default]
    All,
    /// Warnings, alarms, and their ends.
    Warnings,
    /// Freezes.
    Freezes,
    /// Marks set by hand.
    Marks,
    /// Sources, restarts, clocks: what is left.
    Other,
}

impl EventFilter {
    /// All, in the order in which a key steps through them.
    pub const ALL: [Self; 5] = [Self::All, Self::Warnings, Self::Freezes, Self::Marks, Self::Other];

    /// Its name.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::All => "all",
            Self::Warnings => "warnings",
            Self::Freezes => "freezes",
            Self::Marks => "marks",
            Self::Other => "other",
        }
    }

    /// Whether it lists an event.
    #[must_use]
    pub fn lists(self, event: &Event) -> bool {
        let own = match event {
            Event::Margin { .. }
            | Event::Acknowledged
            | Event::Lost
            | Event::Back { .. }
            | Event::Failsafe(_)
            | Event::VehicleLost(_)
            | Event::VehicleSilent
            | Event::AutopilotSilent
            | Event::RestartAloft
            | Event::RestartUnplaced => Self::Warnings,
            Event::Freeze { .. } => Self::Freezes,
            Event::Mark { .. } => Self::Marks,
            _ => Self::Other,
        };
        self == Self::All || self == own
    }

    pub(super) fn next(self) -> Self {
        let here = Self::ALL.iter().position(|filter| *filter == self).unwrap_or(0);
        Self::ALL[(here + 1) % Self::ALL.len()]
    }
}

/// Which part of the loss page is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LossPart {
    /// Senders over time; where there is room, the others under them.
    #[default]
    Senders,
    /// How long losses last.
    Bursts,
    /// What happened together at each bad spell.
    Spells,
    /// What radios and vehicle report of themselves.
    Reports,
}

impl LossPart {
    pub(super) const fn next(self) -> Self {
        match self {
            Self::Senders => Self::Bursts,
            Self::Bursts => Self::Spells,
            Self::Spells => Self::Reports,
            Self::Reports => Self::Senders,
        }
    }
}
