//! How a joystick device's events are laid out, and what its axes range over.
//!
//! A recording keeps the events exactly as the kernel gave them (`struct input_event` of
//! linux/input.h), whose size and byte order are those of the computer that recorded. This
//! description, a note before them, is all that a reader on any computer needs.

/// Axes kept: as many sticks as a channel message has.
pub const MOST_AXES: usize = 18;

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
    /// Whether an axis is a stick's, a throttle's, a rudder's or a slider's: hats (two-way
    /// switches), pads and touch screens are none. Codes: linux/input-event-codes.h.
    #[must_use]
    pub const fn is_stick(code: u16) -> bool {
        matches!(code, 0x00..=0x0F | 0x28..=0x2E)
    }
}
