//! The sitting itself: prompts, judges, times, and says what to keep.

use jiff::{SignedDuration, Timestamp};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::study::{
    Answer, AnswerWay, Balance, Chooser, GroupRules, Item, LearnerModel, Outcome, Pool, PromptKind,
    StageKind, Staircase, Task, draw_group,
};
use crate::theory::MidiNote;

use super::cue::Cue;
use super::effect::{Effect, End, Feedback};
use super::event::Event;
use super::held::{HeldNote, HeldNotes};
use super::judge::{Given, Miss, answers, judge};
use super::summary::{Summary, SungNotes};

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

/// A prompt being shown.
#[derive(Debug, Clone, Copy)]
struct Open {
    item: Item,
    /// When it was there; `None` until then.
    ready_ms: Option<u64>,
    /// Tries so far.
    tries: u32,
    /// Active time it has earned.
    earned_ms: u64,
}

/// The group being answered; empty at a stage of single notes.
#[derive(Debug, Clone, Default)]
struct Group {
    notes: Vec<Item>,
    /// How many of its notes have been put.
    put: usize,
    /// Right at the first try.
    right: u32,
    /// When its first note was there.
    ready_ms: Option<u64>,
}

/// A key struck this soon after its prompt was on its way before it: nobody reads and plays in less.
/// Common practice in measurements of reaction time.
const ANTICIPATION_MS: u64 = 100;

/// How many prompts back a verdict can be taken out of the record.
const TAKE_BACK_WITHIN: u32 = 2;

/// A sitting with both hands at the piano rests after so much silence: the player has gone, or wants a rest.
const SILENCE_MS: u64 = 15_000;

/// Why no prompt runs at present.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rest {
    /// The learner asked for it; the learner ends it.
    Asked,
    /// Nothing was heard for 15 s; the next note ends it.
    Silence,
    /// The first note is awaited.
    BeforeFirst,
    /// Three keys of the piano are asked for, by their place.
    Places,
}

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
    /// Of each note sung right, cents above its place.
    sung_cents: Vec<i16>,
    /// The note sung right last, while nothing came after it: its prompt, what was asked, cents.
    last_sung: Option<(u32, Item, i16)>,
    /// How those were held that were long enough.
    held: Vec<HeldNote>,
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
            sung_cents: Vec::new(),
            last_sung: None,
            held: Vec::new(),
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
                let sung = self.last_sung.take();
                self.held.extend(sung.map(|_| held));
                let told = sung.map(|(number, item, sung_cents)| Effect::Held {
                    number,
                    item,
                    sung_cents,
                    held,
                });
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
            Some(Rest::Asked | Rest::Silence | Rest::Places) => {
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
        let earned = at_ms
            .saturating_sub(self.counted_to_ms)
            .min(self.plan.cap_ms - open.earned_ms);
        open.earned_ms += earned;
        self.counted_to_ms = at_ms;
        self.active_ms += earned;
        self.open = Some(open);
        let response_ms = (self.plan.timed && open.tries == 1)
            // An answer to what still sounds took no time that could be compared.
            .then(|| given_ms.checked_sub(ready_ms))
            .flatten()
            .and_then(|ms| u32::try_from(ms).ok());
        let answer = Answer {
            at: self.instant(at_ms),
            stage: self.plan.stage.clone(),
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
        self.last_sung = None;
        let mut effects = vec![Effect::Save {
            sequence: self.kept.len() as u32,
            number: self.number,
            answer: answer.clone(),
            given,
        }];
        self.kept.push((self.number, answer.clone(), false));
        if open.tries == 1 && outcome != Outcome::NotSure {
            let comparable = answer.response_ms.filter(|_| answer.way == self.plan.way);
            self.chooser.record(&open.item, outcome, comparable);
            self.group.right += u32::from(outcome == Outcome::Right);
            if let Some(Task::InTune(tenths)) = open.item.task {
                let right = outcome == Outcome::Right;
                self.staircase.answer(f64::from(tenths) / 10.0, right);
            }
        }
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
                let sung_cents = match given {
                    Some(Given::Sung { cents, .. }) => Some(cents),
                    _ => None,
                };
                self.sung_cents.extend(sung_cents);
                self.last_sung = sung_cents.map(|cents| (self.number, open.item, cents));
                effects.push(Effect::Tell(Feedback::Right {
                    item: open.item,
                    response_ms: answer.response_ms,
                    sung_cents,
                }));
                effects.extend(self.go_to_next(given_ms));
            }
        }
        effects
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
                && self.answered >= limits.least_answers
    }

    fn take_back(&mut self) -> Vec<Effect> {
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

    fn misheard(&mut self, sequence: usize) -> Vec<Effect> {
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

    fn finish(&mut self, end: End) -> Vec<Effect> {
        self.over = true;
        let kept = self
            .kept
            .iter()
            .filter(|(_, _, back)| !back)
            .map(|(_, answer, _)| answer);
        let mut summary = Summary::of(kept, end, self.taken_back);
        summary.threshold = self.staircase.threshold();
        summary.sung = SungNotes::of(&self.sung_cents);
        summary.held = HeldNotes::of(&self.held);
        vec![Effect::Finish(summary)]
    }
}

/// The search for a threshold as the answers that stand have led it.
fn staircase(plan: &Plan, kept: &[(u32, Answer, bool)]) -> Staircase {
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
fn chooser(plan: &Plan, block: usize, kept: &[(u32, Answer, bool)], now: Timestamp) -> Chooser {
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

/// The miss of an effect list, if there is one (for views that draw it).
impl Effect {
    /// What was missed, if this effect tells of a miss.
    pub fn miss(&self) -> Option<&Miss> {
        match self {
            Effect::Tell(Feedback::Wrong(miss)) => Some(miss),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::{Clef, MidiNote};

    fn plan(way: AnswerWay) -> Plan {
        let items = ["C4", "D4", "E4", "F4", "G4", "A4"]
            .map(|name| Item::note(name.parse().unwrap(), Clef::Treble));
        Plan {
            start: "2026-03-02T16:00:00Z".parse().unwrap(),
            stage: "treble".to_owned(),
            kind: StageKind::Notes,
            blocks: vec![items.to_vec()],
            tasks: Vec::new(),
            staircase: Staircase::default(),
            voice: None,
            octave_counts: false,
            groups: None,
            carried: Vec::new(),
            history: Vec::new(),
            model: LearnerModel::new(crate::study::Yardstick::new(600)),
            seed: 1,
            prompt: PromptKind::Eye,
            way,
            timed: true,
            limits: Limits {
                prompts: Some(5),
                ..Limits::default()
            },
            cap_ms: 10_000,
            hands_on: false,
        }
    }

    fn shown(effects: &[Effect]) -> Option<Item> {
        effects.iter().find_map(|effect| match effect {
            Effect::Show { item, .. } => Some(*item),
            _ => None,
        })
    }

    fn saved(effects: &[Effect]) -> Vec<Answer> {
        effects
            .iter()
            .filter_map(|effect| match effect {
                Effect::Save { answer, .. } => Some(answer.clone()),
                _ => None,
            })
            .collect()
    }

    fn begun(way: AnswerWay) -> (Sitting, Item) {
        let mut sitting = Sitting::new(plan(way));
        let item = shown(&sitting.on(Event::Begin { at_ms: 0 })).unwrap();
        sitting.on(Event::Ready { at_ms: 100 });
        (sitting, item)
    }

    #[test]
    fn an_answer_is_saved_before_it_is_told_and_the_next_prompt_follows() {
        let (mut sitting, item) = begun(AnswerWay::Letters);
        let effects = sitting.on(Event::Named {
            at_ms: 1300,
            name: item.pitch.spelling(),
        });
        assert!(matches!(effects[0], Effect::Save { .. }));
        assert_eq!(saved(&effects)[0].response_ms, Some(1200));
        assert_eq!(saved(&effects)[0].active_ms, 1300);
        assert_ne!(shown(&effects), Some(item));
    }

    #[test]
    fn how_a_note_was_held_belongs_to_the_right_note_that_has_just_ended() {
        let (mut sitting, item) = begun(AnswerWay::Voice);
        let held = HeldNote {
            drift_cents: -30,
            waver_cents: 3,
        };
        let sung = |semitones, onset_ms| Event::Sung {
            onset_ms,
            at_ms: onset_ms + 300,
            note: Some((MidiNote(item.pitch.midi().0 + semitones), 7)),
        };
        // Nothing was sung, or another note.
        assert_eq!(sitting.on(Event::Held(held)), []);
        sitting.on(sung(1, 1_000));
        assert_eq!(sitting.on(Event::Held(held)), []);
        sitting.on(sung(0, 2_000));
        let told = Effect::Held {
            number: 1,
            item,
            sung_cents: 7,
            held,
        };
        assert_eq!(sitting.on(Event::Held(held)), [told]);
        // It ends once.
        assert_eq!(sitting.on(Event::Held(held)), []);
    }

    #[test]
    fn while_three_keys_are_asked_for_nothing_is_judged_and_what_was_misheard_counts_for_nothing() {
        let (mut sitting, item) = begun(AnswerWay::Piano);
        let struck = |onset_ms, semitones| Event::Struck {
            onset_ms,
            at_ms: onset_ms + 50,
            key: Some(MidiNote(item.pitch.midi().0 + semitones)),
        };
        assert_eq!(saved(&sitting.on(struck(1_000, -1))).len(), 1);
        sitting.on(Event::Doubt);
        assert_eq!(sitting.rest(), Some(Rest::Places));
        assert_eq!(sitting.on(struck(2_000, 0)), []);
        assert_eq!(
            sitting.on(Event::Misheard { sequence: 0 }),
            [Effect::Withdraw { sequence: 0 }]
        );
        // Once, and only what was there.
        assert_eq!(sitting.on(Event::Misheard { sequence: 0 }), []);
        assert_eq!(sitting.on(Event::Misheard { sequence: 7 }), []);
        // The prompt is put again, and its next answer is a first try.
        let again = sitting.on(Event::Resume { at_ms: 8_000 });
        assert_eq!(shown(&again), Some(item));
        sitting.on(Event::Ready { at_ms: 8_000 });
        let answer = saved(&sitting.on(struck(9_000, 0))).remove(0);
        assert_eq!((answer.attempt, answer.response_ms), (1, Some(1_000)));
    }

    fn group_plan() -> Plan {
        Plan {
            groups: Some(GroupRules {
                notes: (3, 3),
                shares: [0, 1, 0, 0],
                widest: 2,
            }),
            limits: Limits {
                prompts: Some(6),
                ..Limits::default()
            },
            ..plan(AnswerWay::Letters)
        }
    }

    #[test]
    fn a_group_is_answered_note_by_note_and_timed_by_note_and_as_a_whole() {
        let mut sitting = Sitting::new(group_plan());
        let begun = sitting.on(Event::Begin { at_ms: 0 });
        let Effect::Group(group) = begun[0].clone() else {
            panic!("{begun:?}");
        };
        assert_eq!(group.len(), 3);
        sitting.on(Event::Ready { at_ms: 100 });
        let mut told = Vec::new();
        for (place, note) in group.iter().enumerate() {
            let at_ms = 1100 + 400 * place as u64;
            let name = note.pitch.spelling();
            let effects = sitting.on(Event::Named { at_ms, name });
            let saved = saved(&effects);
            assert_eq!(saved[0].item, *note);
            assert_eq!(
                saved[0].response_ms,
                Some(if place == 0 { 1000 } else { 400 })
            );
            told.extend(effects);
        }
        let whole = Feedback::Group {
            notes: 3,
            right: 3,
            whole_ms: Some(1800),
        };
        assert!(told.contains(&Effect::Tell(whole)));
        // Another group follows; the screen has to draw it first.
        assert!(
            told.iter()
                .filter(|e| matches!(e, Effect::Group(_)))
                .count()
                == 1
        );
        assert_eq!(sitting.open.unwrap().ready_ms, None);
    }

    #[test]
    fn a_miss_in_a_group_names_the_interval_that_was_misread() {
        let mut sitting = Sitting::new(group_plan());
        let begun = sitting.on(Event::Begin { at_ms: 0 });
        let Effect::Group(group) = begun[0].clone() else {
            panic!("{begun:?}");
        };
        sitting.on(Event::Ready { at_ms: 100 });
        let name = group[0].pitch.spelling();
        sitting.on(Event::Named { at_ms: 900, name });
        let steps = group[1].pitch.diatonic() - group[0].pitch.diatonic();
        let third = crate::theory::Pitch::from_diatonic(group[0].pitch.diatonic() + 2 * steps);
        let name = third.spelling();
        let missed = sitting.on(Event::Named { at_ms: 1900, name });
        let words = missed.iter().find_map(Effect::miss).unwrap().in_words();
        let way = if steps > 0 { "up" } else { "down" };
        let says = format!("a second {way} was read as a third {way}");
        assert!(words.contains(&says), "{words}");
        // The note waits for its right answer, and the group goes on.
        let name = group[1].pitch.spelling();
        let mended = sitting.on(Event::Named { at_ms: 2900, name });
        assert_eq!(shown(&mended), Some(group[2]));
    }

    #[test]
    fn a_miss_waits_for_the_right_answer_and_its_time_is_no_response_time() {
        let (mut sitting, item) = begun(AnswerWay::Letters);
        let other = if item.pitch.letter == crate::theory::Letter::C {
            "D"
        } else {
            "C"
        };
        let missed = sitting.on(Event::Named {
            at_ms: 900,
            name: other.parse().unwrap(),
        });
        assert_eq!(saved(&missed)[0].outcome, Outcome::Wrong);
        assert!(missed.iter().any(|effect| effect.miss().is_some()));
        assert_eq!(shown(&missed), None);
        let mended = sitting.on(Event::Named {
            at_ms: 2500,
            name: item.pitch.spelling(),
        });
        let answer = &saved(&mended)[0];
        assert_eq!((answer.attempt, answer.response_ms), (2, None));
        // It comes back after two to five others.
        let mut others = 0;
        let mut now = shown(&mended).unwrap();
        let mut at_ms = 2500;
        while now != item {
            others += 1;
            assert!(others <= 5);
            sitting.on(Event::Ready { at_ms });
            at_ms += 700;
            let effects = sitting.on(Event::Named {
                at_ms,
                name: now.pitch.spelling(),
            });
            match shown(&effects) {
                Some(next) => now = next,
                None => break,
            }
        }
        assert!(others >= 2);
    }

    #[test]
    fn an_idle_screen_earns_ten_seconds_a_prompt() {
        let (mut sitting, item) = begun(AnswerWay::Letters);
        let effects = sitting.on(Event::Named {
            at_ms: 60_000,
            name: item.pitch.spelling(),
        });
        assert_eq!(saved(&effects)[0].active_ms, 10_000);
        assert_eq!(sitting.active_ms(), 10_000);
    }

    #[test]
    fn a_rest_earns_nothing_and_its_prompt_is_put_again() {
        let (mut sitting, item) = begun(AnswerWay::Letters);
        sitting.on(Event::Pause { at_ms: 500 });
        assert!(
            sitting
                .on(Event::Named {
                    at_ms: 600,
                    name: item.pitch.spelling()
                })
                .is_empty()
        );
        let again = sitting.on(Event::Resume { at_ms: 90_000 });
        assert_eq!(shown(&again), Some(item));
        sitting.on(Event::Ready { at_ms: 90_100 });
        let effects = sitting.on(Event::Named {
            at_ms: 91_100,
            name: item.pitch.spelling(),
        });
        assert_eq!(saved(&effects)[0].response_ms, Some(1000));
        assert_eq!(saved(&effects)[0].active_ms, 1100);
    }

    #[test]
    fn a_piano_is_judged_with_its_octave_and_an_early_or_unsure_note_is_no_answer() {
        let (mut sitting, item) = begun(AnswerWay::Piano);
        let key = item.pitch.midi();
        let struck = |onset_ms, key| Event::Struck {
            onset_ms,
            at_ms: onset_ms + 60,
            key,
        };
        assert!(sitting.on(struck(50, Some(key))).is_empty());
        assert!(sitting.on(struck(180, Some(key))).is_empty());
        let unsure = sitting.on(struck(500, None));
        assert_eq!(saved(&unsure)[0].outcome, Outcome::NotSure);
        assert_eq!(saved(&unsure)[0].given, None);
        let octave = sitting.on(struck(900, Some(MidiNote(key.0 + 12))));
        assert_eq!(saved(&octave)[0].outcome, Outcome::Wrong);
        let right = sitting.on(struck(1500, Some(key)));
        assert_eq!(saved(&right)[0].outcome, Outcome::Right);
        assert_eq!(saved(&right)[0].attempt, 2);
    }

    #[test]
    fn hands_on_the_piano_a_note_begins_silence_rests_and_a_note_goes_on() {
        let mut sitting = Sitting::new(Plan {
            hands_on: true,
            ..plan(AnswerWay::Piano)
        });
        let struck = |onset_ms, key| Event::Struck {
            onset_ms,
            at_ms: onset_ms + 60,
            key,
        };
        assert!(sitting.on(Event::Begin { at_ms: 0 }).is_empty());
        assert_eq!(sitting.rest(), Some(Rest::BeforeFirst));
        // Waiting is no silence.
        assert!(sitting.on(Event::Passed { at_ms: 40_000 }).is_empty());
        // A note begins it, even one that lies between two keys.
        let effects = sitting.on(struck(42_000, None));
        let item = shown(&effects).unwrap();
        assert!(saved(&effects).is_empty());
        sitting.on(Event::Ready { at_ms: 42_100 });
        sitting.on(Event::Passed { at_ms: 57_000 });
        assert_eq!(sitting.rest(), None);
        sitting.on(Event::Passed { at_ms: 57_100 });
        assert_eq!(sitting.rest(), Some(Rest::Silence));
        let key = Some(item.pitch.midi());
        let again = sitting.on(struck(90_000, key));
        assert_eq!((shown(&again), saved(&again).len()), (Some(item), 0));
        sitting.on(Event::Ready { at_ms: 90_100 });
        let effects = sitting.on(struck(91_100, key));
        let answer = &saved(&effects)[0];
        assert_eq!(
            (answer.outcome, answer.response_ms),
            (Outcome::Right, Some(1000))
        );
        assert_eq!(answer.active_ms, 1100);
        // A rest that was asked for is not ended by playing.
        sitting.on(Event::Pause { at_ms: 92_000 });
        assert!(sitting.on(struck(93_000, key)).is_empty());
        assert_eq!(sitting.rest(), Some(Rest::Asked));
        assert!(shown(&sitting.on(Event::Resume { at_ms: 94_000 })).is_some());
    }

    #[test]
    fn a_name_typed_at_the_piano_is_kept_as_an_answer_by_letters() {
        let (mut sitting, item) = begun(AnswerWay::Piano);
        let effects = sitting.on(Event::Named {
            at_ms: 1300,
            name: item.pitch.spelling(),
        });
        assert_eq!(saved(&effects)[0].way, AnswerWay::Letters);
    }

    #[test]
    fn a_verdict_can_be_taken_back_within_two_prompts() {
        let (mut sitting, item) = begun(AnswerWay::Letters);
        let other = if item.pitch.letter == crate::theory::Letter::C {
            "D"
        } else {
            "C"
        };
        sitting.on(Event::Named {
            at_ms: 900,
            name: other.parse().unwrap(),
        });
        let back = sitting.on(Event::TakeBack);
        assert!(back.contains(&Effect::Withdraw { sequence: 0 }));
        let right = sitting.on(Event::Named {
            at_ms: 1900,
            name: item.pitch.spelling(),
        });
        assert_eq!(saved(&right)[0].attempt, 1);
        let Some(Effect::Finish(summary)) = sitting.on(Event::Stop).pop() else {
            panic!("a stop ends the sitting");
        };
        assert_eq!(
            (
                summary.answered,
                summary.right_first_time,
                summary.taken_back
            ),
            (1, 1, 1)
        );
    }

    #[test]
    fn blocks_take_equal_shares_and_the_sitting_ends_by_itself() {
        let mut plan = plan(AnswerWay::Letters);
        plan.blocks.push(vec![
            Item::note("C3".parse().unwrap(), Clef::Bass),
            Item::note("D3".parse().unwrap(), Clef::Bass),
        ]);
        plan.limits.prompts = Some(10);
        let mut sitting = Sitting::new(plan);
        let mut now = shown(&sitting.on(Event::Begin { at_ms: 0 })).unwrap();
        let mut clefs = vec![now.clef];
        for turn in 1..=10 {
            sitting.on(Event::Ready { at_ms: turn * 1000 });
            let name = now.pitch.spelling();
            let effects = sitting.on(Event::Named {
                at_ms: turn * 1000 + 500,
                name,
            });
            match shown(&effects) {
                Some(next) => now = next,
                None => assert!(matches!(effects.last(), Some(Effect::Finish(_)))),
            }
            clefs.push(now.clef);
        }
        assert!(sitting.over());
        assert_eq!(clefs[..5], [Clef::Treble; 5]);
        assert_eq!(clefs[5..10], [Clef::Bass; 5]);
    }
}
