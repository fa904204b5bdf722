//! Two-way exchanges: RFC 5905 section 8, and the corridor between both ways.
//!
//! An exchange bounds the remote clock from both sides: what it read was sent after
//! the request and before the reply. Of many, those of least delay bind most (the
//! minimum filter of RFC 5905 section 10, here over a whole piece, with skew): the lower
//! hulls of both ways' apparent delays leave a corridor, and its middle is the offset.

use crate::stats::curve_fit::lower_hull::LowerHull;

/// Skew is searched within this: crystals of the trade stay well inside (common practice, no source).
const MOST_SKEW: f64 = 300e-6;

/// Offset (remote less local) and delay of one exchange, RFC 5905 section 8. Any unit.
#[must_use]
fn four_timestamps(t1: f64, t2: f64, t3: f64, t4: f64) -> (f64, f64) {
    let offset = 0.5 * ((t2 - t1) + (t3 - t4));
    let delay = (t4 - t1) - (t3 - t2);
    (offset, delay)
}

/// Both ways' apparent delays over a piece of time, in ms.
#[derive(Clone, Debug, Default)]
pub(super) struct Corridor {
    /// At sending: remote reading less sending time.
    pub(super) forward: LowerHull,
    /// At arrival: arrival less remote reading.
    pub(super) backward: LowerHull,
    /// Smallest round trip.
    pub(super) least_round_trip: Option<f64>,
}

/// Offset and skew of a corridor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Middle {
    /// Remote less local at time 0.
    pub(super) offset: f64,
    /// Remote seconds gained a second.
    pub(super) skew: f64,
}

impl Corridor {
    /// Takes an exchange whose remote clock was read once.
    pub(super) fn push(&mut self, sent: f64, remote: f64, arrived: f64) {
        let (_, delay) = four_timestamps(sent, remote, remote, arrived);
        if delay < 0.0 {
            return;
        }
        self.forward.push(sent, remote - sent);
        self.backward.push(arrived, arrived - remote);
        self.least_round_trip = Some(self.least_round_trip.map_or(delay, |least| least.min(delay)));
    }

    pub(super) fn joined(&self, later: &Self) -> Self {
        let least = self.least_round_trip.into_iter().chain(later.least_round_trip).min_by(f64::total_cmp);
        Self {
            forward: self.forward.joined(&later.forward),
            backward: self.backward.joined(&later.backward),
            least_round_trip: least,
        }
    }

    /// The middle of the widest straight corridor: the width as a function of the skew is concave.
    pub(super) fn middle(&self) -> Option<Middle> {
        let centre = self.forward.mean_x()?;
        let width = |skew: f64| {
            let forward = self.forward.line_with_slope(skew).map_or(0.0, |line| line.at(centre));
            let backward = self.backward.line_with_slope(-skew).map_or(0.0, |line| line.at(centre));
            forward + backward
        };
        let (mut low, mut high) = (-MOST_SKEW, MOST_SKEW);
        for _ in 0..60 {
            let (first, second) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
            if width(first) < width(second) { low = first } else { high = second }
        }
        let skew = 0.5 * (low + high);
        let forward = self.forward.line_with_slope(skew)?;
        let backward = self.backward.line_with_slope(-skew)?;
        Some(Middle { offset: 0.5 * (forward.intercept - backward.intercept), skew })
    }
}

#[cfg(test)]
mod tests {
    use crate::clocks::exchange::*;

    fn vectors() -> serde_json::Value {
        serde_json::from_str(include_str!("../../tests/vectors/clock.json")).unwrap()
    }

    /// RFC 5905 section 8; numbers worked independently, see the vector's source.
    #[test]
    fn offset_and_delay_follow_rfc_5905() {
        for case in vectors()["four_timestamp"].as_array().unwrap() {
            let t = |index: usize| case["T"][index].as_f64().unwrap();
            let (offset, delay) = four_timestamps(t(0), t(1), t(2), t(3));
            assert!((offset - case["theta"].as_f64().unwrap()).abs() < 1e-9);
            assert!((delay - case["delta"].as_f64().unwrap()).abs() < 1e-9);
            let bound = case["error_bound"].as_f64().unwrap();
            assert!((delay / 2.0 - bound).abs() < 1e-9);
        }
    }

    /// The filter of RFC 5905 section 10 takes the sample of least delay; so does a corridor without skew.
    #[test]
    fn least_delay_decides_as_in_rfc_5905_s_filter() {
        let filter = &vectors()["clock_filter"];
        let mut corridor = Corridor::default();
        for (index, sample) in filter["samples_theta_delta_eps"].as_array().unwrap().iter().enumerate() {
            let (theta, delta) = (sample[0].as_f64().unwrap() * 1e3, sample[1].as_f64().unwrap() * 1e3);
            let sent = index as f64 * 0.001;
            corridor.push(sent, sent + theta + delta / 2.0, sent + delta);
        }
        let least = corridor.least_round_trip.unwrap();
        assert!((least - filter["chosen_delta"].as_f64().unwrap() * 1e3).abs() < 1e-9);
        let middle = corridor.middle().unwrap();
        let bound = least / 2.0;
        assert!((middle.offset - filter["chosen_theta"].as_f64().unwrap() * 1e3).abs() <= bound);
    }

    /// The truth is the scenario's own: 40 ppm, delays of 10 ms and 10 ms plus exponential queues.
    #[test]
    fn corridor_finds_offset_and_skew() {
        let mut corridor = Corridor::default();
        let mut x: u64 = 99;
        let mut queue = || {
            x = x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            -4.0 * (1.0 - (x >> 11) as f64 / 2f64.powi(53)).ln()
        };
        for second in 0..120 {
            let sent = f64::from(second) * 1000.0;
            let there = sent + 10.0 + queue();
            corridor.push(sent, 5000.0 + there * (1.0 + 40e-6), there + 10.0 + queue());
        }
        let middle = corridor.middle().unwrap();
        assert!((middle.skew - 40e-6).abs() < 5e-6, "{}", middle.skew);
        let at_60_s = middle.offset + middle.skew * 60_000.0;
        assert!((at_60_s - 5002.4).abs() < 0.4, "{at_60_s}");
    }
}
