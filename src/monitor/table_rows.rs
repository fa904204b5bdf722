//! What tables hold beside the summary, as of the last record: places, stick moves, losses, spectra, and seconds in their
//! final form. Every figure is that of the meter that has it; nothing is measured here.

use crate::snapshot::View;
use crate::summary::SecondSummary;
use crate::units::Nanos;

use super::LinkMonitor;
use crate::measure::latency::MoveRow;
use crate::measure::vibration::{SpectrumDensity, WaterfallRow};

/// Seconds that are looked at together.
const CHUNK: u16 = 512;

/// The vehicle at a whole second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaceRow {
    /// Since the first record.
    pub at_s: f64,
    /// Degrees north.
    pub lat_deg: f64,
    /// Degrees east.
    pub lon_deg: f64,
    /// Above mean sea level.
    pub alt_m: f64,
    /// Where its nose points, from north.
    pub heading_deg: Option<f64>,
    /// From the handset, slant.
    pub distance_m: Option<f64>,
}

/// Numbers of one sender that were lost in a row.
#[derive(Clone, Debug, PartialEq)]
pub struct GapRow {
    /// When the first frame after them came.
    pub at_s: f64,
    /// Where it is heard.
    pub interface: String,
    /// System id.
    pub system: u8,
    /// Component id.
    pub component: u8,
    /// How many.
    pub lost: u64,
}

impl LinkMonitor {
    /// Seconds as they were told, with what later records changed: traffic, freezes, distances.
    #[must_use]
    pub fn settled(&self, mut seconds: Vec<SecondSummary>) -> Vec<SecondSummary> {
        let distances = self.range.seconds(&self.context);
        let chunk = |second: &SecondSummary| (second.at_s as u64 - 1) / u64::from(CHUNK);
        for together in seconds.chunk_by_mut(|one, other| chunk(one) == chunk(other)) {
            let from_s = (chunk(&together[0]) * u64::from(CHUNK)) as f64;
            let view = View { from_s, to_s: from_s + f64::from(CHUNK), columns: CHUNK };
            let (packets, frozen) = self.picture_columns(view);
            for index in 0..self.context.profile.link.len() {
                let (traffic, stood) = self.link_columns(index, view, (&packets, &frozen));
                let tells_frozen = self.tells_frozen(index);
                for second in &mut *together {
                    let place = (second.at_s - 1.0 - from_s) as usize;
                    let Some(link) = second.links.get_mut(index) else { continue };
                    let cell = traffic.get(place);
                    link.received = cell.map(|cell| cell.received);
                    link.lost = cell.filter(|cell| !cell.untold).map(|cell| cell.lost);
                    link.frozen = tells_frozen.then(|| stood[place]);
                }
            }
            for second in together {
                second.distance_m = distances.number(second.at_s as usize - 1).map(f64::from);
            }
        }
        seconds
    }

    /// The vehicle's places at whole seconds; silences of up to 10 s are bridged.
    #[must_use]
    pub fn places(&self) -> Vec<PlaceRow> {
        let distances = self.range.seconds(&self.context);
        let row = |(second, place): (usize, crate::measure::position::track::Place)| PlaceRow {
            at_s: (second + 1) as f64,
            lat_deg: place.lat_deg,
            lon_deg: place.lon_deg,
            alt_m: place.alt_m,
            heading_deg: self.range.track.heading(second).map(f64::from),
            distance_m: distances.number(second).map(f64::from),
        };
        self.range.track.places(0, usize::MAX).map(row).collect()
    }

    /// The stick movements that the latency rests on, in order of time.
    #[must_use]
    pub fn moves(&self) -> Vec<MoveRow> {
        self.latency.moves(&self.clocks, &self.context)
    }

    /// What was lost in a row, of every sender whose numbers can be followed, in order of time.
    #[must_use]
    pub fn gaps(&self) -> Vec<GapRow> {
        let context = &self.context;
        let mut rows = Vec::new();
        for (sender, after, lost) in self.loss.gap_rows() {
            rows.push(GapRow {
                at_s: context.since_start_s(after),
                interface: context.interface_name(sender.interface).to_owned(),
                system: sender.system,
                component: sender.component,
                lost,
            });
        }
        rows.sort_by(|one, other| one.at_s.total_cmp(&other.at_s));
        rows
    }

    /// The mean densities of the spectrum of an inertial sensor; `None` without one.
    #[must_use]
    pub fn spectrum_density(&self) -> Option<SpectrumDensity> {
        self.vibration.density()
    }

    /// That spectrum every 5 s.
    #[must_use]
    pub fn waterfall(&self) -> Vec<WaterfallRow> {
        self.vibration.waterfall()
    }

    /// When pictures were delivered after an instant, of the stream that is the link's by now; at most the newest 4096 are
    /// known.
    #[must_use]
    pub fn frames_after(&self, after: Nanos) -> Vec<Nanos> {
        self.video.frames_after(after, &self.context)
    }

    /// An instant in seconds from the first record.
    #[must_use]
    pub fn seconds_at(&self, at: Nanos) -> f64 {
        self.context.since_start_s(at)
    }
}
