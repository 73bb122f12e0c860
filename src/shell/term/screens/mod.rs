//! The screens: each draws what it is given and changes nothing.

mod ear;
pub mod help;
pub mod home;
pub mod practice;
pub mod progress;
pub mod quiz;
pub mod settings;
pub mod summary;
pub mod who;

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::{Clear, Paragraph, Wrap};

use crate::shell::term::keys::{Action, Offer, clicked, fitted, line};

/// Rows of what is said, at most: the picture goes on above them.
const MOST_SAID: u16 = 3;

/// A row of them for so many rows of the screen: on the lowest every row is wanted.
const MORE_HEIGHT: u16 = 4;

/// Rows that what is said may take, on a screen of `height` rows.
fn most_said(height: u16) -> u16 {
    (height / MORE_HEIGHT).clamp(1, MOST_SAID)
}

/// Writes `text` on one row; what does not fit is cut.
fn row(frame: &mut Frame, y: u16, text: &str, style: Style) {
    let area = frame.area();
    if y < area.height {
        let line = Rect {
            x: area.x,
            y: area.y + y,
            width: area.width,
            height: 1,
        };
        frame.render_widget(Paragraph::new(format!(" {text}")).style(style), line);
    }
}

/// Writes what is said above the foot; what is longer than a row goes over the rows above it.
fn saying(frame: &mut Frame, text: &str) {
    let area = frame.area();
    let lines = wrapped(text, usize::from(area.width.saturating_sub(2).max(1)));
    let most = most_said(area.height);
    let below = lines.len().clamp(1, usize::from(most)) as u16 + 1;
    let top = area.height.saturating_sub(below);
    if below > 2 {
        let rows = Rect {
            y: area.y + top,
            height: (below - 1).min(area.height),
            ..area
        };
        frame.render_widget(Clear, rows);
    }
    for (y, line) in (top..area.height.saturating_sub(1)).zip(&lines) {
        row(frame, y, line, strong());
    }
}

/// `text` in lines of `width` columns at most, broken at words.
pub(in crate::shell::term) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(last) if last.chars().count() + 1 + word.chars().count() <= width => {
                last.push(' ');
                last.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// Writes what the foot offers on the last row.
pub fn foot(frame: &mut Frame, offers: &[Offer]) {
    let area = frame.area();
    let fitted = fitted(offers, area.width.saturating_sub(1));
    row(frame, area.height.saturating_sub(1), &line(&fitted), dim());
}

/// What a click at `column` of the foot does, on a screen of `width` columns.
pub fn foot_clicked(offers: &[Offer], column: u16, width: u16) -> Option<Action> {
    let fitted = fitted(offers, width.saturating_sub(1));
    clicked(&fitted, column.checked_sub(1)?)
}

/// Writes `text` in a block of rows, broken at words.
fn block(frame: &mut Frame, area: Rect, lines: Vec<Line<'_>>) {
    // The last row is the foot's.
    let mut above = frame.area();
    above.height = above.height.saturating_sub(1);
    let area = area.intersection(above);
    if !area.is_empty() {
        frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: false }), area);
    }
}

/// Less prominent text.
fn dim() -> Style {
    Style::new().add_modifier(Modifier::DIM)
}

/// Prominent text.
fn strong() -> Style {
    Style::new().add_modifier(Modifier::BOLD)
}
