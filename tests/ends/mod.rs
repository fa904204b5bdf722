//! The table of ends and stops: each row a session in some lines of TOML, and what must be told of it.
//!
//! Rows are grouped by what they are about. Distances are slant, from a handset at the origin.

mod bench;
mod flights;
mod going_off;
mod lost;

/// What `proven_m` must be.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Proven {
    /// Nothing is asked of it.
    Any,
    /// Nothing was judged, or there is no distance.
    Null,
    /// This, to within one bin.
    Near(f64),
    /// Not beyond this.
    AtMost(f64),
}

/// What must be told of one loss of input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Failsafe {
    pub(crate) drill: bool,
    pub(crate) evidence: Option<bool>,
    /// The handset's own stream stopped first.
    pub(crate) handset: bool,
    /// `servo_safe_after_s` is given.
    pub(crate) safe: bool,
}

/// A drill with the handset switched off, outputs at their failsafe values.
pub(crate) const DRILL: Failsafe = Failsafe { drill: true, evidence: Some(false), handset: true, safe: true };

/// One row: a session, and what is expected of it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row {
    pub(crate) name: &'static str,
    pub(crate) duration_s: f64,
    /// Keys of `[vehicle]`, `[video]`, `[control]`, of each radio; `video: None` for a session without.
    pub(crate) vehicle: &'static str,
    pub(crate) video: Option<&'static str>,
    pub(crate) control: &'static str,
    pub(crate) radio: &'static str,
    pub(crate) level_at_1m: f64,
    pub(crate) path: &'static str,
    /// Further tables.
    pub(crate) rest: &'static str,
    pub(crate) phases: Option<&'static [&'static str]>,
    /// Kinds of events that must be told; `a|b`: one of them.
    pub(crate) told: &'static [&'static str],
    pub(crate) never: &'static [&'static str],
    pub(crate) freezes: Option<&'static [Option<bool>]>,
    pub(crate) counted: Option<u64>,
    pub(crate) link: &'static str,
    pub(crate) proven: Proven,
    pub(crate) failsafes: Option<&'static [Failsafe]>,
    /// The link does lose frames.
    pub(crate) loses: bool,
}

/// What is never told of a session without a fault.
pub(crate) const QUIET: &[&str] =
    &["freeze", "failsafe", "alarm", "lost", "back", "restart", "restart-aloft", "lost-vehicle", "silent"];
/// The same, and a drill or a freeze on top may be told.
pub(crate) const GRAVE: &[&str] =
    &["alarm", "lost", "back", "restart", "restart-aloft", "lost-vehicle", "silent"];

/// Takes off at 25 s, out to 103 m at 4 m/s, back, lands at 82 s beside the handset.
pub(crate) const FLIGHT: &str = "[[0,3,0,0], [25,3,0,0], [28,3,0,8], [53,103,0,8], [78,8,0,8], [82,3,0,0]]";
/// Stands.
pub(crate) const STANDS: &str = "[[0,2,0,0]]";
pub(crate) const THERE_AND_BACK: &[&str] = &["ground", "out", "back", "ground"];
pub(crate) const THERE_BACK_OFF: &[&str] = &["ground", "out", "back", "ground", "off"];

impl Row {
    /// A whole flight, all of it recorded, nothing switched off.
    pub(crate) const fn flight(name: &'static str) -> Self {
        Self {
            name,
            duration_s: 110.0,
            vehicle: "armed_s = [[20, 86]]",
            video: Some(""),
            control: "",
            radio: "",
            level_at_1m: -30.0,
            path: FLIGHT,
            rest: "",
            phases: Some(THERE_AND_BACK),
            told: &[],
            never: QUIET,
            freezes: Some(&[]),
            counted: Some(0),
            link: "video",
            proven: Proven::Near(103.0),
            failsafes: Some(&[]),
            loses: false,
        }
    }

    /// The same flight, the vehicle switched off at 95 s.
    pub(crate) const fn off_at_home(name: &'static str) -> Self {
        Self {
            vehicle: "armed_s = [[20, 86]]\non_s = [[0, 95]]",
            phases: Some(THERE_BACK_OFF),
            freezes: Some(&[Some(false)]),
            ..Self::flight(name)
        }
    }

    /// A vehicle that stands 2 m off, disarmed.
    pub(crate) const fn bench(name: &'static str) -> Self {
        Self {
            duration_s: 80.0,
            vehicle: "armed_s = []",
            path: STANDS,
            phases: Some(&["ground"]),
            proven: Proven::Null,
            ..Self::flight(name)
        }
    }

    pub(crate) fn toml(&self) -> String {
        let radio = |carries: &str, component: u8, offset: i32| {
            format!(
                "[[radio]]\ncarries = \"{carries}\"\nsystem = 41\ncomponent = {component}\nreport_hz = 4\n\
                 exponent = 2.5\nlevel_at_1m = {:.1}\nsigma_db = 0.7\ncorrelation_s = 3\nnoise_dbm = -108\n\
                 slope_db = 0.5\noffset_dbm = {offset}\n{}\n",
                self.level_at_1m, self.radio
            )
        };
        let rates = if self.vehicle.contains("rates") {
            ""
        } else {
            "rates = { heartbeat = 1, sys_status = 1, position = 4, gps = 1, attitude = 2, rc_channels = 5, \
             servo = 10, vibration = 0 }"
        };
        let moves = "[[control.moves]]\nfrom_s = 2\nto_s = 100000\nsticks = [1]\nwave_s = 3\n\
                     [[control.servo]]\nstick = 1\nfailsafe_us = 1000\n";
        let video = self.video.map_or(String::new(), |keys| format!("[video]\nfps = 15\n{keys}\n"));
        format!(
            "text = \"Invented: {}\"\nseed = 11\nstart = \"2031-05-04T09:12:33Z\"\nduration_s = {:.1}\n\
             [vehicle]\n{rates}\n{}\n[path]\nwaypoints = {}\n{}{}{}\
             [control]\nrate_hz = 20\n{}\n{moves}{video}\
             [battery]\ncells = 4\ncapacity_mah = 5000\nidle_a = 1\nper_m_s_a = 1\nresistance_ohm = 0.05\n{}\n",
            self.name,
            self.duration_s,
            self.vehicle,
            self.path,
            radio("control", 111, -125),
            radio("video", 112, -120),
            radio("telemetry", 110, -125),
            self.control,
            self.rest
        )
    }
}

/// All rows.
pub(crate) fn all() -> Vec<Row> {
    [going_off::ROWS, lost::ROWS, bench::ROWS, flights::ROWS].concat()
}
