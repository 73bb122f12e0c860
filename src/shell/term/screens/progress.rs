//! Progress: every note with its speed, the days, and why a note comes, with what it was taken for on the staff.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::practice::pair;
use super::{block, dim, row, strong};
use crate::shell::progress::{Progress, day_text, row_text};
use crate::shell::term::keys::Action;
use crate::shell::term::pixels::Easel;
use crate::shell::words::Wording;

/// Days shown above the foot.
const DAYS: usize = 5;

/// The page and what is chosen on it.
pub struct ProgressPage {
    progress: Progress,
    wording: Wording,
    at: usize,
    /// Whether it says why the chosen note comes.
    pub why: bool,
}

impl ProgressPage {
    /// Opens on the slowest note.
    pub fn new(progress: Progress, wording: Wording) -> ProgressPage {
        ProgressPage {
            progress,
            wording,
            at: 0,
            why: false,
        }
    }

    /// Does what a key asks for; `false` leaves the page.
    pub fn act(&mut self, action: Action) -> bool {
        let last = self.progress.rows.len().saturating_sub(1);
        match action {
            Action::Pause if self.why => self.why = false,
            Action::Pause => return false,
            Action::Up => self.at = self.at.saturating_sub(1),
            Action::Down => self.at = (self.at + 1).min(last),
            Action::Enter | Action::Why => self.why = !self.why && !self.progress.rows.is_empty(),
            _ => {}
        }
        true
    }
}

/// Draws the page.
pub fn draw(frame: &mut Frame, page: &ProgressPage, easel: &mut Easel) {
    if page.why {
        why(frame, page, easel);
    } else {
        list(frame, page);
    }
}

fn list(frame: &mut Frame, page: &ProgressPage) {
    let area = frame.area();
    let progress = &page.progress;
    let heading = format!("{}, how it goes", progress.today.learner);
    row(frame, 0, &heading, strong());
    let width = area.width.saturating_sub(4);
    let at = |y: u16, height: u16| Rect {
        x: 2,
        y,
        width,
        height,
    };
    if progress.rows.is_empty() {
        let nothing = vec![Line::raw("Nothing is answered yet.")];
        return block(frame, at(2, 1), nothing);
    }
    let ahead: Vec<Line> = progress
        .forecast_lines()
        .into_iter()
        .map(Line::raw)
        .collect();
    let top = if area.height >= 16 { 4 } else { 0 };
    block(frame, at(2, top), ahead);
    let days = if area.height >= 20 {
        progress.trend.len().min(DAYS) as u16
    } else {
        0
    };
    let rows = area.height.saturating_sub(top + days + 5);
    let skip = page
        .at
        .saturating_sub(usize::from(rows) / 2)
        .min(progress.rows.len().saturating_sub(usize::from(rows)));
    let lines: Vec<Line> = progress
        .rows
        .iter()
        .enumerate()
        .skip(skip)
        .take(usize::from(rows))
        .map(|(n, item)| {
            let text = row_text(item, page.wording);
            if n == page.at {
                Line::styled(format!("> {text}"), strong())
            } else {
                Line::raw(format!("  {text}"))
            }
        })
        .collect();
    row(
        frame,
        top + 2,
        "  Slowest first         right of first tries, half within, of a morning",
        dim(),
    );
    block(frame, at(top + 3, rows), lines);
    let trend = &progress.trend[progress.trend.len() - usize::from(days)..];
    let lines = trend.iter().map(|day| Line::styled(day_text(day), dim()));
    let lines: Vec<Line> = lines.collect();
    block(frame, at(area.height.saturating_sub(days + 1), days), lines);
}

fn why(frame: &mut Frame, page: &ProgressPage, easel: &mut Easel) {
    let area = frame.area();
    let Some(chosen) = page.progress.rows.get(page.at) else {
        return;
    };
    row(frame, 0, "Why this note comes", strong());
    let mut lines = page.progress.why(chosen.item, page.wording);
    let confusion = page
        .progress
        .confusions
        .iter()
        .find(|confusion| confusion.item == chosen.item);
    if let Some(confusion) = confusion {
        lines.push(format!(
            "Taken for {} {} times, drawn beside it.",
            page.wording.pitch(confusion.given, chosen.item.key),
            confusion.times
        ));
    }
    let half = area.width / 2;
    let drawn = chosen.item.in_group.is_none() && half >= 36;
    block(
        frame,
        Rect {
            x: 2,
            y: 2,
            width: if drawn { half } else { area.width }.saturating_sub(4),
            height: area.height.saturating_sub(3),
        },
        lines.into_iter().map(Line::raw).collect(),
    );
    if drawn {
        let beside = Rect {
            x: area.x + half,
            y: area.y + area.height.min(1),
            width: area.width - half,
            height: area.height.saturating_sub(3),
        };
        let given = confusion.map(|confusion| confusion.given);
        // What does not fit is said in words on the left.
        let _small = easel.draw(frame, beside, pair(chosen.item, given));
    }
}
