//! The settings: what each is, and another value by the arrows or a click.

use ratatui::Frame;
use ratatui::layout::{Rect, Size};
use ratatui::text::{Line, Span};

use super::{block, dim, row, strong, wrapped};
use crate::shell::settings::Shown;
use crate::shell::words::screens as words;

/// The first setting's row.
const TOP: u16 = 2;

/// Rows that are neither the list's nor what is said of the chosen setting: a free one between, and the foot.
const FREE: u16 = 2;
/// Settings that stay in sight however much is said of one.
const LEAST: u16 = 3;
/// Columns that leave room for what is said beside a value.
const WIDE: u16 = 46;

/// What a setting does, and below it the values it can have, in lines of `width` columns.
fn said(setting: &Shown, width: u16) -> (Vec<String>, Vec<String>) {
    let kept = if setting.machine {
        words::KEPT_FOR_MACHINE
    } else {
        words::KEPT_FOR_LEARNER
    };
    let width = usize::from(width.saturating_sub(4)).max(1);
    let values = format!("{}; {kept}", setting.values.join(", "));
    (wrapped(setting.about, width), wrapped(&values, width))
}

/// How many settings fit above what is said of any of them, and the first that is shown, where the one at `at` is chosen.
fn shown(settings: &[Shown], at: usize, size: Size) -> (usize, usize) {
    let most = settings
        .iter()
        .map(|setting| said(setting, size.width))
        .map(|(about, values)| about.len() + values.len())
        .max()
        .unwrap_or(0);
    let rows = size.height.saturating_sub(TOP + FREE);
    let fit = rows.saturating_sub(most as u16).max(LEAST.min(rows)).max(1);
    let fit = usize::from(fit).min(settings.len().max(1));
    (fit, (at + 1).saturating_sub(fit))
}

/// The setting on `row` of a screen of `size`, where the one at `at` is chosen.
pub fn at_row((settings, at): (&[Shown], usize), row: u16, size: Size) -> Option<usize> {
    let (fit, skip) = shown(settings, at, size);
    let index = usize::from(row.checked_sub(TOP)?);
    (index < fit && index + skip < settings.len()).then_some(index + skip)
}

/// Draws the settings; `at` is the one the arrows change.
pub fn draw(frame: &mut Frame, settings: &[Shown], at: usize) {
    let area = frame.area();
    row(frame, 0, words::SETTINGS, strong());
    let width = settings.iter().map(|shown| shown.name.len()).max();
    let width = width.unwrap_or(0);
    let (fit, skip) = shown(settings, at, area.as_size());
    let wide = area.width >= WIDE;
    let lines = settings
        .iter()
        .enumerate()
        .skip(skip)
        .take(fit)
        .map(|(index, shown)| {
            let now = index == at;
            let style = if now { strong() } else { Default::default() };
            let (left, right) = if now { ("< ", " >") } else { ("  ", "") };
            Line::from(vec![
                Span::styled(
                    format!("{} {:<width$}  ", if now { '>' } else { ' ' }, shown.name),
                    style,
                ),
                Span::styled(format!("{left}{}{right}  ", shown.value), style),
                Span::styled(
                    if shown.set || !wide {
                        ""
                    } else {
                        words::AS_USUAL
                    },
                    dim(),
                ),
            ])
        })
        .collect();
    let inside = area.width.saturating_sub(4);
    let count = fit as u16;
    block(
        frame,
        Rect {
            x: 2,
            y: TOP,
            width: inside,
            height: count,
        },
        lines,
    );
    let Some(setting) = settings.get(at) else {
        return;
    };
    let rows = area.height.saturating_sub(TOP + count + FREE);
    let (mut about, values) = said(setting, area.width);
    // Where not all of it fits, the values stay: what a setting does is told by its name as well.
    about.truncate(usize::from(rows).saturating_sub(values.len()));
    let about = about.into_iter().map(Line::raw);
    let values = values.into_iter().map(|line| Line::styled(line, dim()));
    block(
        frame,
        Rect {
            x: 2,
            y: TOP + count + 1,
            width: inside,
            height: rows,
        },
        about.chain(values).collect(),
    );
}

#[cfg(test)]
mod tests {
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    use super::*;
    use crate::shell::settings::DEFINITIONS;

    #[test]
    fn the_values_of_every_setting_are_shown_from_forty_columns_on() {
        let settings: Vec<Shown> = DEFINITIONS
            .iter()
            .map(|definition| Shown {
                name: definition.name,
                value: definition.values[0].to_owned(),
                set: false,
                values: definition.values,
                about: definition.about,
                machine: false,
            })
            .collect();
        for (columns, rows) in [(120, 40), (80, 24), (60, 20), (40, 12)] {
            for (at, setting) in settings.iter().enumerate() {
                let mut terminal = Terminal::new(TestBackend::new(columns, rows)).unwrap();
                terminal.draw(|frame| draw(frame, &settings, at)).unwrap();
                let buffer = terminal.backend().buffer().clone();
                let lines: Vec<String> = buffer
                    .content
                    .chunks(usize::from(columns))
                    .map(|row| row.iter().map(ratatui::buffer::Cell::symbol).collect())
                    .collect();
                let has = |line: &String| lines.iter().any(|shown| shown.trim() == line);
                let (about, values) = said(setting, columns);
                assert!(values.iter().all(has), "{}: {lines:#?}", setting.name);
                let size = Size::new(columns, rows);
                if columns > 40 {
                    assert!(about.iter().all(has), "{}: {lines:#?}", setting.name);
                }
                // A click on the chosen one finds it.
                let (_, skip) = shown(&settings, at, size);
                let row = TOP + (at - skip) as u16;
                assert_eq!(at_row((&settings, at), row, size), Some(at));
            }
        }
    }
}
