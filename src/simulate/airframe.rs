//! What the vehicle and the radios send, stamped with the vehicle's own clock.

use super::delivery::{Departure, Fact};
use super::handset::ControlPath;
use super::mavlink;
use super::mavlink::Message;
use super::motion::{Levels, Motion};
use super::rng::Dice;
use super::scenario::{Battery, FarEnd, GoesOn, Scenario, Spells, is_on, last_off, starts};
use super::shaking::{Shaking, motor_hz};

/// SYS_STATUS health bit of the RC receiver.
const RC_RECEIVER: u32 = 0x0001_0000;
/// MAV_MODE_FLAG: armed, and a custom mode.
const ARMED: u8 = 128;
const CUSTOM: u8 = 1;

/// The vehicle at work.
pub(crate) struct VehicleTelemetry<'a> {
    pub(crate) scenario: &'a Scenario,
    pub(crate) motion: &'a Motion<'a>,
    pub(crate) levels: &'a Levels<'a>,
    pub(crate) control: Option<&'a ControlPath<'a>>,
}

impl VehicleTelemetry<'_> {
    /// The boot clock, nanoseconds.
    pub(crate) fn boot_ns(&self, at_s: f64) -> i64 {
        let vehicle = &self.scenario.vehicle;
        let rate = 1.0 + vehicle.skew_ppm * 1e-6;
        let restart = vehicle.restarts_s.iter().rev().find(|&&restart_s| restart_s <= at_s).copied();
        let restart = restart.into_iter().chain(starts(&vehicle.on_s, at_s).1).reduce(f64::max);
        let boot_s = restart.map_or(vehicle.boot_s + at_s * rate, |restart_s| (at_s - restart_s) * rate);
        (boot_s * 1e9).round() as i64
    }

    fn boot_us(&self, at_s: f64) -> u64 {
        if self.scenario.vehicle.boot_clock { (self.boot_ns(at_s) / 1000) as u64 } else { 0 }
    }

    fn boot_ms(&self, at_s: f64) -> u32 {
        (self.boot_us(at_s) / 1000) as u32
    }

    pub(crate) fn awake(&self, at_s: f64) -> bool {
        let vehicle = &self.scenario.vehicle;
        is_on(&vehicle.on_s, at_s)
            && !vehicle.restarts_s.iter().any(|&from| (from..from + vehicle.restart_takes_s).contains(&at_s))
    }

    /// All frames of vehicle, radios and other vehicles.
    pub(crate) fn departures(&self) -> Vec<Departure> {
        let rates = self.scenario.vehicle.rates;
        let mut all = Vec::new();
        let mut every =
            |rate_hz: f64, phase: f64, component: u8, make: &mut dyn FnMut(f64) -> (Message, Fact)| {
                if rate_hz <= 0.0 {
                    return;
                }
                for step in 0..(self.scenario.duration_s * rate_hz) as usize {
                    let at_s = (step as f64 + phase) / rate_hz;
                    if self.awake(at_s) {
                        let (message, fact) = make(at_s);
                        let system = self.scenario.vehicle.system;
                        all.push(Departure {
                            at_s,
                            system,
                            component,
                            over_air: true,
                            loss: None,
                            version_1: false,
                            message,
                            fact,
                        });
                    }
                }
            };
        let plain = |message: Message| (message, Fact::Nothing);
        every(rates.heartbeat, 0.11, 1, &mut |at_s| plain(self.heartbeat(at_s)));
        every(rates.position, 0.23, 1, &mut |at_s| {
            let mut fix = self.motion.fix(at_s);
            fix.alt_m += self.scenario.vehicle.fused_alt_off_m;
            let message = mavlink::position(&fix, self.boot_ms(at_s));
            (message, Fact::Distance(self.motion.distance_m(at_s)))
        });
        every(rates.system_time, 0.07, 1, &mut |at_s| plain(mavlink::system_time(self.boot_ms(at_s))));
        every(rates.gps, 0.31, 1, &mut |at_s| {
            plain(mavlink::gps_raw(&self.motion.fix(at_s), self.boot_us(at_s), 1.2))
        });
        every(rates.home, 0.047, 1, &mut |at_s| {
            plain(mavlink::home(&self.motion.home(), self.boot_us(at_s)))
        });
        every(rates.attitude, 0.37, 1, &mut |at_s| {
            plain(mavlink::attitude(self.boot_ms(at_s), 0.02, -0.01, (at_s * 0.1).sin() as f32))
        });
        if let Some(battery) = &self.scenario.battery {
            self.battery(battery, &mut every);
        }
        self.vibration(&mut every);
        if let Some(settings) = &self.scenario.inertial {
            let mut shaking = Shaking::new(settings, self.scenario.seed);
            every(settings.rate_hz, 0.5, 1, &mut |at_s| {
                plain(mavlink::highres_imu(self.boot_us(at_s), shaking.sample(at_s)))
            });
            every(settings.motor_rate_hz, 0.3, 1, &mut |at_s| {
                plain(mavlink::raw_rpm((60.0 * motor_hz(settings, at_s)) as f32))
            });
        }
        if let Some(control) = self.control {
            every(rates.rc_channels, 0.43, 1, &mut |at_s| plain(self.rc_channels(control, at_s)));
            every(rates.rc_channels_raw, 0.47, 1, &mut |at_s| plain(self.rc_channels_raw(control, at_s)));
            every(rates.servo, 0.61, 1, &mut |at_s| {
                plain(mavlink::servo_output(self.boot_us(at_s) as u32, &control.outputs(at_s)))
            });
        }
        if let Some(video) = &self.scenario.video {
            every(rates.video_status, 0.83, 100, &mut |at_s| {
                let stopped = video.stops.iter().any(|span| (span[0]..span[1]).contains(&at_s));
                let rate = if stopped { 0.0 } else { video.fps as f32 };
                plain(mavlink::video_stream_status(rate, if stopped { 0 } else { 2_500_000 }, !stopped))
            });
        }
        let share = self.scenario.vehicle.unknown_share;
        let known_hz = all.len() as f64 / self.scenario.duration_s;
        self.private(share * known_hz / (1.0 - share).max(0.01), &mut all);
        self.radios(&mut all);
        self.others(&mut all);
        all
    }

    fn heartbeat(&self, at_s: f64) -> Message {
        let vehicle = &self.scenario.vehicle;
        let drill = self.control.and_then(|control| control.noticed(at_s));
        let armed = if self.scenario.armed(at_s) { ARMED } else { 0 };
        let status = if drill.is_some() { 5 } else { 4 };
        mavlink::heartbeat(vehicle.kind, 0, armed | CUSTOM, drill.map_or(vehicle.mode, |d| d.mode), status)
    }

    fn rc_channels(&self, control: &ControlPath<'_>, at_s: f64) -> Message {
        let (values, rssi) = self.input(control, at_s);
        if self.scenario.vehicle.rc_count_zero {
            return mavlink::rc_channels(self.boot_ms(at_s), &[], 0, rssi);
        }
        let count = if control.noticed(at_s).is_some() { 0 } else { values.len() as u8 };
        mavlink::rc_channels(self.boot_ms(at_s), &values, count, rssi)
    }

    fn rc_channels_raw(&self, control: &ControlPath<'_>, at_s: f64) -> Message {
        let (values, rssi) = self.input(control, at_s);
        mavlink::rc_channels_raw(self.boot_ms(at_s), &values, rssi)
    }

    /// Channels and rssi of the vehicle's input; 0 once it has noticed that its input is lost.
    fn input(&self, control: &ControlPath<'_>, at_s: f64) -> ([u16; super::handset::STICKS], u8) {
        let values = control.input(at_s).unwrap_or([1500; super::handset::STICKS]);
        let radio = self.scenario.radio_for(super::scenario::Carries::Control);
        let level = radio.map_or(255, |radio| self.levels.raw(radio, self.levels.up(radio, at_s)));
        let rssi = self.scenario.vehicle.rc_rssi.unwrap_or(level);
        (values, if control.noticed(at_s).is_some() { 0 } else { rssi })
    }

    fn battery(
        &self,
        battery: &Battery,
        every: &mut impl FnMut(f64, f64, u8, &mut dyn FnMut(f64) -> (Message, Fact)),
    ) {
        let rates = self.scenario.vehicle.rates;
        // Charge by whole tenths of a second, summed once.
        let tenths = (self.scenario.duration_s * 10.0) as usize + 2;
        let current = |at_s: f64| battery.idle_a + battery.per_m_s_a * self.motion.speed_m_s(at_s);
        let mut used = vec![battery.used_mah];
        for tenth in 0..tenths {
            let at_s = tenth as f64 / 10.0;
            // Each start has a fresh pack.
            let fresh = starts(&self.scenario.vehicle.on_s, at_s).0
                > starts(&self.scenario.vehicle.on_s, at_s - 0.1).0;
            used.push(if fresh { 0.0 } else { used[tenth] } + current(at_s) / 36.0);
        }
        let state = |at_s: f64| {
            let used_mah = used[(at_s * 10.0) as usize];
            let left = (1.0 - used_mah / battery.capacity_mah).clamp(0.0, 1.0);
            let open_v = battery.cells as f64 * (3.5 + 0.65 * left);
            let cell_mv = (open_v - current(at_s) * battery.resistance_ohm) * 1e3 / battery.cells as f64;
            (used_mah, cell_mv.round() as u16, (current(at_s) * 100.0).round() as i16, (left * 100.0) as i8)
        };
        every(rates.battery, 0.71, 1, &mut |at_s| {
            let (used_mah, cell_mv, current_ca, left) = state(at_s);
            let used_mah = used_mah.round() as i32;
            let voltage_mv = u32::from(cell_mv) * battery.cells as u32;
            let message = mavlink::battery(used_mah, cell_mv, battery.cells, current_ca, left);
            (message, Fact::Battery { used_mah, voltage_mv })
        });
        every(rates.sys_status, 0.53, 1, &mut |at_s| {
            let (_, cell_mv, current_ca, left) = state(at_s);
            let lost = self.control.is_some_and(|control| control.noticed(at_s).is_some());
            let healthy = if lost { !RC_RECEIVER } else { u32::MAX };
            let pack_mv = (u32::from(cell_mv) * battery.cells as u32) as u16;
            (mavlink::sys_status(healthy, pack_mv, current_ca, left), Fact::Nothing)
        });
    }

    fn vibration(&self, every: &mut impl FnMut(f64, f64, u8, &mut dyn FnMut(f64) -> (Message, Fact))) {
        let phases = &self.scenario.vibration;
        let rate_hz = self.scenario.vehicle.rates.vibration;
        let mut dice = Dice::new(self.scenario.seed, "vibration");
        let mut clipped = 0.0;
        every(if phases.is_empty() { 0.0 } else { rate_hz }, 0.19, 1, &mut |at_s| {
            let phase = phases.iter().rev().find(|phase| phase.from_s <= at_s).unwrap_or(&phases[0]);
            let driven = phase.gain * self.driven_us(phase.follows, at_s);
            let levels =
                phase.levels.map(|level| ((level + driven) * (phase.spread * dice.normal()).exp()) as f32);
            clipped += phase.clipping_hz / rate_hz * 2.0 * dice.unit();
            let clipping = [0, 0, clipped as u32];
            (mavlink::vibration(self.boot_us(at_s), levels, clipping), Fact::Vibration { levels, clipping })
        });
    }

    /// An output beyond 1,000 us.
    fn driven_us(&self, output: Option<u8>, at_s: f64) -> f64 {
        let own = output.zip(self.control).and_then(|(number, control)| {
            control.outputs(at_s).get(usize::from(number).wrapping_sub(1)).copied()
        });
        own.map_or(0.0, |us| (f64::from(us) - 1000.0).max(0.0))
    }

    /// Frames of a private message set, `rate_hz` of them.
    fn private(&self, rate_hz: f64, all: &mut Vec<Departure>) {
        for step in 0..(self.scenario.duration_s * rate_hz) as usize {
            let at_s = (step as f64 + 0.57) / rate_hz;
            if self.awake(at_s) {
                all.push(Departure {
                    at_s,
                    system: self.scenario.vehicle.system,
                    component: 1,
                    over_air: true,
                    loss: None,
                    version_1: false,
                    message: mavlink::private(step as u32),
                    fact: Fact::Private,
                });
            }
        }
    }

    /// Radios tell what both ends receive.
    fn radios(&self, all: &mut Vec<Departure>) {
        for (number, radio) in self.scenario.radio.iter().enumerate() {
            let mut dice = Dice::new(self.scenario.seed, &format!("fading {number}"));
            let noise = self.levels.raw(number, radio.noise_dbm);
            let mut errors = 0_u16;
            for step in 0..(self.scenario.duration_s * radio.report_hz) as usize {
                let at_s = (step as f64 + 0.29 + 0.13 * number as f64) / radio.report_hz;
                let down_dbm = self.levels.down(number, at_s) + radio.fading_db * dice.normal();
                let up_dbm = self.levels.up(number, at_s) + radio.fading_db * dice.normal();
                let (down, up) = (self.levels.raw(number, down_dbm), self.levels.raw(number, up_dbm));
                let (mut rssi, mut remote) = if radio.on_vehicle { (up, down) } else { (down, up) };
                errors = errors.wrapping_add(u16::from(dice.chance(0.02)));
                if radio.on_vehicle && !self.awake(at_s) {
                    continue;
                }
                let mut remote_noise = noise;
                let power = self.far_power(radio.far_end);
                if !radio.on_vehicle && !is_on(power, at_s) {
                    match (radio.goes_on, last_off(power, at_s)) {
                        (GoesOn::None, _) => continue,
                        (GoesOn::Last, Some(off_s)) => {
                            rssi = self.levels.raw(number, self.levels.down(number, off_s));
                            remote = self.levels.raw(number, self.levels.up(number, off_s));
                        }
                        _ => (rssi, remote, remote_noise) = (noise, 0, 0),
                    }
                }
                all.push(Departure {
                    at_s,
                    system: radio.system,
                    component: radio.component,
                    over_air: radio.on_vehicle,
                    loss: None,
                    version_1: false,
                    message: mavlink::radio_status(rssi, remote, noise, remote_noise, errors),
                    fact: Fact::Radio { radio: number, rssi, remote },
                });
            }
        }
    }

    fn far_power(&self, far_end: FarEnd) -> &Spells {
        match far_end {
            FarEnd::Vehicle => &self.scenario.vehicle.on_s,
            FarEnd::Camera => self.scenario.camera_power(),
        }
    }

    fn others(&self, all: &mut Vec<Departure>) {
        for other in &self.scenario.other {
            let mut send = |at_s: f64, message: Message| {
                if !(other.span_s[0]..other.span_s[1]).contains(&at_s) {
                    return;
                }
                all.push(Departure {
                    at_s,
                    system: other.system,
                    component: 1,
                    over_air: true,
                    loss: Some(other.loss),
                    version_1: other.version_1,
                    message,
                    fact: Fact::Nothing,
                });
            };
            for step in 0..(self.scenario.duration_s * other.rate_hz) as usize {
                let at_s = (step as f64 + 0.5) / other.rate_hz;
                let boot_ms = ((other.boot_s + at_s) * 1e3) as u32;
                send(at_s, mavlink::attitude(boot_ms, 0.0, 0.1, step as f32 * 1e-3));
            }
            // MAV_TYPE_GCS goes with MAV_AUTOPILOT_INVALID.
            let autopilot = if other.kind == 6 { 8 } else { 0 };
            for second in 0..self.scenario.duration_s as usize {
                send(second as f64 + 0.77, mavlink::heartbeat(other.kind, autopilot, CUSTOM, 7, 3));
            }
        }
    }
}
