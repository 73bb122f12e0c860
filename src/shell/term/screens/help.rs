//! The keys, from the one table that also reads them.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::{block, row, strong};
use crate::shell::term::keys::ROWS;
use crate::shell::words::screens as words;

/// Draws the help.
pub fn draw(frame: &mut Frame) {
    let area = frame.area();
    row(frame, 0, words::KEYS, strong());
    let lines = ROWS
        .iter()
        .map(|row| Line::raw(format!("{:<10} {}", row.keys, row.does)))
        .chain([Line::raw(""), Line::raw(words::CAUTION)])
        .collect();
    block(
        frame,
        Rect {
            x: 2,
            y: 2,
            width: area.width.saturating_sub(4),
            height: area.height.saturating_sub(3),
        },
        lines,
    );
}
