//! Speed on the staff itself: a row for every line and space, the head where it is written, a bar as long as it takes to
//! read of a morning.

use std::collections::BTreeMap;

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::text::{Line, Span};

use super::super::{block, dim, strong};
use super::ProgressPage;
use crate::engrave::Ink;
use crate::shell::term::theme::Theme;
use crate::shell::words::{Wording, screens as words};
use crate::study::ItemFigures;
use crate::theory::{Alteration, Clef, StaffStep, ledger_lines};

/// Columns a staff needs beside another one.
const NARROWEST: u16 = 38;
/// Columns before the bar: the mark of the chosen, the name, the staff.
const BEFORE: u16 = 17;
/// Columns behind the bar, for the times.
const BEHIND: u16 = 14;
/// The longest bar: a longer one tells no more.
const LONGEST: u16 = 48;

/// Rows that what is to come may take.
const AHEAD: u16 = 5;

/// What is drawn with.
struct Signs {
    line: char,
    head: char,
    bar: char,
    limit: char,
    settled: &'static str,
}

const SIGNS: Signs = Signs {
    line: '─',
    head: '●',
    bar: '━',
    limit: '┊',
    settled: " ✓",
};

const ASCII: Signs = Signs {
    line: '-',
    head: 'o',
    bar: '=',
    limit: ':',
    settled: " +",
};

impl Signs {
    fn of(wording: Wording) -> Signs {
        if wording.ascii { ASCII } else { SIGNS }
    }
}

/// The rows of one staff, by the place of their notes, each with its index on the page.
type Places<'a> = BTreeMap<StaffStep, Vec<(usize, &'a ItemFigures)>>;

/// Single notes of `rows` from the highest to the lowest, staff by staff: the order in which they are walked through.
pub fn order(rows: &[ItemFigures]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..rows.len())
        .filter(|&n| rows[n].item.in_group.is_none() && rows[n].item.task.is_none())
        .collect();
    order.sort_by_key(|&n| {
        let item = rows[n].item;
        let step = StaffStep::of(item.pitch, item.clef);
        let altered = item.pitch.alteration != Alteration::Natural;
        (item.clef, -step.0, altered, item)
    });
    order
}

/// Draws the staves that fit beside each other, the chosen note's among them.
pub fn draw(frame: &mut Frame, area: Rect, page: &ProgressPage, theme: Theme) {
    let rows = &page.progress.rows;
    let mut staves: BTreeMap<Clef, Places> = BTreeMap::new();
    for n in order(rows) {
        let item = rows[n].item;
        let places = staves.entry(item.clef).or_default();
        let step = StaffStep::of(item.pitch, item.clef);
        places.entry(step).or_default().push((n, &rows[n]));
    }
    let longest = rows
        .iter()
        .filter_map(|row| Some(row.morning_s()?.0))
        .fold(1.0, f64::max);
    let chosen = rows.get(page.at).map(|row| row.item.clef);
    let fit = usize::from((area.width / NARROWEST).max(1)).min(staves.len());
    let at = staves
        .keys()
        .position(|clef| Some(*clef) == chosen)
        .unwrap_or(0);
    let skip = at.min(staves.len().saturating_sub(fit));
    let width = area.width / fit.max(1) as u16;
    let mut used = 0;
    for (n, (clef, places)) in staves.iter().skip(skip).take(fit).enumerate() {
        let area = Rect {
            x: area.x + width * n as u16,
            width: width.saturating_sub(1),
            ..area
        };
        let staff = Staff {
            wording: page.wording,
            theme,
            longest,
            bar: usize::from(area.width.saturating_sub(BEFORE + BEHIND).min(LONGEST)),
            chosen: page.at,
        };
        let mut lines = vec![Line::styled(words::staff_of(*clef), dim())];
        lines.extend(staff.lines(*clef, places, area.height.saturating_sub(1)));
        used = used.max(lines.len() as u16);
        block(frame, area, lines);
    }
    // What is to come, where there is room for it.
    let below = Rect {
        y: area.y + used + 1,
        height: area.height.saturating_sub(used + 1),
        ..area
    };
    if below.height >= AHEAD {
        let signs = Signs::of(page.wording);
        let legend = words::bars(signs.limit, signs.settled.trim());
        let mut lines = vec![Line::styled(legend, dim())];
        lines.extend(page.progress.forecast_lines().into_iter().map(Line::raw));
        block(frame, below, lines);
    }
}

/// How a staff's rows are written.
struct Staff {
    wording: Wording,
    theme: Theme,
    /// The time of the longest bar, s.
    longest: f64,
    /// Its length in columns.
    bar: usize,
    chosen: usize,
}

impl Staff {
    /// From the highest place to the lowest; of those that do not fit, the ones around the chosen note.
    fn lines(&self, clef: Clef, places: &Places, height: u16) -> Vec<Line<'static>> {
        let steps = || places.keys().map(|step| step.0);
        let top = steps().max().unwrap_or(8).max(8);
        let bottom = steps().min().unwrap_or(0).min(0);
        let chosen = places
            .iter()
            .find(|(_, notes)| notes.iter().any(|(n, _)| *n == self.chosen))
            .map_or(top, |(step, _)| step.0);
        let height = i32::from(height);
        let above = (top - chosen - height / 2).clamp(0, (top - bottom + 1 - height).max(0));
        (bottom..=top - above)
            .rev()
            .take(usize::try_from(height).unwrap_or(0))
            .map(|step| self.line(StaffStep(step), clef, places.get(&StaffStep(step))))
            .collect()
    }

    fn line(
        &self,
        step: StaffStep,
        clef: Clef,
        notes: Option<&Vec<(usize, &ItemFigures)>>,
    ) -> Line<'static> {
        let signs = Signs::of(self.wording);
        let notes = notes.map(Vec::as_slice).unwrap_or_default();
        let is_chosen = notes.iter().any(|(n, _)| *n == self.chosen);
        let natural = step.pitch(clef);
        let name = match notes {
            [] => String::new(),
            [(_, row), ..] => self.wording.pitch(natural, row.item.key),
        };
        let mark = if is_chosen { '>' } else { ' ' };
        let weight = if is_chosen { strong() } else { Style::new() };
        let mut spans = vec![Span::styled(format!("{mark}{name:>5} "), weight)];
        spans.extend(self.place(step, !notes.is_empty(), &signs));
        let slowest = notes
            .iter()
            .filter_map(|(_, row)| Some((row.morning_s()?.0, *row)))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((seconds, row)) = slowest {
            spans.extend(self.bar(seconds, row, &signs));
        }
        let times: Vec<String> = notes
            .iter()
            .map(|(_, row)| self.time(row, &signs))
            .collect();
        spans.push(Span::styled(times.join("  "), weight));
        Line::from(spans)
    }

    /// The staff at this height, with a head where there is a note.
    fn place(&self, step: StaffStep, head: bool, signs: &Signs) -> Vec<Span<'static>> {
        let line = |of: usize, drawn: bool| {
            let sign = if drawn { signs.line } else { ' ' };
            String::from(sign).repeat(of)
        };
        let within = (0..=8).contains(&step.0) && step.is_line();
        let ledger = head && step.is_line() && ledger_lines(step) > 0;
        let outer = line(2, within);
        let inner = line(1, within || ledger);
        let head = if head {
            String::from(signs.head)
        } else {
            line(1, within || ledger)
        };
        vec![
            Span::styled(format!("{outer}{inner}"), dim()),
            Span::raw(head),
            Span::styled(format!("{inner}{outer}  "), dim()),
        ]
    }

    /// A bar as long as `seconds`, over the place up to which reading is quick.
    fn bar(&self, seconds: f64, row: &ItemFigures, signs: &Signs) -> Vec<Span<'static>> {
        let columns = |seconds: f64| {
            let share = (seconds / self.longest).clamp(0.0, 1.0);
            (share * self.bar as f64).round() as usize
        };
        let filled = columns(seconds).max(1).min(self.bar);
        let limit = row.why.criteria.as_ref().map_or(0, |c| columns(c.fluent_s));
        let ink = if row.settled() {
            Ink::Right
        } else {
            Ink::Given
        };
        let rest: String = (filled..self.bar)
            .map(|at| if at == limit { signs.limit } else { ' ' })
            .collect();
        vec![
            Span::styled(
                String::from(signs.bar).repeat(filled),
                self.theme.style(ink, Ink::Clear),
            ),
            Span::styled(format!("{rest} "), dim()),
        ]
    }

    /// The time in figures, with the accidental it belongs to and the sign of a settled note.
    fn time(&self, row: &ItemFigures, signs: &Signs) -> String {
        let accidental = match row.item.pitch.alteration {
            Alteration::Natural => String::new(),
            altered if self.wording.ascii => format!("{} ", altered.ascii()),
            altered => format!("{} ", altered.sign()),
        };
        let time = row
            .morning_s()
            .map_or_else(|| "-".to_owned(), |(seconds, ..)| format!("{seconds:.1}"));
        let settled = if row.settled() { signs.settled } else { "" };
        format!("{accidental}{time}{settled}")
    }
}
