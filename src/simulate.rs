//! Scenarios with a known truth, as stamped bytes.
//!
//! A scenario (TOML, seeded) holds physics: path loss with correlated shadowing, bursts
//! of loss that follow the level, a control path with known delays, boot clocks with offset
//! and skew, video whose freezes follow the level, vibration, a battery, a failsafe drill. It
//! becomes the bytes that a session would have received, and the truth beside them. Nothing
//! here names anything of the estimators: frames, RTP packets and geodesic steps are written anew.

mod airframe;
mod camera;
mod delivery;
mod geodesy;
mod handset;
mod live_output;
mod mavlink;
mod motion;
mod rng;
mod rtp_packets;
mod scenario;
mod scene;
mod scene_parts;
mod shaking;
mod truth;
mod whole_life;

pub use live_output::{LiveTarget, run_live};
pub use scenario::Scenario;
pub use scene::run;

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::capture::PcapngWriter;
    use crate::simulate::*;

    const SHORT: &str = r#"
text = "An invented minute"
seed = 3
start = "2031-05-04T09:12:33.120Z"
duration_s = 20
[vehicle]
timesync_hz = 1
[telemetry]
loss = { fixed = 0.05, burst = 3 }
[control]
[[control.moves]]
from_s = 2
to_s = 18
sticks = [1, 2]
count = 8
[[control.servo]]
stick = 1
[video]
"#;

    fn bytes(scenario: &Scenario) -> Vec<u8> {
        let session = run(scenario);
        let mut writer = PcapngWriter::new(Vec::new());
        for entry in session.entries() {
            writer.write(&entry).unwrap();
        }
        writer.into_inner()
    }

    #[test]
    fn the_same_seed_gives_the_same_bytes_and_another_gives_others() {
        let mut scenario = Scenario::parse(SHORT, Path::new("short.toml")).unwrap();
        let first = bytes(&scenario);
        assert_eq!(first, bytes(&scenario));
        scenario.seed = 4;
        assert_ne!(first, bytes(&scenario));
    }

    #[test]
    fn an_unknown_key_is_named_with_its_line() {
        let error = Scenario::parse(&SHORT.replace("count = 8", "cuont = 8"), Path::new("short.toml"))
            .unwrap_err()
            .to_string();
        assert!(error.contains("cuont") && error.contains("line 15"), "{error}");
        let error = Scenario::parse(&SHORT.replace("2031-05-04", "soon"), Path::new("short.toml"))
            .unwrap_err()
            .to_string();
        assert!(error.contains("start must be"), "{error}");
    }

    /// Numbers that nobody can mean are named; without that some would take days or all memory.
    #[test]
    fn what_cannot_be_meant_is_refused_by_its_key() {
        for (old, new, key) in [
            ("timesync_hz = 1", "timesync_hz = 1e12", "vehicle.timesync_hz"),
            ("timesync_hz = 1", "rates = { servo = 1e9 }", "vehicle.rates.servo"),
            ("timesync_hz = 1", "timesync_hz = nan", "vehicle.timesync_hz"),
            ("fixed = 0.05", "fixed = 1.5", "telemetry.loss.fixed"),
            ("[control]", "[control]\nframe_ms = 1e-9", "control.frame_ms"),
            ("count = 8", "count = 4000000000", "control.moves.count"),
            ("count = 8", "ends = 4000000000", "control.moves.ends"),
            ("[control]", "[[control.channel]]\nnumber = 1\noffset_us = -65536", "control.channel.offset_us"),
            ("[video]", "[video]\npackets = 100000000", "video.packets"),
            ("[video]", "[video]\nfps = 0", "video.fps"),
            ("[video]", "[video]\ngop = 0", "video.gop"),
            ("[video]", "[video]\nfreezes = [[1, inf]]", "video.freezes"),
            ("[[control.servo]]", "[[control.servo]]\nstops_us = [90, 0]", "control.servo.stops_us"),
        ] {
            let error =
                Scenario::parse(&SHORT.replace(old, new), Path::new("short.toml")).unwrap_err().to_string();
            assert!(error.contains(&format!("{key} is")) && error.contains("give"), "{new}: {error}");
        }
        // A channel may stand below its place.
        let channel = "[[control.channel]]\nnumber = 1\noffset_us = -65535\n[[control.servo]]";
        let scenario = SHORT.replace("[[control.servo]]", channel);
        assert!(Scenario::parse(&scenario, Path::new("short.toml")).is_ok());
    }

    #[test]
    fn records_are_in_order_and_end_with_the_end() {
        use crate::record::{Note, OwnedBody};
        let session = run(&Scenario::parse(SHORT, Path::new("short.toml")).unwrap());
        assert!(session.records.is_sorted_by_key(|record| record.at));
        assert!(matches!(session.records.last().unwrap().body, OwnedBody::Note(Note::End)));
    }
}
