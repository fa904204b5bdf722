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
            #[allow(dead_code, reason = "some sets are only written as JSON")]
            pub const fn word(self) -> &'static str {
                match self {
                    $(Self::$variant => $word,)+
                }
            }
        }
    )+};
}

pub(super) use words;

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
        /// Constant, and neither as they were nor at the profile's failsafe values.
        Elsewhere = "elsewhere",
    }

    /// What may drive vibration.
    VibrationDriver {
        /// VFR_HUD throttle, percent.
        Throttle = "throttle",
        /// Mean motor speed, turns a second.
        MotorSpeed = "motor-speed",
        /// Battery voltage, volts.
        Voltage = "voltage",
        /// One servo output, microseconds.
        Output = "output",
    }

    /// Bad pictures of one kind.
    BadPicture {
        /// It froze.
        Froze = "froze",
        /// It shook, as marked by hand.
        Shook = "shook",
    }

    /// What makes a picture bad.
    PictureCause {
        /// A low level of the video link.
        Radio = "radio",
        /// Vibration.
        Airframe = "airframe",
        /// The computer that this runs on.
        Computer = "computer",
        /// What sends the picture.
        Sender = "sender",
    }

    /// An axis of the vehicle.
    Axis {
        /// Along x.
        X = "x",
        /// Along y.
        Y = "y",
        /// Along z.
        Z = "z",
    }

    /// The unit of accelerations.
    AccelerationUnit {
        /// Metres a second squared.
        Metric = "m/s2",
        /// As the sensor sends it.
        Raw = "raw",
    }

    /// Whose limit of vibration.
    LimitSource {
        /// The profile's.
        Profile = "profile",
        /// That of earlier sessions.
        History = "history",
        /// This session's own.
        Session = "session",
        /// The program's, where the profile gives none.
        Default = "default",
    }

    /// How an item of the bench sheet stands, and the whole sheet.
    BenchWord {
        /// Its interval lies on the right side of its limit.
        Passed = "passed",
        /// It lies on the wrong side.
        Failed = "failed",
        /// It lies on both, or there is not enough.
        NotProven = "not proven",
        /// There is nothing to measure it by.
        NotMeasured = "not measured",
    }

    /// What a bench sheet judges.
    BenchItem {
        /// What goes missing of a link.
        Loss = "loss",
        /// Nine in ten movements show within.
        LatencyP90 = "latency_p90",
        /// The same less the median.
        LatencySpread = "latency_spread",
        /// Holds a minute of moving sticks.
        Holds = "holds",
        /// Channels against the handset's sticks.
        Answers = "answers",
        /// Travel of the channels that steer.
        Travel = "travel",
        /// Centre of those that come back to one.
        Centre = "centre",
        /// Jitter at rest of those that steer.
        Jitter = "jitter",
        /// Drills behind the two times below.
        Drills = "drills",
        /// Input lost to the vehicle's first word of it.
        Detected = "detected",
        /// Input lost to outputs at rest.
        Outputs = "outputs",
        /// Minutes that a battery has left.
        Supply = "supply",
        /// Lens to screen.
        PictureDelay = "glass_to_glass",
        /// Lowest margin of a link.
        Margin = "margin",
    }

    /// What more an item needs.
    BenchNeed {
        /// Quick movements of sticks.
        Moves = "moves",
        /// Seconds in which sticks move.
        MovingSeconds = "moving_s",
        /// Seconds of the session.
        Seconds = "seconds",
        /// Losses of input.
        Drills = "drills",
        /// Each of the channels to both ends, so often.
        Ends = "ends",
        /// Each of the channels left alone, seconds.
        Rest = "rest_s",
        /// Each of the sticks moved alone and held for over a second, so often.
        Steps = "steps",
        /// Photographs of the running time.
        Photographs = "photographs",
        /// Minutes under a steady load.
        Load = "load",
    }

    /// Why an item was not measured, or does not pass.
    BenchReason {
        /// No sticks, inputs or outputs that it could be measured by.
        Latency = "latency",
        /// Both ends are on clocks that do not know of each other.
        NoBound = "no_bound",
        /// An upper bound lies above the limit: that fails nothing.
        UpperBound = "upper_bound",
        /// No sticks, or no RC input.
        NoSticks = "no_sticks",
        /// Nothing was heard that is numbered.
        NotHeard = "not_heard",
        /// The vehicle reports no such channel.
        NoChannel = "no_channel",
        /// The handset numbers its sticks otherwise, or is not heard.
        NotNumbered = "not_numbered",
        /// No channel comes back to a centre.
        NoCentre = "no_centre",
        /// Input was never lost.
        NoDrill = "no_drill",
        /// In a drill the vehicle said nothing of it.
        NotDetected = "not_detected",
        /// In a drill outputs were not seen at rest.
        NotSeen = "not_seen",
        /// In a drill outputs held what they showed.
        Held = "held",
        /// In a drill outputs kept moving.
        Moving = "moving",
        /// In a drill outputs came to rest at other values than the profile's.
        Elsewhere = "elsewhere",
        /// The minutes left are not known.
        NoMinutes = "no_minutes",
        /// It is entered by hand, and was not.
        NotEntered = "not_entered",
        /// The link has no margin in dB.
        NoMargin = "no_margin",
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

    /// Which way a channel goes when what it follows goes up.
    StickDirection {
        /// Up as well.
        Same = "same",
        /// Down.
        Reversed = "reversed",
    }

    /// What is wrong with a channel, held against the handset's sticks.
    StickFinding {
        /// Its stick moves, and it never moved.
        Dead = "dead",
        /// It moved, and stands still now while its stick moves.
        Stuck = "stuck",
        /// It follows the stick of another number, and not its own.
        Crossed = "crossed",
        /// It goes against its stick.
        Reversed = "reversed",
    }
    /// What became of a figure.
    ChangeWord {
        /// It went the good way.
        Better = "better",
        /// It went the bad way.
        Worse = "worse",
        /// Nothing beyond chance.
        NoDifference = "no_difference_shown",
    }

    /// What two sides were matched by.
    MatchedBy {
        /// Like distances in like directions.
        Distance = "distance",
        /// Like levels.
        Level = "level",
        /// Both stood on the ground.
        Ground = "ground",
        /// Out with out, back with back, walk with walk.
        Direction = "direction",
        /// Each session is one value, as it was flown.
        Session = "session",
    }

    /// Figures that are compared.
    ComparedFigure {
        /// The level at which a link is received.
        Level = "level",
        /// Share of frames or packets lost.
        Loss = "loss",
        /// Seconds in which nothing at all came.
        Silent = "silent",
        /// Freezes that began.
        Freezes = "freezes",
        /// Time in which the picture stood.
        Frozen = "frozen",
        /// Seconds of moving sticks in which the input held.
        Holds = "holds",
        /// Median latency from stick to servo.
        StickToServo = "stick_to_servo",
        /// Of nine in ten.
        StickToServo90 = "stick_to_servo_p90",
        /// From stick to RC input.
        StickToInput = "stick_to_input",
        /// From RC input to servo.
        InputToServo = "input_to_servo",
        /// Vibration along x.
        VibrationX = "vibration_x",
        /// Vibration along y.
        VibrationY = "vibration_y",
        /// Vibration along z.
        VibrationZ = "vibration_z",
        /// From the loss of the input to the vehicle's word of it.
        FailsafeDetected = "failsafe_detected",
        /// From the loss of the input to safe outputs.
        FailsafeSafe = "failsafe_outputs",
        /// RTP jitter.
        Jitter = "jitter",
    }
}

impl Axis {
    /// In their order.
    pub const ALL: [Self; 3] = [Self::X, Self::Y, Self::Z];
}

impl VibrationDriver {
    /// Those of which there is one; outputs are many.
    pub const SINGLE: [Self; 3] = [Self::Throttle, Self::MotorSpeed, Self::Voltage];
}
