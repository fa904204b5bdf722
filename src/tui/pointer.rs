//! A finger or a mouse on the screen: taps, drags and the wheel. `view/touch.rs` says what lies where.

use crossterm::event::{MouseButton, MouseEvent, MouseEventKind};

use super::action::Action;
use super::screen::Screen;

/// What lies at a place of the screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Target {
    /// What a key does too.
    Action(Action),
    /// A link: the page that shows it, and its place there.
    Link {
        /// The page.
        page: Screen,
        /// Its place among the links of that page.
        item: usize,
        /// Columns of the plot that was touched; 0: not the plot.
        columns: u16,
    },
    /// A plot over time, of so many columns.
    Plot {
        /// How many.
        columns: u16,
    },
    /// A row of a list.
    Row {
        /// Which.
        index: usize,
        /// The instant that it tells of.
        at_s: Option<f64>,
    },
    /// "Yes" of the question before the end.
    Confirm,
    /// Nothing that answers.
    Nothing,
}

impl Target {
    /// Columns of the plot over time that lies there.
    const fn plot(self) -> Option<u16> {
        match self {
            Self::Link { columns, .. } | Self::Plot { columns } if columns > 0 => Some(columns),
            _ => None,
        }
    }
}

/// A swipe of a touchpad to the side moves so much of the window.
const SWIPE: f64 = 0.1;

/// What the hand did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Gesture {
    /// Touched something.
    Tap(Target),
    /// Drew a plot by this share of its width; to the right is more than 0.
    Draw(f64),
    /// Turned the wheel over something.
    Wheel {
        /// Away from the hand.
        up: bool,
        /// Over what.
        over: Target,
    },
}

/// The hand between two events.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pointer {
    held: Option<Held>,
}

/// A plot that is held.
#[derive(Clone, Copy, Debug)]
struct Held {
    target: Target,
    columns: u16,
    x: u16,
    moved: bool,
}

impl Pointer {
    /// An event of the terminal; `target` says what lies at a column and row. A plot may be drawn: it is tapped
    /// only as the hand leaves it.
    pub fn event(&mut self, event: MouseEvent, target: impl Fn(u16, u16) -> Target) -> Option<Gesture> {
        let (x, y) = (event.column, event.row);
        match event.kind {
            MouseEventKind::Down(MouseButton::Left) => {
                let target = target(x, y);
                self.held = target.plot().map(|columns| Held { target, columns, x, moved: false });
                self.held.is_none().then_some(Gesture::Tap(target))
            }
            MouseEventKind::Drag(MouseButton::Left) => {
                let held = self.held.as_mut()?;
                let by = i32::from(x) - i32::from(held.x);
                held.x = x;
                held.moved |= by != 0;
                (by != 0).then(|| Gesture::Draw(f64::from(by) / f64::from(held.columns)))
            }
            MouseEventKind::Up(MouseButton::Left) => {
                let held = self.held.take()?;
                (!held.moved).then_some(Gesture::Tap(held.target))
            }
            MouseEventKind::ScrollUp => Some(Gesture::Wheel { up: true, over: target(x, y) }),
            MouseEventKind::ScrollDown => Some(Gesture::Wheel { up: false, over: target(x, y) }),
            MouseEventKind::ScrollLeft => Some(Gesture::Draw(SWIPE)),
            MouseEventKind::ScrollRight => Some(Gesture::Draw(-SWIPE)),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::pointer::*;
    use crossterm::event::KeyModifiers;

    const PLOT: Target = Target::Plot { columns: 50 };

    fn event(kind: MouseEventKind, column: u16) -> MouseEvent {
        MouseEvent { kind, column, row: 3, modifiers: KeyModifiers::NONE }
    }

    fn gestures(target: Target, events: &[(MouseEventKind, u16)]) -> Vec<Gesture> {
        let mut pointer = Pointer::default();
        events.iter().filter_map(|(kind, x)| pointer.event(event(*kind, *x), |_, _| target)).collect()
    }

    const DOWN: MouseEventKind = MouseEventKind::Down(MouseButton::Left);
    const DRAG: MouseEventKind = MouseEventKind::Drag(MouseButton::Left);
    const UP: MouseEventKind = MouseEventKind::Up(MouseButton::Left);

    #[test]
    fn a_page_s_name_answers_at_once_and_only_once() {
        let help = Target::Action(Action::Help);
        assert_eq!(gestures(help, &[(DOWN, 4), (DRAG, 9), (UP, 9)]), [Gesture::Tap(help)]);
        let other = MouseEventKind::Down(MouseButton::Right);
        assert!(gestures(help, &[(other, 4), (MouseEventKind::Moved, 5)]).is_empty());
    }

    #[test]
    fn a_plot_is_drawn_or_tapped_never_both() {
        let drawn = gestures(PLOT, &[(DOWN, 40), (DRAG, 35), (DRAG, 35), (DRAG, 45), (UP, 45)]);
        assert_eq!(drawn, [Gesture::Draw(-0.1), Gesture::Draw(0.2)]);
        assert_eq!(gestures(PLOT, &[(DOWN, 40), (UP, 40)]), [Gesture::Tap(PLOT)]);
        assert!(gestures(PLOT, &[(DRAG, 40), (UP, 40)]).is_empty(), "it was not taken here");
        assert_eq!(
            gestures(PLOT, &[(MouseEventKind::ScrollLeft, 40)]),
            [Gesture::Draw(0.1)],
            "to what was before"
        );
    }
}
