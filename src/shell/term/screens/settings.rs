//! The settings: what each is, and another value by the arrows or a click.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};

use super::{block, dim, row, strong};
use crate::shell::settings::Shown;

/// The first setting's row.
const TOP: u16 = 2;

/// The setting on `row` of the screen.
pub fn at_row(count: usize, row: u16) -> Option<usize> {
    let index = usize::from(row.checked_sub(TOP)?);
    (index < count).then_some(index)
}

/// Draws the settings; `at` is the one the arrows change.
pub fn draw(frame: &mut Frame, settings: &[Shown], at: usize) {
    let area = frame.area();
    row(frame, 0, "Settings", strong());
    let width = settings.iter().map(|shown| shown.name.len()).max();
    let width = width.unwrap_or(0);
    let lines = settings
        .iter()
        .enumerate()
        .map(|(index, shown)| {
            let now = index == at;
            let style = if now { strong() } else { Default::default() };
            let (left, right) = if now { ("< ", " >") } else { ("  ", "") };
            Line::from(vec![
                Span::styled(
                    format!("{} {:<width$}  ", if now { '>' } else { ' ' }, shown.name),
                    style,
                ),
                Span::styled(format!("{left}{}{right}", shown.value), style),
                Span::styled(if shown.set { "" } else { "  (not set)" }, dim()),
            ])
        })
        .collect();
    let inside = area.width.saturating_sub(4);
    let count = settings.len() as u16;
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
            "kept for this machine"
        } else {
            "kept for this learner"
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
