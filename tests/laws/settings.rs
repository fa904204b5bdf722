//! Laws of profiles and scenarios: what cannot be meant is refused with words that can be shown; what is accepted gives
//! finite figures and bounded work.

use std::io::Write as _;
use std::path::Path;
use std::sync::{Arc, LazyLock};

use fadewatch::capture::{PcapngWriter, Recording};
use fadewatch::profile::Profile;
use fadewatch::record::OwnedRecord;
use fadewatch::record::text::is_printable;
use fadewatch::report::PlainText;
use fadewatch::simulate::{Scenario, run};

use super::choices::Choices;
use super::sessions::played;

const NUMBERS: [&str; 24] = [
    "0",
    "1",
    "-1",
    "0.5",
    "255",
    "256",
    "65536",
    "1e3",
    "1e6",
    "1e-9",
    "1e308",
    "-1e308",
    "nan",
    "inf",
    "-inf",
    "5e-324",
    "9223372036854775807",
    "-9223372036854775808",
    "-0.0",
    "90",
    "180",
    "3.0",
    "30",
    "100000",
];

/// Seconds of a scenario that are worth a run here, and what a second of it may hold at most.
const LONGEST_S: f64 = 5.0;
const MOST_A_SECOND: f64 = 40_000.0;

/// Lines, each `#` a number and each `$` a name that is chosen. `newer` ones take the highest bytes, from 255 down: so
/// inputs that were found without them still mean what they meant.
fn text(choices: &mut Choices<'_>, lines: &[&str], newer: &[&str]) -> String {
    let mut text = String::new();
    while !choices.is_over() && text.len() < 4096 {
        let chosen = usize::from(choices.byte());
        for letter in newer.get(255 - chosen).unwrap_or(&lines[chosen % lines.len()]).chars() {
            match letter {
                '#' => text.push_str(choices.one_of(&NUMBERS)),
                '$' => text.push_str(choices.one_of(&["video", "control", "telemetry", "a", "\\u202e", ""])),
                _ => text.push(letter),
            }
        }
        text.push('\n');
    }
    text
}

fn raw_or(data: &[u8], first: &str, lines: &[&str], newer: &[&str]) -> String {
    let mut choices = Choices(data);
    if choices.byte() & 1 == 0 {
        format!("{first}{}", text(&mut choices, lines, newer))
    } else {
        String::from_utf8_lossy(choices.0).into_owned()
    }
}

/// What is printed says why, and nothing that a terminal obeys.
fn assert_shown(error: &str) {
    let mut out = PlainText(Vec::new());
    write!(out, "{error}").expect("memory");
    let text = String::from_utf8(out.0).expect("text");
    assert!(text.len() > 10 && text.chars().all(|letter| letter == '\n' || is_printable(letter)), "{text:?}");
}

const PROFILE: [&str; 40] = [
    "[vehicle]",
    "system = #",
    "failsafe_servo_us = { # = # }",
    "[handset]",
    "lat = #",
    "lon = #",
    "alt = #",
    "acknowledge_button = #",
    "[[link]]",
    "name = \"$\"",
    "role = \"$\"",
    "radio = { system = #, component = # }",
    "radio = { system = 77, component = 111, mounted = \"vehicle\" }",
    "rc_rssi = true",
    "radiotap = { transmitter = \"02:00:00:00:00:0b\", antenna = # }",
    "wifi = \"wlan0\"",
    "level = { slope_db = #, offset_dbm = # }",
    "port = #",
    "port = 5004",
    "ssrc = #",
    "interface = \"vehicle\"",
    "senders = [[#, #]]",
    "senders = [[1, 1]]",
    "claimed_range_m = #",
    "reduced_power_db = #",
    "[link.limits]",
    "warning_margin = #",
    "forecast_margin = #",
    "warning_s = #",
    "alarm_margin = #",
    "alarm_s = #",
    "clear_margin = #",
    "[link.budget]",
    "frequency_mhz = #",
    "tx_power_dbm = #\ntx_gain_dbi = #\nrx_gain_dbi = #",
    "sensitivity_dbm = #",
    "[battery]\ncapacity_mah = #\ncutoff_v = #",
    "[vibration]\nlimit = #",
    "[tags]\n$ = \"$\"",
    "glass_to_glass_ms = #",
];

/// The first seconds of the invented orchard, cut out once.
static ORCHARD: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let whole = Recording::read("orchard.pcapng", &include_bytes!("../../recordings/orchard-3.pcapng")[..])
        .expect("opens");
    let (mut cursor, mut writer) = (whole.cursor(), PcapngWriter::new(Vec::new()));
    for _ in 0..500 {
        let entry = whole.next(&mut cursor).expect("it is longer");
        writer.write(&entry).expect("memory");
    }
    writer.into_inner()
});

/// A profile that is accepted gives sound figures of a session.
pub fn profile(data: &[u8]) {
    match Profile::parse(&raw_or(data, "", &PROFILE, &[])) {
        Err(error) => assert_shown(&error.to_string()),
        Ok(profile) => {
            let recording = Recording::read("orchard.pcapng", &ORCHARD[..]).expect("opens");
            played(&recording, &Arc::new(profile));
        }
    }
}

const SCENARIO: [&str; 58] = [
    "[vehicle]",
    "system = #",
    "armed_from_s = #",
    "armed_s = [[#, #]]",
    "on_s = [[#, #]]",
    "boot_s = #",
    "skew_ppm = #",
    "timesync_epoch_s = #",
    "timesync_hz = #",
    "carrier = \"datagram\"",
    "restarts_s = [#]",
    "restart_takes_s = #",
    "unknown_share = #",
    "rates = { heartbeat = #, position = #, rc_channels = # }",
    "rates = { servo = #, vibration = #, system_time = # }",
    "rates = { gps = #, home = #, attitude = #, battery = # }",
    "[path]",
    "waypoints = [[#, #, #, #]]",
    "waypoints = [[0, 1, 1, 1], [#, #, #, #]]",
    "out_and_back = { from_m = #, to_m = #, speed_m_s = #, height_m = #, bearing_deg = # }",
    "[handset_way]",
    "fix = \"gps\"",
    "[place]",
    "lat = #\nlon = #\nalt = #",
    "[telemetry]",
    "down_ms = #\nup_ms = #\nextra_ms = #",
    "loss = { fixed = #, burst = # }",
    "loss = { p50_dbm = #, scale_db = # }",
    "duplicates = #\nreordered = #",
    "burst_ms = #",
    "[[radio]]\ncarries = \"$\"\nsystem = #\ncomponent = #\nreport_hz = #\nexponent = #\nlevel_at_1m = #\nsigma_db = #\nnoise_dbm = #\nslope_db = #\noffset_dbm = #",
    "[[radio]]\ncarries = \"video\"\nsystem = 77\ncomponent = 111\nreport_hz = 4\nexponent = 2.5\nlevel_at_1m = -24\nsigma_db = 2.5\nnoise_dbm = -104\nslope_db = 0.5\noffset_dbm = -125",
    "correlation_s = #\ncorrelation_m = #",
    "fading_db = #\nuplink_db = #",
    "attenuator = [[#, #, #]]",
    "[control]",
    "rate_hz = #",
    "cable_ms = #\nframe_ms = #",
    "held = true",
    "delay = { constant = # }",
    "delay = { bimodal = { low_ms = #, high_ms = #, high_share = #, dwell_s = # } }",
    "delay = { drifting = { from_ms = #, to_ms = # } }",
    "onboard_ms = #",
    "outages = [[#, #]]",
    "[[control.moves]]\nfrom_s = #\nto_s = #\nsticks = [1, #]\ncount = #",
    "wave_s = #",
    "[[control.servo]]\nstick = #\ntrim_us = #\nscale = #\nstops_us = [#, #]",
    "[video]",
    "fps = #",
    "gop = #\nkey_packets = #\npackets = #",
    "payload_bytes = #\ndelay_ms = #\njitter_ms = #",
    "freeze_p50_dbm = #\nfreeze_scale_db = #",
    "freeze_least_s = #\nfreeze_mean_s = #",
    "freezes = [[#, #]]\nstops = [[#, #]]",
    "[battery]\ncells = #\ncapacity_mah = #\nidle_a = #\nper_m_s_a = #\nresistance_ohm = #",
    "[[vibration]]\nfrom_s = #\nlevels = [#, #, #]\nspread = #\nclipping_hz = #",
    "[[failsafe]]\nat_s = #\nback_s = #\ndetected_after_s = #\nsafe_after_s = #\nmode = #",
    "[[other]]\nsystem = #\nboot_s = #\nrate_hz = #",
];
const NEWER: [&str; 3] = [
    "[[control.channel]]\nnumber = #\nstick = #\nscale = #\noffset_us = #\njitter_us = #",
    "[[control.channel]]\nnumber = 1\nstill_us = #",
    "[[control.moves]]\nfrom_s = #\nto_s = #\nsticks = [1, #]\nends = #",
];
const HEAD: &str = "text = \"invented\"\nseed = 7\nstart = \"2031-05-04T09:12:33Z\"\nduration_s = 4\n";

/// A scenario that is accepted is so many records at most, in order, and its figures are sound.
pub fn scenario(data: &[u8]) {
    let text = raw_or(data, HEAD, &SCENARIO, &NEWER);
    match Scenario::parse(&text, Path::new("any.toml")) {
        Err(error) => assert_shown(&error.to_string()),
        Ok(scenario) if scenario.duration_s > LONGEST_S => {}
        Ok(scenario) => {
            let session = run(&scenario);
            let (count, most) = (session.records.len() as f64, MOST_A_SECOND * scenario.duration_s + 1000.0);
            assert!(count <= most, "{count} records in {} s", scenario.duration_s);
            assert!(session.records.is_sorted_by_key(|record: &OwnedRecord| record.at));
            let mut writer = PcapngWriter::new(Vec::new());
            for entry in session.entries() {
                writer.write(&entry).expect("a recording holds it");
            }
            let recording = Recording::read("scenario.pcapng", &writer.into_inner()[..]).expect("opens");
            played(&recording, &Arc::default());
        }
    }
}
