//! Who is on the air: 802.11 transmitters as a receiver in monitor mode hears them.
//!
//! Definitions: retries are the share of frames with the retry bit among those that carry a
//! sequence number. Lost are the numbers of a transmitter that this receiver did not hear. Each
//! transmitter counts modulo 4096 and separately for each receiver and traffic identifier of its
//! QoS data, in one counter for all else (IEEE 802.11-2016, 10.3.2.11); ratio and interval as for
//! MAVLink (RFC 7680, burst-aware). Unit: frames. Window: the session. What was sent to others counts too, so this is the
//! loss at this receiver and place, not that of the addressed station.
//!
//! Gap: up to half a wrap ahead is lost; a counter that was silent for over a second says nothing
//! of what it sent meanwhile (counted as a hole). Wrap: modulo 4096. Duplicate: a number that was heard within the last 128
//! is a copy, whatever its retry bit. Late: one of those that was not heard is taken off
//! the lost again. Restart: a jump back by more is a new beginning. Frames whose check sequence
//! failed say nothing. Bounded: [`MOST_TRANSMITTERS`] transmitters,
//! [`MOST_COUNTERS`] counters each.

use std::collections::BTreeMap;

use crate::profile::LinkProfile;
use crate::record::InterfaceId;
use crate::stats::loss_runs::Runs;
use crate::stats::quantile;
use crate::summary::TransmitterSummary;
use crate::units::Nanos;
use crate::units::hardware_address::{Address, address_text};
use crate::wire::ieee80211;
use crate::wire::message::OnAir;
use crate::wire::radiotap;

use super::context::Context;
use super::sequence_numbers::SequenceNumbers;
use super::signal::SignalMeter;

/// Transmitters kept: a town is full of them.
const MOST_TRANSMITTERS: usize = 64;
const MOST_COUNTERS: usize = 16;
const MOST_RATES: usize = 32;
/// What numbers can tell apart.
const WRAP: u64 = 4096;
/// Numbers whose hearing is remembered.
const MEMORY: usize = 128;
/// A silence after which a counter starts anew.
const SILENCE: Nanos = Nanos::from_secs(1);
/// One that was not heard for this long makes room for another.
const FORGOTTEN: Nanos = Nanos::from_secs(30);

/// One sequence counter.
#[derive(Clone, Debug)]
struct Counter {
    receiver: Option<Address>,
    identifier: Option<u8>,
    /// Those that were heard.
    numbers: SequenceNumbers<(), 12, MEMORY>,
    /// The first number, or the first after the last hole.
    first: u64,
    last: Nanos,
    /// Heard in a row since the last loss.
    run: u64,
}

#[derive(Clone, Debug)]
struct Transmitter {
    address: Address,
    interface: InterfaceId,
    last: Nanos,
    frames: u64,
    data_frames: u64,
    numbered: u64,
    retries: u64,
    copies: u64,
    received: u64,
    lost: u64,
    out_of_order: u64,
    holes: u64,
    runs: Runs,
    counters: Vec<Counter>,
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
            copies: 0,
            received: 0,
            lost: 0,
            out_of_order: 0,
            holes: 0,
            runs: Runs::default(),
            counters: Vec::new(),
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
                let receiver = frame.counter.map(|_| frame.receiver);
                self.count(at, receiver, frame.counter, number);
            }
        }
    }

    fn count(&mut self, at: Nanos, receiver: Option<Address>, identifier: Option<u8>, number: u16) {
        let place =
            self.counters.iter().position(|each| each.receiver == receiver && each.identifier == identifier);
        let Some(place) = place else {
            if self.counters.len() < MOST_COUNTERS {
                let numbers = SequenceNumbers::begin(number, ());
                let first = numbers.newest();
                self.counters.push(Counter { receiver, identifier, numbers, first, last: at, run: 1 });
                self.received += 1;
            }
            return;
        };
        let counter = &mut self.counters[place];
        let silent = at - counter.last > SILENCE;
        counter.last = at;
        let (ahead, behind) = (counter.numbers.ahead(number), counter.numbers.behind(number));
        let is_remembered = behind < MEMORY as u64;
        let begins_anew = if is_remembered { silent && ahead != 0 } else { silent || ahead >= WRAP / 2 };
        if begins_anew {
            self.holes += 1;
            self.runs.add_received(std::mem::replace(&mut counter.run, 1));
            counter.numbers.restart(number, ());
            counter.first = counter.numbers.newest();
        } else if is_remembered {
            let number = counter.numbers.newest() - behind;
            if counter.numbers.get(number).is_some() {
                self.copies += 1;
                return;
            }
            counter.numbers.put(number, ());
            self.out_of_order += 1;
            // Before the counter was heard first nothing was counted lost.
            if number >= counter.first {
                self.lost = self.lost.saturating_sub(1);
            }
        } else {
            let lost = ahead - 1;
            self.lost += lost;
            counter.numbers.go_on(ahead, ());
            if lost == 0 {
                counter.run += 1;
            } else {
                self.runs.add_received(std::mem::replace(&mut counter.run, 1));
                self.runs.add_lost(lost);
            }
        }
        self.received += 1;
    }

    fn summary(&self, context: &Context) -> TransmitterSummary {
        let links = &context.profile.link;
        let link = links.iter().find(|link| is_link_of(link, self.address));
        TransmitterSummary {
            interface: context.interface_name(self.interface).to_owned(),
            transmitter: address_text(self.address),
            link: link.map(|link| link.name.clone()),
            frames: self.frames,
            data_frames: self.data_frames,
            retry_ratio: (self.numbered > 0).then(|| self.retries as f64 / self.numbered as f64),
            received: self.received,
            lost: self.lost,
            loss: self.runs.ratio(self.received, self.lost),
            copies: self.copies,
            out_of_order: self.out_of_order,
            holes: self.holes,
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
