//! The sender's clock as its frames show it: frame rate, jitter, and whether it is the format's at all.
//!
//! Jitter by RFC 3550, appendix A.8, in ticks: the mean over distinct packets of the running estimate. Frames that are
//! sent out of display order (B frames) have stamps that go back and forth: steps are summed with their sign, so that
//! what the clock went on in all is left, and a packet that was sent later but is shown earlier moves no estimate of
//! jitter. Unit: ticks. A gap, a late packet and a copy: as the standard has them. A restart begins anew.

use crate::units::Nanos;
use crate::wire::rtp::VIDEO_CLOCK_HZ;

/// Delivered frames and the time they took from which the rate of the sender's clock is known well enough.
const CLOCK_STEPS: u64 = 60;
const CLOCK_TIME: Nanos = Nanos::from_secs(2);
/// A clock that runs this many times faster or slower than RFC 6184 and RFC 7798 say is another one.
const CLOCK_OFF: f64 = 1.25;
/// Longer steps are jumps of the sender's clock.
const LONGEST_STEP: f64 = 10.0 * VIDEO_CLOCK_HZ;
/// No frame is shown longer before one that was sent earlier: further back the clock jumped.
const MOST_REORDERED: f64 = VIDEO_CLOCK_HZ;

/// Steps of the clock from frame to frame, and the jitter of the packets.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct FrameClock {
    ticks: i64,
    steps: u64,
    /// The same of steps that both ends of were delivered, with the time that they took here.
    paced: (u64, i64, Nanos),
    transit: Option<(Nanos, u32)>,
    /// The farthest stamp of packets in sequence.
    farthest: Option<u32>,
    jitter_ticks: f64,
    jitter_sum: f64,
    packets: u64,
}

impl FrameClock {
    /// From a frame's stamp to that of the one after it; `took`: where both were delivered.
    pub(super) fn step(&mut self, from: u32, to: u32, took: Option<Nanos>) {
        let ticks = to.wrapping_sub(from) as i32;
        if ticks == 0 || f64::from(ticks).abs() >= LONGEST_STEP {
            return;
        }
        self.ticks += i64::from(ticks);
        self.steps += 1;
        if let Some(took) = took {
            let (steps, sum, time) = self.paced;
            self.paced = (steps + 1, sum + i64::from(ticks), time + took);
        }
    }

    /// A packet came; `newest`: none with a higher number before it.
    pub(super) fn take(&mut self, at: Nanos, stamp: u32, newest: bool) {
        self.packets += 1;
        let ahead = |from: u32| f64::from(stamp.wrapping_sub(from) as i32);
        let is_shown_earlier =
            newest && self.farthest.is_some_and(|far| ahead(far) < 0.0 && ahead(far) > -MOST_REORDERED);
        if !is_shown_earlier {
            if let Some((before, sent)) = self.transit {
                let change = (at - before).secs() * VIDEO_CLOCK_HZ - ahead(sent);
                self.jitter_ticks += (change.abs() - self.jitter_ticks) / 16.0;
            }
            self.transit = Some((at, stamp));
            if newest {
                self.farthest = Some(stamp);
            }
        }
        self.jitter_sum += self.jitter_ticks;
    }

    /// The sender numbers anew.
    pub(super) const fn restart(&mut self) {
        self.transit = None;
        self.farthest = None;
    }

    /// What came so far was another stream's.
    pub(super) const fn forget_packets(&mut self) {
        self.restart();
        (self.packets, self.jitter_ticks, self.jitter_sum) = (0, 0.0, 0.0);
    }

    /// Frames a second of the sender's own clock.
    pub(super) fn frame_rate_hz(&self) -> Option<f64> {
        (self.ticks > 0 && self.other_hz().is_none())
            .then(|| VIDEO_CLOCK_HZ * self.steps as f64 / self.ticks as f64)
    }

    pub(super) fn jitter_ms(&self) -> Option<f64> {
        (self.packets > 1 && self.other_hz().is_none())
            .then(|| self.jitter_sum / self.packets as f64 / VIDEO_CLOCK_HZ * 1e3)
    }

    /// Ticks a second of the sender's clock by arrival, where it plainly is not the payload format's.
    pub(super) fn other_hz(&self) -> Option<f64> {
        let (steps, ticks, time) = self.paced;
        let hz = ticks as f64 / time.secs();
        let enough = steps >= CLOCK_STEPS && time >= CLOCK_TIME && ticks > 0;
        (enough && (hz / VIDEO_CLOCK_HZ).ln().abs() > CLOCK_OFF.ln()).then_some(hz)
    }

    /// Its rate as far as known.
    pub(super) fn hz(&self) -> f64 {
        self.other_hz().unwrap_or(VIDEO_CLOCK_HZ)
    }
}

#[cfg(test)]
mod tests {
    use crate::measure::video::frame_clock::*;

    /// tests/vectors/rtp_jitter.json: RFC 3550, appendix A.8, transcribed; the wrap example too.
    #[test]
    fn jitter_is_that_of_the_standard() {
        let vector: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/vectors/rtp_jitter.json")).unwrap();
        for (list, arrival) in [("example", "arrival_ts_units"), ("wrap_example", "arrival")] {
            let mut clock = FrameClock::default();
            for row in vector[list].as_array().unwrap() {
                let at = Nanos::from_secs_f64(row[arrival].as_f64().unwrap() / VIDEO_CLOCK_HZ);
                clock.take(at, row["rtp_ts"].as_u64().unwrap() as u32, true);
                // Stamps are whole ns, 1/11111 of a tick.
                let jitter = clock.jitter_ticks;
                assert!((jitter - row["J"].as_f64().unwrap()).abs() < 1e-3, "{row}: {jitter}");
            }
        }
    }

    /// Late packets move it as the standard says: by hand, |D| of 2 and of 4 steps of 3,000 ticks, a sixteenth each.
    #[test]
    fn a_late_packet_counts_as_in_the_standard() {
        let mut clock = FrameClock::default();
        let mut take = |frame: i64, arrival: i64, newest| {
            clock.take(Nanos(arrival * 33_333_333), (frame * 3000) as u32, newest);
            clock.jitter_ticks
        };
        assert!(take(0, 0, true).abs() < 0.1);
        assert!(take(2, 2, true).abs() < 0.1);
        assert!((take(1, 3, false) - 6000.0 / 16.0).abs() < 0.1);
    }
}
