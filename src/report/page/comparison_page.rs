//! Sessions held against each other, as a page: the sentence, what stands against it, every difference with its interval.

use super::svg_chart::{DIM, Frame, GOOD, INK, LIMIT, Picture, Side, around, draw, round_up};
use super::{closing, explanations, whole};
use crate::report::comparison_text::{link_line, session_line};
use crate::summary::{ChangeWord, Comparison, FigureDifference};
use crate::wording::comparison_words as words;
use crate::wording::page_words;

/// Height of a row in a picture.
const ROW: i32 = 30;
/// Where the frame begins: names stand left of it.
const LEFT: i32 = 285;
const WIDTH: i32 = 760;

/// The whole page.
#[must_use]
pub fn comparison(found: &Comparison) -> String {
    whole(page_words::COMPARED, &|page| {
        page.inside("section", &mut |section| {
            section.element("p class=\"tags\"", &words::sentence(found));
            let changed = found.changed_tags.iter().map(words::tag_change).collect::<Vec<_>>();
            section.list(&changed);
            section.list(&found.cautions.iter().map(ToString::to_string).collect::<Vec<_>>());
        });
        if !found.figures.is_empty() {
            page.inside("section", &mut |section| {
                section.element("h2", &words::figures_head(found));
                for picture in pictures(&found.figures) {
                    section.inside("figure", &mut |figure| {
                        figure.element("figcaption", picture.title());
                        figure.raw(&picture.inline());
                    });
                }
                let row = |row: &FigureDifference| {
                    let sides = [row.value_before, row.value_after].map(|value| words::side(row, value));
                    let [before, after] = sides;
                    vec![words::name(row), before, after, words::difference(row), words::word(row)]
                };
                let rows: Vec<Vec<String>> = found.figures.iter().map(row).collect();
                section.table(page_words::DIFFERENCES, &words::COLUMNS, &rows);
                if found.figures.iter().any(|row| row.tells_from.is_some()) {
                    section.element("p class=\"key\"", words::BRACKETS);
                }
            });
        }
        page.inside("section", &mut |section| {
            section.element("h2", words::SESSIONS);
            for row in &found.sessions {
                section.element("h3", &row.session);
                section.paragraph(&session_line(row));
                let links = row.link_rows.iter();
                section.list(
                    &links.map(|link| format!("{}: {}", link.link_name, link_line(link))).collect::<Vec<_>>(),
                );
            }
        });
        explanations(page, &["compare"].into());
        closing(page, &[]);
    })
}

/// One for each unit, of the figures that have an interval: its line, the difference, and zero.
fn pictures(figures: &[FigureDifference]) -> Vec<Picture> {
    let mut units: Vec<&str> = Vec::new();
    for row in figures.iter().filter(|row| row.difference_ci95.is_some()) {
        if !units.contains(&row.unit) {
            units.push(row.unit);
        }
    }
    units.into_iter().filter_map(|unit| picture(unit, figures)).collect()
}

fn picture(unit: &str, figures: &[FigureDifference]) -> Option<Picture> {
    let rows: Vec<(&FigureDifference, f64, [f64; 2])> = figures
        .iter()
        .filter(|row| row.unit == unit)
        .filter_map(|row| Some((row, row.difference?, row.difference_ci95?)))
        .collect();
    let ends = rows.iter().flat_map(|(_, value, ends)| [*value, ends[0], ends[1], 0.0]);
    let x = around(ends, 0.001)?;
    let height = 20 + ROW * rows.len() as i32;
    let frame = Frame {
        size: (WIDTH as u32, (height + 30) as u32),
        across: [LEFT, WIDTH - 20],
        down: [10, height],
        x,
        y: [0.0, 1.0],
    };
    let (first, name) = (rows.first()?.0, unit.replace(' ', "-"));
    Some(draw(format!("differences-{name}"), words::picture_title(first), frame, &mut |chart| {
        let step = round_up((x[1] - x[0]) / 4.0);
        chart.x_axis(step, 16, &|value| words::on_axis(first, value, step));
        chart.upright(0.0, "", 0, INK);
        for (place, (row, value, [low, high])) in rows.iter().enumerate() {
            let y = 10 + ROW / 2 + 5 + ROW * place as i32;
            let colour = match row.change {
                Some(ChangeWord::Better) => GOOD,
                Some(ChangeWord::Worse) => LIMIT,
                _ => DIM,
            };
            chart.text((LEFT - 10, y), &words::name(row), INK, Side::Right);
            let [from, middle, to] = [*low, *value, *high].map(|value| chart.pixel((value, 0.0)).0);
            chart.path(vec![(from, y), (to, y)], colour, 3);
            chart.block([(middle - 5, y - 5), (middle + 5, y + 5)], colour, 1.0);
        }
    }))
}
