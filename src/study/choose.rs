//! Which item comes next.
//! In: the items of a block, the learner's earlier answers to them, the floor, a seed. Out: one item at a time.
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
use super::item::Item;
use super::learner::Learner;
use super::marks::REST;
use crate::theory::{Alteration, Clef, Letter, StaffStep, ledger_lines};

/// Items far from settled that are open at once: two minutes of prompts, within these limits.
const OPEN_SECONDS: f64 = 120.0;
const FEWEST_OPEN: f64 = 8.0;
const MOST_OPEN: f64 = 60.0;
/// Below this probability of being settled an item is far from it.
const FAR: f64 = 0.15;
/// Keeps settled items in play.
const LEAST_NEED: f64 = 0.02;
/// The first look of a day at an item that is not yet kept over night.
const COLD_NEED: f64 = 0.3;
/// Others between a miss and its return.
const RETURN: std::ops::RangeInclusive<u64> = 2..=5;
/// Returns in a row before something that has waited its longest goes first.
const RETURNS_RUNNING: u32 = 6;
/// Prompts by which the queue of long waits begins early, because returns may take every other prompt.
const SLACK: u64 = 6;

/// Chooses the items of one block, one after the other.
#[derive(Debug, Clone)]
pub struct Chooser {
    /// In the order in which they are opened.
    items: Vec<Item>,
    learner: Learner,
    rng: ChaCha8Rng,
    /// Prompts so far.
    prompt: u64,
    last: Option<Item>,
    opened: usize,
    /// The prompt at which an open item was last shown, or opened.
    since: HashMap<Item, u64>,
    seen: HashSet<Item>,
    returns: HashMap<Item, Return>,
    returns_running: u32,
}

/// When a missed item comes back, in prompts.
#[derive(Debug, Clone, Copy)]
struct Return {
    earliest: u64,
    latest: u64,
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
        let mut items: Vec<Item> = items.to_vec();
        items.sort_by_key(|item| landmark_rank(*item));
        let mut learner = Learner::new(floor_ms);
        for answer in history {
            learner.take(answer);
        }
        learner.wake(now);
        let mut chooser = Chooser {
            seen: HashSet::new(),
            since: HashMap::new(),
            returns: HashMap::new(),
            rng: ChaCha8Rng::seed_from_u64(seed),
            prompt: 0,
            last: None,
            opened: 0,
            returns_running: 0,
            learner,
            items,
        };
        chooser.replay(history, now);
        chooser
    }

    /// Waits, opened items and, within a day, returns go on from earlier sittings.
    fn replay(&mut self, history: &[Answer], now: Timestamp) {
        for answer in history.iter().filter(|a| a.attempt == 1) {
            if !self.items.contains(&answer.item) {
                continue;
            }
            self.prompt += 1;
            self.since.insert(answer.item, self.prompt);
            self.seen.insert(answer.item);
            self.returns.remove(&answer.item);
            if answer.outcome == Outcome::Wrong && answer.at.duration_until(now).abs() < REST {
                self.schedule_return(answer.item);
            }
        }
        let last = history
            .last()
            .filter(|a| a.at.duration_until(now).abs() < REST);
        self.last = last.map(|answer| answer.item);
        // Items met before are open whatever their place in the order.
        let since = &self.since;
        self.items.sort_by_key(|item| !since.contains_key(item));
        self.opened = self.since.len();
    }

    fn schedule_return(&mut self, item: Item) {
        let others = self.rng.random_range(RETURN);
        self.returns.insert(
            item,
            Return {
                earliest: self.prompt + 1 + others,
                latest: self.prompt + 1 + RETURN.end(),
            },
        );
    }

    /// The items that have been opened so far.
    pub fn open(&self) -> &[Item] {
        &self.items[..self.opened]
    }

    /// The next item. `None` if the block has none.
    pub fn next_item(&mut self) -> Option<Item> {
        self.open_more();
        let item = self.choose()?;
        self.prompt += 1;
        self.returns.remove(&item);
        self.since.insert(item, self.prompt);
        self.last = Some(item);
        Some(item)
    }

    /// Tells the outcome of the first try at a prompt; `response_ms` is `None` when untimed. *Not sure* counts for nothing.
    pub fn record(&mut self, item: &Item, outcome: Outcome, response_ms: Option<u32>) {
        if outcome == Outcome::NotSure {
            return;
        }
        let right = outcome == Outcome::Right;
        self.learner.learn(*item, right, response_ms);
        self.seen.insert(*item);
        if !right {
            self.schedule_return(*item);
        }
    }

    fn open_more(&mut self) {
        let wanted = (OPEN_SECONDS / self.learner.seconds_per_prompt())
            .clamp(FEWEST_OPEN, MOST_OPEN) as usize;
        let mut far = self
            .open()
            .iter()
            .filter(|item| self.learner.settled(item) < FAR)
            .count();
        while far < wanted && self.opened < self.items.len() {
            self.since.insert(self.items[self.opened], self.prompt);
            self.opened += 1;
            far += 1;
        }
    }

    fn choose(&mut self) -> Option<Item> {
        let prompt = self.prompt + 1;
        let returning = self
            .returns
            .iter()
            .filter(|(item, back)| back.earliest <= prompt && Some(**item) != self.last)
            .min_by_key(|(item, back)| (back.latest, **item))
            .map(|(item, _)| *item);
        let overdue = self.overdue();
        if let Some(item) = returning {
            let waits = overdue.is_some()
                && (self.returns_can_wait() || self.returns_running >= RETURNS_RUNNING);
            if !waits {
                self.returns_running += 1;
                return Some(item);
            }
        }
        self.returns_running = 0;
        overdue
            .or_else(|| self.by_score())
            // Too few items to wait for a return: the one that was shown longest ago.
            .or_else(|| {
                let open = self.open().iter().copied();
                open.min_by_key(|item| (Some(*item) == self.last, self.since.get(item).copied()))
            })
    }

    /// Whether all returns can still be in time if the next prompt is none of them.
    fn returns_can_wait(&self) -> bool {
        let mut latest: Vec<u64> = self.returns.values().map(|back| back.latest).collect();
        latest.sort_unstable();
        (self.prompt + 2..)
            .zip(latest)
            .all(|(prompt, latest)| prompt <= latest)
    }

    /// The item that has waited longest, once someone in the queue would otherwise wait beyond the limit.
    fn overdue(&self) -> Option<Item> {
        let limit = 4 * self.opened as u64;
        let mut queue: Vec<(Reverse<u64>, Item)> = self
            .candidates()
            .map(|item| (Reverse(self.wait(&item)), item))
            .collect();
        queue.sort();
        let pressed = queue
            .iter()
            .enumerate()
            .any(|(ahead, (Reverse(wait), _))| wait + 2 * ahead as u64 + SLACK > limit);
        // Two or three items cannot wait long enough to be overdue.
        (pressed && self.opened > 3)
            .then(|| queue.first().map(|(_, item)| *item))
            .flatten()
    }

    fn by_score(&mut self) -> Option<Item> {
        let open = self.opened as f64;
        let candidates: Vec<Item> = self.candidates().collect();
        let mut best: Option<(f64, Item)> = None;
        for item in candidates {
            let ratio = if self.seen.contains(&item) {
                self.wait(&item) as f64 / open
            } else {
                // Earlier in the order is likelier; chance keeps two learners' sittings apart.
                1.0 + 0.5 * self.rng.random::<f64>()
            };
            let score = self.need(&item) * ratio.sqrt();
            if best.is_none_or(|(top, _)| score > top) {
                best = Some((score, item));
            }
        }
        best.map(|(_, item)| item)
    }

    /// Open items that may come now: not the last one, and no miss before its time.
    fn candidates(&self) -> impl Iterator<Item = Item> {
        self.open()
            .iter()
            .copied()
            .filter(|item| Some(*item) != self.last && !self.returns.contains_key(item))
    }

    fn wait(&self, item: &Item) -> u64 {
        self.prompt - self.since.get(item).copied().unwrap_or(0)
    }

    fn need(&self, item: &Item) -> f64 {
        let need = (1.0 - self.learner.settled(item)).powi(2) + LEAST_NEED;
        if self.learner.wants_cold_look(item) {
            need.max(COLD_NEED)
        } else {
            need
        }
    }
}

/// Sorts the notes a reader finds others from to the front: notes on the staff before ledger lines, plain before altered,
/// then by steps from the nearest landmark (any C, the line the clef names, an outer line with F or G on it).
fn landmark_rank(item: Item) -> (bool, bool, i32, i32) {
    let step = StaffStep::of(item.pitch, item.clef);
    let beyond = ledger_lines(step) > 1;
    let altered = item.pitch.alteration != Alteration::Natural;
    let distance = (-14..=22)
        .filter(|other| is_landmark(StaffStep(*other), item.clef))
        .map(|other| (other - step.0).abs())
        .min()
        .unwrap_or(i32::MAX);
    (beyond, altered, distance, (step.0 - 4).abs())
}

fn is_landmark(step: StaffStep, clef: Clef) -> bool {
    let letter = step.pitch(clef).letter;
    let clef_line = match clef {
        Clef::Treble | Clef::Treble8Below => 2,
        Clef::Bass | Clef::Tenor => 6,
        Clef::Alto => 4,
    };
    letter == Letter::C
        || step.0 == clef_line
        || (matches!(step.0, 0 | 8) && matches!(letter, Letter::F | Letter::G))
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
        open: usize,
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
                let open = chooser.open().len();
                Shown { item, right, open }
            })
            .collect()
    }

    fn fresh(id: &str, seed: u64) -> Chooser {
        Chooser::new(&stage_items(id), &[], start(), 600, seed)
    }

    #[test]
    fn the_same_item_never_comes_twice_running() {
        for share in [0.0, 0.3, 0.8, 1.0] {
            for count in [2, 3, 5, 24] {
                let items = &stage_items("both")[..count];
                let mut chooser = Chooser::new(items, &[], start(), 600, 1);
                let shown = sit(&mut chooser, 500, 2, |_| (share, 1500));
                for pair in shown.windows(2) {
                    assert_ne!(pair[0].item, pair[1].item, "{share} of {count}");
                }
            }
        }
        let mut lone = Chooser::new(&stage_items("both")[..1], &[], start(), 600, 1);
        assert_eq!(sit(&mut lone, 3, 2, |_| (1.0, 900)).len(), 3);
        assert_eq!(Chooser::new(&[], &[], start(), 600, 1).next_item(), None);
    }

    #[test]
    fn a_missed_item_returns_after_two_to_five_others() {
        for (stage, share) in [("both", 0.5), ("both", 0.85), ("all", 0.7), ("all", 0.95)] {
            for seed in 0..10 {
                let shown = sit(&mut fresh(stage, seed), 600, seed, |_| (share, 1500));
                let mut misses = 0;
                for (place, prompt) in shown[..590].iter().enumerate() {
                    if prompt.right {
                        continue;
                    }
                    misses += 1;
                    let others = shown[place + 1..]
                        .iter()
                        .position(|later| later.item == prompt.item);
                    assert!(
                        others.is_some_and(|n| RETURN.contains(&(n as u64))),
                        "{stage} {share} seed {seed}: {others:?} others"
                    );
                }
                assert!(misses > 5);
            }
        }
    }

    #[test]
    fn nothing_open_waits_longer_than_four_times_the_open_items() {
        // Half of the items are fluent and half slow, so that the fluent ones would starve by score alone.
        for (stage, share) in [("treble", 0.9), ("both", 0.5), ("both", 0.95), ("all", 0.8)] {
            for seed in 0..4 {
                let mut chooser = fresh(stage, seed);
                let shown = sit(&mut chooser, 1500, seed, |item| {
                    if item.pitch.diatonic() % 2 == 0 {
                        (1.0, 700)
                    } else {
                        (share, 3000)
                    }
                });
                let mut last: HashMap<Item, usize> = HashMap::new();
                for (place, prompt) in shown.iter().enumerate() {
                    last.insert(prompt.item, place);
                    for (item, since) in &last {
                        let wait = place - since;
                        assert!(wait <= 4 * prompt.open, "{stage} {seed} {item}: {wait}");
                    }
                }
                assert_eq!(last.len(), chooser.open().len());
            }
        }
    }

    #[test]
    fn whoever_misses_everything_still_meets_every_open_item() {
        let mut chooser = fresh("both", 3);
        let shown = sit(&mut chooser, 600, 3, |_| (0.0, 3000));
        let met: HashSet<Item> = shown.iter().map(|s| s.item).collect();
        assert_eq!(met.len(), chooser.open().len());
    }

    #[test]
    fn missed_and_slow_items_come_more_often() {
        let weak: Item = "D4@treble".parse().unwrap();
        let slow: Item = "B4@treble".parse().unwrap();
        let mut counts: HashMap<Item, usize> = HashMap::new();
        for seed in 0..10 {
            let shown = sit(&mut fresh("treble", seed), 300, seed, |item| {
                if item == weak {
                    (0.5, 1200)
                } else if item == slow {
                    (1.0, 3000)
                } else {
                    (1.0, 800)
                }
            });
            for prompt in shown {
                *counts.entry(prompt.item).or_default() += 1;
            }
        }
        let others: usize = counts
            .iter()
            .filter(|(i, _)| **i != weak && **i != slow)
            .map(|(_, n)| n)
            .sum();
        let usual = others / 10;
        assert!(
            counts[&weak] > 3 * usual / 2,
            "{} against {usual}",
            counts[&weak]
        );
        assert!(
            counts[&slow] > 3 * usual / 2,
            "{} against {usual}",
            counts[&slow]
        );
    }

    #[test]
    fn the_same_seed_and_answers_choose_the_same_items() {
        let items = |seed| -> Vec<Item> {
            let shown = sit(&mut fresh("all", seed), 200, 9, |_| (0.8, 1500));
            shown.into_iter().map(|s| s.item).collect()
        };
        assert_eq!(items(7), items(7));
        assert_ne!(items(7), items(8));
    }

    #[test]
    fn new_items_open_a_few_at_a_time_and_landmarks_first() {
        let mut chooser = fresh("all", 1);
        chooser.next_item().unwrap();
        let first = chooser.open().len();
        assert!((8..=60).contains(&first), "{first}");
        let names: Vec<String> = chooser.open().iter().map(Item::to_string).collect();
        for landmark in ["C4@treble", "G4@treble", "C5@treble", "F3@bass", "C3@bass"] {
            assert!(names[..12].contains(&landmark.to_owned()), "{names:?}");
        }
        assert!(names.iter().all(|name| !name.contains('#')), "{names:?}");
        // What is known opens the way for more.
        sit(&mut chooser, 400, 1, |_| (1.0, 700));
        assert!(chooser.open().len() > first + 20);
    }

    #[test]
    fn a_sitting_goes_on_where_the_last_one_stopped() {
        let items = stage_items("both");
        let mut chooser = Chooser::new(&items, &[], start(), 600, 1);
        let mut history = Vec::new();
        for (n, prompt) in sit(&mut chooser, 60, 1, |_| (0.7, 1500)).iter().enumerate() {
            history.push(Answer {
                at: start() + (3 * n as i64).seconds(),
                stage: "both".to_owned(),
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
        let sorted = |chooser: &Chooser| {
            let mut open = chooser.open().to_vec();
            open.sort();
            open
        };
        let met: HashSet<Item> = history.iter().map(|a| a.item).collect();
        assert_eq!(sorted(&resumed).len(), met.len());
        for item in &met {
            assert_eq!(resumed.wait(item), chooser.wait(item), "{item}");
            let (now, then) = (resumed.learner.settled(item), chooser.learner.settled(item));
            assert!((now - then).abs() < 1e-12, "{item}");
        }
        // The misses of the last prompts are still due, at the same latest prompt.
        let latest = |chooser: &Chooser| -> HashMap<Item, u64> {
            let returns = chooser.returns.iter();
            returns.map(|(item, back)| (*item, back.latest)).collect()
        };
        assert!(!latest(&chooser).is_empty());
        assert_eq!(latest(&resumed), latest(&chooser));
        assert_eq!(resumed.last, chooser.last);
        // A night makes less sure.
        let tomorrow = Chooser::new(&items, &history, start() + 24.hours(), 600, 1);
        assert!(
            met.iter()
                .all(|i| tomorrow.learner.settled(i) <= resumed.learner.settled(i))
        );
        assert!(met.iter().all(|i| tomorrow.learner.wants_cold_look(i)));
    }

    #[test]
    fn odd_times_and_answers_to_items_that_are_gone_change_nothing_else() {
        let gone = |ms: u32, at: Timestamp| Answer {
            at,
            stage: "old".to_owned(),
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
                .items
                .iter()
                .all(|i| chooser.learner.settled(i).is_finite())
        );
    }
}
