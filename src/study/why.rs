//! What the model holds about one item, why it comes up, and what is missing to *settled*, in plain words.
//! In: a [`LearnerModel`] and an item. Out: facts, and sentences without the item's name.

use jiff::civil::Date;

use super::answer::{Answer, Outcome};
use super::item::Item;
use super::learner::LearnerModel;
use super::settled::{Criteria, SURE, SURELY_FLUENT, Verdict};

/// Why an item came up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Reason {
    /// It was missed a few prompts ago.
    Return,
    /// It has waited its longest.
    Waited,
    /// It was never asked before.
    New,
    /// The first look of the day, which shows what was kept.
    FirstLook,
    /// It is settled, and its review is due.
    Review,
    /// It is slow or unsure, and has waited the longest for it.
    Weak,
}

impl Reason {
    /// A clause that ends "it comes up because …".
    pub fn words(self) -> &'static str {
        match self {
            Reason::Return => "it was missed a moment ago",
            Reason::Waited => "it has not been asked for long",
            Reason::New => "it is new",
            Reason::FirstLook => "the day's first look shows what was kept over night",
            Reason::Review => "it is settled, and this is its review",
            Reason::Weak => "it is not read quickly and surely yet",
        }
    }
}

/// What an item lacks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Missing {
    /// It was never answered.
    Answers,
    /// It is read too slowly, or too unevenly to be sure.
    Speed {
        /// What the median response is thought to be of a morning; `None` without a timed right answer.
        median_s: Option<f64>,
        /// What it must surely not exceed.
        fluent_s: f64,
    },
    /// It is missed too often.
    Accuracy {
        /// The accuracy that is thought.
        is: f64,
        /// The accuracy that is asked.
        asked: f64,
    },
    /// Days on which the first answer is right and quick, of two running.
    FirstLooks {
        /// How many of the last two.
        kept: u32,
        /// What they must not exceed; `None` when time does not count.
        within_s: Option<f64>,
    },
}

/// Everything there is to say about an item.
#[derive(Debug, Clone, PartialEq)]
pub struct Why {
    /// Judged first tries, and the right ones among them.
    pub answers: u32,
    /// The right ones.
    pub rights: u32,
    /// Practice days on which it was answered.
    pub days: u32,
    /// The criteria; `None` if it was never answered.
    pub criteria: Option<Criteria>,
    /// The morning since which it counts as settled.
    pub settled_since: Option<Date>,
    /// Days to its next review, if it has one.
    pub review_in_days: Option<u32>,
    /// What it lacks; empty when settled.
    pub missing: Vec<Missing>,
}

/// Why an item came up the last time, and on which practice day: told from what was known just before; `None` if it
/// never did.
pub fn came_up(
    answers: &[(Date, Answer)],
    model: &LearnerModel,
    item: &Item,
) -> Option<(Date, Reason)> {
    let prompts: Vec<&(Date, Answer)> = answers
        .iter()
        .filter(|(_, answer)| answer.attempt == 1 && answer.outcome != Outcome::NotSure)
        .collect();
    let last = prompts.iter().rposition(|(_, a)| a.item.part() == *item)?;
    let day = prompts[last].0;
    let before = &prompts[..last];
    let earlier = before.iter().rposition(|(_, a)| a.item.part() == *item);
    let Some(earlier) = earlier else {
        return Some((day, Reason::New));
    };
    let (on, answer) = before[earlier];
    let others = last - earlier - 1;
    let missed = *on == day && answer.outcome == Outcome::Wrong;
    if missed && others <= RETURN_WITHIN {
        return Some((day, Reason::Return));
    }
    let dated = before.iter().map(|(day, answer)| (*day, answer));
    let then = LearnerModel::rebuild(model.yardstick(), dated, day);
    let reason = if then.review_due(item) {
        Reason::Review
    } else if then.wants_first_look(item) {
        Reason::FirstLook
    } else if then.probability(item) > 0.5 {
        Reason::Waited
    } else {
        Reason::Weak
    };
    Some((day, reason))
}

/// Others after which a missed item has returned at the latest.
const RETURN_WITHIN: usize = 5;

impl LearnerModel {
    /// What is known about an item and what it lacks.
    pub fn why(&self, item: &Item) -> Why {
        self.why_by(item, self.criteria(item))
    }

    /// The same of many items at once.
    pub fn whys<'a>(&self, items: impl IntoIterator<Item = &'a Item>) -> Vec<Why> {
        let yard = self.yard();
        items
            .into_iter()
            .map(|item| self.why_by(item, self.criteria_by(item, &yard)))
            .collect()
    }

    fn why_by(&self, item: &Item, criteria: Option<Criteria>) -> Why {
        let (Some(memory), Some(criteria)) = (self.memory(item), criteria) else {
            return Why {
                answers: 0,
                rights: 0,
                days: 0,
                criteria: None,
                settled_since: None,
                review_in_days: None,
                missing: vec![Missing::Answers],
            };
        };
        Why {
            answers: memory.answers,
            rights: memory.rights,
            days: memory.days,
            missing: missing(&criteria),
            settled_since: memory.settled,
            review_in_days: self.days_to_review(item),
            criteria: Some(criteria),
        }
    }
}

fn missing(criteria: &Criteria) -> Vec<Missing> {
    let mut missing = Vec::new();
    if criteria.verdict != Verdict::Open {
        return missing;
    }
    if criteria.fluent.is_some_and(|p| p < SURELY_FLUENT) {
        missing.push(Missing::Speed {
            median_s: criteria.median_s.map(|(median, _)| median),
            fluent_s: criteria.fluent_s,
        });
    }
    if criteria.accuracy < SURE {
        missing.push(Missing::Accuracy {
            is: criteria.accuracy,
            asked: SURE,
        });
    }
    if criteria.looks_kept < 2 {
        missing.push(Missing::FirstLooks {
            kept: criteria.looks_kept as u32,
            within_s: criteria.fluent.map(|_| criteria.kept_s),
        });
    }
    missing
}

impl Why {
    /// The same in sentences.
    pub fn sentences(&self) -> Vec<String> {
        let Some(criteria) = &self.criteria else {
            return vec!["It has not been asked yet.".to_owned()];
        };
        let mut lines = vec![format!(
            "Asked {} on {}, {} right at the first try.",
            counted(self.answers, "time"),
            counted(self.days, "day"),
            self.rights
        )];
        if let (Some((median, error)), Some(_)) = (criteria.median_s, criteria.fluent) {
            // One standard error either way.
            lines.push(format!(
                "Read in about {median:.1} s on a new day (likely {:.1} to {:.1} s).",
                median * (-error).exp(),
                median * error.exp()
            ));
        }
        match criteria.verdict {
            Verdict::Settled | Verdict::ButForSlips => {
                let since = self.settled_since;
                lines.push(match since {
                    Some(day) => format!("Settled since {day}."),
                    None => "Settled as of today.".to_owned(),
                });
                if criteria.verdict == Verdict::ButForSlips {
                    lines.push(
                        "A slip now and then is your way with every note; it is not held against this one."
                            .to_owned(),
                    );
                }
                if let Some(days) = self.review_in_days {
                    lines.push(match days {
                        0 => "Its review is due.".to_owned(),
                        days => format!("Its next review comes in {}.", counted(days, "day")),
                    });
                }
            }
            Verdict::Open => {
                lines.push("Missing to settled:".to_owned());
                lines.extend(
                    self.missing
                        .iter()
                        .map(|missing| format!("- {}", missing.words())),
                );
            }
        }
        lines
    }
}

impl Missing {
    /// What is missing, as a clause.
    pub fn words(&self) -> String {
        match self {
            Missing::Answers => "answers: it has not been asked yet".to_owned(),
            Missing::Speed {
                median_s: Some(median),
                fluent_s,
            } if median > fluent_s => {
                format!("speed: about {median:.1} s now, {fluent_s:.1} s is fluent for you")
            }
            Missing::Speed {
                median_s: Some(_),
                fluent_s,
            } => format!("a few more answers within {fluent_s:.1} s, to be sure of its speed"),
            Missing::Speed {
                median_s: None,
                fluent_s,
            } => format!("a right answer in time: {fluent_s:.1} s is fluent for you"),
            Missing::Accuracy { is, asked } => format!(
                "sureness: about {:.0} of 100 right now, {:.0} are asked",
                is * 100.0,
                asked * 100.0
            ),
            Missing::FirstLooks { kept, within_s } => {
                let more = match kept {
                    0 => "two days running on which the day's first answer is right",
                    _ => "one more day on which the first answer is right",
                };
                match within_s {
                    Some(within) => format!("{more} and within {within:.1} s"),
                    None => more.to_owned(),
                }
            }
        }
    }
}

fn counted(number: u32, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}
