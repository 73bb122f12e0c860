//! The keys, from the one table that also reads them; where the window is too low for all, the arrows go through them.

use ratatui::Frame;
use ratatui::layout::{Rect, Size};
use ratatui::text::Line;

use super::{block, row, strong, wrapped};
use crate::shell::term::keys::{Action, Offer, ROWS, Row, Table, offer};
use crate::shell::words::screens::{self as words, foot};

/// The first line's row.
const TOP: u16 = 2;

/// Columns of the keys, before what they do.
const KEYS: usize = 11;

/// Columns below which what a key does goes on at the left edge.
const NARROW: usize = 30;

/// All lines in a window of `width` columns.
fn lines(table: Table, width: u16) -> Vec<String> {
    let width = usize::from(width.saturating_sub(4)).max(1);
    let keys = |row: &Row| match row.keys {
        "A-G" => table.name_keys(),
        keys => keys,
    };
    let longest = ROWS.iter().map(|row| keys(row).len()).max();
    let indent = match longest {
        Some(longest) if width >= NARROW => KEYS.max(longest + 2),
        _ => 0,
    };
    let mut lines = Vec::new();
    for row in ROWS {
        let keys = keys(&row);
        if indent == 0 {
            lines.extend(wrapped(&format!("{keys}: {}", row.does), width));
            continue;
        }
        for (at, line) in wrapped(row.does, width - indent).into_iter().enumerate() {
            let keys = if at == 0 { keys } else { "" };
            lines.push(format!("{keys:<indent$}{line}"));
        }
    }
    lines.push(String::new());
    lines.extend(wrapped(words::CAUTION, width));
    lines
}

/// How many lines a window holds, and the last line that may stand first.
fn room(count: usize, height: u16) -> (usize, usize) {
    let rows = usize::from(height.saturating_sub(TOP + 1)).max(1);
    (rows, count.saturating_sub(rows))
}

/// What stands first after a key: one line on or back. `None` where the key closes the help.
pub fn moved(first: usize, table: Table, size: Size, pressed: Action) -> Option<usize> {
    let (_, last) = room(lines(table, size.width).len(), size.height);
    match pressed {
        Action::Up if last > 0 => Some(first.min(last).saturating_sub(1)),
        Action::Down if last > 0 => Some((first + 1).min(last)),
        _ => None,
    }
}

/// What the foot offers.
pub fn offers(table: Table, size: Size) -> Vec<Offer> {
    let back = offer("Esc", foot::BACK, Action::Pause);
    let (_, last) = room(lines(table, size.width).len(), size.height);
    if last == 0 {
        return vec![back];
    }
    vec![
        offer("Up", foot::BEFORE, Action::Up),
        offer("Down", foot::AFTER, Action::Down),
        back,
    ]
}

/// Draws the help from its line `first` on.
pub fn draw(frame: &mut Frame, table: Table, first: usize) {
    let area = frame.area();
    row(frame, 0, words::KEYS, strong());
    let lines = lines(table, area.width);
    let (rows, last) = room(lines.len(), area.height);
    let shown = lines.into_iter().skip(first.min(last)).take(rows);
    block(
        frame,
        Rect {
            x: 2,
            y: TOP,
            width: area.width.saturating_sub(4),
            height: area.height.saturating_sub(TOP + 1),
        },
        shown.map(Line::raw).collect(),
    );
}

#[cfg(test)]
mod tests {
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    use super::*;

    #[test]
    fn every_line_can_be_reached_in_every_window() {
        for (columns, rows) in [(80, 24), (60, 20), (40, 12), (20, 5)] {
            let size = Size::new(columns, rows);
            let (mut first, mut seen) = (0, Vec::new());
            loop {
                let mut terminal = Terminal::new(TestBackend::new(columns, rows)).unwrap();
                terminal
                    .draw(|frame| draw(frame, Table::Pages, first))
                    .unwrap();
                let buffer = terminal.backend().buffer().clone();
                for row in buffer.content.chunks(usize::from(columns)) {
                    let row: String = row.iter().map(ratatui::buffer::Cell::symbol).collect();
                    seen.push(row.trim().to_owned());
                }
                match moved(first, Table::Pages, size, Action::Down) {
                    Some(next) if next > first => first = next,
                    _ => break,
                }
            }
            for line in lines(Table::Pages, columns) {
                assert!(
                    seen.contains(&line.trim().to_owned()),
                    "{columns} x {rows}: {line}"
                );
            }
            assert_eq!(moved(first, Table::Pages, size, Action::Pause), None);
        }
    }
}
