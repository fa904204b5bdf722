//! `stopwatch`: a running time to film, and the delay of the picture from photographs of it.

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::process::ExitCode;

use anyhow::Context as _;

use crate::cli::StopwatchArgs;
use crate::clock::SessionClock;
use crate::measure::glass_to_glass::{Optics, Photograph, delay};
use crate::profile::Profile;
use crate::report;
use crate::summary::PictureDelay;
use crate::tui::stopwatch;
use crate::wording::{caution, glass_words};

use super::{LIMIT_FAILED, private_file, screens, tell};

/// Shows the stopwatch, or takes what was read off; prints the delay, and keeps it in the profile where that is wanted.
pub(super) fn run(args: &StopwatchArgs) -> anyhow::Result<ExitCode> {
    let mut optics = Optics { refresh_ms: 1_000.0 / args.refresh_hz, exposure_ms: args.exposure_ms };
    let photographs =
        if args.readings.is_empty() { shown(args, &mut optics)? } else { args.readings.clone() };
    if photographs.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    let found = delay(&photographs, optics);
    let said = glass_words::delay(&found);
    let Ok(figure) = found else {
        tell(format_args!("fadewatch: {said}"));
        return Ok(ExitCode::from(LIMIT_FAILED));
    };
    let mut out = super::out();
    if args.json {
        report::write_json_to(&mut out, &figure)?;
    } else {
        writeln!(out, "{said}")?;
        if let Some(advice) = glass_words::advice(&figure) {
            writeln!(out, "{advice}")?;
        }
        writeln!(out, "\nAbove all tables of a profile:\n{}", glass_words::profile_lines(&figure))?;
    }
    out.flush()?;
    drop(out);
    if let Some(path) = &args.profile
        && (args.yes || is_kept(path)?)
    {
        keep(path, &figure)?;
        tell(format_args!("kept in {}", path.display()));
    }
    Ok(ExitCode::SUCCESS)
}

/// The photographs that were typed under the running time. A terminal that draws more slowly than the screens are
/// refreshed sets the step of the time.
fn shown(args: &StopwatchArgs, optics: &mut Optics) -> anyhow::Result<Vec<Photograph>> {
    anyhow::ensure!(
        screens::can_show(),
        "the stopwatch needs a terminal; what was read off photographs is taken by --read TIME,PICTURE"
    );
    let clock = SessionClock::start();
    let (readings, drawn_hz) = stopwatch::run(screens::options(&args.screen), *optics, &|| clock.now())?;
    if let Some(hz) = drawn_hz.filter(|hz| *hz > 0) {
        optics.refresh_ms = optics.refresh_ms.max(1_000.0 / f64::from(hz));
    }
    tell(caution::INSTRUMENT);
    Ok(readings.photographs)
}

/// Whether the figure shall be kept; no without anybody to ask.
fn is_kept(path: &Path) -> anyhow::Result<bool> {
    Ok(std::io::stdin().is_terminal() && super::is_wanted(&format!("Keep it in {}?", path.display()))?)
}

/// Puts the figure into a profile, which is otherwise left as it is to the last letter.
fn keep(path: &Path, figure: &PictureDelay) -> anyhow::Result<()> {
    let shown = path.display();
    let text = std::fs::read_to_string(path).with_context(|| format!("cannot read the profile '{shown}'"))?;
    let before = Profile::parse(&text).with_context(|| format!("profile '{shown}'"))?;
    let text = with_figure(&text, &glass_words::profile_lines(figure));
    let expected = |after: &Profile| {
        let figures = (after.glass_to_glass_ms, after.glass_to_glass_ci95_ms);
        let (glass_to_glass_ms, glass_to_glass_ci95_ms) = figures;
        *after == Profile { glass_to_glass_ms, glass_to_glass_ci95_ms, ..before.clone() }
            && figures.0.is_some_and(|ms| (ms - figure.glass_to_glass_ms).abs() < 0.1)
    };
    anyhow::ensure!(
        Profile::parse(&text).is_ok_and(|after| expected(&after)),
        "cannot put the figure into '{shown}' by itself: put those lines there above all tables"
    );
    private_file::rewrite(path, &mut |out| out.write_all(text.as_bytes()))
        .with_context(|| format!("cannot write the profile '{shown}'"))
}

/// The text of a profile with these lines above its tables, in the place of older ones.
fn with_figure(text: &str, lines: &str) -> String {
    let is_table = |line: &&str| line.trim_start().starts_with('[');
    let top = text.split_inclusive('\n').take_while(|line| !is_table(line)).map(str::len).sum();
    let (top, tables) = text.split_at(top);
    let is_older = |line: &&str| line.trim_start().starts_with("glass_to_glass_");
    let mut kept: String = top.split_inclusive('\n').filter(|line| !is_older(line)).collect();
    if !kept.is_empty() && !kept.ends_with('\n') {
        kept.push('\n');
    }
    format!("{kept}{lines}\n{tables}")
}

#[cfg(test)]
mod tests {
    use crate::run::stopwatch_command::*;

    const FIGURE: &str = "glass_to_glass_ms = 95.0\nglass_to_glass_ci95_ms = [90.0, 100.0]";

    #[test]
    fn a_profile_keeps_every_other_letter() {
        let tables = "# the rover\n[vehicle]\nsystem = 1 # ours\n";
        for older in
            ["", "glass_to_glass_ms = 7\n", "glass_to_glass_ms = 7\nglass_to_glass_ci95_ms = [1, 9]\n"]
        {
            let text = with_figure(&format!("# mine\n{older}{tables}"), FIGURE);
            assert_eq!(text, format!("# mine\n# the rover\n{FIGURE}\n[vehicle]\nsystem = 1 # ours\n"));
        }
        assert_eq!(with_figure("", FIGURE), format!("{FIGURE}\n"));
        assert_eq!(with_figure("# only this", FIGURE), format!("# only this\n{FIGURE}\n"));
    }

    #[test]
    fn only_a_profile_that_can_be_read_is_changed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("rover.toml");
        let reading = |delay: f64| Photograph { time_ms: 5_000.0, picture_ms: 5_000.0 - delay };
        let optics = Optics { refresh_ms: 17.0, exposure_ms: 17.0 };
        let figure = delay(&[reading(90.0), reading(95.0), reading(100.0)], optics).unwrap();
        std::fs::write(&path, "[vehicle]\nsystem = 1\n").unwrap();
        keep(&path, &figure).unwrap();
        keep(&path, &figure).unwrap();
        let profile = Profile::parse(&std::fs::read_to_string(&path).unwrap()).unwrap();
        assert_eq!((profile.vehicle.system, profile.glass_to_glass_ms), (Some(1), Some(95.0)));
        for text in ["[vehicle]\nsistem = 1\n", "note = 1\n"] {
            std::fs::write(&path, text).unwrap();
            assert!(keep(&path, &figure).is_err());
            assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
        }
    }
}
