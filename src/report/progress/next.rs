//! What to do next, in plain words. In: facts. Out: a few sentences, the most useful first; none blames anyone.

use super::{Facts, counted};
use crate::study::{AnswerWay, Forecast, Outcome};

/// Notes that are named at once.
const FEW: usize = 3;

/// Points to take up; never empty.
pub(super) fn steps(facts: &Facts) -> Vec<String> {
    let mut steps = vec![today(facts)];
    let slow: Vec<String> = facts
        .hardest()
        .into_iter()
        .filter(|one| one.item.is_single_note())
        .take(FEW)
        .map(|one| facts.called(one.item))
        .collect();
    if !slow.is_empty() {
        steps.push(format!(
            "The hardest notes are {}. Practice brings them back by itself; away from the computer, `stavelark sheet cards` and `stavelark sheet rows` print the stage's notes.",
            slow.join("; ")
        ));
    }
    if let Some(confusion) = facts
        .confusions
        .iter()
        .find(|c| c.item.task.is_none() && still_missed(facts, c.item))
    {
        steps.push(format!(
            "{} was answered as {} {}: look at the two side by side on the sheet of names (`stavelark sheet names`).",
            facts.called(confusion.item),
            facts.answered(confusion.item, confusion.given),
            counted(confusion.times, "time")
        ));
    }
    if !facts.floor.1 && facts.way == AnswerWay::Letters && !facts.figures.is_empty() {
        steps.push(
            "Press m on the home screen once: half a minute of typing names tells how much of a time is reading and how much is finding the key.".to_owned(),
        );
    }
    if let Some(forecast) = forecast(facts) {
        steps.push(forecast);
    }
    steps
}

fn today(facts: &Facts) -> String {
    let Some(stage) = facts.stage() else {
        return format!(
            "Every stage of \u{201c}{}\u{201d} is done. Take up another course (`stavelark course list`), or go on with the last stage to keep what is there.",
            facts.course.name
        );
    };
    let kept = facts.stage.and_then(|n| facts.marks.get(n)).copied();
    let kept = kept.unwrap_or(0).min(stage.days);
    if kept == stage.days {
        return format!(
            "All {} of \u{201c}{}\u{201d} are kept; it goes on until its notes are settled.",
            counted(stage.days, "day"),
            stage.name
        );
    }
    let left = stage.days - kept;
    let left = if left == 1 {
        "one day is left".to_owned()
    } else {
        format!("{} are left", counted(left, "day"))
    };
    let minutes = counted(stage.minutes, "minute");
    let make = if stage.minutes == 1 { "makes" } else { "make" };
    let (begins, day) = if facts.marked.contains(&facts.day) {
        ("Today counts already. Next is another day of", "it")
    } else {
        ("Next is a day of", "a day")
    };
    format!(
        "{begins} \u{201c}{}\u{201d}: {minutes} {make} {day} count, and {left}. Short and on many days beats long and seldom.",
        stage.name
    )
}

/// Whether an item was wrong once more among its last five first tries.
fn still_missed(facts: &Facts, item: crate::study::Item) -> bool {
    facts
        .answers
        .iter()
        .rev()
        .filter(|(_, a)| a.item == item && a.attempt == 1 && a.outcome != Outcome::NotSure)
        .take(5)
        .any(|(_, a)| a.outcome == Outcome::Wrong)
}

/// When the stage's notes may be settled.
pub(super) fn forecast(facts: &Facts) -> Option<String> {
    let stage = facts.stage()?;
    let Forecast { low, likely, high } = facts.forecast?;
    Some(match (likely, high) {
        (0, _) => format!("All of \u{201c}{}\u{201d} is settled.", stage.name),
        (_, Some(high)) => format!(
            "At this pace all of \u{201c}{}\u{201d} is settled in about {} of practice (between {low} and {high}).",
            stage.name,
            counted(likely, "day")
        ),
        (_, None) => format!(
            "At this pace all of \u{201c}{}\u{201d} is settled in about {} of practice ({low} at the best, many more at the worst).",
            stage.name,
            counted(likely, "day")
        ),
    })
}
