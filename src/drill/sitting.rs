//! The sitting itself: prompts, judges, times, and says what to keep.

mod back;

use jiff::{SignedDuration, Timestamp};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::study::{
    Answer, AnswerWay, Balance, Chooser, Item, Outcome, PromptKind, StageKind, Staircase, Task,
    draw_group,
};

use super::cue::Cue;
use super::effect::{Effect, End, Feedback};
use super::event::Event;
use super::judge::{Given, answers, judge};
use super::plan::{Plan, chooser};
use super::prompt::{Group, Open, Rest};
use super::summary::Summary;
use super::sung::{Sung, SungLog};

/// A key struck this soon after its prompt was on its way before it: nobody reads and plays in less.
/// Common practice in measurements of reaction time.
pub const ANTICIPATION_MS: u64 = 100;

/// A sitting with both hands at the piano rests after so much silence: the player has gone, or wants a rest.
const SILENCE_MS: u64 = 15_000;

/// The state machine of one sitting.
#[derive(Debug, Clone)]
pub struct Sitting {
    plan: Plan,
    chooser: Chooser,
    balance: Balance,
    staircase: Staircase,
    block: usize,
    number: u32,
    open: Option<Open>,
    group: Group,
    rng: ChaCha8Rng,
    /// Up to where active time is counted.
    counted_to_ms: u64,
    active_ms: u64,
    rest: Option<Rest>,
    /// When something was last heard, typed or put.
    lively_ms: u64,
    /// All answers by sequence number, with the prompt's number, and whether they were taken back.
    kept: Vec<(u32, Answer, bool)>,
    answered: u32,
    sung: SungLog,
    taken_back: u32,
    over: bool,
}

impl Sitting {
    /// A sitting that waits for [`Event::Begin`]. A plan without items ends at once.
    pub fn new(mut plan: Plan) -> Sitting {
        plan.blocks.retain(|block| !block.is_empty());
        let chooser = chooser(&plan, 0, &[], plan.start);
        let rng = ChaCha8Rng::seed_from_u64(plan.seed);
        Sitting {
            balance: Balance::new(plan.tasks.len(), plan.seed),
            staircase: plan.staircase.clone(),
            plan,
            group: Group::default(),
            rng,
            chooser,
            block: 0,
            number: 0,
            open: None,
            counted_to_ms: 0,
            active_ms: 0,
            rest: None,
            lively_ms: 0,
            kept: Vec::new(),
            answered: 0,
            sung: SungLog::default(),
            taken_back: 0,
            over: false,
        }
    }

    /// What it drills.
    pub fn kind(&self) -> StageKind {
        self.plan.kind
    }

    /// How items are put.
    pub fn prompt(&self) -> PromptKind {
        self.plan.prompt
    }

    /// How they are answered.
    pub fn way(&self) -> AnswerWay {
        self.plan.way
    }

    /// Active time so far, ms.
    pub fn active_ms(&self) -> u64 {
        self.active_ms
    }

    /// Whether a rest is being taken.
    pub fn paused(&self) -> bool {
        self.rest.is_some()
    }

    /// Why no prompt runs, if none does.
    pub fn rest(&self) -> Option<Rest> {
        self.rest
    }

    /// Whether the sitting is over.
    pub fn over(&self) -> bool {
        self.over
    }

    /// Takes one event; the effects are to be done in order.
    pub fn on(&mut self, event: Event) -> Vec<Effect> {
        if self.over {
            return Vec::new();
        }
        match event {
            Event::Begin { .. } if self.plan.hands_on => {
                self.rest = Some(Rest::BeforeFirst);
                Vec::new()
            }
            Event::Begin { at_ms } => self.begin(at_ms),
            Event::Ready { at_ms } => {
                self.lively_ms = self.lively_ms.max(at_ms);
                if let Some(open) = &mut self.open {
                    open.ready_ms.get_or_insert(at_ms);
                    self.group.ready_ms.get_or_insert(at_ms);
                }
                Vec::new()
            }
            Event::Named { at_ms, name } if self.rest.is_none() => {
                self.lively_ms = at_ms;
                self.answer(at_ms, at_ms, Some(Given::Name(name)))
            }
            Event::Struck {
                onset_ms,
                at_ms,
                key,
            } if self.rest.is_none() => {
                self.lively_ms = at_ms;
                self.sounded(onset_ms, at_ms, key.map(Given::Key))
            }
            Event::Sung {
                onset_ms,
                at_ms,
                note,
            } if self.rest.is_none() => {
                self.lively_ms = at_ms;
                let octave = self.plan.octave_counts;
                let sung = note.map(|(key, cents)| Given::Sung { key, cents, octave });
                self.sounded(onset_ms, at_ms, sung)
            }
            Event::Held(held) => {
                let told = self.sung.ended(held, |sequence| !self.kept[sequence].2);
                told.into_iter().collect()
            }
            Event::Placed { at_ms, pitch } if self.rest.is_none() => {
                self.lively_ms = at_ms;
                self.answer(at_ms, at_ms, Some(Given::Placed(pitch)))
            }
            Event::Chosen { at_ms, task } if self.rest.is_none() => {
                self.lively_ms = at_ms;
                self.answer(at_ms, at_ms, Some(Given::Chosen(task)))
            }
            // A note goes on, whichever it is: knocks and words are no notes to who listens.
            Event::Struck { at_ms, .. }
                if matches!(self.rest, Some(Rest::BeforeFirst | Rest::Silence)) =>
            {
                self.go_on(at_ms)
            }
            Event::Sung {
                at_ms,
                note: Some(_),
                ..
            } if matches!(self.rest, Some(Rest::BeforeFirst | Rest::Silence)) => self.go_on(at_ms),
            Event::Named { .. }
            | Event::Struck { .. }
            | Event::Sung { .. }
            | Event::Placed { .. }
            | Event::Chosen { .. } => Vec::new(),
            Event::Passed { at_ms } => {
                let silent = at_ms.saturating_sub(self.lively_ms) >= SILENCE_MS;
                if self.plan.hands_on && self.rest.is_none() && silent {
                    self.rest = Some(Rest::Silence);
                }
                Vec::new()
            }
            Event::Unheard => {
                if self.rest.is_none() && self.plan.prompt == PromptKind::Ear {
                    self.rest = Some(Rest::Unheard);
                }
                Vec::new()
            }
            Event::Doubt => {
                if self.rest.is_none() {
                    self.rest = Some(Rest::Places);
                }
                Vec::new()
            }
            Event::Misheard { sequence } => self.misheard(sequence as usize),
            Event::TakeBack => self.take_back(),
            Event::Pause { .. } => {
                if self.rest != Some(Rest::BeforeFirst) {
                    self.rest = Some(Rest::Asked);
                }
                Vec::new()
            }
            Event::Resume { at_ms } => self.go_on(at_ms),
            Event::Stop => self.finish(End::Stopped),
        }
    }

    /// Takes a sound: a note from before the prompt could be read cannot be an answer to it.
    fn sounded(&mut self, onset_ms: u64, at_ms: u64, given: Option<Given>) -> Vec<Effect> {
        // Within a group the next note has been in sight all along.
        let soonest = if self.group.put > 1 {
            1
        } else {
            ANTICIPATION_MS
        };
        match self.open.and_then(|open| open.ready_ms) {
            Some(ready) if onset_ms >= ready + soonest => self.answer(onset_ms, at_ms, given),
            _ => Vec::new(),
        }
    }

    fn begin(&mut self, at_ms: u64) -> Vec<Effect> {
        self.counted_to_ms = at_ms;
        self.lively_ms = at_ms;
        self.next_prompt()
    }

    /// Ends a rest, if there is one.
    fn go_on(&mut self, at_ms: u64) -> Vec<Effect> {
        match self.rest.take() {
            None => Vec::new(),
            Some(Rest::BeforeFirst) => self.begin(at_ms),
            Some(Rest::Asked | Rest::Silence | Rest::Unheard | Rest::Places) => {
                self.counted_to_ms = at_ms;
                self.lively_ms = at_ms;
                // The interrupted prompt is put again: its time would be the rest's.
                match &mut self.open {
                    Some(open) => {
                        open.ready_ms = None;
                        let item = open.item;
                        self.put(item)
                    }
                    None => Vec::new(),
                }
            }
        }
    }

    fn next_prompt(&mut self) -> Vec<Effect> {
        if self.plan.blocks.is_empty() {
            return self.finish(End::Done);
        }
        let block = self.block_due();
        // A group that has begun is read to its end.
        if block != self.block && self.group.put == self.group.notes.len() {
            self.block = block;
            let now = self.instant(self.counted_to_ms);
            self.chooser = chooser(&self.plan, block, &self.kept, now);
        }
        let mut effects = Vec::new();
        let item = match self.plan.groups {
            None if self.plan.kind == StageKind::InTune => self.next_pair(),
            None if !self.plan.tasks.is_empty() => self.next_task(),
            None => self.chooser.next_item(),
            Some(rules) => {
                if self.group.put == self.group.notes.len() {
                    let notes = &self.plan.blocks[self.block];
                    self.group = Group {
                        notes: draw_group(&rules, notes, self.chooser.model(), &mut self.rng),
                        ..Group::default()
                    };
                    effects.push(Effect::Group(self.group.notes.clone()));
                }
                self.group.put += 1;
                self.group.notes.get(self.group.put - 1).copied()
            }
        };
        let Some(item) = item else {
            return self.finish(End::Done);
        };
        self.number += 1;
        self.open = Some(Open {
            item,
            ready_ms: None,
            tries: 0,
            earned_ms: 0,
        });
        effects.extend(self.put(item));
        effects
    }

    /// Two notes as far apart as the search wants them, up or down by chance.
    fn next_pair(&mut self) -> Option<Item> {
        let tenths = (self.staircase.cents() * 10.0).round() as i16;
        let tenths = if self.rng.random() { tenths } else { -tenths };
        self.of_some_note(Task::InTune(tenths))
    }

    /// The next task in equal shares, those known least first within them.
    fn next_task(&mut self) -> Option<Item> {
        let (tasks, model) = (&self.plan.tasks, self.chooser.model());
        let need = |kind: usize| {
            let part = Item::of_task(tasks[kind]);
            (1.0 - model.probability(&part)).powi(2)
        };
        let kind = self.balance.next_kind(need)?;
        self.of_some_note(tasks[kind])
    }

    /// `task` asked of a note of the block that it can be asked of.
    fn of_some_note(&mut self, task: Task) -> Option<Item> {
        let notes = &self.plan.blocks[self.block];
        let fitting = |notes: &[Item]| -> Vec<Item> {
            let fits = notes.iter().filter(|note| task.fits(note.pitch, note.key));
            fits.copied().collect()
        };
        let mut among = fitting(notes);
        if among.is_empty() {
            // The task belongs to another block's notes.
            among = fitting(&self.plan.blocks.concat());
        }
        let at = self.rng.random_range(0..among.len().max(1));
        let root = among.get(at)?;
        Some(Item {
            task: Some(task),
            ..*root
        })
    }

    fn put(&self, item: Item) -> Vec<Effect> {
        let mut effects = vec![Effect::Show {
            number: self.number,
            item,
        }];
        let sung = self.plan.way == AnswerWay::Voice;
        let how = (self.plan.kind, self.plan.prompt, sung);
        let cue = Cue::of_prompt(how, item, &self.group.notes);
        effects.extend(cue.map(|cue| Effect::Sound {
            cue: match self.plan.voice {
                Some(range) if sung => cue.for_voice(range),
                _ => cue,
            },
            prompt: true,
        }));
        effects
    }

    fn instant(&self, at_ms: u64) -> Timestamp {
        let since = SignedDuration::from_millis(i64::try_from(at_ms).unwrap_or(i64::MAX));
        self.plan
            .start
            .saturating_add(since)
            .unwrap_or(Timestamp::MAX)
    }

    /// The block whose turn it is: each has an equal share of the sitting.
    fn block_due(&self) -> usize {
        let count = self.plan.blocks.len();
        let (done, whole) = match (self.plan.limits.prompts, self.plan.limits.active_ms) {
            (Some(prompts), _) => (u64::from(self.answered), u64::from(prompts)),
            (None, Some(active)) => (self.active_ms, active),
            (None, None) => (0, 1),
        };
        ((done * count as u64 / whole.max(1)) as usize).min(count - 1)
    }

    /// `given_ms`: when the answer was given; `at_ms`: when it was known.
    fn answer(&mut self, given_ms: u64, at_ms: u64, given: Option<Given>) -> Vec<Effect> {
        let Some(mut open) = self.open else {
            return Vec::new();
        };
        let Some(ready_ms) = open.ready_ms else {
            return Vec::new();
        };
        if given.is_some_and(|given| !answers(open.item, given)) {
            return Vec::new();
        }
        let verdict = given.map(|given| judge(open.item, given));
        let outcome = verdict.as_ref().map_or(Outcome::NotSure, Outcome::from);
        if outcome != Outcome::NotSure {
            open.tries += 1;
        }
        let earned = self.earn(&mut open, at_ms);
        self.open = Some(open);
        let response_ms = (self.plan.timed && open.tries == 1)
            // An answer to what still sounds took no time that could be compared.
            .then(|| given_ms.checked_sub(ready_ms))
            .flatten()
            .and_then(|ms| u32::try_from(ms).ok());
        let answer = Answer {
            at: self.instant(at_ms),
            stage: self.plan.stage.as_str().into(),
            item: open.item,
            prompt: self.plan.prompt,
            way: match (self.plan.way, given) {
                // Letters stand in when the piano cannot be heard; their speed is another.
                (_, Some(Given::Name(_) | Given::Placed(_) | Given::Chosen(_))) => {
                    AnswerWay::Letters
                }
                (way, _) => way,
            },
            given: given.map(|given| given.reply(open.item)),
            outcome,
            response_ms: response_ms.filter(|_| outcome != Outcome::NotSure),
            attempt: open.tries.max(1),
            active_ms: earned as u32,
        };
        let mut effects = vec![Effect::Save {
            sequence: self.kept.len() as u32,
            number: self.number,
            answer: answer.clone(),
            given,
        }];
        if open.tries == 1 && outcome != Outcome::NotSure {
            self.learn(&answer);
        }
        let response_ms = answer.response_ms;
        self.kept.push((self.number, answer, false));
        let sung_cents = match given {
            Some(Given::Sung { cents, .. }) if outcome == Outcome::Right => Some(cents),
            _ => None,
        };
        self.sung.answered(sung_cents.map(|cents| Sung {
            sequence: self.kept.len() - 1,
            number: self.number,
            item: open.item,
            cents,
            held: None,
        }));
        match verdict {
            None => effects.push(Effect::Tell(Feedback::NotSure)),
            Some(Err(miss)) => {
                effects.push(Effect::Tell(Feedback::Wrong(miss)));
                // Of two answers the other one is right: giving it would teach nothing.
                if matches!(open.item.task, Some(Task::InTune(_))) {
                    effects.extend(self.go_to_next(given_ms));
                }
            }
            Some(Ok(())) => {
                if self.plan.prompt == PromptKind::Eye && self.plan.way == AnswerWay::Letters {
                    effects.push(Effect::Sound {
                        cue: Cue::note(open.item.pitch),
                        prompt: false,
                    });
                }
                effects.push(Effect::Tell(Feedback::Right {
                    item: open.item,
                    response_ms,
                    sung_cents,
                }));
                effects.extend(self.go_to_next(given_ms));
            }
        }
        effects
    }

    /// Active time that `open` has earned until `at_ms`, no more than a prompt can.
    fn earn(&mut self, open: &mut Open, at_ms: u64) -> u64 {
        let earned = at_ms
            .saturating_sub(self.counted_to_ms)
            .min(self.plan.cap_ms - open.earned_ms);
        open.earned_ms += earned;
        self.counted_to_ms = at_ms;
        self.active_ms += earned;
        earned
    }

    /// Learns from a first try what comes next.
    fn learn(&mut self, answer: &Answer) {
        let right = answer.outcome == Outcome::Right;
        let comparable = answer.response_ms.filter(|_| answer.way == self.plan.way);
        self.chooser
            .record(&answer.item, answer.outcome, comparable);
        self.group.right += u32::from(right);
        if let Some(Task::InTune(tenths)) = answer.item.task {
            self.staircase.answer(f64::from(tenths) / 10.0, right);
        }
    }

    /// Leaves the prompt that has been answered.
    fn go_to_next(&mut self, given_ms: u64) -> Vec<Effect> {
        let mut effects = Vec::new();
        self.answered += 1;
        self.open = None;
        let group_goes_on = self.group.put < self.group.notes.len();
        if !self.group.notes.is_empty() && !group_goes_on {
            let began = self.group.ready_ms.unwrap_or(given_ms);
            let whole_ms = u32::try_from(given_ms.saturating_sub(began)).ok();
            effects.push(Effect::Tell(Feedback::Group {
                notes: self.group.notes.len() as u32,
                right: self.group.right,
                whole_ms: whole_ms.filter(|_| self.plan.timed),
            }));
        }
        effects.extend(if self.enough() {
            self.finish(End::Done)
        } else {
            self.next_prompt()
        });
        if group_goes_on && let Some(open) = &mut self.open {
            // The next note has been in sight: its time counts from the last one's answer.
            open.ready_ms = Some(given_ms);
        }
        effects
    }

    fn enough(&self) -> bool {
        let limits = self.plan.limits;
        limits
            .prompts
            .is_some_and(|prompts| self.answered >= prompts)
            || limits
                .active_ms
                .is_some_and(|active| self.active_ms >= active)
                && self.judged() >= limits.least_answers
    }

    /// Prompts that got a judged answer which stands.
    fn judged(&self) -> u32 {
        let first = |(_, answer, back): &&(u32, Answer, bool)| {
            !back && answer.attempt == 1 && answer.outcome != Outcome::NotSure
        };
        self.kept.iter().filter(first).count() as u32
    }

    fn finish(&mut self, end: End) -> Vec<Effect> {
        self.over = true;
        let kept = self
            .kept
            .iter()
            .filter(|(_, _, back)| !back)
            .map(|(_, answer, _)| answer);
        let mut summary = Summary::of(kept, end, self.taken_back);
        // What was taken back took its time all the same.
        summary.active_ms = self.active_ms;
        summary.threshold = self.staircase.threshold();
        (summary.sung, summary.held) = self.sung.summary(|sequence| !self.kept[sequence].2);
        vec![Effect::Finish(summary)]
    }
}

#[cfg(test)]
mod tests;
