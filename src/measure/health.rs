//! How this computer itself does: heat, throttling, supply, and what its programs wait for.
//!
//! Definition, of a reading: *throttled* where a cooling device of the processor is at work, or the highest clock allowed
//! is lower than at the policy's first reading; *undervoltage* where a voltage's own alarm says so; *memory* where all
//! tasks waited for it together for a fifth of the time since the reading before (about the shortest freeze in a second);
//! *disk* where they did so for half of the last 10 s: a disk keeps its own writer waiting harmlessly, for a good part of a
//! second every few seconds if it is slow. *Hot*: a part is within 10 K of its own critical value. A critical value under
//! 50 °C is a mistake of the board's tables, no limit. One strange sample moves no temperature: the lower of two readings in
//! a row counts. The numbers are common practice, no source.
//!
//! A strain stands from its first reading until none showed it for 10 s; for memory the mean of 10 s counts here.
//!
//! Unit: degrees Celsius, volts, seconds, shares. Window: the session. Source: the kernel's own files, see
//! `record::health_reading`. A reading speaks for the time since the one before, at most 10 s (gap); a counter that fell
//! (restart, wrap) and a second reading at one stamp (duplicate) say nothing; notes are never late.

mod strain_spans;
mod waits;

use std::collections::BTreeMap;

use crate::record::health_reading::{HealthPart, HealthRow, MOST_ROWS};
use crate::record::text::clean;
use crate::summary::{Event, HealthSummary, Heat, HostStrain, HostSupply, PartTemperature, Strained};
use crate::units::Nanos;

use strain_spans::StrainSpans;
use waits::Waits;

/// A reading speaks for no more than this, and a strain that was not shown for so long is over.
const GAP: Nanos = Nanos::from_secs(10);
/// So near its own limit a part is hot, K.
const NEAR_K: f64 = 10.0;
/// What a sensor can say, degrees Celsius.
const POSSIBLE_C: std::ops::RangeInclusive<f64> = -60.0..=200.0;
/// What a part's own limit can be.
const LIMIT_C: std::ops::RangeInclusive<f64> = 50.0..=200.0;
/// What a supply can give, volts.
const POSSIBLE_V: std::ops::RangeInclusive<f64> = 0.5..=100.0;
/// Clocks, kHz.
const POSSIBLE_KHZ: std::ops::RangeInclusive<i64> = 1..=100_000_000;
/// Shares of the time from which on all tasks wait too long.
const MEMORY_LIMIT: f64 = 0.2;
const DISK_LIMIT: f64 = 0.5;
/// Names kept of each kind.
const MOST_NAMES: usize = MOST_ROWS;

/// A sensor.
#[derive(Clone, Debug, Default)]
struct Sensor {
    /// Its last sample, and the number of its reading.
    last: Option<(u64, f64)>,
    max_c: Option<f64>,
    limit_c: Option<f64>,
}

/// What one kind of strain did.
#[derive(Clone, Debug, Default)]
struct Course {
    spans: StrainSpans,
    /// Something here can tell of it.
    is_told: bool,
    /// Since when it stands, and when it was shown last.
    standing: Option<(Nanos, Nanos)>,
}

/// What one reading shows of each strain; `None`: nothing tells.
type Shown = [Option<bool>; HostStrain::ALL.len()];

/// Follows the readings of one session.
#[derive(Clone, Debug, Default)]
pub struct HealthMeter {
    readings: u64,
    last: Option<Nanos>,
    /// The time for which readings speak.
    known: StrainSpans,
    courses: [Course; HostStrain::ALL.len()],
    sensors: BTreeMap<String, Sensor>,
    /// The part nearest to its own limit, where one is near, at the last reading.
    heat: Option<Heat>,
    /// Highest clock allowed of each policy: at first, lowest; kHz.
    clocks: BTreeMap<String, (i64, i64)>,
    supplies: BTreeMap<String, HostSupply>,
    cpu: Waits,
    memory: Waits,
    disk: Waits,
    load_max: Option<i64>,
    processors: Option<i64>,
    memory_low_kb: Option<i64>,
}

impl HealthMeter {
    /// Takes a reading; gives what began and ended.
    pub fn observe(&mut self, at: Nanos, rows: &[HealthRow]) -> Vec<Event> {
        if rows.is_empty() || self.last.is_some_and(|last| at <= last) {
            return Vec::new();
        }
        let since = self.last.replace(at).filter(|last| at - *last <= GAP);
        self.readings += 1;
        self.heat = None;
        let mut shown: Shown = [None; HostStrain::ALL.len()];
        for row in rows.iter().take(MOST_ROWS) {
            if let Some((strain, is_so)) = self.take(at, row) {
                let known = &mut shown[strain as usize];
                *known = Some(known.unwrap_or(false) || is_so);
            }
        }
        let passes = |share: Option<f64>, limit: f64| share.map(|share| share >= limit);
        let mut long = shown;
        shown[HostStrain::Memory as usize] = passes(self.memory.newest(), MEMORY_LIMIT);
        long[HostStrain::Memory as usize] = passes(self.memory.mean_of_ten(), MEMORY_LIMIT);
        shown[HostStrain::Disk as usize] = passes(self.disk.mean_of_ten(), DISK_LIMIT);
        long[HostStrain::Disk as usize] = shown[HostStrain::Disk as usize];
        self.follow(since, at, shown, long)
    }

    /// Takes one row; what it shows of a strain, where it tells of one.
    fn take(&mut self, at: Nanos, row: &HealthRow) -> Option<(HostStrain, bool)> {
        let ([first, second, third], name) = (row.values, clean(&row.name));
        match row.part {
            HealthPart::Temperature => Some((HostStrain::Hot, self.warm(&name, first, second)?)),
            HealthPart::Cooling => Some((HostStrain::Throttled, first.filter(|state| *state >= 0)? > 0)),
            HealthPart::Clock => Some((HostStrain::Throttled, self.clocked(&name, second)?)),
            HealthPart::LowSupply => {
                Some((HostStrain::Undervoltage, first.filter(|alarm| matches!(alarm, 0 | 1))? == 1))
            }
            HealthPart::Supply => {
                self.supplied(&name, [first, second, third]);
                None
            }
            HealthPart::Pressure => {
                match name.as_str() {
                    "cpu" => self.cpu.observe(at, first),
                    "memory" => self.memory.observe(at, second),
                    "io" => self.disk.observe(at, second),
                    _ => {}
                }
                None
            }
            HealthPart::Load => {
                self.load_max = self.load_max.max(first.filter(|load| *load >= 0));
                self.processors = self.processors.max(second.filter(|count| *count > 0));
                None
            }
            HealthPart::Memory => {
                let free = first.filter(|free| *free >= 0);
                self.memory_low_kb = [self.memory_low_kb, free].into_iter().flatten().min();
                None
            }
        }
    }

    /// What the reading shows becomes spans; `long` says what stands.
    fn follow(&mut self, since: Option<Nanos>, at: Nanos, shown: Shown, long: Shown) -> Vec<Event> {
        if let Some(since) = since {
            self.known.add(since, at);
        }
        let mut events = Vec::new();
        for (index, strain) in HostStrain::ALL.into_iter().enumerate() {
            let course = &mut self.courses[index];
            course.is_told |= shown[index].is_some();
            if let Some(since) = since.filter(|_| shown[index] == Some(true)) {
                course.spans.add(since, at);
            }
            let over = course.standing.filter(|(_, shown)| at - *shown > GAP);
            if let Some((from, last)) = over {
                course.standing = None;
                let what = Strained { strain, heat: None };
                events.push(Event::Strain { what, lasted_s: Some((last - from).secs()) });
            }
            if long[index] != Some(true) {
                continue;
            }
            if let Some((_, shown)) = &mut course.standing {
                *shown = at;
            } else {
                course.standing = Some((since.unwrap_or(at), at));
                let heat = self.heat.clone().filter(|_| strain == HostStrain::Hot);
                events.push(Event::Strain { what: Strained { strain, heat }, lasted_s: None });
            }
        }
        events
    }

    /// A sensor's sample; whether the part is near its own limit, where it has one.
    fn warm(&mut self, name: &str, sample: Option<i64>, limit: Option<i64>) -> Option<bool> {
        let celsius = |value: i64| value as f64 / 1_000.0;
        let now_c = sample.map(celsius).filter(|now_c| POSSIBLE_C.contains(now_c))?;
        let reading = self.readings;
        let sensor = kept(&mut self.sensors, name)?;
        let before = sensor.last.replace((reading, now_c)).filter(|(number, _)| number + 1 == reading)?.1;
        let now_c = now_c.min(before);
        sensor.max_c = Some(sensor.max_c.map_or(now_c, |max_c| max_c.max(now_c)));
        sensor.limit_c = limit.map(celsius).filter(|limit_c| LIMIT_C.contains(limit_c));
        let limit = sensor.limit_c?;
        let is_near = limit - now_c <= NEAR_K;
        let is_nearest = self.heat.as_ref().is_none_or(|heat| limit - now_c < heat.limit - heat.celsius);
        if is_near && is_nearest {
            self.heat = Some(Heat { part: name.to_owned(), celsius: now_c, limit });
        }
        Some(is_near)
    }

    /// Whether the highest clock allowed is lower than at first.
    fn clocked(&mut self, name: &str, allowed: Option<i64>) -> Option<bool> {
        let allowed = allowed.filter(|allowed| POSSIBLE_KHZ.contains(allowed))?;
        let (first, lowest) = kept(&mut self.clocks, name)?;
        if *first == 0 {
            (*first, *lowest) = (allowed, allowed);
        }
        *lowest = allowed.min(*lowest);
        Some(allowed < *first)
    }

    fn supplied(&mut self, name: &str, [microvolts, percent, status]: [Option<i64>; 3]) {
        let volts = microvolts.map(|value| value as f64 / 1e6).filter(|volts| POSSIBLE_V.contains(volts));
        let percent = percent.filter(|percent| (0..=100).contains(percent));
        let charge = percent.map(|percent| percent as f64 / 100.0);
        let discharging = status.filter(|status| (1..=4).contains(status)).map(|status| status == 2);
        if volts.is_none() && charge.is_none() && discharging.is_none() {
            return;
        }
        let Some(supply) = kept(&mut self.supplies, name) else { return };
        supply.low_v = [supply.low_v, volts].into_iter().flatten().reduce(f64::min);
        supply.charge_start_ratio = supply.charge_start_ratio.or(charge);
        supply.charge_end_ratio = charge.or(supply.charge_end_ratio);
        supply.discharging = discharging.or(supply.discharging);
    }

    /// What strained this computer somewhere within a span of time, heat alone left out; `None`: no reading tells.
    #[must_use]
    pub fn strains_within(&self, from: Nanos, to: Nanos) -> Option<Vec<HostStrain>> {
        let is_strained = |strain: &HostStrain| {
            *strain != HostStrain::Hot && self.courses[*strain as usize].spans.touches(from, to)
        };
        self.known.touches(from, to).then(|| HostStrain::ALL.into_iter().filter(is_strained).collect())
    }

    /// What strains this computer now; nothing where the readings stopped.
    #[must_use]
    pub fn standing(&self, now: Nanos) -> Vec<Strained> {
        let is_fresh = self.last.is_some_and(|last| now - last <= GAP);
        let stands = |strain: &HostStrain| is_fresh && self.courses[*strain as usize].standing.is_some();
        let of = |strain| Strained { strain, heat: self.heat.clone().filter(|_| strain == HostStrain::Hot) };
        HostStrain::ALL.into_iter().filter(stands).map(of).collect()
    }

    /// All figures; `None` without a reading.
    #[must_use]
    pub fn summary(&self) -> Option<HealthSummary> {
        let seconds = |strain: HostStrain| {
            let course = &self.courses[strain as usize];
            course.is_told.then(|| course.spans.total().secs())
        };
        let mhz = |khz: i64| khz as f64 / 1_000.0;
        let fastest = self.clocks.values().max_by_key(|(first, _)| *first);
        (self.readings > 0).then(|| HealthSummary {
            readings: self.readings,
            temperatures: self.temperatures(),
            throttled_s: seconds(HostStrain::Throttled),
            clock_start_mhz: fastest.map(|(first, _)| mhz(*first)),
            clock_low_mhz: fastest.map(|(_, lowest)| mhz(*lowest)),
            supply_low_s: seconds(HostStrain::Undervoltage),
            supplies: self.supplies.values().cloned().collect(),
            cpu_wait_ratio: self.cpu.mean(),
            memory_wait_ratio: self.memory.mean(),
            memory_wait_s: seconds(HostStrain::Memory),
            disk_wait_ratio: self.disk.mean(),
            disk_wait_s: seconds(HostStrain::Disk),
            load_max: self.load_max.map(|load| load as f64 / 100.0),
            processors: self.processors.map(|count| count as u64),
            memory_low_mb: self.memory_low_kb.map(|kb| kb as f64 * 1_024.0 / 1e6),
        })
    }

    fn temperatures(&self) -> Vec<PartTemperature> {
        let row = |(name, sensor): (&String, &Sensor)| {
            Some(PartTemperature { part: name.clone(), max_c: sensor.max_c?, limit_c: sensor.limit_c })
        };
        let mut rows: Vec<PartTemperature> = self.sensors.iter().filter_map(row).collect();
        let room = |row: &PartTemperature| row.limit_c.map_or(f64::INFINITY, |limit_c| limit_c - row.max_c);
        rows.sort_by(|one, other| room(one).total_cmp(&room(other)).then(other.max_c.total_cmp(&one.max_c)));
        rows
    }

    /// About how many bytes it holds.
    #[must_use]
    pub fn own_bytes(&self) -> usize {
        let spans = self.courses.iter().map(|course| course.spans.own_bytes());
        self.known.own_bytes() + spans.sum::<usize>()
    }
}

/// The entry of a name, new ones while there is room.
fn kept<'a, T: Default>(table: &'a mut BTreeMap<String, T>, name: &str) -> Option<&'a mut T> {
    if !table.contains_key(name) {
        if table.len() >= MOST_NAMES {
            return None;
        }
        table.insert(name.to_owned(), T::default());
    }
    table.get_mut(name)
}
