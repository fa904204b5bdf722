//! Peaks of one axis, followed from spectrum to spectrum and held against the motor speed.
//!
//! Definition: a peak goes on where the next spectrum has one within two bins or 15 % of it; it is over where 12 in a row
//! have none. It is told where three spectra or more have it: chance gives one in 100 spectra a peak, hardly ever three
//! that follow each other. *A multiple of the motor speed*: in four of five of its spectra it lies where 1, 2, 3 or 4 times
//! the turns a second are seen at this rate, within a bin, 1 % and the spread between motors; and either that place moved by
//! four such widths and the peak with it, or chance would put a peak there in 1 of 20. Above half the rate it is *folded*.
//! Unit: hertz. Source: the folding, references of `stats::time_series::welch`; the limits are common practice, no source.
//! Bounded: 8 peaks that go on, 16 that are over.

use crate::stats::time_series::welch::seen_at;
use crate::summary::{FollowedPeak, MotorMultiple};

use super::motor_speeds::Turning;

const MOST_LIVE: usize = 8;
const MOST_OVER: usize = 16;
const MOST_TOLD: usize = 5;
/// Spectra without it, after which a peak is over.
const MOST_MISSED: u32 = 12;
const FEWEST: u64 = 3;
/// How far a peak moves between spectra.
const MOVES_BINS: f64 = 2.0;
const MOVES_SHARE: f64 = 0.15;
const MULTIPLES: usize = 4;
const MOST_OF: f64 = 0.8;
const CHANCE: f64 = 0.05;
/// Of the motor speed.
const SPEED_ERROR: f64 = 0.01;

/// One spectrum, as far as peaks must know it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Spectrum {
    pub(super) from_s: f64,
    pub(super) to_s: f64,
    pub(super) rate_hz: f64,
    pub(super) step_hz: f64,
    pub(super) motors: Option<Turning>,
}

/// A peak of one spectrum.
#[derive(Clone, Copy, Debug)]
pub(super) struct Peak {
    pub(super) hz: f64,
    /// Mean square over the floor.
    pub(super) power: f64,
}

/// How a peak lay to one multiple of the motor speed.
#[derive(Clone, Copy, Debug, Default)]
struct Lay {
    within: u32,
    folded: u32,
    /// Sums, for means.
    width: f64,
    chance: f64,
    /// Where the multiple was seen.
    seen: Option<(f64, f64)>,
}

#[derive(Clone, Debug)]
struct Track {
    last_hz: f64,
    missed: u32,
    from_s: f64,
    to_s: f64,
    between_hz: [f64; 2],
    sum_hz: f64,
    power: f64,
    spectra: u64,
    with_motor: u32,
    lays: [Lay; MULTIPLES],
}

impl Track {
    fn new(spectrum: &Spectrum, hz: f64) -> Self {
        Self {
            last_hz: hz,
            missed: 0,
            from_s: spectrum.from_s,
            to_s: spectrum.to_s,
            between_hz: [hz; 2],
            sum_hz: 0.0,
            power: 0.0,
            spectra: 0,
            with_motor: 0,
            lays: [Lay::default(); MULTIPLES],
        }
    }

    fn goes_on(&self, spectrum: &Spectrum, hz: f64) -> bool {
        (hz - self.last_hz).abs() <= (MOVES_BINS * spectrum.step_hz).max(MOVES_SHARE * self.last_hz)
    }

    fn take(&mut self, spectrum: &Spectrum, peak: Peak) {
        self.missed = 0;
        self.last_hz = peak.hz;
        self.to_s = spectrum.to_s;
        self.between_hz = [self.between_hz[0].min(peak.hz), self.between_hz[1].max(peak.hz)];
        self.sum_hz += peak.hz;
        self.power += peak.power;
        self.spectra += 1;
        let Some(motors) = spectrum.motors else { return };
        self.with_motor += 1;
        for (lay, times) in self.lays.iter_mut().zip(1..) {
            lay.take(spectrum, motors, f64::from(times), peak.hz);
        }
    }

    fn motor(&self) -> Option<MotorMultiple> {
        let enough = (self.spectra as f64 * MOST_OF).max(FEWEST as f64);
        if f64::from(self.with_motor) < enough {
            return None;
        }
        let count = f64::from(self.with_motor);
        let chance = self.lays.iter().map(|lay| lay.chance).sum::<f64>() / count;
        let fits = |lay: &Lay| {
            let moved = lay.seen.map_or(0.0, |(low, high)| high - low);
            f64::from(lay.within) >= MOST_OF * count && (chance <= CHANCE || moved >= 4.0 * lay.width / count)
        };
        let rows = self.lays.iter().zip(1_u8..).filter(|(lay, _)| fits(lay));
        let best = rows.min_by_key(|(lay, times)| (lay.folded > 0, std::cmp::Reverse(lay.within), *times));
        best.map(|(lay, times)| MotorMultiple { times, folded: 2 * lay.folded > self.with_motor })
    }

    fn told(&self) -> FollowedPeak {
        let count = self.spectra as f64;
        FollowedPeak {
            mean_hz: self.sum_hz / count,
            between_hz: self.between_hz,
            rms: (self.power / count).sqrt(),
            from_s: self.from_s,
            to_s: self.to_s,
            spectra: self.spectra,
            motor: self.motor(),
        }
    }
}

impl Lay {
    fn take(&mut self, spectrum: &Spectrum, motors: Turning, times: f64, hz: f64) {
        let half = spectrum.rate_hz / 2.0;
        let seen = seen_at(times * motors.mean, spectrum.rate_hz);
        let spread = times * (motors.high - motors.low) / 2.0;
        let width = spectrum.step_hz + SPEED_ERROR * times * motors.mean + spread;
        self.within += u32::from((hz - seen).abs() <= width);
        self.folded += u32::from(times * motors.mean > half);
        self.width += width;
        self.chance += (2.0 * width / half).min(1.0);
        self.seen = Some(self.seen.map_or((seen, seen), |(low, high)| (low.min(seen), high.max(seen))));
    }
}

/// The peaks of one axis.
#[derive(Clone, Debug, Default)]
pub(super) struct PeakTracks {
    live: Vec<Track>,
    over: Vec<Track>,
}

impl PeakTracks {
    /// `peaks`: the strongest first.
    pub(super) fn take(&mut self, spectrum: &Spectrum, peaks: &[Peak]) {
        self.live.iter_mut().for_each(|track| track.missed += 1);
        for peak in peaks.iter().take(MOST_LIVE) {
            let free =
                self.live.iter_mut().filter(|track| track.missed > 0 && track.goes_on(spectrum, peak.hz));
            let nearest = free.min_by(|a, b| {
                let away = |track: &Track| (track.last_hz - peak.hz).abs();
                away(a).total_cmp(&away(b))
            });
            if let Some(track) = nearest {
                track.take(spectrum, *peak);
            } else if self.live.len() < MOST_LIVE {
                let mut track = Track::new(spectrum, peak.hz);
                track.take(spectrum, *peak);
                self.live.push(track);
            }
        }
        let ended = self.live.extract_if(.., |track| track.missed >= MOST_MISSED);
        self.over.extend(ended.filter(|track| track.spectra >= FEWEST));
        strongest(&mut self.over);
        self.over.truncate(MOST_OVER);
    }

    /// Those that are told, the strongest first.
    pub(super) fn told(&self) -> Vec<FollowedPeak> {
        let mut all: Vec<Track> =
            self.over.iter().chain(&self.live).filter(|track| track.spectra >= FEWEST).cloned().collect();
        strongest(&mut all);
        all.iter().take(MOST_TOLD).map(Track::told).collect()
    }
}

/// By what they held over the session.
fn strongest(tracks: &mut [Track]) {
    tracks.sort_by(|a, b| b.power.total_cmp(&a.power));
}

#[cfg(test)]
mod tests {
    use crate::measure::vibration::peak_tracks::*;

    /// By hand: a mean of 60, 62 and 67 Hz, and the root of the mean of three powers.
    #[test]
    fn a_followed_peak_tells_the_means_of_its_spectra() {
        let mut tracks = PeakTracks::default();
        for (second, hz, power) in [(0.0, 60.0, 1.0), (1.0, 62.0, 4.0), (2.0, 67.0, 7.0)] {
            assert!(tracks.told().is_empty(), "fewer than three spectra are chance");
            let (from_s, to_s) = (second, second + 2.0);
            let spectrum = Spectrum { from_s, to_s, rate_hz: 200.0, step_hz: 1.0, motors: None };
            tracks.take(&spectrum, &[Peak { hz, power }]);
        }
        let told = tracks.told();
        let [peak] = &told[..] else { panic!("{told:?}") };
        assert_eq!((peak.mean_hz, peak.rms, peak.between_hz), (63.0, 2.0, [60.0, 67.0]));
        assert_eq!((peak.from_s, peak.to_s, peak.spectra), (0.0, 4.0, 3));
    }
}
