//! What a key can ask for. Keys are bound in `keys.rs`; what an action does is in `state.rs`.

use crate::record::MarkKind;

use super::screen::Screen;

/// One thing that the pilot can ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// Show a page.
    Show(Screen),
    /// Show the page after this one.
    NextScreen,
    /// Show the page before this one.
    PreviousScreen,
    /// Show less time, larger.
    ZoomIn,
    /// Show more time, smaller.
    ZoomOut,
    /// Show the whole session.
    WholeSession,
    /// Move the window to earlier times.
    Earlier,
    /// Move the window to later times.
    Later,
    /// Follow the newest record again.
    FollowNewest,
    /// Move the list up a row.
    Up,
    /// Move the list down a row.
    Down,
    /// Move the list up a page.
    PageUp,
    /// Move the list down a page.
    PageDown,
    /// The next link, stage or kind of event on this page.
    NextItem,
    /// Set a mark that needs no words.
    Mark(MarkKind),
    /// Open the dialog for a note.
    WriteNote,
    /// Hold the picture (live), or stop the clock (replay).
    Pause,
    /// Replay at twice the speed.
    Faster,
    /// Replay at half the speed.
    Slower,
    /// Replay: go this many seconds on, or back.
    SeekBy(i32),
    /// Replay: go to the first record.
    ToStart,
    /// Replay: go to the last record.
    ToEnd,
    /// Acknowledge all warnings and alarms.
    Acknowledge,
    /// Bell on or off.
    Bell,
    /// The next colour theme.
    NextTheme,
    /// Show or leave the help page.
    Help,
    /// Show or leave the explanation of what the page shows.
    Explain,
    /// Leave a dialog, or go back to the overview.
    Leave,
    /// End the program.
    Quit,
}
