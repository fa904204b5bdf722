//! What photographs show, as it is typed.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::measure::glass_to_glass::{NoDelay, Optics, Photograph, delay, read_off_ms};
use crate::summary::PictureDelay;
use crate::wording::glass_words;

/// Digits of a time at most.
const LONGEST: usize = 8;
/// Photographs that are kept at most.
const MOST: usize = 200;

/// The times typed so far.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Readings {
    /// The photographs that are whole.
    pub photographs: Vec<Photograph>,
    /// The two times of the next one, as far as they are typed.
    pub typed: [String; 2],
    /// Which of the two is being typed.
    pub field: usize,
    /// What was typed last is no time.
    pub refused: bool,
}

impl Readings {
    /// Takes a key; true: leave.
    pub fn key(&mut self, key: KeyEvent) -> bool {
        self.refused = false;
        match key.code {
            KeyCode::Char('q') => return true,
            KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => return true,
            KeyCode::Char(letter) if letter.is_ascii_digit() || matches!(letter, '.' | ',') => {
                let typed = &mut self.typed[self.field];
                if typed.len() < LONGEST {
                    typed.push(letter);
                }
            }
            KeyCode::Backspace => self.erase(),
            KeyCode::Tab | KeyCode::Up | KeyCode::Down => self.field = 1 - self.field,
            KeyCode::Esc => (self.typed, self.field) = Default::default(),
            KeyCode::Char('u') => {
                self.photographs.pop();
            }
            KeyCode::Enter => self.enter(),
            _ => {}
        }
        false
    }

    /// Takes a letter back, and from nothing goes to the first time.
    fn erase(&mut self) {
        if self.typed[self.field].pop().is_none() {
            self.field = 0;
        }
    }

    fn enter(&mut self) {
        if read_off_ms(&self.typed[self.field]).is_none() {
            self.refused = true;
            return;
        }
        let [Some(time_ms), Some(picture_ms)] = self.typed.each_ref().map(|typed| read_off_ms(typed)) else {
            self.field = 1 - self.field;
            return;
        };
        if self.photographs.len() < MOST {
            self.photographs.push(Photograph { time_ms, picture_ms });
        }
        (self.typed, self.field) = Default::default();
    }

    /// The photograph that is next, in words.
    #[must_use]
    pub fn next_said(&self) -> String {
        glass_words::next_photograph(self.photographs.len() + 1, &self.typed, self.field)
    }

    /// What they say.
    ///
    /// # Errors
    /// Why they say nothing.
    pub fn delay(&self, optics: Optics) -> Result<PictureDelay, NoDelay> {
        delay(&self.photographs, optics)
    }
}

#[cfg(test)]
mod tests {
    use crate::tui::stopwatch::readings::*;

    fn typed(readings: &mut Readings, text: &str) {
        for letter in text.chars() {
            let code = match letter {
                '\n' => KeyCode::Enter,
                '<' => KeyCode::Backspace,
                '\t' => KeyCode::Tab,
                letter => KeyCode::Char(letter),
            };
            assert!(!readings.key(code.into()));
        }
    }

    #[test]
    fn both_times_make_a_photograph() {
        let mut readings = Readings::default();
        typed(&mut readings, "83.412\n83.301\n");
        assert_eq!(readings.photographs, [Photograph { time_ms: 83_412.0, picture_ms: 83_301.0 }]);
        // Typed wrong, put right, and the second one first.
        typed(&mut readings, "\t90.02<11\n91.100\n");
        assert_eq!(readings.photographs[1], Photograph { time_ms: 91_100.0, picture_ms: 90_011.0 });
        typed(&mut readings, "u");
        assert_eq!(readings.photographs.len(), 1);
    }

    #[test]
    fn what_is_no_time_is_refused_and_stays_to_be_put_right() {
        let mut readings = Readings::default();
        typed(&mut readings, "8.3.4\n");
        assert!(readings.refused && readings.photographs.is_empty() && readings.typed[0] == "8.3.4");
        typed(&mut readings, "<<34\n8.200\n");
        assert_eq!(readings.photographs, [Photograph { time_ms: 8_334.0, picture_ms: 8_200.0 }]);
        assert!(readings.key(KeyCode::Char('q').into()));
    }
}
