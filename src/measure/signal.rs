//! Levels per radio and direction, their trend, and each link's level.
//!
//! Definition: every sender of RADIO_STATUS is a radio with two sides, what it receives itself
//! and what its peer receives; on the ground its own side is the downlink, in the vehicle the
//! uplink. The older radio report counts only from a sender that never sends the newer one.
//! RC_CHANNELS.rssi of the vehicle is an uplink level where a link of the profile says so; 0 is a
//! level there. So is a transmitter that a receiver in monitor mode hears (radiotap), its level that of each
//! frame in dBm, of the whole and of each antenna. A video or telemetry link's level is the one received at the ground, a control
//! link's the one received at the vehicle. Source of the fields: the public MAVLink message set.
//! Unit: dBm where the profile gives the link a scale, else device units.
//!
//! The level at an instant: the median of the samples of the last second, else the latest of the
//! last 2 s, else absent; absent too from 2 s after anything of the vehicle was last heard, since radios go on
//! reporting old levels. At its top code (see `signal/tally.rs`) a level is "at least", and has no trend. Trend, for the eye: Theil-Sen over the last 10 s, at least 5
//! samples (more than 100 are taken as the medians of 0.1 s); what warns is `margin`'s own. Figures of the whole session are exact: levels are bytes and are counted.
//!
//! A gap leaves the level absent; 255 and "peer not heard" (remote level and noise both 0) are no
//! samples; duplicates never get here; a sender's restart changes nothing. A radio that is heard on
//! two interfaces counts on the one where it was heard first, until that falls silent for 2 s.
//! Bounds: 16 radios, 10 min or 16,384 raw samples a side; a link's levels at whole seconds of the last day, of what is
//! older the smallest, mean and largest of spans (see [`super::series`]).

mod cells;
mod heard_radios;
mod radio_key;
mod tally;

use std::collections::VecDeque;

use super::context::{Context, Sender};
use super::series::Series;
use crate::profile::{DBM_BYTES, LinkProfile};
use crate::record::{Direction, InterfaceId};
use crate::snapshot::{LevelCell, View};
use crate::stats::curve_fit::theil_sen;
use crate::stats::heard_table::{Rank, SMALL};
use crate::stats::sample::quantile;
use crate::summary::{Report, SignalDirection, SignalSummary};
use crate::units::hardware_address::Address;
use crate::units::{LevelUnit, Nanos};
use crate::wire::radiotap;
use crate::wire::telemetry::Telemetry;

pub use heard_radios::HeardLevel;
use radio_key::{LevelSource, RadioKey, Side, on_ground};
use tally::Tally;

/// Radios kept: strangers on the network must not grow memory.
const MOST_RADIOS: usize = 16;
/// The same for those whose levels this computer receives itself, antennas apart.
const MOST_RADIOS_HERE: usize = 32;
/// Raw samples kept a side.
const MOST_SAMPLES: usize = 16_384;
/// How long raw samples are kept.
const RAW_SPAN: Nanos = Nanos::from_secs(600);
static NONE: Series<f32> = Series::new();
const LEVEL_WINDOW: Nanos = Nanos::from_secs(1);
const LATEST_WINDOW: Nanos = Nanos::from_secs(2);
const TREND_WINDOW: Nanos = Nanos::from_secs(10);
const LEAST_TREND_SAMPLES: usize = 5;
const MOST_TREND_SAMPLES: usize = 100;
/// Silences of the far side kept: more than fill the time of the raw samples say nothing.
const MOST_SILENCES: usize = 64;

/// A trend of a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Change per second.
    pub per_s: f64,
    /// Samples behind it.
    pub samples: usize,
}

/// One side of one radio.
#[derive(Clone, Debug, Default)]
struct SideSamples {
    recent: VecDeque<(Nanos, u8)>,
    tally: Tally,
}

impl SideSamples {
    fn take(&mut self, at: Nanos, level: u8, noise: Option<u8>) {
        self.tally.take(level, noise);
        while self.recent.len() >= MOST_SAMPLES
            || self.recent.front().is_some_and(|&(first, _)| first + RAW_SPAN < at)
        {
            self.recent.pop_front();
        }
        self.recent.push_back((at, level));
    }

    /// Raw samples in `(from, to]`.
    fn between(&self, from: Nanos, to: Nanos) -> impl Iterator<Item = (Nanos, u8)> + '_ {
        let first = self.recent.partition_point(|&(at, _)| at <= from);
        self.recent.range(first..).copied().take_while(move |&(at, _)| at <= to)
    }

    fn level(&self, at: Nanos) -> Option<f64> {
        let last_second: Vec<f64> =
            self.between(at - LEVEL_WINDOW, at).map(|(_, level)| f64::from(level)).collect();
        quantile::median(&last_second)
            .or_else(|| self.between(at - LATEST_WINDOW, at).last().map(|(_, level)| f64::from(level)))
    }
}

/// One radio, or one receiver behind RC_CHANNELS.
#[derive(Clone, Debug)]
struct Radio {
    key: RadioKey,
    interface: InterfaceId,
    last: Nanos,
    times: u64,
    older: bool,
    own: SideSamples,
    peer: SideSamples,
}

impl Radio {
    const fn side(&self, side: Side) -> &SideSamples {
        match side {
            Side::Own => &self.own,
            Side::Peer => &self.peer,
        }
    }
}

/// All radios' levels.
#[derive(Clone, Debug, Default)]
pub struct SignalMeter {
    radios: Vec<Radio>,
    sources: Vec<Option<LevelSource>>,
    vehicle: Option<u8>,
    /// When anything of the vehicle was last heard; `None` where nothing ever was.
    far_side: Option<Nanos>,
    /// The newest silences of it, longer than 2 s.
    silences: VecDeque<(Nanos, Nanos)>,
    seconds: Vec<Series<f32>>,
}

impl SignalMeter {
    /// About how many bytes are held that copies do not share.
    pub(crate) fn own_bytes(&self) -> usize {
        let samples: usize =
            self.radios.iter().map(|radio| radio.own.recent.len() + radio.peer.recent.len()).sum();
        let seconds: usize = self.seconds.iter().map(Series::own_bytes).sum();
        seconds + samples * size_of::<(Nanos, u8)>() + size_of_val(self.radios.as_slice())
    }

    /// Takes a radio report or an RC input with a level.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry, context: &Context) {
        if sender.direction == Direction::Outbound {
            return;
        }
        self.follow(context);
        let (system, component) = (sender.system, sender.component);
        match *telemetry {
            Telemetry::Radio { rssi, remote_rssi, noise, remote_noise, older, .. } => {
                let key = RadioKey::sender(Report::RadioStatus, system, component);
                let Some(radio) = self.radio(at, key, sender.interface, older) else { return };
                if let Some(level) = rssi {
                    radio.own.take(at, level, noise);
                }
                let heard = !(remote_rssi == Some(0) && remote_noise == Some(0));
                if let Some(level) = remote_rssi.filter(|_| heard) {
                    radio.peer.take(at, level, remote_noise);
                }
            }
            Telemetry::RcInput { rssi, older, .. } if context.roles.vehicle() == Some(system) => {
                let key = RadioKey::sender(Report::RcChannels, system, component);
                let Some(radio) = self.radio(at, key, sender.interface, older) else { return };
                if let Some(level) = rssi {
                    radio.own.take(at, level, None);
                }
            }
            _ => {}
        }
    }

    /// The radio that a report belongs to; `None` where the report does not count.
    fn radio(&mut self, at: Nanos, key: RadioKey, interface: InterfaceId, older: bool) -> Option<&mut Radio> {
        let index = match self.radios.iter().position(|radio| radio.key == key) {
            Some(index) => index,
            None if self.has_room(key) || self.make_room(at, key) => {
                let (own, peer) = (SideSamples::default(), SideSamples::default());
                self.radios.push(Radio { key, interface, last: at, times: 0, older, own, peer });
                self.radios.len() - 1
            }
            None => return None,
        };
        let radio = &mut self.radios[index];
        if radio.interface != interface {
            if at - radio.last <= LATEST_WINDOW {
                return None;
            }
            radio.interface = interface;
        }
        if radio.older && !older {
            radio.older = false;
            radio.own = SideSamples::default();
            radio.peer = SideSamples::default();
        } else if older && !radio.older {
            return None;
        }
        radio.last = at;
        radio.times += 1;
        Some(radio)
    }

    /// Takes the kernel's own figure of a wireless card: level and noise in dBm.
    pub(crate) fn observe_card(
        &mut self,
        at: Nanos,
        interface: InterfaceId,
        name: &str,
        (level, noise): (i8, Option<i8>),
        context: &Context,
    ) {
        self.follow(context);
        if let Some(radio) = self.radio(at, RadioKey::card(name), interface, false) {
            radio.own.take(at, as_byte(level), noise.map(as_byte));
        }
    }

    /// Where links read their levels has changed in the profile.
    pub(crate) fn forget_sources(&mut self) {
        self.sources.clear();
    }

    /// Whether another radio of this kind may be kept.
    fn has_room(&self, key: RadioKey) -> bool {
        let most = if key.report.is_here() { MOST_RADIOS_HERE } else { MOST_RADIOS };
        self.radios.iter().filter(|radio| radio.key.report.is_here() == key.report.is_here()).count() < most
    }

    /// Forgets the radio of this kind that was silent for longest (see `heard_table`): none that a link reads its level from.
    fn make_room(&mut self, at: Nanos, key: RadioKey) -> bool {
        let rank = |key: RadioKey| match () {
            () if self.sources.iter().flatten().any(|source| source.key == key) => Rank::Own,
            () if !key.report.is_here() && self.vehicle == Some(key.system) => Rank::Kin,
            () => Rank::Stranger,
        };
        let may_go = |radio: &Radio| {
            let is_alike = radio.key.report.is_here() == key.report.is_here();
            is_alike && rank(radio.key).makes_room(radio.times < SMALL, at - radio.last, rank(key))
        };
        let may = (0..self.radios.len()).filter(|&place| may_go(&self.radios[place]));
        let longest = may.min_by_key(|&place| {
            let radio = &self.radios[place];
            (rank(radio.key), radio.times >= SMALL, radio.last, radio.key)
        });
        longest.map(|place| self.radios.remove(place)).is_some()
    }

    /// Takes what a receiver in monitor mode says of a transmitter's frame.
    pub(crate) fn observe_air(
        &mut self,
        at: Nanos,
        interface: InterfaceId,
        transmitter: Address,
        header: &radiotap::Header,
        context: &Context,
    ) {
        self.follow(context);
        let whole = header.whole();
        let mut take = |antenna, group: radiotap::Group| {
            let key = RadioKey::transmitter(transmitter, antenna);
            let Some(level) = group.signal_dbm else { return };
            let Some(radio) = self.radio(at, key, interface, false) else { return };
            radio.own.take(at, as_byte(level), group.noise_dbm.map(as_byte));
        };
        take(None, whole);
        let mut alone = true;
        for (antenna, group) in header.antennas() {
            alone = false;
            take(Some(antenna), group);
        }
        if alone && whole.antenna.is_some() {
            take(whole.antenna, whole);
        }
    }

    /// Something of the vehicle was heard: a radio here goes on reporting old levels when its far side is gone.
    #[inline]
    pub(crate) fn hear_far_side(&mut self, at: Nanos) {
        if let Some(before) = self.far_side.replace(at)
            && at - before > LATEST_WINDOW
        {
            if self.silences.len() >= MOST_SILENCES {
                self.silences.pop_front();
            }
            self.silences.push_back((before, at));
        }
    }

    /// Whether levels counted at an instant of the last minutes.
    fn is_far_side_heard(&self, at: Nanos) -> bool {
        let silences =
            self.silences.iter().copied().chain(self.far_side.map(|heard| (heard, Nanos(i64::MAX))));
        !silences.into_iter().any(|(from, to)| at < to && at - from > LATEST_WINDOW)
    }

    /// Keeps the links' sources in step with the profile, which may name more links as they are heard.
    #[inline]
    pub fn follow(&mut self, context: &Context) {
        let links = &context.profile.link;
        if self.sources.len() == links.len() && self.vehicle == context.roles.vehicle() {
            return;
        }
        self.vehicle = context.roles.vehicle();
        self.sources = links.iter().map(|link| LevelSource::of(link, context)).collect();
        self.seconds.resize(links.len(), NONE.clone());
    }

    /// A whole second since the first record has passed: keeps each link's level at that second.
    pub fn second(&mut self, at: Nanos, context: &Context) {
        self.follow(context);
        let Some(start) = context.start else { return };
        let Some(second) = (at - start).whole_secs().checked_sub(1) else { return };
        for link in 0..self.seconds.len() {
            let level = self.level(link, at).map(|level| level as f32);
            self.seconds[link].set(second, level.unwrap_or(f32::NAN));
        }
    }

    /// The samples behind a link's level. A receiver behind RC_CHANNELS may be any component of the vehicle.
    fn samples(&self, link: usize) -> Option<(LevelSource, &SideSamples)> {
        let source = self.sources.get(link).copied().flatten()?;
        let radio = self.radios.iter().find(|radio| source.reads(radio.key))?;
        Some((source, radio.side(source.side)))
    }

    /// The level of the profile's link number `link` at an instant of the last minutes: the median of the samples
    /// of the last second, else the latest of the last 2 s, else absent; absent too from 2 s after the far side was last
    /// heard.
    #[must_use]
    pub fn level(&self, link: usize, at: Nanos) -> Option<f64> {
        if !self.is_far_side_heard(at) {
            return None;
        }
        let (source, samples) = self.samples(link)?;
        samples.level(at).map(|raw| source.scaled(raw))
    }

    /// The level of a link's top code, where the radio goes no higher: see [`Tally::top`].
    #[must_use]
    pub fn top(&self, link: usize) -> Option<f64> {
        let (source, samples) = self.samples(link)?;
        samples.tally.top(source.scale).map(|code| source.scaled(f64::from(code)))
    }

    /// The level now is at its top code: it is at least that.
    #[must_use]
    pub fn is_at_top(&self, link: usize, at: Nanos) -> bool {
        self.level(link, at).zip(self.top(link)).is_some_and(|(level, top)| level >= top)
    }

    /// Trend of a link's level over the last 10 s; none at its top code, nor across it.
    #[must_use]
    pub fn trend(&self, link: usize, at: Nanos) -> Option<Trend> {
        let (source, samples) = self.samples(link)?;
        let top = self.top(link).unwrap_or(f64::INFINITY);
        let window: Vec<(Nanos, u8)> = samples.between(at - TREND_WINDOW, at).collect();
        let is_at_top = |(_, raw): &(Nanos, u8)| source.scaled(f64::from(*raw)) >= top;
        let below = window.iter().rposition(is_at_top).map_or(0, |last| last + 1);
        let window = window[below..].iter().copied();
        let points: Vec<(f64, f64)> =
            window.map(|(when, raw)| ((when - at).secs(), source.scaled(f64::from(raw)))).collect();
        trend_of(&points)
    }

    /// A link's level at each whole second since the first record (index 0: at 1 s).
    #[must_use]
    pub fn seconds(&self, link: usize) -> &Series<f32> {
        self.seconds.get(link).unwrap_or(&NONE)
    }

    /// One row per radio and direction, radios in the order of system and component.
    #[must_use]
    pub fn summary(&self, context: &Context) -> Vec<SignalSummary> {
        let mut radios: Vec<&Radio> = self.radios.iter().collect();
        radios.sort_by_key(|radio| {
            let key = radio.key;
            (key.report.is_here(), key.system, key.component, key)
        });
        let mut rows = Vec::new();
        for radio in radios {
            for down in [true, false] {
                rows.extend(self.row(radio, down, context));
            }
        }
        rows
    }

    fn row(&self, radio: &Radio, down: bool, context: &Context) -> Option<SignalSummary> {
        let key = radio.key;
        let side = if on_ground(key, context) == down { Side::Own } else { Side::Peer };
        let samples = radio.side(side);
        if samples.tally.samples() == 0 {
            return None;
        }
        let links = &context.profile.link;
        let by_level = (0..links.len()).find(|&link| {
            self.samples(link).is_some_and(|(source, _)| source.side == side && self.reads(link, radio))
        });
        if by_level.is_none() && (key.report == Report::RcChannels || self.is_sole_antenna(key)) {
            return None;
        }
        let named = by_level.or_else(|| (0..links.len()).find(|&link| self.reads(link, radio)));
        let link = named.map(|index| &links[index]);
        let here = key.report.is_here();
        let scale = if here { Some(DBM_BYTES) } else { link.and_then(|link| link.level) };
        let figures = samples.tally.figures(scale);
        Some(SignalSummary {
            link: link.map(|link| link.name.clone()),
            system: (!here).then_some(key.system),
            component: (!here).then_some(key.component),
            radio: key.name(),
            antenna: key.antenna,
            source: key.report,
            direction: if down { SignalDirection::Down } else { SignalDirection::Up },
            unit: if here { LevelUnit::Dbm } else { link.map_or(LevelUnit::Raw, LinkProfile::unit) },
            samples: samples.tally.samples(),
            median: figures.median,
            p05: figures.p05,
            min: figures.min,
            noise_median: figures.noise_median,
            snr_median_db: figures.snr_median_db,
        })
    }

    /// Whether a link's level is read from this radio, from either side.
    fn reads(&self, link: usize, radio: &Radio) -> bool {
        self.sources.get(link).copied().flatten().is_some_and(|source| source.reads(radio.key))
    }

    /// One antenna that says what the whole says, since there is no other.
    fn is_sole_antenna(&self, key: RadioKey) -> bool {
        let same = |radio: &&Radio| radio.key.antenna.is_some() && radio.key.is_beside(key);
        key.antenna.is_some() && self.radios.iter().filter(same).count() < 2
    }

    /// A link's levels, one a column: from raw samples where columns are narrow and those are kept for
    /// all of the window, else (and where a narrow column has no sample) from the levels at whole seconds.
    #[must_use]
    pub fn cells(&self, link: usize, context: &Context, view: View) -> Vec<Option<LevelCell>> {
        let Some(start) = context.start else { return vec![None; usize::from(view.columns)] };
        let raw = self.samples(link).filter(|(_, samples)| {
            let kept = samples.recent.front().map_or(0.0, |&(at, _)| (at - start).secs());
            view.column_s() < 1.0
                && (samples.recent.len() as u64 == samples.tally.samples() || kept <= view.from_s)
        });
        match raw {
            Some((source, samples)) => {
                let from = start + Nanos::from_secs_f64(view.from_s) - Nanos(1);
                let to = start + Nanos::from_secs_f64(view.to_s);
                let points = samples
                    .between(from, to)
                    .map(|(at, level)| ((at - start).secs(), source.scaled(f64::from(level))));
                let by_second = cells::of_seconds(self.seconds(link), view);
                cells::of_points(points, view).into_iter().zip(by_second).map(|(a, b)| a.or(b)).collect()
            }
            None => cells::of_seconds(self.seconds(link), view),
        }
    }
}

/// A level in dBm as it is kept.
const fn as_byte(dbm: i8) -> u8 {
    (dbm as i16 + 128) as u8
}

/// The trend of points (seconds, level) in order of time.
fn trend_of(points: &[(f64, f64)]) -> Option<Trend> {
    if points.len() < LEAST_TREND_SAMPLES {
        return None;
    }
    let thinned = if points.len() > MOST_TREND_SAMPLES { tenths(points) } else { points.to_vec() };
    let (x, y): (Vec<f64>, Vec<f64>) = thinned.iter().copied().unzip();
    Some(Trend { per_s: theil_sen::slope(&x, &y)?, samples: points.len() })
}

/// Medians of 0.1 s.
fn tenths(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    points
        .chunk_by(|a, b| (a.0 * 10.0).floor() == (b.0 * 10.0).floor())
        .filter_map(|chunk| {
            let (x, y): (Vec<f64>, Vec<f64>) = chunk.iter().copied().unzip();
            quantile::median(&x).zip(quantile::median(&y))
        })
        .collect()
}
