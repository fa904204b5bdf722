//! A button of the joystick that acknowledges alarms, by the profile.
//!
//! A device numbers its buttons from 1. The kernel makes of the first 16 the keys from BTN_JOYSTICK on, or from
//! BTN_GAMEPAD on, and of the others those from BTN_TRIGGER_HAPPY on (linux/input-event-codes.h, hid-input.c).

use std::collections::BTreeMap;

use crate::record::joystick_layout::JoystickLayout;
use crate::record::{InterfaceId, Note, OwnedBody, OwnedRecord};

/// EV_KEY, and the value of a press; a release is 0, a key that is held 2.
const KEY: u16 = 1;
const PRESSED: i32 = 1;
const JOYSTICK: u16 = 0x120;
const GAMEPAD: u16 = 0x130;
const FURTHER: u16 = 0x2C0;
/// Buttons that the first two ranges hold.
const FIRST: u16 = 16;

/// Looks out for the button.
#[derive(Debug, Default)]
pub(super) struct AcknowledgeButton {
    codes: Vec<u16>,
    layouts: BTreeMap<InterfaceId, JoystickLayout>,
}

impl AcknowledgeButton {
    /// The button of this number; without one nothing is looked for.
    pub(super) fn new(number: Option<u8>) -> Self {
        let codes = match number.and_then(|number| u16::from(number).checked_sub(1)) {
            None => Vec::new(),
            Some(index) if index < FIRST => vec![JOYSTICK + index, GAMEPAD + index],
            Some(index) => vec![FURTHER + index - FIRST],
        };
        Self { codes, layouts: BTreeMap::new() }
    }

    /// Whether it is pressed in a record. The kernel gives whole events.
    pub(super) fn is_pressed(&mut self, record: &OwnedRecord) -> bool {
        if self.codes.is_empty() {
            return false;
        }
        match &record.body {
            OwnedBody::Note(Note::Joystick { interface, layout }) => {
                self.layouts.insert(*interface, layout.clone());
                false
            }
            OwnedBody::Stream(bytes) => self.layouts.get(&record.interface).is_some_and(|layout| {
                bytes.chunks_exact(usize::from(layout.event_bytes).max(1)).any(|event| {
                    layout.event(event).is_some_and(|(kind, code, value)| {
                        (kind, value) == (KEY, PRESSED) && self.codes.contains(&code)
                    })
                })
            }),
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::record::Direction;
    use crate::session::live::acknowledge_button::*;
    use crate::units::Nanos;

    fn record(body: OwnedBody) -> OwnedRecord {
        OwnedRecord { at: Nanos::ZERO, interface: InterfaceId(1), direction: Direction::Inbound, body }
    }

    /// linux/input.h on a 64-bit computer, low byte first.
    fn events(list: &[(u16, u16, i32)]) -> OwnedRecord {
        let mut bytes = Vec::new();
        for (kind, code, value) in list {
            bytes.extend_from_slice(&[0; 16]);
            bytes.extend_from_slice(&kind.to_le_bytes());
            bytes.extend_from_slice(&code.to_le_bytes());
            bytes.extend_from_slice(&value.to_le_bytes());
        }
        record(OwnedBody::Stream(bytes.into()))
    }

    fn watched(number: Option<u8>) -> AcknowledgeButton {
        let mut button = AcknowledgeButton::new(number);
        let layout =
            JoystickLayout { event_bytes: 24, big_endian: false, axes: Vec::new(), name: "pad".to_owned() };
        let note = Note::Joystick { interface: InterfaceId(1), layout };
        assert!(!button.is_pressed(&record(OwnedBody::Note(note))));
        button
    }

    #[test]
    fn a_press_counts_and_neither_its_release_nor_another_key_nor_a_stick() {
        // input-event-codes.h: BTN_TRIGGER 0x120, BTN_THUMB 0x121, BTN_THUMB2 0x122, BTN_A 0x130, BTN_C 0x132.
        let mut third = watched(Some(3));
        assert!(third.is_pressed(&events(&[(3, 0, 9), (1, 0x122, 1), (0, 0, 0)])));
        assert!(third.is_pressed(&events(&[(1, 0x132, 1), (0, 0, 0)])));
        for other in [(1, 0x122, 0), (1, 0x122, 2), (1, 0x121, 1), (1, 0x123, 1), (3, 0x122, 1), (0, 0, 1)] {
            assert!(!third.is_pressed(&events(&[other])), "{other:?}");
        }
        // BTN_TRIGGER_HAPPY1 0x2c0 is the 17th, BTN_TRIGGER_HAPPY40 0x2e7 the 56th.
        assert!(watched(Some(17)).is_pressed(&events(&[(1, 0x2C0, 1)])));
        assert!(watched(Some(56)).is_pressed(&events(&[(1, 0x2E7, 1)])));
    }

    #[test]
    fn without_a_number_or_a_joystick_nothing_is_pressed() {
        assert!(!watched(None).is_pressed(&events(&[(1, 0x120, 1)])));
        assert!(!AcknowledgeButton::new(Some(1)).is_pressed(&events(&[(1, 0x120, 1)])));
    }
}
