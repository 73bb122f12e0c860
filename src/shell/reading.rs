//! The learner as the record shows: the model of one answer way, fitted anew on the stored answers.

use jiff::civil::Date;

use super::store::{AnswerFilter, Learner, Store, StoreError};
use crate::study::{
    Answer, AnswerWay, Family, Floor, LearnerModel, Outcome, PromptKind, Stage, Staircase, Task,
    Threshold, Yardstick, answers_to, assumed_floor_ms,
};

/// How answers were given that may be compared with each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Manner {
    /// With what.
    pub way: AnswerWay,
    /// To items put so; what is only heard stands apart.
    pub prompt: PromptKind,
    /// To tasks of this family.
    pub family: Family,
}

impl Manner {
    /// Whether an answer was given so.
    pub fn fits(self, answer: &Answer) -> bool {
        let heard = |prompt| prompt == PromptKind::Ear;
        answer.way == self.way
            && heard(answer.prompt) == heard(self.prompt)
            && Family::of(answer.item.task) == self.family
    }
}

/// The answers of one way, and the model fitted on them.
#[derive(Debug, Clone)]
pub struct Reading {
    /// How they were given.
    pub way: AnswerWay,
    /// How their items were put.
    pub prompt: PromptKind,
    /// The measured plain reaction; `None` if it is assumed.
    pub floor: Option<Floor>,
    /// In the order of their recording, each with its practice day.
    pub answers: Vec<(Date, Answer)>,
    /// The learner on the practice day that was asked for.
    pub model: LearnerModel,
}

impl Reading {
    /// Reads and fits. Times given in different ways, or to what is only heard, are never compared. `timed` says whether
    /// time counts; `None` leaves it to whether any was taken.
    pub fn of(
        store: &Store,
        learner: &Learner,
        manner: Manner,
        stage: Option<&Stage>,
        timed: Option<bool>,
        today: Date,
    ) -> Result<Reading, StoreError> {
        let filter = AnswerFilter {
            way: Some(manner.way),
            ..AnswerFilter::default()
        };
        let mut answers = store.dated_answers(learner.id, filter)?;
        answers.retain(|(_, answer)| manner.fits(answer));
        Reading::among(answers, (store, learner), manner, stage, timed, today)
    }

    /// The same of answers that were read already, all of them given in this manner.
    pub fn among(
        answers: Vec<(Date, Answer)>,
        (store, learner): (&Store, &Learner),
        manner: Manner,
        stage: Option<&Stage>,
        timed: Option<bool>,
        today: Date,
    ) -> Result<Reading, StoreError> {
        let Manner { way, prompt, .. } = manner;
        let floor = store
            .setting(learner.id, floor_key(way))?
            .and_then(|text| Floor::parse(&text));
        let floor_ms = match (floor, stage) {
            (Some(floor), Some(stage)) if !stage.kind.answered_by_notes() => {
                floor.for_size(stage.tasks.len().max(2) as u32)
            }
            (Some(floor), Some(stage)) => floor.for_size(answers_to(&stage.items(), way)),
            (Some(floor), None) => floor.ms,
            (None, _) => assumed_floor_ms(way),
        };
        let any_timed = || answers.iter().any(|(_, a)| a.response_ms.is_some());
        let mut yardstick = Yardstick::new(floor_ms);
        yardstick.timed = timed.unwrap_or_else(|| answers.is_empty() || any_timed());
        if let Some(stage) = stage {
            yardstick.fluent_ms = stage.fluent_ms;
        }
        let dated = answers.iter().map(|(day, answer)| (*day, answer));
        let model = LearnerModel::rebuild(yardstick, dated, today);
        Ok(Reading {
            way,
            prompt,
            floor,
            answers,
            model,
        })
    }
}

impl Reading {
    /// The search for a threshold, begun at twice what the last sitting's answers show.
    pub fn staircase(&self) -> Staircase {
        let found = self.thresholds().last().map(|(_, threshold)| *threshold);
        found.map_or_else(Staircase::default, |found| {
            Staircase::from(2.0 * found.cents)
        })
    }

    /// The threshold of each practice day on which one was found, oldest first.
    pub fn thresholds(&self) -> Vec<(Date, Threshold)> {
        let mut found: Vec<(Date, Threshold)> = Vec::new();
        for day in self.answers.chunk_by(|a, b| a.0 == b.0) {
            let mut staircase = Staircase::default();
            for (_, answer) in day.iter().filter(|(_, answer)| answer.attempt == 1) {
                if let Some(Task::InTune(tenths)) = answer.item.task {
                    let right = answer.outcome == Outcome::Right;
                    staircase.answer(f64::from(tenths) / 10.0, right);
                }
            }
            found.extend(staircase.threshold().map(|threshold| (day[0].0, threshold)));
        }
        found
    }
}

/// Where the plain reaction of a way is kept.
pub fn floor_key(way: AnswerWay) -> &'static str {
    match way {
        AnswerWay::Letters => "floor-letters",
        AnswerWay::Piano => "floor-piano",
        AnswerWay::Voice => "floor-voice",
    }
}
