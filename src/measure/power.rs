//! Batteries: voltage, charge used, minutes left at the recent current.
//!
//! Definition: one row a battery id of BATTERY_STATUS; SYS_STATUS speaks for battery 0 only in what
//! no BATTERY_STATUS of that id of its system says (the public MAVLink message set). Voltages of 0 and 65,535 mV, a
//! current, charge or percentage of -1 are absent; a message that says nothing makes no row. Charge used is
//! the growth of the consumed charge within the recording, else the integral of the current.
//! Minutes left: what the profile's capacity less the consumed charge (else the remaining percentage of it) lasts if
//! the load of the last 10 min goes on, see `power/load_track.rs`; none are left once the voltage under load is down
//! at the profile's cut-off. Capacity and cut-off are the vehicle's, battery 0. Gap: a silence over 10 s leaves the
//! integral unknown, one over 30 s the minutes. Restart: consumed charge that falls to under half is another pack and
//! begins anew; a smaller fall is a late report and ignored. Bounded: 16 batteries (see `heard_table`).

mod load_track;

use super::context::{Context, Sender};
use super::life::Phase;
use crate::stats::heard_table::HeardTable;
use crate::summary::{BatteryEnd, PowerSummary, Reason};
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;
use load_track::{LONGEST_STEP, Left, LoadTrack, Step, Untold};

const MOST_BATTERIES: usize = 16;
/// A battery that is silent for longer is not known any more.
const SILENT: Nanos = Nanos::from_secs(30);
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
    last: Nanos,
    voltage_start_v: Option<f64>,
    voltage_min_v: Option<f64>,
    consumed_mah: Option<f64>,
    used_mah: f64,
    last_current: Option<(Nanos, f64)>,
    integral_mah: Option<f64>,
    hole: bool,
    remaining_percent: Option<u8>,
    track: LoadTrack,
}

/// What the profile says of a battery, and whether it is under load.
#[derive(Clone, Copy, Debug, Default)]
struct Setting {
    capacity_mah: Option<f64>,
    cutoff_v: Option<f64>,
    /// The profile can say nothing of it.
    is_other: bool,
    loaded: bool,
}

impl Setting {
    /// Of this battery of this system. What is not the vehicle's, or of which no arming is known, is always under load.
    fn of(context: &Context, system: u8, battery: u8) -> Self {
        let is_vehicle = context.roles.vehicle() == Some(system);
        let is_other = !(is_vehicle && battery == 0);
        let profile = Some(context.profile.battery).filter(|_| !is_other);
        let moves = matches!(context.life.now(), Some(Phase::Out | Phase::Back));
        Self {
            capacity_mah: profile.and_then(|profile| profile.capacity_mah),
            cutoff_v: profile.and_then(|profile| profile.cutoff_v),
            is_other,
            loaded: !is_vehicle || moves || context.roles.armed() != Some(false),
        }
    }
}

impl Battery {
    fn observe(&mut self, at: Nanos, report: Report, setting: Setting) {
        self.last = at;
        let voltage_v = report.voltage_v.filter(|voltage| voltage.is_finite());
        if let Some(voltage) = voltage_v {
            self.voltage_start_v.get_or_insert(voltage);
            self.voltage_min_v = Some(self.voltage_min_v.map_or(voltage, |least| least.min(voltage)));
        }
        let by_current = report.current_a.filter(|current| current.is_finite());
        let by_current = by_current.and_then(|current| self.integrate(at, current));
        let consumed = report.consumed_mah.filter(|consumed| consumed.is_finite());
        let by_count = consumed.and_then(|consumed| self.count(consumed));
        let percent_mah = setting.capacity_mah.map(|capacity| capacity / 100.0);
        let percent = self.remaining_percent.zip(report.remaining_percent);
        let by_percent = percent
            .zip(percent_mah)
            .map(|((before, now), step)| f64::from(before.saturating_sub(now)) * step);
        self.remaining_percent = report.remaining_percent.or(self.remaining_percent);
        // One kind of figure alone: they do not agree to the last step.
        let (growth_mah, resolution_mah) = match (self.consumed_mah, self.integral_mah) {
            (Some(_), _) => (by_count, None),
            (None, Some(_)) => (by_current, Some(0.0)),
            (None, None) => (by_percent, percent_mah),
        };
        let growth_mah = growth_mah.unwrap_or(0.0);
        let step = Step { growth_mah, resolution_mah, voltage_v, loaded: setting.loaded };
        self.track.observe(at, step);
    }

    /// The consumed charge; gives its growth.
    fn count(&mut self, consumed: f64) -> Option<f64> {
        let before = self.consumed_mah.unwrap_or(consumed);
        if consumed >= before || consumed < before / 2.0 {
            self.consumed_mah = Some(consumed);
        }
        if consumed < before / 2.0 {
            self.track = LoadTrack::default();
        }
        let growth = Some(consumed - before).filter(|growth| *growth >= 0.0);
        self.used_mah += growth.unwrap_or(0.0);
        growth
    }

    /// Adds to the integral of the current; gives what is added.
    fn integrate(&mut self, at: Nanos, current: f64) -> Option<f64> {
        let (before, earlier) = self.last_current.replace((at, current))?;
        let step = at - before;
        self.hole |= step > LONGEST_STEP;
        let charge = step.secs() * (current + earlier) / 2.0 / AMPERE_SECONDS_PER_MAH;
        self.integral_mah = Some(self.integral_mah.unwrap_or(0.0) + charge);
        Some(charge)
    }

    fn used_mah(&self) -> Option<f64> {
        match self.consumed_mah {
            Some(_) => Some(self.used_mah),
            None => self.integral_mah.filter(|_| !self.hole),
        }
    }

    /// The time left and what ends it, else why it is not told.
    fn left(&self, setting: Setting, now: Nanos) -> Result<(Left, BatteryEnd), Reason> {
        if setting.is_other {
            return Err(Reason::OtherBattery);
        }
        if setting.capacity_mah.is_none() && setting.cutoff_v.is_none() {
            return Err(Reason::NoCapacity);
        }
        if now - self.last > SILENT {
            return Err(Reason::BatterySilent);
        }
        let at_cutoff =
            setting.cutoff_v.zip(self.track.voltage_v()).is_some_and(|(cutoff, now)| now <= cutoff);
        if at_cutoff {
            return Ok((Left { s: 0.0, ci95: [0.0; 2] }, BatteryEnd::Cutoff));
        }
        let capacity = setting.capacity_mah.ok_or(Reason::NoCapacity)?;
        let left_mah = match (self.consumed_mah, self.remaining_percent) {
            (Some(consumed), _) => (capacity - consumed).max(0.0),
            (None, Some(percent)) => capacity * f64::from(percent) / 100.0,
            (None, None) => return Err(Reason::NoCharge),
        };
        let left = self.track.until_used(left_mah).map_err(|untold| match untold {
            Untold::Short => Reason::LoadTooShort,
            Untold::Uneven => Reason::LoadUneven,
        })?;
        Ok((left, BatteryEnd::Empty))
    }
}

/// All batteries.
#[derive(Clone, Debug, Default)]
pub struct PowerMeter {
    batteries: HeardTable<Key, Battery, MOST_BATTERIES>,
}

impl PowerMeter {
    /// Takes battery and system status.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
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
        let rank = |(system, component, _)| context.rank(system, component);
        if let Some(battery) = self.batteries.hear(at, key, rank) {
            battery.observe(at, report, Setting::of(context, sender.system, id.unwrap_or(0)));
        }
    }

    /// One row a battery.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<PowerSummary> {
        let spoken_for =
            |system: u8| self.batteries.iter().any(|((other, _, id), _)| other == system && id == Some(0));
        // What SYS_STATUS says of the same battery.
        let beside = |system: u8, id: Option<u8>| {
            let mut all = self.batteries.iter().filter(|_| id == Some(0));
            all.find(|((other, _, own), _)| *other == system && own.is_none()).map(|(_, battery)| battery)
        };
        self.batteries
            .iter()
            .filter(|((system, _, id), _)| id.is_some() || !spoken_for(*system))
            .map(|((system, component, id), battery)| {
                let battery_id = id.unwrap_or(0);
                let setting = Setting::of(context, system, battery_id);
                let other = beside(system, id);
                let own = battery.left(setting, context.now);
                let left = own.or_else(|why| {
                    other.map_or(Err(why), |other| other.left(setting, context.now)).map_err(|_| why)
                });
                let told = left.ok();
                PowerSummary {
                    system,
                    component,
                    battery: battery_id,
                    voltage_start_v: battery.voltage_start_v.or_else(|| other?.voltage_start_v),
                    voltage_min_v: battery.voltage_min_v.or_else(|| other?.voltage_min_v),
                    used_mah: battery.used_mah().or_else(|| other?.used_mah()),
                    minutes_left: told.map(|(left, _)| left.s / 60.0),
                    minutes_left_ci95: told.map(|(left, _)| left.ci95.map(|end_s| end_s / 60.0)),
                    minutes_left_to: told.map(|(_, end)| end),
                    minutes_left_why_not: left.err(),
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests;
