//! What is wrong with what arrives: sources that bring nothing to read, and what the profile names and nobody hears.
//!
//! Each is told from 5 s on: until then it may come yet. A source that brings bytes and nothing to read is told once its
//! bytes come for 5 s; noise of a plug is less. A second vehicle, or a second radio, is none beside the one that the
//! profile names.

use crate::record::InterfaceKind;
use crate::summary::{Judgement, SourceFault};
use crate::units::Nanos;

use super::super::{LinkMonitor, Source};

/// For so long nothing is missed.
const PATIENCE: Nanos = Nanos::from_secs(5);
/// Fewer bytes are a glitch of the line: a heartbeat alone has 21 a second.
const LEAST_BYTES: u64 = 64;

/// Bytes came for a while, and nothing among them can be read.
pub(in super::super) fn is_unread(source: &Source, now: Nanos) -> bool {
    let comes_since = source.first.is_some_and(|first| now - first >= PATIENCE);
    !source.is_read && comes_since && source.bytes >= LEAST_BYTES
}

/// All of them, of sources before those of the profile.
pub(super) fn faults(monitor: &LinkMonitor) -> Vec<Judgement> {
    if monitor.elapsed().is_none_or(|elapsed| elapsed < PATIENCE) {
        return Vec::new();
    }
    let mut faults = of_sources(monitor);
    faults.extend(other_vehicle(monitor));
    faults.extend(other_components(monitor));
    faults
}

fn of_sources(monitor: &LinkMonitor) -> Vec<Judgement> {
    let context = &monitor.context;
    let carried = |kind| matches!(kind, InterfaceKind::Stream | InterfaceKind::Datagram);
    let sources = context.interfaces.iter().zip(&monitor.sources).filter(|(info, _)| carried(info.kind));
    let fault_of = |(info, source): (&crate::record::InterfaceInfo, &Source)| {
        let fault = match &source.down {
            _ if is_unread(source, context.now) => SourceFault::NoFrame(source.bytes),
            // Handset and video may well have nothing to say yet.
            _ if info.name != "vehicle" || source.bytes > 0 => return None,
            Some((_, reason)) => SourceFault::Gone(reason.clone()),
            None => SourceFault::Silent,
        };
        Some(Judgement::Source { source: info.name.clone(), url: info.description.clone(), fault })
    };
    sources.filter_map(fault_of).collect()
}

/// The profile's vehicle never spoke, and another did.
fn other_vehicle(monitor: &LinkMonitor) -> Option<Judgement> {
    let context = &monitor.context;
    let wanted = context.profile.vehicle.system?;
    let heard = context.roles.other_vehicle()?;
    let is_missed = monitor.loss.heard_for(wanted, None).is_none();
    let is_sure = monitor.loss.heard_for(heard, None).is_some_and(|heard| heard >= PATIENCE);
    (is_missed && is_sure).then_some(Judgement::OtherVehicle { wanted, heard })
}

/// A radio of the profile never reported, and another of its system did.
fn other_components(monitor: &LinkMonitor) -> Vec<Judgement> {
    let links = monitor.context.profile.link.iter().filter(|_| !monitor.implied_links);
    let other = |link: &crate::profile::LinkProfile| {
        let radio = link.radio?;
        let heard = monitor.context.roles.sibling_radio(radio.system, radio.component)?;
        monitor.loss.heard_for(radio.system, Some(heard)).filter(|heard| *heard >= PATIENCE)?;
        Some(Judgement::OtherComponent {
            link: link.name.clone(),
            system: radio.system,
            wanted: radio.component,
            heard,
        })
    };
    links.filter_map(other).collect()
}
