//! VIBRATION levels as sent, clipping, and whether a bad picture was the airframe.
//!
//! Definition: the vehicle's VIBRATION levels (the standard gives no unit) as median, 95th
//! percentile and maximum, and the increments of its clipping counters within the recording (the
//! public MAVLink message set). Around a freeze or mark the verdict asks two things: was
//! the link's margin under its warning limit, and was a level above the limit or clipping. The limit: the
//! profile's, else the 90th percentile of earlier sessions with these tags, else that of this session; each
//! of the strongest level of any axis within 4 s, as much as is looked at around a freeze, so that one
//! instant in ten passes it by chance. A gap leaves its seconds empty; the
//! counters are 32 bit, a fall is a restart and counts from zero; duplicates never reach this
//! file.
//! Bounded: see `vibration/axes.rs`; 8 senders (see `heard_table`), 4,096 marks.

mod axes;
mod drivers;
mod inertial_spectrum;
mod motor_speeds;
mod peak_tracks;

use std::collections::BTreeMap;

use super::context::{Context, Sender};
use super::life::Phase;
use crate::profile::LinkRole;
use crate::snapshot::{LimitBasis, Suspicion, VibrationView, View};
use crate::stats::heard_table::HeardTable;
use crate::stats::sample::quantile;
use crate::summary::{
    LimitSource, Reason, Summary, VibrationDriver, VibrationLimit, VibrationSpectrum, VibrationSummary,
};
use crate::units::Nanos;
use crate::wire::telemetry::Telemetry;

use super::signal::SignalMeter;
use super::video::VideoMeter;
use axes::{Cell, Cells, Samples};
use drivers::Drivers;
use inertial_spectrum::SpectrumMeter;
pub use inertial_spectrum::{SpectrumDensity, WaterfallRow};

const MOST_SENDERS: usize = 8;
const MOST_MARKS: usize = 4096;
const MOST_VERDICTS: usize = 200;
/// How far back freezes are looked for at first.
const FIRST_REACH_S: f64 = 600.0;
/// What is looked at around a freeze: this long before its start, and after it.
const BEFORE_S: f64 = 2.0;
const AFTER_S: f64 = 1.0;
/// A person marks a shaking picture within this time.
pub(crate) const MARK_REACH_S: f64 = 3.0;
/// And what made it shake goes on for so long.
pub(crate) const MARK_AFTER_S: f64 = AFTER_S;

/// The vehicle's vibration.
#[derive(Clone, Debug, Default)]
pub struct VibrationMeter {
    samples: Samples,
    cells: Cells,
    counters: HeardTable<(u8, u8), Option<[u32; 3]>, MOST_SENDERS>,
    clipping: [u64; 3],
    shook: Vec<Nanos>,
    spectrum: SpectrumMeter,
    drivers: Drivers,
}

/// Above which level vibration is suspect, and by whose word.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Limit {
    level: f64,
    basis: LimitBasis,
}

const fn source(basis: LimitBasis) -> LimitSource {
    match basis {
        LimitBasis::Profile => LimitSource::Profile,
        LimitBasis::Earlier(_) => LimitSource::History,
        LimitBasis::Session => LimitSource::Session,
    }
}

/// A level to three digits: enough for a percentile, and few enough to count.
fn three_digits(level: f32) -> f32 {
    if level == 0.0 || !level.is_finite() {
        return level;
    }
    let step = 10_f32.powi(level.abs().log10().floor() as i32 - 2);
    (level / step).round() * step
}

impl VibrationMeter {
    /// Takes VIBRATION, inertial samples, and what may drive them.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        if context.roles.vehicle().is_some_and(|vehicle| vehicle != sender.system) {
            return;
        }
        let since = at - context.start.unwrap_or(at);
        match telemetry {
            Telemetry::Vibration { levels, clipping } => {
                self.observe_levels(at, sender, (levels, clipping), context);
            }
            Telemetry::Inertial { time_us, sensor, acceleration, .. } => {
                let key = (sender.system, sender.component, *sensor);
                let rank = |(system, component, _)| context.rank(system, component);
                self.spectrum.observe((at, since), key, (*time_us, *acceleration), rank);
            }
            Telemetry::MotorSpeed { first, rpm } => {
                if let Some(mean_hz) = self.spectrum.observe_motor(since, *first, rpm) {
                    self.drivers.put(since, VibrationDriver::MotorSpeed, mean_hz);
                }
            }
            Telemetry::Throttle { percent: Some(percent) } => {
                self.drivers.put(since, VibrationDriver::Throttle, f64::from(*percent));
            }
            Telemetry::ServoOutput { port: 0, outputs, .. } => self.drivers.put_outputs(since, outputs),
            Telemetry::SystemStatus { voltage_v: Some(volts), .. } => {
                self.drivers.put(since, VibrationDriver::Voltage, *volts);
            }
            _ => {}
        }
    }

    fn observe_levels(
        &mut self,
        at: Nanos,
        sender: Sender,
        (levels, clipping): (&[f64; 3], &[u32; 3]),
        context: &Context,
    ) {
        if !levels.iter().all(|level| level.is_finite()) {
            return;
        }
        let key = (sender.system, sender.component);
        let before = self.counters.hear(at, key, |(system, component)| context.rank(system, component));
        let before = before.and_then(|counters| counters.replace(*clipping));
        let clipped = self.count_clipping(before.unwrap_or(*clipping), *clipping);
        self.samples.push(*levels);
        let cell = Cell::new(levels.map(|level| level as f32), clipped);
        self.cells.put(at - context.start.unwrap_or(at), cell);
    }

    fn count_clipping(&mut self, before: [u32; 3], counters: [u32; 3]) -> u32 {
        let mut sum = 0_u32;
        for axis in 0..3 {
            let more = counters[axis].checked_sub(before[axis]).unwrap_or(counters[axis]);
            self.clipping[axis] += u64::from(more);
            sum = sum.saturating_add(more);
        }
        sum
    }

    /// A person marked that the picture shook.
    pub fn mark_shook(&mut self, at: Nanos) {
        if self.shook.len() < MOST_MARKS {
            self.shook.push(at);
        }
    }

    /// `None` where no VIBRATION came.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Option<VibrationSummary> {
        let limit = self.limit(context);
        (!self.samples.is_empty()).then(|| VibrationSummary {
            x: self.samples.axis(0),
            y: self.samples.axis(1),
            z: self.samples.axis(2),
            clipping: self.clipping,
            limit: limit.map(|limit| limit.level),
            limit_from: limit.map(|limit| source(limit.basis)),
            against: self.drivers.against(&self.worst_of_trips(context)),
        })
    }

    /// The spectrum of an inertial sensor; `None` where none is sent.
    #[must_use]
    pub fn spectrum(&self) -> Option<VibrationSpectrum> {
        self.spectrum.summary()
    }

    /// Its mean densities; `None` without one.
    #[must_use]
    pub fn density(&self) -> Option<SpectrumDensity> {
        self.spectrum.density()
    }

    /// What it was every 5 s.
    #[must_use]
    pub fn waterfall(&self) -> Vec<WaterfallRow> {
        self.spectrum.waterfall()
    }

    /// When a person marked that the picture shook.
    #[must_use]
    pub fn shook(&self) -> &[Nanos] {
        &self.shook
    }

    /// The strongest level of any axis of each second before one, those without a sample left out; where a sensor
    /// clipped, no level of the session is stronger.
    pub(crate) fn worst_by_second(&self, end: usize) -> impl Iterator<Item = (usize, f32)> + '_ {
        let cells = || self.cells.within(0.0, end as f64);
        let most = cells().map(|(_, cell)| cell.strongest()).fold(f32::NAN, f32::max);
        let level = move |cell: &Cell| if cell.clipping > 0 { most } else { cell.strongest() };
        let levels = cells().map(move |(second, cell)| (second, level(&cell)));
        levels.filter(move |(second, level)| *second < end && !level.is_nan())
    }

    /// The same of the seconds of trips; of a session without any, of all.
    fn worst_of_trips(&self, context: &Context) -> Vec<(usize, f32)> {
        let start = context.start.unwrap_or_default();
        let is_trip = |second: usize| {
            let phase = context.life.phase_at(start + Nanos::from_secs(second as i64));
            phase.is_some_and(Phase::is_trip)
        };
        let all: Vec<(usize, f32)> = self.worst_by_second(usize::MAX).collect();
        let trips: Vec<(usize, f32)> = all.iter().copied().filter(|(second, _)| is_trip(*second)).collect();
        if trips.is_empty() { all } else { trips }
    }

    /// About how many bytes a copy holds by itself, levels apart.
    #[must_use]
    pub fn own_bytes(&self) -> usize {
        self.spectrum.own_bytes()
    }

    /// The level above which vibration is suspect.
    fn limit(&self, context: &Context) -> Option<Limit> {
        Self::limit_or(context, || {
            let mut strongest: Vec<f64> = self.cells.strongest().map(f64::from).collect();
            quantile::select(&mut strongest, VibrationLimit::QUANTILE)
        })
    }

    /// The same; this session's own, which takes all of it, comes from elsewhere.
    fn limit_or(context: &Context, own: impl FnOnce() -> Option<f64>) -> Option<Limit> {
        let limit = |level, basis| Limit { level, basis };
        context.profile.vibration.limit.map(|level| limit(level, LimitBasis::Profile)).or_else(|| {
            // Where nearly all levels are 0, nobody measured any: nothing is suspect above that.
            let earlier = context.vibration_limit.filter(|earlier| earlier.limit > 0.0);
            let earlier = earlier.map(|earlier| limit(earlier.limit, LimitBasis::Earlier(earlier.sessions)));
            let own = || own().filter(|level| *level > 0.0);
            earlier.or_else(|| own().map(|level| limit(level, LimitBasis::Session)))
        })
    }

    /// For the history: levels to three digits, and seconds at them.
    #[must_use]
    pub fn evidence(&self) -> Vec<(f32, u32)> {
        let mut counts: BTreeMap<u32, u32> = BTreeMap::new();
        // The bits of positive floats are in the order of their values.
        for level in self.cells.strongest().map(three_digits).filter(|level| *level >= 0.0) {
            *counts.entry((level + 0.0).to_bits()).or_default() += 1;
        }
        counts.into_iter().map(|(bits, seconds)| (f32::from_bits(bits), seconds)).collect()
    }

    /// The strongest level of each axis in each second that has one; second 0 is the first.
    pub(crate) fn seconds(&self) -> impl Iterator<Item = (usize, [f32; 3])> + '_ {
        self.cells.within(0.0, f64::INFINITY).filter_map(|(second, cell)| Some((second, cell.largest()?)))
    }

    /// What lay behind a bad picture within a span of seconds from the first record.
    fn judge(
        &self,
        context: &Context,
        signal: &SignalMeter,
        limit: Option<f64>,
        from_s: f64,
        to_s: f64,
    ) -> Suspicion {
        let around = self.cells.within(from_s, to_s).fold(Cell::EMPTY, |sum, (_, cell)| sum.join(cell));
        let airframe = around.largest().zip(limit).map(|(largest, limit)| {
            around.clipping > 0 || largest.iter().any(|level| f64::from(*level) > limit)
        });
        Suspicion { radio: margin_was_low(context, signal, from_s, to_s), airframe }
    }

    /// For drawing; `summary` is the newest one, for what takes the whole session.
    #[must_use]
    pub fn view(
        &self,
        context: &Context,
        video: &VideoMeter,
        signal: &SignalMeter,
        summary: &Summary,
        view: View,
    ) -> VibrationView {
        let limit = Self::limit_or(context, || summary.vibration.as_ref()?.limit);
        let columns = usize::from(view.columns);
        let mut drawn = VibrationView {
            axes: [vec![None; columns], vec![None; columns], vec![None; columns]],
            clipping: vec![0; columns],
            limit: limit.filter(|limit| limit.basis != LimitBasis::Session).map(|limit| limit.level),
            basis: limit.map(|limit| limit.basis),
            around: self.verdicts(context, video, signal, limit.map(|limit| limit.level), view.to_s),
            missing: self.samples.is_empty().then_some(Reason::NoVibration),
            spectrum: self.spectrum.view(view, || self.drivers.columns(VibrationDriver::MotorSpeed, view)),
        };
        for (second, cell) in self.cells.within(view.from_s, view.to_s) {
            let Some(largest) = cell.largest() else { continue };
            let (start_s, end_s) = (second as f64, second as f64 + 1.0);
            for column in view.columns_showing(start_s.max(view.from_s), end_s) {
                drawn.clipping[column] = drawn.clipping[column].saturating_add(cell.clipping);
                for (axis, level) in drawn.axes.iter_mut().zip(largest) {
                    let level = f64::from(level);
                    axis[column] = Some(axis[column].map_or(level, |seen| seen.max(level)));
                }
            }
        }
        drawn
    }

    fn verdicts(
        &self,
        context: &Context,
        video: &VideoMeter,
        signal: &SignalMeter,
        limit: Option<f64>,
        to_s: f64,
    ) -> Vec<(f64, Suspicion)> {
        // What is said of a freeze does not hang on how much time is shown. Of many freezes the newest are
        // enough, so that no more of a long session is looked at.
        let mut reach_s = FIRST_REACH_S;
        let freezes = loop {
            let found = video.freezes_within(context, (to_s - reach_s, to_s));
            if found.len() >= MOST_VERDICTS || reach_s >= to_s {
                break found;
            }
            reach_s *= 4.0;
        };
        let older = freezes.len().saturating_sub(MOST_VERDICTS);
        let freezes = freezes[older..].iter().map(|span| {
            let (start_s, end_s) = (context.since_start_s(span.start), context.since_start_s(span.end));
            if span.by_mark {
                (start_s, start_s, end_s + AFTER_S)
            } else {
                (start_s, start_s - BEFORE_S, start_s + AFTER_S)
            }
        });
        let shook = self.shook.iter().map(|at| {
            let at_s = context.since_start_s(*at);
            (at_s, at_s - MARK_REACH_S, at_s + AFTER_S)
        });
        let mut verdicts: Vec<(f64, Suspicion)> = freezes
            .chain(shook)
            .filter(|(at_s, _, _)| *at_s <= to_s)
            .map(|(at_s, from_s, to_s)| (at_s, self.judge(context, signal, limit, from_s, to_s)))
            .collect();
        verdicts.sort_by(|a, b| a.0.total_cmp(&b.0));
        verdicts
    }
}

/// Whether the video link's margin was under its warning limit at any second of a span;
/// `None` without a threshold or a level there.
fn margin_was_low(context: &Context, signal: &SignalMeter, from_s: f64, to_s: f64) -> Option<bool> {
    let index = context.profile.link.iter().position(|link| link.role == LinkRole::Video)?;
    let link = &context.profile.link[index];
    let threshold = context.threshold(&link.name)?;
    let least = link.effective_limits().map_or(0.0, |limits| limits.warning_margin);
    // Index 0 is at 1 s.
    let first = (from_s.floor() as i64 - 1).max(0) as usize;
    let last = (to_s.ceil() as i64).max(0) as usize;
    let levels = signal.seconds(index).known(first, last).map(|(_, level)| f64::from(level));
    levels.map(|level| level - threshold.level_p05 < least).reduce(|low, another| low || another)
}

#[cfg(test)]
mod tests {
    use crate::measure::vibration::*;

    /// Two marked freezes, at 10 s while it shook and at 2,000 s while it did not: each has its verdict as soon as it was,
    /// however much later one looks. A mark stands for the 3 s before it.
    #[test]
    fn each_freeze_so_far_has_its_verdict() {
        let context = Context { start: Some(Nanos::ZERO), ..Context::default() };
        let (mut meter, mut video) = (VibrationMeter::default(), VideoMeter::default());
        for (second, level) in [(8, 40.0), (1998, 20.0)] {
            meter.cells.put(Nanos::from_secs(second), Cell::new([1.0, level, 2.0], 0));
            video.mark_froze(Nanos::from_secs(second + 2));
        }
        let verdicts = |to_s| meter.verdicts(&context, &video, &SignalMeter::default(), Some(30.0), to_s);
        let of = |airframe| Suspicion { radio: None, airframe: Some(airframe) };
        for (to_s, expected) in [(5.0, 0), (20.0, 1), (700.0, 1), (2010.0, 2), (9000.0, 2)] {
            assert_eq!(verdicts(to_s), [(7.0, of(true)), (1997.0, of(false))][..expected], "{to_s}");
        }
    }
}
