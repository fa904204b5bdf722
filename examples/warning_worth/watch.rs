//! One flight as the core saw it, four times a second, beside what is true of it.

use std::path::Path;
use std::sync::Arc;

use fadewatch::history::{Choice, History, SessionRow};
use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::simulate;
use fadewatch::simulate::Scenario;
use fadewatch::snapshot::{LinkState, View};
use fadewatch::summary::Earlier;

use crate::flights;
use crate::flights::Link;

/// Looks a second.
const LOOKS: f64 = 4.0;
/// A standing picture is known as such after 0.22 s at 15 frames a second, and looked at ten times a second.
const KNOWN_AFTER_S: f64 = 0.35;
/// A warning is justified by a failure so soon, or so lately.
const SOON_S: f64 = 20.0;
const LATELY_S: f64 = 10.0;
/// Or by a true margin under this.
const NEAR_DB: f64 = 6.0;

/// What is true of a flight.
pub(crate) struct Truth {
    freezes: Vec<[f64; 2]>,
    /// At each whole second, dB above the true limit.
    margins: Vec<f64>,
}

/// The state of the link over a flight.
pub(crate) struct Watched {
    pub(crate) truth: Truth,
    pub(crate) states: Vec<(f64, LinkState)>,
}

fn simulated(
    link: &Link,
    toml: &str,
    monitor: &mut LinkMonitor,
    mut look: impl FnMut(&LinkMonitor),
) -> Truth {
    let scenario = Scenario::parse(toml, Path::new("study.toml")).unwrap();
    let simulated = simulate::run(&scenario);
    for entry in simulated.entries() {
        monitor.handle(&entry);
        look(monitor);
    }
    let rows = simulated.truth["video"]["freeze_list"].as_array().unwrap();
    let freezes = rows.iter().map(|row| {
        let start_s = row["start_s"].as_f64().unwrap();
        [start_s, start_s + row["duration_s"].as_f64().unwrap()]
    });
    let margins = simulated.video_levels.iter().map(|level| level - link.limit_dbm()).collect();
    Truth { freezes: freezes.collect(), margins }
}

/// What the earlier sessions of a set teach.
pub(crate) fn learned(link: &Link, seed: u64) -> Earlier {
    let profile = Arc::new(Profile::parse(&link.profile()).unwrap());
    let mut history = History::open(Path::new(":memory:")).unwrap();
    for number in 0..link.earlier {
        let toml = flights::earlier(link, seed * 100 + number);
        let mut monitor = LinkMonitor::with_earlier(Arc::clone(&profile), Earlier::default());
        simulated(link, &toml, &mut monitor, |_| ());
        let evidence = monitor.session_evidence();
        let row = SessionRow {
            hash: format!("{seed:032x}{number:032x}"),
            file: format!("{number}.pcapng"),
            start_utc: Some(format!("2031-04-0{}T09:00:00Z", number + 1)),
            tags: std::collections::BTreeMap::new(),
            summary: "{}".to_owned(),
            evidence: evidence.links,
            vibration: evidence.vibration,
        };
        history.add(&row).unwrap();
    }
    history.earlier(&profile, &Choice::default()).unwrap()
}

/// Flies once.
pub(crate) fn fly(link: &Link, (toml, from_s): &(String, f64), earlier: Earlier) -> Watched {
    let profile = Arc::new(Profile::parse(&link.profile()).unwrap());
    let mut monitor = LinkMonitor::with_earlier(profile, earlier);
    let summary = Arc::new(monitor.summary(&RecordingFacts::default()));
    let view = View { from_s: 0.0, to_s: 1.0, columns: 1 };
    let mut picture = monitor.snapshot(view, summary);
    let mut states = Vec::new();
    let truth = simulated(link, toml, &mut monitor, |monitor| {
        let now_s = monitor.now_s();
        if now_s >= states.len() as f64 / LOOKS {
            picture = monitor.snapshot_after(View { from_s: now_s - 1.0, to_s: now_s, columns: 1 }, &picture);
            states.push((now_s, picture.lanes[0].state));
        }
    });
    states.retain(|(at_s, _)| at_s >= from_s);
    Watched { truth, states }
}

const fn asks(state: LinkState) -> bool {
    matches!(state, LinkState::Warning | LinkState::Alarm | LinkState::Failing)
}

/// What the words of a flight were worth.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Worth {
    pub(crate) flights: usize,
    /// Looks while the picture stood, and those that called it good, or only heard.
    pub(crate) failing: usize,
    pub(crate) failing_good: usize,
    pub(crate) failing_heard: usize,
    /// Looks while something was asked, and those that were justified.
    pub(crate) asked: usize,
    pub(crate) justified: usize,
    /// Times that it began to ask, and those in which no look was justified.
    pub(crate) begun: usize,
    pub(crate) false_alarms: usize,
    /// Looks, and good ones.
    pub(crate) looks: usize,
    pub(crate) good: usize,
    /// Flights that froze once away; warned without a break for 8 s before it; ever 8 s before; good in the last second.
    pub(crate) froze: usize,
    pub(crate) ahead: usize,
    pub(crate) ever_ahead: usize,
    pub(crate) good_before: usize,
    pub(crate) lead_s: f64,
}

impl Worth {
    pub(crate) fn add(&mut self, other: &Self) {
        for (own, other) in [
            (&mut self.flights, other.flights),
            (&mut self.failing, other.failing),
            (&mut self.failing_good, other.failing_good),
            (&mut self.failing_heard, other.failing_heard),
            (&mut self.asked, other.asked),
            (&mut self.justified, other.justified),
            (&mut self.begun, other.begun),
            (&mut self.false_alarms, other.false_alarms),
            (&mut self.looks, other.looks),
            (&mut self.good, other.good),
            (&mut self.froze, other.froze),
            (&mut self.ahead, other.ahead),
            (&mut self.ever_ahead, other.ever_ahead),
            (&mut self.good_before, other.good_before),
        ] {
            *own += other;
        }
        self.lead_s += other.lead_s;
    }
}

impl Truth {
    fn fails(&self, at_s: f64) -> bool {
        self.freezes.iter().any(|[from_s, to_s]| from_s + KNOWN_AFTER_S <= at_s && at_s < *to_s)
    }

    fn justifies(&self, at_s: f64) -> bool {
        let near = |[from_s, to_s]: &[f64; 2]| from_s - SOON_S <= at_s && at_s <= to_s + LATELY_S;
        let margin = self.margins.get(at_s as usize).is_some_and(|margin| *margin < NEAR_DB);
        margin || self.freezes.iter().any(near)
    }
}

impl Watched {
    pub(crate) fn worth(&self) -> Worth {
        let mut worth = Worth { flights: 1, ..Worth::default() };
        let (mut was_asked, mut spell_justified) = (false, false);
        for &(at_s, state) in &self.states {
            worth.looks += 1;
            worth.good += usize::from(state == LinkState::Good);
            if self.truth.fails(at_s) {
                worth.failing += 1;
                worth.failing_good += usize::from(state == LinkState::Good);
                worth.failing_heard += usize::from(state == LinkState::Heard);
            }
            let justified = self.truth.justifies(at_s);
            if asks(state) {
                worth.asked += 1;
                worth.justified += usize::from(justified);
                worth.begun += usize::from(!was_asked);
                spell_justified = justified || (was_asked && spell_justified);
            } else if was_asked {
                worth.false_alarms += usize::from(!spell_justified);
            }
            was_asked = asks(state);
        }
        worth.false_alarms += usize::from(was_asked && !spell_justified);
        self.first_freeze(&mut worth);
        worth
    }

    fn first_freeze(&self, worth: &mut Worth) {
        // Before it has left for 8 s nothing can be warned of.
        let begun_s = self.states.first().map_or(0.0, |(at_s, _)| *at_s).max(25.0) + 8.0;
        let Some([froze_s, _]) = self.truth.freezes.iter().find(|[from_s, _]| *from_s > begun_s) else {
            return;
        };
        let before = || self.states.iter().rev().filter(|(at_s, _)| at_s < froze_s);
        let lead_s =
            before().take_while(|(_, state)| asks(*state)).last().map_or(0.0, |(at_s, _)| froze_s - at_s);
        worth.froze = 1;
        worth.lead_s = lead_s;
        worth.ahead = usize::from(lead_s >= 8.0);
        worth.ever_ahead = usize::from(before().any(|(at_s, state)| asks(*state) && froze_s - at_s >= 8.0));
        worth.good_before =
            usize::from(before().take(LOOKS as usize).any(|(_, state)| *state == LinkState::Good));
    }
}
