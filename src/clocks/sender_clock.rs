//! One sender's clock: its epochs, their pieces, and the fits over them.

use crate::stats::curve_fit::lower_hull::LowerHull;
use crate::summary::{ClockMethod, ClockSummary, ExchangesFrom};
use crate::units::Nanos;
use crate::wire::telemetry::BootStamp;

use super::exchange::{Corridor, Middle};
use super::stamps::{BootTime, Unwrapper};
use super::{MOST_EPOCHS, MOST_PIECES};

/// Half of the longest span of one line.
const PIECE: Nanos = Nanos::from_secs(300);
/// Exchanges before they speak.
const FEWEST_EXCHANGES: u64 = 3;
/// TIMESYNC and boot clock closer than this run on one epoch: two that start apart differ by far more.
const SAME_EPOCH_MS: f64 = 40.0;
/// A jump of the TIMESYNC clock against host time that means a restart.
const RESTART: Nanos = Nanos::from_secs(1);
/// RFC 5905's PHI: a clock left alone drifts by no more.
const PHI: f64 = 15e-6;

/// A boot stamp on host time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HostTime {
    /// When.
    pub at: Nanos,
    /// Systematic error bound; `None` where the least delay is unknown.
    pub uncertainty_ms: Option<f64>,
    /// How it was found.
    pub method: ClockMethod,
}

/// One-way points of one epoch of the boot clock.
#[derive(Clone, Debug)]
struct Epoch {
    boot_zero: Nanos,
    host_zero: Nanos,
    newest: (Nanos, Nanos),
    shift: Nanos,
    pieces: Vec<LowerHull>,
}

/// Exchanges of one epoch of the TIMESYNC clock.
#[derive(Clone, Debug)]
struct Exchanges {
    remote_zero: Nanos,
    host_zero: Nanos,
    newest: (Nanos, Nanos),
    count: u64,
    from: ExchangesFrom,
    pieces: Vec<Corridor>,
}

/// One sender's clock.
#[derive(Clone, Debug, Default)]
pub(super) struct SenderClock {
    unwrapper: Unwrapper,
    newest: Option<BootTime>,
    epochs: Vec<Epoch>,
    exchanges: Vec<Exchanges>,
}

impl SenderClock {
    pub(super) fn observe_stamp(&mut self, at: Nanos, stamp: BootStamp) {
        self.newest = self.unwrapper.unwrap(at, stamp);
        let Some(boot) = self.newest else { return };
        let index = boot.epoch as usize;
        if index >= MOST_EPOCHS {
            self.newest = None;
            return;
        }
        if index >= self.epochs.len() {
            self.epochs.push(Epoch {
                boot_zero: boot.since_boot,
                host_zero: at,
                newest: (boot.since_boot, at),
                shift: Nanos::ZERO,
                pieces: Vec::new(),
            });
        }
        let shift = self.unwrapper.shift();
        let Some(epoch) = self.epochs.last_mut() else { return };
        epoch.shift = shift;
        if at >= epoch.newest.1 {
            epoch.newest = (boot.since_boot.max(epoch.newest.0), at);
        }
        let host = at - epoch.host_zero;
        let delay = host - (boot.since_boot - epoch.boot_zero);
        if let Some(piece) = piece_at(&mut epoch.pieces, host) {
            piece.push(host.millis(), delay.millis());
        }
    }

    pub(super) fn observe_exchange(
        &mut self,
        sent: Nanos,
        remote: Nanos,
        arrived: Nanos,
        from: ExchangesFrom,
    ) {
        let restarted = self.exchanges.last().is_none_or(|epoch| {
            let passed = arrived - epoch.newest.1;
            (remote - epoch.newest.0).abs_diff(passed) > RESTART + Nanos(passed.0 / 1000)
        });
        if restarted {
            if self.exchanges.len() >= MOST_EPOCHS {
                return;
            }
            self.exchanges.push(Exchanges {
                remote_zero: remote,
                host_zero: sent,
                newest: (remote, arrived),
                count: 0,
                from,
                pieces: Vec::new(),
            });
        }
        let Some(epoch) = self.exchanges.last_mut() else { return };
        epoch.newest = (remote, arrived);
        epoch.count += 1;
        let zero = epoch.host_zero;
        if let Some(piece) = piece_at(&mut epoch.pieces, sent - zero) {
            piece.push(
                (sent - zero).millis(),
                (remote - epoch.remote_zero).millis(),
                (arrived - zero).millis(),
            );
        }
    }

    pub(super) const fn newest(&self) -> Option<BootTime> {
        self.newest
    }

    /// The exchanges that lie in an epoch of the boot clock.
    fn exchanges_of(&self, epoch: &Epoch) -> Option<&Exchanges> {
        let overlap = |exchanges: &Exchanges| {
            (exchanges.newest.1.min(epoch.newest.1) - exchanges.host_zero.max(epoch.host_zero)).0
        };
        self.exchanges
            .iter()
            .filter(|exchanges| exchanges.count >= FEWEST_EXCHANGES && overlap(exchanges) > 0)
            .max_by_key(|exchanges| overlap(exchanges))
    }

    pub(super) fn timeline(&self) -> Timeline {
        Timeline {
            epochs: self.epochs.iter().map(|epoch| EpochFit::new(epoch, self.exchanges_of(epoch))).collect(),
        }
    }

    pub(super) fn summary(&self, (system, component): (u8, u8), start: Nanos) -> Option<ClockSummary> {
        let epoch = self.epochs.last()?;
        let exchanges = self.exchanges_of(epoch);
        let fit = EpochFit::new(epoch, exchanges);
        let middle = epoch.boot_zero + Nanos((epoch.newest.0 - epoch.boot_zero).0 / 2);
        let host = fit.to_host(middle)?;
        Some(ClockSummary {
            system,
            component,
            method: host.method,
            offset_ms: ((host.at - start) - (middle + epoch.shift)).millis(),
            skew_ppm: fit.mean_skew() * 1e6,
            uncertainty_ms: host.uncertainty_ms,
            rtt_min_ms: fit.least_round_trip,
            exchanges_from: exchanges.filter(|_| host.method == ClockMethod::TwoWay).map(|each| each.from),
        })
    }
}

/// The piece that a time since the epoch's start lies in; `None` beyond the bound.
fn piece_at<T: Default>(pieces: &mut Vec<T>, since: Nanos) -> Option<&mut T> {
    let index = usize::try_from(since.0.max(0) / PIECE.0).ok()?;
    if index >= MOST_PIECES {
        return None;
    }
    while pieces.len() <= index {
        pieces.push(T::default());
    }
    pieces.get_mut(index)
}

/// A sender's fits as they stand.
#[derive(Clone, Debug)]
pub struct Timeline {
    epochs: Vec<EpochFit>,
}

impl Timeline {
    /// The host time at which the clock showed a stamp.
    #[must_use]
    pub fn to_host(&self, boot: BootTime) -> Option<HostTime> {
        self.epochs.get(boot.epoch as usize)?.to_host(boot.since_boot)
    }
}

#[derive(Clone, Debug)]
struct EpochFit {
    boot_zero: Nanos,
    host_zero: Nanos,
    one_way: Vec<Option<LowerHull>>,
    two_way: Vec<Option<TwoWayFit>>,
    /// Boot time and host time at which the two-way coordinates are zero.
    two_way_zero: (Nanos, Nanos),
    least_round_trip: Option<f64>,
}

#[derive(Clone, Copy, Debug)]
struct TwoWayFit {
    middle: Middle,
    /// TIMESYNC clock less boot clock, beyond the zeros.
    tie_ms: f64,
    uncertainty_ms: f64,
    /// First and last exchange of the piece, since the zero.
    span_ms: (f64, f64),
}

impl EpochFit {
    fn new(epoch: &Epoch, exchanges: Option<&Exchanges>) -> Self {
        let hulls = joined(&epoch.pieces, LowerHull::joined);
        let one_way: Vec<Option<LowerHull>> =
            hulls.into_iter().map(|hull| (hull.count() > 0).then_some(hull)).collect();
        let mut fit = Self {
            boot_zero: epoch.boot_zero,
            host_zero: epoch.host_zero,
            one_way,
            two_way: Vec::new(),
            two_way_zero: (Nanos::ZERO, Nanos::ZERO),
            least_round_trip: None,
        };
        if let Some(exchanges) = exchanges {
            fit.two_way_zero = (exchanges.remote_zero, exchanges.host_zero);
            let corridors = joined(&exchanges.pieces, Corridor::joined);
            fit.least_round_trip =
                corridors.iter().filter_map(|corridor| corridor.least_round_trip).min_by(f64::total_cmp);
            fit.two_way = corridors.iter().map(|corridor| fit.two_way_piece(corridor)).collect();
        }
        fit
    }

    fn two_way_piece(&self, corridor: &Corridor) -> Option<TwoWayFit> {
        let middle = corridor.middle()?;
        let round_trip = corridor.least_round_trip?;
        let vertices = corridor.forward.vertices();
        let span_ms = (vertices.first()?.0, vertices.last()?.0);
        let (tie_ms, residual) = self.tie(corridor, middle)?;
        Some(TwoWayFit { middle, tie_ms, uncertainty_ms: round_trip / 2.0 + residual, span_ms })
    }

    /// TIMESYNC clock less boot clock, from the lines under both; and that fit's residual.
    fn tie(&self, corridor: &Corridor, middle: Middle) -> Option<(f64, f64)> {
        let centre = corridor.backward.mean_x()?;
        // The same instant since the boot epoch's first arrival.
        let host = self.two_way_zero.1 + Nanos::from_secs_f64(centre / 1e3);
        let here = (host - self.host_zero).millis();
        let hull = self.one_way.get(self.piece_index(here)).or_else(|| self.one_way.last())?.as_ref()?;
        let replies = corridor.backward.line_with_slope(-middle.skew)?;
        let frames = hull.line_with_slope(-middle.skew)?;
        let zeros = (self.host_zero - self.boot_zero) - (self.two_way_zero.1 - self.two_way_zero.0);
        let apart = zeros.millis() + frames.at(here) - replies.at(centre);
        if apart.abs() < SAME_EPOCH_MS {
            return Some((0.0, 0.0));
        }
        // How far the points that nearly touch each line stand above it: the fit's own error.
        let above = |hull: &LowerHull, line: crate::stats::curve_fit::lower_hull::Line| {
            let mut gaps: Vec<f64> = hull.vertices().iter().map(|&(x, y)| y - line.at(x)).collect();
            gaps.sort_by(f64::total_cmp);
            gaps.get(2).or(gaps.last()).copied().unwrap_or(0.0)
        };
        Some((apart, above(hull, frames) + above(&corridor.backward, replies)))
    }

    fn piece_index(&self, since_ms: f64) -> usize {
        let index = (since_ms.max(0.0) / PIECE.millis()) as usize;
        index.min(self.one_way.len().saturating_sub(1))
    }

    fn to_host(&self, boot: Nanos) -> Option<HostTime> {
        self.two_way_at(boot).or_else(|| self.one_way_at(boot))
    }

    fn one_way_at(&self, boot: Nanos) -> Option<HostTime> {
        let since = (boot - self.boot_zero).millis();
        let index = self.piece_index(since);
        let hull = nearest_known(&self.one_way, index)?;
        let at = self.host_zero + Nanos::from_secs_f64((since + hull.at(since)?) / 1e3);
        Some(HostTime { at, uncertainty_ms: None, method: ClockMethod::OneWay })
    }

    fn two_way_at(&self, boot: Nanos) -> Option<HostTime> {
        if self.two_way.is_empty() {
            return None;
        }
        let rough = (boot - self.two_way_zero.0).millis();
        let fit_near = |remote: f64| {
            let index = ((remote.max(0.0) / PIECE.millis()) as usize).min(self.two_way.len() - 1);
            nearest_known(&self.two_way, index)
        };
        // The tie is the same for all pieces but for its fit; any piece's leads to the right one.
        let first = nearest_known(&self.two_way, 0)?;
        let fit = fit_near(rough + first.tie_ms)?;
        let remote = rough + fit.tie_ms;
        let host = (remote - fit.middle.offset) / (1.0 + fit.middle.skew);
        let outside = (fit.span_ms.0 - host).max(host - fit.span_ms.1).max(0.0);
        let at = self.two_way_zero.1 + Nanos::from_secs_f64(host / 1e3);
        let uncertainty_ms = Some(fit.uncertainty_ms + PHI * outside);
        Some(HostTime { at, uncertainty_ms, method: ClockMethod::TwoWay })
    }

    fn mean_skew(&self) -> f64 {
        let two_way: Vec<f64> = self.two_way.iter().flatten().map(|fit| fit.middle.skew).collect();
        let skews = if two_way.is_empty() {
            self.one_way.iter().flatten().filter_map(|hull| Some(-hull.line()?.slope)).collect()
        } else {
            two_way
        };
        if skews.is_empty() { 0.0 } else { skews.iter().sum::<f64>() / skews.len() as f64 }
    }
}

/// Each piece together with the one before it (the first with the one after).
fn joined<T: Clone>(pieces: &[T], join: impl Fn(&T, &T) -> T) -> Vec<T> {
    (0..pieces.len())
        .map(|index| {
            let (first, second) = if index == 0 { (0, 1) } else { (index - 1, index) };
            pieces.get(second).map_or_else(|| pieces[first].clone(), |later| join(&pieces[first], later))
        })
        .collect()
}

/// The entry at an index, else the nearest one that is known.
fn nearest_known<T>(entries: &[Option<T>], index: usize) -> Option<&T> {
    (0..entries.len()).find_map(|distance| {
        let before = index.checked_sub(distance).and_then(|at| entries.get(at)?.as_ref());
        before.or_else(|| entries.get(index + distance)?.as_ref())
    })
}
