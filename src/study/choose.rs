//! Which item comes next.
//! In: the items of a block, what is carried along from earlier stages, the learner's model, a seed. Out: one item at a
//! time, and why.
//! Source: our own rule, chosen by simulation: the largest (P(not settled)² + 0.02) · √(wait / open items).
//!
//! Before the rule come two promises: a missed item returns after two to five others, and nothing waits longer than four
//! times the number of open items. The same item never comes twice running.

use std::cmp::Reverse;
use std::collections::{HashMap, HashSet};

use jiff::Timestamp;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::answer::{Answer, Outcome};
use super::course::{Course, Stage};
use super::item::Item;
use super::landmark::landmark_rank;
use super::learner::{LearnerModel, Yardstick, days_by_rests};
use super::marks::REST;
use super::settled::Verdict;
use super::why::Reason;

/// Items far from settled that are open at once: three minutes of prompts, within these limits. Two minutes cost 3 % more
/// time in simulation, five gain nothing.
const OPEN_SECONDS: f64 = 180.0;
const FEWEST_OPEN: f64 = 8.0;
const MOST_OPEN: f64 = 60.0;
/// Below this probability of being settled an item is far from it.
const FAR: f64 = 0.15;
/// Keeps settled items in play.
const LEAST_NEED: f64 = 0.02;
/// The first look of a day at an item that is not yet kept over night.
const FIRST_LOOK_NEED: f64 = 0.3;
/// Others between a miss and its return.
const RETURN: std::ops::RangeInclusive<u64> = 2..=5;
/// Returns in a row before something that has waited its longest goes first.
const RETURNS_RUNNING: u32 = 6;
/// Prompts by which the queue of long waits begins early, because returns may take every other prompt.
const SLACK: u64 = 6;
/// One prompt in this many may go to what is carried along.
const CARRIED_SHARE: u64 = 4;

/// Chooses the items of one block, one after the other.
#[derive(Debug, Clone)]
pub struct Chooser {
    /// In the order in which they are opened; what is carried along comes last.
    slots: Vec<Slot>,
    model: LearnerModel,
    rng: ChaCha8Rng,
    /// Prompts so far, those of earlier sittings included.
    prompt: u64,
    /// Prompts of this sitting, and those of them that went to what is carried along.
    shown: (u64, u64),
    last: Option<Item>,
    returns_running: u32,
    reason: Option<Reason>,
}

/// One item and its place in the queue.
#[derive(Debug, Clone)]
struct Slot {
    item: Item,
    carried: bool,
    open: bool,
    seen: bool,
    /// The prompt at which it was last shown, or opened.
    since: u64,
    back: Option<Return>,
    /// The model's probability that it is settled, as of the prompt being chosen.
    probability: f64,
}

/// When a missed item comes back, in prompts.
#[derive(Debug, Clone, Copy)]
struct Return {
    earliest: u64,
    latest: u64,
}

/// What is to be chosen from.
#[derive(Debug, Clone, Copy, Default)]
pub struct Pool<'a> {
    /// The block's items, none of them twice.
    pub items: &'a [Item],
    /// Items of earlier stages, see [`carried`]; at most a quarter of the prompts goes to them.
    pub carried: &'a [Item],
}

/// What a stage carries along: notes of earlier stages of its kind that are not settled, or whose review is due, the oldest first.
pub fn carried(course: &Course, stage: usize, model: &LearnerModel) -> Vec<Item> {
    let own = course.stages[stage].items();
    let mut seen: HashSet<Item> = own.into_iter().collect();
    let found: Vec<Item> = course.stages[..stage]
        .iter()
        .filter(|earlier| earlier.kind == course.stages[stage].kind && earlier.kind.asks_notes())
        .flat_map(Stage::items)
        .filter(|item| seen.insert(*item))
        .collect();
    let verdicts = model.verdicts(&found);
    found
        .into_iter()
        .zip(verdicts)
        .filter(|(item, verdict)| *verdict == Verdict::Open || model.review_due(item))
        .map(|(item, _)| item)
        .collect()
}

impl Chooser {
    /// Prepares to choose among `items` (none of them twice), knowing `history` (in the order of its answers; those to
    /// other items tell the learner's pace). `now` tells which nights have passed, `floor_ms` is the learner's plain
    /// reaction for the answer way. The same arguments choose the same items.
    pub fn new(
        items: &[Item],
        history: &[Answer],
        now: Timestamp,
        floor_ms: u32,
        seed: u64,
    ) -> Chooser {
        let (days, today) = days_by_rests(history, now);
        let dated = days.into_iter().zip(history);
        let model = LearnerModel::rebuild(Yardstick::new(floor_ms), dated, today);
        let pool = Pool {
            items,
            carried: &[],
        };
        Chooser::with_model(pool, model, history, now, seed)
    }

    /// Prepares to choose from `pool` by a model that has taken `history` and begun the day of `now`.
    pub fn with_model<'a>(
        pool: Pool,
        model: LearnerModel,
        history: impl IntoIterator<Item = &'a Answer>,
        now: Timestamp,
        seed: u64,
    ) -> Chooser {
        let mut items = pool.items.to_vec();
        items.sort_by_key(landmark_rank);
        let own = items.into_iter().map(|item| (item, false));
        let carried = pool.carried.iter().map(|item| (*item, true));
        let slots = own
            .chain(carried)
            .map(|(item, carried)| Slot {
                item,
                carried,
                open: false,
                seen: model.knows(&item),
                since: 0,
                back: None,
                probability: 0.0,
            })
            .collect();
        let mut chooser = Chooser {
            slots,
            model,
            rng: ChaCha8Rng::seed_from_u64(seed),
            prompt: 0,
            shown: (0, 0),
            last: None,
            returns_running: 0,
            reason: None,
        };
        chooser.replay(history, now);
        chooser
    }

    /// Waits, opened items and, within a day, returns go on from earlier sittings.
    fn replay<'a>(&mut self, history: impl IntoIterator<Item = &'a Answer>, now: Timestamp) {
        let places: HashMap<Item, usize> = self
            .slots
            .iter()
            .enumerate()
            .map(|(n, s)| (s.item, n))
            .collect();
        let mut last = None;
        for answer in history {
            last = Some(answer);
            let place = places
                .get(&answer.item.part())
                .filter(|_| answer.attempt == 1);
            let Some(&place) = place else { continue };
            self.prompt += 1;
            let slot = &mut self.slots[place];
            slot.since = self.prompt;
            slot.open = true;
            slot.seen = true;
            slot.back = None;
            if answer.outcome == Outcome::Wrong && answer.at.duration_until(now).abs() < REST {
                self.schedule_return(place);
            }
        }
        let recent = last.filter(|answer| answer.at.duration_until(now).abs() < REST);
        self.last = recent.map(|answer| answer.item.part());
    }

    fn schedule_return(&mut self, place: usize) {
        let others = self.rng.random_range(RETURN);
        self.slots[place].back = Some(Return {
            earliest: self.prompt + 1 + others,
            latest: self.prompt + 1 + RETURN.end(),
        });
    }

    /// The items that have been opened so far.
    pub fn open(&self) -> Vec<Item> {
        let open = self.slots.iter().filter(|slot| slot.open);
        open.map(|slot| slot.item).collect()
    }

    /// What is believed of the learner now.
    pub fn model(&self) -> &LearnerModel {
        &self.model
    }

    /// Why the last item came up; `None` before the first.
    pub fn reason(&self) -> Option<Reason> {
        self.reason
    }

    /// The next item. `None` if the block has none.
    pub fn next_item(&mut self) -> Option<Item> {
        self.weigh();
        self.open_more();
        let (place, reason) = self.choose()?;
        self.returns_running = if reason == Reason::Return {
            self.returns_running + 1
        } else {
            0
        };
        self.prompt += 1;
        self.shown.0 += 1;
        let slot = &mut self.slots[place];
        self.shown.1 += u64::from(slot.carried);
        slot.back = None;
        slot.since = self.prompt;
        self.last = Some(slot.item);
        self.reason = Some(reason);
        self.last
    }

    /// Tells the outcome of the first try at a prompt; `response_ms` is `None` when untimed. *Not sure* counts for nothing.
    pub fn record(&mut self, item: &Item, outcome: Outcome, response_ms: Option<u32>) {
        if outcome == Outcome::NotSure {
            return;
        }
        let right = outcome == Outcome::Right;
        self.model.learn(*item, right, response_ms);
        let part = item.part();
        let place = self.slots.iter().position(|slot| slot.item == part);
        let Some(place) = place else { return };
        self.slots[place].seen = true;
        if !right {
            self.schedule_return(place);
        }
    }

    /// Asks the model about every open item, once a prompt.
    fn weigh(&mut self) {
        for slot in self.slots.iter_mut().filter(|slot| slot.open) {
            slot.probability = self.model.probability(&slot.item);
        }
    }

    /// Opens new items while few enough of the open ones are far from settled: the block's own, and slower, those carried.
    fn open_more(&mut self) {
        let wanted = (OPEN_SECONDS / self.model.seconds_per_prompt()).clamp(FEWEST_OPEN, MOST_OPEN);
        let share = 1.0 / CARRIED_SHARE as f64;
        for (carried, wanted) in [(false, wanted as usize), (true, (wanted * share) as usize)] {
            let mut far = self
                .slots
                .iter()
                .filter(|slot| slot.open && slot.carried == carried)
                .filter(|slot| slot.probability < FAR)
                .count();
            for slot in &mut self.slots {
                if far >= wanted {
                    break;
                }
                if !slot.open && slot.carried == carried {
                    slot.open = true;
                    slot.since = self.prompt;
                    slot.probability = self.model.probability(&slot.item);
                    far += usize::from(slot.probability < FAR);
                }
            }
        }
    }

    fn choose(&mut self) -> Option<(usize, Reason)> {
        let prompt = self.prompt + 1;
        let returning = self
            .slots
            .iter()
            .enumerate()
            .filter(|(_, slot)| Some(slot.item) != self.last)
            .filter_map(|(place, slot)| Some((slot.back?, place)))
            .filter(|(back, _)| back.earliest <= prompt)
            .min_by_key(|(back, place)| (back.latest, *place))
            .map(|(_, place)| (place, Reason::Return));
        let overdue = self.overdue().map(|place| (place, Reason::Waited));
        if returning.is_some() {
            let waits = overdue.is_some()
                && (self.returns_can_wait() || self.returns_running >= RETURNS_RUNNING);
            if !waits {
                return returning;
            }
        }
        overdue.or_else(|| self.by_score()).or_else(|| {
            // Too few items to wait for a return: the one that was shown longest ago.
            let open = self.slots.iter().enumerate().filter(|(_, slot)| slot.open);
            open.min_by_key(|(_, slot)| (Some(slot.item) == self.last, slot.since))
                .map(|(place, _)| (place, Reason::Waited))
        })
    }

    /// Whether all returns can still be in time if the next prompt is none of them.
    fn returns_can_wait(&self) -> bool {
        let backs = self.slots.iter().filter_map(|slot| slot.back);
        let mut latest: Vec<u64> = backs.map(|back| back.latest).collect();
        latest.sort_unstable();
        (self.prompt + 2..)
            .zip(latest)
            .all(|(prompt, latest)| prompt <= latest)
    }

    /// The item that has waited longest, once someone in the queue would otherwise wait beyond the limit: the block's
    /// items get every other prompt, because of returns, those carried along their share.
    fn overdue(&self) -> Option<usize> {
        let open = self.slots.iter().filter(|slot| slot.open).count() as u64;
        // Two or three items cannot wait long enough to be overdue.
        if open <= 3 {
            return None;
        }
        let longest = |carried: bool, every: u64| {
            let mut queue: Vec<(Reverse<u64>, usize)> = self
                .candidates()
                .filter(|(_, slot)| slot.carried == carried)
                .map(|(place, slot)| (Reverse(self.wait(slot)), place))
                .collect();
            let longest = queue.iter().map(|(wait, _)| wait.0).max()?;
            if longest + every * queue.len() as u64 + SLACK <= 4 * open {
                return None;
            }
            queue.sort_unstable();
            let pressed = |(ahead, (wait, _)): (u64, &(Reverse<u64>, usize))| {
                wait.0 + every * ahead + SLACK > 4 * open
            };
            let anyone = (0..).zip(&queue).any(pressed);
            queue.first().filter(|_| anyone).copied()
        };
        let both = [longest(false, 2), longest(true, CARRIED_SHARE)];
        both.into_iter().flatten().min().map(|(_, place)| place)
    }

    fn by_score(&mut self) -> Option<(usize, Reason)> {
        let open = self.slots.iter().filter(|slot| slot.open).count() as f64;
        let candidates: Vec<usize> = self.candidates().map(|(place, _)| place).collect();
        let mut best: Option<(f64, usize, Reason)> = None;
        for place in candidates {
            let chance: f64 = if self.slots[place].seen {
                0.0
            } else {
                self.rng.random()
            };
            let slot = &self.slots[place];
            let (need, reason) = self.need(slot);
            let ratio = if slot.seen {
                self.wait(slot) as f64 / open
            } else {
                1.0 + 0.5 * chance
            };
            let score = need * ratio.sqrt();
            if best.is_none_or(|(top, ..)| score > top) {
                best = Some((score, place, reason));
            }
        }
        best.map(|(_, place, reason)| (place, reason))
    }

    /// Open items that may come now: not the last one, no miss before its time, no more than their share of those carried.
    fn candidates(&self) -> impl Iterator<Item = (usize, &Slot)> {
        let (shown, carried) = self.shown;
        let share_left = CARRIED_SHARE * (carried + 1) <= shown + 1;
        self.slots.iter().enumerate().filter(move |(_, slot)| {
            let may = slot.open && slot.back.is_none() && Some(slot.item) != self.last;
            may && (share_left || !slot.carried)
        })
    }

    fn wait(&self, slot: &Slot) -> u64 {
        self.prompt - slot.since
    }

    fn need(&self, slot: &Slot) -> (f64, Reason) {
        let need = (1.0 - slot.probability).powi(2) + LEAST_NEED;
        if !slot.seen {
            (need, Reason::New)
        } else if self.model.wants_first_look(&slot.item) {
            let reason = if self.model.review_due(&slot.item) {
                Reason::Review
            } else {
                Reason::FirstLook
            };
            (need.max(FIRST_LOOK_NEED), reason)
        } else {
            (need, Reason::Weak)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::{AnswerWay, Course, PromptKind};
    use jiff::ToSpan;

    fn start() -> Timestamp {
        "2026-03-02T17:00:00Z".parse().unwrap()
    }

    fn stage_items(id: &str) -> Vec<Item> {
        let course = Course::built_in("groundwork").unwrap();
        course.stage(id).unwrap().items()
    }

    /// One prompt of a simulated sitting.
    #[derive(Debug, Clone, Copy)]
    struct Shown {
        item: Item,
        right: bool,
    }

    /// A simulated sitting: `ability` gives an item's share right and its response time.
    fn sit(
        chooser: &mut Chooser,
        prompts: usize,
        seed: u64,
        ability: impl Fn(Item) -> (f64, u32),
    ) -> Vec<Shown> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..prompts)
            .map(|_| {
                let item = chooser.next_item().unwrap();
                let (share, ms) = ability(item);
                let right = rng.random_bool(share);
                let outcome = if right {
                    Outcome::Right
                } else {
                    Outcome::Wrong
                };
                chooser.record(&item, outcome, Some(ms));
                Shown { item, right }
            })
            .collect()
    }

    #[test]
    fn a_sitting_goes_on_where_the_last_one_stopped() {
        let items = stage_items("both");
        let mut chooser = Chooser::new(&items, &[], start(), 600, 1);
        let mut history = Vec::new();
        for (n, prompt) in sit(&mut chooser, 60, 1, |_| (0.7, 1500)).iter().enumerate() {
            history.push(Answer {
                at: start() + (3 * n as i64).seconds(),
                stage: "both".into(),
                item: prompt.item,
                prompt: PromptKind::Eye,
                way: AnswerWay::Letters,
                given: None,
                outcome: if prompt.right {
                    Outcome::Right
                } else {
                    Outcome::Wrong
                },
                response_ms: Some(1500),
                attempt: 1,
                active_ms: 3000,
            });
        }
        let resumed = Chooser::new(&items, &history, start() + 5.minutes(), 600, 1);
        let wait = |chooser: &Chooser, item: &Item| {
            let slot = chooser.slots.iter().find(|slot| slot.item == *item);
            slot.map(|slot| chooser.wait(slot))
        };
        let sorted = |chooser: &Chooser| {
            let mut open = chooser.open().to_vec();
            open.sort();
            open
        };
        let met: HashSet<Item> = history.iter().map(|a| a.item).collect();
        assert_eq!(sorted(&resumed).len(), met.len());
        for item in &met {
            assert_eq!(wait(&resumed, item), wait(&chooser, item), "{item}");
            let (now, then) = (
                resumed.model.probability(item),
                chooser.model.probability(item),
            );
            assert!((now - then).abs() < 1e-12, "{item}");
        }
        // The misses of the last prompts are still due, at the same latest prompt.
        let latest = |chooser: &Chooser| -> HashMap<Item, u64> {
            let slots = chooser.slots.iter();
            let back = |slot: &Slot| Some((slot.item, slot.back?.latest));
            slots.filter_map(back).collect()
        };
        assert!(!latest(&chooser).is_empty());
        assert_eq!(latest(&resumed), latest(&chooser));
        assert_eq!(resumed.last, chooser.last);
        // A night makes less sure.
        let tomorrow = Chooser::new(&items, &history, start() + 24.hours(), 600, 1);
        assert!(
            met.iter()
                .all(|i| tomorrow.model.probability(i) <= resumed.model.probability(i))
        );
        assert!(met.iter().all(|i| tomorrow.model.wants_first_look(i)));
    }

    #[test]
    fn odd_times_and_answers_to_items_that_are_gone_change_nothing_else() {
        let gone = |ms: u32, at: Timestamp| Answer {
            at,
            stage: "old".into(),
            item: "A7@treble".parse().unwrap(),
            prompt: PromptKind::Eye,
            way: AnswerWay::Letters,
            given: None,
            outcome: Outcome::Right,
            response_ms: Some(ms),
            attempt: 1,
            active_ms: 0,
        };
        let history = [
            gone(0, start()),
            gone(3_600_000, start() + 48.hours()),
            gone(900, start() - 9000.hours()),
        ];
        let mut chooser = Chooser::new(&stage_items("treble"), &history, start(), 600, 1);
        let shown = sit(&mut chooser, 100, 1, |_| (0.9, 0));
        assert!(
            shown
                .iter()
                .all(|s| stage_items("treble").contains(&s.item))
        );
        assert!(
            chooser
                .slots
                .iter()
                .all(|slot| chooser.model.probability(&slot.item).is_finite())
        );
    }
}
