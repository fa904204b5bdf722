use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::sync_channel;

use crate::monitor::LinkMonitor;
use crate::run::alarm_command::*;
use crate::session::Command as Asked;
use crate::session::{Feed, FeedSlot, Mode, SessionHandle};
use crate::snapshot::{LinkState, View};
use crate::summary::Phase;

use LinkState::{Alarm, Failing, Good, Heard, Silent, Unknown, Warning};

fn snapshot(now_s: f64, phase: Option<Phase>, links: &[(&str, LinkState, bool)]) -> Snapshot {
    let view = View { from_s: 0.0, to_s: 1.0, columns: 1 };
    let lane = |(link, state, acknowledged): &(&str, LinkState, bool)| Lane {
        link: (*link).to_owned(),
        state: *state,
        acknowledged: *acknowledged,
        seconds_left: Some(8.6),
        ..Lane::default()
    };
    let lanes = links.iter().map(lane).collect();
    Snapshot { now_s, lanes, phase, ..LinkMonitor::default().snapshot(view, Arc::default()) }
}

/// What is told as one link goes through states in a trip.
fn told(states: &[(LinkState, bool)]) -> Vec<Option<&'static str>> {
    let mut told = Told::default();
    let out = Some(Phase::Out);
    let at =
        |(state, acknowledged): &(LinkState, bool)| snapshot(0.0, out, &[("video", *state, *acknowledged)]);
    states.iter().map(|state| told.change(&at(state)).map(|change| change.state)).collect()
}

#[test]
fn an_alarm_is_told_as_it_begins_changes_and_ends_and_nothing_else_is() {
    let states =
        [Good, Warning, Alarm, Alarm, Failing, Alarm, Warning, Good, Heard, Unknown, Silent, Failing];
    let expected = [
        None,
        None,
        Some("alarm"),
        None,
        Some("failing"),
        Some("alarm"),
        Some("warning"),
        None,
        None,
        None,
        None,
        Some("failing"),
    ];
    assert_eq!(told(&states.map(|state| (state, false))), expected);
    assert_eq!(told(&[(Failing, false), (Unknown, false)]), [Some("failing"), Some("unknown")]);
}

#[test]
fn an_acknowledged_one_is_told_and_so_is_its_end() {
    let states = [(Alarm, false), (Alarm, true), (Alarm, true), (Good, false)];
    assert_eq!(told(&states), [Some("alarm"), Some("acknowledged"), None, Some("good")]);
    assert_eq!(told(&[(Warning, false), (Warning, true), (Good, false)]), [None; 3], "a warning is no alarm");
}

#[test]
fn on_the_ground_nothing_begins_and_landing_ends_it() {
    let mut told = Told::default();
    let mut at =
        |phase| told.change(&snapshot(0.0, phase, &[("video", Failing, false)])).map(|one| one.state);
    assert_eq!(at(Some(Phase::Ground)), None);
    assert_eq!(at(Some(Phase::Out)), Some("failing"));
    assert_eq!(at(Some(Phase::Ground)), Some("quiet"));
    assert_eq!(at(Some(Phase::Off)), None);
    // Video alone has no phases, and is judged.
    assert_eq!(at(None), Some("failing"));
}

#[test]
fn the_gravest_is_told_first_and_none_is_forgotten() {
    let mut told = Told::default();
    let out = Some(Phase::Out);
    let at = |two| snapshot(0.0, out, &[("control", Alarm, false), ("video", two, false)]);
    let mut change = |two| told.change(&at(two)).map(|change| (change.link, change.state, change.seconds));
    let told_of = |link: &str, state| Some((link.to_owned(), state, "9".to_owned()));
    assert_eq!(change(Failing), told_of("video", "failing"));
    assert_eq!(change(Failing), told_of("control", "alarm"));
    assert_eq!(change(Failing), None);
}

/// A runner, where it is fed, and what it tells the pilot.
fn runner(command: &str) -> (Runner, FeedSlot, Receiver<Asked>) {
    let (commands, asked) = sync_channel(8);
    let slot = FeedSlot::default();
    let thread = std::thread::spawn(|| anyhow::bail!("there is no session"));
    let watcher = SessionHandle::new(commands, slot.clone(), thread).watcher();
    (Runner::new(command.to_owned(), watcher), slot, asked)
}

fn publish(slot: &FeedSlot, now_s: f64, state: LinkState) {
    let snapshot = Arc::new(snapshot(now_s, None, &[("video", state, false)]));
    let (mode, recorder) = (Mode::Live, None);
    slot.publish(Feed { revision: 1, snapshot, mode, recorder, ended: false, message: None });
}

fn said(asked: &Receiver<Asked>) -> Option<String> {
    let Ok(Asked::Notice(text)) = asked.try_recv() else { return None };
    Some(text)
}

#[test]
fn one_that_hangs_is_left_alone_told_of_once_and_ended_on_leaving() {
    let (mut runner, slot, asked) = runner("sleep 1000");
    publish(&slot, 100.0, Failing);
    runner.look();
    let id = runner.running.as_ref().unwrap().0.id();
    for (now_s, state) in [(105.0, Good), (109.9, Failing)] {
        publish(&slot, now_s, state);
        runner.look();
        assert_eq!(said(&asked), None);
    }
    for now_s in [110.0, 130.0, 300.0] {
        publish(&slot, now_s, Alarm);
        runner.look();
        assert_eq!(runner.running.as_ref().unwrap().0.id(), id, "no second one beside it");
        let text = said(&asked);
        assert_eq!(text.is_some_and(|text| text.contains("over 10 s")), now_s == 110.0);
    }
    runner.end();
    assert!(!Path::new(&format!("/proc/{id}")).exists());
}

#[test]
fn one_that_does_not_start_is_told_of_once() {
    let (mut runner, slot, asked) = runner("/no/such/program");
    for round in 0..2 {
        publish(&slot, f64::from(round), if round == 0 { Failing } else { Alarm });
        runner.look();
        // The shell ends in its own time.
        let _ = runner.running.as_mut().unwrap().0.wait();
        publish(&slot, f64::from(round), Good);
        runner.look();
        let text = said(&asked);
        assert_eq!(text.is_some_and(|text| text.contains("was not found")), round == 0);
        if let Some((child, _)) = &mut runner.running {
            let _ = child.wait();
        }
    }
}
