//! The last seven days in a few lines to paste into a mail. In: facts. Out: plain text of at most 72 columns.

use jiff::civil::Date;

use super::{Facts, counted, next, of_hundred, paper, short_date};
use crate::study::{DayTrend, ItemFigures, Outcome, Practised, trend};

/// Columns of a line: what mail programs leave whole (RFC 5322 advises 78, of which quoting takes some).
const COLUMNS: usize = 72;
/// Notes that are named at once.
const FEW: usize = 5;

/// Lines about the week that ends on the report's day.
pub fn week(facts: &Facts) -> Vec<String> {
    let first = back(facts.day, 6);
    let mut told = vec![format!(
        "{}, {} to {} {}: {}",
        facts.whose,
        short_date(first),
        short_date(facts.day),
        facts.day.year(),
        standing(facts)
    )];
    told.push(practised(facts, first));
    if let Some(words) = answered(facts, first) {
        told.push(words);
        told.extend(speed(facts, first));
        told.extend(settled(facts, first));
        told.extend(hardest(facts));
    }
    told.extend(by_ear(facts, first));
    told.push(paper::quoted(&next::steps(facts)[0]));
    told.extend(next::forecast(facts));
    told.iter().flat_map(|text| wrapped(text)).collect()
}

fn back(day: Date, days: i64) -> Date {
    day.saturating_sub(jiff::Span::new().days(days))
}

fn standing(facts: &Facts) -> String {
    let marks = |n: usize| facts.marks.get(n).copied().unwrap_or(0);
    match (facts.stage, facts.stage()) {
        (Some(place), Some(stage)) => format!(
            "\u{201c}{}\u{201d}, stage {} of {}, {} of {} kept.",
            stage.name,
            place + 1,
            facts.course.stages.len(),
            marks(place).min(stage.days),
            counted(stage.days, "day")
        ),
        _ => format!(
            "every stage of \u{201c}{}\u{201d} is done.",
            facts.course.name
        ),
    }
}

fn practised(facts: &Facts, first: Date) -> String {
    let week: Vec<&(Date, Practised)> = facts
        .practised
        .iter()
        .filter(|(day, _)| (first..=facts.day).contains(day))
        .collect();
    if week.is_empty() {
        return "No practice in these seven days.".to_owned();
    }
    let minutes = week.iter().map(|(_, p)| p.active_ms).sum::<u64>() as f64 / 60_000.0;
    let counted_days = facts
        .marked
        .iter()
        .filter(|day| (first..=facts.day).contains(*day))
        .count();
    format!(
        "Practised on {} of 7 days, {} in all; {} count.",
        week.len(),
        counted(minutes.round() as u32, "minute"),
        counted_days
    )
}

/// First tries of the week that the figures rest on; `None` without any.
fn answered(facts: &Facts, first: Date) -> Option<String> {
    let week = facts.answers.iter().filter(|(day, answer)| {
        (first..=facts.day).contains(day)
            && answer.attempt == 1
            && answer.outcome != Outcome::NotSure
    });
    let tries = week.map(|(_, answer)| answer.outcome == Outcome::Right);
    let (all, right) = tally(tries);
    (all > 0).then(|| {
        let what = if facts.heard { " of this stage" } else { "" };
        format!("{}.", answers(all, right, what))
    })
}

/// First tries of the week by ear, at whatever stage; `None` without any.
fn by_ear(facts: &Facts, first: Date) -> Option<String> {
    let week = facts.by_ear.tries.iter();
    let week = week.filter(|(day, _)| (first..=facts.day).contains(day));
    let (all, right) = tally(week.map(|(_, right)| *right));
    let beside = if facts.heard { "All" } else { "Besides" };
    (all > 0).then(|| format!("{beside} by ear: {}.", answers(all, right, "")))
}

/// How many there are, and how many of them right.
fn tally(tries: impl Iterator<Item = bool>) -> (u32, u32) {
    tries.fold((0, 0), |(all, right), one| {
        (all + 1, right + u32::from(one))
    })
}

fn answers(all: u32, right: u32, what: &str) -> String {
    format!(
        "{}{what}, {right} right at the first try ({})",
        counted(all, "answer"),
        of_hundred(right, all)
    )
}

/// The median of days' medians, this week and before.
fn speed(facts: &Facts, first: Date) -> Option<String> {
    let days = trend(facts.answers);
    let of = |from: Date, to: Date| {
        let mut medians: Vec<f64> = days
            .iter()
            .filter(|day: &&DayTrend| (from..=to).contains(&day.day))
            .filter_map(|day| day.median_s)
            .collect();
        medians.sort_by(f64::total_cmp);
        medians.get(medians.len() / 2).copied()
    };
    let now = of(first, facts.day)?;
    let before = of(back(first, 7), back(first, 1));
    Some(match before {
        Some(before) => {
            format!("A day's first looks took {now:.1} s, the week before {before:.1} s (medians).")
        }
        None => format!("A day's first looks took {now:.1} s (median)."),
    })
}

fn settled(facts: &Facts, first: Date) -> Vec<String> {
    let settled: Vec<&ItemFigures> = facts.figures.iter().filter(|one| one.settled()).collect();
    let new: Vec<String> = settled
        .iter()
        .filter(|one| one.why.settled_since.is_none_or(|day| day > first))
        .map(|one| facts.called(one.item))
        .collect();
    let mut lines = vec![format!(
        "Settled: {} of {}.",
        settled.len(),
        counted(facts.figures.len() as u32, "note")
    )];
    if !new.is_empty() {
        lines.push(format!("New among them: {}.", some(&new)));
    }
    lines
}

fn hardest(facts: &Facts) -> Option<String> {
    let slow: Vec<String> = facts
        .hardest()
        .into_iter()
        .take(FEW)
        .map(|one| {
            let called = facts.called(one.item);
            match one.morning_s() {
                Some((median, ..)) if !one.often_missed() => format!("{called} {median:.1} s"),
                _ => format!(
                    "{called} right {} of {}",
                    counted(one.right, "time"),
                    one.tries
                ),
            }
        })
        .collect();
    (!slow.is_empty()).then(|| format!("Hardest: {}.", slow.join("; ")))
}

fn some(names: &[String]) -> String {
    let more = names.len().saturating_sub(FEW);
    let named = names[..names.len() - more].join("; ");
    if more == 0 {
        named
    } else {
        format!("{named}; and {more} more")
    }
}

/// Lines broken at spaces.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= COLUMNS => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}
