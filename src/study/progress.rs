//! How a learner gets on: what was kept from day to day, what got faster, what is taken for what, and how long it may take.
//! In: dated answers, the model, a stage. Out: figures with their uncertainty. The first answer to an item on a day alone
//! shows what was kept, so trends rest on those.

use std::collections::HashMap;

use foldhash::fast::FixedState;
use jiff::civil::Date;

use super::answer::{Answer, Outcome, Reply};
use super::floor::quantile;
use super::item::{Item, ItemMap, ItemSet};
use super::learner::LearnerModel;
use super::settled::Verdict;

/// First answers of one practice day, or of the days of a longer span.
#[derive(Debug, Clone, PartialEq)]
pub struct DayTrend {
    /// The practice day; of a longer span its first.
    pub day: Date,
    /// Items that were looked at, each once a day.
    pub items: u32,
    /// Right at the first look.
    pub right: u32,
    /// Half of the right first looks came within this; `None` without times.
    pub median_s: Option<f64>,
    /// The middle half of them: a quarter came sooner than the first, a quarter later than the second.
    pub half_s: Option<(f64, f64)>,
}

/// How many days are taken together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Span {
    /// Each by itself.
    Day,
    /// From Monday to Sunday (ISO 8601).
    Week,
    /// Of a calendar month.
    Month,
}

impl Span {
    /// The first day of the span that `day` lies in.
    pub fn first(self, day: Date) -> Date {
        match self {
            Span::Day => day,
            Span::Week => {
                let back = day.weekday().to_monday_zero_offset();
                day.saturating_sub(jiff::Span::new().days(back))
            }
            Span::Month => day.first_of_month(),
        }
    }
}

/// Day by day, from the first answers of the day. A day whose clock was set back stands where it was recorded.
pub fn trend(answers: &[(Date, Answer)]) -> Vec<DayTrend> {
    trend_over(answers, Span::Day)
}

/// The same with the first answers of several days taken together.
pub fn trend_over(answers: &[(Date, Answer)], span: Span) -> Vec<DayTrend> {
    let mut spans: Vec<(Date, Vec<&Answer>)> = Vec::new();
    let mut seen = ItemSet::default();
    let mut last_day = None;
    for (day, answer) in answers.iter().filter(|(_, answer)| counts(answer)) {
        if last_day != Some(*day) {
            last_day = Some(*day);
            seen.clear();
            let first = span.first(*day);
            if spans.last().is_none_or(|(last, _)| *last != first) {
                spans.push((first, Vec::new()));
            }
        }
        if seen.insert(answer.item.part())
            && let Some((_, looks)) = spans.last_mut()
        {
            looks.push(answer);
        }
    }
    spans
        .into_iter()
        .map(|(day, looks)| {
            let right: Vec<&&Answer> = looks
                .iter()
                .filter(|a| a.outcome == Outcome::Right)
                .collect();
            let times = sorted(right.iter().filter_map(|a| a.response_ms));
            let at = |share| (!times.is_empty()).then(|| quantile(&times, share));
            DayTrend {
                day,
                items: looks.len() as u32,
                right: right.len() as u32,
                median_s: at(0.5),
                half_s: at(0.25).zip(at(0.75)),
            }
        })
        .collect()
}

/// By days; by weeks, then months, where there are more than `most` of them.
pub fn trend_within(answers: &[(Date, Answer)], most: usize) -> (Span, Vec<DayTrend>) {
    let counted = answers.iter().filter(|(_, answer)| counts(answer));
    let mut days: Vec<Date> = counted.map(|(day, _)| *day).collect();
    days.dedup();
    let fits = |span: &Span| {
        let firsts = days.iter().map(|day| span.first(*day));
        let changes = firsts.clone().zip(firsts.skip(1)).filter(|(a, b)| a != b);
        changes.count() < most
    };
    let span = [Span::Day, Span::Week].into_iter().find(fits);
    let span = span.unwrap_or(Span::Month);
    (span, trend_over(answers, span))
}

/// An item that got faster.
#[derive(Debug, Clone, PartialEq)]
pub struct Gain {
    /// The item.
    pub item: Item,
    /// Half of its first right answers came within this.
    pub from_s: f64,
    /// And of its last ones.
    pub to_s: f64,
}

/// Right answers at either end of an item's record that are compared.
const ENDS: usize = 4;

/// Items that got faster from their first four right answers to their last four, by proportion, most first.
pub fn gains(answers: &[(Date, Answer)]) -> Vec<Gain> {
    let mut times: ItemMap<Vec<u32>> = ItemMap::default();
    for (_, answer) in answers.iter().filter(|(_, answer)| counts(answer)) {
        if let (Outcome::Right, Some(ms)) = (answer.outcome, answer.response_ms) {
            times.entry(answer.item.part()).or_default().push(ms);
        }
    }
    let mut gains: Vec<Gain> = times
        .into_iter()
        .filter(|(_, times)| times.len() >= 2 * ENDS)
        .filter_map(|(item, times)| {
            let (first, last) = (&times[..ENDS], &times[times.len() - ENDS..]);
            Some(Gain {
                item,
                from_s: median(first.iter().copied())?,
                to_s: median(last.iter().copied())?,
            })
        })
        .filter(|gain| gain.to_s < gain.from_s)
        .collect();
    gains.sort_by(|a, b| {
        let kept = |gain: &Gain| gain.to_s / gain.from_s;
        kept(a).total_cmp(&kept(b)).then(a.item.cmp(&b.item))
    });
    gains
}

/// A note that was answered in place of another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Confusion {
    /// What was asked.
    pub item: Item,
    /// What was answered instead.
    pub given: Reply,
    /// How often.
    pub times: u32,
}

/// What was answered in place of what, the most frequent first; single slips are none.
pub fn confusions(answers: &[(Date, Answer)]) -> Vec<Confusion> {
    let mut counts: HashMap<(Item, Reply), u32, FixedState> = HashMap::default();
    for (_, answer) in answers {
        let (1, Outcome::Wrong, Some(given)) = (answer.attempt, answer.outcome, answer.given)
        else {
            continue;
        };
        // In a group the interval is misread, not the note; and a note that was reached from another depends on that one.
        let comparable = match given {
            Reply::Note(_) => answer.item.is_single_note(),
            Reply::Task(_) => true,
        };
        if comparable {
            *counts.entry((answer.item.part(), given)).or_default() += 1;
        }
    }
    let mut found: Vec<Confusion> = counts
        .into_iter()
        .filter(|(_, times)| *times > 1)
        .map(|((item, given), times)| Confusion { item, given, times })
        .collect();
    found.sort_by(|a, b| {
        let which = |c: &Confusion| (c.item, c.given);
        b.times.cmp(&a.times).then(which(a).cmp(&which(b)))
    });
    found
}

/// Practice days until something: likely, and the range that holds four times of five.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Forecast {
    /// At the best.
    pub low: u32,
    /// Most likely.
    pub likely: u32,
    /// At the worst; `None` if no end is in sight.
    pub high: Option<u32>,
}

/// Practice days whose settled items tell the pace.
const PACE_DAYS: usize = 5;
/// Beyond this no number of days means anything.
const FARTHEST: f64 = 250.0;

/// Practice days until all of `items` are settled, from how many became so on the last five days; `None` before three,
/// and while too few become so to tell.
///
/// New ones a day are taken as a Poisson count, its rate as a gamma distribution (Jeffreys prior); the range is its
/// middle four fifths by the approximation of Wilson & Hilferty 1931.
pub fn forecast(
    model: &LearnerModel,
    items: &[Item],
    answers: &[(Date, Answer)],
) -> Option<Forecast> {
    let of_stage: ItemSet = items.iter().copied().collect();
    let mut days: Vec<Date> = answers
        .iter()
        .filter(|(_, answer)| of_stage.contains(&answer.item.part()))
        .map(|(day, _)| *day)
        .collect();
    days.sort_unstable();
    days.dedup();
    let verdicts = model.verdicts(items);
    let open = verdicts.iter().filter(|v| **v == Verdict::Open).count() as f64;
    if open == 0.0 {
        let none = Forecast {
            low: 0,
            likely: 0,
            high: Some(0),
        };
        return Some(none);
    }
    if days.len() < 3 {
        return None;
    }
    let last = &days[days.len().saturating_sub(PACE_DAYS)..];
    // A day's verdict stands the next morning: what the last days settled lies after the first of them.
    let news = items
        .iter()
        .zip(&verdicts)
        .filter(|(_, verdict)| **verdict != Verdict::Open)
        .filter(|(item, _)| model.settled_since(item).is_none_or(|day| day > last[0]))
        .count() as f64;
    let shape = news + 0.5;
    let rate = |z: f64| {
        let root = 1.0 - 1.0 / (9.0 * shape) + z / (3.0 * shape.sqrt());
        shape * root.max(0.0).powi(3) / last.len() as f64
    };
    let until = |rate: f64| (open / rate).ceil();
    let (low, likely, high) = (until(rate(1.2816)), until(rate(0.0)), until(rate(-1.2816)));
    if likely > FARTHEST {
        return None;
    }
    Some(Forecast {
        low: low.min(FARTHEST) as u32,
        likely: likely as u32,
        high: (high <= FARTHEST).then_some(high as u32),
    })
}

/// Only a judged first try shows anything.
fn counts(answer: &Answer) -> bool {
    answer.attempt == 1 && answer.outcome != Outcome::NotSure
}

fn median(times: impl Iterator<Item = u32>) -> Option<f64> {
    let times = sorted(times);
    (!times.is_empty()).then(|| quantile(&times, 0.5))
}

/// Milliseconds as seconds, in order.
fn sorted(times: impl Iterator<Item = u32>) -> Vec<f64> {
    let mut times: Vec<f64> = times.map(|ms| f64::from(ms) / 1000.0).collect();
    times.sort_by(f64::total_cmp);
    times
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::{AnswerWay, PromptKind, Yardstick};
    use jiff::{Timestamp, ToSpan};

    fn day(n: i64) -> Date {
        Date::constant(2026, 3, 2).saturating_add(n.days())
    }

    fn answer(item: &str, given: Option<&str>, ms: Option<u32>) -> Answer {
        let item: Item = item.parse().unwrap();
        let outcome = if given.is_none() {
            Outcome::Right
        } else {
            Outcome::Wrong
        };
        Answer {
            at: Timestamp::UNIX_EPOCH,
            stage: "treble".into(),
            item,
            prompt: PromptKind::Eye,
            way: AnswerWay::Letters,
            given: Some(Reply::Note(
                given.map_or(item.pitch, |text| text.parse().unwrap()),
            )),
            outcome,
            response_ms: ms,
            attempt: 1,
            active_ms: 1000,
        }
    }

    #[test]
    fn a_trend_counts_the_first_look_of_a_day_alone() {
        let answers = [
            (day(0), answer("C4@treble", None, Some(3000))),
            (day(0), answer("C4@treble", None, Some(500))),
            (day(0), answer("D4@treble", Some("E4"), Some(900))),
            (day(1), answer("C4@treble", None, Some(2000))),
            (day(1), answer("D4@treble", None, Some(1000))),
        ];
        let days = trend(&answers);
        assert_eq!(days.len(), 2);
        assert_eq!((days[0].items, days[0].right), (2, 1));
        assert_eq!(days[0].median_s, Some(3.0));
        assert_eq!(days[1].median_s, Some(1.5));
        assert_eq!(trend(&[]), []);
    }

    #[test]
    fn spans_take_days_together_and_keep_each_days_first_looks() {
        // 2 March 2026 is a Monday (ISO 8601 weeks begin on it). Quartiles by the rule R calls type 7:
        // quantile(c(1, 2, 3, 4, 5), c(.25, .5, .75)) is 2, 3, 4.
        let notes = ["C4", "D4", "E4", "F4"];
        let mut answers = Vec::new();
        for (n, note) in (0..).zip(notes) {
            let id = format!("{note}@treble");
            answers.push((day(0), answer(&id, None, Some(1000 * (n + 1)))));
        }
        answers.push((day(6), answer("C4@treble", None, Some(5000))));
        answers.push((day(6), answer("C4@treble", None, Some(100))));
        answers.push((day(7), answer("C4@treble", None, Some(700))));
        let weeks = trend_over(&answers, Span::Week);
        assert_eq!(
            weeks.iter().map(|w| (w.day, w.items)).collect::<Vec<_>>(),
            [(day(0), 5), (day(7), 1)]
        );
        assert_eq!(weeks[0].median_s, Some(3.0));
        assert_eq!(weeks[0].half_s, Some((2.0, 4.0)));
        let months = trend_over(&answers, Span::Month);
        assert_eq!((months.len(), months[0].day.day()), (1, 1));
    }

    #[test]
    fn what_got_faster_comes_first_by_proportion() {
        let mut answers = Vec::new();
        for n in 0..10 {
            answers.push((day(0), answer("C4@treble", None, Some(2000 - 100 * n))));
            answers.push((day(0), answer("D4@treble", None, Some(4000 - 350 * n))));
            answers.push((day(0), answer("E4@treble", None, Some(1000))));
        }
        let found = gains(&answers);
        let names: Vec<String> = found.iter().map(|g| g.item.to_string()).collect();
        assert_eq!(names, ["D4@treble", "C4@treble"]);
        assert!((found[1].from_s - 1.85).abs() < 1e-9 && (found[1].to_s - 1.25).abs() < 1e-9);
    }

    #[test]
    fn confusions_are_pairs_met_twice_and_later_tries_are_none() {
        let mut later = answer("C4@treble", Some("E4"), None);
        later.attempt = 2;
        let answers = [
            (day(0), answer("C4@treble", Some("D4"), None)),
            (day(0), answer("C4@treble", Some("D4"), None)),
            (day(0), answer("D4@treble", Some("C4"), None)),
            (day(0), later.clone()),
            (day(0), later),
        ];
        let found = confusions(&answers);
        assert_eq!(found.len(), 1);
        assert_eq!(
            (found[0].times, found[0].given.to_string().as_str()),
            (2, "D4")
        );
    }

    #[test]
    fn a_forecast_says_nothing_too_early_and_narrows_with_what_is_settled() {
        let items: Vec<Item> = ["C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5"]
            .map(|name| format!("{name}@treble").parse().unwrap())
            .to_vec();
        let mut model = LearnerModel::new(Yardstick::new(600));
        let mut answers = Vec::new();
        let mut at = Vec::new();
        for n in 0..6 {
            model.begin_day(day(n));
            // Every day one more item is read, fast from the start.
            for item in &items[..(n as usize + 1).min(items.len())] {
                for _ in 0..4 {
                    let given = answer(&item.to_string(), None, Some(700));
                    model.take(day(n), &given);
                    answers.push((day(n), given));
                }
            }
            at.push(forecast(&model, &items, &answers));
        }
        assert_eq!(at[0], None);
        assert_eq!(at[1], None);
        let last = at[5].unwrap();
        assert!(last.low <= last.likely && last.high.is_none_or(|h| last.likely <= h));
        // Five of eight are settled, about one a day: three days more.
        assert!((2..=4).contains(&last.likely), "{last:?}");
        assert_eq!(forecast(&model, &items[..4], &answers).unwrap().likely, 0);
    }
}
