//! What a page offers, and what was pressed: a pure state machine without terminal and clock.
//!
//! Few keys, for cold fingers: a number chooses at once, arrows and Enter too, a tap as well; b or Esc goes back, q
//! leaves.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

/// Most letters that can be typed.
const LONGEST: usize = 500;
/// Rows that a page key steps.
const PAGE: isize = 5;

/// One thing to choose.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Item {
    /// Its name.
    pub name: String,
    /// What it is.
    pub about: String,
    /// Choosing it asks for a line of text.
    pub is_typed: bool,
}

impl Item {
    /// One that is chosen as it is.
    #[must_use]
    pub fn new((name, about): (&str, &str)) -> Self {
        Self { name: name.to_owned(), about: about.to_owned(), is_typed: false }
    }

    /// One that asks for a line of text.
    #[must_use]
    pub fn typed(words: (&str, &str)) -> Self {
        Self { is_typed: true, ..Self::new(words) }
    }
}

/// What was chosen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// The item of this place.
    Item(usize),
    /// This was typed.
    Typed(String),
    /// To the page before.
    Back,
    /// Leave.
    Quit,
}

/// What lies under a finger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Touched {
    /// An item.
    Item(usize),
    /// The words of a key.
    Key(KeyCode),
}

/// A page.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Menu {
    /// What is asked.
    pub title: String,
    /// What to know beside.
    pub remarks: Vec<String>,
    /// What there is to choose.
    pub items: Vec<Item>,
    /// The item that Enter chooses.
    pub at: usize,
    /// There is a page before.
    pub has_back: bool,
    /// What is being typed.
    pub typing: Option<String>,
}

impl Menu {
    /// A page without a page before it.
    #[must_use]
    pub fn new(title: &str, remarks: Vec<String>, items: Vec<Item>) -> Self {
        Self { title: title.to_owned(), remarks, items, ..Self::default() }
    }

    /// The same with a page before it.
    #[must_use]
    pub fn within(title: &str, remarks: Vec<String>, items: Vec<Item>) -> Self {
        Self { has_back: true, ..Self::new(title, remarks, items) }
    }

    /// A key; what it chooses.
    pub fn key(&mut self, key: KeyEvent) -> Option<Answer> {
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return (key.code == KeyCode::Char('c')).then_some(Answer::Quit);
        }
        if self.typing.is_some() {
            return self.typed(key.code);
        }
        match key.code {
            KeyCode::Char('q') => Some(Answer::Quit),
            KeyCode::Char('b') | KeyCode::Esc | KeyCode::Backspace | KeyCode::Left => {
                self.has_back.then_some(Answer::Back)
            }
            KeyCode::Char(digit @ '1'..='9') => self.choose(digit as usize - '1' as usize),
            KeyCode::Enter | KeyCode::Char(' ') | KeyCode::Right => self.choose(self.at),
            KeyCode::Up | KeyCode::Char('k') | KeyCode::BackTab => self.step(-1),
            KeyCode::Down | KeyCode::Char('j') | KeyCode::Tab => self.step(1),
            KeyCode::PageUp => self.step(-PAGE),
            KeyCode::PageDown => self.step(PAGE),
            KeyCode::Home => self.step(isize::MIN / 2),
            KeyCode::End => self.step(isize::MAX / 2),
            _ => None,
        }
    }

    /// A tap; what it chooses.
    pub fn touch(&mut self, touched: Touched) -> Option<Answer> {
        match touched {
            Touched::Item(index) if self.typing.is_none() => self.choose(index),
            Touched::Item(_) => None,
            Touched::Key(key) => self.key(key.into()),
        }
    }

    /// To a later item, or an earlier one; chooses nothing.
    pub fn step(&mut self, by: isize) -> Option<Answer> {
        self.at = self.at.saturating_add_signed(by).min(self.items.len().saturating_sub(1));
        None
    }

    fn choose(&mut self, index: usize) -> Option<Answer> {
        let item = self.items.get(index)?;
        self.at = index;
        if item.is_typed {
            self.typing = Some(String::new());
            return None;
        }
        Some(Answer::Item(index))
    }

    fn typed(&mut self, key: KeyCode) -> Option<Answer> {
        let text = self.typing.as_mut()?;
        match key {
            KeyCode::Esc => self.typing = None,
            KeyCode::Backspace => {
                text.pop();
            }
            KeyCode::Enter if text.trim().is_empty() => self.typing = None,
            KeyCode::Enter => return self.typing.take().map(|text| Answer::Typed(text.trim().to_owned())),
            KeyCode::Char(letter) if text.len() < LONGEST => text.push(letter),
            _ => {}
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::offer::menu::*;

    fn menu() -> Menu {
        let mut items: Vec<Item> = (0..11).map(|number| Item::new((&format!("item {number}"), ""))).collect();
        items[2] = Item::typed(("another", ""));
        Menu::within("Which?", Vec::new(), items)
    }

    fn pressed(menu: &mut Menu, keys: &[KeyCode]) -> Vec<Option<Answer>> {
        keys.iter().map(|key| menu.key((*key).into())).collect()
    }

    #[test]
    fn a_number_chooses_at_once_and_arrows_with_enter_reach_the_rest() {
        let mut shown = menu();
        assert_eq!(pressed(&mut shown, &[KeyCode::Char('2')]), [Some(Answer::Item(1))]);
        assert_eq!(
            pressed(&mut shown, &[KeyCode::End, KeyCode::Down, KeyCode::Enter])[2],
            Some(Answer::Item(10))
        );
        assert_eq!(
            pressed(&mut shown, &[KeyCode::Home, KeyCode::Up, KeyCode::Enter])[2],
            Some(Answer::Item(0))
        );
        assert_eq!(
            pressed(&mut shown, &[KeyCode::Char('0'), KeyCode::Char('x'), KeyCode::F(1)]),
            [None, None, None]
        );
        assert_eq!(shown.touch(Touched::Item(4)), Some(Answer::Item(4)));
        assert_eq!(shown.touch(Touched::Item(99)), None);
        let mut empty = Menu::default();
        assert_eq!(
            pressed(&mut empty, &[KeyCode::Down, KeyCode::Enter, KeyCode::Esc, KeyCode::Char('1')]),
            [None, None, None, None]
        );
    }

    #[test]
    fn what_is_typed_is_text_and_no_key() {
        let mut shown = menu();
        assert_eq!(pressed(&mut shown, &[KeyCode::Char('3')]), [None]);
        let keys: Vec<KeyCode> = " q1b ".chars().map(KeyCode::Char).collect();
        assert!(pressed(&mut shown, &keys).iter().all(Option::is_none));
        assert_eq!(shown.touch(Touched::Item(0)), None, "a stray tap loses nothing");
        assert_eq!(pressed(&mut shown, &[KeyCode::Enter]), [Some(Answer::Typed("q1b".to_owned()))]);
        assert_eq!(pressed(&mut shown, &[KeyCode::Char('3'), KeyCode::Enter]), [None, None], "nothing typed");
        assert_eq!(
            pressed(&mut shown, &[KeyCode::Char('3'), KeyCode::Esc, KeyCode::Esc]),
            [None, None, Some(Answer::Back)]
        );
        let stop = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
        shown.typing = Some("half".to_owned());
        assert_eq!(shown.key(stop), Some(Answer::Quit));
    }
}
