//! Bytes to typed, stamped messages: MAVLink, RTP, radio headers, joysticks, card levels, and what tells them apart.
//!
//! Nothing here knows a session or a figure.

pub mod card_level;
pub mod checksum;
pub mod codec;
pub mod framer;
pub mod ieee80211;
pub mod joystick;
pub mod radiotap;
pub mod rtp;
pub mod sender;
pub mod telemetry;
