//! How often the interval of glass to glass holds the truth: `glass_coverage -- FIRST COUNT`.

#![expect(clippy::print_stdout, reason = "a study prints its findings")]

mod study;

use anyhow::Context as _;

fn main() -> anyhow::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let mut number = |usual: u64| match arguments.next() {
        Some(text) => text.parse().with_context(|| format!("'{text}' is no number")),
        None => Ok(usual),
    };
    let (first, count) = (number(10_001)?, number(1_000)?);
    println!("photographs  held %  half interval ms  mean error ms  told apart %");
    for photographs in [3, 5, 10, 20, 50] {
        let tally = study::study(first..first + count, photographs);
        let said = f64::from(tally.said);
        println!(
            "{photographs:11}  {:6.1}  {:16.1}  {:13.2}  {:12.1}",
            100.0 * f64::from(tally.held) / said,
            tally.half_ms / said,
            tally.error_ms / said,
            100.0 * f64::from(tally.apart) / said,
        );
    }
    Ok(())
}
