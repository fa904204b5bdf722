//! The spectrum of the vehicle's shaking, from its inertial messages.
//!
//! Definition: Welch spectra of the accelerations of one sensor (SCALED_IMU, SCALED_IMU2, SCALED_IMU3, RAW_IMU,
//! HIGHRES_IMU) at its own stamps, whatever their epoch. A segment lasts 1.2 to 2.6 s, and seven that overlap by half make
//! a spectrum, four at least where gaps leave no more in 12 segments' time. Peaks by `stats::time_series::spectral_peaks`,
//! followed by `peak_tracks`. Unit: m/s² (RAW_IMU: as it came), hertz, m²/s⁴ a hertz.
//!
//! Rate: the mean of spacings up to 1.75 times their median, of 64 at a time; 49 a second is the least, since 50 is what
//! a useful spectrum takes. Another rate (5 % and more) begins an account of its own, at most three; the one with the most
//! spectra is told. *Even*: the stamps of a segment lie within a quarter of a spacing of a straight line, root mean square.
//! A gap (over 1.75 spacings) or a sample that is not fresh ends a run of samples, and nothing is filled in; a duplicate
//! stamp and a late one (up to 1 s) are left out; a stamp further back is a restart, and begins a run.
//! Bounded: 6 sensors (see `heard_table`), a run of 4,096 samples, one row of 64 bytes for each 5 s of the session.

use crate::measure::series;
use crate::measure::series::Series;
use crate::snapshot::{SpectrumView, View};
use crate::stats::heard_table::{HeardTable, Rank};
use crate::stats::sample::quantile;
use crate::stats::time_series::spectral_peaks::{FIRST_BIN, PeakLimit};
use crate::stats::time_series::welch::Segments;
use crate::summary::{AccelerationUnit, Axis, Reason, SpectrumAxis, VibrationSpectrum};
use crate::units::Nanos;
use crate::wire::telemetry::InertialSensor;

use super::motor_speeds::MotorSpeeds;
use super::peak_tracks::{Peak, PeakTracks, Spectrum};

const MOST_SENSORS: usize = 6;
const MOST_ACCOUNTS: usize = 3;
/// Spacings that give a rate.
const SPACINGS: usize = 64;
const SLOWEST_HZ: f64 = 49.0;
const GAP: f64 = 1.75;
const SAME_RATE: f64 = 0.05;
const LATE_US: u64 = 1_000_000;
const UNEVEN: f64 = 0.25;
const SEGMENT_S: f64 = 1.2;
const SHORTEST: usize = 64;
const LONGEST: usize = 4096;
const MOST_SEGMENTS: usize = 7;
const FEWEST_SEGMENTS: usize = 4;
/// A spectrum takes no longer than so many segments one after the other.
const PATIENCE: f64 = 12.0;
/// Seconds of a row of the waterfall, and its columns.
pub(super) const ROW_S: f64 = 5.0;
pub(super) const COLUMNS: usize = 64;
/// A density of 1 in the bytes of a row: 1 dB a step, 0 is none.
const UNITY: f64 = 101.0;

type Key = (u8, u8, InertialSensor);

/// The mean densities of the session.
#[derive(Clone, Debug, PartialEq)]
pub struct SpectrumDensity {
    /// Hertz between neighbours; the first lies at 0.
    pub step_hz: f64,
    /// Of each axis, by `Axis::ALL`: squared units a hertz.
    pub axes: [Vec<f64>; 3],
}

/// A row of the waterfall: all axes together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaterfallRow {
    /// It begins there, and lasts 5 s.
    pub from_s: f64,
    /// Hertz of a band; the first begins at 0.
    pub band_hz: f64,
    /// The strongest density of each band, dB.
    pub bands: [Option<i16>; COLUMNS],
}

/// A row of the waterfall: all axes together, in dB.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Row([u8; COLUMNS]);

impl series::Cell for Row {
    const EMPTY: Self = Self([0; COLUMNS]);
}

fn to_byte(density: f64) -> u8 {
    (UNITY + 10.0 * density.log10()).round().clamp(1.0, 255.0) as u8
}

const fn to_db(byte: u8) -> Option<i16> {
    if byte == 0 { None } else { Some(byte as i16 - UNITY as i16) }
}

/// One sample: stamp, accelerations.
type Sample = (u64, [f32; 3]);

/// The sum of densities of each axis.
#[derive(Clone, Debug, Default)]
struct Sum {
    axes: [Vec<f64>; 3],
    count: usize,
}

impl Sum {
    fn add(&mut self, densities: &[Vec<f64>; 3]) {
        for (sum, density) in self.axes.iter_mut().zip(densities) {
            sum.resize(density.len(), 0.0);
            sum.iter_mut().zip(density).for_each(|(sum, value)| *sum += value);
        }
        self.count += 1;
    }

    fn mean(&self, axis: usize) -> Vec<f64> {
        self.axes[axis].iter().map(|sum| sum / self.count as f64).collect()
    }
}

/// All spectra of one rate.
#[derive(Clone, Debug)]
struct Account {
    rate_hz: f64,
    estimates: f64,
    length: usize,
    segments: Segments,
    limits: [PeakLimit; MOST_SEGMENTS - FEWEST_SEGMENTS + 1],
    block: Sum,
    block_from: Nanos,
    /// When its newest segment ended: what comes next may come years later.
    block_to: Nanos,
    all: Sum,
    spectra: u64,
    tracks: [PeakTracks; 3],
    waterfall: Series<Row>,
    motor_hz: Option<[f64; 2]>,
    uneven: u64,
}

impl Account {
    fn new(rate_hz: f64) -> Self {
        let length = ((SEGMENT_S * rate_hz) as usize).next_power_of_two().clamp(SHORTEST, LONGEST);
        Self {
            rate_hz,
            estimates: 1.0,
            length,
            segments: Segments::of_length(length),
            limits: std::array::from_fn(|place| PeakLimit::new(FEWEST_SEGMENTS + place, length / 2 + 1)),
            block: Sum::default(),
            block_from: Nanos::ZERO,
            block_to: Nanos::ZERO,
            all: Sum::default(),
            spectra: 0,
            tracks: Default::default(),
            waterfall: Series::new(),
            motor_hz: None,
            uneven: 0,
        }
    }

    /// The mean of all estimates of the rate.
    fn refine(&mut self, rate_hz: f64) {
        self.estimates += 1.0;
        self.rate_hz += (rate_hz - self.rate_hz) / self.estimates;
    }

    fn step_hz(&self) -> f64 {
        self.rate_hz / self.length as f64
    }

    fn segment_s(&self) -> f64 {
        self.length as f64 / self.rate_hz
    }

    /// Takes a whole run of samples of one segment's length; `since` is when it ended.
    fn take(&mut self, since: Nanos, run: &[Sample], motors: &MotorSpeeds) {
        if !is_even(run) {
            self.uneven += 1;
            return;
        }
        if self.block.count > 0 && (since - self.block_from).secs() > PATIENCE * self.segment_s() {
            self.finish(motors);
        }
        if self.block.count == 0 {
            self.block_from = (since - Nanos::from_secs_f64(self.segment_s())).max(Nanos::ZERO);
        }
        let rate_hz = self.rate_hz;
        let density = |axis: usize| {
            let values: Vec<f64> = run.iter().map(|(_, sample)| f64::from(sample[axis])).collect();
            self.segments.density(&values, rate_hz)
        };
        let densities = [density(0), density(1), density(2)];
        self.all.add(&densities);
        self.block.add(&densities);
        self.block_to = since;
        if self.block.count == MOST_SEGMENTS {
            self.finish(motors);
        }
    }

    /// A spectrum is whole: its peaks, and its row of the waterfall.
    fn finish(&mut self, motors: &MotorSpeeds) {
        let block = std::mem::take(&mut self.block);
        let Some(limit) = block.count.checked_sub(FEWEST_SEGMENTS).map(|place| self.limits[place]) else {
            return;
        };
        let turning = motors.over(self.block_from, self.block_to);
        let spectrum = Spectrum {
            from_s: self.block_from.secs(),
            to_s: self.block_to.secs(),
            rate_hz: self.rate_hz,
            step_hz: self.step_hz(),
            motors: turning,
        };
        if let Some(turning) = turning {
            let [low, high] = self.motor_hz.unwrap_or([f64::INFINITY, 0.0]);
            self.motor_hz = Some([low.min(turning.low), high.max(turning.high)]);
        }
        let means = [block.mean(0), block.mean(1), block.mean(2)];
        for (tracks, mean) in self.tracks.iter_mut().zip(&means) {
            let peaks = limit
                .peaks(mean)
                .into_iter()
                .map(|peak| Peak { hz: peak.bin * spectrum.step_hz, power: peak.power * spectrum.step_hz });
            tracks.take(&spectrum, &peaks.collect::<Vec<_>>());
        }
        let together: Vec<f64> =
            (0..means[0].len()).map(|bin| means.iter().map(|mean| mean[bin]).sum()).collect();
        let row = Row(std::array::from_fn(|column| to_byte(of_column(&together, column))));
        let (first, last) = (spectrum.from_s / ROW_S, spectrum.to_s / ROW_S);
        for place in first as usize..=last as usize {
            self.waterfall.set(place, row);
        }
        self.spectra += 1;
    }

    /// The axes, the worst first.
    fn axes(&self) -> Vec<SpectrumAxis> {
        let mut rows: Vec<SpectrumAxis> = (0..3)
            .map(|axis| {
                let power = self.all.mean(axis).iter().skip(FIRST_BIN).sum::<f64>() * self.step_hz();
                SpectrumAxis { axis: Axis::ALL[axis], rms: power.sqrt(), peaks: self.tracks[axis].told() }
            })
            .collect();
        rows.sort_by(|a, b| b.rms.total_cmp(&a.rms));
        rows
    }
}

/// The strongest density of the bins of a column.
fn of_column(density: &[f64], column: usize) -> f64 {
    let first = column * density.len() / COLUMNS;
    let end = ((column + 1) * density.len() / COLUMNS).max(first + 1);
    density[first..end].iter().copied().fold(0.0, f64::max)
}

/// Whether stamps lie on a straight line.
fn is_even(run: &[Sample]) -> bool {
    let (first, last) = (run[0].0, run[run.len() - 1].0);
    let spacing = (last - first) as f64 / (run.len() - 1) as f64;
    let off =
        |(place, sample): (usize, &Sample)| ((sample.0 - first) as f64 - place as f64 * spacing) / spacing;
    let squares: f64 = run.iter().enumerate().map(off).map(|off| off * off).sum();
    squares / run.len() as f64 <= UNEVEN * UNEVEN
}

/// One sensor.
#[derive(Clone, Debug, Default)]
struct Stream {
    last_us: Option<u64>,
    spacings: Vec<u32>,
    rate_hz: Option<f64>,
    run: Vec<Sample>,
    accounts: Vec<Account>,
    /// The account of the rate now.
    now: Option<usize>,
}

impl Stream {
    fn observe(&mut self, since: Nanos, time_us: u64, sample: Option<[f32; 3]>, motors: &MotorSpeeds) {
        if time_us == 0 {
            return;
        }
        let last = self.last_us.unwrap_or(time_us);
        if time_us <= last && last - time_us <= LATE_US && self.last_us.is_some() {
            return;
        }
        self.last_us = Some(time_us);
        let spacing = time_us.saturating_sub(last);
        self.note_spacing(spacing);
        let place = self.now;
        let Some(account) = place.and_then(|place| self.accounts.get_mut(place)) else { return };
        if time_us < last || spacing as f64 > GAP * 1e6 / account.rate_hz {
            self.run.clear();
        }
        let Some(sample) = sample else {
            self.run.clear();
            return;
        };
        self.run.push((time_us, sample));
        if self.run.len() >= account.length {
            account.take(since, &self.run, motors);
            self.run.drain(..account.length / 2);
        }
    }

    fn note_spacing(&mut self, spacing_us: u64) {
        if !(1..LATE_US).contains(&spacing_us) {
            return;
        }
        self.spacings.push(spacing_us as u32);
        if self.spacings.len() < SPACINGS {
            return;
        }
        let spacings: Vec<f64> = self.spacings.drain(..).map(f64::from).collect();
        let Some(median) = quantile::median(&spacings) else { return };
        let (sum, count) = spacings
            .iter()
            .filter(|spacing| **spacing <= GAP * median)
            .fold((0.0, 0.0), |(sum, count), spacing| (sum + spacing, count + 1.0));
        let rate_hz = 1e6 * count / sum;
        self.rate_hz = Some(rate_hz);
        self.go_on_at(rate_hz);
    }

    fn go_on_at(&mut self, rate_hz: f64) {
        let same = |account: &Account| (account.rate_hz / rate_hz - 1.0).abs() <= SAME_RATE;
        if let Some(account) = self.now.map(|place| &mut self.accounts[place]).filter(|account| same(account))
        {
            account.refine(rate_hz);
            return;
        }
        self.run.clear();
        self.now = self.accounts.iter().position(same);
        if self.now.is_some() || rate_hz < SLOWEST_HZ {
            return;
        }
        if self.accounts.len() >= MOST_ACCOUNTS {
            let least = (0..MOST_ACCOUNTS).min_by_key(|place| self.accounts[*place].spectra);
            least.map(|place| self.accounts.remove(place));
        }
        self.accounts.push(Account::new(rate_hz));
        self.now = Some(self.accounts.len() - 1);
    }

    fn best(&self) -> Option<&Account> {
        self.accounts.iter().max_by_key(|account| account.spectra)
    }

    fn why_not(&self) -> Option<Reason> {
        match self.best() {
            Some(account) if account.spectra > 0 => None,
            Some(account) if account.uneven > account.all.count as u64 => Some(Reason::InertialUneven),
            None if self.rate_hz.is_some() => Some(Reason::InertialSlow),
            None if self.last_us.is_none() => Some(Reason::InertialUnstamped),
            _ => Some(Reason::InertialGaps),
        }
    }
}

/// The spectra of the vehicle's sensors.
#[derive(Clone, Debug, Default)]
pub(super) struct SpectrumMeter {
    streams: HeardTable<Key, Stream, MOST_SENSORS>,
    motors: MotorSpeeds,
}

impl SpectrumMeter {
    /// `since`: since the first record.
    /// Gives the mean of the motors that turn; `None` where none does.
    pub(super) fn observe_motor(&mut self, since: Nanos, first: u8, rpm: &[Option<f32>; 4]) -> Option<f64> {
        self.motors.observe(since, first, rpm);
        self.motors.over(since, since).map(|turning| turning.mean)
    }

    pub(super) fn observe(
        &mut self,
        (at, since): (Nanos, Nanos),
        key: Key,
        (time_us, sample): (u64, Option<[f32; 3]>),
        rank: impl Fn(Key) -> Rank,
    ) {
        if let Some(stream) = self.streams.hear(at, key, rank) {
            stream.observe(since, time_us, sample, &self.motors);
        }
    }

    /// The sensor with the most spectra, else the fastest.
    fn best(&self) -> Option<(Key, &Stream)> {
        let spectra = |stream: &Stream| stream.best().map_or(0, |account| account.spectra);
        let rate = |stream: &Stream| stream.rate_hz.unwrap_or(0.0);
        self.streams.iter().max_by(|(first, a), (second, b)| {
            let order = spectra(a).cmp(&spectra(b)).then(rate(a).total_cmp(&rate(b)));
            order.then(second.cmp(first))
        })
    }

    /// `None` where no inertial message came.
    pub(super) fn summary(&self) -> Option<VibrationSpectrum> {
        let ((system, component, sensor), stream) = self.best()?;
        let account = stream.best().filter(|account| account.spectra > 0);
        Some(VibrationSpectrum {
            system,
            component,
            message: sensor.message,
            instance: sensor.instance,
            unit: if sensor.has_unit() { AccelerationUnit::Metric } else { AccelerationUnit::Raw },
            rate_hz: account.map(|account| account.rate_hz).or(stream.rate_hz),
            resolution_hz: account.map(Account::step_hz),
            lowest_hz: account.map(|account| FIRST_BIN as f64 * account.step_hz()),
            highest_hz: account.map(|account| account.rate_hz / 2.0),
            spectra: account.map_or(0, |account| account.spectra),
            motor_hz: account.and_then(|account| account.motor_hz),
            axes: account.map(Account::axes).unwrap_or_default(),
            why_not: stream.why_not(),
        })
    }

    /// What is told, as far as there is a spectrum.
    fn told(&self) -> Option<&Account> {
        self.best()?.1.best().filter(|account| account.spectra > 0)
    }

    /// `None` without a spectrum.
    pub(super) fn density(&self) -> Option<SpectrumDensity> {
        let account = self.told()?;
        let axes = std::array::from_fn(|axis| account.all.mean(axis));
        Some(SpectrumDensity { step_hz: account.step_hz(), axes })
    }

    /// Every 5 s of which there is a spectrum.
    pub(super) fn waterfall(&self) -> Vec<WaterfallRow> {
        let Some(account) = self.told() else { return Vec::new() };
        let band_hz = account.rate_hz / 2.0 / COLUMNS as f64;
        let rows = account.waterfall.range(0, usize::MAX).filter(|(_, row)| row.0[0] > 0);
        let row = |(place, row): (usize, Row)| WaterfallRow {
            from_s: place as f64 * ROW_S,
            band_hz,
            bands: row.0.map(to_db),
        };
        rows.map(row).collect()
    }

    /// For drawing; `None` without a spectrum. `motor_hz` is of each column of the window.
    pub(super) fn view(
        &self,
        view: View,
        motor_hz: impl FnOnce() -> Vec<Option<f64>>,
    ) -> Option<SpectrumView> {
        let account = self.told()?;
        let bins: Vec<f64> =
            (0..=account.length / 2).map(|bin| account.all.axes.iter().map(|axis| axis[bin]).sum()).collect();
        let mut rows: Vec<Option<[Option<i16>; COLUMNS]>> = vec![None; usize::from(view.columns)];
        let (first, end) =
            ((view.from_s.max(0.0) / ROW_S) as usize, (view.to_s.max(0.0) / ROW_S).ceil() as usize);
        for (place, row) in account.waterfall.range(first, end).filter(|(_, row)| row.0[0] > 0) {
            let from_s = place as f64 * ROW_S;
            for column in view.columns_showing(from_s.max(view.from_s), from_s + ROW_S) {
                rows[column] = Some(row.0.map(to_db));
            }
        }
        Some(SpectrumView {
            highest_hz: account.rate_hz / 2.0,
            session: std::array::from_fn(|column| {
                to_db(to_byte(of_column(&bins, column) / account.all.count as f64))
            }),
            columns: rows,
            motor_hz: motor_hz(),
        })
    }

    /// About how many bytes a copy holds by itself.
    pub(super) fn own_bytes(&self) -> usize {
        let accounts = self.streams.iter().flat_map(|(_, stream)| &stream.accounts);
        accounts.map(|account| account.waterfall.own_bytes() + 6 * 8 * account.length).sum()
    }
}
