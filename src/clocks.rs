//! Boot clocks of remote senders against host time: offset and skew.
//!
//! Definition: for each sender (system, component; over all interfaces, the quickest one
//! decides) the host time at which its boot clock showed a stamp. Unit: ns and ms; skew in
//! ppm, positive where the boot clock runs fast. Window: pieces of 5 min, each fitted
//! together with its neighbour, so that no line spans more than 10 min.
//!
//! - Two-way (RFC 5905): the corridor between requests stamped here at their sending and
//!   replies that mirror them; error bound half the smallest round trip. TIMESYNC between
//!   others is not used: a request counts only when it left this machine, or when its
//!   own time is the stamp clock's to within a millisecond, each time. Where TIMESYNC runs on another epoch
//!   than the boot clock, the lines under both tie them, and that fit's residual is added.
//! - One-way (Moon, Skelly and Towsley, IEEE INFOCOM 1999): the lower hull of arrival less stamp. It
//!   holds the least delay, which stays unknown: host times from it are late, never early.
//!
//! Gap: the fit is held, with 15 ppm (RFC 5905's PHI) added to the bound. Wrap: undone. Duplicate:
//! changes nothing, being later. Late arrival: lies above the line. Restart: a new epoch with
//! a fit of its own. Bounded: [`MOST_SENDERS`], [`MOST_EPOCHS`] a sender, [`MOST_PIECES`] an epoch.

mod bare_clock;
mod boot_clock;
mod exchange;
mod sender_clock;
mod stamps;

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, VecDeque};

use crate::record::Direction;
use crate::summary::ClockSummary;
use crate::units::Nanos;

use crate::wire::sender::Sender;
use crate::wire::telemetry::Telemetry;

pub(crate) use bare_clock::BareClock;
pub(crate) use boot_clock::{BootClock, Passed};
pub use sender_clock::Timeline;
pub use stamps::BootTime;

const MOST_SENDERS: usize = 64;
const MOST_EPOCHS: usize = 64;
const MOST_PIECES: usize = 4096;
/// Requests that may still be answered.
const MOST_REQUESTS: usize = 256;
/// A reply later than this is no measurement.
const LONGEST_ROUND_TRIP: Nanos = Nanos::from_secs(5);
/// A request from elsewhere is dated by its own time only where that is the stamp clock's, this closely.
const SAME_CLOCK: Nanos = Nanos::from_millis(1);
/// And that this often, without exception.
const SAME_CLOCK_REQUESTS: u32 = 5;

/// All senders' clocks.
#[derive(Clone, Debug, Default)]
pub struct Clocks {
    senders: BTreeMap<(u8, u8), sender_clock::SenderClock>,
    requests: VecDeque<Request>,
    /// For each requester that is not this machine: requests on the stamp clock, and whether all were.
    foreign: BTreeMap<(u8, u8), (u32, bool)>,
}

#[derive(Clone, Copy, Debug)]
struct Request {
    ts1: i64,
    at: Nanos,
    by: (u8, u8),
    sent_here: bool,
}

impl Clocks {
    /// Takes a message's boot stamp, or a TIMESYNC exchange, of which it gives the round trip.
    pub fn observe(&mut self, at: Nanos, sender: Sender, telemetry: &Telemetry) -> Option<Nanos> {
        let key = (sender.system, sender.component);
        if let Telemetry::TimeSync { tc1, ts1, .. } = *telemetry {
            if tc1 == 0 {
                self.observe_request(at, sender.direction, key, ts1);
            } else if sender.direction == Direction::Inbound {
                return self.observe_reply(at, key, tc1, ts1);
            }
            return None;
        }
        if sender.direction == Direction::Inbound
            && let Some(stamp) = telemetry.boot_stamp()
            && let Some(clock) = self.clock_mut(key)
        {
            clock.observe_stamp(at, stamp);
        }
        None
    }

    fn clock_mut(&mut self, key: (u8, u8)) -> Option<&mut sender_clock::SenderClock> {
        let has_room = self.senders.len() < MOST_SENDERS;
        match self.senders.entry(key) {
            Entry::Occupied(known) => Some(known.into_mut()),
            Entry::Vacant(place) => has_room.then(|| place.insert(sender_clock::SenderClock::default())),
        }
    }

    fn observe_request(&mut self, at: Nanos, direction: Direction, by: (u8, u8), ts1: i64) {
        let sent_here = direction == Direction::Outbound;
        if !sent_here {
            let same = at.abs_diff(Nanos(ts1)) < SAME_CLOCK;
            if self.foreign.len() < MOST_SENDERS || self.foreign.contains_key(&by) {
                let (count, always) = self.foreign.entry(by).or_insert((0, true));
                *count = count.saturating_add(1);
                *always &= same;
            }
        }
        if self.requests.len() >= MOST_REQUESTS {
            self.requests.pop_front();
        }
        self.requests.push_back(Request { ts1, at, by, sent_here });
    }

    fn observe_reply(&mut self, at: Nanos, key: (u8, u8), tc1: i64, ts1: i64) -> Option<Nanos> {
        let request = self.requests.iter().rev().find(|request| request.ts1 == ts1).copied()?;
        let proven = request.sent_here
            || self
                .foreign
                .get(&request.by)
                .is_some_and(|&(count, always)| always && count >= SAME_CLOCK_REQUESTS);
        let round_trip = at - request.at;
        if !proven || request.by == key || round_trip > LONGEST_ROUND_TRIP {
            return None;
        }
        self.clock_mut(key)?.observe_exchange(request.at, Nanos(tc1), at);
        Some(round_trip)
    }

    /// The running boot time of the sender's newest message, if that had a stamp that fits its clock.
    #[must_use]
    pub fn newest(&self, sender: Sender) -> Option<BootTime> {
        self.senders.get(&(sender.system, sender.component))?.newest()
    }

    /// All fits of a sender's clock as they stand; evaluate many stamps on one of these.
    #[must_use]
    pub fn timeline(&self, system: u8, component: u8) -> Option<Timeline> {
        Some(self.senders.get(&(system, component))?.timeline())
    }

    /// One row a sender; offsets are against time since `start`.
    #[must_use]
    pub fn summary(&self, start: Nanos) -> Vec<ClockSummary> {
        self.senders.iter().filter_map(|(&key, clock)| clock.summary(key, start)).collect()
    }
}
