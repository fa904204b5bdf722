//! A battery under load: charge and voltage over the time in which its vehicle was under load.
//!
//! Time on the ground, disarmed, counts as none, so that a pause neither dilutes the load nor ends it. A counter
//! with coarse steps is read where it steps: there alone its value is known. Unit: seconds under load, mAh, volts.
//! Window: the last 10 min of charge, 10 s of voltage. Gap: a silence of over 10 s adds neither time nor
//! charge. Bounded: a point a second.
//!
//! No line is drawn through the voltage: it falls fast in the end only, and its line's interval held the truth in 70 %.

use std::collections::VecDeque;

use crate::stats::time_series::block_mean::BlockMean;
use crate::units::Nanos;

/// The window of the charge, seconds.
const WINDOW_S: f64 = 600.0;
/// The least that has to be seen of a load, seconds.
const LEAST_S: f64 = 180.0;
/// One mean of the voltage, seconds.
const VOLTAGE_CELL_S: f64 = 10.0;
/// Parts of a window whose means tell how the load varies.
const BLOCKS: usize = 5;
/// Steps in which the beginning of a window is looked at, seconds, and the share of the load behind it below which it was
/// idle: armed on the ground before the start.
const IDLE_S: f64 = 30.0;
const IDLE_SHARE: f64 = 0.25;
/// Points closer than this say nothing more, seconds.
const POINT_S: f64 = 1.0;
/// A longer silence may hide anything.
pub(super) const LONGEST_STEP: Nanos = Nanos::from_secs(10);
/// A load that may be three times smaller than its mean gives no time.
const LEAST_SHARE: f64 = 1.0 / 3.0;

/// Time left in seconds, with its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Left {
    pub(super) s: f64,
    pub(super) ci95: [f64; 2],
}

/// Why no time is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Untold {
    /// Too little was seen.
    Short,
    /// It varies too much.
    Uneven,
}

/// One report, as far as a load is concerned.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Step {
    /// Charge used since the report before.
    pub(super) growth_mah: f64,
    /// The least step of what counts it, where that is known.
    pub(super) resolution_mah: Option<f64>,
    pub(super) voltage_v: Option<f64>,
    pub(super) loaded: bool,
}

/// Charge and voltage over the time under load.
#[derive(Clone, Debug, Default)]
pub(super) struct LoadTrack {
    last: Option<Nanos>,
    clock_s: f64,
    charge_mah: f64,
    resolution_mah: Option<f64>,
    points: VecDeque<(f64, f64)>,
    /// The voltages that are added up: since when, their sum, their number.
    adding: Option<(f64, f64, u32)>,
    voltage_v: Option<f64>,
}

impl LoadTrack {
    pub(super) fn observe(&mut self, at: Nanos, step: Step) {
        let since = self.last.replace(at).map(|last| at - last);
        if !step.loaded || since.is_none_or(|since| since > LONGEST_STEP) {
            return;
        }
        self.clock_s += since.map_or(0.0, Nanos::secs);
        if step.growth_mah > 0.0 {
            self.grow(step);
        }
        if let Some(voltage) = step.voltage_v {
            self.add_voltage(voltage);
        }
    }

    fn grow(&mut self, step: Step) {
        self.charge_mah += step.growth_mah;
        let seen = self.resolution_mah.map_or(step.growth_mah, |least| least.min(step.growth_mah));
        self.resolution_mah = Some(step.resolution_mah.unwrap_or(seen));
        if self.points.back().is_none_or(|&(clock_s, _)| self.clock_s - clock_s >= POINT_S) {
            self.points.push_back((self.clock_s, self.charge_mah));
        }
        while self.points.get(1).is_some_and(|&(second_s, _)| second_s <= self.clock_s - WINDOW_S) {
            self.points.pop_front();
        }
    }

    fn add_voltage(&mut self, voltage: f64) {
        let (from_s, sum, count) = self.adding.unwrap_or((self.clock_s, 0.0, 0));
        let (sum, count) = (sum + voltage, count + 1);
        self.adding = Some((from_s, sum, count));
        if self.clock_s - from_s >= VOLTAGE_CELL_S {
            self.voltage_v = Some(sum / f64::from(count));
            self.adding = None;
        }
    }

    /// The mean voltage of the last 10 s under load.
    pub(super) const fn voltage_v(&self) -> Option<f64> {
        self.voltage_v
    }

    /// What the counter may lie off by.
    fn resolution_mah(&self) -> f64 {
        self.resolution_mah.unwrap_or(0.0)
    }

    /// The time in which so much charge is used, if the load goes on as it was.
    pub(super) fn until_used(&self, left_mah: f64) -> Result<Left, Untold> {
        let (&(first_s, _), &(last_s, last_mah)) =
            self.points.front().zip(self.points.back()).ok_or(Untold::Short)?;
        let from_s = self.busy_from(first_s.max(self.clock_s - WINDOW_S), last_mah);
        let seen_s = self.clock_s - from_s;
        if seen_s < LEAST_S || last_s <= from_s {
            return Err(Untold::Short);
        }
        let rate = (last_mah - self.charge_at(from_s, last_mah)) / (last_s - from_s);
        // What has been used since the counter's last step, which would show it had it been a whole one.
        let since_mah = (rate * (self.clock_s - last_s)).min(self.resolution_mah());
        let length_s = seen_s / BLOCKS as f64;
        let edges: Vec<f64> = (0..=BLOCKS)
            .map(|edge| self.charge_at(from_s + length_s * edge as f64, last_mah + since_mah))
            .collect();
        let means: Vec<f64> = edges.windows(2).map(|pair| (pair[1] - pair[0]) / length_s).collect();
        let load = BlockMean::of(&means, length_s).ok_or(Untold::Short)?;
        let left_mah = (left_mah - since_mah).max(0.0);
        let left_s = left_mah / load.mean;
        let apart = load.apart(seen_s, left_s.max(length_s));
        let least = load.mean - apart;
        if least < load.mean * LEAST_SHARE || load.mean <= 0.0 {
            return Err(Untold::Uneven);
        }
        let rough_mah = self.resolution_mah();
        let low_s = (left_mah - rough_mah).max(0.0) / (load.mean + apart);
        Ok(Left { s: left_s, ci95: [low_s, (left_mah + rough_mah) / least] })
    }

    /// Where a window begins once what was idle at its beginning is left out.
    fn busy_from(&self, mut from_s: f64, now_mah: f64) -> f64 {
        while self.clock_s - from_s > 2.0 * IDLE_S {
            let [before, then] = [from_s, from_s + IDLE_S].map(|at_s| self.charge_at(at_s, now_mah));
            let behind = (now_mah - then) / (self.clock_s - from_s - IDLE_S);
            if (then - before) / IDLE_S >= IDLE_SHARE * behind {
                break;
            }
            from_s += IDLE_S;
        }
        from_s
    }

    /// The charge used at an instant, straight between the counter's steps; `now_mah` now.
    fn charge_at(&self, clock_s: f64, now_mah: f64) -> f64 {
        let next = self.points.partition_point(|&(point_s, _)| point_s <= clock_s);
        let before = self.points.get(next.saturating_sub(1)).copied().unwrap_or((0.0, 0.0));
        let after = self.points.get(next).copied().unwrap_or((self.clock_s, now_mah));
        if after.0 <= before.0 {
            return after.1;
        }
        before.1 + (after.1 - before.1) * ((clock_s - before.0) / (after.0 - before.0)).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::power::load_track::*;

    /// A report a second; for so many seconds so much charge a second each, counted every tenth second.
    fn of(loads: &[(u32, f64)]) -> LoadTrack {
        let (mut track, mut second, mut waits) = (LoadTrack::default(), 0, 0.0);
        let step = |growth_mah| Step { growth_mah, loaded: true, ..Step::default() };
        track.observe(Nanos::ZERO, step(0.0));
        for &(seconds, load) in loads {
            for _ in 0..seconds {
                second += 1;
                waits += load;
                let growth = if second % 10 == 0 { std::mem::take(&mut waits) } else { 0.0 };
                track.observe(Nanos::from_secs(second), step(growth));
            }
        }
        track
    }

    #[test]
    fn charge_is_read_straight_between_the_steps_of_the_counter() {
        let track = of(&[(100, 0.5), (100, 2.0)]);
        for (second, expected) in [(20.0, 10.0), (35.0, 17.5), (99.0, 49.5), (104.0, 58.0), (155.0, 160.0)] {
            let charge = track.charge_at(second, 250.0);
            assert!((charge - expected).abs() < 1e-9, "{second} s: {charge}");
        }
    }

    /// Even load is none of it idle, however long it goes on; a begin at a tenth of the load is, up to its end.
    #[test]
    fn only_what_was_idle_is_left_out() {
        assert_eq!(of(&[(3000, 1.0)]).busy_from(2400.0, 3000.0), 2400.0);
        assert_eq!(of(&[(120, 0.1), (480, 1.0)]).busy_from(0.0, 492.0), 120.0);
        assert_eq!(of(&[(120, 0.4), (480, 1.0)]).busy_from(0.0, 528.0), 0.0);
    }
}
