//! Which item comes next.
//! In: the items of a block, the learner's earlier answers to them, the floor, a seed. Out: one item at a time.
//! Source: our own rule, chosen by simulation: the largest (P(not settled)² + 0.02) · √(wait / open items).
//!
//! Before the rule come two promises: a missed item returns after two to five others, and nothing waits longer than four
//! times the number of open items. The same item never comes twice running.

use std::cmp::Reverse;
use std::collections::HashMap;

use jiff::Timestamp;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::answer::{Answer, Outcome};
use super::item::Item;
use super::learner::Learner;
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
const RETURNS_RUNNING: u32 = 3;

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
    seen: HashMap<Item, bool>,
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
            seen: HashMap::new(),
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
        chooser.replay_waits(history);
        chooser
    }

    /// Waits and opened items go on from earlier sittings.
    fn replay_waits(&mut self, history: &[Answer]) {
        for answer in history.iter().filter(|a| a.attempt == 1) {
            if self.items.contains(&answer.item) {
                self.prompt += 1;
                self.since.insert(answer.item, self.prompt);
                self.seen.insert(answer.item, true);
            }
        }
        // Items met before are open whatever their place in the order.
        let since = &self.since;
        self.items.sort_by_key(|item| !since.contains_key(item));
        self.opened = self.since.len();
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
        self.seen.insert(*item, true);
        if !right {
            let others = self.rng.random_range(RETURN);
            self.returns.insert(
                *item,
                Return {
                    earliest: self.prompt + 1 + others,
                    latest: self.prompt + 1 + RETURN.end(),
                },
            );
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
            .map(|(item, back)| (*item, back.latest));
        let overdue = self.overdue();
        if let Some((item, latest)) = returning {
            let waits =
                overdue.is_some() && (latest > prompt || self.returns_running >= RETURNS_RUNNING);
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
            .any(|(ahead, (Reverse(wait), _))| wait + 2 * ahead as u64 + 2 > limit);
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
            let ratio = if self.seen.contains_key(&item) {
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
