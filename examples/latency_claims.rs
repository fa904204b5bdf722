//! How often the latency claims what is not so, on an invented link with known delays.
//!
//! `cargo run --release --example latency_claims [-- --seeds N]`, from seed 10,001 on (`--from`): an output that buttons
//! step (every figure is wrong); links that are as quick as a wire (every withdrawal is wrong); two sticks on two mixed
//! outputs; latencies that change or do not. With `unchanged`, only those that do not: every change told is wrong.

#[path = "../tests/simulated_link/mod.rs"]
mod simulated_link;

use fadewatch::summary::{LatencyStage, LatencySummary, Reason};
use simulated_link::{Scenario, Session, play, quantile};

/// Lower ones are those that constants were tuned on.
const FIRST_SEED: usize = 10_001;

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn main() {
    let words: Vec<String> = std::env::args().collect();
    let number = |name: &str| {
        let at = words.iter().position(|word| word == name)?;
        words.get(at + 1)?.parse::<usize>().ok()
    };
    let first = number("--from").unwrap_or(FIRST_SEED);
    let seeds = || first as u64..(first + number("--seeds").unwrap_or(200)) as u64;
    let count = seeds().count();
    println!("{count} seeds from {first} on\n");
    if !words.iter().any(|word| word == "unchanged") {
        all_but_unchanged(&seeds);
    }
    unchanged(&seeds);
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn all_but_unchanged<Seeds: Iterator<Item = u64>>(seeds: &impl Fn() -> Seeds) {
    for (rate, movements) in [(2.0, 8), (2.0, 40), (4.0, 12), (10.0, 8), (10.0, 40), (25.0, 40)] {
        let scenario = |seed| Scenario { buttons: true, movements, ..Scenario::new(seed, rate) };
        let given = seeds().filter(|&seed| play(&scenario(seed)).summary().stick_to_servo.is_some()).count();
        println!("buttons: {given} figures, {rate} Hz, {movements} movements");
    }
    for (rate, movements) in [(2.0, 8), (4.0, 8), (4.0, 40), (10.0, 8), (25.0, 8), (25.0, 40)] {
        wired(seeds(), rate, movements);
    }
    for rate in [4.0, 10.0, 25.0] {
        mixed(seeds(), rate);
    }
    for (rate, by) in [(4.0, 50.0), (10.0, 50.0), (25.0, 50.0), (25.0, 20.0)] {
        changed(seeds(), rate, by);
    }
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn unchanged<Seeds: Iterator<Item = u64>>(seeds: &impl Fn() -> Seeds) {
    for (rate, movements, timesync) in
        [(4.0, 40, true), (10.0, 40, true), (25.0, 40, true), (25.0, 200, true), (25.0, 40, false)]
    {
        let scenario = |seed| Scenario { movements, timesync, ..Scenario::new(seed, rate) };
        let change = |stage: Option<LatencyStage>| stage.is_some_and(|stage| stage.change.is_some());
        let told = seeds().filter(|&seed| {
            let summary = play(&scenario(seed)).summary();
            change(summary.stick_to_servo) || change(summary.stick_to_input)
        });
        println!("unchanged: {} told, {rate} Hz, {movements} movements, timesync {timesync}", told.count());
    }
}

fn reason(session: &Session, summary: &LatencySummary) -> Option<Reason> {
    session.meter.view(&session.context, summary).stages[0].missing
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn wired(seeds: impl Iterator<Item = u64>, rate: f64, movements: usize) {
    let (mut withdrawn, mut none, mut all) = (0, 0, 0);
    for seed in seeds {
        let delay_ms = Some(1.0 + (seed % 20) as f64);
        let session = play(&Scenario { movements, delay_ms, ..Scenario::new(seed, rate) });
        let summary = session.summary();
        let why = reason(&session, &summary);
        withdrawn += usize::from(why == Some(Reason::Contradicted));
        none += usize::from(why.is_some());
        all += 1;
    }
    println!(
        "wired: {withdrawn} withdrawn, {none} without a figure of {all}, {rate} Hz, {movements} movements"
    );
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn mixed(seeds: impl Iterator<Item = u64>, rate: f64) {
    let mut errors: [Vec<f64>; 2] = Default::default();
    let (mut covered, mut missing) = (0, 0);
    for seed in seeds {
        let session = play(&Scenario { elevons: true, ..Scenario::new(seed, rate) });
        let figures = session.summary().stick_to_servo.and_then(|stage| {
            Some((stage.p50_ms?, stage.p90_ms?, stage.p50_ci95_ms?, stage.clock_uncertainty_ms?))
        });
        let Some((p50, p90, [low, high], clock)) = figures else {
            missing += 1;
            continue;
        };
        let truth = &session.truth.stick_to_servo;
        errors[0].push(p50 - quantile(truth, 0.5));
        errors[1].push(p90 - quantile(truth, 0.9));
        let truth = quantile(truth, 0.5);
        covered += usize::from(truth >= low - clock && truth <= high + clock);
    }
    let given = errors[0].len();
    let within = errors.map(|errors| {
        let mut sizes: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        if sizes.is_empty() { f64::NAN } else { quantile(&sizes, 0.95) }
    });
    println!(
        "mixed: p50, p90 95 % within {within:.1?} ms, {covered} of {given} covered, {missing} missing, {rate} Hz"
    );
}

#[expect(clippy::print_stdout, reason = "an example prints its table")]
fn changed(seeds: impl Iterator<Item = u64>, rate: f64, by_ms: f64) {
    let (mut told, mut covered, mut all, mut late) = (0, 0, 0, 0.0);
    for seed in seeds {
        all += 1;
        let at_ms = 24_000.0;
        let longer_from = Some((at_ms, by_ms));
        let session = play(&Scenario { longer_from, ..Scenario::new(seed, rate) });
        let Some(stage) = session.summary().stick_to_servo else { continue };
        let (Some(change), Some(clock)) = (stage.change, stage.clock_uncertainty_ms) else { continue };
        told += 1;
        late += (change.at_s - at_ms / 1e3).abs();
        let side = |after: bool| {
            let own = session.truth.servo_at.iter().filter(|(at, _)| (*at > at_ms) == after);
            let mut ages: Vec<f64> = own.map(|(_, age)| *age).collect();
            ages.sort_by(f64::total_cmp);
            quantile(&ages, 0.5)
        };
        let holds = |truth: f64, [low, high]: [f64; 2]| truth >= low - clock && truth <= high + clock;
        covered += usize::from(
            holds(side(false), change.before_p50_ci95_ms) && holds(side(true), change.after_p50_ci95_ms),
        );
    }
    let late = late / f64::from(told);
    println!(
        "changed by {by_ms} ms: told in {told} of {all}, both intervals hold in {covered}, {late:.1} s off, {rate} Hz"
    );
}
