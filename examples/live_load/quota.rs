//! A share of one core, and no more: a group of the kernel's for one process, version 1 or 2 of its interface.
//!
//! Documentation/admin-guide/cgroup-v2.rst ("cpu.max") and Documentation/scheduler/sched-bwc.rst of the kernel's sources. It
//! takes root, and a controller that is not in use elsewhere.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context as _;

/// The kernel's usual period, in microseconds.
const PERIOD_US: u32 = 100_000;

/// A group with a quota; it goes when this is dropped, if its process is gone.
#[derive(Debug)]
pub(super) struct Quota {
    group: PathBuf,
}

impl Quota {
    /// Puts a process into a group that gets `share` of one core.
    pub(super) fn of(process: u32, share: f64) -> anyhow::Result<Self> {
        let roots = ["/sys/fs/cgroup/cpu", "/sys/fs/cgroup"].map(Path::new);
        let first = roots.into_iter().find(|root| root.join("cgroup.procs").exists());
        let root =
            first.context("no groups of the kernel's at /sys/fs/cgroup: mount them, or leave --board out")?;
        let group = root.join(format!("live_load-{process}"));
        fs::create_dir(&group).with_context(|| format!("making {} (as root?)", group.display()))?;
        let made = Self { group };
        let quota = (f64::from(PERIOD_US) * share).round();
        if made.group.join("cpu.max").exists() {
            made.write("cpu.max", &format!("{quota} {PERIOD_US}"))?;
        } else {
            made.write("cpu.cfs_period_us", &PERIOD_US.to_string())?;
            made.write("cpu.cfs_quota_us", &quota.to_string())?;
        }
        made.write("cgroup.procs", &process.to_string())?;
        Ok(made)
    }

    fn write(&self, name: &str, text: &str) -> anyhow::Result<()> {
        let file = self.group.join(name);
        fs::write(&file, text).with_context(|| format!("writing {text} to {}", file.display()))
    }

    /// Periods so far, and those in which the process had to wait for the next.
    pub(super) fn periods(&self) -> Option<(u64, u64)> {
        let text = fs::read_to_string(self.group.join("cpu.stat")).ok()?;
        let count = |key: &str| {
            text.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(' ')?.parse::<u64>().ok())
        };
        count("nr_periods").zip(count("nr_throttled"))
    }
}

impl Drop for Quota {
    fn drop(&mut self) {
        // A group whose process still runs stays; the next start makes one of another name.
        let _ = fs::remove_dir(&self.group);
    }
}
