//! The end of a sitting.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::{block, row, strong};

/// Draws the closing lines.
pub fn draw(frame: &mut Frame, heading: &str, lines: &[String]) {
    let area = frame.area();
    row(frame, 0, heading, strong());
    block(
        frame,
        Rect {
            x: 2,
            y: 2,
            width: area.width.saturating_sub(4),
            height: area.height.saturating_sub(3),
        },
        lines.iter().map(|line| Line::raw(line.as_str())).collect(),
    );
}
