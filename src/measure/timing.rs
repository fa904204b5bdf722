//! How regularly things come: spacing of messages and pictures, round trips, lateness.
//!
//! Unit: milliseconds, from histograms of microseconds with two significant digits (HdrHistogram: a value is known
//! within 1 %). One of each message of each sender on each interface, from one arrival to the next; of each sender's
//! lateness; of all TIMESYNC round trips; of each video stream's delivered pictures.
//! Lateness: how much longer a stamped message was on its way than the quickest of the same sender in the last 10 s,
//! which clock skew changes by less than a millisecond. Percentile: the smallest value that has at least this share at or
//! below it, as the library reports it (its highest equivalent value).
//!
//! A gap is a long spacing, as the pilot sees it. Duplicates never get here; a late arrival makes one spacing short.
//! A restart begins lateness anew and leaves one long spacing. Stalls of this computer are in them.
//! Source: HdrHistogram, README and `AbstractHistogram.java`.

use std::collections::{BTreeMap, VecDeque};

use hdrhistogram::Histogram;

use crate::clocks::BootTime;
use crate::record::Direction;
use crate::summary::{TimingSummary, TimingWhat};
use crate::units::Nanos;
use crate::wire::sender::Sender;

/// Histograms of messages kept; further ones are left out: strangers must not grow memory.
const MOST_MESSAGES: usize = 512;
const MOST_SENDERS: usize = 64;
/// Message ids that are looked up in a table.
const LOW_IDS: usize = 512;
/// The quickest way is looked for so far back.
const LOOK_BACK: Nanos = Nanos::from_secs(10);
/// The longest time that is told apart, an hour.
const LONGEST: Nanos = Nanos::from_secs(3600);
const DIGITS: u8 = 2;

/// Times of one kind.
#[derive(Clone, Debug)]
pub struct Times(Histogram<u32>);

impl Default for Times {
    fn default() -> Self {
        Self(Histogram::new(DIGITS).expect("two digits are allowed"))
    }
}

impl Times {
    /// Adds one; longer than an hour counts as an hour.
    pub fn record(&mut self, time: Nanos) {
        let micros = time.min(LONGEST).0.max(0) as u64 / 1000;
        // It grows as it needs to, which cannot fail below an hour.
        let _ = self.0.record(micros);
    }

    /// Its figures and the histogram itself, in microseconds; `None` without any.
    fn row(&self, what: TimingWhat) -> Option<Row<'_>> {
        let times = &self.0;
        let ms = |quantile| times.value_at_quantile(quantile) as f64 / 1000.0;
        let figures = TimingSummary {
            what,
            interface: None,
            system: None,
            component: None,
            id: None,
            ssrc: None,
            samples: times.len(),
            p50_ms: ms(0.5),
            p99_ms: ms(0.99),
            p999_ms: ms(0.999),
            max_ms: times.max() as f64 / 1000.0,
        };
        (!times.is_empty()).then_some((figures, times))
    }
}

/// One histogram's figures, and the histogram, in microseconds.
pub type Row<'a> = (TimingSummary, &'a Histogram<u32>);

/// Times between what comes one after the other.
#[derive(Clone, Debug, Default)]
pub struct Spacing {
    last: Option<Nanos>,
    times: Times,
}

impl Spacing {
    /// One more has come.
    pub fn observe(&mut self, at: Nanos) {
        if let Some(last) = self.last.replace(at) {
            self.times.record(at - last);
        }
    }

    /// The row of a video stream's pictures.
    #[must_use]
    pub fn of_frames(&self, ssrc: u32) -> Option<Row<'_>> {
        let (figures, times) = self.times.row(TimingWhat::VideoFrame)?;
        Some((TimingSummary { ssrc: Some(ssrc), ..figures }, times))
    }
}

/// Delays of one sender above the least of the last seconds.
#[derive(Clone, Debug, Default)]
struct Lateness {
    epoch: u32,
    /// Delays of the last seconds, each less than those after it: the first is the least.
    least: VecDeque<(Nanos, Nanos)>,
    times: Times,
}

impl Lateness {
    fn observe(&mut self, at: Nanos, boot: BootTime) {
        if self.epoch != boot.epoch {
            self.least.clear();
            self.epoch = boot.epoch;
        }
        let delay = at - boot.since_boot;
        while self.least.back().is_some_and(|(_, least)| *least >= delay) {
            self.least.pop_back();
        }
        self.least.push_back((at, delay));
        while self.least.front().is_some_and(|(when, _)| at - *when > LOOK_BACK) {
            self.least.pop_front();
        }
        if let Some((_, least)) = self.least.front() {
            self.times.record(delay - *least);
        }
    }
}

/// One sender's messages and their lateness.
#[derive(Clone, Debug)]
struct SenderTimes {
    sender: Sender,
    /// Where the spacing of each low message id stands, from 1; 0: nowhere yet.
    places: Box<[u16; LOW_IDS]>,
    /// The same of the few ids above.
    high: BTreeMap<u32, u16>,
    lateness: Lateness,
}

/// What all the senders of a session show.
#[derive(Clone, Debug, Default)]
pub struct TimingMeter {
    messages: Vec<Spacing>,
    senders: Vec<SenderTimes>,
    /// The place of the sender that was heard last: it mostly goes on.
    latest: usize,
    round_trips: Times,
}

impl TimingMeter {
    /// Takes a message that is no copy; `boot`: the running boot time that it carries.
    pub fn observe(&mut self, at: Nanos, sender: Sender, message: u32, boot: Option<BootTime>) {
        if sender.direction == Direction::Outbound || !self.find(sender) {
            return;
        }
        let own = &mut self.senders[self.latest];
        let place = match own.places.get_mut(message as usize) {
            Some(place) => place,
            None if own.high.len() < MOST_MESSAGES => own.high.entry(message).or_default(),
            None => return,
        };
        if *place == 0 {
            if self.messages.len() == MOST_MESSAGES {
                return;
            }
            self.messages.push(Spacing::default());
            *place = self.messages.len() as u16;
        }
        self.messages[usize::from(*place) - 1].observe(at);
        if let Some(boot) = boot {
            own.lateness.observe(at, boot);
        }
    }

    /// Makes a sender the latest; false where there is no room for one more.
    fn find(&mut self, sender: Sender) -> bool {
        if self.senders.get(self.latest).is_some_and(|latest| latest.sender == sender) {
            return true;
        }
        let known = self.senders.iter().position(|one| one.sender == sender);
        if known.is_none() {
            if self.senders.len() == MOST_SENDERS {
                return false;
            }
            let (places, high) = (Box::new([0; LOW_IDS]), BTreeMap::new());
            self.senders.push(SenderTimes { sender, places, high, lateness: Lateness::default() });
        }
        self.latest = known.unwrap_or(self.senders.len() - 1);
        true
    }

    /// Takes a TIMESYNC exchange.
    pub fn observe_round_trip(&mut self, time: Nanos) {
        self.round_trips.record(time);
    }

    /// Messages by sender, then lateness, then round trips, each where it has samples; `name`: a sender's interface.
    #[must_use]
    pub fn rows(&self, name: &dyn Fn(Sender) -> String) -> Vec<Row<'_>> {
        let of_sender = |sender: Sender, id, (figures, times)| {
            let (system, component) = (Some(sender.system), Some(sender.component));
            (TimingSummary { interface: Some(name(sender)), system, component, id, ..figures }, times)
        };
        let mut senders: Vec<&SenderTimes> = self.senders.iter().collect();
        senders.sort_by_key(|one| one.sender);
        let messages = senders.iter().flat_map(|one| {
            let low = one.places.iter().enumerate().map(|(id, place)| (id as u32, *place));
            let all =
                low.chain(one.high.iter().map(|(id, place)| (*id, *place))).filter(|(_, place)| *place > 0);
            all.filter_map(|(id, place)| {
                let times = &self.messages[usize::from(place) - 1].times;
                Some(of_sender(one.sender, Some(id), times.row(TimingWhat::Message)?))
            })
        });
        let lateness = senders.iter().filter_map(|one| {
            Some(of_sender(one.sender, None, one.lateness.times.row(TimingWhat::Lateness)?))
        });
        messages.chain(lateness).chain(self.round_trips.row(TimingWhat::RoundTrip)).collect()
    }
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::measure::timing::*;
    use crate::record::InterfaceId;

    fn vectors() -> Value {
        serde_json::from_str(include_str!("../../tests/vectors/hdrhistogram.json")).unwrap()
    }

    fn number(value: &Value) -> u64 {
        value.as_u64().unwrap()
    }

    /// Check values computed with another implementation of the same format (its port to Python), three digits.
    #[test]
    fn the_library_agrees_with_another_implementation() {
        let vectors = vectors();
        let mut three = Histogram::<u64>::new_with_bounds(1, 3_600_000_000, 3).unwrap();
        let rows = vectors["equivalents"].as_array().unwrap();
        assert!(rows.len() > 10);
        for row in rows {
            let value = number(&row["value"]);
            assert_eq!(three.lowest_equivalent(value), number(&row["lowest_equiv"]), "{value}");
            assert_eq!(three.highest_equivalent(value), number(&row["highest_equiv"]), "{value}");
        }
        for value in 1..=10_000 {
            three.record(value).unwrap();
        }
        for (percent, expected) in vectors["recorded_1_to_10000"].as_object().unwrap() {
            let share: f64 = percent.parse::<f64>().unwrap() / 100.0;
            // The library gives the lowest equivalent value for 0.
            let found = if share == 0.0 { three.min() } else { three.value_at_quantile(share) };
            assert_eq!(found, number(expected), "{percent}");
        }
    }

    /// The same with two digits, through our own type: values within 1 %, as it promises.
    #[test]
    fn two_digits_are_those_of_another_implementation() {
        let vectors = vectors();
        let mut times = Times::default();
        for value in vectors["sig2"]["values"].as_array().unwrap() {
            times.record(Nanos(number(value) as i64 * 1000));
        }
        let expected = vectors["sig2"]["percentiles"].as_object().unwrap();
        assert_eq!(expected.len(), 7);
        for (percent, expected) in expected {
            let share: f64 = percent.parse::<f64>().unwrap() / 100.0;
            // 83.4 % of six values are 5.004: the other implementation rounds to five, the library asks for the sixth.
            let found = match percent.as_str() {
                "0" => times.0.min(),
                "83.4" => times.0.value_at_quantile(5.0 / 6.0),
                _ => times.0.value_at_quantile(share),
            };
            assert_eq!(found, number(expected), "{percent}");
        }
    }

    fn sender() -> Sender {
        Sender { interface: InterfaceId(0), direction: Direction::Inbound, system: 1, component: 1 }
    }

    fn row(meter: &TimingMeter, what: TimingWhat) -> TimingSummary {
        let mut rows = meter.rows(&|_| "vehicle".to_owned()).into_iter().map(|(row, _)| row);
        rows.find(|row| row.what == what).unwrap()
    }

    #[test]
    fn spacing_is_from_one_arrival_to_the_next() {
        let mut meter = TimingMeter::default();
        // 10 a second for 100 s, one silence of 6 s; another message between must not count.
        for step in 0..1000 {
            let silence = if step >= 500 { 5900 } else { 0 };
            meter.observe(Nanos::from_millis(step * 100 + silence), sender(), 30, None);
            meter.observe(Nanos::from_millis(step * 100 + silence + 7), sender(), 33, None);
        }
        let row = row(&meter, TimingWhat::Message);
        assert_eq!((row.id, row.samples), (Some(30), 999));
        assert!((row.p50_ms - 100.0).abs() <= 1.0 && (row.p99_ms - 100.0).abs() <= 1.0, "{row:?}");
        assert!((row.max_ms - 6000.0).abs() <= 60.0, "{row:?}");
    }

    /// A clock that runs 100 ppm fast, a delay of 20 ms, every tenth message 50 ms more: lateness sees the 50 ms alone.
    #[test]
    fn lateness_is_above_the_quickest_whatever_the_clock() {
        let mut meter = TimingMeter::default();
        for step in 0..2000_i64 {
            let sent = step * 50_000_000;
            let late = if step % 10 == 9 { 50 } else { 0 };
            let boot = BootTime { epoch: 0, since_boot: Nanos(sent + sent / 10_000 + 7_000_000_000) };
            meter.observe(Nanos(sent) + Nanos::from_millis(20 + late), sender(), 30, Some(boot));
        }
        let row = row(&meter, TimingWhat::Lateness);
        assert!(row.p50_ms <= 1.1, "{row:?}");
        assert!((row.p99_ms - 50.0).abs() <= 1.5 && (row.max_ms - 50.0).abs() <= 1.5, "{row:?}");
        // After a restart the quickest of the clock before says nothing.
        let boot = BootTime { epoch: 1, since_boot: Nanos::ZERO };
        meter.observe(Nanos::from_secs(200), sender(), 30, Some(boot));
        assert!(self::row(&meter, TimingWhat::Lateness).max_ms <= 51.5);
    }

    #[test]
    fn nothing_is_told_of_nothing() {
        let mut meter = TimingMeter::default();
        assert!(meter.rows(&|_| String::new()).is_empty());
        meter.observe(Nanos::ZERO, sender(), 30, None);
        assert!(meter.rows(&|_| String::new()).is_empty(), "one message has no spacing");
        meter.observe_round_trip(Nanos::from_millis(12));
        assert_eq!(row(&meter, TimingWhat::RoundTrip).samples, 1);
        for message in 0..2000 {
            meter.observe(Nanos::ZERO, sender(), message, None);
        }
        assert_eq!(meter.messages.len(), MOST_MESSAGES);
    }
}
