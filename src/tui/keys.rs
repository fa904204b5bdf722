//! The key table: one place maps key to action, and the help page prints from it.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::record::MarkKind;

use super::action::Action;
use super::screen::Screen;

/// Under which heading the help page lists a key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Group {
    /// Pages.
    Pages,
    /// The window of time.
    Time,
    /// Marks and warnings.
    Marks,
    /// The clock of a replay.
    Replay,
    /// The rest.
    Program,
}

impl Group {
    /// All, in the order of the help page.
    pub const ALL: [Self; 5] = [Self::Pages, Self::Time, Self::Marks, Self::Replay, Self::Program];

    /// The heading.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Pages => "pages",
            Self::Time => "time",
            Self::Marks => "marks and warnings",
            Self::Replay => "replay",
            Self::Program => "program",
        }
    }
}

/// One row of the table.
#[derive(Clone, Copy, Debug)]
pub struct Binding {
    /// The keys that ask for it.
    pub codes: &'static [KeyCode],
    /// What they ask for.
    pub action: Action,
    /// The keys, as help prints them.
    pub shown: &'static str,
    /// What it does, in words.
    pub what: &'static str,
    /// Its heading.
    pub group: Group,
}

const fn bind(
    codes: &'static [KeyCode],
    shown: &'static str,
    action: Action,
    what: &'static str,
    group: Group,
) -> Binding {
    Binding { codes, action, shown, what, group }
}

use KeyCode::{Char, Down, End, Enter, Esc, Home, Left, PageDown, PageUp, Right, Tab, Up};

/// Every key that works outside a dialog. The steps of a replay: of two neighbouring keys the left one goes back, the
/// right one forward; v is the speed; a small letter does little, its capital much.
pub const TABLE: &[Binding] = &[
    bind(&[Char('1')], "1", Action::Show(Screen::Overview), "overview: what to do now", Group::Pages),
    bind(&[Char('2')], "2", Action::Show(Screen::Latency), "latency: stick to servo", Group::Pages),
    bind(&[Char('3')], "3", Action::Show(Screen::Loss), "loss: what goes missing", Group::Pages),
    bind(&[Char('4')], "4", Action::Show(Screen::Range), "range: level and distance", Group::Pages),
    bind(&[Char('5')], "5", Action::Show(Screen::Video), "video: frames and freezes", Group::Pages),
    bind(&[Char('6')], "6", Action::Show(Screen::Vibration), "vibration: is it the airframe?", Group::Pages),
    bind(&[Char('7')], "7", Action::Show(Screen::Events), "events: what happened", Group::Pages),
    bind(&[Char('8')], "8", Action::Show(Screen::Signal), "signal: level and its limit", Group::Pages),
    bind(&[Char('9')], "9", Action::Show(Screen::Map), "map: where it is good and bad", Group::Pages),
    bind(&[Char('0')], "0", Action::Show(Screen::Field), "field: large, for sunlight", Group::Pages),
    bind(&[Char('w')], "w", Action::Show(Screen::Session), "session: what worked", Group::Pages),
    bind(&[Tab], "Tab", Action::NextScreen, "next page", Group::Pages),
    bind(&[KeyCode::BackTab], "Shift-Tab", Action::PreviousScreen, "page before", Group::Pages),
    bind(&[Char('l'), Enter], "l", Action::NextItem, "next link, or part of the page", Group::Pages),
    bind(&[Up], "Up", Action::Up, "list up", Group::Pages),
    bind(&[Down], "Down", Action::Down, "list down", Group::Pages),
    bind(&[PageUp], "PageUp", Action::PageUp, "list up a page", Group::Pages),
    bind(&[PageDown], "PageDown", Action::PageDown, "list down a page", Group::Pages),
    bind(&[Char('+'), Char('=')], "+", Action::ZoomIn, "less time, larger", Group::Time),
    bind(&[Char('-'), Char('_')], "-", Action::ZoomOut, "more time, smaller", Group::Time),
    bind(&[Char('z')], "z", Action::WholeSession, "whole session", Group::Time),
    bind(&[Left], "Left", Action::Earlier, "earlier", Group::Time),
    bind(&[Right], "Right", Action::Later, "later", Group::Time),
    bind(&[Char('n')], "n", Action::FollowNewest, "follow the newest record", Group::Time),
    bind(&[Char('f')], "f", Action::Mark(MarkKind::PictureFroze), "mark: the picture froze", Group::Marks),
    bind(&[Char('s')], "s", Action::Mark(MarkKind::PictureShook), "mark: the picture shook", Group::Marks),
    bind(&[Char('h')], "h", Action::Mark(MarkKind::HandsetHere), "mark: the handset is here", Group::Marks),
    bind(&[Char('d')], "d", Action::Mark(MarkKind::Drill), "mark: a failsafe drill", Group::Marks),
    bind(&[Char('m')], "m", Action::WriteNote, "mark with a note", Group::Marks),
    bind(&[Char('a')], "a", Action::Acknowledge, "acknowledge: the bell rests", Group::Marks),
    bind(&[Char('b')], "b", Action::Bell, "bell on or off (live)", Group::Marks),
    bind(&[Char(' ')], "Space", Action::Pause, "hold picture; replay: pause", Group::Replay),
    bind(&[Char('e')], "e", Action::SeekBy(-10), "10 s back", Group::Replay),
    bind(&[Char('E')], "E", Action::SeekBy(-60), "60 s back", Group::Replay),
    bind(&[Char('r')], "r", Action::SeekBy(10), "10 s forward", Group::Replay),
    bind(&[Char('R')], "R", Action::SeekBy(60), "60 s forward", Group::Replay),
    bind(&[Char('v')], "v", Action::Slower, "half the speed, down to 0.25", Group::Replay),
    bind(&[Char('V')], "V", Action::Faster, "twice the speed, up to 64", Group::Replay),
    bind(&[Home], "Home", Action::ToStart, "to the first record", Group::Replay),
    bind(&[End], "End", Action::ToEnd, "to the last record", Group::Replay),
    bind(&[Char('t')], "t", Action::NextTheme, "next theme", Group::Program),
    bind(&[Char('x')], "x", Action::Explain, "explain what the page shows", Group::Program),
    bind(&[Char('?'), KeyCode::F(1)], "?", Action::Help, "this help", Group::Program),
    bind(&[Esc], "Esc", Action::Leave, "back to the overview", Group::Program),
    bind(&[Char('q')], "q", Action::Quit, "quit (asks in live)", Group::Program),
];

/// The action of a key outside a dialog; `None`: the key is free.
#[must_use]
pub fn action(key: KeyEvent) -> Option<Action> {
    if key.modifiers.contains(KeyModifiers::CONTROL) {
        return (key.code == Char('c')).then_some(Action::Quit);
    }
    if key.modifiers.contains(KeyModifiers::ALT) {
        return None;
    }
    TABLE.iter().find(|binding| binding.codes.contains(&key.code)).map(|binding| binding.action)
}

/// The key of an action, as help prints it.
#[must_use]
pub fn shown(action: Action) -> &'static str {
    TABLE.iter().find(|binding| binding.action == action).map_or("", |binding| binding.shown)
}

#[cfg(test)]
mod tests {
    use crate::tui::keys::*;

    #[test]
    fn no_key_is_bound_twice() {
        let mut seen: Vec<KeyCode> = Vec::new();
        for binding in TABLE {
            for code in binding.codes {
                assert!(!seen.contains(code), "{code:?} is bound twice");
                seen.push(*code);
            }
        }
    }

    #[test]
    fn control_c_quits_and_other_chords_do_nothing() {
        let chord = |code, modifiers| action(KeyEvent::new(code, modifiers));
        assert_eq!(chord(Char('c'), KeyModifiers::CONTROL), Some(Action::Quit));
        assert_eq!(chord(Char('f'), KeyModifiers::CONTROL), None);
        assert_eq!(chord(Char('q'), KeyModifiers::ALT), None);
        assert_eq!(chord(Char('+'), KeyModifiers::SHIFT), Some(Action::ZoomIn));
    }
}
