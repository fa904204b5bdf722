//! How regularly things come: spacing of messages and pictures, round trips, lateness.
//!
//! Unit: milliseconds, from histograms of microseconds with two significant digits (HdrHistogram: a value is known
//! within 1 %). One of each message of each flow of a sender (as loss tells them apart: interface, and address where
//! there are several), from one arrival to the next; of each flow's lateness; of all TIMESYNC round trips; of each video stream's delivered pictures.
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
use crate::summary::{TimingSummary, TimingWhat};
use crate::units::Nanos;

/// Histograms of messages kept; further ones are left out: strangers must not grow memory.
const MOST_MESSAGES: usize = 512;
/// Delays kept of a sender, to know the least: only as many as grow on and on.
const MOST_DELAYS: usize = 1024;
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

    fn own_bytes(&self) -> usize {
        self.0.distinct_values() * size_of::<u32>()
    }

    /// Its figures and the histogram itself, in microseconds; `None` without any.
    fn row(&self, what: TimingWhat) -> Option<Row<'_>> {
        let times = &self.0;
        let ms = |quantile| times.value_at_quantile(quantile) as f64 / 1000.0;
        let figures = TimingSummary {
            what,
            interface: None,
            endpoint: None,
            system: None,
            component: None,
            id: None,
            ssrc: None,
            samples: times.len(),
            p50_ms: ms(0.5),
            p99_ms: (times.len() >= 100).then(|| ms(0.99)),
            p999_ms: (times.len() >= 1000).then(|| ms(0.999)),
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
        self.least.truncate(MOST_DELAYS - 1);
        self.least.push_back((at, delay));
        while self.least.front().is_some_and(|(when, _)| at - *when > LOOK_BACK) {
            self.least.pop_front();
        }
        if let Some((_, least)) = self.least.front() {
            self.times.record(delay - *least);
        }
    }
}

/// Messages of one flow of a sender, and their lateness.
#[derive(Clone, Debug)]
struct FlowTimes {
    /// Where the spacing of each low message id stands, from 1; 0: nowhere yet.
    places: Box<[u16; LOW_IDS]>,
    /// The same of the few ids above.
    high: BTreeMap<u32, u16>,
    lateness: Lateness,
}

impl Default for FlowTimes {
    fn default() -> Self {
        Self { places: Box::new([0; LOW_IDS]), high: BTreeMap::new(), lateness: Lateness::default() }
    }
}

impl FlowTimes {
    /// Ids and the places of their spacings, in order.
    fn places(&self) -> impl Iterator<Item = (u32, usize)> {
        let low = self.places.iter().enumerate().map(|(id, &place)| (id as u32, place));
        let all = low.chain(self.high.iter().map(|(&id, &place)| (id, place)));
        all.filter_map(|(id, place)| Some((id, usize::from(place).checked_sub(1)?)))
    }
}

/// What all the senders of a session show.
#[derive(Clone, Debug, Default)]
pub struct TimingMeter {
    messages: Vec<Spacing>,
    /// Places among them that flows gave back.
    free: Vec<u16>,
    /// By the numbers that the loss meter gives flows.
    flows: Vec<FlowTimes>,
    round_trips: Times,
}

impl TimingMeter {
    /// About how many bytes are held that copies do not share.
    pub(crate) fn own_bytes(&self) -> usize {
        let spacings: usize = self.messages.iter().map(|spacing| spacing.times.own_bytes()).sum();
        let late = |flow: &FlowTimes| {
            size_of_val(&*flow.places)
                + flow.lateness.times.own_bytes()
                + flow.lateness.least.len() * size_of::<(Nanos, Nanos)>()
        };
        spacings + self.flows.iter().map(late).sum::<usize>()
    }

    /// Takes a message that is no copy, of the flow of this number; `boot`: the running boot time that it carries.
    pub fn observe(&mut self, at: Nanos, flow: usize, message: u32, boot: Option<BootTime>) {
        if self.flows.len() <= flow {
            self.flows.resize_with(flow + 1, FlowTimes::default);
        }
        let own = &mut self.flows[flow];
        let place = match own.places.get_mut(message as usize) {
            Some(place) => place,
            None if own.high.len() < MOST_MESSAGES => own.high.entry(message).or_default(),
            None => return,
        };
        if *place == 0 {
            if let Some(free) = self.free.pop() {
                *place = free;
            } else if self.messages.len() < MOST_MESSAGES {
                self.messages.push(Spacing::default());
                *place = self.messages.len() as u16;
            } else {
                return;
            }
        }
        self.messages[usize::from(*place) - 1].observe(at);
        if let Some(boot) = boot {
            own.lateness.observe(at, boot);
        }
    }

    /// The flow of this number is forgotten: another one has its number from here on.
    pub fn forget(&mut self, flow: usize) {
        let Some(own) = self.flows.get_mut(flow).map(std::mem::take) else { return };
        for (_, place) in own.places() {
            self.messages[place] = Spacing::default();
            self.free.push(place as u16 + 1);
        }
    }

    /// Takes a TIMESYNC exchange.
    pub fn observe_round_trip(&mut self, time: Nanos) {
        self.round_trips.record(time);
    }

    /// Messages by flow, then lateness, then round trips, each where it has samples; `name`: says whose a flow is.
    #[must_use]
    pub fn rows(&self, name: &dyn Fn(usize, TimingSummary) -> TimingSummary) -> Vec<Row<'_>> {
        let named = |flow, (figures, times)| (name(flow, figures), times);
        let messages = self.flows.iter().enumerate().flat_map(|(flow, own)| {
            own.places().filter_map(move |(id, place)| {
                let (figures, times) = self.messages[place].times.row(TimingWhat::Message)?;
                Some(named(flow, (TimingSummary { id: Some(id), ..figures }, times)))
            })
        });
        let lateness = self.flows.iter().enumerate();
        let lateness = lateness
            .filter_map(|(flow, own)| Some(named(flow, own.lateness.times.row(TimingWhat::Lateness)?)));
        messages.chain(lateness).chain(self.round_trips.row(TimingWhat::RoundTrip)).collect()
    }
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use crate::measure::timing::*;

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

    fn row(meter: &TimingMeter, what: TimingWhat) -> TimingSummary {
        let mut rows = meter.rows(&|_, row| row).into_iter().map(|(row, _)| row);
        rows.find(|row| row.what == what).unwrap()
    }

    #[test]
    fn spacing_is_from_one_arrival_to_the_next() {
        let mut meter = TimingMeter::default();
        // 10 a second for 100 s, one silence of 6 s; another message between must not count.
        for step in 0..1000 {
            let silence = if step >= 500 { 5900 } else { 0 };
            meter.observe(Nanos::from_millis(step * 100 + silence), 0, 30, None);
            meter.observe(Nanos::from_millis(step * 100 + silence + 7), 0, 33, None);
        }
        let row = row(&meter, TimingWhat::Message);
        assert_eq!((row.id, row.samples, row.p999_ms), (Some(30), 999, None));
        assert!((row.p50_ms - 100.0).abs() <= 1.0 && (row.p99_ms.unwrap() - 100.0).abs() <= 1.0, "{row:?}");
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
            meter.observe(Nanos(sent) + Nanos::from_millis(20 + late), 0, 30, Some(boot));
        }
        let row = row(&meter, TimingWhat::Lateness);
        assert!(row.p50_ms <= 1.1, "{row:?}");
        assert!((row.p99_ms.unwrap() - 50.0).abs() <= 1.5 && (row.max_ms - 50.0).abs() <= 1.5, "{row:?}");
        // After a restart the quickest of the clock before says nothing.
        let boot = BootTime { epoch: 1, since_boot: Nanos::ZERO };
        meter.observe(Nanos::from_secs(200), 0, 30, Some(boot));
        assert!(self::row(&meter, TimingWhat::Lateness).max_ms <= 51.5);
    }

    #[test]
    fn nothing_is_told_of_nothing() {
        let mut meter = TimingMeter::default();
        assert!(meter.rows(&|_, row| row).is_empty());
        meter.observe(Nanos::ZERO, 0, 30, None);
        assert!(meter.rows(&|_, row| row).is_empty(), "one message has no spacing");
        meter.observe_round_trip(Nanos::from_millis(12));
        assert_eq!(row(&meter, TimingWhat::RoundTrip).samples, 1);
        for message in 0..2000 {
            meter.observe(Nanos::ZERO, 0, message, None);
        }
        assert_eq!(meter.messages.len(), MOST_MESSAGES);
    }
}
