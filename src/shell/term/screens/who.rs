//! Who is here, when several learners share the machine.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::{block, dim, row, strong};
use crate::drill::Typed;
use crate::shell::term::keys::Action;

/// Draws the names; `at` is the one that Enter takes.
pub fn draw(frame: &mut Frame, names: &[String], at: usize, ascii: bool) {
    let area = frame.area();
    row(frame, 0, "Who is here?", strong());
    let rows = area.height.saturating_sub(4);
    let skip = (at + 1).saturating_sub(usize::from(rows));
    let lines = names
        .iter()
        .enumerate()
        .skip(skip)
        .take(usize::from(rows))
        .map(|(index, name)| {
            if index == at {
                Line::styled(format!("> {name}"), strong())
            } else {
                Line::raw(format!("  {name}"))
            }
        })
        .collect();
    block(
        frame,
        Rect {
            x: 2,
            y: 2,
            width: area.width.saturating_sub(4),
            height: rows,
        },
        lines,
    );
    let foot = if ascii {
        "Up Down choose   Enter go on   Esc leave"
    } else {
        "↑ ↓ choose   Enter go on   Esc leave"
    };
    row(frame, area.height.saturating_sub(1), foot, dim());
}

/// Where the choice is after a key: one up or one down.
pub fn moved(at: usize, count: usize, pressed: Action) -> usize {
    match pressed {
        Action::Name(Typed::Sharp) => at.saturating_sub(1),
        Action::Name(Typed::Flat) => (at + 1).min(count.saturating_sub(1)),
        _ => at,
    }
}
