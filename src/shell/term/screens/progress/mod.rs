//! Progress: speed on the staff itself, as a list and over the weeks, and why a note comes, with what it was taken for.

mod speeds;
mod weeks;

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::practice::pair;
use super::{block, dim, row, strong};
use crate::shell::progress::{Progress, day_text, row_text, short_row_text};
use crate::shell::term::keys::Action;
use crate::shell::term::pixels::Easel;
use crate::shell::today::called;
use crate::shell::words::{Wording, screens as words};
use crate::study::Reply;

/// Days shown below the list.
const DAYS: usize = 5;

/// Columns of a whole row of the list.
const ROW_WIDTH: u16 = 74;

/// How the figures are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum View {
    Staff,
    List,
    Weeks,
    Ear,
}

impl View {
    fn next(self) -> View {
        match self {
            View::Staff => View::List,
            View::List => View::Weeks,
            View::Weeks => View::Ear,
            View::Ear => View::Staff,
        }
    }
}

/// The page and what is chosen on it.
pub struct ProgressPage {
    progress: Progress,
    wording: Wording,
    at: usize,
    view: View,
    /// Whether it says why the chosen note comes.
    pub why: bool,
}

impl ProgressPage {
    /// Opens on the slowest note.
    pub fn new(progress: Progress, wording: Wording) -> ProgressPage {
        // Groups and tasks of the ear have no place of their own on a staff.
        let single = !speeds::order(&progress.rows).is_empty();
        ProgressPage {
            progress,
            wording,
            at: 0,
            view: if single { View::Staff } else { View::List },
            why: false,
        }
    }

    /// Does what a key asks for; `false` leaves the page.
    pub fn act(&mut self, action: Action) -> bool {
        match action {
            Action::Pause if self.why => self.why = false,
            Action::Pause => return false,
            Action::Up => self.walk(-1),
            Action::Down => self.walk(1),
            Action::Keyboard if !self.why => self.view = self.view.next(),
            Action::Enter | Action::Why => self.why = !self.why && !self.progress.rows.is_empty(),
            _ => {}
        }
        true
    }

    /// Chooses the note `by` places on: downwards on the staff, or in the list.
    fn walk(&mut self, by: isize) {
        let order = match self.view {
            View::Staff => speeds::order(&self.progress.rows),
            View::List | View::Weeks | View::Ear => (0..self.progress.rows.len()).collect(),
        };
        let at = order.iter().position(|n| *n == self.at).unwrap_or(0);
        let to = at
            .saturating_add_signed(by)
            .min(order.len().saturating_sub(1));
        if let Some(chosen) = order.get(to) {
            self.at = *chosen;
        }
    }
}

/// Draws the page.
pub fn draw(frame: &mut Frame, page: &ProgressPage, easel: &mut Easel) {
    if page.why {
        return why(frame, page, easel);
    }
    let area = frame.area();
    let progress = &page.progress;
    let heading = match page.view {
        View::Ear => words::HEARD_AND_READ.to_owned(),
        View::Staff | View::List | View::Weeks => {
            words::how_it_goes(called(&progress.today.learner))
        }
    };
    row(frame, 0, &heading, strong());
    let width = area.width.saturating_sub(4);
    let at = |y: u16, height: u16| Rect {
        x: 2,
        y,
        width,
        height,
    };
    if page.view == View::Ear {
        return hearing(frame, at(2, area.height.saturating_sub(3)), page);
    }
    if progress.rows.is_empty() {
        return block(frame, at(2, 1), vec![Line::raw(words::NOTHING_ANSWERED)]);
    }
    if page.view == View::Staff {
        // Every row is wanted for the staff.
        let height = area.height.saturating_sub(2);
        return speeds::draw(frame, at(1, height), page, easel.theme());
    }
    let ahead = progress.forecast_lines();
    let ahead: Vec<Line> = ahead.into_iter().map(Line::raw).collect();
    let top = if area.height >= 16 { 4 } else { 0 };
    block(frame, at(2, top), ahead);
    let below = at(top + 3, area.height.saturating_sub(top + 4));
    match page.view {
        View::Weeks => {
            row(frame, top + 2, &format!(" {}", words::WEEKS_HEAD), dim());
            weeks::draw(frame, below, page, easel.theme());
        }
        View::Staff | View::List | View::Ear => list(frame, below, page),
    }
}

fn hearing(frame: &mut Frame, area: Rect, page: &ProgressPage) {
    let lines = page.progress.hearing.lines(page.wording).join("\n");
    let said = if lines.is_empty() {
        words::NOTHING_HEARD
    } else {
        lines.trim_start()
    };
    block(
        frame,
        area,
        said.lines()
            .map(|line| Line::raw(line.to_owned()))
            .collect(),
    );
}

fn list(frame: &mut Frame, area: Rect, page: &ProgressPage) {
    let progress = &page.progress;
    let head = if area.width < ROW_WIDTH {
        words::SHORT_LIST_HEAD
    } else {
        words::LIST_HEAD
    };
    row(frame, area.y.saturating_sub(1), &format!("  {head}"), dim());
    let days = if frame.area().height >= 20 {
        progress.trend.len().min(DAYS) as u16
    } else {
        0
    };
    let rows = area.height.saturating_sub(days + 1);
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
            let text = if area.width < ROW_WIDTH {
                short_row_text(item, page.wording)
            } else {
                row_text(item, page.wording)
            };
            if n == page.at {
                Line::styled(format!("> {text}"), strong())
            } else {
                Line::raw(format!("  {text}"))
            }
        })
        .collect();
    block(
        frame,
        Rect {
            height: rows,
            ..area
        },
        lines,
    );
    let trend = &progress.trend[progress.trend.len() - usize::from(days)..];
    let lines = trend.iter().map(|day| Line::styled(day_text(day), dim()));
    let last = Rect {
        y: area.y + area.height.saturating_sub(days),
        height: days,
        ..area
    };
    block(frame, last, lines.collect());
}

fn why(frame: &mut Frame, page: &ProgressPage, easel: &mut Easel) {
    let area = frame.area();
    let Some(chosen) = page.progress.rows.get(page.at) else {
        return;
    };
    row(frame, 0, words::WHY_IT_COMES, strong());
    let mut lines = page.progress.why(chosen.item, page.wording);
    let confusion = page
        .progress
        .confusions
        .iter()
        .find(|confusion| confusion.item == chosen.item);
    if let Some(confusion) = confusion {
        let name = page.wording.reply(confusion.given, chosen.item.key);
        lines.push(words::taken_for(&name, confusion.times));
    }
    let half = area.width / 2;
    let given = confusion.and_then(|confusion| match confusion.given {
        Reply::Note(pitch) => Some(pitch),
        Reply::Task(_) => None,
    });
    let single = chosen.item.is_single_note();
    let right = Rect {
        x: half,
        y: 1,
        width: area.width - half,
        height: area.height.saturating_sub(3),
    };
    let drawn = single && half >= 36 && easel.draw(frame, right, pair(chosen.item, given)).is_ok();
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
}
