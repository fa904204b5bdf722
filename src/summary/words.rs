//! Part of the machine-readable summary, schema 1: the fixed words, each set a type. Words may be added, none renamed.

use serde::{Deserialize, Serialize};

/// A set of words: a type with a variant for each, written and read as its word.
macro_rules! words {
    ($($(#[$doc:meta])+ $name:ident { $($(#[$each:meta])+ $variant:ident = $word:literal,)+ })+) => {$(
        $(#[$doc])+
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum $name {
            $($(#[$each])+ #[serde(rename = $word)] $variant,)+
        }

        impl $name {
            /// The word.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self {
                    $(Self::$variant => $word,)+
                }
            }
        }
    )+};
}

words! {
    /// How a clock was aligned.
    ClockMethod {
        /// By requests and answers.
        TwoWay = "two-way",
        /// By the quickest of what came.
        OneWay = "one-way",
    }

    /// Where requests and answers were stamped.
    ExchangesFrom {
        /// This computer asked.
        Own = "own",
        /// Both were captured, on whichever machine lies on their way.
        Captured = "captured",
    }

    /// How a stage of the latency was found.
    StageMethod {
        /// From the ages that each movement allows.
        IntervalCensored = "interval-censored",
        /// From the two stages that begin at the sticks.
        Difference = "difference",
    }

    /// What a stage's figures bound.
    Bound {
        /// Both sides.
        TwoSided = "two-sided",
        /// The upper side alone: a clock is aligned one way only.
        Upper = "upper",
        /// Nothing: both ends are on one-way clocks.
        None = "none",
    }

    /// What ends the time that a battery lasts.
    BatteryEnd {
        /// The profile's capacity is used.
        Empty = "empty",
        /// The voltage under load is down at the profile's cut-off.
        Cutoff = "cutoff",
    }

    /// What a report of own losses came in.
    ReportSource {
        /// The vehicle's SYS_STATUS.
        SysStatus = "sys_status",
        /// A radio's RADIO_STATUS.
        RadioStatus = "radio_status",
    }

    /// What a level came in.
    Report {
        /// RADIO_STATUS.
        RadioStatus = "radio_status",
        /// RC_CHANNELS.
        RcChannels = "rc_channels",
        /// The radiotap header of each frame of a transmitter.
        Radiotap = "radiotap",
        /// The kernel's own figure of a wireless card.
        Kernel = "kernel",
    }

    /// Which way a signal went.
    SignalDirection {
        /// To the handset.
        Down = "down",
        /// To the vehicle.
        Up = "up",
    }

    /// What shows the freezes of a picture.
    #[derive(Default)]
    VideoSource {
        /// Its packets.
        #[default]
        Rtp = "rtp",
        /// Marks set by hand.
        Marks = "marks",
    }

    /// Which word the handset's place rests on.
    Origin {
        /// Its own positions.
        HandsetFix = "handset_fix",
        /// The profile.
        Profile = "profile",
        /// A mark.
        Mark = "mark",
        /// The vehicle's home.
        HomePosition = "home_position",
        /// The vehicle's first place.
        FirstFix = "first_fix",
    }

    /// What ended the proof of a range.
    ProofWord {
        /// The picture froze.
        Frozen = "frozen",
        /// Over 5 % were lost.
        Loss = "loss",
        /// A failsafe.
        Failsafe = "failsafe",
        /// The input stuck.
        Holds = "holds",
        /// The position was lost.
        PositionLost = "position_lost",
        /// Too few seconds.
        Gap = "gap",
        /// Nothing was measured.
        NotMeasured = "not_measured",
        /// Nothing: it was the farthest.
        Farthest = "farthest",
    }

    /// What a range in theory is counted to.
    TheoryLimit {
        /// The limit of earlier sessions.
        FreezeLevel = "freeze_level",
        /// The profile's sensitivity.
        Sensitivity = "sensitivity",
    }

    /// What the packets say of a freeze, judged at the frame that ended it.
    #[derive(Default)]
    Course {
        /// Not over yet, set by hand, or ended without a frame of its stream: `null`.
        #[default]
        Open = "open",
        /// Packets went missing.
        Lost = "lost",
        /// Nothing went missing and the frames' own stamps lie close together: the packets came late.
        Late = "late",
        /// Nothing went missing, and the sender's clock went on over the interval between neighbouring frames: it sent
        /// nothing.
        SenderPaused = "sender-paused",
        /// The sender began anew within it: new numbers, or another stream in turn.
        SenderRestarted = "sender-restarted",
        /// This computer itself stood still.
        Stalled = "stalled",
        /// The vehicle was switched off on the ground: no freeze of the link; listed, not counted.
        Off = "off",
        /// The packets were handed on in a heap: their stamps are not those of their arrival.
        Heap = "heap",
        /// This computer lost data of the stream itself.
        HostDrops = "host-drops",
    }

    /// A video codec that is told by its payload.
    Codec {
        /// ITU-T H.264 by RFC 6184.
        H264 = "h264",
        /// ITU-T H.265 by RFC 7798.
        H265 = "h265",
    }

    /// What strains this computer itself.
    HostStrain {
        /// A part is near its own critical temperature.
        Hot = "hot",
        /// Its processor is slowed down.
        Throttled = "throttled",
        /// The voltage of its supply is too low.
        Undervoltage = "undervoltage",
        /// Its programs wait for memory.
        Memory = "memory",
        /// Its programs wait for a disk.
        Disk = "disk",
    }

    /// What caused a loss of control input.
    LossCause {
        /// The handset's own stream stopped first.
        Handset = "handset",
    }

    /// What the outputs did at a loss of control input.
    OutputsWord {
        /// At the profile's failsafe values.
        Safe = "safe",
        /// Constant at other values than the last sticks gave.
        Steady = "steady",
        /// As they were.
        Held = "held",
        /// Never constant.
        Moving = "moving",
    }

    /// Whose limit of vibration.
    LimitSource {
        /// The profile's.
        Profile = "profile",
        /// That of earlier sessions.
        History = "history",
        /// This session's own.
        Session = "session",
    }

    /// How a link did in the trips of a session.
    #[derive(Default)]
    SessionWord {
        /// It did its work.
        Worked = "worked",
        /// It failed for long, or again and again.
        Failed = "failed",
        /// There is too little to judge it by.
        #[default]
        NotJudged = "not judged",
    }

    /// What a margin of the link budget is for.
    BudgetLimit {
        /// Nothing is left.
        NoneLeft = "none left",
        /// The link alarms.
        Alarm = "alarm",
        /// It warns.
        Warning = "warning",
        /// Its trend is watched.
        TrendIsWatched = "trend is watched",
    }
}
