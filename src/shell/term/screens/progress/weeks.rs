//! The days as a plot: what half of a day's first answers came within.

use jiff::civil::Date;
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::symbols::Marker;
use ratatui::text::Line;
use ratatui::widgets::{Axis, Chart, Dataset, GraphType};

use super::super::{block, dim};
use super::ProgressPage;
use crate::engrave::Ink;
use crate::shell::progress::day_text;
use crate::shell::term::theme::Theme;
use crate::shell::words::screens as words;

/// Rows a plot needs.
const LOWEST: u16 = 8;

/// Draws the plot, and the last days in words below it.
pub fn draw(frame: &mut Frame, area: Rect, page: &ProgressPage, theme: Theme) {
    let trend = &page.progress.trend;
    let (Some(first), Some(last)) = (trend.first(), trend.last()) else {
        return;
    };
    let after = |day: Date| f64::from(day.since(first.day).map_or(0, |span| span.get_days()));
    let points: Vec<(f64, f64)> = trend
        .iter()
        .filter_map(|day| Some((after(day.day), day.median_s?)))
        .collect();
    let said = (area.height / 3).min(trend.len() as u16);
    let plot = Rect {
        height: area.height.saturating_sub(said + 1),
        ..area
    };
    if points.len() < 2 || plot.height < LOWEST {
        let mut lines = vec![Line::styled(words::TOO_FEW_DAYS, dim())];
        if points.len() >= 2 {
            lines.clear();
        }
        // A day may take two rows.
        let fit = usize::from(area.height / 2).min(trend.len());
        lines.extend(
            trend[trend.len() - fit..]
                .iter()
                .map(|day| Line::raw(day_text(day))),
        );
        return block(frame, area, lines);
    }
    let highest = points
        .iter()
        .map(|point| point.1)
        .fold(1.0, f64::max)
        .ceil();
    let marker = if page.wording.ascii {
        Marker::Dot
    } else {
        Marker::Braille
    };
    let line = Dataset::default()
        .marker(marker)
        .graph_type(GraphType::Line)
        .style(theme.style(Ink::Asked, Ink::Clear))
        .data(&points);
    let seconds = [0.0, highest / 2.0, highest].map(|s| Line::raw(format!("{s:.1} s")));
    let chart = Chart::new(vec![line])
        .x_axis(
            Axis::default()
                .style(dim())
                .bounds([0.0, after(last.day).max(1.0)])
                .labels([first.day, last.day].map(|day| Line::raw(day.to_string()))),
        )
        .y_axis(
            Axis::default()
                .style(dim())
                .bounds([0.0, highest])
                .labels(seconds),
        );
    frame.render_widget(chart, plot);
    let below = Rect {
        y: plot.y + plot.height + 1,
        height: said,
        ..area
    };
    let days = trend.iter().rev().take(usize::from(said)).rev();
    block(
        frame,
        below,
        days.map(|day| Line::styled(day_text(day), dim())).collect(),
    );
}
