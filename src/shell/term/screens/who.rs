//! Who is here, when several learners share the machine.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::{block, row, strong};
use crate::shell::term::keys::Action;
use crate::shell::words::screens as words;

/// The first name's row.
const TOP: u16 = 2;

/// Names above the screen, so that the one at `at` is on it.
fn skipped(at: usize, height: u16) -> usize {
    (at + 1).saturating_sub(usize::from(height.saturating_sub(TOP + 2)))
}

/// The name on `row` of the screen.
pub fn at_row(at: usize, count: usize, row: u16, height: u16) -> Option<usize> {
    let index = usize::from(row.checked_sub(TOP)?) + skipped(at, height);
    (index < count).then_some(index)
}

/// Draws the names; `at` is the one that Enter takes.
pub fn draw(frame: &mut Frame, names: &[String], at: usize) {
    let area = frame.area();
    row(frame, 0, words::WHO_IS_HERE, strong());
    let rows = area.height.saturating_sub(TOP + 2);
    let skip = skipped(at, area.height);
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
            y: TOP,
            width: area.width.saturating_sub(4),
            height: rows,
        },
        lines,
    );
}

/// Where the choice is after a key: one up or one down.
pub fn moved(at: usize, count: usize, pressed: Action) -> usize {
    match pressed {
        Action::Up => at.saturating_sub(1),
        Action::Down => (at + 1).min(count.saturating_sub(1)),
        _ => at,
    }
}
