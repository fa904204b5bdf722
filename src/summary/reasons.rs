//! Why a figure is missing, or does not count. `wording/reason.rs` says each in a sentence, on screens and in the JSON.

/// Why a figure is missing, or does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// A summary that was written earlier says it in words that are not known.
    OfEarlierVersion,
    /// A sender: this computer sent it.
    OwnTransmission,
    /// A sender: a ground station that the profile does not name.
    UnnamedGround,
    /// A sender: its numbers have gaps where another component's frames lie.
    SharedCounter {
        /// System id of both.
        system: u8,
        /// Component id of the other.
        other: u8,
    },
    /// A sender: several counters number what comes under its id.
    SeveralCounters,
    /// A sender: another address was first under its id.
    SameId,
    /// Two links: they number their frames apart.
    NumberedApart,
    /// A freeze: the vehicle was switched off on the ground.
    SwitchedOff,
    /// A freeze: its sender paused.
    SenderPaused,
    /// A freeze: its sender began anew.
    SenderRestarted,
    /// A freeze: this computer stood still.
    ComputerStalled,
    /// A freeze: packets came in heaps.
    Batches,
    /// A freeze: this computer lost data.
    HostDrops,
    /// A freeze: the autopilot's boot clock fell.
    VehicleRestarted,
    /// A freeze: it began on the ground and never ended.
    OpenOnGround,
    /// A freeze: it never ended, and nothing shows that the vehicle was there.
    OpenUnheard,
    /// A freeze: not over, and nothing is known of the vehicle.
    Open,
    /// A loss of input: a drill.
    Drill,
    /// A loss of input: the handset's own stream stopped first.
    HandsetStopped,
    /// A loss of input: not over, and nothing shows that the vehicle was there.
    InputNotBack,
    /// Sectors round the vehicle cannot be held against each other.
    Sectors(Uncompared),
    /// Neither can layers of height.
    Layers(Uncompared),
    /// Distances: the vehicle sends no position.
    NoPosition,
    /// Distances: where the handset is, is not known.
    NoHandset,
    /// Broken frames: nothing shows when the picture is refreshed.
    RefreshUnseen,
    /// Vibration: the vehicle sends none.
    NoVibration,
    /// Spectrum: inertial messages come too seldom.
    InertialSlow,
    /// Spectrum: their stamps are unevenly spaced.
    InertialUneven,
    /// Spectrum: never enough of them in a row.
    InertialGaps,
    /// Spectrum: they have no stamps.
    InertialUnstamped,
    /// Latency: no sticks are heard.
    NoSticks,
    /// Latency: no RC input is heard.
    NoInput,
    /// Latency: no servo outputs are heard.
    NoServo,
    /// Latency: sticks moved together.
    SticksTogether,
    /// Latency: outputs mix sticks, and not in straight lines.
    MixedOutputs,
    /// Latency: movements, or a second method, contradict the figure.
    Contradicted,
    /// Latency: too few movements.
    FewMoves,
    /// Latency: no output follows a stick.
    NothingFollows,
    /// Latency: both ends are on clocks that are aligned one way only.
    NoBound,
    /// A battery: the profile has that of the vehicle alone.
    OtherBattery,
    /// Minutes of a battery: the profile has no capacity.
    NoCapacity,
    /// Minutes of a battery: it says neither charge nor percentage.
    NoCharge,
    /// Minutes of a battery: it is silent.
    BatterySilent,
    /// Minutes of a battery: too little was seen under load.
    LoadTooShort,
    /// Minutes of a battery: the load varies too much.
    LoadUneven,
    /// Link budget: ranges need the receiver's sensitivity.
    NoSensitivity,
    /// Link budget: two rays need both heights.
    NoHeights,
    /// Link budget: a range check needs a reduced power.
    NoReducedPower,
}

/// Why classes cannot be held against each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Uncompared {
    /// There is no level.
    NoLevel,
    /// Within each the distance never changed.
    OneDistance,
    /// One alone has data enough.
    OneClass,
}
