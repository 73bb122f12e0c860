//! What is believed about a learner's reading of each item.
//! In: answers in their order. Out: the probability that an item is settled, and the learner's pace.
//! Source: our own simulation study (log response time tracked by a Kalman filter, accuracy by fading counts).

use std::collections::HashMap;

use jiff::{SignedDuration, Timestamp};

use super::answer::{Answer, Outcome};
use super::item::Item;
use super::marks::REST;
use super::normal::normal_cdf;

/// A median response within the floor and this much is fluent.
const FLUENT_ABOVE_FLOOR_S: f64 = 0.8;
/// A first answer of the day within the floor and this much has been kept over night.
const COLD_ABOVE_FLOOR_S: f64 = 1.5;

/// Variance of one log response time around the item's own mean.
const NOISE: f64 = 0.0625;
/// Drift of the mean from one answer to the next.
const DRIFT: f64 = 0.01;
/// Uncertainty after the first answer, before it is taken in.
const FIRST_VARIANCE: f64 = 0.25;
/// A night: slower by this much the first time, less each later day; and less sure.
const NIGHT_LOSS: f64 = 0.12;
const NIGHT_FADE: f64 = 0.35;
const NIGHT_VARIANCE: f64 = 0.0225;
/// Weight of earlier answers when one is added to the counts.
const COUNT_FADE: f64 = 0.85;
/// Answers that the learner's own share right is worth, before the item has its own.
const PRIOR_ANSWERS: f64 = 4.0;
/// Share right an item must reach surely.
const SURE_SHARE: f64 = 0.88;
/// What passes between an answer and the next prompt, seconds.
const BETWEEN_S: f64 = 1.3;

/// What is believed about one item.
#[derive(Debug, Clone, Default)]
struct Memory {
    /// Mean and variance of the log response time in seconds; `None` before the first timed right answer.
    speed: Option<(f64, f64)>,
    right: f64,
    wrong: f64,
    timed: bool,
    /// Days on which it was answered.
    days: u32,
    /// Answered since the last night.
    today: bool,
    /// First answers of a day, right and quick, running.
    cold_passes: u32,
    /// Nights since it was last answered.
    nights: f64,
}

/// The learner as far as the answers show.
#[derive(Debug, Clone)]
pub(crate) struct Learner {
    floor_s: f64,
    items: HashMap<Item, Memory>,
    first_logs: (f64, f64),
    share: (f64, f64),
    pace: (f64, f64),
    last: Option<Timestamp>,
}

/// At this probability of being fast and sure enough an item counts as settled.
const SETTLED: f64 = 0.7;

/// Whether every one of `items` is settled, by the answers given up to `now`.
pub fn all_settled(items: &[Item], answers: &[Answer], now: Timestamp, floor_ms: u32) -> bool {
    let mut learner = Learner::new(floor_ms);
    for answer in answers {
        learner.take(answer);
    }
    learner.wake(now);
    items.iter().all(|item| learner.settled(item) >= SETTLED)
}

impl Learner {
    pub(crate) fn new(floor_ms: u32) -> Learner {
        Learner {
            floor_s: f64::from(floor_ms) / 1000.0,
            items: HashMap::new(),
            first_logs: (0.0, 0.0),
            // Nine of ten right, as if ten had been answered.
            share: (9.0, 10.0),
            // Five seconds a prompt, as if four had been answered.
            pace: (20.0, 4.0),
            last: None,
        }
    }

    /// Takes a stored answer; only first tries that were judged count.
    pub(crate) fn take(&mut self, answer: &Answer) {
        self.wake(answer.at);
        self.last = Some(self.last.map_or(answer.at, |last| last.max(answer.at)));
        if answer.attempt == 1 && answer.outcome != Outcome::NotSure {
            self.learn(
                answer.item,
                answer.outcome == Outcome::Right,
                answer.response_ms,
            );
        }
    }

    /// Lets the nights since the last answer pass.
    pub(crate) fn wake(&mut self, now: Timestamp) {
        let Some(last) = self.last else { return };
        let pause = last.duration_until(now);
        if pause < REST {
            return;
        }
        let day = SignedDuration::from_hours(24).as_secs_f64();
        let nights = (pause.as_secs_f64() / day).round().max(1.0);
        for memory in self.items.values_mut() {
            if let Some((mean, variance)) = &mut memory.speed {
                // Each further night takes less: what is lost grows as the logarithm of time.
                let loss = NIGHT_LOSS * (-NIGHT_FADE * (f64::from(memory.days) - 1.0)).exp();
                *mean += loss * (1.0 + nights.ln());
                *variance = (*variance + NIGHT_VARIANCE * nights).min(FIRST_VARIANCE);
            }
            memory.today = false;
            memory.nights += nights;
        }
    }

    /// Learns from one judged first try.
    pub(crate) fn learn(&mut self, item: Item, right: bool, response_ms: Option<u32>) {
        // Below a tenth of a second nobody has read anything; beyond the cap nobody was reading.
        let seconds = response_ms.map(|ms| (f64::from(ms) / 1000.0).clamp(0.1, 10.0));
        let memory = self.items.entry(item).or_default();
        let cold = !memory.today;
        if cold {
            memory.today = true;
            memory.days += 1;
            let quick = seconds.is_none_or(|s| s <= self.floor_s + COLD_ABOVE_FLOOR_S);
            memory.cold_passes = if right && quick {
                memory.cold_passes + 1
            } else {
                0
            };
        }
        memory.nights = 0.0;
        memory.right = memory.right * COUNT_FADE + f64::from(u8::from(right));
        memory.wrong = memory.wrong * COUNT_FADE + f64::from(u8::from(!right));
        if let Some(seconds) = seconds {
            memory.timed = true;
            self.pace = (
                self.pace.0 * 0.98 + seconds + BETWEEN_S,
                self.pace.1 * 0.98 + 1.0,
            );
            if right {
                let log = seconds.ln();
                let (mean, variance) = memory.speed.unwrap_or_else(|| {
                    self.first_logs.0 += log;
                    self.first_logs.1 += 1.0;
                    (self.first_logs.0 / self.first_logs.1, FIRST_VARIANCE)
                });
                let gain = variance / (variance + NOISE);
                memory.speed = Some((mean + gain * (log - mean), (1.0 - gain) * variance));
            }
        }
        if let Some((_, variance)) = &mut memory.speed {
            *variance += DRIFT;
        }
        self.share = (
            self.share.0 * 0.99 + f64::from(u8::from(right)),
            self.share.1 * 0.99 + 1.0,
        );
    }

    /// Probability that the item is read fluently and surely now; 0 for one never read.
    pub(crate) fn settled(&self, item: &Item) -> f64 {
        let Some(memory) = self.items.get(item) else {
            return 0.0;
        };
        let fluent = match memory.speed {
            Some((mean, variance)) => {
                let threshold = (self.floor_s + FLUENT_ABOVE_FLOOR_S).ln();
                normal_cdf((threshold - mean) / (variance + 0.0025).sqrt())
            }
            None if memory.timed => 0.0,
            None => 1.0,
        };
        let share = self.share.0 / self.share.1;
        let right = memory.right + PRIOR_ANSWERS * share;
        let count = memory.right + memory.wrong + PRIOR_ANSWERS;
        let mean = right / count;
        let deviation = (mean * (1.0 - mean) / (count + 1.0)).sqrt().max(1e-6);
        fluent * normal_cdf((mean - SURE_SHARE) / deviation)
    }

    /// Whether the next look is a first look of the day that should show if the item was kept: fewer than two were,
    /// or its review after 2, 4, 8 … days is due.
    pub(crate) fn wants_cold_look(&self, item: &Item) -> bool {
        self.items.get(item).is_some_and(|memory| {
            let due = 2f64.powi(i32::try_from(memory.cold_passes).unwrap_or(30).min(30) - 1);
            !memory.today && (memory.cold_passes < 2 || memory.nights >= due)
        })
    }

    /// How long a prompt takes, answer and what follows.
    pub(crate) fn seconds_per_prompt(&self) -> f64 {
        self.pace.0 / self.pace.1
    }
}
