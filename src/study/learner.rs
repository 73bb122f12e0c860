//! What is believed about a learner's reading of each item.
//! In: answers with their practice days, in the order in which they were recorded. Out: how likely an item is read
//! fluently now, whether it is settled, when it is to be reviewed, and the learner's pace.
//! Source: our own simulation study (log response time tracked by a Kalman filter, accuracy by fading counts).
//!
//! Nothing of this is stored: the same answers always build the same model.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::answer::{Answer, Outcome};
use super::floor::quantile;
use super::item::{Item, ItemMap};
use super::marks::REST;
use super::normal::normal_cdf;
use super::places::{PlaceCost, Places};
use super::settled::{
    Criteria, Evidence, FLUENT_ABOVE_FLOOR_MS, Pool, Verdict, Yard, judge, kept_above_floor_s,
    pooled_deviation,
};

/// Variance of one log response time around the item's own mean.
const NOISE: f64 = 0.0625;
/// Drift of the mean from one answer to the next.
const DRIFT: f64 = 0.01;
/// Uncertainty after the first answer, before it is taken in; no pause makes it larger.
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
/// Below a tenth of a second nobody has read anything; beyond ten nobody was reading.
const BELIEVED_S: (f64, f64) = (0.1, 10.0);
/// Days after which a settled item is looked at again, doubled each time it was kept.
const FIRST_REVIEW_DAYS: f64 = 2.0;
/// Items read best, and answers to each, that may show a floor to be too high.
const BEST_ITEMS: usize = 3;
const BEST_ANSWERS: u32 = 6;

/// What answers are measured by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Yardstick {
    /// The learner's plain reaction for the answer way.
    pub floor_ms: u32,
    /// The median response of a settled item lies within the floor and this much.
    pub fluent_ms: u32,
    /// Whether time counts at all.
    pub timed: bool,
}

impl Yardstick {
    /// The usual one.
    pub fn new(floor_ms: u32) -> Yardstick {
        Yardstick {
            floor_ms,
            fluent_ms: FLUENT_ABOVE_FLOOR_MS,
            timed: true,
        }
    }
}

/// What is believed about one item.
#[derive(Debug, Clone, Default)]
pub(super) struct Memory {
    /// Mean and variance of the log response time in seconds; `None` before the first timed right answer.
    speed: Option<(f64, f64)>,
    right: f64,
    wrong: f64,
    /// Judged first tries, and right ones.
    pub(super) answers: u32,
    pub(super) rights: u32,
    times: u32,
    /// Days on which it was answered.
    pub(super) days: u32,
    /// Answered since the last night.
    today: bool,
    /// First looks of a day, right and quick, running.
    kept: u32,
    /// Nights since it was last answered.
    nights: f64,
    /// Days to its next review.
    review: f64,
    /// The morning since which it counts as settled, if it does.
    pub(super) settled: Option<Date>,
    /// Whether it ever did.
    was_settled: bool,
    evidence: Evidence,
}

/// A learner as far as the answers show.
#[derive(Debug, Clone)]
pub struct LearnerModel {
    yardstick: Yardstick,
    items: ItemMap<Memory>,
    /// Sum and number of the first log times of items.
    first_logs: (f64, f64),
    /// Right and all answers, fading.
    share: (f64, f64),
    /// Seconds and prompts, fading.
    pace: (f64, f64),
    pool: Pool,
    places: Places,
    today: Option<Date>,
    floor_s: f64,
}

impl LearnerModel {
    /// A learner of whom nothing is known.
    pub fn new(yardstick: Yardstick) -> LearnerModel {
        LearnerModel {
            yardstick,
            items: ItemMap::default(),
            first_logs: (0.0, 0.0),
            // Nine of ten right, as if ten had been answered.
            share: (9.0, 10.0),
            // Five seconds a prompt, as if four had been answered.
            pace: (20.0, 4.0),
            pool: Pool::default(),
            places: Places::default(),
            today: None,
            floor_s: f64::from(yardstick.floor_ms) / 1000.0,
        }
    }

    /// A learner by all answers so far, each with its practice day, in the order in which they were recorded; `today`
    /// lets the nights since the last one pass.
    pub fn rebuild<'a>(
        yardstick: Yardstick,
        answers: impl IntoIterator<Item = (Date, &'a Answer)>,
        today: Date,
    ) -> LearnerModel {
        let mut model = LearnerModel::new(yardstick);
        for (day, answer) in answers {
            model.take(day, answer);
        }
        model.begin_day(today);
        model
    }

    /// Takes an answer; only first tries that were judged count.
    pub fn take(&mut self, day: Date, answer: &Answer) {
        self.begin_day(day);
        if answer.attempt == 1 && answer.outcome != Outcome::NotSure {
            let right = answer.outcome == Outcome::Right;
            self.learn(answer.item, right, answer.response_ms);
        }
    }

    /// Lets the nights up to `day` pass. The order of recording counts: an earlier date is a clock that was set, and one night.
    pub fn begin_day(&mut self, day: Date) {
        let Some(last) = self.today.replace(day) else {
            return;
        };
        if last == day {
            return;
        }
        self.floor_s = self.floor_now();
        self.note_settled(day);
        let nights = f64::from((day - last).get_days()).max(1.0);
        // The sum's last digits depend on the order, which a hash map does not keep.
        let mut mornings: Vec<f64> = Vec::new();
        for memory in self.items.values_mut() {
            mornings.extend(memory.evidence.morning());
            memory.sleep(nights);
        }
        mornings.sort_by(f64::total_cmp);
        for difference in mornings {
            self.pool.take_morning(difference);
        }
    }

    /// Notes which of the day's items are settled now that it is over.
    fn note_settled(&mut self, day: Date) {
        let yard = self.yard();
        for memory in self.items.values_mut().filter(|m| m.today) {
            let settled = judge(&memory.evidence, &yard).verdict != Verdict::Open;
            memory.settled = if settled {
                memory.settled.or(Some(day))
            } else {
                None
            };
            memory.was_settled |= settled;
        }
    }

    /// Learns from one judged first try on the day that has begun. A note of a group is learned as its interval, freed of
    /// what its place in the group costs this learner.
    pub fn learn(&mut self, item: Item, right: bool, response_ms: Option<u32>) {
        let seconds =
            response_ms.map(|ms| (f64::from(ms) / 1000.0).clamp(BELIEVED_S.0, BELIEVED_S.1));
        let threshold = self.threshold_s().ln();
        let fluent_s = f64::from(self.yardstick.fluent_ms) / 1000.0;
        let kept_s = self.floor_s + kept_above_floor_s(fluent_s);
        let timed = self.yardstick.timed;
        let day = self.today.unwrap_or_default();
        let place = item.in_group.map_or(1, |within| within.place);
        let slower = self.places.offset(place);
        let seconds = seconds.map(|s| s * (-slower).exp());
        let memory = self.items.entry(item.part()).or_default();
        if let (true, Some(seconds), Some((mean, _))) = (right, seconds, memory.speed) {
            self.places.take(place, seconds.ln() + slower - mean);
        }
        let was_fast = match memory.speed {
            Some((mean, _)) => mean <= threshold,
            None => !timed && memory.kept >= 2,
        };
        if was_fast {
            self.pool.take_fast(right);
        }
        let first = !memory.today;
        memory.evidence.take(day, first, right, seconds);
        if first {
            let quick = !timed || seconds.is_none_or(|s| s <= kept_s);
            memory.look(right && quick);
        }
        memory.count(right);
        if let Some(seconds) = seconds {
            self.pace = (
                self.pace.0 * 0.98 + seconds + BETWEEN_S,
                self.pace.1 * 0.98 + 1.0,
            );
            if right {
                let first_logs = &mut self.first_logs;
                memory.time(seconds.ln(), |log| {
                    first_logs.0 += log;
                    first_logs.1 += 1.0;
                    first_logs.0 / first_logs.1
                });
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

    /// Probability that the item is read fluently and surely now; 0 for one never read. This leads the choice of the next
    /// item; whether it is settled is asked of [`LearnerModel::criteria`].
    pub fn probability(&self, item: &Item) -> f64 {
        let Some(memory) = self.items.get(item) else {
            return 0.0;
        };
        let fluent = match memory.speed {
            _ if !self.yardstick.timed => 1.0,
            Some((mean, variance)) => {
                normal_cdf((self.threshold_s().ln() - mean) / (variance + 0.0025).sqrt())
            }
            None => 0.0,
        };
        let (mean, deviation) = self.share_right(memory);
        fluent * normal_cdf((mean - SURE_SHARE) / deviation)
    }

    /// Mean and deviation of a Beta distribution.
    fn share_right(&self, memory: &Memory) -> (f64, f64) {
        let share = self.share.0 / self.share.1;
        let count = memory.right + memory.wrong + PRIOR_ANSWERS;
        let mean = (memory.right + PRIOR_ANSWERS * share) / count;
        (mean, (mean * (1.0 - mean) / (count + 1.0)).sqrt().max(1e-6))
    }

    /// Every criterion of *settled* for an item; `None` for one never answered.
    pub fn criteria(&self, item: &Item) -> Option<Criteria> {
        self.criteria_by(item, &self.yard())
    }

    pub(super) fn criteria_by(&self, item: &Item, yard: &Yard) -> Option<Criteria> {
        let memory = self.items.get(item)?;
        Some(judge(&memory.evidence, yard))
    }

    /// Verdicts of many items at once; one never answered is open.
    pub fn verdicts<'a>(&self, items: impl IntoIterator<Item = &'a Item>) -> Vec<Verdict> {
        let yard = self.yard();
        let verdict = |item| match self.items.get(item) {
            Some(memory) => judge(&memory.evidence, &yard).verdict,
            None => Verdict::Open,
        };
        items.into_iter().map(verdict).collect()
    }

    /// Whether a stage that asks for settled items is done: each is settled, or would be but for the learner's slips, or
    /// was settled one morning. One that came loose since is carried along; waiting until no item of a hundred slips on
    /// the same day would keep most learners for ever.
    pub fn all_settled(&self, items: &[Item]) -> bool {
        let was = |item| self.items.get(item).is_some_and(|m| m.was_settled);
        let verdicts = self.verdicts(items);
        let mut both = items.iter().zip(verdicts);
        both.all(|(item, verdict)| verdict != Verdict::Open || was(item))
    }

    /// Accuracy on items read fast, when slips alone keep this learner's items from counting as settled.
    pub fn slips(&self) -> Option<f64> {
        self.pool.relaxed().map(|_| self.pool.accuracy())
    }

    /// Whether today's first look at an item is still to come and tells something: it was not yet kept on two days
    /// running, or its review after 2, 4, 8 … days is due.
    pub fn wants_first_look(&self, item: &Item) -> bool {
        self.items
            .get(item)
            .is_some_and(|m| !m.today && (m.kept < 2 || m.nights >= m.review))
    }

    /// Whether a settled item's review is due today.
    pub fn review_due(&self, item: &Item) -> bool {
        let due = |m: &Memory| !m.today && m.kept >= 2 && m.nights >= m.review;
        self.items.get(item).is_some_and(due)
    }

    /// Days until an item that was kept on two days running is to be looked at again.
    pub fn days_to_review(&self, item: &Item) -> Option<u32> {
        let memory = self.items.get(item).filter(|m| m.kept >= 2)?;
        Some((memory.review - memory.nights).max(0.0).round() as u32)
    }

    /// The morning since which an item counts as settled; `None` if it does not, or as of today.
    pub fn settled_since(&self, item: &Item) -> Option<Date> {
        self.items.get(item)?.settled
    }

    /// Share right on an item, fading, with the learner's own share as prior, and its standard deviation.
    pub fn accuracy(&self, item: &Item) -> Option<(f64, f64)> {
        self.items.get(item).map(|memory| self.share_right(memory))
    }

    /// What the places of a group cost beside their intervals, from the third note on.
    pub fn place_costs(&self) -> Vec<PlaceCost> {
        self.places.costs()
    }

    /// What answers are measured by.
    pub fn yardstick(&self) -> Yardstick {
        self.yardstick
    }

    /// Whether an item was ever answered.
    pub fn knows(&self, item: &Item) -> bool {
        self.items.contains_key(item)
    }

    /// The floor in use: the one given, or what the items read best show, if that is lower.
    pub fn floor_ms(&self) -> u32 {
        (self.floor_s * 1000.0).round() as u32
    }

    /// How long a prompt takes, answer and what follows.
    pub fn seconds_per_prompt(&self) -> f64 {
        self.pace.0 / self.pace.1
    }

    pub(super) fn memory(&self, item: &Item) -> Option<&Memory> {
        self.items.get(item)
    }

    fn threshold_s(&self) -> f64 {
        self.floor_s + f64::from(self.yardstick.fluent_ms) / 1000.0
    }

    pub(super) fn yard(&self) -> Yard {
        let mut mornings: Vec<f64> = self
            .items
            .values()
            .filter_map(|m| m.evidence.morning())
            .collect();
        mornings.sort_by(f64::total_cmp);
        let mut spreads: Vec<(f64, f64)> =
            self.items.values().map(|m| m.evidence.spread()).collect();
        spreads.sort_by(|a, b| a.0.total_cmp(&b.0));
        Yard {
            floor_s: self.floor_s,
            fluent_s: f64::from(self.yardstick.fluent_ms) / 1000.0,
            timed: self.yardstick.timed,
            penalty: self.pool.penalty(mornings.into_iter()),
            deviation: pooled_deviation(spreads.into_iter()),
            accuracy: self.pool.accuracy(),
            relaxed: self.pool.relaxed(),
        }
    }

    /// No reading takes less than nothing: the medians of the items read best are floors or lie above one.
    fn floor_now(&self) -> f64 {
        let given = f64::from(self.yardstick.floor_ms) / 1000.0;
        let mut best: Vec<f64> = self
            .items
            .values()
            .filter(|m| m.times >= BEST_ANSWERS)
            .filter_map(|m| m.speed.map(|(mean, _)| mean.exp()))
            .collect();
        if best.len() < BEST_ITEMS {
            return given;
        }
        best.sort_by(f64::total_cmp);
        given.min(quantile(&best[..BEST_ITEMS], 0.5))
    }
}

impl Memory {
    /// Lets nights pass.
    fn sleep(&mut self, nights: f64) {
        if let Some((mean, variance)) = &mut self.speed {
            // Each further night takes less: what is lost grows as the logarithm of time.
            let loss = NIGHT_LOSS * (-NIGHT_FADE * (f64::from(self.days) - 1.0)).exp();
            *mean += loss * (1.0 + nights.ln());
            *variance = (*variance + NIGHT_VARIANCE * nights).min(FIRST_VARIANCE.max(*variance));
        }
        self.evidence.end_day();
        self.today = false;
        self.nights += nights;
    }

    /// Takes the first look of a day.
    fn look(&mut self, kept: bool) {
        self.today = true;
        self.days += 1;
        if !kept {
            self.kept = 0;
            self.review = 0.0;
        } else {
            self.kept += 1;
            if self.kept == 2 {
                self.review = FIRST_REVIEW_DAYS;
            } else if self.kept > 2 && self.nights >= self.review {
                self.review *= 2.0;
            }
        }
    }

    /// Counts an outcome.
    fn count(&mut self, right: bool) {
        self.nights = 0.0;
        self.answers += 1;
        self.rights += u32::from(right);
        self.right = self.right * COUNT_FADE + f64::from(u8::from(right));
        self.wrong = self.wrong * COUNT_FADE + f64::from(u8::from(!right));
    }

    /// Takes a right answer's log time; `start` gives the mean that a first one starts from.
    fn time(&mut self, log: f64, start: impl FnOnce(f64) -> f64) {
        let (mean, variance) = self.speed.unwrap_or_else(|| (start(log), FIRST_VARIANCE));
        let gain = variance / (variance + NOISE);
        self.speed = Some((mean + gain * (log - mean), (1.0 - gain) * variance));
        self.times += 1;
    }
}

/// Practice days of answers whose own are not at hand, and that of `now`: a rest of [`REST`] begins a new one.
pub(super) fn days_by_rests(answers: &[Answer], now: Timestamp) -> (Vec<Date>, Date) {
    let mut last: Option<(Timestamp, Date)> = None;
    let mut day_of = |at: Timestamp| {
        let date = TimeZone::UTC.to_datetime(at).date();
        let day = match last {
            None => date,
            Some((before, day)) if before.duration_until(at).abs() < REST => day,
            Some((_, day)) => date.max(day.tomorrow().unwrap_or(day)),
        };
        last = Some((at, day));
        day
    };
    let days = answers.iter().map(|answer| day_of(answer.at)).collect();
    (days, day_of(now))
}
