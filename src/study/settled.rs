//! When an item is settled: read fast and surely enough, and still so on a later day.
//! In: what is kept of an item's answers, and what is pooled over the learner. Out: a verdict, criterion by criterion.
//! Source: our own simulation study; thresholds without a source are ours and named as such.

use std::collections::VecDeque;

use jiff::civil::Date;

use super::normal::normal_cdf;

/// The median response must lie within the floor and this much: ours, a course may set another.
pub const FLUENT_ABOVE_FLOOR_MS: u32 = 800;
/// The first answer of a day must come within the floor and this much: ours.
pub const KEPT_ABOVE_FLOOR_MS: u32 = 1500;
/// Probability that the median response is fluent which makes an item settled: with 0.85 a third more first verdicts
/// were false in simulation.
pub const SURELY_FLUENT: f64 = 0.93;
/// Accuracy which makes an item settled, pooled with the learner's own on items read fast.
pub const SURE: f64 = 0.93;

/// Weight of an earlier response time against the next one.
const TIME_FADE: f64 = 0.75;
/// Right answers whose times are kept: the oldest weighs a three-hundredth.
const TIMES_KEPT: usize = 20;
/// Weight of an earlier outcome against the next one.
const OUTCOME_FADE: f64 = 0.9;
/// Answers that the learner's accuracy on fast items is worth beside the item's own.
const PRIOR_ANSWERS: f64 = 6.0;
/// The spread of log response times within an item: prior variance and the answers it is worth.
const PRIOR_VARIANCE: f64 = 0.05;
const PRIOR_VARIANCE_WEIGHT: f64 = 3.0;
/// Answers of each item that tell the spread.
const SPREAD_ANSWERS: usize = 4;
/// Item-days of no difference that the morning penalty starts from.
const PENALTY_PRIOR: f64 = 5.0;
/// Answers on items read fast that tell the learner's slips.
const SLIP_ANSWERS: usize = 150;
/// What is assumed of slips before: 9.5 of 10 right.
const SLIP_PRIOR: (f64, f64) = (9.5, 10.0);
/// Answers on fast items before slips are spoken of.
const SLIPS_KNOWN: usize = 60;
/// An item may lie this far below a slipping learner's own accuracy.
const SLIP_MARGIN: f64 = 0.03;

/// The first answer to an item on a practice day: it alone shows what was kept over night.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FirstLook {
    /// The practice day.
    pub day: Date,
    /// Whether it was right.
    pub right: bool,
    /// Its time; `None` when untimed.
    pub seconds: Option<f64>,
}

/// What an item's answers say for and against its being settled.
#[derive(Debug, Clone, Default)]
pub(super) struct Evidence {
    /// Log times of the last right answers, and whether each was a first look; the newest last.
    times: VecDeque<(f64, bool)>,
    right: f64,
    weight: f64,
    /// The last two days' first looks, the newest last.
    looks: VecDeque<FirstLook>,
    /// Today's first look's log time, and the later ones' sum and number.
    today: (Option<f64>, f64, u32),
}

impl Evidence {
    /// Takes an answer: `first` if it is the day's first to this item.
    pub(super) fn take(&mut self, day: Date, first: bool, right: bool, seconds: Option<f64>) {
        self.right = self.right * OUTCOME_FADE + f64::from(u8::from(right));
        self.weight = self.weight * OUTCOME_FADE + 1.0;
        if first {
            keep(
                &mut self.looks,
                2,
                FirstLook {
                    day,
                    right,
                    seconds,
                },
            );
        }
        if let (true, Some(seconds)) = (right, seconds) {
            let log = seconds.ln();
            keep(&mut self.times, TIMES_KEPT, (log, first));
            if first {
                self.today.0 = Some(log);
            } else {
                self.today.1 += log;
                self.today.2 += 1;
            }
        }
    }

    /// How much slower today's first look was than the later ones; `None` without both.
    pub(super) fn morning(&self) -> Option<f64> {
        match self.today {
            (Some(first), sum, count @ 1..) => Some(first - sum / f64::from(count)),
            _ => None,
        }
    }

    pub(super) fn end_day(&mut self) {
        self.today = (None, 0.0, 0);
    }

    /// Squared deviations of the last times from their mean, and the degrees of freedom.
    pub(super) fn spread(&self) -> (f64, f64) {
        let last = self.times.iter().rev().take(SPREAD_ANSWERS);
        let logs = last.map(|(log, _)| *log);
        let count = logs.len();
        if count < 2 {
            return (0.0, 0.0);
        }
        let mean = logs.clone().sum::<f64>() / count as f64;
        let squares = logs.map(|log| (log - mean).powi(2)).sum();
        (squares, (count - 1) as f64)
    }

    /// The mean log time as of a morning, and the number of answers it rests on.
    fn level(&self, penalty: f64) -> Option<(f64, f64)> {
        let (mut sum, mut weights, mut squares) = (0.0, 0.0, 0.0);
        let mut weight = 1.0;
        for (log, first) in self.times.iter().rev() {
            sum += weight * (log + if *first { 0.0 } else { penalty });
            weights += weight;
            squares += weight * weight;
            weight *= TIME_FADE;
        }
        (weights > 0.0).then(|| (sum / weights, weights * weights / squares))
    }
}

fn keep<T>(queue: &mut VecDeque<T>, most: usize, value: T) {
    if queue.len() == most {
        queue.pop_front();
    }
    queue.push_back(value);
}

/// What is pooled over all of a learner's items.
#[derive(Debug, Clone, Default)]
pub(super) struct Pool {
    morning: (f64, f64),
    fast: VecDeque<bool>,
    fast_right: usize,
}

impl Pool {
    /// Takes a finished item-day's morning difference.
    pub(super) fn take_morning(&mut self, difference: f64) {
        self.morning.0 += difference;
        self.morning.1 += 1.0;
    }

    /// Takes an answer to an item that was read fast before it.
    pub(super) fn take_fast(&mut self, right: bool) {
        if self.fast.len() == SLIP_ANSWERS && self.fast.pop_front() == Some(true) {
            self.fast_right -= 1;
        }
        self.fast.push_back(right);
        self.fast_right += usize::from(right);
    }

    /// Accuracy on items read fast: what is missing to 1 are slips.
    pub(super) fn accuracy(&self) -> f64 {
        (self.fast_right as f64 + SLIP_PRIOR.0) / (self.fast.len() as f64 + SLIP_PRIOR.1)
    }

    /// The accuracy that is asked of an item when the learner's slips alone keep it below [`SURE`].
    pub(super) fn relaxed(&self) -> Option<f64> {
        let slips = self.fast.len() >= SLIPS_KNOWN && self.accuracy() < SURE;
        slips.then(|| self.accuracy() - SLIP_MARGIN)
    }

    /// How much slower a first look of the day is, in log time, never negative; `today` are the item-days still going on.
    pub(super) fn penalty(&self, today: impl Iterator<Item = f64>) -> f64 {
        let (mut sum, mut count) = self.morning;
        for difference in today {
            sum += difference;
            count += 1.0;
        }
        (sum / (count + PENALTY_PRIOR)).max(0.0)
    }
}

/// Everything but the item that its verdict rests on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Yard {
    pub(super) floor_s: f64,
    pub(super) fluent_s: f64,
    pub(super) timed: bool,
    pub(super) penalty: f64,
    pub(super) deviation: f64,
    pub(super) accuracy: f64,
    pub(super) relaxed: Option<f64>,
}

/// The pooled deviation of log times within an item.
pub(super) fn pooled_deviation(spreads: impl Iterator<Item = (f64, f64)>) -> f64 {
    let (mut squares, mut freedom) = (
        PRIOR_VARIANCE * PRIOR_VARIANCE_WEIGHT,
        PRIOR_VARIANCE_WEIGHT,
    );
    for (more, degrees) in spreads {
        squares += more;
        freedom += degrees;
    }
    (squares / freedom).sqrt()
}

/// Whether an item is settled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Not yet, or no longer.
    Open,
    /// In everything but accuracy, which lies where this learner's slips keep it.
    ButForSlips,
    /// Fast, sure, and kept.
    Settled,
}

/// The criteria of one item.
#[derive(Debug, Clone, PartialEq)]
pub struct Criteria {
    /// The verdict.
    pub verdict: Verdict,
    /// What the median response is thought to be of a morning, and its standard error as a factor; `None` without times.
    pub median_s: Option<(f64, f64)>,
    /// What it must not exceed.
    pub fluent_s: f64,
    /// Probability that it does not; `None` when time does not count.
    pub fluent: Option<f64>,
    /// Accuracy, pooled.
    pub accuracy: f64,
    /// The first looks of the last two practice days on which it was shown.
    pub looks: Vec<FirstLook>,
    /// How many of them were right and quick.
    pub looks_kept: usize,
    /// What a first look must not exceed.
    pub kept_s: f64,
}

/// What a first look may take above the plain reaction: at least what lies between fluent and kept of a note more than is
/// fluent.
pub(super) fn kept_above_floor_s(fluent_s: f64) -> f64 {
    let more = f64::from(KEPT_ABOVE_FLOOR_MS - FLUENT_ABOVE_FLOOR_MS) / 1000.0;
    fluent_s.max(f64::from(FLUENT_ABOVE_FLOOR_MS) / 1000.0) + more
}

pub(super) fn judge(evidence: &Evidence, yard: &Yard) -> Criteria {
    let threshold = yard.floor_s + yard.fluent_s;
    let kept_s = yard.floor_s + kept_above_floor_s(yard.fluent_s);
    let level = evidence.level(yard.penalty);
    let fluent = yard.timed.then(|| {
        level.map_or(0.0, |(mean, answers)| {
            normal_cdf((threshold.ln() - mean) * answers.sqrt() / yard.deviation)
        })
    });
    let accuracy =
        (evidence.right + PRIOR_ANSWERS * yard.accuracy) / (evidence.weight + PRIOR_ANSWERS);
    let kept = |look: &&FirstLook| {
        let quick = look.seconds.is_none_or(|s| s <= kept_s);
        look.right && (quick || !yard.timed)
    };
    let looks_kept = evidence.looks.iter().filter(kept).count();
    let verdict = if fluent.is_some_and(|p| p < SURELY_FLUENT) || looks_kept < 2 {
        Verdict::Open
    } else if accuracy >= SURE {
        Verdict::Settled
    } else if yard.relaxed.is_some_and(|relaxed| accuracy >= relaxed) {
        Verdict::ButForSlips
    } else {
        Verdict::Open
    };
    Criteria {
        verdict,
        median_s: level.map(|(mean, answers)| (mean.exp(), yard.deviation / answers.sqrt())),
        fluent_s: threshold,
        fluent,
        accuracy,
        looks: evidence.looks.iter().copied().collect(),
        looks_kept,
        kept_s,
    }
}
