//! Who is answered where this computer listens: where what is sent to the vehicle goes.
//!
//! It is the address from which frames of the vehicle came first; a byte of anybody else's changes nothing. Another port of
//! that address takes its place at once, by a frame of the vehicle: a module that restarted. Another address does so only
//! after 10 s without a datagram of the old one, by two datagrams with such frames. A frame is the vehicle's if it is whole, of a
//! message that is known, and from the vehicle's system; while no vehicle is known, from an autopilot (component 1).
//! Common practice, no source. Nothing here proves who somebody is: MAVLink's signatures would, and no key is known.

use std::net::SocketAddr;

use crate::units::Nanos;
use crate::wire::framer::Framer;

/// The old one is given up after so long.
const SILENT: Nanos = Nanos::from_secs(10);
/// MAV_COMP_ID_AUTOPILOT1.
const AUTOPILOT: u8 = 1;

/// The address that is answered.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Peer {
    known: Option<(SocketAddr, Nanos)>,
    /// Brought frames of the vehicle once, while another one is known.
    candidate: Option<SocketAddr>,
}

impl Peer {
    /// Where to send to.
    pub(super) fn address(&self) -> Option<SocketAddr> {
        self.known.map(|(address, _)| address)
    }

    /// A datagram came; true where it made somebody the one that is answered.
    pub(super) fn observe(&mut self, from: SocketAddr, at: Nanos, vehicle: Option<u8>, bytes: &[u8]) -> bool {
        let takes = match &mut self.known {
            Some((known, heard)) if *known == from => {
                *heard = at;
                return false;
            }
            None => speaks_for(vehicle, bytes),
            Some((known, _)) if known.ip() == from.ip() => speaks_for(vehicle, bytes),
            Some((_, heard)) if at - *heard > SILENT && speaks_for(vehicle, bytes) => {
                self.candidate.replace(from) == Some(from)
            }
            Some(_) => false,
        };
        if takes {
            *self = Self { known: Some((from, at)), candidate: None };
        }
        takes
    }
}

/// Whether a datagram holds a frame of the vehicle.
fn speaks_for(vehicle: Option<u8>, bytes: &[u8]) -> bool {
    let mut speaks = false;
    Framer::datagrams().push(bytes, &mut |frame| {
        let header = frame.header;
        let is_its = vehicle.map_or(header.component == AUTOPILOT, |system| header.system == system);
        speaks |= header.known && is_its;
    });
    speaks
}

#[cfg(test)]
mod tests {
    use crate::source::peer::*;

    /// A HEARTBEAT of MAVLink 1, its checksum by the published algorithm (CRC-16/MCRF4XX over all but the first byte, and the
    /// message's extra byte, 50).
    fn heartbeat(system: u8, component: u8) -> Vec<u8> {
        let mut frame = vec![0xfe, 9, 0, system, component, 0, 0, 0, 0, 0, 2, 3, 81, 4, 3];
        let crc = frame[1..].iter().chain(&[50]).fold(0xffff_u16, |crc, byte| {
            let mixed = byte ^ (crc as u8);
            let mixed = mixed ^ (mixed << 4);
            let mixed = u16::from(mixed);
            (crc >> 8) ^ (mixed << 8) ^ (mixed << 3) ^ (mixed >> 4)
        });
        frame.extend(crc.to_le_bytes());
        frame
    }

    fn at(seconds: i64) -> Nanos {
        Nanos::from_secs(seconds)
    }

    const MODULE: &str = "10.0.0.7:14550";
    const RESTARTED: &str = "10.0.0.7:40123";
    const STRANGER: &str = "10.0.0.66:14550";

    /// What came from whom when, one after the other; who is answered in the end.
    fn answered(came: &[(&str, i64, Vec<u8>)], vehicle: Option<u8>) -> Option<String> {
        let mut peer = Peer::default();
        for (from, second, bytes) in came {
            peer.observe(from.parse().unwrap(), at(*second), vehicle, bytes);
        }
        peer.address().map(|address| address.to_string())
    }

    #[test]
    fn garbage_of_a_stranger_gets_nothing_before_the_vehicle_and_in_its_silence() {
        let garbage = |second| (STRANGER, second, vec![0]);
        assert_eq!(answered(&[garbage(0), garbage(1)], None), None);
        let vehicle = (MODULE, 2, heartbeat(1, 1));
        let came = [garbage(1), vehicle, garbage(6), garbage(30), garbage(31)];
        assert_eq!(answered(&came, None).as_deref(), Some(MODULE));
    }

    #[test]
    fn frames_of_somebody_else_are_no_frames_of_the_vehicle() {
        let of = |system, component| [(STRANGER, 0, heartbeat(system, component))];
        assert_eq!(answered(&of(255, 190), None), None, "a ground station");
        assert_eq!(answered(&of(1, 1), Some(7)), None);
        assert_eq!(answered(&of(7, 100), Some(7)).as_deref(), Some(STRANGER), "any part of the vehicle");
        let mut damaged = heartbeat(7, 1);
        damaged[8] ^= 1;
        assert_eq!(answered(&[(STRANGER, 0, damaged)], Some(7)), None);
    }

    #[test]
    fn a_module_that_restarted_is_answered_on_its_new_port_at_once() {
        let came = [(MODULE, 0, heartbeat(1, 1)), (RESTARTED, 1, heartbeat(1, 1))];
        assert_eq!(answered(&came, Some(1)).as_deref(), Some(RESTARTED));
        let came = [(MODULE, 0, heartbeat(1, 1)), (RESTARTED, 1, vec![1, 2, 3])];
        assert_eq!(answered(&came, Some(1)).as_deref(), Some(MODULE));
    }

    #[test]
    fn another_address_waits_for_ten_seconds_of_silence_and_proves_itself() {
        let vehicle = (MODULE, 0, heartbeat(1, 1));
        let other = |second| (STRANGER, second, heartbeat(1, 1));
        let of = |came: &[_]| answered(&[std::slice::from_ref(&vehicle), came].concat(), Some(1));
        assert_eq!(of(&[other(9), other(10)]).as_deref(), Some(MODULE), "10 s are not over");
        assert_eq!(of(&[other(11)]).as_deref(), Some(MODULE), "once is no proof");
        assert_eq!(of(&[other(11), other(12)]).as_deref(), Some(STRANGER));
        let back = (MODULE, 12, vec![0]);
        assert_eq!(of(&[other(11), back, other(13)]).as_deref(), Some(MODULE), "it spoke again");
    }
}
