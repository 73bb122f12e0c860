//! What is wished of a sitting: by the command line, and by the learner's settings.

use std::time::Duration;

use super::settings::Settings;
use crate::drill::Limits;
use crate::study::{AnswerWay, Practised, PromptKind, Stage};

/// What is wished of a sitting.
#[derive(Debug, Clone)]
pub struct Wish {
    /// The stage, by its id; else the one whose turn it is.
    pub stage: Option<String>,
    /// How items are put.
    pub prompt: PromptKind,
    /// How they are answered.
    pub way: AnswerWay,
    /// Minutes of this sitting; else what the day's mark still takes.
    pub minutes: Option<u32>,
    /// End after this many prompts.
    pub prompts: Option<u32>,
    /// Whether response times are kept.
    pub timed: bool,
    /// The same choice again.
    pub seed: Option<u64>,
    /// The clock is a recording's.
    pub told_clock: bool,
    /// From our sound to its arrival by the microphone, where that was measured and is listened to.
    pub loop_delay: Duration,
}

impl Wish {
    /// Today's practice as the learner's settings have it.
    pub fn by(settings: &Settings) -> Wish {
        Wish {
            stage: None,
            prompt: settings.prompt(),
            way: settings.answer_by(),
            minutes: None,
            prompts: None,
            timed: settings.timed(),
            seed: None,
            told_clock: false,
            loop_delay: Duration::ZERO,
        }
    }

    /// Answered at a live piano or by a live voice, without a hand for the computer.
    pub fn hands_on(&self) -> bool {
        self.way != AnswerWay::Letters && !self.told_clock
    }

    /// What is wished, else what the day's mark still takes, else the stage's minutes once more.
    pub(super) fn limits(&self, stage: &Stage, practised: Practised) -> Limits {
        let whole = u64::from(stage.minutes) * 60_000;
        let rest = whole.saturating_sub(practised.active_ms);
        let answers = stage.least_answers.saturating_sub(practised.answers);
        match (self.prompts, self.minutes) {
            (Some(prompts), _) => Limits {
                prompts: Some(prompts),
                ..Limits::default()
            },
            (None, Some(minutes)) => Limits {
                active_ms: Some(u64::from(minutes) * 60_000),
                ..Limits::default()
            },
            (None, None) if rest == 0 && answers == 0 => Limits {
                active_ms: Some(whole),
                ..Limits::default()
            },
            (None, None) => Limits {
                active_ms: Some(rest),
                least_answers: answers,
                prompts: None,
            },
        }
    }
}
