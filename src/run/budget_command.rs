//! `budget`: what theory predicts for each link, from the profile alone.

use std::io::Write;
use std::process::ExitCode;

use crate::cli::{BudgetArgs, Common};
use crate::judge::link_budget::Budget;
use crate::report;

use super::profile_choice;

/// Prints every link's budget; a profile without one is wrong use.
pub(super) fn run(args: &BudgetArgs) -> anyhow::Result<ExitCode> {
    let common = Common { profile: args.profile.clone(), ..Common::default() };
    let chosen = profile_choice::choose(&common)?;
    let profile = chosen.profile;
    let Some(path) = chosen.path else {
        anyhow::bail!("a budget comes from a profile: name one with --profile FILE");
    };
    let budget = Budget::of(&profile);
    if budget.links.is_empty() {
        anyhow::bail!(
            "profile '{}': no link has a budget; add to a [[link]]: budget = {{ frequency_mhz = 5800, \
             tx_power_dbm = 20, tx_gain_dbi = 2, rx_gain_dbi = 2, sensitivity_dbm = -90 }}",
            path.display()
        );
    }
    let mut out = super::out();
    if args.json {
        report::write_json_to(&mut out, &budget)?;
    } else {
        report::budget_text::write_to(&mut out, &budget)?;
    }
    out.flush()?;
    Ok(ExitCode::SUCCESS)
}
