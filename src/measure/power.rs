//! Batteries: voltage, charge used, minutes left at the recent current.
//!
//! Definition: one row a battery id of BATTERY_STATUS; SYS_STATUS speaks for battery 0 only in what
//! no BATTERY_STATUS of that id of its system says (the public MAVLink message set). Voltages of 0 and 65,535 mV, a
//! current, charge or percentage of -1 are absent; a message that says nothing makes no row. Charge used is
//! the growth of the consumed charge within the recording, else the integral of the current.
//! Minutes left: the profile's capacity less the consumed charge (else the remaining percentage
//! of it) over the mean current of the last 30 s; the capacity is the vehicle's, battery 0. Gap: a
//! silence over 10 s leaves the integral unknown. Restart: consumed charge that falls to under half
//! begins anew; a smaller fall is a late report and ignored. Bounded: 16 batteries.

use std::collections::{BTreeMap, VecDeque};

use super::context::{Context, Sender};
use crate::summary::PowerSummary;
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;

const MOST_BATTERIES: usize = 16;
const MOST_CURRENTS: usize = 1024;
const RECENT: Nanos = Nanos::from_secs(30);
const LONGEST_STEP: Nanos = Nanos::from_secs(10);
const AMPERE_SECONDS_PER_MAH: f64 = 3.6;

/// Battery 0 as SYS_STATUS tells it comes after all ids of BATTERY_STATUS.
type Key = (u8, u8, Option<u8>);

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Report {
    voltage_v: Option<f64>,
    current_a: Option<f64>,
    consumed_mah: Option<f64>,
    remaining_percent: Option<u8>,
}

#[derive(Clone, Debug, Default)]
struct Battery {
    voltage_start_v: Option<f64>,
    voltage_min_v: Option<f64>,
    consumed_mah: Option<f64>,
    used_mah: f64,
    currents: VecDeque<(Nanos, f64)>,
    last_current: Option<(Nanos, f64)>,
    integral_mah: Option<f64>,
    hole: bool,
    remaining_percent: Option<u8>,
}

impl Battery {
    fn observe(&mut self, at: Nanos, report: Report) {
        if let Some(voltage) = report.voltage_v.filter(|voltage| voltage.is_finite()) {
            self.voltage_start_v.get_or_insert(voltage);
            self.voltage_min_v = Some(self.voltage_min_v.map_or(voltage, |least| least.min(voltage)));
        }
        if let Some(current) = report.current_a.filter(|current| current.is_finite()) {
            self.integrate(at, current);
        }
        if let Some(consumed) = report.consumed_mah.filter(|consumed| consumed.is_finite()) {
            match self.consumed_mah {
                Some(before) if consumed < before / 2.0 => self.consumed_mah = Some(consumed),
                Some(before) if consumed >= before => {
                    self.used_mah += consumed - before;
                    self.consumed_mah = Some(consumed);
                }
                Some(_) => {}
                None => self.consumed_mah = Some(consumed),
            }
        }
        self.remaining_percent = report.remaining_percent.or(self.remaining_percent);
    }

    fn integrate(&mut self, at: Nanos, current: f64) {
        if let Some((before, earlier)) = self.last_current {
            let step = at - before;
            self.hole |= step > LONGEST_STEP;
            let charge = step.secs() * (current + earlier) / 2.0 / AMPERE_SECONDS_PER_MAH;
            self.integral_mah = Some(self.integral_mah.unwrap_or(0.0) + charge);
        }
        self.last_current = Some((at, current));
        self.currents.push_back((at, current));
        while self.currents.len() > MOST_CURRENTS
            || self.currents.front().is_some_and(|(oldest, _)| at - *oldest > RECENT)
        {
            self.currents.pop_front();
        }
    }

    fn used_mah(&self) -> Option<f64> {
        match self.consumed_mah {
            Some(_) => Some(self.used_mah),
            None => self.integral_mah.filter(|_| !self.hole),
        }
    }

    fn minutes_left(&self, capacity_mah: Option<f64>, now: Nanos) -> Option<f64> {
        let capacity = capacity_mah?;
        let left_mah = match self.consumed_mah {
            Some(consumed) => (capacity - consumed).max(0.0),
            None => capacity * f64::from(self.remaining_percent?) / 100.0,
        };
        let recent: Vec<f64> =
            self.currents.iter().filter(|(at, _)| now - *at <= RECENT).map(|(_, current)| *current).collect();
        let mean_a = recent.iter().sum::<f64>() / recent.len() as f64;
        (mean_a > 0.0).then(|| left_mah * AMPERE_SECONDS_PER_MAH / mean_a / 60.0)
    }
}

/// All batteries.
#[derive(Clone, Debug, Default)]
pub struct PowerMeter {
    batteries: BTreeMap<Key, Battery>,
}

impl PowerMeter {
    /// Takes battery and system status.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry) {
        let (id, report) = match *telemetry {
            Telemetry::Battery { id, voltage_v, current_a, consumed_mah, remaining_percent } => {
                (Some(id), Report { voltage_v, current_a, consumed_mah, remaining_percent })
            }
            Telemetry::SystemStatus { voltage_v, current_a, remaining_percent, .. } => {
                (None, Report { voltage_v, current_a, consumed_mah: None, remaining_percent })
            }
            _ => return,
        };
        if report == Report::default() {
            return;
        }
        let key = (sender.system, sender.component, id);
        if self.batteries.contains_key(&key) || self.batteries.len() < MOST_BATTERIES {
            self.batteries.entry(key).or_default().observe(at, report);
        }
    }

    /// One row a battery.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<PowerSummary> {
        let spoken_for =
            |system: u8| self.batteries.keys().any(|(other, _, id)| *other == system && *id == Some(0));
        // What SYS_STATUS says of the same battery.
        let beside = |system: u8, id: Option<u8>| {
            let mut all = self.batteries.iter().filter(|_| id == Some(0));
            all.find(|((other, _, own), _)| *other == system && own.is_none()).map(|(_, battery)| battery)
        };
        self.batteries
            .iter()
            .filter(|((system, _, id), _)| id.is_some() || !spoken_for(*system))
            .map(|(&(system, component, id), battery)| {
                let battery_id = id.unwrap_or(0);
                let capacity = context
                    .profile
                    .battery
                    .capacity_mah
                    .filter(|_| battery_id == 0 && context.roles.vehicle() == Some(system));
                let other = beside(system, id);
                PowerSummary {
                    system,
                    component,
                    battery: battery_id,
                    voltage_start_v: battery.voltage_start_v.or_else(|| other?.voltage_start_v),
                    voltage_min_v: battery.voltage_min_v.or_else(|| other?.voltage_min_v),
                    used_mah: battery.used_mah().or_else(|| other?.used_mah()),
                    minutes_left: battery
                        .minutes_left(capacity, context.now)
                        .or_else(|| other?.minutes_left(capacity, context.now)),
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::power::*;

    /// 10 A for 6 min are 1,000 mAh: arithmetic.
    #[test]
    fn charge_is_counted_integrated_and_left() {
        let report = |consumed_mah, voltage_v| Report {
            voltage_v: Some(voltage_v),
            current_a: Some(10.0),
            consumed_mah,
            remaining_percent: None,
        };
        let (mut counted, mut integrated) = (Battery::default(), Battery::default());
        for second in 0..=360_i64 {
            let at = Nanos::from_secs(second);
            let consumed = 500.0 + 1000.0 * second as f64 / 360.0;
            counted.observe(at, report(Some(consumed), 16.0 - second as f64 / 360.0));
            integrated.observe(at, report(None, 16.0));
        }
        let now = Nanos::from_secs(360);
        assert!((counted.used_mah().unwrap() - 1000.0).abs() < 1e-6);
        assert!((integrated.used_mah().unwrap() - 1000.0).abs() < 1e-6);
        assert_eq!((counted.voltage_start_v, counted.voltage_min_v), (Some(16.0), Some(15.0)));
        // 2,500 less 1,500 used since boot: 1,000 mAh at 10 A are 6 min.
        assert!((counted.minutes_left(Some(2500.0), now).unwrap() - 6.0).abs() < 1e-6);
        assert_eq!(counted.minutes_left(None, now), None);
        assert_eq!(integrated.minutes_left(Some(2500.0), now), None);
        counted.observe(now, report(Some(2.0), 16.0));
        counted.observe(now, report(Some(12.0), 16.0));
        assert!((counted.used_mah().unwrap() - 1010.0).abs() < 1e-6, "a restart begins anew");
    }
}
