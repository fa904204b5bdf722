//! How a joystick device's events are laid out, and what its axes range over.
//!
//! A recording keeps the events exactly as the kernel gave them (`struct input_event` of
//! linux/input.h), whose size and byte order are those of the computer that recorded. This
//! description, a note before them, is all that a reader on any computer needs.

/// Axes kept: as many sticks as a channel message has.
pub const MOST_AXES: usize = 18;
/// The type of an axis' event, EV_ABS of linux/input-event-codes.h.
pub const ABSOLUTE: u16 = 3;

/// One absolute axis (`struct input_absinfo` of linux/input.h).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JoystickAxis {
    /// Its code, ABS_X = 0 and so on.
    pub code: u16,
    /// Value at one end.
    pub minimum: i32,
    /// Value at the other.
    pub maximum: i32,
    /// Where it stood when this was asked.
    pub value: i32,
}

/// A joystick as its device describes itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JoystickLayout {
    /// Bytes of an event: 24 where the time stamp has 64-bit fields, 16 where they have 32 bits.
    pub event_bytes: u8,
    /// Byte order of the computer that read it.
    pub big_endian: bool,
    /// Its stick axes in the order of their codes, at most [`MOST_AXES`].
    pub axes: Vec<JoystickAxis>,
    /// What it calls itself, as the device says it: clean it before showing.
    pub name: String,
}

impl JoystickLayout {
    /// Type, code and value of an event.
    #[must_use]
    pub fn event(&self, event: &[u8]) -> Option<(u16, u16, i32)> {
        // They stand behind the time stamp.
        let &[a, b, c, d, e, f, g, h] = event.last_chunk::<8>()?;
        Some(if self.big_endian {
            (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]), i32::from_be_bytes([e, f, g, h]))
        } else {
            (u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d]), i32::from_le_bytes([e, f, g, h]))
        })
    }

    /// Takes over where whole events say that the axes stand.
    pub fn follow(&mut self, events: &[u8]) {
        for event in events.chunks_exact(usize::from(self.event_bytes).max(1)) {
            if let Some((ABSOLUTE, code, value)) = self.event(event)
                && let Some(axis) = self.axes.iter_mut().find(|axis| axis.code == code)
            {
                axis.value = value;
            }
        }
    }

    /// Whether an axis is a stick's, a throttle's, a rudder's or a slider's: hats (two-way
    /// switches), pads and touch screens are none. Codes: linux/input-event-codes.h.
    #[must_use]
    pub const fn is_stick(code: u16) -> bool {
        matches!(code, 0x00..=0x0F | 0x28..=0x2E)
    }
}
