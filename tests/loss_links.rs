//! Loss through the whole core: flows, several links, losses of this computer's own, windows, and
//! everything at once, each against a truth that the test counts itself.

mod frames;

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::sync::Arc;

use fadewatch::monitor::{LinkMonitor, RecordingFacts};
use fadewatch::profile::Profile;
use fadewatch::record::{
    Body, Direction, Entry, Flow, InterfaceId, InterfaceInfo, InterfaceKind, Note, Record,
};
use fadewatch::snapshot::View;
use fadewatch::summary::Summary;
use fadewatch::units::Nanos;
use frames::frame;
use rand::rngs::ChaCha8Rng;
use rand::{RngExt as _, SeedableRng as _};

/// GPS_STATUS (25): a known id without a clock; its content tells frames apart.
fn clockless(number: u64, sender: (u8, u8)) -> Vec<u8> {
    let mut payload = number.to_le_bytes().to_vec();
    payload.push(1);
    frame(number, sender, 25, 23, &payload)
}

/// ATTITUDE (30) with its boot clock.
fn clocked(number: u64, sender: (u8, u8), boot_ms: u32) -> Vec<u8> {
    let mut payload = boot_ms.to_le_bytes().to_vec();
    payload.extend_from_slice(&number.to_le_bytes());
    payload.push(1);
    frame(number, sender, 30, 39, &payload)
}

struct Bench(LinkMonitor);

impl Bench {
    fn new(profile: &str, interfaces: &[(&str, InterfaceKind)]) -> Self {
        let profile = Profile::parse(profile).expect("a profile");
        let mut monitor = LinkMonitor::new(Arc::new(profile), Arc::from([]));
        for (index, (name, kind)) in interfaces.iter().enumerate() {
            let info = InterfaceInfo { name: (*name).to_owned(), kind: *kind, description: None };
            monitor.handle(&Entry::Interface(InterfaceId(index as u16), info));
        }
        Self(monitor)
    }

    fn record(&mut self, at: f64, interface: u16, body: Body<'_>) {
        self.0.handle(&Entry::Record(Record {
            at: Nanos::from_secs_f64(at),
            interface: InterfaceId(interface),
            direction: Direction::Inbound,
            body,
        }));
    }

    fn stream(&mut self, at: f64, interface: u16, bytes: &[u8]) {
        self.record(at, interface, Body::Stream(bytes));
    }

    fn datagram(&mut self, at: f64, port: u16, bytes: &[u8]) {
        let flow = Flow {
            source: SocketAddr::from(([192, 0, 2, 1], port)),
            destination: SocketAddr::from(([192, 0, 2, 2], 14550)),
        };
        self.record(at, 0, Body::Datagram { flow, bytes });
    }

    fn summary(&self) -> Summary {
        self.0.summary(&RecordingFacts::default())
    }
}

const ONE_LINK: &str = "[[link]]\nname = \"down\"\nrole = \"telemetry\"\ninterface = \"vehicle\"\n";

/// 15 % lost is a warning, whatever no level says, half of it a failure; of one in fifty nothing says that it is good.
#[test]
fn a_link_that_loses_much_is_not_called_good() {
    for (share, word) in [(0.02, "heard"), (0.15, "warning"), (0.5, "failing")] {
        let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Datagram)]);
        let mut random = ChaCha8Rng::seed_from_u64(5);
        for step in 0..1000_u64 {
            if step % 100 == 0 || random.random::<f64>() >= share {
                bench.datagram(step as f64 / 20.0, 5000, &clockless(step, (1, 1)));
            }
        }
        let verdicts = bench.summary().verdicts;
        let own = verdicts.iter().find(|verdict| verdict.about == "down").unwrap();
        assert_eq!(own.state.word(), word, "{own:?}");
    }
}

#[test]
fn two_flows_of_one_sender_are_told_apart_and_pooled_for_their_link() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Datagram)]);
    let mut random = ChaCha8Rng::seed_from_u64(4);
    let mut truth = [(0, 0); 2];
    for step in 0..4000_u64 {
        for (flow, share) in [(0_usize, 0.02), (1, 0.1)] {
            let lost = (10..3990).contains(&step) && random.random::<f64>() < share;
            if lost {
                truth[flow].1 += 1;
                continue;
            }
            truth[flow].0 += 1;
            // Each flow has numbers of its own.
            let bytes = clockless(step + 77 * flow as u64, (1, 1));
            bench.datagram(step as f64 / 50.0, 5000 + flow as u16, &bytes);
        }
    }
    let summary = bench.summary();
    let counts: Vec<(u64, u64)> =
        summary.streams.iter().map(|row| (row.received, row.lost.expect("followed"))).collect();
    assert_eq!(counts, truth);
    let ends: Vec<&str> = summary.streams.iter().map(|row| row.endpoint.as_deref().unwrap()).collect();
    assert_eq!(ends, ["192.0.2.1:5000", "192.0.2.1:5001"]);
    let lost = truth[0].1 + truth[1].1;
    let expected = lost as f64 / (lost + truth[0].0 + truth[1].0) as f64;
    let pooled = summary.links[0].loss.unwrap();
    assert!((pooled.ratio - expected).abs() < 1e-12);
    assert!(pooled.ci95[0] < expected && expected < pooled.ci95[1]);
}

/// A forwarder that sends one system over many ports: each has numbers of its own, and nothing is lost.
#[test]
fn many_flows_of_one_sender_are_told_apart_and_more_are_left_out() {
    for flows in [5_u64, 12, 30] {
        let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Datagram)]);
        for step in 0..500_u64 {
            for flow in 0..flows {
                bench.datagram(step as f64 / 50.0, 5000 + flow as u16, &clockless(step + 37 * flow, (1, 1)));
            }
        }
        let summary = bench.summary();
        assert_eq!(summary.streams.len() as u64, flows.min(16));
        assert!(
            summary.streams.iter().all(|row| (row.received, row.lost.expect("followed")) == (500, 0)),
            "{flows} flows"
        );
    }
}

/// A sender that opens a socket for each frame: one numbering over many ports.
#[test]
fn a_numbering_that_goes_on_from_other_ports_is_one_flow() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Datagram)]);
    for step in 0..2000_u64 {
        bench.datagram(step as f64 / 10.0, 5000 + (step % 50) as u16, &clockless(step, (1, 1)));
    }
    let rows = bench.summary().streams;
    let counts: Vec<_> =
        rows.iter().map(|row| (row.received, row.lost.expect("followed"), row.endpoint.clone())).collect();
    assert_eq!(counts, [(2000, 0, None)]);
}

/// Two programs that send under one id, each with numbers of its own: none of them lost anything.
#[test]
fn counters_that_interleave_under_one_id_give_no_loss() {
    for (apart, pace) in [(128_u64, 1_u64), (100, 1), (200, 3), (60, 50), (250, 10)] {
        let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Stream)]);
        for step in 0..3000_u64 {
            let at = step as f64 / 50.0;
            bench.stream(at, 0, &clockless(step, (1, 1)));
            if step % pace == 0 {
                bench.stream(at + 0.007, 0, &clockless(1 << 40 | (step / pace + apart), (1, 1)));
            }
        }
        let summary = bench.summary();
        let row = &summary.streams[0];
        assert_eq!(row.received, 3000 + 3000_u64.div_ceil(pace), "{apart} apart, 1 to {pace}");
        assert_eq!((row.lost, row.lost_ci95, row.loss), (None, None, None), "{apart} apart, 1 to {pace}");
        assert_eq!((row.loss_periods, row.link_loss), (None, false));
        assert_eq!(row.why_not, Some(fadewatch::summary::Reason::SeveralCounters));
        assert_eq!(summary.links[0].loss, None);
        // Not measured is null for whoever reads the JSON, and no shade of loss on the screen.
        let told = serde_json::to_value(&summary).unwrap()["streams"][0].clone();
        for key in ["lost", "lost_ci95", "loss", "loss_periods"] {
            assert!(told[key].is_null(), "{key}: {}", told[key]);
        }
        let view = View { from_s: 0.0, to_s: 60.0, columns: 10 };
        let snapshot = bench.0.snapshot(view, Arc::new(summary));
        let lane = &snapshot.senders[0];
        assert!(
            lane.cells.iter().all(|cell| cell.received > 0 && cell.ratio().is_none()),
            "{:?}",
            lane.cells
        );
        let window = lane.window.as_ref().unwrap();
        assert_eq!((window.lost, window.loss, window.loss_periods), (None, None, None));
    }
}

/// Nothing can be told of their losses, but a copy is a copy.
#[test]
fn copies_are_counted_where_counters_interleave() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Stream)]);
    for step in 0..2000_u64 {
        let (at, own) = (step as f64 / 50.0, clockless(step, (1, 1)));
        bench.stream(at, 0, &own);
        if step >= 1000 && step % 10 == 0 {
            bench.stream(at + 0.003, 0, &own);
        }
        bench.stream(at + 0.007, 0, &clockless(1 << 40 | (step + 100), (1, 1)));
    }
    let row = &bench.summary().streams[0];
    assert_eq!((row.received, row.duplicates, row.lost), (4000, 100, None));
}

/// A frame of an unknown id uses its number at once where a datagram shows its bounds; in a byte stream only with a second.
#[test]
fn the_first_frame_of_an_unknown_id_counts_at_once_in_a_datagram() {
    for (is_datagram, unknown, lost) in [(true, 1, 0), (false, 1, 1), (false, 2, 0)] {
        let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Stream)]);
        for number in 0..50_u64 {
            let is_unknown = number == 20 || unknown == 2 && number == 30;
            let bytes = if is_unknown {
                frame(number, (1, 1), 4_000_000, 9, &[1, 2, 3])
            } else {
                clockless(number, (1, 1))
            };
            let at = number as f64 / 10.0;
            if is_datagram { bench.datagram(at, 5000, &bytes) } else { bench.stream(at, 0, &bytes) }
        }
        let summary = bench.summary();
        assert_eq!(
            summary.streams[0].lost.expect("followed"),
            lost,
            "datagram {is_datagram}, {unknown} unknown"
        );
        assert_eq!(summary.framing.unknown_ids, unknown - lost);
    }
}

#[test]
fn flows_of_other_protocols_leave_room_for_those_that_carry_frames() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Datagram)]);
    bench.datagram(0.0, 999, &clockless(0, (1, 1)));
    for port in 0..500 {
        // Not RTP (its version bits are 0) and no start byte of a frame.
        bench.datagram(0.1 + f64::from(port) / 1e3, 2000 + port, b"\x01hello, is anybody there?");
    }
    for number in 0..50_u64 {
        bench.datagram(1.0 + number as f64 / 50.0, 14551, &clockless(number, (7, 1)));
        bench.datagram(1.0 + number as f64 / 50.0, 999, &clockless(number + 1, (1, 1)));
    }
    let summary = bench.summary();
    let counts: Vec<(u8, u64, u64)> =
        summary.streams.iter().map(|row| (row.system, row.received, row.lost.expect("followed"))).collect();
    assert_eq!(counts, [(1, 51, 0), (7, 50, 0)]);
    assert_eq!((summary.framing.frames, summary.framing.crc_errors), (101, 0));
}

/// What this computer lost itself is no loss of the link: not in the counts, not in the periods,
/// not in the ratio, whether the next frame comes before or after the counter is read.
#[test]
fn what_this_computer_lost_itself_is_in_no_figure_of_the_link() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Datagram)]);
    let (mut lost, mut longest, mut periods) = (0, 0, 0);
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let mut total = 0;
    for second in 0..60_u64 {
        let dropped = second % 10 == 5;
        let mut run = 0;
        for step in 0..50 {
            let number = second * 50 + step;
            let at = number as f64 / 50.0;
            // This computer loses 30 frames in the middle of such a second.
            if dropped && (15..45).contains(&step) {
                continue;
            }
            // The radio loses a few in the others.
            let radio = !dropped && (5..40).contains(&step) && random.random::<f64>() < 0.05;
            run = if radio { run + 1 } else { 0 };
            periods += u64::from(run == 1);
            longest = longest.max(run);
            lost += u64::from(radio);
            if !radio {
                bench.datagram(at, 5000, &clockless(number, (1, 1)));
            }
        }
        if dropped {
            total += 30;
            let note = Note::HostDrops { interface: InterfaceId(0), total };
            bench.record((second + 1) as f64, 0, Body::Note(note));
        }
    }
    let summary = bench.summary();
    let row = &summary.streams[0];
    assert_eq!((row.lost.expect("followed"), row.lost_ci95.expect("followed")), (lost, [lost; 2]));
    assert_eq!((row.loss_periods.unwrap().count, row.loss_periods.unwrap().max_length), (periods, longest));
    assert_eq!(row.burst_lengths.iter().map(|&(length, count)| u64::from(length) * count).sum::<u64>(), lost);
    // Six seconds are left out of the link's ratio: 54 seconds of 50 frames.
    let ratio = summary.links[0].loss.unwrap().ratio;
    assert!((ratio - lost as f64 / (54.0 * 50.0)).abs() < 1e-12, "{ratio}");
    assert_eq!(summary.recording.host_drops, Some(total));
}

/// A hole of 9.3 s that the recorder made, at 50 frames a second of which the link loses every 20th: the
/// session saw all, its replay nothing of the hole, and the loss of both is that of the rest.
#[test]
fn a_hole_of_the_recording_is_in_no_figure_of_the_link_live_as_replayed() {
    let summary = |hole: bool| {
        let mut bench = Bench::new(
            "[[link]]\nname = \"downlink\"\nrole = \"telemetry\"\ninterface = \"vehicle\"\n",
            &[("vehicle", InterfaceKind::Stream), ("marks", InterfaceKind::Marks)],
        );
        let (mut lost, mut rest) = (0, 0);
        for number in 0..3000_u64 {
            let at = number as f64 / 50.0;
            if number == 1465 {
                let note = Note::BytesLost { bytes: 465 * 21, reach: Some(Nanos::from_millis(9300)) };
                bench.record(at, 1, Body::Note(note));
            }
            // Seconds 19 to 29 are those that the hole may touch.
            let counts = !(19.0..30.0).contains(&at);
            rest += u64::from(counts);
            if number % 20 == 7 {
                lost += u64::from(counts);
            } else if !(hole && (1000..1465).contains(&number)) {
                bench.stream(at, 0, &clockless(number, (1, 1)));
            }
        }
        let found = bench.summary().links[0].loss.expect("a loss");
        (found.ratio, lost as f64 / rest as f64)
    };
    let (live, replayed) = (summary(false), summary(true));
    assert!((live.0 - live.1).abs() < 0.001, "{live:?}");
    assert!((live.0 - replayed.0).abs() < 1e-12, "{live:?} {replayed:?}");
}

#[test]
fn a_slow_sender_s_gap_is_this_computer_s_too_where_the_counter_was_read_before_its_next_frame() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Datagram)]);
    for number in 0..40_u64 {
        if number == 20 {
            let note = Note::HostDrops { interface: InterfaceId(0), total: 1 };
            bench.record(20.4, 0, Body::Note(note));
        } else {
            bench.datagram(number as f64, 5000, &clockless(number, (1, 1)));
        }
    }
    let row = bench.summary().streams.remove(0);
    assert_eq!((row.received, row.lost.expect("followed"), row.loss_periods.unwrap().count), (39, 0, 0));
}

/// A port is unplugged for the last seconds of a silence. Whether its sender stood still before that is not known: what the
/// link lost stands in the interval, and the figure is the share of the time.
#[test]
fn of_a_silence_that_ends_unplugged_the_interval_holds_what_the_link_lost() {
    for seed in 10_001..10_041 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let rate: f64 = random.random_range(8.0..30.0);
        let (stands_still, still_s) = (random.random::<bool>(), random.random_range(2.5..6.0_f64));
        let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Stream)]);
        let (from, gone) = (40.0, 40.0 + still_s);
        // By definition whole seconds are left out, from that before the last bytes on.
        let left_out = (((gone * rate).ceil() - 1.0) / rate - 1.0).floor();
        let (mut number, mut last, mut lost, mut lost_here) = (random.random_range(0..256), 0, 0, 0);
        let notes = [Note::SourceDown { interface: InterfaceId(0), reason: "unplugged".to_owned() }];
        let up = Note::SourceUp { interface: InterfaceId(0) };
        let mut notes = notes.into_iter().chain([up]).zip([gone, gone + 2.0]).peekable();
        for step in 0..(70.0 * rate) as u64 {
            let at = step as f64 / rate;
            while let Some((note, noted)) = notes.next_if(|(_, noted)| *noted <= at) {
                bench.record(noted, 0, Body::Note(note));
            }
            // Another sender is heard all the time, so that the port is not silent before it goes.
            if !(gone..gone + 2.0).contains(&at) {
                bench.stream(at, 0, &clockless(step, (7, 1)));
            }
            let is_silent = (from..gone).contains(&at);
            if stands_still && is_silent {
                continue;
            }
            number += 1;
            if is_silent {
                lost += u64::from(at < left_out);
            } else if (gone..gone + 2.0).contains(&at) {
                lost_here += 1;
            } else {
                bench.stream(at, 0, &clocked(number, (1, 1), (at * 1e3) as u32 + 9_000));
                last = number;
            }
        }
        assert!(last == number && lost_here > 10);
        let row = bench.summary().streams.into_iter().find(|row| row.system == 1).expect("a row");
        let [low, high] = row.lost_ci95.expect("followed");
        assert!(
            (low..=high).contains(&lost),
            "seed {seed}, {rate} a second: lost {lost}, and {lost_here} here, {row:?}"
        );
        // Not all of what was lost on the way is laid to this computer.
        assert!(lost < 10 || low > 0, "seed {seed}: {row:?}");
    }
}

/// A port that is pulled out thirty times, while the radio loses a frame now and then: what was lost here is never laid to
/// the radio, however often it happens again.
#[test]
fn what_was_lost_here_stays_so_however_much_follows() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Stream)]);
    let mut lost = 0;
    for number in 0..15_000_u64 {
        let (at, place) = (number as f64 / 10.0, number % 500);
        let note = match place {
            400 => Some(Note::SourceDown { interface: InterfaceId(0), reason: "unplugged".to_owned() }),
            420 => Some(Note::SourceUp { interface: InterfaceId(0) }),
            _ => None,
        };
        if let Some(note) = note {
            bench.record(at, 0, Body::Note(note));
        }
        // Its first frame comes a second after the port is back.
        if (400..430).contains(&place) {
            continue;
        }
        if place % 250 == 77 {
            lost += 1;
        } else {
            bench.stream(at, 0, &clocked(number, (1, 1), (at * 1e3) as u32 + 9_000));
        }
    }
    let row = bench.summary().streams.remove(0);
    assert_eq!((row.lost.expect("followed"), row.lost_ci95.expect("followed")), (lost, [lost; 2]));
}

const TWO_LINKS: &str = "[[link]]\nname = \"near\"\nrole = \"telemetry\"\ninterface = \"vehicle\"\n\
                         [[link]]\nname = \"far\"\nrole = \"telemetry\"\ninterface = \"backup\"\n";

/// The same frames over two radios, one of them later: each one's own loss, and what both lost.
#[test]
fn a_vehicle_heard_over_two_links_has_each_one_s_loss_and_that_of_both() {
    for (seed, shares, delay) in [(1, [0.1, 0.2], 0.08), (2, [0.4, 0.5], 0.3), (3, [0.02, 0.6], 0.9)] {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut arrivals: Vec<(f64, u16, u64)> = Vec::new();
        let (mut received, mut both) = ([0_u64; 2], 0);
        let (mut run, mut periods, mut bad) = (0, 0, [false; 2]);
        for number in 0..6000_u64 {
            let at = number as f64 / 50.0;
            let safe = !(20..5900).contains(&number);
            let mut heard = false;
            for (link, share) in shares.into_iter().enumerate() {
                // Bursts of 3 on each link, independent of the other.
                let leave = 1.0 / 3.0;
                let enter = leave * share / (1.0 - share);
                let flip = random.random::<f64>() < if bad[link] { leave } else { enter };
                bad[link] ^= flip;
                if safe || !bad[link] {
                    heard = true;
                    received[link] += 1;
                    arrivals.push((at + delay * link as f64, link as u16, number));
                }
            }
            both += u64::from(!heard);
            run = if heard { 0 } else { run + 1 };
            periods += u64::from(run == 1);
        }
        arrivals.sort_by(|a, b| a.0.total_cmp(&b.0));
        let kinds = [("vehicle", InterfaceKind::Stream), ("backup", InterfaceKind::Stream)];
        let mut bench = Bench::new(TWO_LINKS, &kinds);
        for (at, link, number) in arrivals {
            bench.stream(at, link, &clockless(number, (1, 1)));
        }
        let summary = bench.summary();
        let row = &summary.together[0];
        // It is counted from the frame on that the later link brings first.
        let before = summary.streams[0].received - row.each[0].received;
        assert!(before as f64 <= 50.0 * delay + 2.0, "{before}");
        assert_eq!((row.system, row.component, row.why_not), (1, 1, None));
        let own: Vec<(u64, u64)> =
            summary.streams.iter().map(|row| (row.received, row.lost.expect("followed"))).collect();
        assert_eq!(own, received.map(|received| (received, 6000 - received)), "seed {seed}");
        assert_eq!(row.lost, Some(both), "seed {seed}");
        assert_eq!(row.loss_periods.unwrap().count, periods);
        // Nothing is lost by both before the second link is heard.
        assert_eq!(row.received.unwrap() + before, 6000 - both);
        let product = row.each[0].ratio.unwrap() * row.each[1].ratio.unwrap();
        assert!((row.independent_ratio.unwrap() - product).abs() < 1e-12);
        assert_eq!(
            row.each.iter().map(|heard| heard.link.as_deref()).collect::<Vec<_>>(),
            [Some("near"), Some("far")]
        );
    }
}

#[test]
fn links_that_number_their_frames_apart_have_no_joint_loss() {
    let kinds = [("vehicle", InterfaceKind::Stream), ("backup", InterfaceKind::Stream)];
    let mut bench = Bench::new(TWO_LINKS, &kinds);
    for number in 0..2000_u64 {
        bench.stream(number as f64 / 50.0, 0, &clockless(number, (1, 1)));
        bench.stream(number as f64 / 50.0 + 0.01, 1, &clockless(number + 5_000_100, (1, 1)));
    }
    let row = bench.summary().together.remove(0);
    assert_eq!((row.lost, row.loss, row.matched), (None, None, 0));
    assert!(matches!(row.why_not, Some(fadewatch::summary::Reason::NumberedApart)));
}

/// Everything at once, through the whole core: two vehicles, loss in bursts, 1 % reordering, copies,
/// restarts, and unknown ids at 10 % of the traffic, over datagrams: every count is exact.
#[test]
fn counts_are_exact_with_everything_at_once() {
    for (seed, loss) in [(1, 0.0), (2, 0.05), (3, 0.2), (4, 0.4), (5, 0.6)] {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut arrivals: Vec<(f64, u8, u64, u64)> = Vec::new();
        let mut truth: BTreeMap<u8, [u64; 6]> = BTreeMap::new();
        for system in [1, 2] {
            let mut start = f64::from(system);
            for life in 0..3_u64 {
                let mut bad = false;
                for number in 0..3000_u64 {
                    let at = start + number as f64 / 50.0 + 0.004 * random.random::<f64>();
                    let edge = !(20..2980).contains(&number);
                    let enter = loss / (1.0 - loss) / 4.0;
                    bad ^= random.random::<f64>() < if bad { 0.25 } else { enter };
                    if bad && !edge {
                        continue;
                    }
                    let late = !edge && random.random::<f64>() < 0.01;
                    let delay = if late { 0.03 + 0.2 * random.random::<f64>() } else { 0.0 };
                    arrivals.push((at + delay, system, life, number));
                    if !edge && random.random::<f64>() < 0.03 {
                        let again = 0.001 + 0.17 * random.random::<f64>();
                        arrivals.push((at + delay + again, system, life, number));
                    }
                }
                start += 3000.0 / 50.0 + 3.1;
            }
        }
        arrivals.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut seen: BTreeSet<(u8, u64, u64)> = BTreeSet::new();
        let mut highest: BTreeMap<(u8, u64), u64> = BTreeMap::new();
        for &(_, system, life, number) in &arrivals {
            let counts = truth.entry(system).or_default();
            if !seen.insert((system, life, number)) {
                counts[2] += 1;
                continue;
            }
            counts[0] += 1;
            let highest = highest.entry((system, life)).or_insert(number);
            counts[3] += u64::from(number < *highest);
            *highest = number.max(*highest);
        }
        for (&system, counts) in &mut truth {
            counts[4] = 2;
            for life in 0..3 {
                let mut run = 0;
                for number in 0..3000 {
                    let lost = !seen.contains(&(system, life, number));
                    run = if lost { run + 1 } else { 0 };
                    counts[1] += u64::from(lost);
                    counts[5] += u64::from(run == 1);
                }
            }
        }
        let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Datagram)]);
        for &(at, system, life, number) in &arrivals {
            // The number is that of this life; the content tells lives apart.
            let content = life << 32 | number;
            let boot_ms = (number * 20) as u32;
            let bytes = if number % 10 == 3 {
                let mut payload = content.to_le_bytes().to_vec();
                payload.push(1);
                frame(number, (system, 1), 4_000_000 + (number % 4) as u32, 9, &payload)
            } else {
                clocked(content, (system, 1), boot_ms)
            };
            bench.datagram(at, 5000, &bytes);
        }
        let summary = bench.summary();
        for row in &summary.streams {
            let found = [
                row.received,
                row.lost.expect("followed"),
                row.duplicates,
                row.out_of_order,
                row.restarts,
                row.loss_periods.unwrap().count,
            ];
            assert_eq!(found, truth[&row.system], "seed {seed}, loss {loss}, system {}", row.system);
            assert_eq!(row.lost_ci95.expect("followed"), [row.lost.expect("followed"); 2]);
        }
        assert_eq!(summary.streams.len(), 2);
        assert_eq!(summary.framing.crc_errors, 0);
    }
}

/// A component without a boot clock that starts again within numbers it has just used, with holes.
#[test]
fn a_restart_without_a_clock_among_used_numbers_is_told_and_its_losses_count() {
    for (before, missing) in [(40_u64, [3_u64, 4, 9]), (100, [1, 2, 5]), (9, [1, 3, 4]), (125, [2, 6, 7])] {
        let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Stream)]);
        let mut at = 0.0;
        for number in 0..before {
            at += 1.0;
            bench.stream(at, 0, &clockless(number, (1, 100)));
        }
        at += 4.0;
        for number in (0..60).filter(|number| !missing.contains(number)) {
            let bytes = clockless(1 << 40 | number, (1, 100));
            bench.stream(at + number as f64, 0, &bytes);
        }
        let row = bench.summary().streams.remove(0);
        assert_eq!(
            (row.received, row.lost.expect("followed"), row.restarts, row.duplicates),
            (before + 57, 3, 1, 0),
            "{before} before, {missing:?} missing"
        );
    }
}

/// A window's figures against its own truth: the second half of the session is worse than the first.
#[test]
fn a_window_has_figures_of_its_own() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Stream)]);
    let mut random = ChaCha8Rng::seed_from_u64(21);
    let (mut lost, mut periods, mut run) = ([0_u64; 2], [0_u64; 2], 0);
    let mut silent = 0;
    for number in 0..6000_u64 {
        let half = usize::from(number >= 3000);
        let edge = number % 3000 < 60 || number % 3000 >= 2940;
        // A silence of four seconds in the second half.
        let silence = (4000..4200).contains(&number);
        let gone = !edge && (silence || random.random::<f64>() < [0.01, 0.15][half]);
        run = if gone { run + 1 } else { 0 };
        silent = silent.max(run);
        lost[half] += u64::from(gone);
        periods[half] += u64::from(run == 1);
        if !gone {
            bench.stream(number as f64 / 50.0, 0, &clockless(number, (1, 1)));
        }
    }
    let summary = Arc::new(bench.summary());
    for (half, [from_s, to_s]) in [[0.0, 60.0], [60.0, 120.0]].into_iter().enumerate() {
        let snapshot = bench.0.snapshot(View { from_s, to_s, columns: 60 }, Arc::clone(&summary));
        let window = snapshot.senders[0].window.as_ref().unwrap();
        assert_eq!((window.received, window.lost), (3000 - lost[half], Some(lost[half])));
        assert_eq!(window.loss_periods.unwrap().count, periods[half]);
        let loss = window.loss.unwrap();
        assert!((loss.ratio - lost[half] as f64 / 3000.0).abs() < 1e-12);
        assert_eq!(snapshot.lanes[0].window.as_ref().unwrap().lost, Some(lost[half]));
        let lengths: u64 =
            window.burst_lengths.iter().map(|&(length, count)| u64::from(length) * count).sum();
        assert_eq!(lengths, lost[half]);
        if half == 1 {
            assert!((window.longest_silence_s.unwrap() - f64::from(silent + 1) / 50.0).abs() < 1e-9);
            let available = window.availability_ratio.unwrap();
            assert!((available - 56.0 / 60.0).abs() < 0.02, "{available}");
        }
    }
    let whole = bench.0.snapshot(View { from_s: -5.0, to_s: 121.0, columns: 60 }, summary);
    assert_eq!(whole.senders[0].window.as_ref().unwrap().lost, Some(lost[0] + lost[1]));
    // The worst spell is the silence, and it is listed with its time.
    let spells = &whole.summary.bad_spells;
    let worst = spells.iter().max_by_key(|spell| spell.lost).unwrap();
    assert!((78.0..=84.0).contains(&worst.start_s) && worst.lost >= 200, "{worst:?}");
}

/// The mean spells of Gilbert's model are those that the channel was made with.
#[test]
fn the_burst_model_gives_back_the_channel() {
    let mut bench = Bench::new(ONE_LINK, &[("vehicle", InterfaceKind::Stream)]);
    let mut random = ChaCha8Rng::seed_from_u64(31);
    let mut bad = false;
    for number in 0..40_000_u64 {
        bad ^= random.random::<f64>() < if bad { 1.0 / 6.0 } else { 1.0 / 150.0 };
        if !bad || number < 10 {
            bench.stream(number as f64 / 50.0, 0, &clockless(number, (1, 1)));
        }
    }
    let row = bench.summary().streams.remove(0);
    let model = row.burst_model.unwrap();
    // About 256 spells of each kind: 3 standard errors of a geometric mean are 19 %.
    assert!((model.bad_mean_packets / 6.0 - 1.0).abs() < 0.19, "{model:?}");
    assert!((model.good_mean_packets / 150.0 - 1.0).abs() < 0.19, "{model:?}");
    assert!((model.bad_mean_s.unwrap() * 50.0 / model.bad_mean_packets - 1.0).abs() < 0.01);
}
