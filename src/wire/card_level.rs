//! The kernel's own figures of a wireless card: a row of its table of wireless cards.
//!
//! Layout: net/wireless/wext-proc.c prints `NAME: STATUS LINK LEVEL NOISE` and six counters;
//! LINK, LEVEL and NOISE are followed by a point where they are new since the table was read
//! last. LEVEL and NOISE are in dBm where the driver says so: the kernel then takes 256 from a byte, so that
//! they are negative, and -256 stands for unknown. Others are in a unit of the driver's own.

/// What a row says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// The card's.
    pub name: String,
    /// What it receives.
    pub level: Level,
    /// Noise there, where it is known.
    pub noise_dbm: Option<i8>,
}

/// A level as the driver gives it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// In dBm.
    Dbm(i8),
    /// Not heard, or nothing new.
    Absent,
    /// In a unit of the driver's own.
    Relative,
}

/// Reads a row; `None` where it is none.
pub(super) fn parse(row: &str) -> Option<Row> {
    let (name, rest) = row.trim_start().split_once(':')?;
    let mut columns = rest.split_ascii_whitespace().skip(2);
    let (level, noise) = (columns.next()?, columns.next()?);
    let number = |text: &str| text.trim_end_matches('.').parse::<i32>().ok();
    let dbm = |value: i32| i8::try_from(value).ok().filter(|value| *value < 0);
    let (value, noise) = (number(level)?, number(noise)?);
    let level = match (level.ends_with('.'), value) {
        (false, _) | (true, ..=-129 | 0) => Level::Absent,
        (true, 1..) => Level::Relative,
        (true, _) => dbm(value).map_or(Level::Absent, Level::Dbm),
    };
    Some(Row { name: name.to_owned(), level, noise_dbm: dbm(noise) })
}

#[cfg(test)]
mod tests {
    use crate::wire::card_level::*;

    /// As the kernel prints it: "%6s: %04x  %3d%c  %3d%c  %3d%c  %6d %6d %6d %6d %6d   %6d".
    fn row(level: &str, noise: &str) -> String {
        format!(" wlan0: 0000   54.  {level}  {noise}        0      0      0      4     25        0")
    }

    #[test]
    fn a_row_gives_the_level_that_is_new() {
        let parsed = |level: &str, noise: &str| {
            let row = row(level, noise);
            parse(&row).map(|row| (row.level, row.noise_dbm))
        };
        assert_eq!(parsed("-56.", "-256 "), Some((Level::Dbm(-56), None)));
        assert_eq!(parsed("-91.", " -95."), Some((Level::Dbm(-91), Some(-95))));
        assert_eq!(parsed("-56 ", "-256 "), Some((Level::Absent, None)), "read before");
        assert_eq!(parsed("-256.", "-256."), Some((Level::Absent, None)));
        assert_eq!(parsed("  0 ", "  0 "), Some((Level::Absent, None)), "a card that was never asked");
        assert_eq!(parsed(" 24.", "  4."), Some((Level::Relative, None)));
        assert_eq!(parse(&row("-56.", "-256 ")).map(|row| row.name).as_deref(), Some("wlan0"));
    }

    #[test]
    fn what_is_no_row_gives_nothing() {
        for text in [
            "Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE",
            " face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22",
            "",
            "wlan0:",
            "wlan0: 0000 54. high low",
        ] {
            assert_eq!(parse(text), None, "{text}");
        }
    }
}
