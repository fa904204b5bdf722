//! What the words of a link are worth: over flights with a known truth, with the limits of earlier sessions and without.
//!
//! An invented, seeded study. Each set is a link of its own with one to eight earlier sessions, and five next flights: out
//! beyond the limit, out and back, ten minutes of hovering at 16 dB, a stop at 12 dB, and a fall that distance does not
//! explain. Looked at four times a second. No look more than 0.35 s into a true freeze may be called good. A warning (or
//! alarm, or failure shown) is justified if a true freeze begins within 20 s, stands, or ended within the last 10 s, or
//! the true level is under 6 dB above the true limit; a false alarm is a spell of warnings none of which is. A flight is
//! warned ahead if a warning stood without a break for 8 s before its first freeze ("ever": any warning 8 s before).
//! `cargo run --release --example warning_worth -- FIRST_SEED SETS [estimate] [history]` (10001, 200; `estimate`: warnings
//! count from level_p05 itself, however few sessions there are; `history`: without the flights that have no limit).
#![expect(clippy::print_stdout, reason = "a study prints its findings")]
#![expect(clippy::unwrap_used, reason = "a study that cannot go on stops")]

mod flights;
mod watch;

use fadewatch::summary::{Earlier, Threshold};

use flights::{COURSES, Course, Link};
use watch::Worth;

/// One flight's findings: which course, with a limit of earlier sessions, in device units, with a position.
type Row = (Course, bool, Link, Worth);

fn set(seed: u64) -> Vec<Row> {
    let link = Link::of(seed);
    let learned = watch::learned(&link, seed);
    let mut rows = Vec::new();
    for (number, course) in COURSES.into_iter().enumerate() {
        let flight = flights::next(&link, course, seed * 100 + 50 + number as u64);
        let mut learned = learned.clone();
        if std::env::args().any(|word| word == "estimate") {
            let all = learned.thresholds.iter().cloned().map(|limit| Threshold { warns_at: None, ..limit });
            learned.thresholds = all.collect();
        }
        let without = (!std::env::args().any(|word| word == "history")).then(Earlier::default);
        for earlier in std::iter::once(learned).chain(without) {
            let has_limit = !earlier.thresholds.is_empty();
            if has_limit || earlier == Earlier::default() {
                rows.push((course, has_limit, link, watch::fly(&link, &flight, earlier).worth()));
            }
        }
    }
    rows
}

fn print(title: &str, rows: &[Row], wanted: impl Fn(&Row) -> bool) {
    let mut all = Worth::default();
    rows.iter().filter(|row| wanted(row)).for_each(|row| all.add(&row.3));
    let share = |part: usize, of: usize| 100.0 * part as f64 / of.max(1) as f64;
    println!(
        "{title:<34} {:>4} flights; failing called good {} or heard {} of {}; good {:>4.1} %, asks {:>4.1} %, justified {:>5.1} %; \
         begun {:>4}, false {:>3}; froze {:>3}, warned 8 s before {:>5.1} % (ever {:>5.1} %), lead {:>5.1} s, good just before {:>3}",
        all.flights,
        all.failing_good,
        all.failing_heard,
        all.failing,
        share(all.good, all.looks),
        share(all.asked, all.looks),
        share(all.justified, all.asked),
        all.begun,
        all.false_alarms,
        all.froze,
        share(all.ahead, all.froze),
        share(all.ever_ahead, all.froze),
        all.lead_s / all.froze.max(1) as f64,
        all.good_before,
    );
}

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|word| word.parse::<u64>().ok());
    let (first, sets) = (numbers.next().unwrap_or(10_001), numbers.next().unwrap_or(200));
    let half = |parity: u64| (first..first + sets).filter(move |seed| seed % 2 == parity).flat_map(set);
    let rows: Vec<Row> = std::thread::scope(|scope| {
        let odd = scope.spawn(move || half(1).collect::<Vec<Row>>());
        let mut rows: Vec<Row> = half(0).collect();
        rows.extend(odd.join().unwrap());
        rows
    });
    println!("seeds {first} to {}", first + sets - 1);
    for course in COURSES {
        for has_limit in [true, false] {
            let own = |row: &Row| row.0 == course && row.1 == has_limit;
            let title = format!("{course:?}, {}", if has_limit { "with history" } else { "without" });
            print(&title, &rows, own);
            if has_limit {
                print("  a position", &rows, |row| own(row) && row.2.has_position && !row.2.in_units);
                print("  none", &rows, |row| own(row) && !row.2.has_position && !row.2.in_units);
                print("  device units", &rows, |row| own(row) && row.2.in_units);
                print("  under 4 sessions", &rows, |row| own(row) && row.2.earlier < 4);
                print("  4 or 8 sessions", &rows, |row| own(row) && row.2.earlier >= 4);
            }
        }
    }
    print("all", &rows, |_| true);
}
