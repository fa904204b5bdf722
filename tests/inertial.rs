//! Accelerations, throttle and motor speed: messages that the crate `mavlink` wrote come back with its values, and what a
//! sender does not know is absent.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

use fadewatch::wire::codec::decode;
use fadewatch::wire::framer::Framer;
use fadewatch::wire::telemetry::{BootStamp, InertialSensor, Telemetry};
use mavlink::dialects::common::{
    ESC_STATUS_DATA, HIGHRES_IMU_DATA, HighresImuUpdatedFlags, MavMessage, RAW_IMU_DATA, RAW_RPM_DATA,
    SCALED_IMU_DATA, SCALED_IMU2_DATA, SCALED_IMU3_DATA, VFR_HUD_DATA,
};

fn read(message: &MavMessage) -> Option<Telemetry> {
    let mut bytes = Vec::new();
    let header = mavlink::MavHeader { system_id: 1, component_id: 1, sequence: 9 };
    mavlink::write_v2_msg(&mut bytes, header, message).unwrap();
    let mut found = None;
    Framer::stream().push(&bytes, &mut |frame| found = decode(frame));
    found
}

fn inertial(boot: Option<BootStamp>, time_us: u64, id: (u32, u8), acceleration: [f32; 3]) -> Telemetry {
    let sensor = InertialSensor { message: id.0, instance: id.1 };
    Telemetry::Inertial { boot, time_us, sensor, acceleration: Some(acceleration) }
}

/// Standard gravity is 9.80665 m/s² (ISO 80000-3): 1000 mG.
#[test]
fn each_inertial_message_gives_its_accelerations() {
    let boot = Some(BootStamp::Millis(4321));
    let (g, x, z) = (9.806_65_f32, 100.0 * 9.806_65e-3_f32, -1000.0 * 9.806_65e-3_f32);
    let near = |found: Option<Telemetry>, message: u32| {
        let Some(Telemetry::Inertial { boot: found_boot, time_us, sensor, acceleration }) = found else {
            panic!("{found:?}")
        };
        assert_eq!((found_boot, time_us), (boot, 4_321_000));
        assert_eq!(sensor, InertialSensor { message, instance: 0 });
        let [fx, fy, fz] = acceleration.unwrap();
        assert!((fx - x).abs() < 1e-5 && fy == 0.0 && (fz - z).abs() < 1e-5 && (fz + g).abs() < 1e-5);
    };
    let (time_boot_ms, xacc, zacc) = (4321, 100, -1000);
    let one = SCALED_IMU_DATA { time_boot_ms, xacc, zacc, ..Default::default() };
    let two = SCALED_IMU2_DATA { time_boot_ms, xacc, zacc, ..Default::default() };
    let three = SCALED_IMU3_DATA { time_boot_ms, xacc, zacc, ..Default::default() };
    near(read(&MavMessage::SCALED_IMU(one)), 26);
    near(read(&MavMessage::SCALED_IMU2(two)), 116);
    near(read(&MavMessage::SCALED_IMU3(three)), 129);
    let raw =
        RAW_IMU_DATA { time_usec: 7_000_123, xacc: -5, yacc: 6, zacc: 2000, id: 2, ..Default::default() };
    let wanted = inertial(Some(BootStamp::Micros(7_000_123)), 7_000_123, (27, 2), [-5.0, 6.0, 2000.0]);
    assert_eq!(read(&MavMessage::RAW_IMU(raw)), Some(wanted));
    // Unix time is no boot clock; its spacing is as good.
    let unix_us = 1_790_000_000_000_000;
    let fine = HIGHRES_IMU_DATA {
        time_usec: unix_us,
        xacc: 0.5,
        yacc: -1.5,
        zacc: -9.75,
        fields_updated: HighresImuUpdatedFlags::from_bits_truncate(7),
        id: 1,
        ..Default::default()
    };
    assert_eq!(
        read(&MavMessage::HIGHRES_IMU(fine.clone())),
        Some(inertial(None, unix_us, (105, 1), [0.5, -1.5, -9.75]))
    );
    // Not all three are fresh, or one is no number: no acceleration.
    for (fields, zacc) in [(3, -9.75), (0xfff8, -9.75), (7, f32::NAN)] {
        let fields_updated = HighresImuUpdatedFlags::from_bits_retain(fields);
        let stale = HIGHRES_IMU_DATA { fields_updated, zacc, ..fine.clone() };
        let found = read(&MavMessage::HIGHRES_IMU(stale));
        assert!(matches!(found, Some(Telemetry::Inertial { acceleration: None, .. })), "{found:?}");
    }
}

#[test]
fn throttle_and_motor_speed_are_absent_where_they_are_not_told() {
    for (throttle, percent) in [(0, Some(0)), (100, Some(100)), (101, None), (300, None), (u16::MAX, None)] {
        let hud = VFR_HUD_DATA { airspeed: 3.0, throttle, heading: -1, climb: 2.0, ..Default::default() };
        assert_eq!(read(&MavMessage::VFR_HUD(hud)), Some(Telemetry::Throttle { percent }));
    }
    let speed = |first, rpm| Some(Telemetry::MotorSpeed { first, rpm });
    let one = |rpm: f32| read(&MavMessage::RAW_RPM(RAW_RPM_DATA { frequency: rpm, index: 3 }));
    assert_eq!(one(-6000.0), speed(3, [Some(6000.0), None, None, None]));
    assert_eq!(one(f32::NAN), speed(3, [None; 4]));
    let four = ESC_STATUS_DATA { index: 4, rpm: [5000, -5100, 0, 5200], ..Default::default() };
    let wanted = speed(4, [Some(5000.0), Some(5100.0), Some(0.0), Some(5200.0)]);
    assert_eq!(read(&MavMessage::ESC_STATUS(four)), wanted);
}
