//! Verdicts taken back: by the learner, or because what was heard turned out to be something else.

use super::Sitting;
use crate::drill::effect::{Effect, Feedback};
use crate::drill::plan::{chooser, staircase};
use crate::study::Outcome;

/// How many prompts back a verdict can be taken out of the record.
const TAKE_BACK_WITHIN: u32 = 2;

impl Sitting {
    /// Takes the last verdict back that may still be.
    pub(super) fn take_back(&mut self) -> Vec<Effect> {
        let oldest = self.number.saturating_sub(TAKE_BACK_WITHIN);
        let last = self
            .kept
            .iter()
            .rposition(|(number, _, back)| *number >= oldest && !back);
        let Some(sequence) = last else {
            return vec![Effect::Tell(Feedback::NothingToTakeBack)];
        };
        self.taken_back += 1;
        let outcome = self.withdraw(sequence);
        vec![
            Effect::Withdraw {
                sequence: sequence as u32,
            },
            Effect::Tell(Feedback::TakenBack {
                outcome,
                times: self.taken_back,
            }),
        ]
    }

    /// Takes back what was misheard, as the desk found out.
    pub(super) fn misheard(&mut self, sequence: usize) -> Vec<Effect> {
        if self.kept.get(sequence).is_none_or(|(_, _, back)| *back) {
            return Vec::new();
        }
        self.withdraw(sequence);
        vec![Effect::Withdraw {
            sequence: sequence as u32,
        }]
    }

    /// Counts the answer `sequence` as not given; gives what it was.
    fn withdraw(&mut self, sequence: usize) -> Outcome {
        let (number, answer, back) = &mut self.kept[sequence];
        *back = true;
        let (number, outcome) = (*number, answer.outcome);
        // A try taken back was none: the next one at this prompt is the first.
        if number == self.number
            && outcome != Outcome::NotSure
            && let Some(open) = &mut self.open
        {
            open.tries = open.tries.saturating_sub(1);
        }
        let now = self.instant(self.counted_to_ms);
        self.chooser = chooser(&self.plan, self.block, &self.kept, now);
        self.staircase = staircase(&self.plan, &self.kept);
        outcome
    }
}
