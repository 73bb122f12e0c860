//! The learner as the record shows: the model of one answer way, fitted anew on the stored answers.

use jiff::civil::Date;

use super::store::{AnswerFilter, Learner, Store, StoreError};
use crate::study::{
    Answer, AnswerWay, Floor, LearnerModel, PromptKind, Stage, Yardstick, answers_to,
    assumed_floor_ms,
};

/// The answers of one way, and the model fitted on them.
#[derive(Debug, Clone)]
pub struct Reading {
    /// How they were given.
    pub way: AnswerWay,
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
        (way, prompt): (AnswerWay, PromptKind),
        stage: Option<&Stage>,
        timed: Option<bool>,
        today: Date,
    ) -> Result<Reading, StoreError> {
        let filter = AnswerFilter {
            way: Some(way),
            ..AnswerFilter::default()
        };
        let mut answers = store.dated_answers(learner.id, filter)?;
        let ear = prompt == PromptKind::Ear;
        answers.retain(|(_, answer)| (answer.prompt == PromptKind::Ear) == ear);
        let floor = store
            .setting(learner.id, floor_key(way))?
            .and_then(|text| Floor::parse(&text));
        let floor_ms = match (floor, stage) {
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
            floor,
            answers,
            model,
        })
    }
}

/// Where the plain reaction of a way is kept.
pub fn floor_key(way: AnswerWay) -> &'static str {
    match way {
        AnswerWay::Letters => "floor-letters",
        AnswerWay::Piano => "floor-piano",
    }
}
