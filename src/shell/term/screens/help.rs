//! The keys, from the one table that also reads them.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::{block, row, strong};
use crate::shell::term::keys::{ROWS, Table};
use crate::shell::words::screens as words;

/// Draws the help.
pub fn draw(frame: &mut Frame, table: Table) {
    let area = frame.area();
    row(frame, 0, words::KEYS, strong());
    let lines = ROWS
        .iter()
        .map(|row| {
            let keys = if row.keys == "A-G" {
                table.name_keys()
            } else {
                row.keys
            };
            Line::raw(format!("{keys:<10} {}", row.does))
        })
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
