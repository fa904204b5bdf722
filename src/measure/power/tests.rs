use crate::measure::power::*;

fn report(consumed_mah: Option<f64>, voltage_v: f64) -> Report {
    Report { voltage_v: Some(voltage_v), current_a: Some(10.0), consumed_mah, remaining_percent: None }
}

const FLYING: Setting = Setting { capacity_mah: Some(2500.0), cutoff_v: None, is_other: false, loaded: true };

fn minutes(battery: &Battery, setting: Setting, now_s: i64) -> Result<f64, Reason> {
    battery.left(setting, Nanos::from_secs(now_s)).map(|(left, _)| left.s / 60.0)
}

/// 10 A for 6 min are 1,000 mAh: arithmetic.
#[test]
fn charge_is_counted_integrated_and_left() {
    let (mut counted, mut integrated) = (Battery::default(), Battery::default());
    for second in 0..=360_i64 {
        let at = Nanos::from_secs(second);
        let consumed = 500.0 + 1000.0 * second as f64 / 360.0;
        counted.observe(at, report(Some(consumed), 16.0 - second as f64 / 360.0), FLYING);
        integrated.observe(at, report(None, 16.0), FLYING);
    }
    assert!((counted.used_mah().unwrap() - 1000.0).abs() < 1e-6);
    assert!((integrated.used_mah().unwrap() - 1000.0).abs() < 1e-6);
    assert_eq!((counted.voltage_start_v, counted.voltage_min_v), (Some(16.0), Some(15.0)));
    // 2,500 less 1,500 used since boot: 1,000 mAh at 10 A are 6 min.
    assert!((minutes(&counted, FLYING, 360).unwrap() - 6.0).abs() < 1e-6);
    assert_eq!(
        minutes(&counted, Setting { loaded: true, ..Setting::default() }, 360),
        Err(Reason::NoCapacity)
    );
    assert_eq!(minutes(&integrated, FLYING, 360), Err(Reason::NoCharge));
    assert_eq!(minutes(&counted, FLYING, 391), Err(Reason::BatterySilent));
    counted.observe(Nanos::from_secs(360), report(Some(2.0), 16.0), FLYING);
    counted.observe(Nanos::from_secs(360), report(Some(12.0), 16.0), FLYING);
    assert!((counted.used_mah().unwrap() - 1010.0).abs() < 1e-6, "a restart begins anew");
}

/// A pause on the ground neither begins nor dilutes what is told: 2,000 mAh at 10 A are 12 min.
#[test]
fn minutes_are_of_the_load_and_not_of_the_pauses() {
    let mut battery = Battery::default();
    let (mut consumed, mut told) = (0.0, Vec::new());
    for second in 0..1200_i64 {
        // On the ground until 300 s and from 420 to 780 s.
        let loaded = (300..420).contains(&second) || second >= 780;
        consumed += if loaded { 10.0 / 3.6 } else { 0.3 / 3.6 };
        let report = Report { consumed_mah: Some(consumed), ..Report::default() };
        battery.observe(Nanos::from_secs(second), report, Setting { loaded, ..FLYING });
        let setting = Setting { loaded, capacity_mah: Some(consumed + 2000.0), ..FLYING };
        told.push(minutes(&battery, setting, second));
    }
    // 3 min under load end at 780 + 60 s.
    assert!(told[..835].iter().all(|left| *left == Err(Reason::LoadTooShort)));
    assert!(told[845..].iter().all(|left| left.is_ok_and(|left| (left - 12.0).abs() < 0.1)));
}

/// Armed and idle for 4 min, then 10 A: 2,000 mAh are 12 min from the third minute of flight on, and no word before.
#[test]
fn idling_before_the_start_is_no_load() {
    let mut battery = Battery::default();
    let mut consumed = 0.0;
    for second in 0..600_i64 {
        consumed += if second < 240 { 0.5 } else { 10.0 } / 3.6;
        let report = Report { consumed_mah: Some(consumed), ..Report::default() };
        battery.observe(Nanos::from_secs(second), report, FLYING);
        let left = minutes(&battery, Setting { capacity_mah: Some(consumed + 2000.0), ..FLYING }, second);
        match second {
            280..415 => assert_eq!(left, Err(Reason::LoadTooShort), "{second}"),
            450.. => assert!(left.is_ok_and(|left| (left - 12.0).abs() < 0.2), "{second}: {left:?}"),
            // While it idles, as it takes off, and as the third minute ends.
            _ => {}
        }
    }
}

/// A load that is five times as high in one minute as in the others has no mean to go by.
#[test]
fn no_minutes_of_a_load_that_varies_too_much() {
    let mut battery = Battery::default();
    let mut consumed = 0.0;
    for second in 0..300_i64 {
        consumed += if second < 240 { 6.0 } else { 30.0 } / 3.6;
        let report = Report { consumed_mah: Some(consumed), ..Report::default() };
        battery.observe(Nanos::from_secs(second), report, FLYING);
    }
    assert_eq!(minutes(&battery, FLYING, 299), Err(Reason::LoadUneven));
}

/// The cut-off is of the voltage under load, over 10 s: a punch of the throttle for 2 s is none, and a pack at rest that
/// recovers is down all the same.
#[test]
fn none_are_left_at_the_cutoff() {
    let setting = Setting { capacity_mah: Some(2500.0), cutoff_v: Some(14.0), is_other: false, loaded: true };
    let at_end = |voltage: &dyn Fn(i64) -> f64, rest_from: i64| {
        let mut battery = Battery::default();
        for second in 0..=300_i64 {
            let (loaded, consumed) = (second < rest_from, 10.0 / 3.6 * second.min(rest_from) as f64);
            let report = report(Some(consumed), voltage(second));
            battery.observe(Nanos::from_secs(second), report, Setting { loaded, ..setting });
        }
        let left = battery.left(setting, Nanos::from_secs(300));
        left.map(|(left, end)| ((left.s / 6.0).round() / 10.0, end))
    };
    assert_eq!(at_end(&|_| 14.2, 999), Ok((10.0, BatteryEnd::Empty)));
    assert_eq!(at_end(&|second| if second < 285 { 14.2 } else { 13.9 }, 999), Ok((0.0, BatteryEnd::Cutoff)));
    assert_eq!(
        at_end(&|second| if second % 20 < 2 { 13.5 } else { 14.2 }, 999),
        Ok((10.0, BatteryEnd::Empty))
    );
    assert_eq!(at_end(&|second| if second < 250 { 13.9 } else { 14.6 }, 250), Ok((0.0, BatteryEnd::Cutoff)));
}
