//! The settings: what each is, and another value by the arrows or a click.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};

use super::{block, dim, row, strong};
use crate::shell::settings::Shown;
use crate::shell::words::screens as words;

/// The first setting's row.
const TOP: u16 = 2;

/// Rows below the list: what the chosen setting does, and the foot.
const BELOW: u16 = 5;
/// Columns that leave room for what is said beside a value.
const WIDE: u16 = 46;

/// How many settings fit above what is said of the chosen one, and the first of them.
fn shown(at: usize, count: usize, height: u16) -> (usize, usize) {
    let fit = usize::from(height.saturating_sub(TOP + BELOW)).clamp(1, count.max(1));
    (fit, (at + 1).saturating_sub(fit))
}

/// The setting on `row` of a screen of `height` rows, where the one at `at` is chosen.
pub fn at_row((at, count): (usize, usize), row: u16, height: u16) -> Option<usize> {
    let (fit, skip) = shown(at, count, height);
    let index = usize::from(row.checked_sub(TOP)?);
    (index < fit && index + skip < count).then_some(index + skip)
}

/// Draws the settings; `at` is the one the arrows change.
pub fn draw(frame: &mut Frame, settings: &[Shown], at: usize) {
    let area = frame.area();
    row(frame, 0, words::SETTINGS, strong());
    let width = settings.iter().map(|shown| shown.name.len()).max();
    let width = width.unwrap_or(0);
    let (fit, skip) = shown(at, settings.len(), area.height);
    let said = area.width >= WIDE;
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
                    if shown.set || !said {
                        ""
                    } else {
                        words::NOT_SET
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
    if let Some(shown) = settings.get(at) {
        let kept = if shown.machine {
            words::KEPT_FOR_MACHINE
        } else {
            words::KEPT_FOR_LEARNER
        };
        block(
            frame,
            Rect {
                x: 2,
                y: TOP + count + 1,
                width: inside,
                height: area.height.saturating_sub(TOP + count + 3),
            },
            vec![
                Line::raw(shown.about),
                Line::styled(format!("{}; {kept}", shown.values.join(", ")), dim()),
            ],
        );
    }
}
