//! Pictures of an invented session, built by hand: full, lossy and empty.
//!
//! Nothing here was measured; the shapes only have to exercise every widget.

use std::collections::BTreeMap;
use std::sync::Arc;

use fadewatch::capture::RecorderStatus;
use fadewatch::profile::LinkRole;
use fadewatch::record::MarkKind;
use fadewatch::session::{Feed, Mode};
use fadewatch::snapshot::*;
use fadewatch::summary::*;
use fadewatch::units::LevelUnit;

/// Which picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Data {
    /// Everything measured, the video link getting near its freeze limit.
    Full,
    /// Replay of a bad session: losses, silences, a source down.
    Lossy,
    /// Just begun.
    Empty,
}

#[allow(dead_code, reason = "not every test draws them all")]
pub(crate) const ALL: [Data; 3] = [Data::Full, Data::Lossy, Data::Empty];

const NOW_S: f64 = 754.3;

/// A repeatable ripple between -1 and 1.
fn ripple(at: f64) -> f64 {
    ((at * 0.7).sin() + (at * 1.9 + 1.0).sin() * 0.6 + (at * 5.3 + 2.0).sin() * 0.4) / 2.0
}

fn view(columns: u16) -> View {
    View { from_s: NOW_S - 120.0, to_s: NOW_S, columns }
}

fn times(view: View) -> Vec<f64> {
    (0..view.columns).map(|column| view.from_s + view.column_s() * (f64::from(column) + 0.5)).collect()
}

fn levels(
    view: View,
    start: f64,
    slope: f64,
    spread: f64,
    gap: Option<(f64, f64)>,
) -> Vec<Option<LevelCell>> {
    times(view)
        .into_iter()
        .map(|at| {
            if gap.is_some_and(|(from, to)| at >= from && at < to) {
                return None;
            }
            let mean = start + slope * (at - view.from_s) + spread * ripple(at);
            Some(LevelCell { min: mean - 0.3 * spread, mean, max: mean + 0.3 * spread })
        })
        .collect()
}

fn traffic(view: View, base: f64, bad: &[(f64, f64, f64)], silent: Option<(f64, f64)>) -> Vec<LossCell> {
    times(view)
        .into_iter()
        .map(|at| {
            if silent.is_some_and(|(from, to)| at >= from && at < to) {
                return LossCell { outage: true, ..LossCell::default() };
            }
            let share = bad.iter().find(|(from, to, _)| at >= *from && at < *to).map_or(base, |bad| bad.2);
            let share = if share == base && ripple(at * 3.0) < 0.55 { 0.0 } else { share };
            let lost = (share * 100.0).round() as u32;
            LossCell {
                received: 100 - lost,
                lost,
                untold: false,
                outage: false,
                host_drop: (700.0..702.0).contains(&at) && base > 0.02,
            }
        })
        .collect()
}

fn spans(view: View, spans: &[(f64, f64)]) -> Vec<bool> {
    times(view).into_iter().map(|at| spans.iter().any(|(from, to)| at >= *from && at < *to)).collect()
}

fn lanes(data: Data, view: View) -> Vec<Lane> {
    let bad = data == Data::Lossy;
    let video = Lane {
        link: "video".to_owned(),
        role: Some(LinkRole::Video),
        unit: Some(LevelUnit::Dbm),
        state: if bad { LinkState::Alarm } else { LinkState::Warning },
        level_now: Some(if bad { -80.1 } else { -72.2 }),
        trend_per_s: Some(if bad { -1.3 } else { -0.2 }),
        margin_now: Some(if bad { 0.9 } else { 8.8 }),
        seconds_left: Some(if bad { 0.7 } else { 41.2 }),
        metres_left: Some(if bad { 6.0 } else { 212.0 }),
        metres_left_ci95: (!bad).then_some([171.0, 260.0]),
        threshold: Some(-81.0),
        missing: None,
        level: levels(view, -60.0, if bad { -0.16 } else { -0.1 }, 3.0, None),
        loss: traffic(
            view,
            0.01,
            if bad {
                &[(660.0, 668.0, 0.3), (715.0, 722.0, 0.12), (740.0, 752.0, 0.45)]
            } else {
                &[(718.0, 722.0, 0.04)]
            },
            None,
        ),
        frozen: spans(view, if bad { &[(661.0, 664.0), (742.0, 751.0)] } else { &[(719.0, 721.0)] }),
        acknowledged: bad,
        ..Lane::default()
    };
    let control = Lane {
        link: "control".to_owned(),
        role: Some(LinkRole::Control),
        unit: Some(LevelUnit::Raw),
        state: LinkState::Good,
        level_now: Some(171.0),
        trend_per_s: Some(0.01),
        threshold: None,
        missing: Some(Missing::Limit),
        level: levels(view, 180.0, -0.05, 6.0, None),
        loss: traffic(view, 0.005, if bad { &[(700.0, 706.0, 0.25)] } else { &[] }, None),
        frozen: spans(view, if bad { &[(701.0, 703.0)] } else { &[] }),
        ..Lane::default()
    };
    let downlink = Lane {
        link: "downlink".to_owned(),
        role: Some(LinkRole::Telemetry),
        unit: Some(LevelUnit::Dbm),
        state: if bad { LinkState::Unknown } else { LinkState::Good },
        level_now: if bad { None } else { Some(-78.4) },
        trend_per_s: if bad { None } else { Some(-0.1) },
        margin_now: if bad { None } else { Some(21.4) },
        threshold: Some(-99.8),
        level: levels(view, -72.0, -0.06, 2.0, bad.then_some((726.0, 800.0))),
        loss: traffic(
            view,
            0.03,
            if bad { &[(680.0, 690.0, 0.18)] } else { &[] },
            bad.then_some((725.0, 800.0)),
        ),
        frozen: spans(view, &[]),
        ..Lane::default()
    };
    let lost = |lane: Lane, ratio: f64| Lane {
        loss_so_far: Some(RatioEstimate { ratio, ci95: [ratio * 0.7, ratio * 1.4] }),
        ..lane
    };
    vec![lost(video, 0.006), lost(control, 0.0121), lost(downlink, if bad { 0.0968 } else { 0.0122 })]
}

fn stage(events: u64, median: f64, p99: bool, clock: f64, from: (bool, bool)) -> LatencyStage {
    LatencyStage {
        method: StageMethod::IntervalCensored,
        events,
        left_out: LeftOut { slow: 3, small: 2, gap: 1, ambiguous: 0, unmapped: 0, thinned: 0 },
        p50_ms: Some(median),
        p50_ci95_ms: Some([median - 3.0, median + 4.0]),
        p90_ms: Some(median * 1.25),
        p90_ci95_ms: Some([median * 1.2, median * 1.38]),
        p99_ms: p99.then_some(median * 1.5),
        p99_ci95_ms: p99.then_some([median * 1.4, median * 1.8]),
        moves_needed: MovesNeeded { p50: 0, p90: 0, p99: if p99 { 0 } else { 60 } },
        max_ms: Some(median * 1.6),
        clock_uncertainty_ms: Some(clock),
        bound: Bound::TwoSided,
        cross_correlation_ms: Some(median - 1.0),
        distribution: Vec::new(),
        change: None,
        channels: (1..=3)
            .map(|number| LatencyChannel {
                stick: from.0.then_some(number),
                input: (!from.0 || !from.1).then_some(number),
                servo: from.1.then_some(number + 1),
                events: events / 3,
                p50_ms: Some(median + f64::from(number) - 2.0),
                reversed: None,
                dead_band_us: None,
            })
            .collect(),
    }
}

fn bins(median: f64) -> Vec<(f64, f64, f64)> {
    (0..40)
        .map(|index| {
            let low = f64::from(index) * 4.0;
            let distance = (low + 2.0 - median) / (median * 0.22);
            let skewed = if distance > 0.0 { distance * 0.8 } else { distance * 1.3 };
            (low, low + 4.0, (-skewed * skewed / 2.0).exp())
        })
        .filter(|bin| bin.2 > 1e-3)
        .collect()
}

fn stream(
    name: &str,
    system: u8,
    component: u8,
    lost: u64,
    link: Option<&str>,
    why: Option<Reason>,
) -> Stream {
    let received = 39_000;
    let ratio = lost as f64 / (received + lost) as f64;
    Stream {
        interface: name.to_owned(),
        endpoint: None,
        system,
        component,
        link: link.map(str::to_owned),
        link_loss: why.is_none(),
        why_not: why,
        received,
        lost: Some(lost),
        lost_ci95: Some(if lost > 1_000 { [lost - 40, lost + 216] } else { [lost, lost] }),
        duplicates: 40,
        out_of_order: 70,
        restarts: u64::from(lost > 1_000),
        loss: Some(RatioEstimate { ratio, ci95: [ratio * 0.8, ratio * 1.26] }),
        loss_periods: Some(LossPeriods { count: lost / 4, mean_length: Some(4.0), max_length: 81 }),
        longest_silence_s: 6.02,
        silent_at_end_s: 0.01,
        rate_hz: Some(65.0),
        availability_ratio: Some(0.992),
        burst_lengths: vec![(1, lost / 8), (2, lost / 16), (3, lost / 24), (5, lost / 40), (81, 1)],
        loss_distances: Some(LossDistances {
            count: lost.saturating_sub(1),
            median: 3,
            adjacent_ratio: 0.45,
        }),
        burst_model: Some(BurstModel {
            good_mean_packets: 325.0,
            bad_mean_packets: 4.0,
            good_mean_s: Some(5.0),
            bad_mean_s: Some(0.061),
        }),
    }
}

fn window_loss(lost: u64) -> WindowLoss {
    let received = 3_900;
    let ratio = lost as f64 / (received + lost) as f64;
    WindowLoss {
        received,
        lost: Some(lost),
        loss: Some(RatioEstimate { ratio, ci95: [ratio * 0.6, ratio * 1.7] }),
        loss_periods: Some(LossPeriods { count: lost / 4, mean_length: Some(4.0), max_length: 21 }),
        loss_distances: Some(LossDistances {
            count: lost.saturating_sub(1),
            median: 3,
            adjacent_ratio: 0.45,
        }),
        burst_model: Some(BurstModel {
            good_mean_packets: 390.0,
            bad_mean_packets: 4.0,
            good_mean_s: Some(6.0),
            bad_mean_s: Some(0.061),
        }),
        burst_lengths: vec![(1, lost / 8), (2, lost / 16), (5, lost / 40), (21, 1)],
        longest_silence_s: Some(1.02),
        availability_ratio: Some(0.98),
    }
}

fn bad_spell(start_s: f64, lost: u64, level: f64) -> BadSpell {
    BadSpell {
        link: "downlink".to_owned(),
        start_s,
        duration_s: 3.0,
        received: 140,
        lost,
        level: Some(level),
        distance_m: Some(182.0),
        heading_deg: Some(41.0),
        handset_off_nose_deg: Some(171.0),
        height_m: Some(38.0),
    }
}

fn own_report(component: u8, is_radio: bool) -> OwnReport {
    OwnReport {
        system: if is_radio { 41 } else { 1 },
        component,
        source: if is_radio { ReportSource::RadioStatus } else { ReportSource::SysStatus },
        samples: 780,
        drop_ratio: (!is_radio).then_some(0.012),
        drop_ratio_max: (!is_radio).then_some(0.06),
        errors: if is_radio { 214 } else { 3 },
        corrected: is_radio.then_some(57),
        tx_buffer_min_percent: is_radio.then_some(61),
        level: is_radio.then_some(112),
        noise: is_radio.then_some(41),
        remote_level: is_radio.then_some(98),
        remote_noise: is_radio.then_some(47),
    }
}

fn event(at_s: f64, link: Option<&str>, event: Event) -> EventSummary {
    EventSummary { at_s, link: link.map(str::to_owned), event }
}

fn warned(change: MarginChange, margin: f64, seconds_left: Option<f64>) -> Event {
    Event::Margin { change, margin, unit: LevelUnit::Dbm, seconds_left, metres_left: None }
}

fn verdict(about: &str, state: LinkState, judgement: Judgement) -> Verdict {
    Verdict { about: about.to_owned(), state, judgement }
}

/// A link with a level, in a trip.
fn link(role: LinkRole, reason: StateReason) -> LinkJudgement {
    LinkJudgement {
        role,
        reason,
        unit: LevelUnit::Dbm,
        level: None,
        margin: None,
        seconds_left: None,
        metres_left: None,
        distance_m: Some(126.0),
        loss_ratio: Some(0.012),
        silent_s: Some(0.1),
        failures: (0, 0.0),
        phase: Some(Phase::Out),
        broken: None,
    }
}

fn margin(role: LinkRole, margin: f64, left: Option<(f64, f64)>) -> Judgement {
    let (seconds_left, metres_left) = left.unzip();
    let margin = Some(margin);
    let judged = LinkJudgement { margin, seconds_left, metres_left, ..link(role, StateReason::Margin) };
    Judgement::Link(Box::new(judged))
}

/// The whole, and three links: in the bad session two failed.
fn session_verdicts(bad: bool) -> Vec<SessionVerdict> {
    let row = |about: &str, worked: bool, why: SessionReason| SessionVerdict {
        about: about.to_owned(),
        word: if worked { SessionWord::Worked } else { SessionWord::Failed },
        why,
        failures: if worked { 0 } else { 11 },
        failed_s: Some(if worked { 0.0 } else { 24.4 }),
        longest_s: Some(if worked { 0.0 } else { 6.3 }),
        from_distance_m: (!worked).then_some(113.0),
        from_level: (!worked).then_some(-81.5),
        unit: Some(LevelUnit::Dbm),
        trips: Some(2),
        worked_s: Some(412.0),
        worked_to_m: worked.then_some(152.0),
        margin_min: Some(if worked { 5.8 } else { -7.8 }),
        ..SessionVerdict::default()
    };
    let (worked, failed) = (SessionReason::Worked, SessionReason::Failures);
    let mut links = vec![row("video", !bad, if bad { failed } else { worked }), row("control", true, worked)];
    links.push(if bad {
        let place = LastPlace { distance_m: Some(213.0), ..LastPlace::default() };
        SessionVerdict { lost: (LostWord::Lost, place), ..row("downlink", false, SessionReason::Lost) }
    } else {
        row("downlink", true, worked)
    });
    let whole = SessionVerdict {
        links: links.iter().map(|link| (link.about.clone(), link.word)).collect(),
        from_level: None,
        margin_min: None,
        ..row("session", !bad, if bad { failed } else { worked })
    };
    links.insert(0, whole);
    links
}

fn summary(data: Data) -> Summary {
    let bad = data == Data::Lossy;
    let recording = RecordingSummary {
        file: "invented-field-test.pcapng".to_owned(),
        start_utc: Some("2026-05-04T09:12:33.120Z".to_owned()),
        duration_s: NOW_S,
        bytes: Some(3_412_345),
        records: 45_678,
        truncated: false,
        host_drops: None,
        stalled_s: None,
        tags: BTreeMap::from([("antenna".to_owned(), "panel".to_owned())]),
    };
    let mut summary = Summary { recording, ..Summary::default() };
    summary.framing = Framing {
        frames: 40_000,
        crc_errors: if bad { 312 } else { 3 },
        skipped_bytes: 91,
        unknown_ids: 600,
    };
    summary.bad_spells =
        vec![bad_spell(402.0, 61, -93.0), bad_spell(511.0, 48, -91.5), bad_spell(655.0, 35, -94.5)];
    summary.own_reports = vec![own_report(1, false), own_report(110, true)];
    summary.streams = vec![
        stream("vehicle", 1, 1, if bad { 4_180 } else { 480 }, Some("downlink"), None),
        stream("vehicle", 1, 240, 212, Some("video"), None),
        stream("vehicle", 255, 190, 0, None, Some(Reason::UnnamedGround)),
    ];
    let roles =
        [("video", LinkRole::Video), ("control", LinkRole::Control), ("downlink", LinkRole::Telemetry)];
    summary.links = roles
        .iter()
        .zip([0.006, 0.0121, if bad { 0.0968 } else { 0.0122 }])
        .map(|((link, role), ratio)| LinkSummary {
            link: (*link).to_owned(),
            role: *role,
            loss: Some(RatioEstimate { ratio, ci95: [ratio * 0.7, ratio * 1.4] }),
            availability_ratio: Some(if bad { 0.93 } else { 0.99 }),
            longest_silence_s: Some(if bad { 29.3 } else { 0.8 }),
            silent_at_end_s: Some(0.0),
            margin_db: (*link == "video").then_some(MarginSummary { end: Some(8.8), min: Some(-1.5) }),
            margin_raw: None,
            warnings: 2,
            alarms: 1,
        })
        .collect();
    summary.clocks = vec![ClockSummary {
        system: 1,
        component: 1,
        method: ClockMethod::TwoWay,
        offset_ms: -1_251_529.1,
        skew_ppm: 33.5,
        uncertainty_ms: Some(1.5),
        rtt_min_ms: Some(11.0),
        exchanges_from: Some(ExchangesFrom::Own),
    }];
    summary.latency = LatencySummary {
        stick_to_servo: (!bad).then(|| stage(41, 63.0, false, 1.5, (true, true))),
        stick_to_input: Some(stage(41, 41.0, false, 1.5, (true, false))),
        input_to_servo: Some(stage(212, 22.0, true, 0.0, (false, true))),
        ..LatencySummary::default()
    };
    summary.control_holds =
        Some(ControlHolds { count: 4, longest_s: 0.31, total_s: 0.8, moving_s: 61.0, left_out: 0 });
    let (down, up) = (SignalDirection::Down, SignalDirection::Up);
    summary.signal = [("video", down, -71.0), ("video", up, -69.0), ("downlink", down, -78.0)]
        .map(|(link, direction, median)| SignalSummary {
            link: Some(link.to_owned()),
            system: Some(1),
            component: Some(240),
            radio: None,
            antenna: None,
            source: Report::RadioStatus,
            direction,
            unit: LevelUnit::Dbm,
            samples: 1_200,
            median: Some(median),
            p05: Some(median - 12.0),
            min: Some(median - 17.0),
            noise_median: Some(-95.0),
            snr_median_db: Some(median + 95.0),
        })
        .to_vec();
    summary.range = vec![
        RangeSummary {
            link: "video".to_owned(),
            unit: Some(LevelUnit::Dbm),
            origin: Some(Origin::HomePosition),
            samples: 1_150,
            fixes_left_out: 0,
            saturated_to_m: None,
            saturated_s: None,
            seconds_excluded: 9,
            path_loss_exponent: Some(2.61),
            path_loss_exponent_ci95: Some([2.5, 2.7]),
            level_at_1m: Some(-12.74),
            shadowing_sigma_db: Some(3.1),
            max_distance_m: Some(320.0),
            proven_m: Some(280.0),
            proven_s: Some(144.0),
            proven_passes: Some(2),
            proof_end: Some(ProofEnd { from_m: 280.0, to_m: 290.0, why: ProofWord::Frozen }),
            claimed_m: Some(1_000.0),
            predicted_freeze_m: Some(412.0),
            predicted_freeze_ci95_m: Some([371.0, 460.0]),
            first_freeze_expected_m: Some(350.0),
            plus_3db_m: Some(125.0),
            plus_3db_ci95_m: Some([108.0, 146.0]),
            theory: Some(RangeTheory {
                limit: Some(TheoryLimit::FreezeLevel),
                limit_level: Some(-81.0),
                free_space_m: Some(651.0),
                two_ray_m: Some(337.0),
                compared_at_m: Some(96.0),
                below_free_space_db: Some(8.2),
                below_free_space_ci95_db: Some([6.9, 9.4]),
            }),
            heading: Some(heading()),
            height: Some(height()),
        },
        RangeSummary {
            link: "control".to_owned(),
            unit: Some(LevelUnit::Raw),
            origin: Some(Origin::HomePosition),
            samples: 1_150,
            fixes_left_out: 0,
            saturated_to_m: None,
            saturated_s: None,
            seconds_excluded: 9,
            path_loss_exponent: None,
            path_loss_exponent_ci95: None,
            level_at_1m: None,
            shadowing_sigma_db: None,
            max_distance_m: Some(320.0),
            proven_m: Some(320.0),
            proven_s: Some(160.0),
            proven_passes: Some(2),
            proof_end: Some(ProofEnd { from_m: 310.0, to_m: 320.0, why: ProofWord::Farthest }),
            claimed_m: Some(4_000.0),
            predicted_freeze_m: None,
            predicted_freeze_ci95_m: None,
            first_freeze_expected_m: None,
            plus_3db_m: None,
            plus_3db_ci95_m: None,
            theory: None,
            heading: None,
            height: None,
        },
    ];
    let freeze = |start_s: f64, duration_s: f64, signal: f64, distance_m: f64| Freeze {
        start_s,
        duration_s: Some(duration_s),
        ended: true,
        signal: Some(signal),
        distance_m: Some(distance_m),
        course: None,
        evidence: Some(true),
        why_not: None,
        host_strain: None,
        causes: None,
    };
    summary.video = Some(VideoSummary {
        source: VideoSource::Rtp,
        ssrc: Some(305_419_896),
        packets: Some(150_000),
        packets_lost: Some(900),
        jitter_ms: Some(1.9),
        frames: Some(18_000),
        frames_delivered: Some(17_600),
        fps: Some(30.0),
        freezes: 4,
        freeze_s: Some(6.9),
        freeze_list: Arc::new([
            freeze(301.2, 0.8, -84.0, 271.0),
            freeze(423.9, 1.1, -82.5, 296.0),
            freeze(661.0, 3.0, -79.0, 301.0),
            freeze(719.0, 2.0, -81.3, 318.0),
        ]),
        stopped_at_sender: vec![StoppedSpan { start_s: 500.0, duration_s: 4.0 }],
        ..VideoSummary::default()
    });
    summary.freeze_threshold = Some(Threshold {
        link: "video".to_owned(),
        unit: LevelUnit::Dbm,
        level_p50: Some(-86.0),
        level_p05: -81.0,
        level_p05_ci95: Some([-83.0, -79.5]),
        warns_at: Some(-81.0),
        base: Some(0.0002),
        sessions: 4,
        freezes: 31,
        method: "logistic".to_owned(),
        event: fadewatch::profile::LimitEvent::Freeze,
        source: "rtp".to_owned(),
        left_out: 2,
        note: None,
        agreement: Some(ThresholdAgreement {
            word: "agree".to_owned(),
            p: 0.41,
            degrees: 3,
            drift_per_session: Some(0.2),
            drift_p: Some(0.3),
            text: "the sessions agree".to_owned(),
        }),
        each: [(1, -82.1, 1.1, 7), (2, -80.6, 0.9, 11), (3, -81.4, 1.4, 5), (4, -80.5, 1.0, 8)]
            .map(|(day, level, error, freezes)| ThresholdSession {
                session: format!("{day}c4f0a97be"),
                start_utc: Some(format!("2026-05-0{day}T09:00:00.000Z")),
                level_p05: Some(level),
                error: Some(error),
                freezes,
                outlier: false,
            })
            .into(),
    });
    summary.thresholds = summary.freeze_threshold.clone().into_iter().collect();
    summary.vibration = Some(VibrationSummary {
        x: VibrationAxis { median: Some(11.0), p95: Some(19.0), max: Some(27.0) },
        y: VibrationAxis { median: Some(12.4), p95: Some(21.0), max: Some(31.0) },
        z: VibrationAxis { median: Some(15.0), p95: Some(33.0), max: Some(48.0) },
        clipping: [0, 0, 3],
        limit: Some(36.0),
        limit_from: Some(LimitSource::Profile),
        against: Vec::new(),
    });
    summary.failsafe = vec![FailsafeSummary {
        input_lost_s: 588.4,
        detected_after_s: Some(1.13),
        servo_safe_after_s: (!bad).then_some(0.85),
        mode_before: Some(0),
        mode_after: Some(6),
        recovered_after_s: Some(6.21),
        detected_after_interval_s: Some([0.13, 1.13]),
        servo_safe_after_interval_s: (!bad).then_some([0.4, 0.85]),
        drill: false,
        cause: None,
        outputs: None,
        evidence: Some(true),
        why_not: None,
    }];
    summary.power = vec![PowerSummary {
        system: 1,
        component: 1,
        battery: 0,
        voltage_start_v: Some(16.4),
        voltage_min_v: Some(14.2),
        used_mah: Some(830.0),
        minutes_left: Some(4.5),
        minutes_left_ci95: Some([3.9, 5.2]),
        minutes_left_to: Some(fadewatch::summary::BatteryEnd::Empty),
        minutes_left_why_not: None,
    }];
    let mark = |kind, text: &str| Event::Mark { kind, text: text.to_owned() };
    summary.events = vec![
        event(301.2, Some("video"), Event::Freeze { duration_s: 0.8, ended: true, strain: Vec::new() }),
        event(512.0, None, Event::Restart { system: 1, component: 1 }),
        event(660.5, None, mark(MarkKind::PictureFroze, "")),
        event(690.0, Some("video"), warned(MarginChange::Warning, 5.8, None)),
        event(719.0, Some("video"), Event::Freeze { duration_s: 2.0, ended: true, strain: Vec::new() }),
        event(730.0, None, mark(MarkKind::Remark, "turned behind the trees")),
        event(739.0, Some("video"), warned(MarginChange::Alarm, 2.1, Some(4.0))),
    ];
    let broken = Some(("vehicle".to_owned(), "unplugged, trying again".to_owned()));
    let unseen = LinkJudgement { broken, ..link(LinkRole::Telemetry, StateReason::Blind) };
    let heard = link(LinkRole::Control, StateReason::NothingToJudgeBy);
    let latency = Judgement::Latency {
        stage: 0,
        bound: Bound::TwoSided,
        p50_ms: Some(63.0),
        p90_ms: Some(75.0),
        events: 41,
        needed: 0,
    };
    summary.session_verdicts = session_verdicts(bad);
    summary.verdicts = if bad {
        vec![
            verdict("video", LinkState::Alarm, margin(LinkRole::Video, 1.0, Some((0.5, 4.0)))),
            verdict("downlink", LinkState::Unknown, Judgement::Link(Box::new(unseen))),
            verdict("control", LinkState::Heard, Judgement::Link(Box::new(heard))),
            verdict("recording", LinkState::Warning, Judgement::HostDrops(12)),
        ]
    } else {
        vec![
            verdict("video", LinkState::Warning, margin(LinkRole::Video, 9.0, Some((41.0, 212.0)))),
            verdict("latency", LinkState::Unknown, latency),
            verdict("downlink", LinkState::Good, margin(LinkRole::Telemetry, 21.0, None)),
        ]
    };
    summary
}

fn aspect(seconds: u64, level: Option<f64>, half: f64, frozen_s: u64) -> Aspect {
    Aspect {
        seconds,
        passes: seconds / 20,
        blocks: seconds / 9,
        distance_m: Some(140.0),
        level_against_others: level,
        level_against_others_ci95: level.map(|level| [level - half, level + half]),
        loss_ratio: Some(0.01),
        loss_ci95: Some([0.004, 0.02]),
        frozen_s: Some(frozen_s),
        null: level.is_some_and(|level| level + half < 0.0 && level <= -3.0),
    }
}

fn heading() -> HeadingSummary {
    let sector = |from_deg: f64, aspect| Sector { from_deg, to_deg: (from_deg + 30.0) % 360.0, aspect };
    HeadingSummary {
        sectors: vec![
            sector(345.0, aspect(210, Some(2.4), 1.1, 0)),
            sector(15.0, aspect(61, Some(1.8), 2.6, 0)),
            sector(45.0, aspect(24, Some(0.3), 4.0, 0)),
            sector(75.0, aspect(8, None, 0.0, 0)),
            sector(135.0, aspect(37, Some(-1.2), 3.1, 1)),
            sector(165.0, aspect(198, Some(-8.6), 1.9, 6)),
            sector(195.0, aspect(44, Some(-4.4), 4.6, 0)),
            sector(315.0, aspect(70, Some(0.9), 2.2, 0)),
        ],
        missing: None,
    }
}

fn height() -> HeightSummary {
    let layer = |from_m: f64, aspect| Layer { from_m, to_m: from_m + 10.0, aspect };
    HeightSummary {
        layers: vec![
            layer(0.0, aspect(90, Some(-1.5), 2.0, 3)),
            layer(10.0, aspect(410, Some(0.8), 1.2, 4)),
            layer(20.0, aspect(140, Some(0.4), 1.6, 0)),
        ],
        missing: None,
    }
}

fn latency(data: Data) -> LatencyView {
    let drift = |median: f64| {
        (0..20).map(|at| (f64::from(at) * 39.0, median + 4.0 * ripple(f64::from(at)))).collect()
    };
    let view = |median: f64, limited| StageView {
        bins: bins(median),
        drift: drift(median),
        limited_by: Some(limited),
        missing: None,
    };
    let all = if data == Data::Lossy {
        StageView { missing: Some(Reason::NothingFollows), ..StageView::default() }
    } else {
        view(63.0, LatencyLimit::FewMoves { needed: 60 })
    };
    LatencyView {
        stages: [
            all,
            view(41.0, LatencyLimit::Rate),
            view(22.0, LatencyLimit::Moves { events: 41, width_ms: 4.0 }),
        ],
        movement: Some(Movement {
            at_s: 731.2,
            stick: 1,
            output: 2,
            output_is_input: data == Data::Lossy,
            stick_points: (0..30)
                .map(|at| (f64::from(at) * 12.0, 1_500.0 + 380.0 * ((f64::from(at) - 8.0) / 3.0).tanh()))
                .collect(),
            output_points: (0..14)
                .map(|at| {
                    (f64::from(at) * 26.0, 1_500.0 + 380.0 * ((f64::from(at) * 26.0 - 160.0) / 36.0).tanh())
                })
                .collect(),
            age_ms: (58.0, Some(66.0)),
        }),
        glass_to_glass_ms: Some(84.0),
        glass_to_glass_ci95_ms: None,
    }
}

/// Out to the north and back on a bow to the east, twice.
fn track(with_margin: bool) -> Vec<TrackPoint> {
    (0..600)
        .map(|second| {
            let turn = f64::from(second % 300) / 300.0 * std::f64::consts::TAU;
            let (east_m, north_m) = (90.0 * (2.0 * turn).sin() - 40.0, 160.0 * (1.0 - turn.cos()));
            let margin =
                with_margin.then(|| 26.0 - east_m.hypot(north_m) / 13.0 + 2.0 * ripple(f64::from(second)));
            let state = match margin {
                Some(margin) if margin < 3.0 => LinkState::Alarm,
                Some(margin) if margin < 6.0 => LinkState::Warning,
                Some(_) => LinkState::Good,
                None => LinkState::Unknown,
            };
            let level = margin.map(|margin| margin - 85.0);
            TrackPoint {
                east_m,
                north_m,
                level,
                margin,
                state,
                failed: margin.is_some_and(|margin| margin < 0.6),
            }
        })
        .collect()
}

fn range(view_missing: bool) -> Vec<RangeView> {
    let plot = |link: &str, at_10: f64, per: f64, fails: f64| RangeView {
        link: link.to_owned(),
        bins: (1..32)
            .map(|index| {
                let from_m = f64::from(index) * 10.0;
                DistanceBin {
                    from_m,
                    to_m: from_m + 10.0,
                    seconds: 6.0,
                    level: Some(at_10 - per * (from_m / 10.0).log10() + ripple(from_m)),
                    loss_ratio: Some(0.01 + from_m / 8_000.0),
                    passed: (index != 17).then_some(from_m < fails),
                }
            })
            .collect(),
        points: (0..400)
            .map(|index| {
                let distance = 10.0 + f64::from(index) * 0.78;
                (distance, at_10 - per * (distance / 10.0).log10() + 5.0 * ripple(f64::from(index) * 1.7))
            })
            .collect(),
        theory: (0..40)
            .map(|index| {
                let distance = 3.0 * 139.0_f64.powf(f64::from(index) / 39.0);
                let level = -24.7 - 20.0 * distance.log10();
                (distance, level, Some(level - 20.0 * (distance / 174.0).max(1.0).log10()))
            })
            .filter(|_| link == "video")
            .collect(),
        track: track(link == "video"),
        handset_known: true,
        here: Some([-97.0, 284.0]),
        missing: None,
    };
    if view_missing {
        return vec![RangeView {
            link: "video".to_owned(),
            missing: Some(Reason::NoHandset),
            ..RangeView::default()
        }];
    }
    vec![plot("video", -38.8, 26.1, 280.0), plot("control", 200.0, 30.0, 400.0)]
}

/// The picture at a size of the window, in columns.
pub(crate) fn snapshot(data: Data, columns: u16) -> Snapshot {
    if data == Data::Empty {
        return empty(columns);
    }
    let bad = data == Data::Lossy;
    let view = view(columns);
    let summary = summary(data);
    let lanes = lanes(data, view);
    let senders = vec![
        SenderLane {
            stream: Some(0),
            label: "vehicle 1/1".to_owned(),
            cells: lanes[2].loss.clone(),
            window: Some(window_loss(44)),
        },
        SenderLane {
            stream: Some(1),
            label: "vehicle 1/240".to_owned(),
            cells: traffic(view, 0.008, &[], None),
            window: Some(window_loss(9)),
        },
        SenderLane {
            stream: Some(2),
            label: "vehicle 255/190".to_owned(),
            cells: traffic(view, 0.0, &[], None),
            window: None,
        },
        SenderLane {
            stream: None,
            label: "video RTP".to_owned(),
            cells: lanes[0].loss.clone(),
            window: None,
        },
    ];
    let video = VideoView {
        source: Some(VideoSource::Rtp),
        interval_ms: times(view)
            .into_iter()
            .zip(&lanes[0].frozen)
            .map(|(at, frozen)| Some(if *frozen { 2_000.0 } else { 34.0 + 9.0 * ripple(at * 2.0).max(0.0) }))
            .collect(),
        limit_ms: Some(183.0),
        packets: lanes[0].loss.clone(),
        bit_rate_mbps: Some(6.4),
        frozen_for_s: bad.then_some(2.4),
        other_ports: Vec::new(),
    };
    let vibration = VibrationView {
        axes: [11.0, 12.4, 15.0].map(|median| {
            times(view).into_iter().map(|at| Some(median + 6.0 * ripple(at * median))).collect()
        }),
        clipping: times(view).into_iter().map(|at| u32::from((718.0..719.0).contains(&at))).collect(),
        limit: Some(36.0),
        basis: Some(LimitBasis::Profile),
        around: vec![
            (660.5, Suspicion { radio: Some(true), airframe: Some(false) }),
            (719.0, Suspicion { radio: Some(true), airframe: Some(true) }),
        ],
        missing: None,
        spectrum: None,
    };
    let marks = summary
        .events
        .iter()
        .filter(|event| event.at_s >= view.from_s && event.at_s < view.to_s)
        .cloned()
        .collect();
    let source = |name: &str, description: &str, silent_s: f64, bytes: u64| SourceState {
        interface: name.to_owned(),
        description: Some(description.to_owned()),
        down: None,
        silent_s: Some(silent_s),
        bytes,
        is_unread: false,
        host_drops: None,
    };
    let mut sources = vec![
        source("vehicle", "udp://0.0.0.0:14550", 0.1, 1_204_000),
        source("handset", "serial:/dev/ttyACM0?baud=115200", 0.0, 402_000),
        source("video", "udp://0.0.0.0:5004", 0.0, 61_000_000),
    ];
    if bad {
        sources[0].silent_s = Some(29.3);
        sources[1].down = Some((725.0, "unplugged, trying again".to_owned()));
        sources[2].host_drops = Some(12);
    }
    Snapshot {
        view,
        now_s: NOW_S,
        verdicts: summary.verdicts.clone(),
        summary: Arc::new(summary),
        lanes,
        senders,
        latency: latency(data),
        video,
        range: range(bad),
        vibration,
        marks,
        sources,
        sticks: if bad { StickAdvice::Now } else { StickAdvice::NotNow },
        strains: Vec::new(),
        transmits: if bad {
            Vec::new()
        } else {
            vec!["transmits: a TIMESYNC request once a second (own vehicle only, bench first)".to_owned()]
        },
        distance_m: Some(311.0),
        phase: Some(Phase::Out),
        echo: fadewatch::snapshot::Echo::default(),
    }
}

fn empty(columns: u16) -> Snapshot {
    Snapshot {
        view: View { from_s: -118.8, to_s: 1.2, columns },
        now_s: 1.2,
        verdicts: Vec::new(),
        summary: Arc::default(),
        lanes: Vec::new(),
        senders: Vec::new(),
        latency: LatencyView {
            stages: [0, 1, 2].map(|_| StageView { missing: Some(Reason::NoSticks), ..StageView::default() }),
            ..LatencyView::default()
        },
        video: VideoView::default(),
        range: Vec::new(),
        vibration: VibrationView { missing: Some(Reason::NoVibration), ..VibrationView::default() },
        marks: Vec::new(),
        sources: vec![SourceState {
            interface: "vehicle".to_owned(),
            description: Some("udp://0.0.0.0:14550".to_owned()),
            down: None,
            silent_s: None,
            bytes: 0,
            is_unread: false,
            host_drops: None,
        }],
        sticks: StickAdvice::Now,
        strains: Vec::new(),
        transmits: Vec::new(),
        distance_m: None,
        phase: None,
        echo: fadewatch::snapshot::Echo::default(),
    }
}

/// The same with the state of the session around it.
pub(crate) fn feed(data: Data, columns: u16) -> Feed {
    Feed {
        revision: 1,
        snapshot: Arc::new(snapshot(data, columns)),
        mode: if data == Data::Lossy {
            Mode::Replay { speed: 4.0, paused: false, duration_s: 1_204.0, at_end: false }
        } else {
            Mode::Live
        },
        recorder: (data != Data::Lossy).then(|| RecorderStatus {
            path: "/tmp/2026-05-04T091233Z.pcapng".into(),
            bytes: if data == Data::Empty { 248 } else { 3_412_345 },
            error: None,
            refused: 0,
            is_gone: false,
        }),
        ended: false,
        message: None,
    }
}
