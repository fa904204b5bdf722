//! Boot clocks of remote senders against host time: offset and skew.
//!
//! Definition: for each sender (system, component; over all interfaces, the quickest one
//! decides) the host time at which its boot clock showed a stamp. Unit: ns and ms; skew in
//! ppm, positive where the boot clock runs fast. Window: pieces of 5 min, each fitted
//! together with its neighbour, so that no line spans more than 10 min.
//!
//! - Two-way (RFC 5905): the corridor between stamps of requests and of the replies that mirror them; error bound half
//!   the smallest round trip. A request counts where it left this machine, or where it and the reply were captured
//!   on exactly reversed flows: whichever machine on their way captured them, the replying clock was read between the
//!   two stamps. Of copies of a request the first counts; where
//!   several requests read alike, none. Where TIMESYNC runs on another epoch
//!   than the boot clock, the lines under both tie them, and that fit's residual is added.
//! - One-way (Moon, Skelly and Towsley, IEEE INFOCOM 1999): the lower hull of arrival less stamp. It
//!   holds the least delay, which stays unknown: host times from it are late, never early.
//!
//! Gap: the fit is held, with 15 ppm (RFC 5905's PHI) added to the bound. Wrap: undone. Duplicate:
//! changes nothing, being later. Late arrival: lies above the line. Restart: a new epoch with
//! a fit of its own. Bounded: [`MOST_SENDERS`] (see `heard_table`), [`MOST_EPOCHS`] a sender, [`MOST_PIECES`] an epoch.

mod bare_clock;
mod boot_clock;
mod exchange;
mod sender_clock;
mod stamp_order;
mod stamps;

use std::collections::VecDeque;

use crate::record::{Direction, Flow};
use crate::stats::heard_table::{HeardTable, Rank};
use crate::summary::{ClockSummary, ExchangesFrom};
use crate::units::Nanos;

use crate::wire::sender::Sender;
use crate::wire::telemetry::Telemetry;

pub(crate) use bare_clock::BareClock;
pub(crate) use boot_clock::{BootClock, Passed};
pub use sender_clock::Timeline;
pub(crate) use stamp_order::{Astray, StampOrder};
pub use stamps::BootTime;

const MOST_SENDERS: usize = 64;
const MOST_EPOCHS: usize = 64;
const MOST_PIECES: usize = 4096;
/// Requests that may still be answered.
const MOST_REQUESTS: usize = 256;
/// Requests that read alike within this are copies of one.
const COPIES: Nanos = Nanos::from_millis(10);
/// A reply later than this is no measurement.
const LONGEST_ROUND_TRIP: Nanos = Nanos::from_secs(5);

/// All senders' clocks.
#[derive(Clone, Debug, Default)]
pub struct Clocks {
    senders: HeardTable<(u8, u8), sender_clock::SenderClock, MOST_SENDERS>,
    requests: VecDeque<Request>,
}

#[derive(Clone, Copy, Debug)]
struct Request {
    ts1: i64,
    at: Nanos,
    by: (u8, u8),
    sent_here: bool,
    flow: Option<Flow>,
}

impl Request {
    /// Whether a reply to it that comes here on a flow bounds the replying clock, and on whose account.
    fn answered_on(&self, flow: Option<Flow>) -> Option<ExchangesFrom> {
        let back =
            self.flow.map(|Flow { source, destination }| Flow { source: destination, destination: source });
        if self.sent_here {
            Some(ExchangesFrom::Own)
        } else {
            (back.is_some() && back == flow).then_some(ExchangesFrom::Captured)
        }
    }
}

impl Clocks {
    /// Takes a message's boot stamp, or a TIMESYNC exchange, of which it gives the round trip. `rank`: how much a sender
    /// counts where there are too many.
    pub fn observe(
        &mut self,
        at: Nanos,
        sender: Sender,
        flow: Option<Flow>,
        telemetry: &Telemetry,
        rank: impl Fn((u8, u8)) -> Rank,
    ) -> Option<Nanos> {
        let key = (sender.system, sender.component);
        if let Telemetry::TimeSync { tc1, ts1, .. } = *telemetry {
            if tc1 == 0 {
                let sent_here = sender.direction == Direction::Outbound;
                self.observe_request(Request { ts1, at, by: key, sent_here, flow });
            } else if sender.direction == Direction::Inbound {
                return self.observe_reply(at, key, flow, (tc1, ts1), rank);
            }
            return None;
        }
        if sender.direction == Direction::Inbound
            && let Some(stamp) = telemetry.boot_stamp()
            && let Some(clock) = self.senders.hear(at, key, rank)
        {
            clock.observe_stamp(at, stamp);
        }
        None
    }

    fn observe_request(&mut self, request: Request) {
        if !request.sent_here && request.flow.is_none() {
            return;
        }
        if self.requests.len() >= MOST_REQUESTS {
            self.requests.pop_front();
        }
        self.requests.push_back(request);
    }

    fn observe_reply(
        &mut self,
        at: Nanos,
        key: (u8, u8),
        flow: Option<Flow>,
        (tc1, ts1): (i64, i64),
        rank: impl Fn((u8, u8)) -> Rank,
    ) -> Option<Nanos> {
        let mut asked = self.requests.iter().filter_map(|request| {
            let fits = request.ts1 == ts1 && request.by != key && at - request.at <= LONGEST_ROUND_TRIP;
            Some((*request, request.answered_on(flow).filter(|_| fits)?))
        });
        let (request, from) = asked.next()?;
        if asked.any(|(other, _)| other.at - request.at > COPIES) {
            return None;
        }
        self.senders.hear(at, key, rank)?.observe_exchange(request.at, Nanos(tc1), at, from);
        Some(at - request.at)
    }

    /// The running boot time of the sender's newest message, if that had a stamp that fits its clock.
    #[must_use]
    pub fn newest(&self, sender: Sender) -> Option<BootTime> {
        self.senders.get((sender.system, sender.component))?.newest()
    }

    /// All fits of a sender's clock as they stand; evaluate many stamps on one of these.
    #[must_use]
    pub fn timeline(&self, system: u8, component: u8) -> Option<Timeline> {
        Some(self.senders.get((system, component))?.timeline())
    }

    /// One row a sender; offsets are against time since `start`.
    #[must_use]
    pub fn summary(&self, start: Nanos) -> Vec<ClockSummary> {
        self.senders.iter().filter_map(|(key, clock)| clock.summary(key, start)).collect()
    }
}
