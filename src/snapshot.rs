//! What screens draw: one bounded picture of the session at one instant.
//!
//! Everything here is a finished figure, or a row of cells, one a column of the
//! window that was asked for. Screens scale and format, they compute nothing.
//! Times are seconds from the first record unless they are named otherwise.

use std::ops::Range;
use std::sync::Arc;

use crate::profile::LinkRole;
use crate::summary::{
    BurstModel, EventSummary, LossDistances, LossPeriods, Phase, RatioEstimate, Reason, StickAdvice,
    Strained, Summary, Verdict, VideoSource,
};
use crate::units::LevelUnit;

pub use crate::summary::{LatencyMovement as Movement, LinkState};

/// A window of time, cut into equal columns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// Left edge, seconds from the first record; may be negative in a young session.
    pub from_s: f64,
    /// Right edge.
    pub to_s: f64,
    /// Columns; 1 to 512.
    pub columns: u16,
}

impl View {
    /// The width of one column in seconds.
    #[must_use]
    pub fn column_s(&self) -> f64 {
        (self.to_s - self.from_s) / f64::from(self.columns.max(1))
    }

    /// The column that holds an instant.
    #[must_use]
    pub fn column_of(&self, at_s: f64) -> Option<usize> {
        if at_s < self.from_s || at_s >= self.to_s {
            return None;
        }
        let column = ((at_s - self.from_s) / self.column_s()) as usize;
        (column < usize::from(self.columns)).then_some(column)
    }

    /// The columns that a span touches.
    #[must_use]
    pub fn columns_of(&self, from_s: f64, to_s: f64) -> Range<usize> {
        let column = |at_s: f64| (at_s - self.from_s) / self.column_s();
        let most = f64::from(self.columns);
        let (first, last) = (column(from_s).floor().clamp(0.0, most), column(to_s).ceil().clamp(0.0, most));
        if last > first { first as usize..last as usize } else { 0..0 }
    }

    /// The columns that show what is kept of a span as one: those whose middles lie in it where columns are
    /// finer than it, else the one that holds its start. Spans side by side share no column then.
    #[must_use]
    pub fn columns_showing(&self, from_s: f64, to_s: f64) -> Range<usize> {
        // The window's edges are rounded: that alone makes no column finer.
        if self.column_s() < (to_s - from_s) * (1.0 - 1e-6) {
            let half = self.column_s() / 2.0;
            let middles = |edge_s: f64| ((edge_s - half - self.from_s) / self.column_s()).ceil();
            let within = |column: f64| column.clamp(0.0, f64::from(self.columns)) as usize;
            return within(middles(from_s))..within(middles(to_s));
        }
        self.column_of(from_s).map_or(0..0, |first| {
            let after = first + 1;
            first..after
        })
    }
}

/// The upper edge of the bin (lower edge, upper edge, share) in which the 99th percentile lies; `None` without bins.
#[must_use]
pub fn usual_end(bins: &[(f64, f64, f64)]) -> Option<f64> {
    let all: f64 = bins.iter().map(|bin| bin.2).sum();
    let mut below = 0.0;
    let found = bins.iter().find(|bin| {
        below += bin.2;
        below >= 0.99 * all
    });
    found.map(|bin| bin.1)
}

/// Levels within one column.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelCell {
    /// Smallest.
    pub min: f64,
    /// Mean.
    pub mean: f64,
    /// Largest.
    pub max: f64,
}

/// Traffic within one column.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LossCell {
    /// Frames or packets received.
    pub received: u32,
    /// Lost.
    pub lost: u32,
    /// No number says what was lost.
    pub untold: bool,
    /// Part of it is an outage: silent for longer than the sender's habit.
    pub outage: bool,
    /// This computer lost data here itself.
    pub host_drop: bool,
}

impl LossCell {
    /// Lost share; `None` where nothing was expected, or nothing can be told.
    #[must_use]
    pub fn ratio(&self) -> Option<f64> {
        let expected = f64::from(self.received) + f64::from(self.lost);
        (expected > 0.0 && !self.untold).then(|| f64::from(self.lost) / expected)
    }
}

/// Loss figures of a window.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WindowLoss {
    /// Received, in whole seconds.
    pub received: u64,
    /// Lost; `None` where no sender's numbers can be followed.
    pub lost: Option<u64>,
    /// lost / (received + lost); `None` where nothing came or the window begins before what is kept.
    pub loss: Option<RatioEstimate>,
    /// RFC 3357; `None` where it is not kept that far back.
    pub loss_periods: Option<LossPeriods>,
    /// RFC 3357.
    pub loss_distances: Option<LossDistances>,
    /// How long spells with and without loss last.
    pub burst_model: Option<BurstModel>,
    /// How many loss periods have which length.
    pub burst_lengths: Vec<(u32, u64)>,
    /// The longest silence, cut at the window's edges; of one sender.
    pub longest_silence_s: Option<f64>,
    /// Share of its whole seconds with data.
    pub availability_ratio: Option<f64>,
}

/// What a lane lacks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Missing {
    /// A level: the profile names no radio.
    Radio,
    /// A level: the radio has not reported yet.
    Report,
    /// A limit: no earlier session showed one.
    Limit,
}

/// One link over the window.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lane {
    /// The link's name.
    pub link: String,
    /// What it is for; `None` where no profile says.
    pub role: Option<LinkRole>,
    /// Unit of its levels; `None` where it has no level at all.
    pub unit: Option<LevelUnit>,
    /// In one word.
    pub state: LinkState,
    /// Level now; where there is a margin, at the whole second that the margin is of.
    pub level_now: Option<f64>,
    /// Trend of the level over the last 10 s, per second.
    pub trend_per_s: Option<f64>,
    /// Level less threshold, now.
    pub margin_now: Option<f64>,
    /// Time until the threshold at this rate.
    pub seconds_left: Option<f64>,
    /// Distance until the threshold, if the pilot keeps going.
    pub metres_left: Option<f64>,
    /// Its interval, by that of the predicted distance; `None` where there is none.
    pub metres_left_ci95: Option<[f64; 2]>,
    /// The freeze limit (`level_p05`) from earlier sessions.
    pub threshold: Option<f64>,
    /// Why there is no level or no threshold.
    pub missing: Option<Missing>,
    /// Levels, one a column.
    pub level: Vec<Option<LevelCell>>,
    /// Traffic, one a column; empty where the link's loss is not measured.
    pub loss: Vec<LossCell>,
    /// Loss over the session.
    pub loss_so_far: Option<RatioEstimate>,
    /// Loss of its senders within the window.
    pub window: Option<WindowLoss>,
    /// The picture was frozen (video), or the input held (control), one a column.
    pub frozen: Vec<bool>,
    /// Acknowledged by the pilot: no bell.
    pub acknowledged: bool,
    /// What calls for the pilot and was not acknowledged.
    pub unacknowledged: Option<Unacknowledged>,
    /// Margins under which it alarms and warns; `None`: it has no such limits.
    pub limits: Option<[f64; 2]>,
}

/// An alarm that nobody has acknowledged: it stands, or it cleared within the last 10 s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unacknowledged {
    /// Alarm or failing; the last before it cleared.
    pub state: LinkState,
    /// So long ago it began.
    pub ago_s: f64,
}

/// One sender over the window.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SenderLane {
    /// Index into `Summary::streams`; `None` for a video stream.
    pub stream: Option<usize>,
    /// Interface, system and component, for people.
    pub label: String,
    /// Traffic, one a column.
    pub cells: Vec<LossCell>,
    /// Its figures within the window; of a MAVLink sender.
    pub window: Option<WindowLoss>,
}

/// What limits a stage's precision.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LatencyLimit {
    /// This computer dated nothing.
    NoClock,
    /// The vehicle's clock is aligned one way only.
    OneWayClock,
    /// The vehicle's clock, by half the quickest round trip.
    RoundTrip {
        /// That half.
        clock_ms: f64,
    },
    /// Telemetry is sampled in step with the sticks.
    InStep {
        /// What cannot be placed.
        unlocated_ms: f64,
    },
    /// Telemetry is always sampled at the same moments of a movement.
    Schedule {
        /// What cannot be placed.
        unlocated_ms: f64,
    },
    /// The cross-correlation says something else.
    SecondMethod {
        /// Its lag.
        lag_ms: f64,
    },
    /// No median yet.
    FewMoves {
        /// Movements still needed.
        needed: u64,
    },
    /// Telemetry comes seldom.
    Rate,
    /// Nothing else than the number of movements.
    Moves {
        /// So many.
        events: u64,
        /// What they give, either way.
        width_ms: f64,
    },
}

/// One stage of the latency, for drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StageView {
    /// Estimated distribution: lower edge, upper edge in ms, share.
    pub bins: Vec<(f64, f64, f64)>,
    /// Median over the session: seconds, ms.
    pub drift: Vec<(f64, f64)>,
    /// What limits the precision now.
    pub limited_by: Option<LatencyLimit>,
    /// Why it is not measured.
    pub missing: Option<Reason>,
}

/// Latency, for drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LatencyView {
    /// Stick to servo, stick to input, input to servo.
    pub stages: [StageView; 3],
    /// The last movement.
    pub movement: Option<Movement>,
    /// What this figure does and does not cover, for the foot of the page.
    pub glass_to_glass_ms: Option<f64>,
    /// Its 95 % interval, where it was entered.
    pub glass_to_glass_ci95_ms: Option<[f64; 2]>,
}

/// Frame intervals of the video, for drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct VideoView {
    /// Which source speaks; `None`: neither yet.
    pub source: Option<VideoSource>,
    /// Longest interval between delivered frames in each column, ms.
    pub interval_ms: Vec<Option<f64>>,
    /// The freeze rule's limit, ms, at the end of the window.
    pub limit_ms: Option<f64>,
    /// Packets, one a column.
    pub packets: Vec<LossCell>,
    /// Bit rate over the last 5 s.
    pub bit_rate_mbps: Option<f64>,
    /// Seconds since the last delivered frame, where that is a freeze.
    pub frozen_for_s: Option<f64>,
    /// Ports on which RTP comes, where none of it is the profile's video link.
    pub other_ports: Vec<u16>,
}

/// One bin of distance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DistanceBin {
    /// Near edge.
    pub from_m: f64,
    /// Far edge.
    pub to_m: f64,
    /// Seconds of data.
    pub seconds: f64,
    /// Median level.
    pub level: Option<f64>,
    /// Lost share.
    pub loss_ratio: Option<f64>,
    /// Passed the link's rule; `None`: not measured.
    pub passed: Option<bool>,
}

/// A place of the vehicle's way, and how the link did there.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TrackPoint {
    /// East of the handset, m.
    pub east_m: f64,
    /// North of it, m.
    pub north_m: f64,
    /// Smallest level.
    pub level: Option<f64>,
    /// Smallest margin.
    pub margin: Option<f64>,
    /// What the link's limits say of that margin.
    pub state: LinkState,
    /// The link's rule for proven range failed: frozen, lost, held or in failsafe.
    pub failed: bool,
}

/// Level against distance, for drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RangeView {
    /// The link.
    pub link: String,
    /// Bins, near to far.
    pub bins: Vec<DistanceBin>,
    /// Points for the plot: distance in m, level.
    pub points: Vec<(f64, f64)>,
    /// Theory: distance in m, level in free space, over flat ground; empty where it cannot be compared.
    pub theory: Vec<(f64, f64, Option<f64>)>,
    /// The vehicle's way, in order of time.
    pub track: Vec<TrackPoint>,
    /// The track is counted from the handset, not from its own first place.
    pub handset_known: bool,
    /// The vehicle now, metres east and north.
    pub here: Option<[f64; 2]>,
    /// Why there is no distance.
    pub missing: Option<Reason>,
}

/// What lay behind a bad picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Suspicion {
    /// The margin was under the link's warning limit; `None`: no margin there.
    pub radio: Option<bool>,
    /// A level was above the limit, or clipping; `None`: no sample there.
    pub airframe: Option<bool>,
}

/// By whose word vibration is high.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitBasis {
    /// The profile's.
    Profile,
    /// That of so many earlier sessions.
    Earlier(u64),
    /// This session's own.
    Session,
}

/// Vibration over the window, for drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct VibrationView {
    /// Largest of each axis in each column.
    pub axes: [Vec<Option<f64>>; 3],
    /// Clipping in each column.
    pub clipping: Vec<u32>,
    /// The limit, by the profile or earlier sessions.
    pub limit: Option<f64>,
    /// Whose limit what is around was held against; `None`: no limit is known.
    pub basis: Option<LimitBasis>,
    /// Around each freeze or mark up to the window's end, the newest where there are many.
    pub around: Vec<(f64, Suspicion)>,
    /// Why there is none.
    pub missing: Option<Reason>,
    /// Of an inertial sensor.
    pub spectrum: Option<SpectrumView>,
}

/// A spectrum for drawing: 64 bands from 0 to the highest frequency, all axes together, in dB (of 1 squared unit a hertz).
#[derive(Clone, Debug, PartialEq)]
pub struct SpectrumView {
    /// Half the rate.
    pub highest_hz: f64,
    /// The mean of the session.
    pub session: [Option<i16>; 64],
    /// That of each column of the window.
    pub columns: Vec<Option<[Option<i16>; 64]>>,
    /// Turns of the motors a second in each column, the mean.
    pub motor_hz: Vec<Option<f64>>,
}

/// The state of one source.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceState {
    /// The interface's name.
    pub interface: String,
    /// Where it is read from.
    pub description: Option<String>,
    /// Why it is down, and since when; `None`: up.
    pub down: Option<(f64, String)>,
    /// Seconds since its last bytes; `None`: none yet.
    pub silent_s: Option<f64>,
    /// Bytes received.
    pub bytes: u64,
    /// For 5 s bytes came, and nothing that can be read.
    pub is_unread: bool,
    /// What this computer lost of it.
    pub host_drops: Option<u64>,
}

/// The newest positions, microseconds; `None`: not reported.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Echo {
    /// RC channels 1 to 18, as the vehicle reports them.
    pub inputs: [Option<u16>; 18],
    /// Its outputs 1 to 16.
    pub outputs: [Option<u16>; 16],
}

/// One picture of the session.
#[derive(Clone, Debug)]
pub struct Snapshot {
    /// The window that the columns cover.
    pub view: View,
    /// Now, seconds from the first record.
    pub now_s: f64,
    /// The figures; they may be a little older than the picture.
    pub summary: Arc<Summary>,
    /// How things stand at this instant, the most pressing first.
    pub verdicts: Vec<Verdict>,
    /// One a link, in the profile's order.
    pub lanes: Vec<Lane>,
    /// One a sender.
    pub senders: Vec<SenderLane>,
    /// Latency.
    pub latency: LatencyView,
    /// Video.
    pub video: VideoView,
    /// One a link with distances.
    pub range: Vec<RangeView>,
    /// Vibration.
    pub vibration: VibrationView,
    /// Marks and events within the window.
    pub marks: Vec<EventSummary>,
    /// Sources.
    pub sources: Vec<SourceState>,
    /// Whether the pilot can be asked to move sticks.
    pub sticks: StickAdvice,
    /// What this program transmits, or that it is in the path.
    pub transmits: Vec<String>,
    /// What strains this computer now.
    pub strains: Vec<Strained>,
    /// Distance from the handset now, slant.
    pub distance_m: Option<f64>,
    /// Where the vehicle is in its life now; `None` where no autopilot is heard.
    pub phase: Option<Phase>,
    /// Sticks and outputs now.
    pub echo: Echo,
}
