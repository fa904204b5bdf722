//! The guided bench test in words: what to do in each step, what is missing, what an answer changed.

use super::quantity;
use crate::judge::bench::guide_steps::{LEAST_HZ, Refusal, StepNeed, StepWord};
use crate::summary::{BenchStep, BenchWord};

/// A step's name.
#[must_use]
pub const fn name(step: BenchStep) -> &'static str {
    match step {
        BenchStep::Propellers => "propellers",
        BenchStep::Links => "links",
        BenchStep::Sticks => "sticks",
        BenchStep::Latency => "latency",
        BenchStep::Loss => "loss",
        BenchStep::Far => "loss, far",
        BenchStep::Drills => "failsafe",
        BenchStep::Supply => "supply",
        BenchStep::Glass => "glass to glass",
        BenchStep::Sheet => "sheet",
    }
}

/// What a step is about now.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Now {
    /// The channel or stick that is next.
    pub channel: Option<u8>,
    /// Quick moves that are still needed.
    pub moves: Option<u64>,
    /// Seconds that are still needed.
    pub seconds: Option<f64>,
    /// The drill that is next, and how many are wanted.
    pub drill: (u64, u64),
    /// Whether this computer keeps its power is not answered yet.
    pub asks_power: bool,
    /// The handset is not away yet.
    pub is_near: bool,
    /// Input is lost now.
    pub is_lost: bool,
    /// The sheet's word.
    pub verdict: Option<BenchWord>,
}

/// The few words to be read first, from afar: capitals and digits alone.
#[must_use]
pub fn large(step: BenchStep, word: StepWord, now: &Now) -> String {
    let is_over = matches!(word, StepWord::Enough | StepWord::Failed);
    let channel =
        |verb: &str| now.channel.map_or_else(|| verb.to_owned(), |number| format!("{verb} {number}"));
    match step {
        BenchStep::Propellers => "PROPELLERS OFF".to_owned(),
        BenchStep::Sheet => match now.verdict {
            Some(BenchWord::Passed) => "PASSED".to_owned(),
            Some(BenchWord::Failed) => "FAILED".to_owned(),
            _ => "NOT PROVEN".to_owned(),
        },
        BenchStep::Drills if now.asks_power => "KEEP THIS ON".to_owned(),
        BenchStep::Drills if now.is_lost => "HANDSET ON".to_owned(),
        _ if is_over && word == StepWord::Failed => "FAILED".to_owned(),
        _ if is_over => "ENOUGH".to_owned(),
        BenchStep::Links => "POWER ON".to_owned(),
        BenchStep::Sticks => channel("MOVE CHANNEL"),
        BenchStep::Latency => channel("FLICK STICK"),
        BenchStep::Far if now.is_near => "GO FAR AWAY".to_owned(),
        BenchStep::Loss | BenchStep::Far => {
            now.seconds.map_or_else(|| "WAIT".to_owned(), |seconds| format!("WAIT {:.0} S", seconds.ceil()))
        }
        BenchStep::Drills => format!("HANDSET OFF {} OF {}", now.drill.0, now.drill.1),
        BenchStep::Supply => "UNDER LOAD".to_owned(),
        BenchStep::Glass => "TAKE PHOTOS".to_owned(),
    }
}

/// What to do, sentence by sentence, the most pressing first.
#[must_use]
pub const fn steps(step: BenchStep) -> &'static [&'static str] {
    match step {
        BenchStep::Propellers => &[
            "Take the propellers off, or lift the wheels off the ground. Then press y: yes, they are off.",
            "Nothing begins before that. The test takes some 15 minutes, and can be interrupted at any time.",
        ],
        BenchStep::Links => &[
            "Switch on the handset, the vehicle and the picture, and wait until each link brings data.",
            "Too few messages: f asks the vehicle for faster ones, c for its clock. Both transmit, to your own vehicle \
             alone, and only if you press them.",
        ],
        BenchStep::Sticks => &[
            "Move the stick of this channel alone, slowly, to both ends and back, three times. Let it go for three \
             seconds after each.",
            "Then the next channel. Switches and knobs count too: move each once.",
        ],
        BenchStep::Latency => &[
            "Flick this stick quickly from end to end, hold it for a second, and back. One stick at a time; the bell \
             counts.",
            "Quick moves are what tell the delay; slow ones tell nothing.",
        ],
        BenchStep::Loss => &[
            "Leave handset and vehicle where they are, switched on as in flight, and wait.",
            "What goes missing now is what the best place gives.",
        ],
        BenchStep::Far => &[
            "Carry the handset away, put an attenuator in, or lower the power (reduced_power_db in the profile), and wait \
             there; r begins the minute anew.",
            "The sheet counts these seconds as all others.",
        ],
        BenchStep::Drills => &[
            "Does this computer keep its power when the handset goes off? Only then press y.",
            "Move the sticks off their rest, switch the handset off, wait for ten seconds, switch it on again, wait for \
             ten more.",
        ],
        BenchStep::Supply => &[
            "Let the vehicle draw what it draws in flight, propellers off: motors at low throttle, picture, radios.",
            "Minutes left need some minutes of load, and capacity_mah or cutoff_v in the profile.",
        ],
        BenchStep::Glass => &[
            "Run fadewatch stopwatch on another screen. Film it with the vehicle's camera, and photograph that screen and \
             the handset's at once, ten times.",
            "Type both times of each photograph, in seconds: the running time, Enter, its picture, Enter.",
        ],
        BenchStep::Sheet => &["Enter ends the test and prints the sheet; b goes back to what is not proven."],
    }
}

/// What a step lacks beside its items.
#[must_use]
pub fn need(need: StepNeed) -> String {
    let rate = |what: &str, hz: Option<f64>| match hz {
        None => format!("{what}: none heard; f asks for them (transmits)"),
        Some(hz) => format!("{what}: {hz:.0} a second, {LEAST_HZ} are wanted; f asks for more (transmits)"),
    };
    match need {
        StepNeed::PropellersOff => "y: yes, propellers are off".to_owned(),
        StepNeed::Power => "y: yes, this computer keeps its power".to_owned(),
        StepNeed::Inputs(hz) => rate("RC channels of the vehicle", hz),
        StepNeed::Outputs(hz) => rate("outputs of the vehicle", hz),
        StepNeed::Sticks => "sticks: no handset is heard; name its source with --handset".to_owned(),
        StepNeed::SilentLink => "a link of the profile brings nothing yet".to_owned(),
        StepNeed::Away { is_measured: true } => {
            "neither level nor distance show that the handset is far away: carry it farther, or y: yes, it is"
                .to_owned()
        }
        StepNeed::Away { is_measured: false } => {
            "no level or distance is known that could show how far away it is: y: yes, it is far away"
                .to_owned()
        }
        StepNeed::Seconds(left) => format!("{} more to wait", quantity::seconds(left.ceil())),
    }
}

/// How a step stands.
#[must_use]
pub const fn word(word: StepWord) -> &'static str {
    match word {
        StepWord::Enough => "enough: Enter goes on",
        StepWord::Failed => "failed: Enter goes on, r repeats",
        StepWord::Open => "not enough yet: s goes on without, and leaves it unproven",
        StepWord::Optional => "can be left out: Enter goes on",
    }
}

/// Why an answer leads nowhere.
#[must_use]
pub const fn refusal(refusal: Refusal) -> &'static str {
    match refusal {
        Refusal::PropellersFirst => "propellers off first: press y when they are",
        Refusal::NotEnough => "not enough yet: s goes on without, and leaves it unproven",
        Refusal::NoQuestion => "nothing is asked here",
    }
}
