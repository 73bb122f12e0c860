//! Reading over the days: medians with their middle half, and how many first looks were right.
//! In: spans of first looks. Out: a figure, and the same as a table.
//! Spans stand at equal distances, with their dates below: pauses between practice days are not drawn.

use super::{Facts, Figure, Table, long_date, of_hundred, short_date};
use crate::engrave::{Stroke, Thing, Words, text_width};
use crate::study::{DayTrend, Span, trend_within};

/// More than these are taken together.
const MOST: usize = 48;
/// Width of the figure: that of the paper between its margins.
const WIDTH: f64 = 178.0;
const LEFT: f64 = 14.0;
const RIGHT: f64 = 4.0;
/// Height of the part with times, and of the part with right answers.
const TIMES: f64 = 52.0;
const RIGHTS: f64 = 20.0;
const LETTERS: f64 = 3.4;

/// First looks by days; by weeks, then months, where there are too many to be told apart.
pub(super) fn spans(facts: &Facts) -> (Span, Vec<DayTrend>) {
    trend_within(facts.answers, MOST)
}

/// What a span is called.
pub(super) fn span_word(span: Span) -> &'static str {
    match span {
        Span::Day => "day",
        Span::Week => "week",
        Span::Month => "month",
    }
}

/// The picture; `None` without a span.
pub(super) fn chart(span: Span, spans: &[DayTrend]) -> Option<Figure> {
    let (first, last) = (spans.first()?, spans.last()?);
    // The newest that fit: months beyond four years are told by the table alone.
    let spans = &spans[spans.len().saturating_sub(MOST)..];
    let step = (WIDTH - LEFT - RIGHT) / spans.len().max(6) as f64;
    let x = |n: usize| LEFT + step * (n as f64 + 0.5);
    let mut drawing = Drawing::default();
    let timed = spans.iter().any(|span| span.median_s.is_some());
    let mut top = LETTERS * 1.6;
    if timed {
        drawing.words(0.0, LETTERS, "seconds".to_owned());
        times(&mut drawing, spans, &x, top);
        top += TIMES + LETTERS * 2.2;
    }
    drawing.words(0.0, top - LETTERS * 0.6, "right of 100".to_owned());
    rights(&mut drawing, spans, (&x, step), top);
    let foot = top + RIGHTS + LETTERS * 1.4;
    dates(&mut drawing, span, spans, &x, foot);
    let says = format!(
        "First looks by {} from {} to {}. {}",
        span_word(span),
        long_date(first.day),
        long_date(last.day),
        in_words(first, last)
    );
    let mut things = vec![Thing::Drawing {
        strokes: drawing.strokes,
        says: None,
    }];
    things.extend(drawing.words.into_iter().map(Thing::Words));
    Some(Figure {
        things,
        size: (WIDTH, foot + LETTERS * 0.5),
        says,
    })
}

fn in_words(first: &DayTrend, last: &DayTrend) -> String {
    let right = format!(
        "Right at first: {} and {}.",
        of_hundred(first.right, first.items),
        of_hundred(last.right, last.items)
    );
    match (first.median_s, last.median_s) {
        (Some(from), Some(to)) => {
            format!("Median at first {from:.1} s, at last {to:.1} s. {right}")
        }
        _ => right,
    }
}

#[derive(Default)]
struct Drawing {
    strokes: Vec<Stroke>,
    words: Vec<Words>,
}

impl Drawing {
    fn line(&mut self, from: (f64, f64), to: (f64, f64), weight: f64, dashed: bool) {
        self.strokes.push(Stroke::Line {
            from,
            to,
            weight,
            dashed,
        });
    }

    fn words(&mut self, x: f64, y: f64, text: String) {
        self.words.push(Words::new(x, y, LETTERS, text));
    }

    /// A level line with its figure at the left.
    fn level(&mut self, y: f64, figure: String) {
        self.line((LEFT, y), (WIDTH - RIGHT, y), 0.15, true);
        let words = Words::new(LEFT - 1.5, y + LETTERS * 0.35, LETTERS, figure).ending();
        self.words.push(words);
    }
}

/// Medians as heads on bars that hold the middle half.
fn times(drawing: &mut Drawing, spans: &[DayTrend], x: &impl Fn(usize) -> f64, top: f64) {
    let most = spans
        .iter()
        .filter_map(|span| Some(span.half_s?.1))
        .fold(0.5, f64::max);
    let step = round_step(most / 4.0);
    let most = (most / step).ceil() * step;
    let y = |seconds: f64| top + TIMES * (1.0 - seconds / most);
    for n in 0..=(most / step).round() as u32 {
        let seconds = f64::from(n) * step;
        let figure = if step < 1.0 {
            format!("{seconds:.1}")
        } else {
            format!("{seconds:.0}")
        };
        drawing.level(y(seconds), figure);
    }
    let mut before: Option<(f64, f64)> = None;
    for (n, span) in spans.iter().enumerate() {
        let (Some(median), Some((from, to))) = (span.median_s, span.half_s) else {
            continue;
        };
        let here = (x(n), y(median));
        if let Some(before) = before {
            drawing.line(before, here, 0.3, false);
        }
        before = Some(here);
        drawing.line((here.0, y(from)), (here.0, y(to)), 0.5, false);
        for end in [from, to] {
            drawing.line((here.0 - 0.8, y(end)), (here.0 + 0.8, y(end)), 0.5, false);
        }
        drawing.strokes.push(Stroke::Oval {
            middle: here,
            radii: (1.25, 1.0),
            fill: 1.0,
            edge: 0.0,
        });
    }
}

/// 0.1, 0.2, 0.5, 1, 2, 5 …: the first that is not below `least`.
fn round_step(least: f64) -> f64 {
    let ten = 10_f64.powf(least.max(0.01).log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * ten)
        .find(|step| *step >= least * 0.999)
        .unwrap_or(10.0 * ten)
        .max(0.1)
}

/// Shares right as boxes from below.
fn rights(
    drawing: &mut Drawing,
    spans: &[DayTrend],
    (x, step): (&impl Fn(usize) -> f64, f64),
    top: f64,
) {
    for share in [0_u8, 50, 100] {
        let y = top + RIGHTS * (1.0 - f64::from(share) / 100.0);
        drawing.level(y, share.to_string());
    }
    let width = (step * 0.6).min(5.0);
    for (n, span) in spans.iter().enumerate() {
        let share = f64::from(span.right) / f64::from(span.items.max(1));
        drawing.strokes.push(Stroke::Box {
            corner: (x(n) - width / 2.0, top + RIGHTS * (1.0 - share)),
            size: (width, RIGHTS * share),
            fill: 0.55,
            edge: 0.0,
        });
    }
}

/// As many dates as have room.
fn dates(drawing: &mut Drawing, span: Span, spans: &[DayTrend], x: &impl Fn(usize) -> f64, y: f64) {
    let mut free = 0.0;
    for (n, one) in spans.iter().enumerate() {
        let text = match span {
            Span::Day | Span::Week => short_date(one.day),
            Span::Month => format!("{}/{:02}", one.day.month(), one.day.year().rem_euclid(100)),
        };
        let width = text_width(&text, LETTERS);
        if x(n) - width / 2.0 >= free && x(n) + width / 2.0 <= WIDTH {
            free = x(n) + width / 2.0 + 3.0;
            let words = Words::new(x(n), y, LETTERS, text).centred();
            drawing.words.push(words);
        }
    }
}

/// The same in figures, the newest first.
pub(super) fn table(span: Span, spans: &[DayTrend]) -> Table {
    let word = span_word(span);
    let rows = spans
        .iter()
        .rev()
        .map(|one| {
            let half = one
                .half_s
                .map_or("-".to_owned(), |(from, to)| format!("{from:.1} to {to:.1}"));
            vec![
                long_date(one.day),
                one.items.to_string(),
                one.right.to_string(),
                of_hundred(one.right, one.items),
                one.median_s.map_or("-".to_owned(), |s| format!("{s:.1}")),
                half,
            ]
        })
        .collect();
    Table {
        caption: format!("The first answer to each note of a day, by {word}"),
        head: [
            match span {
                Span::Day => "Day",
                Span::Week => "Week from",
                Span::Month => "Month from",
            },
            "First looks",
            "Right",
            "Share right",
            "Median, s",
            "Middle half, s",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
        words: vec![0],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_hold_what_is_asked() {
        for (least, step) in [(0.02, 0.1), (0.13, 0.2), (0.3, 0.5), (0.9, 1.0), (2.3, 5.0)] {
            assert!((round_step(least) - step).abs() < 1e-9, "{least}");
        }
    }
}
