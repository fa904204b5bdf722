//! What is said of each link in ordinary and in bad moments: the state, and how the sentence goes.
//!
//! Sessions are made entry by entry (tests/invented). States and sentences are written from the definitions ('Judgement'), each
//! row for one moment of one session. None in which a link fails, or failed in the last 10 s, may say "good".

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod frames;
mod invented;

use std::ops::Range;

use fadewatch::profile::LimitEvent;
use fadewatch::record::{InterfaceId, MarkKind, Note};
use fadewatch::summary::{LinkState, SessionWord, Threshold};
use fadewatch::units::LevelUnit;
use fadewatch::wording::{advice, session_sentence};
use invented::{HANDSET, Message, Plan, RADIO, VEHICLE};

const PROFILE: &str = "[[link]]\nname = 'video'\nrole = 'video'\nport = 5004\n\
    radio = { system = 41, component = 110, mounted = 'ground' }\nSCALE\
    [[link]]\nname = 'downlink'\nrole = 'telemetry'\ninterface = 'vehicle'\nsenders = [[1, 1]]\n\
    [[link]]\nname = 'control'\nrole = 'control'\n";
const SCALE: &str = "level = { slope_db = 0.5, offset_dbm = -120.0 }\n";
/// The limit that earlier sessions showed, dBm.
const LIMIT: f64 = -95.0;

/// Spans of seconds in which something does not come.
type Gaps = &'static [Range<f64>];

/// One session, and what must be said at its end.
#[derive(Clone, Copy)]
#[expect(clippy::struct_excessive_bools, reason = "each says one thing of a session")]
struct Row {
    name: &'static str,
    /// It arms and flies away; else it stands disarmed beside the handset.
    flies: bool,
    has_limit: bool,
    /// Warnings count from this far above the limit.
    safe_db: f64,
    in_db: bool,
    has_levels: bool,
    has_places: bool,
    /// It comes back from 65 s on.
    returns: bool,
    /// dBm at a time.
    level: fn(f64) -> f64,
    /// No picture, no telemetry, no input (RC_CHANNELS with count 0).
    no_picture: Gaps,
    no_telemetry: Gaps,
    no_input: Gaps,
    /// Each picture that `true` is said of lacks its packet.
    loses: fn(u64) -> bool,
    has_picture: bool,
    /// The source of the pictures is gone from then on.
    source_down_s: Option<f64>,
    off_s: f64,
    end_s: f64,
    about: &'static str,
    state: LinkState,
    says: &'static str,
}

const FLIGHT: Row = Row {
    name: "",
    flies: true,
    has_limit: false,
    safe_db: 0.0,
    in_db: true,
    has_levels: true,
    has_places: true,
    returns: false,
    level: |_| -60.0,
    no_picture: &[],
    no_telemetry: &[],
    no_input: &[],
    loses: |_| false,
    has_picture: true,
    source_down_s: None,
    off_s: f64::INFINITY,
    end_s: 120.0,
    about: "video",
    state: LinkState::Good,
    says: "",
};
const LIMITED: Row = Row { has_limit: true, ..FLIGHT };
const BENCH: Row = Row { flies: false, ..FLIGHT };
const DOWNLINK: Row = Row { about: "downlink", ..FLIGHT };
const CONTROL: Row = Row { about: "control", ..FLIGHT };

fn row(name: &'static str, state: LinkState, says: &'static str, of: Row) -> Row {
    Row { name, state, says, ..of }
}

fn within(gaps: Gaps, at_s: f64) -> bool {
    gaps.iter().any(|gap| gap.contains(&at_s))
}

impl Row {
    fn every(&self, rate: f64, mut send: impl FnMut(u64, f64)) {
        for number in 0..(self.end_s.min(self.off_s) * rate) as u64 {
            send(number, 0.01 + number as f64 / rate);
        }
    }

    fn plan(&self) -> Plan {
        let mut plan = Plan::default();
        let hears = |at_s: f64| !within(self.no_telemetry, at_s);
        let armed = |at_s: f64| self.flies && at_s > 8.0;
        self.every(2.0, |_, at| {
            if hears(at) {
                plan.send(at, VEHICLE, Message::heartbeat(armed(at), 0));
            }
        });
        self.every(10.0, |_, at| {
            if hears(at) {
                plan.send(at + 0.02, VEHICLE, Message::clocked((at * 1e3) as u32 + 60_000));
            }
        });
        self.every(5.0, |number, at| {
            if !hears(at) {
                return;
            }
            let boot = (at * 1e3) as u32 + 60_000;
            // 1.5 m a second away, from 10 s on.
            let out_s = if self.returns && at > 65.0 { 130.0 - at } else { at };
            let metres = if self.flies { (out_s - 10.0).max(0.0) * 1.5 } else { 0.0 };
            if self.has_places {
                plan.send(at + 0.03, VEHICLE, Message::fix(47.3 + metres / 111_200.0, 8.6, 0.9, 1_000));
                plan.send(at + 0.04, VEHICLE, Message::position(boot, 47.3 + metres / 111_200.0, 8.6));
            }
            let (count, stick) =
                if within(self.no_input, at) { (0, 1500) } else { (8, 1400 + number as u16 % 200) };
            plan.send(at + 0.06, VEHICLE, Message::input(boot, [stick, 1500, 1100, 1500], count, 120));
        });
        let end_s = self.end_s;
        for number in 0..(end_s * 4.0) as u64 {
            let at = 0.1 + number as f64 / 4.0;
            let code = (((self.level)(at) + 120.0) * 2.0) as u8;
            if self.has_levels {
                plan.send(at, RADIO, Message::radio(code, code));
            }
            plan.send(at + 0.01, HANDSET, Message::heartbeat(false, 0));
        }
        if self.has_picture {
            let down_s = self.source_down_s.unwrap_or(f64::INFINITY);
            let mut number = 0_u16;
            self.every(30.0, |frame, at| {
                if at < down_s && !within(self.no_picture, at) && !(self.loses)(frame) {
                    plan.picture(at, number);
                }
                number = number.wrapping_add(u16::from(!within(self.no_picture, at)));
            });
        }
        if let Some(down_s) = self.source_down_s {
            plan.note(down_s, Note::SourceDown { interface: InterfaceId(2), reason: "unplugged".to_owned() });
        }
        plan
    }

    /// The state and the sentence about the link, and whether any sentence comes before it.
    fn said(&self) -> (LinkState, String) {
        let limit = Threshold {
            link: "video".to_owned(),
            event: LimitEvent::Freeze,
            unit: LevelUnit::Dbm,
            source: "rtp".to_owned(),
            level_p50: Some(LIMIT - 2.0),
            level_p05: LIMIT,
            level_p05_ci95: Some([LIMIT - 1.0, LIMIT + 1.0]),
            warns_at: Some(LIMIT + self.safe_db),
            base: Some(0.0),
            sessions: 6,
            freezes: 40,
            ..Threshold::default()
        };
        let limits = if self.has_limit { vec![limit] } else { Vec::new() };
        let profile = PROFILE.replace("SCALE", if self.in_db { SCALE } else { "" });
        let verdicts = self.plan().play(&profile, &limits, self.end_s).summary().verdicts;
        let own = verdicts.iter().find(|verdict| verdict.about == self.about).unwrap();
        (own.state, advice::text(own))
    }
}

/// Falls by 1 dB a second from 60 s on.
fn falls(at_s: f64) -> f64 {
    -60.0 - (at_s - 60.0).max(0.0)
}

fn rows() -> Vec<Row> {
    use LinkState::{Alarm, Failing, Good, Heard, Silent, Unknown, Warning};
    let mut rows = vec![
        // A picture that stands, or stood.
        row(
            "frozen",
            Failing,
            "PICTURE FROZEN 1.5 s, at 165 m: turn back",
            Row { no_picture: &[118.5..200.0], ..FLIGHT },
        ),
        row(
            "frozen, far above the limit",
            Failing,
            "PICTURE FROZEN 1.5 s",
            Row { no_picture: &[118.5..200.0], ..LIMITED },
        ),
        row(
            "frozen, third time",
            Failing,
            "PICTURE FROZEN 1.5 s, 3rd in 2",
            Row { no_picture: &[95.0..96.0, 105.0..106.0, 118.5..200.0], ..FLIGHT },
        ),
        row(
            "frozen on the bench",
            Failing,
            "PICTURE FROZEN 1.5 s",
            Row { no_picture: &[118.5..200.0], ..BENCH },
        ),
        row("froze a moment ago", Failing, "turn back now: ", Row { no_picture: &[117.0..118.5], ..FLIGHT }),
        row(
            "froze for long 2 s ago",
            Failing,
            "turn back now: video failed once",
            Row { no_picture: &[115.5..117.9], ..LIMITED },
        ),
        row("froze 5 s ago", Alarm, "turn back now: ", Row { no_picture: &[114.0..115.0], ..FLIGHT }),
        row(
            "froze 8 s ago",
            Warning,
            "go no farther: picture froze",
            Row { no_picture: &[110.5..111.5], ..FLIGHT },
        ),
        row(
            "froze 8 s ago, far above the limit",
            Warning,
            "go no farther: picture froze",
            Row { no_picture: &[110.5..111.5], ..LIMITED },
        ),
        row(
            "froze 20 s ago, no level apart",
            Heard,
            "video: level -60 dBm",
            Row { no_picture: &[98.0..99.0], ..FLIGHT },
        ),
        row(
            "froze three times in 20 s",
            Alarm,
            "turn back now: video failed 3 times",
            Row { no_picture: &[98.0..99.0, 104.0..105.0, 112.0..113.0], ..FLIGHT },
        ),
        row(
            "froze on the bench 8 s ago",
            Warning,
            "picture froze",
            Row { no_picture: &[110.5..111.5], ..BENCH },
        ),
        row(
            "froze far below this level",
            Good,
            "video -60.0 dBm, as strong as where it worked",
            Row {
                level: |at| if (90.0..100.0).contains(&at) { -85.0 } else { -60.0 },
                no_picture: &[93.0..94.0],
                ..FLIGHT
            },
        ),
        // Levels and limits.
        row("far above its limit", Good, "video 35 dB above its freeze limit", LIMITED),
        row(
            "5 dB above its limit",
            Warning,
            "go no farther: video 5 dB above its freeze limit",
            Row { level: |_| -90.0, ..LIMITED },
        ),
        row(
            "8 dB above its limit, which is surely no higher",
            Good,
            "video 8 dB above its freeze limit",
            Row { level: |_| -87.0, ..LIMITED },
        ),
        row(
            "8 dB above its limit, which may lie 3 dB higher",
            Warning,
            "go no farther: video 8 dB above its freeze limit",
            Row { level: |_| -87.0, safe_db: 3.0, ..LIMITED },
        ),
        row(
            "2 dB above its limit",
            Alarm,
            "turn back now: video 2 dB above its freeze limit",
            Row { level: |_| -93.0, ..LIMITED },
        ),
        row(
            "below its limit",
            Alarm,
            "turn back now: video 2 dB below its freeze limit",
            Row { level: |_| -97.0, ..LIMITED },
        ),
        row(
            "falls towards its limit",
            Warning,
            "go no farther: video 2 dB above its freeze limit",
            Row { level: falls, end_s: 93.0, has_places: false, ..LIMITED },
        ),
        row("falls, yet far from it", Good, "video 2", Row { level: falls, end_s: 70.0, ..LIMITED }),
        row("no limit, as ever", Good, "video -60.0 dBm, as strong as where it worked", FLIGHT),
        row("no limit, for half a minute", Heard, "video: level -60 dBm", Row { end_s: 40.0, ..FLIGHT }),
        row(
            "no limit, weaker than ever",
            Heard,
            "video: level -80 dBm",
            Row { level: |at| if at < 100.0 { -60.0 } else { -80.0 }, ..FLIGHT },
        ),
        row(
            "no limit, a little weaker",
            Good,
            "video -65.0 dBm, as strong",
            Row { level: |at| if at < 100.0 { -60.0 } else { -65.0 }, ..FLIGHT },
        ),
        row(
            "no limit, stronger than ever",
            Good,
            "video -40.0 dBm, as strong",
            Row { level: |at| if at < 100.0 { -60.0 } else { -40.0 }, ..FLIGHT },
        ),
        row(
            "device units, as ever",
            Good,
            "video 120 units, as strong as where it worked",
            Row { in_db: false, ..FLIGHT },
        ),
        row(
            "device units, for half a minute",
            Heard,
            "video: level 120 units",
            Row { in_db: false, end_s: 40.0, ..FLIGHT },
        ),
        row(
            "device units, much weaker",
            Heard,
            "video: level 60 units",
            Row { in_db: false, level: |at| if at < 100.0 { -60.0 } else { -90.0 }, ..FLIGHT },
        ),
        row(
            "device units, frozen",
            Failing,
            "PICTURE FROZEN",
            Row { in_db: false, no_picture: &[118.5..200.0], ..FLIGHT },
        ),
        row(
            "no level, nearer than where it worked",
            Good,
            "video as near as where it worked",
            Row { has_levels: false, returns: true, ..FLIGHT },
        ),
        row(
            "no level and no place",
            Heard,
            "video: ",
            Row { has_levels: false, has_places: false, ..FLIGHT },
        ),
        row(
            "5 dB above its limit on the bench",
            Good,
            "video -90.0 dBm, as strong as where it worked",
            Row { level: |_| -90.0, flies: false, ..LIMITED },
        ),
        row("bench, as ever", Good, "video -60.0 dBm, as strong as where it worked", BENCH),
        row("bench, just begun", Heard, "video: level -60 dBm", Row { end_s: 20.0, ..BENCH }),
        // What is lost.
        row(
            "loses every tenth picture",
            Warning,
            "go no farther: video",
            Row { loses: |frame| frame % 10 == 3, ..FLIGHT },
        ),
        row(
            "loses one in a hundred",
            Good,
            "video -60.0 dBm",
            Row { loses: |frame| frame % 100 == 3, ..FLIGHT },
        ),
        row(
            "loses every second picture",
            Failing,
            "turn back now: video LOSES MUCH",
            Row { loses: |frame| frame % 2 == 1, ..FLIGHT },
        ),
        row(
            "lost much until 6 s ago",
            Alarm,
            "turn back now: video lost much",
            Row { loses: |frame| (3000..3420).contains(&frame) && frame % 2 == 1, ..LIMITED },
        ),
        // Silences.
        row(
            "nothing of the picture for 4 s",
            Failing,
            "PICTURE FROZEN 4.0 s",
            Row { no_picture: &[116.0..200.0], ..FLIGHT },
        ),
        row(
            "the picture is shown elsewhere, far above its limit",
            Good,
            "video 35 dB above its freeze limit",
            Row { has_picture: false, ..LIMITED },
        ),
        row(
            "the picture is shown elsewhere, 2 dB above its limit",
            Alarm,
            "turn back now: video 2 dB above its freeze limit",
            Row { has_picture: false, level: |_| -93.0, ..LIMITED },
        ),
        row(
            "the picture is shown elsewhere, no limit",
            Heard,
            "video: level -60 dBm; nothing yet",
            Row { has_picture: false, ..FLIGHT },
        ),
        row(
            "never a picture",
            Silent,
            "video: never heard yet",
            Row { has_levels: false, has_picture: false, ..FLIGHT },
        ),
        row(
            "the picture's source is gone",
            Unknown,
            "check source video (unplugged): video cannot be seen",
            Row { source_down_s: Some(100.0), ..FLIGHT },
        ),
        row("switched off at home", Silent, "video: silent for", Row { off_s: 100.0, ..BENCH }),
        row(
            "downlink, switched off at home",
            Silent,
            "downlink: silent for",
            Row { off_s: 100.0, about: "downlink", ..BENCH },
        ),
        row(
            "downlink, silent for 3 s",
            Failing,
            "check power, antenna, source and port: nothing from downlink for 3",
            Row { no_telemetry: &[117.0..200.0], ..DOWNLINK },
        ),
        row(
            "downlink, silent for 1 s",
            Heard,
            "downlink: ",
            Row { no_telemetry: &[119.0..200.0], has_places: false, ..DOWNLINK },
        ),
        row(
            "downlink, lost for good",
            Failing,
            "check power",
            Row { no_telemetry: &[100.0..200.0], off_s: 100.0, ..DOWNLINK },
        ),
        row(
            "downlink, back for 2 s",
            Failing,
            "go no farther: downlink",
            Row { no_telemetry: &[112.0..118.0], ..DOWNLINK },
        ),
        row(
            "downlink, back for 7 s",
            Warning,
            "go no farther: downlink was silent",
            Row { no_telemetry: &[107.0..113.0], ..DOWNLINK },
        ),
        row(
            "downlink, silent on the bench",
            Failing,
            "check power",
            Row { no_telemetry: &[117.0..200.0], about: "downlink", ..BENCH },
        ),
        row(
            "downlink, nearer than where it worked",
            Good,
            "downlink as near as where it worked",
            Row { returns: true, ..DOWNLINK },
        ),
        row("downlink, farther than ever", Heard, "downlink: 0 % lost", DOWNLINK),
        row("downlink, just begun", Heard, "downlink: 0 % lost", Row { end_s: 30.0, ..DOWNLINK }),
        row(
            "downlink while the picture stands",
            Good,
            "downlink as near",
            Row { about: "downlink", returns: true, no_picture: &[118.5..200.0], ..DOWNLINK },
        ),
        row(
            "picture while the downlink is silent",
            Good,
            "video -60.0 dBm",
            Row { no_telemetry: &[117.0..200.0], has_limit: false, ..FLIGHT },
        ),
        // The control link, seen in what the vehicle tells.
        row(
            "control, input lost",
            Failing,
            "CONTROL INPUT LOST",
            Row { no_input: &[114.0..200.0], ..CONTROL },
        ),
        row(
            "control, input lost on the bench",
            Failing,
            "CONTROL INPUT LOST",
            Row { no_input: &[114.0..200.0], about: "control", ..BENCH },
        ),
        row(
            "control, input back for 2 s",
            Failing,
            "turn back now: control failed",
            Row { no_input: &[112.0..118.0], ..CONTROL },
        ),
        row(
            "control, input back for 8 s",
            Warning,
            "go no farther: control input was lost",
            Row { no_input: &[108.0..112.0], ..CONTROL },
        ),
        row(
            "control, telemetry silent",
            Unknown,
            "control cannot be seen",
            Row { no_telemetry: &[116.0..200.0], ..CONTROL },
        ),
        row(
            "control, nearer than where it worked",
            Good,
            "control as near as where it worked",
            Row { returns: true, ..CONTROL },
        ),
        row("control, farther than ever", Heard, "control: it comes", CONTROL),
        row("control, just begun", Heard, "control: ", Row { end_s: 30.0, ..CONTROL }),
    ];
    // The same standing picture under every level: no margin speaks over it.
    for level in [(|_| -50.0) as fn(f64) -> f64, |_| -80.0, |_| -96.0, falls] {
        rows.push(row(
            "frozen, at any level",
            Failing,
            "PICTURE FROZEN",
            Row { level, no_picture: &[119.0..200.0], ..LIMITED },
        ));
        rows.push(row(
            "frozen, at any level, no limit",
            Failing,
            "PICTURE FROZEN",
            Row { level, no_picture: &[119.0..200.0], ..FLIGHT },
        ));
    }
    rows
}

#[test]
fn each_situation_is_said_as_it_is() {
    let mut wrong = Vec::new();
    let rows = rows();
    assert!(rows.len() >= 60, "{}", rows.len());
    for row in &rows {
        let (state, text) = row.said();
        if state != row.state || !text.starts_with(row.says) {
            wrong.push(format!(
                "{} ({}): '{}: {text}', expected '{}: {}'",
                row.name,
                row.about,
                state.word(),
                row.state.word(),
                row.says
            ));
        }
    }
    assert!(wrong.is_empty(), "{} of {} wrong:\n{}", wrong.len(), rows.len(), wrong.join("\n"));
}

/// Where the picture is shown elsewhere, marks alone say that it froze; they never say that it worked.
#[test]
fn a_picture_that_is_only_marked_fails_by_marks_and_never_works_by_them() {
    let went = |mark_s: f64| {
        let mut plan = Row { has_picture: false, ..FLIGHT }.plan();
        plan.note(mark_s, Note::Mark { kind: MarkKind::PictureFroze, text: String::new() });
        let summary = plan.play(&PROFILE.replace("SCALE", SCALE), &[], FLIGHT.end_s).summary();
        summary.session_verdicts.into_iter().find(|verdict| verdict.about == "video").unwrap()
    };
    let aloft = went(60.0);
    assert_eq!((aloft.word, aloft.failures, aloft.failed_s), (SessionWord::Failed, 1, None));
    assert!(session_sentence::text(&aloft).starts_with("video failed once, as marked by hand"));
    let ground = went(5.0);
    assert_eq!(ground.word, SessionWord::NotJudged);
    assert_eq!(session_sentence::text(&ground), "video: a level alone was seen here, none of its data");
}
