//! What the answers to each item came to. In: dated answers, the model fitted on them. Out: figures, the slowest first.

use jiff::civil::Date;

use super::answer::{Answer, Outcome};
use super::item::{Item, ItemMap};
use super::learner::LearnerModel;
use super::settled::Verdict;
use super::task::Task;
use super::why::Why;

/// What the first tries at one item came to.
#[derive(Debug, Clone, PartialEq)]
pub struct ItemFigures {
    /// The item.
    pub item: Item,
    /// Judged first tries, and the right ones.
    pub tries: u32,
    /// The right ones.
    pub right: u32,
    /// Half of the right answers came within this.
    pub median_ms: Option<u32>,
    /// What the model holds.
    pub why: Why,
    /// Share right, fading, and its standard deviation.
    pub accuracy: (f64, f64),
}

impl ItemFigures {
    /// The median of a morning, with one standard error below and above.
    pub fn morning_s(&self) -> Option<(f64, f64, f64)> {
        let (median, error) = self.why.criteria.as_ref()?.median_s?;
        Some((median, median * (-error).exp(), median * error.exp()))
    }

    /// Whether it is missed so often that its time says little: less than three of four right of late, after four tries. Ours.
    pub fn often_missed(&self) -> bool {
        self.tries >= 4 && self.accuracy.0 < 0.75
    }

    /// Whether it is settled.
    pub fn settled(&self) -> bool {
        let verdict = self.why.criteria.as_ref().map(|c| c.verdict);
        matches!(verdict, Some(Verdict::Settled | Verdict::ButForSlips))
    }
}

/// Figures of every item that was answered: the slowest of a morning first, what has no time before them.
pub fn figures(answers: &[(Date, Answer)], model: &LearnerModel) -> Vec<ItemFigures> {
    let mut tallies: ItemMap<(u32, Vec<u32>, u32)> = ItemMap::default();
    let judged = |(_, a): &&(Date, Answer)| {
        // What changes with every answer has no figures of its own.
        let changes = matches!(a.item.task, Some(Task::InTune(_)));
        a.attempt == 1 && a.outcome != Outcome::NotSure && !changes
    };
    for (_, answer) in answers.iter().filter(judged) {
        let (tries, times, right) = tallies.entry(answer.item.part()).or_default();
        *tries += 1;
        if answer.outcome == Outcome::Right {
            *right += 1;
            times.extend(answer.response_ms);
        }
    }
    let whys = model.whys(tallies.keys());
    let mut rows: Vec<ItemFigures> = tallies
        .into_iter()
        .zip(whys)
        .map(|((item, (tries, mut times, right)), why)| {
            times.sort_unstable();
            ItemFigures {
                item,
                tries,
                right,
                median_ms: times.get(times.len() / 2).copied(),
                accuracy: model.accuracy(&item).unwrap_or((0.0, 0.0)),
                why,
            }
        })
        .collect();
    rows.sort_by(|a, b| {
        let of = |row: &ItemFigures| row.morning_s().map_or(f64::INFINITY, |(middle, ..)| middle);
        of(b).total_cmp(&of(a)).then(a.item.cmp(&b.item))
    });
    rows
}
