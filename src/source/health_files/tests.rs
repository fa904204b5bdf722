//! Invented trees of the kernel's files, laid out as its Documentation says.

use std::fs;
use std::os::unix::fs::symlink;

use crate::source::health_files::*;

struct Tree(tempfile::TempDir);

impl Tree {
    fn new(files: &[(&str, &str)]) -> Self {
        let tree = Self(tempfile::tempdir().unwrap());
        for (path, text) in files {
            tree.write(path, text);
        }
        tree
    }

    fn write(&self, path: &str, text: &str) {
        let path = self.0.path().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    fn files(&self) -> HealthFiles {
        HealthFiles::new(self.0.path().to_owned())
    }

    fn read(&self) -> Vec<(HealthPart, String, [Option<i64>; 3])> {
        plain(self.files().read())
    }
}

fn plain(rows: Vec<HealthRow>) -> Vec<(HealthPart, String, [Option<i64>; 3])> {
    rows.into_iter().map(|row| (row.part, row.name, row.values)).collect()
}

fn row(part: HealthPart, name: &str, values: &[i64]) -> (HealthPart, String, [Option<i64>; 3]) {
    let mut all = [None; 3];
    for (slot, value) in all.iter_mut().zip(values) {
        *slot = Some(*value);
    }
    (part, name.to_owned(), all)
}

const THERMAL: &str = "sys/class/thermal/thermal_zone0";
const CPU: &str = "sys/devices/system/cpu";

/// Formats: driver-api/thermal/sysfs-api.rst, admin-guide/pm/cpufreq.rst, accounting/psi.rst, filesystems/proc.rst.
#[test]
fn what_the_kernel_says_is_read_as_it_stands() {
    let tree = Tree::new(&[
        (&format!("{THERMAL}/type"), "cpu-thermal\n"),
        (&format!("{THERMAL}/temp"), "48312\n"),
        (&format!("{THERMAL}/trip_point_0_type"), "passive\n"),
        (&format!("{THERMAL}/trip_point_0_temp"), "75000\n"),
        (&format!("{THERMAL}/trip_point_1_type"), "critical\n"),
        (&format!("{THERMAL}/trip_point_1_temp"), "110000\n"),
        (&format!("{THERMAL}/trip_point_2_type"), "hot\n"),
        (&format!("{THERMAL}/trip_point_2_temp"), "95000\n"),
        ("sys/class/thermal/cooling_device0/type", "cpufreq-cpu0\n"),
        ("sys/class/thermal/cooling_device0/cur_state", "2\n"),
        // A fan at work is no throttling.
        ("sys/class/thermal/cooling_device1/type", "pwm-fan\n"),
        ("sys/class/thermal/cooling_device1/cur_state", "3\n"),
        (&format!("{CPU}/cpufreq/policy0/scaling_max_freq"), "1800000\n"),
        (&format!("{CPU}/online"), "0-2,5\n"),
        (
            "proc/pressure/memory",
            "some avg10=0.00 avg60=0.12 avg300=0.05 total=31154072\nfull avg10=0.00 avg60=0.00 avg300=0.00 total=2457715\n",
        ),
        // Kernels before 5.13 have no line for all tasks.
        ("proc/pressure/cpu", "some avg10=9.47 avg60=8.83 avg300=8.95 total=2677664013\n"),
        ("proc/loadavg", "1.40 11.53 9.79 12/174 21232\n"),
        (
            "proc/meminfo",
            "MemTotal:        8048412 kB\nMemFree:          215508 kB\nMemAvailable:    3146172 kB\n",
        ),
    ]);
    let mut cpu = row(HealthPart::Pressure, "cpu", &[2_677_664_013]);
    cpu.2[1] = None;
    let expected = [
        row(HealthPart::Temperature, "cpu-thermal", &[48_312, 95_000]),
        row(HealthPart::Cooling, "cpufreq-cpu0", &[2]),
        (HealthPart::Clock, "policy0".to_owned(), [None, Some(1_800_000), None]),
        cpu,
        row(HealthPart::Pressure, "memory", &[31_154_072, 2_457_715]),
        row(HealthPart::Load, "1min", &[140, 4]),
        row(HealthPart::Memory, "ram", &[3_146_172, 8_048_412]),
    ];
    assert_eq!(tree.read(), expected);
}

/// Formats: hwmon/sysfs-interface.rst, ABI/testing/sysfs-class-power.
#[test]
fn monitors_and_supplies_are_those_of_this_computer() {
    let hwmon = "sys/class/hwmon/hwmon";
    let supply = "sys/class/power_supply";
    let tree = Tree::new(&[
        (&format!("{hwmon}0/name"), "board\n"),
        (&format!("{hwmon}0/temp1_input"), "41000\n"),
        (&format!("{hwmon}0/temp1_crit"), "84800\n"),
        (&format!("{hwmon}0/temp1_label"), "Composite\n"),
        (&format!("{hwmon}0/temp2_input"), "-3000\n"),
        // Rails of a board without a current beside them: none is a supply.
        (&format!("{hwmon}0/in1_input"), "3300\n"),
        (&format!("{hwmon}1/name"), "monitor\n"),
        (&format!("{hwmon}1/in0_input"), "12\n"),
        (&format!("{hwmon}1/in1_input"), "5087\n"),
        (&format!("{hwmon}1/curr1_input"), "1210\n"),
        (&format!("{hwmon}2/name"), "volt\n"),
        (&format!("{hwmon}2/in0_lcrit_alarm"), "1\n"),
        (&format!("{supply}/BAT0/voltage_now"), "3712000\n"),
        (&format!("{supply}/BAT0/capacity"), "64\n"),
        (&format!("{supply}/BAT0/status"), "Discharging\n"),
        (&format!("{supply}/gamepad/capacity"), "12\n"),
        (&format!("{supply}/gamepad/scope"), "Device\n"),
    ]);
    let expected = [
        row(HealthPart::Temperature, "board Composite", &[41_000, 84_800]),
        row(HealthPart::Temperature, "board temp2", &[-3_000]),
        row(HealthPart::Supply, "monitor in1", &[5_087_000]),
        row(HealthPart::LowSupply, "volt in0", &[1]),
        row(HealthPart::Supply, "BAT0", &[3_712_000, 64, 2]),
    ];
    assert_eq!(tree.read(), expected);
}

/// A thermal zone's and a supply's own hardware monitor lie below them in the kernel's tree of devices.
#[test]
fn what_shows_itself_twice_is_read_once() {
    let tree = Tree::new(&[
        (&format!("{THERMAL}/type"), "cpu-thermal\n"),
        (&format!("{THERMAL}/temp"), "48312\n"),
        ("sys/devices/virtual/thermal/thermal_zone0/hwmon0/temp1_input", "48312\n"),
        ("sys/devices/charger/power_supply/BAT0/hwmon1/temp1_input", "30000\n"),
        ("sys/devices/disk/hwmon2/temp1_input", "35000\n"),
    ]);
    fs::create_dir_all(tree.0.path().join("sys/class/hwmon")).unwrap();
    for (number, to) in [
        (0, "virtual/thermal/thermal_zone0/hwmon0"),
        (1, "charger/power_supply/BAT0/hwmon1"),
        (2, "disk/hwmon2"),
    ] {
        let from = tree.0.path().join(format!("sys/class/hwmon/hwmon{number}"));
        symlink(tree.0.path().join("sys/devices").join(to), from).unwrap();
    }
    let names: Vec<String> = tree.read().into_iter().map(|(_, name, _)| name).collect();
    assert_eq!(names, ["cpu-thermal", "hwmon2 temp1"]);
}

#[test]
fn what_is_absent_garbage_or_gone_is_no_number() {
    let nothing = Tree::new(&[]);
    assert_eq!(nothing.read(), []);
    let tree = Tree::new(&[
        (&format!("{THERMAL}/temp"), "hot\n"),
        ("sys/class/thermal/thermal_zone1/temp", "99999999999999999999999\n"),
        ("sys/class/thermal/thermal_zone2/temp", ""),
        ("sys/class/thermal/thermal_zone3/type", "no temperature\n"),
        ("sys/class/thermal/thermal_zone10/type", "twin\n"),
        ("sys/class/thermal/thermal_zone10/temp", "-9223372036854775808\n"),
        ("sys/class/thermal/thermal_zone9/type", "twin\n"),
        ("sys/class/thermal/thermal_zone9/temp", "50000\n"),
        ("proc/pressure/io", "\u{0}\u{0}total=\nsome total\nfull avg10=0.00 total=-x\n"),
        ("proc/loadavg", "NaN 1 1\n"),
        ("proc/meminfo", "MemAvailable: much\n"),
        (&format!("{CPU}/online"), "9-0,,1-9223372036854775807\n"),
        ("sys/class/power_supply/BAT0/status", "Resting\n"),
    ]);
    fs::create_dir_all(tree.0.path().join("sys/class/thermal/thermal_zone4/temp")).unwrap();
    let expected = [
        row(HealthPart::Temperature, "twin", &[50_000]),
        row(HealthPart::Temperature, "twin 2", &[i64::MIN]),
    ];
    let mut files = tree.files();
    assert_eq!(plain(files.read()), expected);
    fs::remove_dir_all(tree.0.path().join("sys/class/thermal/thermal_zone9")).unwrap();
    assert_eq!(plain(files.read()), expected[1..], "a zone vanished");
    // Who is there is looked up again within a minute.
    tree.write("sys/class/thermal/thermal_zone5/temp", "60000\n");
    let later: Vec<_> = (0..60).map(|_| plain(files.read())).collect();
    let fifth = row(HealthPart::Temperature, "thermal_zone5", &[60_000]);
    assert!(!later[0].contains(&fifth) && later[59].contains(&fifth), "{:?}", later[59]);
}

#[test]
fn a_reading_is_bounded() {
    let tree = Tree::new(&[("proc/loadavg", "0.10 0 0\n")]);
    let long = "x".repeat(3_000);
    for zone in 0..300 {
        tree.write(&format!("sys/class/thermal/thermal_zone{zone}/temp"), "40000\n");
        tree.write(&format!("sys/class/thermal/thermal_zone{zone}/type"), &long);
    }
    let rows = tree.read();
    assert!(rows.len() <= MOST_ROWS, "{}", rows.len());
    assert!(rows.iter().all(|(_, name, _)| name.len() <= LONGEST_NAME + 4));
    assert_eq!(rows.last().unwrap().0, HealthPart::Load);
}
