//! Devices of this computer that are sources of their own: joysticks, wireless cards.
//!
//! Their bytes are no MAVLink and never reach a framer; what they say becomes samples
//! like any message's, from a sender without a system. A joystick's are read here, not by the wire stage: at rest it
//! sends nothing, so its positions come with the time that passes.

use std::collections::BTreeMap;

use crate::record::joystick_layout::JoystickLayout;
use crate::record::{Direction, InterfaceId, InterfaceKind};
use crate::units::Nanos;

use super::LinkMonitor;
use crate::measure::context::Sender;
use crate::record::text::clean;
use crate::summary::Event;
use crate::wire::card_level::{Level, Row};
use crate::wire::joystick::{Axes, Joystick};
use crate::wire::telemetry::Telemetry;

/// Joysticks kept.
const MOST_JOYSTICKS: usize = 8;

/// What is known of them.
#[derive(Clone, Debug, Default)]
pub(super) struct Devices {
    joysticks: BTreeMap<InterfaceId, Joystick>,
    told_relative: bool,
}

impl LinkMonitor {
    /// The bytes of an interface, where they are a joystick's.
    pub(super) fn handle_stream(&mut self, at: Nanos, interface: InterfaceId, bytes: &[u8]) {
        let kind = self.context.interfaces.get(usize::from(interface.0)).map(|info| info.kind);
        if kind == Some(InterfaceKind::Joystick) {
            self.with_joystick(interface, |joystick, give| joystick.push(at, bytes, give));
        }
    }

    /// A wireless card's row of the kernel's table.
    pub(super) fn handle_card(&mut self, at: Nanos, interface: InterfaceId, row: &Row) {
        self.imply_card(&row.name);
        match row.level {
            Level::Dbm(level) => {
                self.signal.observe_card(at, interface, &row.name, (level, row.noise_dbm), &self.context);
            }
            Level::Relative if !self.devices.told_relative => {
                self.devices.told_relative = true;
                self.log(Event::RelativeLevel { source: clean(&row.name) });
            }
            Level::Relative | Level::Absent => {}
        }
    }

    /// A joystick says what it is; told where it says something new.
    pub(super) fn describe_joystick(&mut self, at: Nanos, interface: InterfaceId, layout: &JoystickLayout) {
        let known = self.devices.joysticks.get(&interface);
        let new = !known.is_some_and(|joystick| joystick.is_like(layout));
        if known.is_none() && self.devices.joysticks.len() < MOST_JOYSTICKS {
            self.devices.joysticks.insert(interface, Joystick::default());
        }
        self.with_joystick(interface, |joystick, give| joystick.describe(at, layout, give));
        if new {
            let source = self.context.interface_name(interface).to_owned();
            self.log(Event::Joystick { source, axes: layout.axes.len(), name: clean(&layout.name) });
        }
    }

    /// The source of an interface is gone.
    pub(super) fn lose_device(&mut self, interface: InterfaceId) {
        if let Some(joystick) = self.devices.joysticks.get_mut(&interface) {
            joystick.lose();
        }
    }

    /// Time has passed: sticks that stand still are still there.
    pub(super) fn advance_devices(&mut self, to: Nanos) {
        let mut next = self.devices.joysticks.keys().next().copied();
        while let Some(interface) = next {
            self.with_joystick(interface, |joystick, give| joystick.advance(to, give));
            let rest = (std::ops::Bound::Excluded(interface), std::ops::Bound::Unbounded);
            next = self.devices.joysticks.range(rest).next().map(|(id, _)| *id);
        }
    }

    fn with_joystick(
        &mut self,
        interface: InterfaceId,
        act: impl FnOnce(&mut Joystick, &mut dyn FnMut(Nanos, &Axes)),
    ) {
        let Some(joystick) = self.devices.joysticks.get_mut(&interface) else { return };
        let sender = Sender { interface, direction: Direction::Inbound, system: 0, component: 0 };
        act(joystick, &mut |at, axes| {
            let telemetry = Telemetry::Joystick { axes: *axes };
            self.latency.observe(at, sender, &telemetry, &self.clocks, &self.context);
            self.failsafe.observe(at, sender, &telemetry, &self.context);
            if let Some(source) = self.sources.get_mut(usize::from(interface.0)) {
                source.last = Some(at);
            }
        });
    }
}
