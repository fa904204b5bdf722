//! The guided bench test, step by step: what each still needs, and where an answer leads.
//!
//! Definition: a step is shown where every item of the sheet that it is for has its word, its question has a yes and its
//! time has passed; one with an item that failed is over too. That the handset is far away is shown by the life of the
//! session, which says "walk" or "out" by level or distance (`measure/life`); else a person says so. Unit: seconds, messages a second. Window: the items' own;
//! the time of the steps of loss runs from their beginning. Sources: a least rate of 10 Hz and 60 s of loss are common
//! practice, no source. Pure: nothing here knows a terminal; what was answered comes back from the recording's marks.
//! A gap, restart or late record changes what the items say, nothing here.

use crate::summary::{
    BenchItem, BenchReason, BenchRow, BenchSheet, BenchStep, BenchWord, GuideNote, GuideRecord, Phase,
    PhaseSummary, Reason, StepAnswer, Summary, TimingSummary, TimingWhat,
};

/// A step of loss takes so long.
const LOSS_S: f64 = 60.0;
/// Slower messages tell too little of sticks.
pub const LEAST_HZ: f64 = 10.0;
/// RC_CHANNELS and the older RC_CHANNELS_RAW; SERVO_OUTPUT_RAW.
const WANTED: [&[u32]; 2] = [&[65, 35], &[36]];

/// What a step lacks beside its items.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StepNeed {
    /// A yes: propellers are off.
    PropellersOff,
    /// A yes: this computer keeps its power.
    Power,
    /// The vehicle's RC channels often enough; a second now, `None`: none.
    Inputs(Option<f64>),
    /// Its outputs.
    Outputs(Option<f64>),
    /// Sticks of a handset.
    Sticks,
    /// A link brings nothing that is numbered.
    SilentLink,
    /// The handset away, or a yes that it is.
    Away {
        /// A level or a distance is known that would show it.
        is_measured: bool,
    },
    /// So many seconds more.
    Seconds(f64),
}

/// How a step stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepWord {
    /// Evidence enough.
    Enough,
    /// One of its items failed.
    Failed,
    /// More is needed.
    Open,
    /// Nothing yet, and the test can do without.
    Optional,
}

/// A step at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// In one word.
    pub word: StepWord,
    /// What it lacks beside its items.
    pub needs: Vec<StepNeed>,
    /// The rows of the sheet that it is for.
    pub rows: Vec<BenchRow>,
}

/// What a step is for.
const fn items(step: BenchStep) -> &'static [BenchItem] {
    match step {
        BenchStep::Propellers | BenchStep::Links | BenchStep::Sheet => &[],
        BenchStep::Sticks => &[BenchItem::Answers, BenchItem::Travel, BenchItem::Centre, BenchItem::Jitter],
        BenchStep::Latency => &[BenchItem::LatencyP90, BenchItem::LatencySpread, BenchItem::Holds],
        BenchStep::Loss => &[BenchItem::Loss],
        BenchStep::Far => &[BenchItem::Loss, BenchItem::Margin],
        BenchStep::Drills => &[BenchItem::Drills, BenchItem::Detected, BenchItem::Outputs],
        BenchStep::Supply => &[BenchItem::Supply],
        BenchStep::Glass => &[BenchItem::PictureDelay],
    }
}

/// How a step stands, by the newest figures and the sheet made of them.
#[must_use]
pub fn standing(
    step: BenchStep,
    (sheet, summary): (&BenchSheet, &Summary),
    record: &GuideRecord,
    now_s: f64,
) -> Standing {
    let needs = needs(step, (sheet, summary), record, now_s);
    let all = step == BenchStep::Sheet;
    let rows: Vec<BenchRow> =
        sheet.items.iter().filter(|row| all || items(step).contains(&row.item)).cloned().collect();
    let has = |word| rows.iter().any(|row: &BenchRow| row.word == word);
    let lacks = |row: &BenchRow| {
        row.word == BenchWord::NotProven || row.required && row.word == BenchWord::NotMeasured
    };
    let is_optional = matches!(step, BenchStep::Supply | BenchStep::Glass);
    let word = if all {
        StepWord::Enough
    } else if !needs.is_empty() {
        StepWord::Open
    } else if has(BenchWord::Failed) {
        StepWord::Failed
    } else if is_optional && !rows.iter().any(|row| row.required || row.value.is_some()) {
        StepWord::Optional
    } else if rows.iter().any(lacks) {
        StepWord::Open
    } else {
        StepWord::Enough
    };
    Standing { word, needs, rows }
}

fn needs(
    step: BenchStep,
    (sheet, summary): (&BenchSheet, &Summary),
    record: &GuideRecord,
    now_s: f64,
) -> Vec<StepNeed> {
    match step {
        BenchStep::Propellers if record.answers.get(&step) != Some(&StepAnswer::Shown) => {
            vec![StepNeed::PropellersOff]
        }
        BenchStep::Links => of_links(sheet, summary),
        // Whoever comes back to a step that was shown need not wait again.
        BenchStep::Loss | BenchStep::Far if record.answers.get(&step) == Some(&StepAnswer::Shown) => {
            Vec::new()
        }
        BenchStep::Loss | BenchStep::Far => {
            let begun_s = record.on.filter(|(on, _)| *on == step).map_or(now_s, |(_, at_s)| at_s);
            let passed_s = if step == BenchStep::Loss || record.away {
                Some(now_s - begun_s)
            } else {
                away_s(&summary.phases, begun_s, now_s)
            };
            let Some(passed_s) = passed_s else {
                let has_distance = summary.range.iter().any(|row| row.max_distance_m.is_some());
                return vec![StepNeed::Away { is_measured: has_distance || !summary.signal.is_empty() }];
            };
            let left_s = LOSS_S - passed_s;
            if left_s > 0.0 { vec![StepNeed::Seconds(left_s)] } else { Vec::new() }
        }
        BenchStep::Drills if !record.powered => vec![StepNeed::Power],
        _ => Vec::new(),
    }
}

/// The longest trip since an instant; `None`: no trip.
fn away_s(phases: &[PhaseSummary], from_s: f64, now_s: f64) -> Option<f64> {
    let ends = phases.iter().skip(1).map(|next| next.from_s).chain([now_s]);
    let mut longest = None;
    let mut trip = None::<f64>;
    for (phase, end_s) in phases.iter().zip(ends) {
        if !matches!(phase.phase, Phase::Walk | Phase::Out | Phase::Back) {
            trip = None;
            continue;
        }
        let begun_s = *trip.get_or_insert(phase.from_s.max(from_s));
        if end_s > begun_s {
            longest = Some((end_s - begun_s).max(longest.unwrap_or(0.0)));
        }
    }
    longest
}

fn of_links(sheet: &BenchSheet, summary: &Summary) -> Vec<StepNeed> {
    let [inputs, outputs] = WANTED.map(|ids| rate_hz(summary, ids));
    let mut needs = Vec::new();
    let is_slow = |hz: Option<f64>| hz.is_none_or(|hz| hz < LEAST_HZ);
    if is_slow(inputs) {
        needs.push(StepNeed::Inputs(inputs));
    }
    if is_slow(outputs) {
        needs.push(StepNeed::Outputs(outputs));
    }
    if summary.latency.drawing.missing[0] == Some(Reason::NoSticks) {
        needs.push(StepNeed::Sticks);
    }
    let is_silent =
        |row: &&BenchRow| row.item == BenchItem::Loss && row.reason == Some(BenchReason::NotHeard);
    if sheet.items.iter().any(|row| is_silent(&row)) {
        needs.push(StepNeed::SilentLink);
    }
    needs
}

/// How often the vehicle's fastest of these messages comes, by its usual spacing in the session: half of all are
/// shorter. Other senders count for nothing, nor do channels on the handset's interface: those are sticks.
fn rate_hz(summary: &Summary, ids: &[u32]) -> Option<f64> {
    let is_one = |row: &&TimingSummary| {
        let is_stick = ids == WANTED[0] && row.interface.as_deref() == Some("handset");
        row.what == TimingWhat::Message
            && row.id.is_some_and(|id| ids.contains(&id))
            && row.system.zip(row.component) == summary.autopilot
            && !is_stick
    };
    let rows = summary.timing.iter().filter(is_one).filter(|row| row.p50_ms > 0.0);
    rows.map(|row| 1_000.0 / row.p50_ms).max_by(f64::total_cmp)
}

/// RC channels and outputs a second, as the vehicle reports them; `None`: not at all.
#[must_use]
pub fn rates_hz(summary: &Summary) -> [Option<f64>; 2] {
    WANTED.map(|ids| rate_hz(summary, ids))
}

/// What a person may answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GuideAct {
    /// Yes to the step's question.
    Yes,
    /// On, with evidence enough.
    Next,
    /// On without.
    Skip,
    /// To the step before.
    Back,
    /// The step from its beginning.
    Repeat,
}

/// Why an answer leads nowhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// Propellers must be off first.
    PropellersFirst,
    /// More is needed; skipping leaves it unproven.
    NotEnough,
    /// There is no question.
    NoQuestion,
}

/// Where the test is, and what was answered.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Guide {
    /// The step that is on.
    pub step: BenchStep,
    /// The answers of this session, and those of earlier ones that still hold.
    pub record: GuideRecord,
    /// Where an interrupted test goes on after its first question.
    resume_at: Option<BenchStep>,
    /// It came to its end.
    pub is_over: bool,
}

impl Guide {
    /// Goes on with an interrupted test: its answers hold, but who goes on is asked again whether propellers are off, and
    /// before drills whether this computer keeps its power. A delay that was entered stays in its own recording.
    #[must_use]
    pub fn resumed(earlier: &GuideRecord) -> Self {
        let mut record = earlier.clone();
        record.answers.remove(&BenchStep::Propellers);
        record.answers.remove(&BenchStep::Sheet);
        (record.on, record.powered, record.glass) = (None, false, None);
        let resume_at = earlier.on.map(|(step, _)| step).filter(|step| *step > BenchStep::Propellers);
        Self { step: BenchStep::Propellers, record, resume_at, is_over: false }
    }

    /// Takes a note that was set, in this session or from a recording.
    pub fn observe(&mut self, at_s: f64, note: GuideNote) {
        self.record.observe(at_s, note);
        if let GuideNote::Step(step, StepAnswer::Begun) = note {
            self.step = step;
        }
    }

    /// Takes an answer; gives the notes that keep it.
    ///
    /// # Errors
    /// Why it leads nowhere.
    pub fn act(&mut self, act: GuideAct, word: StepWord, now_s: f64) -> Result<Vec<GuideNote>, Refusal> {
        let notes = self.notes(act, word)?;
        for note in &notes {
            self.observe(now_s, *note);
        }
        self.is_over |= notes.contains(&GuideNote::Step(BenchStep::Sheet, StepAnswer::Shown));
        Ok(notes)
    }

    fn notes(&mut self, act: GuideAct, word: StepWord) -> Result<Vec<GuideNote>, Refusal> {
        let step = self.step;
        let on = |answer, to| Ok(vec![GuideNote::Step(step, answer), GuideNote::Step(to, StepAnswer::Begun)]);
        match (step, act) {
            (BenchStep::Propellers, GuideAct::Yes) => {
                let to = self.resume_at.take().unwrap_or_else(|| step.next());
                on(StepAnswer::Shown, to)
            }
            (BenchStep::Propellers, _) => Err(Refusal::PropellersFirst),
            (BenchStep::Drills, GuideAct::Yes) if !self.record.powered => Ok(vec![GuideNote::Powered]),
            (BenchStep::Far, GuideAct::Yes) if !self.record.away => Ok(vec![GuideNote::Away]),
            (_, GuideAct::Yes) => Err(Refusal::NoQuestion),
            (_, GuideAct::Back) => Ok(vec![GuideNote::Step(step.previous(), StepAnswer::Begun)]),
            (_, GuideAct::Repeat) => {
                self.record.answers.remove(&step);
                Ok(vec![GuideNote::Step(step, StepAnswer::Begun)])
            }
            (BenchStep::Sheet, _) => Ok(vec![GuideNote::Step(step, StepAnswer::Shown)]),
            (_, GuideAct::Skip) => on(StepAnswer::Skipped, step.next()),
            (_, GuideAct::Next) => match word {
                StepWord::Enough | StepWord::Failed => on(StepAnswer::Shown, step.next()),
                StepWord::Optional => on(StepAnswer::Skipped, step.next()),
                StepWord::Open => Err(Refusal::NotEnough),
            },
        }
    }
}
