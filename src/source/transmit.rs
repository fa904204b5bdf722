//! What this program sends when it is asked to: TIMESYNC requests, and requests for
//! faster RC and servo messages. Nothing is sent otherwise.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::time::{MissedTickBehavior, interval, sleep};

use crate::wire::codec::{encode_set_message_interval, encode_timesync_request};

use super::endpoint::Outgoing;

const BURST: u32 = 10;
const IN_BURST: Duration = Duration::from_millis(100);
const SECOND: Duration = Duration::from_secs(1);
/// A vehicle that restarted has forgotten what it was asked for.
const ASK_AGAIN: Duration = Duration::from_secs(10);
/// RC_CHANNELS and SERVO_OUTPUT_RAW.
const WANTED: [u32; 2] = [65, 36];

/// Under which ids this program sends, and its sequence numbers.
#[derive(Clone, Debug)]
pub(crate) struct Own {
    system: u8,
    component: u8,
    sequence: Arc<AtomicU8>,
}

impl Own {
    pub(crate) fn new(system: u8, component: u8) -> Self {
        Self { system, component, sequence: Arc::default() }
    }

    /// System, component and the next sequence number.
    fn header(&self) -> (u8, u8, u8) {
        (self.system, self.component, self.sequence.fetch_add(1, Ordering::Relaxed))
    }
}

/// Ten requests in the first second, then one a second. Each carries the host stamp of its sending.
pub(crate) async fn timesync(to_vehicle: mpsc::Sender<Outgoing>, own: Own) {
    let mut sent = 0;
    let mut pace = interval(IN_BURST);
    pace.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        pace.tick().await;
        let own = own.clone();
        let make = move |now: crate::units::Nanos| encode_timesync_request(own.header(), now.0);
        if to_vehicle.send(Outgoing::Stamped(Box::new(make))).await.is_err() {
            return;
        }
        sent += 1;
        if sent == BURST {
            pace = interval(SECOND);
            pace.set_missed_tick_behavior(MissedTickBehavior::Delay);
            pace.tick().await;
        }
    }
}

/// Asks by MAV_CMD_SET_MESSAGE_INTERVAL as soon as the vehicle is known, and again from time to time.
pub(crate) async fn request_rates(
    to_vehicle: mpsc::Sender<Outgoing>,
    own: Own,
    hz: f64,
    mut vehicle: watch::Receiver<Option<u8>>,
) {
    loop {
        let Ok(Some(system)) = vehicle.wait_for(Option::is_some).await.map(|known| *known) else { return };
        for message in WANTED {
            let own = own.clone();
            let make = move |_| encode_set_message_interval(own.header(), system, message, 1e6 / hz);
            if to_vehicle.send(Outgoing::Stamped(Box::new(make))).await.is_err() {
                return;
            }
        }
        sleep(ASK_AGAIN).await;
    }
}
