//! Home: today in one sentence, the last four weeks, the stages.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};

use super::{block, dim, row, strong, wrapped};
use crate::shell::today::Today;
use crate::shell::words::screens as words;

/// Rows that are not the stages': the name, a sentence of two lines, the strip, the foot, and free ones between.
const OTHER_ROWS: u16 = 9;

/// Draws the home screen.
pub fn draw(frame: &mut Frame, today: &Today, ascii: bool) {
    let area = frame.area();
    row(frame, 0, words::PROGRAM, strong());
    let width = area.width.saturating_sub(4);
    let sentence = wrapped(&today.sentence(), usize::from(width.max(1)));
    // A long one has the list begin lower, as far as there is room for a stage of it.
    let lower = (sentence.len() as u16)
        .min(area.height.saturating_sub(OTHER_ROWS + 1) + 2)
        .saturating_sub(2);
    block(
        frame,
        Rect {
            x: 2,
            y: 2,
            width,
            height: 2 + lower,
        },
        sentence
            .into_iter()
            .map(|line| Line::styled(line, strong()))
            .collect(),
    );
    let strip = weeks(today, ascii);
    let named = format!("{}  {strip}", words::FOUR_WEEKS);
    let [counts, today_yet] = signs(ascii);
    let legend = format!("{counts} {}   {today_yet} {}", words::COUNTED, words::TODAY);
    let explained = format!("{named}   {legend}");
    let fits = |text: &String| text.chars().count() <= usize::from(width);
    let strip = [explained, named].into_iter().find(fits).unwrap_or(strip);
    if area.height >= 10 {
        block(
            frame,
            Rect {
                x: 2,
                y: 5 + lower,
                width,
                height: 1,
            },
            vec![Line::raw(strip)],
        );
    }
    let rows = area.height.saturating_sub(OTHER_ROWS + lower);
    let top = 7 + lower;
    let stages = today.stage_lines();
    // The stage whose turn it is stays in sight when the list is longer than the screen.
    let at = today.stage.unwrap_or(0);
    let skip = if stages.len() > usize::from(rows) {
        at.saturating_sub(usize::from(rows) / 2)
            .min(stages.len() - usize::from(rows))
    } else {
        0
    };
    let name_width = stages
        .iter()
        .map(|(_, name, _)| name.chars().count())
        .max()
        .unwrap_or(0);
    let days_width = stages.iter().map(|stage| stage.2.chars().count()).max();
    // A long name is cut, not its days.
    let name_width = name_width.min(usize::from(width).saturating_sub(4 + days_width.unwrap_or(0)));
    let lines: Vec<Line> = stages
        .iter()
        .skip(skip)
        .take(usize::from(rows))
        .map(|(now, name, days)| {
            let sign = if *now { ">" } else { " " };
            let style = if *now {
                strong()
            } else {
                ratatui::style::Style::new()
            };
            Line::from(vec![
                Span::styled(format!("{sign} {name:<name_width$.name_width$}  "), style),
                Span::styled(days.clone(), dim()),
            ])
        })
        .collect();
    block(
        frame,
        Rect {
            x: 2,
            y: top,
            width,
            height: rows,
        },
        lines,
    );
    // The free rows above and below the list say what of it does not fit.
    let after = stages.len().saturating_sub(skip + usize::from(rows));
    for (y, said) in [
        (top.saturating_sub(1), words::stages_before(skip)),
        (top + rows, words::stages_after(after)),
    ] {
        let said = said
            .filter(|_| rows > 0)
            .map(|said| Line::styled(said, dim()));
        let place = Rect {
            x: 4,
            y,
            width: width.saturating_sub(2),
            height: 1,
        };
        block(frame, place, said.into_iter().collect());
    }
}

/// A day that counts; today, which does not yet.
fn signs(ascii: bool) -> [char; 2] {
    if ascii { ['*', 'o'] } else { ['●', '○'] }
}

/// Four bars of seven days: a head for a marked day, a ring for today while it is not.
fn weeks(today: &Today, ascii: bool) -> String {
    let [head, ring] = signs(ascii);
    let (none, bar) = if ascii { ('.', '|') } else { ('·', '│') };
    let days = today.four_weeks();
    let last = days.len() - 1;
    let mut text = String::from(bar);
    for (index, marked) in days.into_iter().enumerate() {
        text.push(match (marked, index == last) {
            (true, _) => head,
            (false, true) => ring,
            (false, false) => none,
        });
        if index % 7 == 6 {
            text.push(bar);
        }
    }
    text
}
