//! Rules for the next item. In: outcomes and times. Out: the place of the next item.
//!
//! The published rule is that of Mettler, Massey & Kellman 2011 and later. It is claimed by a patent: it stands here for
//! comparison alone and is not part of the program.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stavelark::study::{
    Answer, AnswerWay, Chooser, Item, LearnerModel, Outcome, Pool, PromptKind, Verdict, Yardstick,
};
use stavelark::theory::{Alteration, Clef, StaffStep};

use crate::places::Place;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    Uniform,
    RoundRobin,
    Published,
    Own,
}

impl Rule {
    pub const ALL: [Rule; 4] = [Rule::Uniform, Rule::RoundRobin, Rule::Published, Rule::Own];
}

/// A rule at work on one learner.
pub trait Choice {
    fn begin_day(&mut self, day: u32);
    fn next(&mut self) -> usize;
    fn record(&mut self, item: usize, right: bool, seconds: f64);
}

pub fn make(rule: Rule, places: &[Place], floor_s: f64, seed: u64) -> Box<dyn Choice> {
    match rule {
        Rule::Own => Box::new(Own::new(places, floor_s, seed)),
        _ => Box::new(Plain::new(rule, places.len(), floor_s, seed)),
    }
}

/// The published rule's logarithm is taken to be at least this, so that every item rises with its wait.
const LEAST_LOG: f64 = 0.02;

/// Uniform, round robin and the published rule; none comes twice running and a miss returns after two to five others.
struct Plain {
    rule: Rule,
    rng: ChaCha8Rng,
    prompt: u64,
    last: Option<usize>,
    returns: Vec<(u64, usize)>,
    round: Vec<usize>,
    /// The published rule's state: since when, the last time, whether the last was an error, fast ones running.
    since: Vec<u64>,
    seconds: Vec<Option<f64>>,
    error: Vec<bool>,
    fast: Vec<u32>,
    target_s: f64,
}

impl Plain {
    fn new(rule: Rule, count: usize, floor_s: f64, seed: u64) -> Plain {
        Plain {
            rule,
            rng: ChaCha8Rng::seed_from_u64(seed),
            prompt: 0,
            last: None,
            returns: Vec::new(),
            round: Vec::new(),
            since: vec![0; count],
            seconds: vec![None; count],
            error: vec![false; count],
            fast: vec![0; count],
            // Workable: the target time is the learner's own, so that what is known does rise again.
            target_s: floor_s + 0.4,
        }
    }

    fn published(&mut self) -> usize {
        // As published: a 0.1, D 2, b 1.1, W 20; the base of the logarithm is not stated, 10 is taken; one never shown has 1.
        let (a, delay, b, error_weight) = (0.1, 2.0, 1.1, 20.0);
        // Workable: three fast answers running drop an item for the day; when all are dropped, all are back.
        if self.fast.iter().all(|running| *running >= 3) {
            self.fast.fill(0);
        }
        let mut best = (f64::NEG_INFINITY, 0.0, 0);
        for item in 0..self.since.len() {
            if Some(item) == self.last || self.fast[item] >= 3 {
                continue;
            }
            let n = (self.prompt - self.since[item]) as f64;
            let priority = match (self.seconds[item], self.error[item]) {
                (None, _) => 1.0,
                (Some(_), true) => a * (n - delay) * error_weight,
                // Workable: below the target time the logarithm is negative, and what waits would sink instead of rise.
                (Some(seconds), false) => {
                    let slow = (seconds / self.target_s).log10().max(LEAST_LOG);
                    a * (n - delay) * b * slow
                }
            };
            let tie = self.rng.random::<f64>();
            if (priority, tie) > (best.0, best.1) {
                best = (priority, tie, item);
            }
        }
        if best.0 == f64::NEG_INFINITY {
            return self.other();
        }
        best.2
    }

    fn other(&mut self) -> usize {
        loop {
            let item = self.rng.random_range(0..self.since.len());
            if Some(item) != self.last {
                return item;
            }
        }
    }

    fn round_robin(&mut self) -> usize {
        if self.round.is_empty() {
            self.round = (0..self.since.len()).collect();
            self.round.shuffle(&mut self.rng);
            if self.round.last() == self.last.as_ref() {
                self.round.reverse();
            }
        }
        match self.round.pop() {
            Some(item) if Some(item) != self.last => item,
            // A return came between: the next but one first.
            Some(item) if !self.round.is_empty() => {
                let end = self.round.len() - 1;
                std::mem::replace(&mut self.round[end], item)
            }
            _ => self.other(),
        }
    }
}

impl Choice for Plain {
    fn begin_day(&mut self, _day: u32) {
        self.returns.clear();
        self.fast.fill(0);
    }

    fn next(&mut self) -> usize {
        self.prompt += 1;
        let due = self
            .returns
            .iter()
            .position(|(at, item)| *at <= self.prompt && Some(*item) != self.last);
        let item = match (due, self.rule) {
            (Some(place), _) => self.returns.remove(place).1,
            (None, Rule::RoundRobin) => self.round_robin(),
            (None, Rule::Published) => self.published(),
            (None, _) => self.other(),
        };
        self.last = Some(item);
        self.returns.retain(|(_, other)| *other != item);
        item
    }

    fn record(&mut self, item: usize, right: bool, seconds: f64) {
        self.since[item] = self.prompt;
        self.seconds[item] = Some(seconds);
        self.error[item] = !right;
        let fast = right && seconds <= self.target_s + 0.4;
        self.fast[item] = if fast { self.fast[item] + 1 } else { 0 };
        if !right {
            let others = self.rng.random_range(2..=5);
            self.returns.push((self.prompt + 1 + others, item));
        }
    }
}

/// The program's own rule, by the program's own code.
pub struct Own {
    items: Vec<Item>,
    model: Option<LearnerModel>,
    chooser: Option<Chooser>,
    history: Vec<Answer>,
    now: Timestamp,
    seed: u64,
}

/// The item of a place.
pub fn item_of(place: Place) -> Item {
    let clef = if place.bass { Clef::Bass } else { Clef::Treble };
    let alteration = match place.accidental {
        1 => Alteration::Sharp,
        -1 => Alteration::Flat,
        _ => Alteration::Natural,
    };
    let position = StaffStep(place.position);
    Item::note(position.pitch(clef).with(alteration), clef)
}

impl Own {
    /// Nothing is known of the learner yet.
    pub fn new(places: &[Place], floor_s: f64, seed: u64) -> Own {
        let floor_ms = (floor_s * 1000.0).round() as u32;
        Own {
            items: places.iter().map(|place| item_of(*place)).collect(),
            model: Some(LearnerModel::new(Yardstick::new(floor_ms))),
            chooser: None,
            history: Vec::new(),
            now: Timestamp::UNIX_EPOCH,
            seed,
        }
    }

    /// What the model says of every item now.
    pub fn verdicts(&self) -> Vec<Verdict> {
        let chooser = self.chooser.as_ref().expect("the day has begun");
        chooser.model().verdicts(&self.items)
    }
}

impl Choice for Own {
    fn begin_day(&mut self, day: u32) {
        let finished = self.chooser.take().map(|chooser| chooser.model().clone());
        let mut model = finished.or_else(|| self.model.take()).expect("one of both");
        model.begin_day(date(day));
        let pool = Pool {
            items: &self.items,
            carried: &[],
        };
        self.now = Timestamp::UNIX_EPOCH + SignedDuration::from_hours(24 * i64::from(day));
        let seed = self.seed.wrapping_add(u64::from(day));
        self.chooser = Some(Chooser::with_model(
            pool,
            model,
            &self.history,
            self.now,
            seed,
        ));
    }

    fn next(&mut self) -> usize {
        let chooser = self.chooser.as_mut().expect("the day has begun");
        let item = chooser.next_item().expect("there are items");
        self.items
            .iter()
            .position(|other| *other == item)
            .expect("it is one of them")
    }

    fn record(&mut self, item: usize, right: bool, seconds: f64) {
        let ms = (seconds * 1000.0).round() as u32;
        self.now += SignedDuration::from_millis(i64::from(ms) + 1000);
        let answer = answer(self.items[item], right, ms, self.now);
        let chooser = self.chooser.as_mut().expect("the day has begun");
        chooser.record(&answer.item, answer.outcome, answer.response_ms);
        self.history.push(answer);
    }
}

/// The date of a simulated day.
pub fn date(day: u32) -> Date {
    Date::constant(2026, 1, 1).saturating_add(i64::from(day).days())
}

/// An answer as it is stored.
pub fn answer(item: Item, right: bool, ms: u32, at: Timestamp) -> Answer {
    Answer {
        at,
        stage: "simulated".into(),
        item,
        prompt: PromptKind::Eye,
        way: AnswerWay::Letters,
        given: None,
        outcome: if right {
            Outcome::Right
        } else {
            Outcome::Wrong
        },
        response_ms: Some(ms),
        attempt: 1,
        active_ms: ms,
    }
}
