//! What a sitting is made of, and how what is asked next follows from it.

use jiff::Timestamp;

use crate::study::{
    Answer, AnswerWay, Chooser, GroupRules, Item, LearnerModel, Outcome, Pool, PromptKind,
    StageKind, Staircase, Task,
};
use crate::theory::MidiNote;

/// When a sitting is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Limits {
    /// Active time of this sitting, in ms.
    pub active_ms: Option<u64>,
    /// Answers that must be given as well before `active_ms` ends it.
    pub least_answers: u32,
    /// Prompts answered; ends the sitting whatever the time.
    pub prompts: Option<u32>,
}

/// What a sitting is made of.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The instant of its first moment.
    pub start: Timestamp,
    /// The id of the stage.
    pub stage: String,
    /// What the stage drills.
    pub kind: StageKind,
    /// Its items; one block after another.
    pub blocks: Vec<Vec<Item>>,
    /// What is asked of them by ear, in equal shares; empty where the notes themselves are asked.
    pub tasks: Vec<Task>,
    /// Where the search for a threshold begins.
    pub staircase: Staircase,
    /// The range of the voice that answers, if it is known: what is sounded goes to its octave.
    pub voice: Option<(MidiNote, MidiNote)>,
    /// Whether the octave of a sung note counts.
    pub octave_counts: bool,
    /// How groups are drawn from the items; `None` for single notes.
    pub groups: Option<GroupRules>,
    /// Items of earlier stages that come along, for up to a quarter of the prompts.
    pub carried: Vec<Item>,
    /// Earlier answers given the same way, in the order of their recording.
    pub history: Vec<Answer>,
    /// The learner as those answers show, on the practice day that has begun.
    pub model: LearnerModel,
    /// Seed of the choice.
    pub seed: u64,
    /// How items are put.
    pub prompt: PromptKind,
    /// How they are answered.
    pub way: AnswerWay,
    /// Whether response times are kept.
    pub timed: bool,
    /// When it is over.
    pub limits: Limits,
    /// Longest active time one prompt can earn, ms.
    pub cap_ms: u64,
    /// Both hands stay at the piano: a note begins the sitting, silence rests it, a note goes on; none of these answers.
    pub hands_on: bool,
}

/// The search for a threshold as the answers that stand have led it.
pub(super) fn staircase(plan: &Plan, kept: &[(u32, Answer, bool)]) -> Staircase {
    let mut staircase = plan.staircase.clone();
    let standing = kept.iter().filter(|(_, _, back)| !back);
    for (_, answer, _) in standing.filter(|(_, a, _)| a.attempt == 1) {
        if let Some(Task::InTune(tenths)) = answer.item.task {
            let right = answer.outcome == Outcome::Right;
            staircase.answer(f64::from(tenths) / 10.0, right);
        }
    }
    staircase
}

/// A chooser for one block that knows the history and what this sitting has kept.
pub(super) fn chooser(
    plan: &Plan,
    block: usize,
    kept: &[(u32, Answer, bool)],
    now: Timestamp,
) -> Chooser {
    // Tasks are chosen in equal shares, whatever notes they are asked of.
    let items = match plan.blocks.get(block) {
        Some(items) if plan.kind.asks_notes() || plan.kind.in_groups() => items.as_slice(),
        _ => &[],
    };
    // Where each staff is taken alone, only what stands on it comes along.
    let here = |item: &&Item| plan.blocks.len() == 1 || items.iter().any(|i| i.clef == item.clef);
    let carried: Vec<Item> = plan.carried.iter().filter(here).copied().collect();
    let kept = || {
        kept.iter()
            .filter(|(_, _, back)| !back)
            .map(|(_, answer, _)| answer)
    };
    let mut model = plan.model.clone();
    for answer in kept().filter(|a| a.attempt == 1 && a.outcome != Outcome::NotSure) {
        let comparable = answer.response_ms.filter(|_| answer.way == plan.way);
        model.learn(answer.item, answer.outcome == Outcome::Right, comparable);
    }
    let pool = Pool {
        items,
        carried: &carried,
    };
    let seed = plan.seed.wrapping_add(block as u64 + kept().count() as u64);
    Chooser::with_model(pool, model, plan.history.iter().chain(kept()), now, seed)
}
