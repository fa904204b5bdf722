//! What lies at a place of the screen, by the same layout that draws it.

use ratatui::layout::{Position, Rect};

use crate::profile::LinkRole;
use crate::snapshot::{Lane, Snapshot};
use crate::tui::action::Action;
use crate::tui::pointer::Target;
use crate::tui::state::{Dialog, LossPart, Screen};
use crate::tui::widget::panel::split_columns;

use super::field_page::Touched;
use super::{
    GUTTER, Parts, Scene, dialog, events_page, field_page, foot, lane_column, lanes_by_limit, loss_page,
    overview_page, plot_columns, vibration_page, video_page,
};

/// What lies there, on a screen of this area.
#[must_use]
pub fn target(scene: &Scene<'_>, area: Rect, x: u16, y: u16) -> Target {
    let place = Position::new(x, y);
    match &scene.state.dialog {
        Some(Dialog::ConfirmQuit) if dialog::yes(area).contains(place) => return Target::Confirm,
        Some(_) => return Target::Nothing,
        None => {}
    }
    let parts = Parts::of(scene, area);
    if parts.banner.contains(place) {
        return Target::Action(Action::Acknowledge);
    }
    if parts.foot.contains(place) {
        return foot::touched(scene, parts.foot, x, y).map_or(Target::Nothing, Target::Action);
    }
    match scene.shown() {
        Some(snapshot) if parts.body.contains(place) => on_page(scene, snapshot, area, parts.body, place),
        _ => Target::Nothing,
    }
}

fn on_page(scene: &Scene<'_>, snapshot: &Snapshot, area: Rect, body: Rect, place: Position) -> Target {
    let columns = plot_columns(scene.state.screen, area);
    let is_plot = Rect { width: columns, ..split_columns(body, GUTTER, 0).1 }.contains(place);
    let plot = |is_there: bool| if is_there && is_plot { Target::Plot { columns } } else { Target::Nothing };
    let row = |(index, at_s): (usize, f64)| Target::Row { index, at_s: Some(at_s) };
    match scene.state.screen {
        Screen::Overview => {
            let lanes = lane_column::touched(snapshot, overview_page::lanes(snapshot, body));
            let touched = lanes.iter().position(|own| own.contains(place));
            let columns = if is_plot { columns } else { 0 };
            touched.map_or(Target::Nothing, |index| link(snapshot, &snapshot.lanes[index], columns))
        }
        Screen::Field => {
            let live = field_page::live(scene, snapshot);
            match field_page::touched(live, body, place) {
                Touched::Band => Target::Action(Action::Acknowledge),
                Touched::Link(index) => link(live, &live.lanes[index], 0),
                Touched::Nothing => Target::Nothing,
            }
        }
        Screen::Events => events_page::touched(scene, snapshot, body, place.y).map_or(Target::Nothing, row),
        Screen::Video => {
            let (listed, is_there) = video_page::touched(scene, snapshot, body, place.y);
            listed.map_or_else(|| plot(is_there), row)
        }
        Screen::Vibration => {
            let (listed, is_there) = vibration_page::touched(scene, snapshot, body, place.y);
            listed.map_or_else(|| plot(is_there), row)
        }
        Screen::Loss => match loss_page::touched(scene, snapshot, body, place.y) {
            Some(index) if !is_plot => Target::Row { index, at_s: None },
            touched => plot(touched.is_some() && scene.state.loss_part == LossPart::Senders),
        },
        Screen::Signal => plot(true),
        Screen::Latency | Screen::Range | Screen::Map | Screen::Session => Target::Nothing,
    }
}

/// The page that shows a link best, and its place there.
fn link(snapshot: &Snapshot, lane: &Lane, columns: u16) -> Target {
    let page = match (lane.role, lane.unit) {
        (Some(LinkRole::Video), _) => Screen::Video,
        (_, Some(_)) => Screen::Signal,
        (_, None) => Screen::Loss,
    };
    let with_level = lanes_by_limit(snapshot, |lane| lane.unit.is_some());
    let item = with_level.iter().position(|other| other.link == lane.link).unwrap_or(0);
    Target::Link { page, item, columns }
}
