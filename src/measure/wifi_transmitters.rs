//! Who is on the air: 802.11 transmitters as a receiver in monitor mode hears them.
//!
//! Definitions: retries are the share of frames with the retry bit among those that carry a
//! sequence number. Lost are the numbers of a transmitter that this receiver did not hear, modulo 4096; ratio and
//! interval as for MAVLink (RFC 7680, burst-aware). Which frames share a counter is found from the numbers
//! (`wifi_transmitters/number_spaces.rs`). Unit: frames. Window: the session. What was sent to others counts too, so
//! this is the loss at this receiver and place, not that of the addressed station.
//!
//! Gap, wrap, duplicate, late arrival and restart: see `wifi_transmitters/air_counter.rs`. Frames whose check sequence
//! failed say nothing. Bounded: [`MOST_TRANSMITTERS`] transmitters, and see there.

mod air_counter;
mod number_spaces;

use std::collections::BTreeMap;

use crate::profile::LinkProfile;
use crate::record::InterfaceId;
use crate::stats::sample::quantile;
use crate::summary::TransmitterSummary;
use crate::units::Nanos;
use crate::units::hardware_address::{Address, address_text};
use crate::wire::ieee80211;
use crate::wire::message::OnAir;
use crate::wire::radiotap;

use super::context::Context;
use super::signal::SignalMeter;
use number_spaces::NumberSpaces;

/// Transmitters kept: a town is full of them.
const MOST_TRANSMITTERS: usize = 64;
const MOST_RATES: usize = 32;
/// One that was not heard for this long makes room for another.
const FORGOTTEN: Nanos = Nanos::from_secs(30);

#[derive(Clone, Debug)]
struct Transmitter {
    address: Address,
    interface: InterfaceId,
    last: Nanos,
    frames: u64,
    data_frames: u64,
    numbered: u64,
    retries: u64,
    spaces: NumberSpaces,
    levels: BTreeMap<i8, u64>,
    rates: BTreeMap<u32, u64>,
    /// Datagrams came from it.
    carries: bool,
}

/// All transmitters.
#[derive(Clone, Debug, Default)]
pub struct TransmitterMeter {
    transmitters: Vec<Transmitter>,
}

impl TransmitterMeter {
    /// Takes what a receiver in monitor mode heard. Gives the transmitter, where a datagram is carried.
    pub fn observe(
        &mut self,
        at: Nanos,
        interface: InterfaceId,
        heard: &OnAir,
        signal: &mut SignalMeter,
        context: &Context,
    ) -> Option<Address> {
        let frame = heard.frame?;
        let named = is_named(frame.transmitter, context);
        let transmitter = self.transmitter(at, interface, frame.transmitter, named, context)?;
        transmitter.take(at, &frame, &heard.radio);
        transmitter.carries |= heard.carries_rtp.is_some();
        if named || transmitter.carries {
            signal.observe_air(at, interface, frame.transmitter, &heard.radio, context);
        }
        heard.carries_rtp.map(|_| frame.transmitter)
    }

    /// The transmitter of an address; on several interfaces, the one that heard it first.
    fn transmitter(
        &mut self,
        at: Nanos,
        interface: InterfaceId,
        address: Address,
        named: bool,
        context: &Context,
    ) -> Option<&mut Transmitter> {
        let known = self.transmitters.iter().position(|each| each.address == address);
        let place = match known {
            Some(place) if self.transmitters[place].interface == interface => place,
            Some(_) => return None,
            None if self.transmitters.len() < MOST_TRANSMITTERS => {
                self.transmitters.push(Transmitter::new(address, interface));
                self.transmitters.len() - 1
            }
            None => {
                // One that nobody asked for gives way.
                let free = |each: &Transmitter| !each.carries && !is_named(each.address, context);
                let idle = |each: &Transmitter| named || at - each.last > FORGOTTEN;
                let place = (0..self.transmitters.len())
                    .filter(|&place| free(&self.transmitters[place]) && idle(&self.transmitters[place]))
                    .min_by_key(|&place| self.transmitters[place].last)?;
                self.transmitters[place] = Transmitter::new(address, interface);
                place
            }
        };
        self.transmitters.get_mut(place)
    }

    /// One row a transmitter, in the order of their addresses.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<TransmitterSummary> {
        let mut rows: Vec<&Transmitter> = self.transmitters.iter().collect();
        rows.sort_by_key(|transmitter| transmitter.address);
        rows.into_iter().map(|transmitter| transmitter.summary(context)).collect()
    }
}

fn is_named(address: Address, context: &Context) -> bool {
    let links = &context.profile.link;
    links.iter().any(|link| is_link_of(link, address))
}

fn is_link_of(link: &LinkProfile, address: Address) -> bool {
    link.radiotap.as_ref().is_some_and(|radiotap| radiotap.transmitter.0 == address)
}

impl Transmitter {
    fn new(address: Address, interface: InterfaceId) -> Self {
        Self {
            address,
            interface,
            last: Nanos::ZERO,
            frames: 0,
            data_frames: 0,
            numbered: 0,
            retries: 0,
            spaces: NumberSpaces::default(),
            levels: BTreeMap::new(),
            rates: BTreeMap::new(),
            carries: false,
        }
    }

    fn take(&mut self, at: Nanos, frame: &ieee80211::FrameHeader, header: &radiotap::Header) {
        self.last = at;
        self.frames += 1;
        self.data_frames += u64::from(frame.is_data);
        if let Some(level) = header.whole().signal_dbm {
            *self.levels.entry(level).or_default() += 1;
        }
        if let Some(rate) = header.rate_kbps.filter(|_| frame.is_data)
            && (self.rates.len() < MOST_RATES || self.rates.contains_key(&rate))
        {
            *self.rates.entry(rate).or_default() += 1;
        }
        if let Some((number, fragment)) = frame.sequence {
            self.numbered += 1;
            self.retries += u64::from(frame.retry);
            // The further fragments of a frame share its number.
            if fragment == 0 {
                self.spaces.take(at, frame, number);
            }
        }
    }

    fn summary(&self, context: &Context) -> TransmitterSummary {
        let links = &context.profile.link;
        let link = links.iter().find(|link| is_link_of(link, self.address));
        let counted = self.spaces.counted();
        let told = counted.told.as_ref();
        TransmitterSummary {
            interface: context.interface_name(self.interface).to_owned(),
            transmitter: address_text(self.address),
            link: link.map(|link| link.name.clone()),
            frames: self.frames,
            data_frames: self.data_frames,
            retry_ratio: (self.numbered > 0).then(|| self.retries as f64 / self.numbered as f64),
            received: counted.received,
            lost: told.map(|told| told.lost),
            loss: told.and_then(|told| told.runs.ratio(told.received, told.lost)),
            copies: counted.copies,
            out_of_order: counted.out_of_order,
            holes: counted.holes,
            level_median_dbm: median(&self.levels).map(f64::from),
            rate_median_kbps: median(&self.rates),
            silent_at_end_s: (context.now - self.last).secs(),
        }
    }
}

/// The lower median of counted values.
fn median<T: Copy>(counts: &BTreeMap<T, u64>) -> Option<T> {
    let rank = counts.values().sum::<u64>().div_ceil(2).checked_sub(1)?;
    quantile::of_rank(counts.iter().map(|(value, count)| (*value, *count)), rank)
}
