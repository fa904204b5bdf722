//! A long session with random faults of all kinds, against the truth: `cargo run --release --example soak -- hours 6 10001`
//! for simulated hours by replay, `-- live 25 10001` for minutes at true speed.
//!
//! Both take the real binary, from `target/release/fadewatch` or a fourth word. Wanted: all figures are those of the
//! generator (the lost within their interval), memory is flat, and no descriptor is left open.

#![expect(clippy::print_stdout, reason = "its output is the point")]

mod faulty_sender;
mod live_session;
mod recorded;

use std::path::PathBuf;

use faulty_sender::FaultySender;
use serde_json::Value;

fn main() -> anyhow::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let word =
        |place: usize, otherwise: &str| words.get(place).cloned().unwrap_or_else(|| otherwise.to_owned());
    let program = PathBuf::from(word(3, "target/release/fadewatch")).canonicalize()?;
    let (length, seed): (u64, u64) = (word(1, "6").parse()?, word(2, "10001").parse()?);
    match word(0, "hours").as_str() {
        "hours" => {
            let folder = tempfile::tempdir()?;
            let path = folder.path().join("soak.pcapng");
            let mut held = Vec::new();
            for hours in [1, length] {
                let senders = recorded::write(&path, seed, 3600 * hours, recorded::SELDOM)?;
                let (summary, kb) = recorded::summary(&program, &path)?;
                held.push(kb);
                println!("{hours} hours, {} bytes, {kb} kB held at most", path.metadata()?.len());
                report(&senders, &summary, &[])?;
            }
            println!(
                "memory after {length} hours {:.2} times that after one",
                held[1] as f64 / held[0] as f64
            );
        }
        "live" => {
            let (senders, summary, stalls) = live_session::run(&program, seed, 60 * length)?;
            report(&senders, &summary, &stalls)?;
        }
        other => anyhow::bail!("'{other}' is no soak (use hours or live)"),
    }
    Ok(())
}

fn report(senders: &[FaultySender], summary: &Value, stalls: &[(f64, f64)]) -> anyhow::Result<()> {
    let (mut wrong, mut exact) = (Vec::new(), 0);
    for sender in senders {
        // Datagrams have the kernel's stamps: nothing of them is laid to a stall.
        let of_stream = usize::from(sender.id.0) > faulty_sender::IN_DATAGRAMS;
        let (own, is_exact) = sender.compare(summary, if of_stream { stalls } else { &[] });
        println!("{:?}, {:?}: {:?}", sender.id, sender.clock, sender.truth());
        wrong.extend(own);
        exact += u32::from(is_exact);
    }
    println!("lost exact of {exact} of {} senders", senders.len());
    for line in &wrong {
        println!("{line}");
    }
    anyhow::ensure!(wrong.is_empty(), "{} figures are wrong", wrong.len());
    Ok(())
}
