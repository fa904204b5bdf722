//! What this computer says of itself once a second: the kernel's own files, as read.
//!
//! Sources, all in the kernel's Documentation: driver-api/thermal/sysfs-api.rst, hwmon/sysfs-interface.rst,
//! ABI/testing/sysfs-class-power, admin-guide/pm/cpufreq.rst, accounting/psi.rst, filesystems/proc.rst. What is not there,
//! or cannot be read, is absent.

/// Rows of one reading.
pub const MOST_ROWS: usize = 96;

/// What a row is of, and what its values are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum HealthPart {
    /// A sensor: thousandths of a degree Celsius; the part's own critical value.
    Temperature,
    /// A cooling device that slows the processor: its state, 0 is no cooling.
    Cooling,
    /// A frequency policy of the processor: absent (in older recordings the clock then); highest clock allowed, kHz.
    Clock,
    /// What supplies this computer: microvolts; charge in percent; 0 unknown, 1 charging, 2 discharging,
    /// 3 not charging, 4 full.
    Supply,
    /// A voltage's own critical alarm: 1 while it is too low.
    LowSupply,
    /// Microseconds that some tasks waited, that all tasks waited, for `cpu`, `memory` or `io`, since the start.
    Pressure,
    /// Hundredths of the mean of tasks that ran or waited over the last minute; processors.
    Load,
    /// Memory that programs can have, and all of it, in kB.
    Memory,
}

impl HealthPart {
    /// All of them, with their words in a recording.
    pub const WORDS: [(Self, &'static str); 8] = [
        (Self::Temperature, "temperature"),
        (Self::Cooling, "cooling"),
        (Self::Clock, "clock"),
        (Self::Supply, "supply"),
        (Self::LowSupply, "low-supply"),
        (Self::Pressure, "pressure"),
        (Self::Load, "load"),
        (Self::Memory, "memory"),
    ];
}

/// One part of this computer, as read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HealthRow {
    /// What it is.
    pub part: HealthPart,
    /// Its name, in the kernel's words.
    pub name: String,
    /// Its values; absent ones are `None`.
    pub values: [Option<i64>; 3],
}
